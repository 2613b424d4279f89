//! Cartons: packing what passed, taking it out again, and what is in a carton, on a pallet or in a shipment.
//!
//! A unit is named by its serial number or by its label's code; the symbol of a carton names all its units.

use std::collections::BTreeMap;

use base::times::time_text;
use base::trouble::{About as _, Trouble};
pub use book::ids::PackName;
use book::ids::UnitSerial;
use book::{Carton, Packing, UnitFilter, UnitState};
pub use book::{PackKind, PackedIn};
use custody::Passphrase;
use serde::{Deserialize, Serialize};
use site::revoked::RevokedHere;
use site::{Site, Who};
use utoipa::ToSchema;

use crate::label::{self, CARTON};
use crate::unit::{self, UnitView};

/// Most units of one carton: a box, not a ship.
const MOST: i64 = 2000;
/// Most texts that are taken at once.
const AT_ONCE: usize = 2000;

/// What is to be packed.
#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Pack {
    /// Serial numbers or label codes. None where only pallet and shipment of a carton are recorded.
    pub units: Vec<String>,
    /// The pallet that the carton is on from now on.
    pub pallet: Option<String>,
    /// The shipment that it is in from now on.
    pub shipment: Option<String>,
    /// Whether units of several products may be in it.
    pub mixed: bool,
}

/// What is to be taken out.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Unpack {
    /// Serial numbers or label codes.
    pub units: Vec<String>,
}

/// A carton.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct CartonView {
    /// Its name.
    pub carton: String,
    /// The product of its first units.
    pub product: String,
    /// Whether units of other products may be in it.
    pub mixed: bool,
    /// The pallet that it is on.
    pub pallet: Option<String>,
    /// The shipment that it is in.
    pub shipment: Option<String>,
    /// Units in it.
    pub units: i64,
    /// When its first unit was packed.
    pub began: String,
}

/// What was packed, or taken out.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Repacked {
    /// The carton as it is now.
    #[serde(flatten)]
    pub carton: CartonView,
    /// The units that were added or taken out now, by serial number.
    pub changed: Vec<String>,
}

/// Cartons that were asked for.
#[derive(Debug, Serialize, ToSchema)]
pub struct Cartons {
    /// In the order of their names.
    pub cartons: Vec<CartonView>,
    /// Whether more match, after the last of these.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub more: bool,
}

/// What is in a carton, on a pallet or in a shipment.
#[derive(Debug, Serialize, ToSchema)]
pub struct Contents {
    /// Which of them it is.
    pub kind: PackKind,
    /// Its name.
    pub name: String,
    /// Its cartons: of a carton, itself.
    pub cartons: Vec<CartonView>,
    /// Units in it, by where they stand: one that is not passed came back, or was scrapped, since it was packed.
    #[schema(value_type = BTreeMap<String, i64>)]
    pub states: BTreeMap<UnitState, i64>,
    /// The units, of a carton alone.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub units: Vec<UnitView>,
}

/// Most cartons of one answer.
const LIMIT: u32 = 1000;

fn view(carton: &Carton) -> CartonView {
    CartonView {
        carton: carton.carton.to_string(),
        product: carton.product.to_string(),
        mixed: carton.mixed,
        pallet: carton.pallet.as_ref().map(ToString::to_string),
        shipment: carton.shipment.as_ref().map(ToString::to_string),
        units: carton.units,
        began: time_text(carton.began),
    }
}

fn name(text: &str, field: &'static str) -> Result<PackName, Trouble> {
    PackName::new(text.trim()).about(field)
}

/// The units that texts name, scanned or typed.
fn units(site: &Site, texts: &[String], passphrase: Option<&Passphrase>) -> Result<Vec<UnitSerial>, Trouble> {
    if texts.len() > AT_ONCE {
        return Err(Trouble::usage(format!("{} units at once", texts.len()), "Give at most 2000.").about("units"));
    }
    let mut found = Vec::with_capacity(texts.len());
    for text in texts {
        if !label::looks_like_code(text) {
            found.push(unit::typed(site, text.trim()).about("units")?);
            continue;
        }
        let owners = label::owners(site, text, passphrase, *CARTON.end())?;
        if owners.is_empty()
            && let Some(unit) = label::earlier_owners(site, text, passphrase, 1)?.first()
        {
            return Err(Trouble::refused(
                format!("the label of unit {unit} has a code that was replaced"),
                "Print its new label, replace the old one, and scan it again.",
            )
            .about("units"));
        }
        if owners.is_empty() {
            let nothing = crate::search::nothing_found(text);
            return Err(Trouble::refused(nothing, "Scan it again, or type its serial number.").about("units"));
        }
        found.extend(owners);
    }
    Ok(found)
}

