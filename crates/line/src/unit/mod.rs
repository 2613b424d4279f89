//! One unit: its whole story, its files, its way out of the line.

mod files;
mod met;
mod renewed;
mod story;
mod whole;

use base::times::time_text;
use base::trouble::Trouble;
use book::ids::{ReelId, UnitSerial};
use book::{Onboarding, Subject, Unit, UnitFilter, UnitState};
use custody::Passphrase;
pub use files::{Written, write};
pub(crate) use met::id;
pub use met::{DeviceView, ExchangeView, LeftAs, MeetingReport, OfMeeting, SessionView, ShownCertificate, StepView};
use receive::reel;
pub(crate) use renewed::was_locked;
pub use renewed::{CodeKept, Erased, ErasedUnit, SentBack, SwappedCredential, erased, refurbish, swap};
use serde::Serialize;
use serde_json::json;
use site::revoked::RevokedHere;
use site::{Site, Who, product};
use standard::certificate::Certificate;
use standard::ids::{ProductId, VendorId};
use standard::moment::Moment;
use standard::onboarding::{Discriminator, Flow, OptionalData, Passcode, Payload, Reach};
pub use story::{requested, show, shown, story};
use utoipa::ToSchema;
pub use whole::{
    AdoptedFrom, Left, OfAttempt, OfBoard, OfStep, ProofFinding, ProofReport, RevocationRequested, WholeUnit,
};

/// A unit in a list.
#[derive(Debug, Serialize, ToSchema)]
pub struct UnitView {
    /// Serial number.
    pub unit: String,
    /// Where it stands.
    pub state: UnitState,
    /// Product.
    pub product: String,
    /// Reel.
    pub reel: String,
    /// Chip.
    pub chip_id: String,
    /// Attempts so far.
    pub attempts: i64,
    /// When it last changed.
    pub changed: String,
    /// Why its certificate counts no more, where it is revoked.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub revoked: Option<String>,
    /// Whether its last check at a station failed after it had passed.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub check_failed: bool,
    /// How it was scrapped before, where it was to be scrapped again and nothing was changed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub already: Option<Left>,
}

/// A unit as lists show it, what is known of its certificate left out.
pub fn view(unit: &Unit) -> UnitView {
    UnitView {
        unit: unit.serial.to_string(),
        state: unit.state,
        product: unit.product.to_string(),
        reel: unit.reel.to_string(),
        chip_id: unit.chip_id.to_string(),
        attempts: unit.attempts,
        changed: time_text(unit.changed),
        revoked: None,
        check_failed: false,
        already: None,
    }
}

/// Which units to list.
#[derive(Debug, Default)]
pub struct Wanted<'a> {
    pub reel: Option<&'a str>,
    pub state: Option<&'a str>,
    /// After this serial number.
    pub after: Option<&'a str>,
    /// At most so many.
    pub limit: u32,
}

/// Units that were asked for.
#[derive(Debug, Serialize)]
pub struct Listed {
    /// The units, in the order of their serial numbers.
    pub units: Vec<UnitView>,
    /// Whether more match, after the last of these.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub more: bool,
}

/// Units in the order of their serial numbers.
///
/// # Errors
///
/// [`Trouble`] for a state that there is not, or a reel that is not here.
pub fn list(site: &Site, wanted: &Wanted<'_>) -> Result<Listed, Trouble> {
    let state = match wanted.state {
        None => None,
        Some(word) => Some(UnitState::from_word(word).ok_or_else(|| {
            Trouble::usage(
                format!("{word:?} is not a state of a unit"),
                "Choose open, passed, failed, scrapped or returned.",
            )
        })?),
    };
    let filter =
        UnitFilter { reel: wanted.reel.map(|id| known_reel(site, id)).transpose()?, state, ..UnitFilter::default() };
    let after = wanted.after.map(UnitSerial::new).transpose()?;
    let revoked_here = RevokedHere::of(site)?;
    let units = site.book.units(&filter, after.as_ref(), wanted.limit)?;
    let failed = checks_failed(site, None)?;
    let marked = |unit: &Unit| {
        let (revoked, check_failed) = (revoked_here.of_chip(site, &unit.chip_id)?, failed.contains(&unit.serial));
        Ok(UnitView { revoked, check_failed, ..view(unit) })
    };
    let more = units.next.is_some();
    Ok(Listed { units: units.items.iter().map(marked).collect::<Result<_, Trouble>>()?, more })
}

