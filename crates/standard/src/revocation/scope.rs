//! What a list is about: its issuing distribution point, and the authorities that entries and certificates name
//! (RFC 5280 §4.2.1.13, §5.2.5, §5.3.3).

use super::Reason;
use crate::asn1::{Tlv, Unreadable, Walk, tag};
use crate::certificate::{Certificate, Extension, value};
use crate::name::{Name, printable};
use crate::oid;

/// issuingDistributionPoint (RFC 5280 §5.2.5).
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Scope {
    pub only_users: bool,
    pub only_authorities: bool,
    pub only_attributes: bool,
    /// onlySomeReasons by name; `None` where certificates revoked for any reason are listed.
    pub some_reasons: Option<Vec<&'static str>>,
    /// indirectCRL: entries may be about certificates of other authorities.
    pub indirect: bool,
    /// The first name of the distribution point, as text.
    pub point: Option<String>,
}

/// Reasons by their bit in `ReasonFlags` (RFC 5280 §4.2.1.13); bit 0 is not used.
const FLAGS: [Reason; 8] = [
    Reason::KeyCompromise,
    Reason::CaCompromise,
    Reason::AffiliationChanged,
    Reason::Superseded,
    Reason::CessationOfOperation,
    Reason::CertificateHold,
    Reason::PrivilegeWithdrawn,
    Reason::AaCompromise,
];

impl Scope {
    /// Reads the extension's value.
    ///
    /// # Errors
    ///
    /// What is wrong with it, in words.
    pub fn read(data: &[u8], extension: &Extension) -> Result<Self, String> {
        value(data, extension.value, |walk| {
            let outer = walk.expect(tag::SEQUENCE, "a SEQUENCE was expected")?;
            let mut parts = walk.enter(&outer)?;
            let mut out = Self::default();
            let mut last = None;
            while !parts.is_done() {
                let part = parts.next()?;
                let number = part.tag & 0x1F;
                if last.is_some_and(|last| number <= last) {
                    return Err(Unreadable { at: part.full.start as usize, what: "parts out of order" });
                }
                last = Some(number);
                match part.tag {
                    0xA0 => out.point = Some(point(data, &mut parts, &part)?),
                    0x81 => out.only_users = flag(data, &part)?,
                    0x82 => out.only_authorities = flag(data, &part)?,
                    0x83 => out.some_reasons = reasons(data, &part)?,
                    0x84 => out.indirect = flag(data, &part)?,
                    0x85 => out.only_attributes = flag(data, &part)?,
                    _ => return Err(Unreadable { at: part.full.start as usize, what: "an unknown part" }),
                }
            }
            Ok(out)
        })
    }
}

/// A BOOLEAN under an implicit tag.
fn flag(data: &[u8], part: &Tlv) -> Result<bool, Unreadable> {
    match part.content.of(data) {
        [octet] => Ok(*octet != 0),
        _ => Err(Unreadable { at: part.full.start as usize, what: "a BOOLEAN that is not one byte" }),
    }
}

/// Names of the reasons listed; `None` where all are.
fn reasons(data: &[u8], part: &Tlv) -> Result<Option<Vec<&'static str>>, Unreadable> {
    let Some((_, octets)) = part.content.of(data).split_first() else {
        return Err(Unreadable { at: part.full.start as usize, what: "a BIT STRING without contents" });
    };
    let is_set = |bit: usize| octets.get(bit / 8).is_some_and(|octet| octet & (0x80 >> (bit % 8)) != 0);
    let listed: Vec<_> = FLAGS.iter().enumerate().filter(|(index, _)| is_set(index + 1)).collect();
    let names = listed.iter().filter_map(|(_, reason)| Reason::name_of(**reason as u8)).collect();
    Ok((listed.len() < FLAGS.len()).then_some(names))
}

/// The first name of a `DistributionPointName`, for people.
fn point(data: &[u8], parts: &mut Walk<'_, '_>, part: &Tlv) -> Result<String, Unreadable> {
    let mut choice = parts.enter(part)?;
    let names = choice.next()?;
    choice.finish("bytes after a distribution point's name")?;
    if names.tag != 0xA0 {
        return Ok("named relative to its issuer".into());
    }
    let first = choice.enter(&names)?.next()?;
    let text = match first.tag {
        0x86 => String::from_utf8_lossy(first.content.of(data)).chars().take(200).collect(),
        0xA4 => {
            let mut inner = choice.enter(&first)?;
            Name::read(data, &mut inner)?.display(data)
        }
        _ => "a name of another kind".into(),
    };
    Ok(printable(&text))
}

/// The `directoryName`s among the `GeneralNames` of a walk.
fn directory_names(data: &[u8], walk: &mut Walk<'_, '_>) -> Result<Vec<Name>, Unreadable> {
    let mut found = Vec::new();
    while !walk.is_done() {
        let general = walk.next()?;
        if general.tag == 0xA4 {
            let mut inner = walk.enter(&general)?;
            found.push(Name::read(data, &mut inner)?);
            inner.finish("bytes after a directoryName")?;
        }
    }
    Ok(found)
}

/// The directoryNames of a certificateIssuer (RFC 5280 §5.3.3).
pub(super) fn certificate_issuer(data: &[u8], extension: &Extension) -> Result<Vec<Name>, String> {
    value(data, extension.value, |walk| {
        let outer = walk.expect(tag::SEQUENCE, "GeneralNames were expected")?;
        directory_names(data, &mut walk.enter(&outer)?)
    })
}

/// Whether a certificate names the issuer of a list as one whose lists count for it: the cRLIssuer of a distribution
/// point (RFC 5280 §4.2.1.13, §6.3.3 (b)).
///
/// - `issuer`: the list's issuer, as [`Name::folded`] has it.
pub(crate) fn names_list_issuer(certificate: &Certificate, issuer: &str) -> bool {
    let der = certificate.der();
    let Some(extension) = certificate.extensions.get(der, oid::CRL_DISTRIBUTION_POINTS) else { return false };
    let named = value(der, extension.value, |walk| {
        let outer = walk.expect(tag::SEQUENCE, "a SEQUENCE was expected")?;
        let mut points = walk.enter(&outer)?;
        let mut names = Vec::new();
        while !points.is_done() {
            let point = points.expect(tag::SEQUENCE, "a distribution point was expected")?;
            let mut parts = points.enter(&point)?;
            while !parts.is_done() {
                let part = parts.next()?;
                if part.tag == 0xA2 {
                    names.extend(directory_names(der, &mut parts.enter(&part)?)?);
                }
            }
        }
        Ok(names)
    });
    named.is_ok_and(|names| names.iter().any(|name| name.folded(der) == issuer))
}
