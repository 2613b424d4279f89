//! What a unit gave, against what the book knows of it: serial number, label, firmware, revocation.

use base::trouble::Trouble;
use book::UnitStory;
use book::ids::ChipId;
use meet::home::Met;
use site::Site;
use site::revoked::marked;
use standard::certificate::Certificate;
use standard::verdict::Finding;
use standard::verdict::catalogue::chain::REVOKED;
use standard::verdict::catalogue::meet as rules;

use super::Wanted;
use super::answer::MetUnit;
use crate::scrapped::ScrappedHere;

/// Certificates of one serial number that are looked at.
const SAME_SERIAL: u32 = 8;

/// The unit that a code or a serial number names.
pub(super) struct Expected {
    pub story: Box<UnitStory>,
}

impl Expected {
    pub fn of(story: UnitStory) -> Self {
        Self { story: Box::new(story) }
    }

    pub fn unit(&self) -> MetUnit {
        MetUnit { serial: self.story.unit.serial.to_string(), state: self.story.unit.state }
    }

    /// The firmware of the last attempt that says one.
    fn firmware(&self) -> Option<&str> {
        self.story
            .attempts
            .iter()
            .rev()
            .find_map(|attempt| attempt.facts.firmware.as_ref())
            .map(|version| version.as_str())
    }
}

/// Adds what the book has against it. The answer says where the chip was scrapped that gave this certificate, or, where
/// it gave none, the chip that the unit has.
pub(super) fn compare(
    site: &Site,
    wanted: &Wanted,
    met: &Met,
    findings: &mut Vec<Finding>,
) -> Result<Option<ScrappedHere>, Trouble> {
    let (chip, owner) = met.dac.as_deref().map(|dac| owner(site, dac)).transpose()?.flatten().unzip();
    let (owner, own) = (owner.flatten(), wanted.expected.as_ref().map(|own| own.story.unit.chip_id.clone()));
    match (&wanted.expected, &owner) {
        (Some(expected), _) => expected_unit(expected, met, owner.as_deref(), findings),
        (None, Some(other)) => {
            // A unit whose code this book never had, or has no more, may have this one.
            let story = crate::unit::story(site, other)?;
            if story.unit.onboarding.as_ref().is_some_and(|data| data.passcode.is_some()) {
                let found = format!("the code is of no unit of this site, and the certificate is of unit {other}");
                findings.push(Finding::new(&rules::LABEL, found));
            }
        }
        (None, None) => {}
    }
    let chip = if met.dac.is_some() { chip } else { own };
    Ok(chip.map(|chip| ScrappedHere::of(site, &chip)).transpose()?.flatten())
}

fn expected_unit(expected: &Expected, met: &Met, owner: Option<&str>, findings: &mut Vec<Finding>) {
    let (unit, credential) = (&expected.story.unit, expected.story.origin.credential.as_ref());
    let own = credential.map(|credential| credential.certificate.as_slice());
    if let (Some(dac), Some(own)) = (met.dac.as_deref(), own)
        && dac != own
        && Certificate::read(dac).is_ok()
    {
        let whose = owner.map_or_else(|| "no unit of this site".into(), |other| format!("unit {other}"));
        let found = format!("the label is of unit {}, and the certificate is of {whose}", unit.serial);
        findings.push(Finding::new(&rules::LABEL, found));
    }
    let already = findings.iter().any(|f| f.rule.name == REVOKED.name);
    if let (Some(marked), false) = (credential.and_then(marked), already) {
        findings.push(Finding::new(&REVOKED, marked));
    }
    let Some(device) = &met.device else { return };
    if let Some(serial) = device.serial_number.as_deref()
        && serial != unit.serial.as_str()
    {
        let finding = Finding::new(&rules::SERIAL, format!("the unit reports serial number {serial:?}"));
        findings.push(finding.requiring(format!("{}, the unit's in the book.", unit.serial)));
    }
    if let Some(recorded) = expected.firmware() {
        let text = device.software_version_string.as_deref();
        let number = device.software_version.map(|version| version.to_string());
        let said = text.or(number.as_deref());
        if let Some(said) = said.filter(|_| text != Some(recorded) && number.as_deref() != Some(recorded)) {
            let finding = Finding::new(&rules::FIRMWARE, format!("the unit reports firmware {said:?}"));
            findings.push(finding.requiring(format!("{recorded:?}, as its station recorded.")));
        }
    }
}

/// The chip that this certificate is of, and its unit.
fn owner(site: &Site, dac: &[u8]) -> Result<Option<(ChipId, Option<String>)>, Trouble> {
    let Ok(certificate) = Certificate::read(dac) else { return Ok(None) };
    for found in site.book.find(&certificate.serial_hex(), SAME_SERIAL)? {
        if found.credential.as_deref() != Some(certificate.serial()) {
            continue;
        }
        let story = site.book.chip_story(&found.chip)?;
        if story.and_then(|story| story.credential).is_some_and(|own| own.certificate == dac) {
            return Ok(Some((found.chip, found.unit.map(|(unit, _)| unit.to_string()))));
        }
    }
    Ok(None)
}