/// The id of a reel that is here. A typo must not read as a reel without units, all accounted for.
pub fn known_reel(site: &Site, id: &str) -> Result<ReelId, Trouble> {
    Ok(reel::get(site, id)?.facts.reel)
}

/// Numbers that differ in letter case alone, as far as they are looked at.
const SAME: u32 = 50;

/// What a passcode at rest is bound to.
pub(crate) fn passcode_label(serial: &str) -> Vec<u8> {
    format!("passcode of unit {serial}").into_bytes()
}

fn serial(unit: &str) -> Result<UnitSerial, Trouble> {
    Ok(UnitSerial::new(unit)?)
}

fn missing(unit: &str) -> Trouble {
    Trouble::absent(
        format!("there is no unit {unit}"),
        "Check the serial number, or search with `touchmark unit find`.",
    )
}

/// The serial number of a unit of this site, typed in any letter case; as it was typed where there is none.
pub fn typed(site: &Site, text: &str) -> Result<UnitSerial, Trouble> {
    let serial = serial(text)?;
    if site.book.unit(&serial)?.is_some() {
        return Ok(serial);
    }
    let same = |f: book::Found| f.unit.map(|(unit, _)| unit).filter(|unit| unit.as_str().eq_ignore_ascii_case(text));
    let mut found = site.book.find(text, SAME)?.into_iter().filter_map(same);
    Ok(match (found.next(), found.next()) {
        (Some(one), None) => one,
        _ => serial,
    })
}

/// What the operator has to know of a certificate that is not valid at this time.
pub fn not_current(dac: &[u8], now: Moment) -> Option<String> {
    let not_valid = Certificate::read(dac).ok()?.not_valid_at(now)?;
    Some(format!("Tell the engineer before this unit is shipped: its certificate is not valid now, it {not_valid}."))
}

/// Units that had passed, and whose last check failed, by serial number; those that left since are not among them.
///
/// - `reel`: of this reel alone.
pub fn checks_failed(site: &Site, reel: Option<&ReelId>) -> Result<Vec<UnitSerial>, Trouble> {
    let mut failed = Vec::new();
    for check in site.book.last_checks()? {
        let serial = UnitSerial::new(&check.subject.1)?;
        if check.body()?["result"] != "passed"
            && let Some(unit) = site.book.unit(&serial)?
            && unit.state == UnitState::Passed
            && reel.is_none_or(|reel| unit.reel == *reel)
        {
            failed.push(serial);
        }
    }
    Ok(failed)
}

/// The onboarding payload of a unit: opens its passcode with the site key.
///
/// # Errors
///
/// [`Trouble`] where it was erased, or the key is another site's.
pub fn payload(site: &Site, unit: &Unit, passphrase: Option<&Passphrase>) -> Result<Payload, Trouble> {
    match &unit.onboarding {
        Some(data) => payload_of(site, (unit, data), passphrase),
        None => Err(odd_data(unit, &"it has none")),
    }
}

fn odd_data(unit: &Unit, why: &dyn std::fmt::Display) -> Trouble {
    Trouble::surroundings(
        format!("the onboarding data of unit {} can't be used: {why}", unit.serial),
        "Run `touchmark book verify`.",
    )
}

