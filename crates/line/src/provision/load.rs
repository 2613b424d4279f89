//! What goes into a unit's chip, in the order in which it is written.

use std::fs;
use std::path::Path;

use book::Begun;
use chip::ObjectName;
use site::product::FurtherObject;
use site::revoked::words as revoked_words;
use standard::declaration::Declaration;

use super::line::Line;
use super::older::Adoption;
use super::one::engineer;
use crate::record;
use crate::station::{Failure, Identity, Load};

/// What goes into this unit's chip.
pub(super) fn load(line: &Line<'_>, begun: &Begun, adopted: Option<&Adoption>) -> Result<Load, Failure> {
    let dac = begun.credential.certificate.clone();
    let pai = begun.authority.facts.certificate.clone();
    not_revoked(line, &dac, &pai)?;
    let declaration: Declaration = line.declaration.signed.clone();
    let mut objects = vec![
        (ObjectName::DAC, dac.clone()),
        (ObjectName::PAI, pai.clone()),
        (ObjectName::DECLARATION, declaration.der().to_vec()),
    ];
    if line.kept.factory_record {
        objects.push((ObjectName::FACTORY_RECORD, factory_record(line, begun)?));
    }
    for object in &line.objects {
        let name = ObjectName::new(&object.name).map_err(|e| engineer("object", e.to_string()))?;
        objects.push((name, further(line, object, begun)?));
    }
    let identity = match adopted {
        _ if begun.resumed => Identity::Resumed { earlier: earlier(line, begun)? },
        Some(adopted) => adopted.identity(),
        None => Identity::Fresh,
    };
    Ok(Load { objects, dac, pai, declaration, lock: line.kept.lock, identity })
}

/// Verifiers that the unit had before its code was replaced.
fn earlier(line: &Line<'_>, begun: &Begun) -> Result<Vec<Vec<u8>>, Failure> {
    let codes = line.site.book.earlier_codes(&begun.unit.serial).map_err(|e| engineer("book", e.to_string()))?;
    Ok(codes.into_iter().map(|code| code.onboarding.verifier).collect())
}

/// A certificate that this site knows to be revoked is never written into a chip.
fn not_revoked(line: &Line<'_>, dac: &[u8], pai: &[u8]) -> Result<(), Failure> {
    match revoked_words(&line.judge.revoked, &line.judge.anchors, dac, Some(pai)) {
        Some(what) => Err(engineer("revoked", format!("{what}; nothing was written"))),
        None => Ok(()),
    }
}

fn further(line: &Line<'_>, object: &FurtherObject, begun: &Begun) -> Result<Vec<u8>, Failure> {
    let missing =
        |path: &Path, e: &dyn std::fmt::Display| engineer("object-missing", format!("{}: {e}", path.display()));
    if let Some(file) = &object.file {
        let path = line.site.dir.join(file);
        return fs::read(&path).map_err(|e| missing(&path, &e));
    }
    let dir = line.site.dir.join(object.per_unit.as_deref().unwrap_or(Path::new(".")));
    for stem in [begun.unit.serial.as_str(), begun.chip.chip_id.as_str()] {
        let path = dir.join(stem);
        if path.is_file() {
            return fs::read(&path).map_err(|e| missing(&path, &e));
        }
    }
    Err(missing(&dir, &format!("no file for unit {} or chip {}", begun.unit.serial, begun.chip.chip_id)))
}

/// The unit's factory record; a resumed unit gets the same one again.
fn factory_record(line: &Line<'_>, begun: &Begun) -> Result<Vec<u8>, Failure> {
    let odd = |e: &dyn std::fmt::Display| engineer("factory-record", format!("the factory record can't be made: {e}"));
    let ids = line.judge.device.vendor.zip(line.judge.device.product).ok_or_else(|| odd(&"no vendor or product ID"))?;
    let key = line.site.key(line.passphrase).map_err(|e| odd(&e))?;
    let record = record::of_unit(&begun.unit, ids, &line.kept, key).map_err(|e| odd(&e))?;
    Ok(record.encode().map_err(|e| odd(&e))?.to_vec())
}