/// Packs units into a carton, which its first units make, and records pallet and shipment. All units are packed or none;
/// those in it already stay.
///
/// - `passphrase`: opens the site key where that is wrapped; a code alone needs it.
///
/// # Errors
///
/// [`Trouble`] for a unit that did not pass, is revoked, failed its last check, is in another carton, or is of another
/// product.
pub fn pack(
    site: &Site,
    carton: &str,
    pack: &Pack,
    passphrase: Option<&Passphrase>,
    who: &Who,
) -> Result<Repacked, Trouble> {
    let carton = known_name(site, carton)?;
    let serials = units(site, &pack.units, passphrase)?;
    let (revoked, failed) = (RevokedHere::of(site)?, unit::checks_failed(site, None)?);
    for serial in &serials {
        let Some(unit) = site.book.unit(serial)? else { continue };
        if let Some(why) = revoked.of_chip(site, &unit.chip_id)? {
            let advice = "Put it aside: swap its board, or scrap it. No unit was packed.";
            return Err(Trouble::refused(format!("unit {serial} is not packed: {why}"), advice).about("units"));
        }
        if failed.contains(serial) {
            return Err(Trouble::refused(
                format!("the last check of unit {serial} at a station failed after it had passed"),
                "Put it aside and call the engineer. No unit was packed.",
            )
            .about("units"));
        }
    }
    let given = |text: &Option<String>, field| {
        text.as_deref().filter(|text| !text.trim().is_empty()).map(|text| name(text, field)).transpose()
    };
    let (pallet, shipment) = (given(&pack.pallet, "pallet")?, given(&pack.shipment, "shipment")?);
    let known = site.book.carton(&carton)?.map_or(0, |carton| carton.units);
    if known + i64::try_from(serials.len()).unwrap_or(i64::MAX) > MOST {
        let advice = "Use another carton. No unit was packed.";
        return Err(Trouble::refused(format!("a carton holds at most {MOST} units"), advice).about("units"));
    }
    let packing = Packing {
        carton: &carton,
        units: &serials,
        pallet: pallet.as_ref(),
        shipment: shipment.as_ref(),
        mixed: pack.mixed,
    };
    let (carton, added) = site.book.pack(&packing, &who.by()).about("units")?;
    Ok(Repacked { carton: view(&carton), changed: added.iter().map(ToString::to_string).collect() })
}

/// A carton's name: as it is known, where it is typed in another letter case.
fn known_name(site: &Site, text: &str) -> Result<PackName, Trouble> {
    let name = name(text, "carton")?;
    Ok(site.book.carton(&name)?.map_or(name, |known| known.carton))
}

/// Takes units out of a carton, all or none.
///
/// # Errors
///
/// [`Trouble`] where one is not in it.
pub fn unpack(
    site: &Site,
    carton: &str,
    unpack: &Unpack,
    passphrase: Option<&Passphrase>,
    who: &Who,
) -> Result<Repacked, Trouble> {
    let carton = known_name(site, carton)?;
    let mut serials = units(site, &unpack.units, passphrase)?;
    serials.sort();
    serials.dedup();
    if serials.is_empty() {
        return Err(Trouble::usage("no unit was named", "Give serial numbers or label codes.").about("units"));
    }
    let now = site.book.unpack(&carton, &serials, &who.by()).about("units")?;
    Ok(Repacked { carton: view(&now), changed: serials.iter().map(ToString::to_string).collect() })
}

/// Cartons in the order of their names: all, or those on a pallet or in a shipment.
///
/// - `after`: those after this one.
pub fn list(site: &Site, of: Option<&PackedIn>, after: Option<&str>, limit: u32) -> Result<Cartons, Trouble> {
    let after = after.map(|text| name(text, "after")).transpose()?;
    let page = site.book.cartons(of, after.as_ref(), limit)?;
    Ok(Cartons { more: page.next.is_some(), cartons: page.items.iter().map(view).collect() })
}

/// The carton, pallet or shipment of this name.
///
/// # Errors
///
/// [`Trouble`] where there is none, or where it is the name of several.
pub fn named(site: &Site, text: &str, kind: Option<PackKind>) -> Result<PackedIn, Trouble> {
    let all = site.book.packs_named(text.trim(), 2)?;
    let mut found: Vec<_> = all.into_iter().filter(|found| kind.is_none_or(|kind| found.kind == kind)).collect();
    match (found.pop(), found.first()) {
        (Some(only), None) => Ok(only),
        (Some(one), Some(other)) => Err(Trouble::usage(
            format!("{text} is the name of a {} and of a {}", other.kind, one.kind),
            "Say which one is meant: `--kind carton`, `--kind pallet` or `--kind shipment`.",
        )),
        (None, _) => {
            let what = kind.map_or_else(|| "carton, pallet or shipment".into(), |kind| kind.to_string());
            let advice = "List cartons with their pallets and shipments: `touchmark carton list`.";
            Err(Trouble::absent(format!("there is no {what} {text}"), advice))
        }
    }
}

/// What is in a carton, on a pallet or in a shipment.
///
/// # Errors
///
/// As [`named`].
pub fn show(site: &Site, text: &str, kind: Option<PackKind>) -> Result<Contents, Trouble> {
    let packed = named(site, text, kind)?;
    let cartons: Vec<CartonView> = match packed.kind {
        PackKind::Carton => site.book.carton(&packed.name)?.iter().map(view).collect(),
        PackKind::Pallet | PackKind::Shipment => list(site, Some(&packed), None, LIMIT)?.cartons,
    };
    let filter = UnitFilter { packed: Some(packed.clone()), ..UnitFilter::default() };
    let mut states = BTreeMap::new();
    for state in UnitState::ALL {
        let count = site.book.count_units(&UnitFilter { state: Some(*state), ..filter.clone() })?;
        if count > 0 {
            states.insert(*state, count);
        }
    }
    let units = match packed.kind {
        PackKind::Carton => {
            let revoked = RevokedHere::of(site)?;
            let most = u32::try_from(MOST).unwrap_or(u32::MAX);
            let all = site.book.units(&filter, None, most)?.items;
            let marked =
                |unit: &book::Unit| Ok(UnitView { revoked: revoked.of_chip(site, &unit.chip_id)?, ..unit::view(unit) });
            all.iter().map(marked).collect::<Result<_, Trouble>>()?
        }
        PackKind::Pallet | PackKind::Shipment => Vec::new(),
    };
    Ok(Contents { kind: packed.kind, name: packed.name.to_string(), cartons, states, units })
}