/// The same of onboarding data that it has, or had.
fn payload_of(
    site: &Site,
    (unit, data): (&Unit, &Onboarding),
    passphrase: Option<&Passphrase>,
) -> Result<Payload, Trouble> {
    let odd = |e: &dyn std::fmt::Display| odd_data(unit, e);
    let sealed = data.passcode.as_ref().ok_or_else(|| {
        Trouble::refused(
            format!("the passcode of unit {} was erased, or was never in this book", unit.serial),
            "Its code can't be printed again: erasing cannot be undone, and a unit that was adopted from its chip keeps the \
             label that it has.",
        )
    })?;
    let octets = site.key(passphrase)?.unseal(&passcode_label(unit.serial.as_str()), sealed)?;
    let little: [u8; 4] = octets.as_slice().try_into().map_err(|_| odd(&"a passcode of another size"))?;
    let passcode = Passcode::new(u32::from_le_bytes(little)).map_err(|e| odd(&e))?;
    let product = product::get(site, unit.product.as_str())?;
    let flow: Flow = product.facts.flow.parse().map_err(|e| odd(&e))?;
    let reach: Reach = product.facts.reach.parse().map_err(|e| odd(&e))?;
    let vendor = VendorId::new(product.facts.vendor_id).map_err(|e| odd(&e))?;
    let id = ProductId::new(product.facts.product_id).map_err(|e| odd(&e))?;
    let discriminator = Discriminator::new(data.discriminator).map_err(|e| odd(&e))?;
    let plain = Payload::new((Some(vendor), Some(id)), flow, reach, discriminator, passcode).map_err(|e| odd(&e))?;
    if !product::kept(&product)?.serial_in_qr {
        return Ok(plain);
    }
    plain.with_optional(&OptionalData::of_serial(unit.serial.as_str())).map_err(|e| {
        Trouble::refused(
            format!("the QR code of unit {} can't carry its serial number: {e}", unit.serial),
            "Give units of this product serial numbers of at most 32 bytes, or leave serial_in_qr out.",
        )
    })
}

/// When, by whom and why a unit was scrapped; `None` where it is not.
///
/// # Errors
///
/// [`Trouble`] where there is no such unit.
pub fn scrapped_before(site: &Site, unit: &UnitSerial) -> Result<Option<Left>, Trouble> {
    let story = story(site, unit.as_str())?;
    Ok(if story.unit.state == UnitState::Scrapped { story::left(&story)?.pop() } else { None })
}

/// Records that a passed unit came back.
///
/// # Errors
///
/// [`Trouble`] where it never passed, or no [`reason`] is given.
pub fn take_back(site: &Site, unit: &str, reason: &str, who: &Who) -> Result<UnitView, Trouble> {
    let reason = self::reason(reason)?;
    Ok(view(&site.book.return_unit(&typed(site, unit)?, reason, &who.by())?))
}

/// Sends a failed unit to rework, with what is to be done; it keeps its chip and comes again.
///
/// # Errors
///
/// [`Trouble`] where it is not one that can come again, or no [`reason`] is given.
pub fn rework(site: &Site, unit: &str, reason: &str, who: &Who) -> Result<UnitView, Trouble> {
    let reason = self::reason(reason)?;
    let serial = typed(site, unit)?;
    let found = site.book.unit(&serial)?.ok_or_else(|| missing(unit))?;
    if found.state != UnitState::Failed {
        return Err(Trouble::refused(
            format!("unit {unit} is {}, but only a failed one goes to rework", found.state.word()),
            "A unit that passed is returned or scrapped; an open one continues at its station.",
        ));
    }
    site.book.note("unit.rework", &Subject::Unit(serial), &json!({ "reason": reason }), &who.by())?;
    Ok(view(&found))
}

/// A reason as people give it: something, and not a novel.
///
/// # Errors
///
/// [`Trouble`] where there is none.
pub fn reason(text: &str) -> Result<&str, Trouble> {
    let text = text.trim();
    if text.is_empty() || text.chars().count() > 500 || text.chars().any(char::is_control) {
        return Err(Trouble::usage(
            "a reason needs 1 to 500 characters on one line",
            "Give a reason that somebody understands years later.",
        )
        .about("reason"));
    }
    Ok(text)
}
