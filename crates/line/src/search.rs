//! Looking a text up: a scanned code, a serial number, a chip, or a part of one.

use base::trouble::Trouble;
use book::{ChipState, UnitState};
use custody::Passphrase;
use serde::Serialize;
use site::Site;
use site::revoked::RevokedHere;
use utoipa::ToSchema;

use crate::label;
use crate::unit::checks_failed;

/// What a search found.
#[derive(Debug, Serialize, ToSchema)]
pub struct FoundView {
    /// The chip.
    pub chip_id: String,
    /// Its reel.
    pub reel: String,
    /// The chip's state.
    pub chip: ChipState,
    /// Its unit, where it has one.
    pub unit: Option<String>,
    /// The unit's state.
    pub state: Option<UnitState>,
    /// Serial number of its credential.
    pub credential: Option<String>,
    /// Why the certificate counts no more, where it is revoked.
    pub revoked: Option<String>,
    /// Whether its unit's last check at a station failed after it had passed.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub check_failed: bool,
    /// Whether the text is a code that the unit had until it was replaced: a label with it is to be replaced too.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub code_replaced: bool,
}

/// Most finds of each kind.
const MOST_FOUND: usize = 50;

/// What a text was found as.
#[derive(Debug, Serialize, ToSchema)]
pub struct FoundAll {
    /// The first that match.
    pub found: Vec<FoundView>,
    /// Whether more match.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub more: bool,
}

/// Looks a text up: a scanned QR code or a manual pairing code of a unit of this site; a unit's or credential's serial
/// number or a chip id, in any letter case, or its beginning; the end of a unit's serial number.
///
/// - `passphrase`: opens the site key where that is wrapped; a code alone needs it.
///
/// # Errors
///
/// [`Trouble`] where the book gave no answer, or the site key does not open.
pub fn find(site: &Site, text: &str, passphrase: Option<&Passphrase>) -> Result<FoundAll, Trouble> {
    if text.trim().is_empty() {
        return Err(Trouble::usage(
            "there is nothing to look for",
            "Give a serial number or its end, a chip ID, the serial number of a credential, or a code.",
        )
        .about("text"));
    }
    let most = MOST_FOUND as u32 + 1;
    let mut found = Vec::new();
    for unit in label::owners(site, text, passphrase, MOST_FOUND + 1)? {
        let named = site.book.find(unit.as_str(), most)?;
        found.extend(named.into_iter().find(|f| f.unit.as_ref().is_some_and(|(serial, _)| *serial == unit)));
    }
    let mut replaced = Vec::new();
    for unit in label::earlier_owners(site, text, passphrase, MOST_FOUND + 1)? {
        let named = site.book.find(unit.as_str(), most)?;
        let its = named.into_iter().find(|f| f.unit.as_ref().is_some_and(|(serial, _)| *serial == unit));
        // A unit may have been given the same code again: then it is no old one.
        if let Some(its) = its.filter(|its| !found.contains(its)) {
            replaced.push(unit);
            found.push(its);
        }
    }
    for other in site.book.find(text, most)? {
        if !found.contains(&other) {
            found.push(other);
        }
    }
    let more = found.len() > MOST_FOUND;
    found.truncate(MOST_FOUND);
    let revoked_here = RevokedHere::of(site)?;
    let failed = checks_failed(site, None)?;
    let view = |f: book::Found| {
        Ok(FoundView {
            revoked: revoked_here.of_chip(site, &f.chip)?,
            code_replaced: f.unit.as_ref().is_some_and(|(serial, _)| replaced.contains(serial)),
            check_failed: f.unit.as_ref().is_some_and(|(serial, _)| failed.contains(serial)),
            chip_id: f.chip.to_string(),
            reel: f.reel.to_string(),
            chip: f.chip_state,
            state: f.unit.as_ref().map(|(_, state)| *state),
            unit: f.unit.map(|(u, _)| u.to_string()),
            credential: f.credential.map(hex::encode),
        })
    };
    Ok(FoundAll { found: found.into_iter().map(view).collect::<Result<_, Trouble>>()?, more })
}

/// What to say where [`find`] found nothing.
pub fn nothing_found(text: &str) -> String {
    match label::code_fault(text) {
        Some(fault) => format!("No unit has that code: {fault} Read it again."),
        None if label::looks_like_code(text) => "No unit of this site whose passcode is kept has that code. One whose passcode was erased is found by its serial \
             number alone."
            .into(),
        None if text.trim().chars().count() < book::SHORTEST_TAIL => {
            format!(
                "Nothing in the book begins with {text}. Give at least {} characters to find the end of a serial number.",
                book::SHORTEST_TAIL
            )
        }
        None => format!("Nothing in the book begins with {text}, and no serial number ends with it."),
    }
}
