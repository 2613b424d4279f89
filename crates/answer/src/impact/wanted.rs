//! What is asked about, as people type it, made into a question to the book.

use std::fs;
use std::path::Path;

use base::trouble::{About, Trouble};
use book::ids::{ChipId, DeliveryId, FirmwareVersion, ProductName, ReelId, StationName};
use book::{Authority, PackedIn, Touch, UnitState};
use receive::{delivery, reel};
use site::{Site, authority};
use standard::certificate::Certificate;
use standard::detect::{Item, detect};
use standard::key::PublicKey;
use time::OffsetDateTime;
use time::format_description::well_known::Rfc3339;

use super::consequence::Asked;

/// What is asked about; each that is given must hold.
#[derive(Debug, Clone, Default)]
pub struct Wanted<'a> {
    /// A key: a chip's as 65 octets in hex, an authority's key identifier as 20
    /// octets in hex, or a file with a public key or certificate.
    pub key: Option<&'a str>,
    /// Serial number of a DAC, in hex.
    pub credential: Option<&'a str>,
    /// A certificate in a file: of a DAC, PAI or PAA.
    pub certificate: Option<&'a Path>,
    /// A PAI, or a PAA for all its PAIs.
    pub authority: Option<&'a str>,
    pub delivery: Option<&'a str>,
    pub reel: Option<&'a str>,
    /// Chip ids, first and last.
    pub chips: Option<(&'a str, &'a str)>,
    pub station: Option<&'a str>,
    pub from: Option<OffsetDateTime>,
    pub to: Option<OffsetDateTime>,
    pub product: Option<&'a str>,
    /// A state of a unit.
    pub state: Option<&'a str>,
    /// The version of firmware that units carry, as a station recorded it.
    pub firmware: Option<&'a str>,
    /// What they are packed in.
    pub packed: Option<PackedIn>,
}

pub(super) struct Question {
    pub touch: Touch,
    pub certificate: Option<Asked>,
}

/// A moment as people type it: RFC 3339, or a day, which begins at midnight UTC.
///
/// # Errors
///
/// [`Trouble`] where it is neither.
pub fn when(text: &str) -> Result<OffsetDateTime, Trouble> {
    let whole = if text.len() == 10 { format!("{text}T00:00:00Z") } else { text.to_owned() };
    OffsetDateTime::parse(&whole, &Rfc3339).map_err(|_| {
        Trouble::usage(format!("{text:?} is not a valid time"), "Write 2026-03-01T12:00:00Z, or 2026-03-01 for a day.")
    })
}

/// Hex as people copy it, with colons and spaces or without.
fn hex_octets(what: &str, text: &str) -> Result<Vec<u8>, Trouble> {
    let digits: String = text.chars().filter(|c| !matches!(c, ':' | ' ')).collect();
    hex::decode(&digits).ok().filter(|octets| !octets.is_empty()).ok_or_else(|| {
        Trouble::usage(format!("{text:?} is not a {what} in hex"), "Copy all its digits from `touchmark unit show`.")
    })
}

/// A certificate's serial number as people copy it: the content octets of its DER INTEGER (X.690 §8.3), with the zero in
/// front that keeps it positive or without.
pub(crate) fn serial_octets(text: &str) -> Result<Vec<u8>, Trouble> {
    let octets = hex_octets("serial number", text)?;
    let digits: Vec<u8> = octets.into_iter().skip_while(|octet| *octet == 0).collect();
    let zero = digits.first().is_none_or(|first| *first >= 0x80).then_some(0);
    Ok(zero.into_iter().chain(digits).collect())
}

/// All that have it: a key may have several certificates.
fn authorities_with_key(site: &Site, key_id: &[u8]) -> Result<Vec<Authority>, Trouble> {
    let all = site.book.authorities()?;
    Ok(all.into_iter().filter(|a| a.facts.subject_key_id == key_id).collect())
}

fn read_items(path: &Path) -> Result<Vec<Item>, Trouble> {
    let octets = fs::read(path).map_err(|e| Trouble::file(path, e))?;
    detect(&octets).map_err(|e| {
        Trouble::usage(format!("{}: {e}", path.display()), "Give a certificate or a public key, DER or PEM.")
    })
}

/// A question that ends in authorities of this site.
fn ask_authorities(found: &[Authority], q: &mut Question) {
    q.touch.authorities = found.iter().map(|authority| authority.facts.name.clone()).collect();
    q.certificate = Some(Asked::Authorities(q.touch.authorities.clone()));
}

fn ask_public_key(site: &Site, key: &PublicKey, q: &mut Question) -> Result<(), Trouble> {
    let found = authorities_with_key(site, &key.key_id())?;
    if found.is_empty() {
        q.touch.key = Some(key.point().to_vec());
    } else {
        ask_authorities(&found, q);
    }
    Ok(())
}

fn ask_certificate(site: &Site, c: &Certificate, q: &mut Question) -> Result<(), Trouble> {
    if let Some(known) = site.book.authority_with(c.der())? {
        ask_authorities(&[known], q);
        return Ok(());
    }
    if c.basic_constraints().is_some_and(|b| b.ca) {
        return Err(Trouble::usage(
            format!("authority {} does not belong to this site", c.subject.display(c.der())),
            "List them with `touchmark authority list`.",
        ));
    }
    let issuer = c.authority_key_id().unwrap_or_default().to_vec();
    q.touch.credential = Some(c.serial().to_vec());
    q.certificate = Some(Asked::Credential(c.serial().to_vec(), Some(issuer.clone())));
    q.touch.issuer_key_id = Some(issuer);
    Ok(())
}

