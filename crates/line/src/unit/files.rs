//! What a unit was proven with, as files: its certificates, declaration and proof.

use std::collections::HashSet;
use std::path::Path;
use std::{fs, io};

use base::times::time_text;
use base::trouble::Trouble;
use book::ids::UnitSerial;
use book::{UnitFilter, UnitState};
use serde::Serialize;
use serde_json::json;
use site::Site;
use site::revoked::RevokedHere;
use standard::certificate::Certificate;

use super::{checks_failed, missing, serial, story};

/// What was written.
#[derive(Debug, Serialize)]
pub struct Written {
    pub directory: String,
    pub units: Vec<String>,
    /// Units asked for that have no proof, and so no files.
    pub without_proof: Vec<String>,
    /// Units of these whose last check at a station failed after they had passed.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub check_failed: Vec<String>,
    /// Units of these whose certificate is revoked.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub revoked: Vec<String>,
}

/// Writes per unit a folder with its certificates, declaration and proof.
///
/// # Errors
///
/// [`Trouble`] where a unit is not in the book, or its folder is there already: nothing was written then.
/// Where the disk fails, what it took is left.
pub fn write(site: &Site, units: &[String], all: bool, out: &Path) -> Result<Written, Trouble> {
    let units = if all { passed(site)? } else { named(site, units)? };
    for unit in &units {
        let dir = out.join(unit);
        if dir.symlink_metadata().is_ok() {
            return Err(Trouble::file(&dir, io::ErrorKind::AlreadyExists.into()));
        }
    }
    let (directory, failed) = (out.display().to_string(), checks_failed(site, None)?);
    let check_failed =
        units.iter().filter(|unit| failed.iter().any(|f| f.as_str() == unit.as_str())).cloned().collect();
    let mut written =
        Written { directory, units: Vec::new(), without_proof: Vec::new(), check_failed, revoked: Vec::new() };
    fs::create_dir_all(out).map_err(|e| Trouble::file(out, e))?;
    for unit in &units {
        write_one(site, unit, out, &mut written)?;
    }
    let revoked_here = RevokedHere::of(site)?;
    for unit in &written.units {
        let chip = site.book.unit(&serial(unit)?)?.map(|unit| unit.chip_id);
        if chip.map(|chip| revoked_here.of_chip(site, &chip)).transpose()?.flatten().is_some() {
            written.revoked.push(unit.clone());
        }
    }
    Ok(written)
}

/// Units that were named, each once, all of which are here.
fn named(site: &Site, units: &[String]) -> Result<Vec<String>, Trouble> {
    let mut seen = HashSet::new();
    let once: Vec<_> = units.iter().filter(|unit| seen.insert(unit.as_str())).cloned().collect();
    for unit in &once {
        site.book.unit(&serial(unit)?)?.ok_or_else(|| missing(unit))?;
    }
    Ok(once)
}

/// All units that ever passed. Others have nothing to show; they are no fault of the call.
fn passed(site: &Site) -> Result<Vec<String>, Trouble> {
    let mut out = Vec::new();
    let mut after: Option<UnitSerial> = None;
    loop {
        let page = site.book.units(&UnitFilter::default(), after.as_ref(), 500)?;
        let passed = page.items.iter().filter(|u| matches!(u.state, UnitState::Passed | UnitState::Returned));
        out.extend(passed.map(|unit| unit.serial.to_string()));
        match page.next {
            Some(next) => after = Some(next),
            None => return Ok(out),
        }
    }
}

fn write_one(site: &Site, unit: &str, out: &Path, written: &mut Written) -> Result<(), Trouble> {
    let story = story(site, unit)?;
    let Some(proof) = &story.proof else {
        written.without_proof.push(unit.to_owned());
        return Ok(());
    };
    let dir = out.join(unit);
    fs::create_dir(&dir).map_err(|e| Trouble::file(&dir, e))?;
    let facts = &proof.facts;
    let json = json!({
        "unit": unit,
        "chip_id": story.unit.chip_id.as_str(),
        "nonce": hex::encode(facts.nonce),
        "challenge": hex::encode(&facts.challenge),
        "elements": hex::encode(&facts.elements),
        "signature": hex::encode(&facts.signature),
        "at": time_text(facts.at),
    });
    let mut files: Vec<(&str, Vec<u8>)> = vec![
        ("dac.der", facts.dac.clone()),
        ("pai.der", facts.pai.clone()),
        ("proof.json", format!("{json:#}\n").into_bytes()),
    ];
    if let Some(declaration) = &facts.declaration {
        files.push(("declaration.der", declaration.clone()));
    }
    let pai = Certificate::read(&facts.pai).ok();
    let paa = site.book.authorities()?.into_iter().find(|a| {
        a.facts.role == book::Role::Paa
            && pai.as_ref().is_some_and(|p| p.authority_key_id() == Some(a.facts.subject_key_id.as_slice()))
    });
    if let Some(paa) = paa {
        files.push(("paa.der", paa.facts.certificate));
    }
    for (name, octets) in files {
        let path = dir.join(name);
        fs::write(&path, octets).map_err(|e| Trouble::file(&path, e))?;
    }
    written.units.push(unit.to_owned());
    Ok(())
}