fn ask_key(site: &Site, text: &str, q: &mut Question) -> Result<(), Trouble> {
    let digits: String = text.chars().filter(|c| !matches!(c, ':' | ' ')).collect();
    if let Ok(octets) = hex::decode(&digits) {
        if octets.len() == 20 {
            let found = authorities_with_key(site, &octets)?;
            if found.is_empty() {
                return Err(Trouble::usage(
                    format!("no authority of this site has the key identifier {digits}"),
                    "Give a chip's key as 65 bytes in hex or as a file; the book has no identifiers of chips' keys.",
                ));
            }
            ask_authorities(&found, q);
            return Ok(());
        }
        let key = PublicKey::from_point(&octets).map_err(|e| {
            Trouble::usage(
                format!("{text:?} is not a key: {e}"),
                "Give 65 bytes in hex (04, X, Y), a key identifier of 20 bytes, or a file.",
            )
        })?;
        return ask_public_key(site, &key, q);
    }
    let path = Path::new(text);
    match read_items(path)?.into_iter().next() {
        Some(Item::PublicKey(key)) => ask_public_key(site, &key, q),
        Some(Item::Certificate(c)) => match c.public_key() {
            Some(key) => ask_public_key(site, key, q),
            None => Err(Trouble::usage(format!("{text} has no key on P-256"), "Give another file.")),
        },
        _ => Err(Trouble::usage(format!("{text} contains no key"), "Give a public key or a certificate, DER or PEM.")),
    }
}

/// A station that was set up here, or at which an attempt was begun.
fn known_station(site: &Site, text: &str) -> Result<StationName, Trouble> {
    let name = StationName::new(text)?;
    if site.book.station(&name)?.is_some() || site.book.last_attempt(&name, OffsetDateTime::UNIX_EPOCH)?.is_some() {
        return Ok(name);
    }
    // Its only attempts may be open ones.
    let mut begun = false;
    let only = Touch { station: Some(name.clone()), ..Touch::default() };
    site.book.touched(&only, &mut |_| {
        begun = true;
        Ok::<(), Trouble>(())
    })?;
    if begun {
        return Ok(name);
    }
    Err(Trouble::usage(
        format!("there is no station {name}: it was never added here, and no attempt names it"),
        "Check the station's name; `touchmark unit show UNIT` shows the stations of a unit.",
    ))
}

pub(super) fn question(site: &Site, wanted: &Wanted<'_>) -> Result<Question, Trouble> {
    let mut q = Question { touch: Touch::default(), certificate: None };
    if let Some(text) = wanted.key {
        ask_key(site, text, &mut q)?;
    }
    if let Some(path) = wanted.certificate {
        match read_items(path)?.into_iter().next() {
            Some(Item::Certificate(c)) => ask_certificate(site, &c, &mut q)?,
            _ => {
                return Err(Trouble::usage(
                    format!("{} is not a certificate", path.display()),
                    "Give a certificate, DER or PEM.",
                ));
            }
        }
    }
    // What is not here is told as such: an empty answer would read as "nothing is touched".
    if let Some(name) = wanted.authority {
        let found = authority::get(site, name).about("authority")?;
        ask_authorities(&[found], &mut q);
    }
    if let Some(text) = wanted.credential {
        let serial = serial_octets(text).about("credential")?;
        q.certificate = Some(Asked::Credential(serial.clone(), None));
        q.touch.credential = Some(serial);
    }
    if let Some(id) = wanted.delivery {
        delivery::show(site, id).about("delivery")?;
        q.touch.delivery = Some(DeliveryId::new(id).about("delivery")?);
    }
    if let Some(id) = wanted.reel {
        reel::get(site, id).about("reel")?;
        q.touch.reel = Some(ReelId::new(id).about("reel")?);
    }
    if let Some((first, last)) = wanted.chips {
        let (first, last) = (ChipId::new(first)?, ChipId::new(last)?);
        if first > last {
            return Err(Trouble::usage(
                format!("chip {first} comes after chip {last}"),
                "Give the range as FIRST..LAST, ids of the same length.",
            ));
        }
        q.touch.chips = Some((first, last));
    }
    q.touch.station = wanted.station.map(|name| known_station(site, name)).transpose().about("station")?;
    q.touch.product = wanted.product.map(ProductName::new).transpose()?;
    if let Some(name) = wanted.product {
        site::product::get(site, name)?;
    }
    if let Some(word) = wanted.state {
        let state = UnitState::from_word(word).ok_or_else(|| {
            Trouble::usage(
                format!("{word:?} is not a state of a unit"),
                "Choose open, passed, failed, scrapped or returned.",
            )
        })?;
        q.touch.state = Some(state);
    }
    (q.touch.from, q.touch.to) = (wanted.from, wanted.to);
    if let (Some(from), Some(to)) = (wanted.from, wanted.to)
        && from >= to
    {
        return Err(Trouble::usage("the period ends before it begins", "Give a beginning before the end.").about("to"));
    }
    q.touch.firmware = wanted.firmware.map(FirmwareVersion::new).transpose()?;
    q.touch.packed = wanted.packed.clone();
    if q.touch == Touch::default() {
        return Err(Trouble::usage(
            "no condition was given",
            "Name a key, a credential, an authority, a delivery, a reel, chips, a station, a product, a state, a firmware, a carton, a pallet, a shipment or a period.",
        ));
    }
    // Of a part of the units nothing can be said of what a certificate would stop.
    let alone = Touch {
        authorities: q.touch.authorities.clone(),
        credential: q.touch.credential.clone(),
        issuer_key_id: q.touch.issuer_key_id.clone(),
        ..Touch::default()
    };
    if q.touch != alone || (!alone.authorities.is_empty() && alone.credential.is_some()) {
        q.certificate = None;
    }
    Ok(q)
}
