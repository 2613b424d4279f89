//! What a pack says, held against itself: manifest, head, entries, rows, exchanges.

use std::collections::{BTreeMap, HashMap};

use book::MeetingVerdict;
use book::log::row_digest;
use book::log::tree::{check_consistency, check_inclusion};
use serde_json::Value;
use site::head::HeadFile;
use standard::certificate::Certificate;
use standard::exchange::{Elements, to_be_signed};
use standard::key::PublicKey;

use super::pack::sha256;
use super::told::{EarlierHead, FORMAT, Log, Manifest, MeetingTold, ProofTold, RowsTold, as_cell};

pub(super) const MANIFEST: &str = "manifest.json";
pub(super) const MANIFEST_SIGNATURE: &str = "manifest.sig";

/// Faults, each with the file it is in.
pub(super) type Faults = Vec<(String, String)>;

fn hash(text: &str) -> Option<[u8; 32]> {
    hex::decode(text).ok()?.try_into().ok()
}

fn path(told: &[String]) -> Option<Vec<[u8; 32]>> {
    // 63 levels are more than any log has.
    if told.len() > 130 { None } else { told.iter().map(|h| hash(h)).collect() }
}

/// The manifest, where its signature is the key's.
pub(super) fn manifest(octets: &[u8], signature: &[u8], key: &PublicKey) -> Option<Manifest> {
    if !key.verifies(octets, signature) {
        return None;
    }
    serde_json::from_slice::<Manifest>(octets).ok().filter(|m| m.format == FORMAT)
}

/// A head, where its signature is the key's and its statement says what it says.
fn signed_head(head: &HeadFile, site: &str, key: &PublicKey) -> Result<(u64, [u8; 32]), String> {
    let signed = head.signed().ok_or("it is not a signed head")?;
    if !key.verifies(signed.statement.as_bytes(), &signed.signature) {
        return Err("its signature does not match the key".into());
    }
    let statement: Value = serde_json::from_str(&signed.statement).map_err(|_| "its statement is not JSON")?;
    let same = statement["size"].as_u64() == Some(head.entries)
        && statement["root"].as_str() == Some(head.root.as_str())
        && statement["site"].as_str() == Some(site);
    if same { Ok((head.entries, signed.head.root)) } else { Err("its fields differ from what was signed".into()) }
}

pub(super) fn heads(
    head: &[u8],
    earlier: &[u8],
    site: &str,
    key: &PublicKey,
    faults: &mut Faults,
) -> Option<(HeadFile, [u8; 32])> {
    let head: HeadFile = match serde_json::from_slice(head) {
        Ok(head) => head,
        Err(e) => {
            faults.push(("head.json".into(), format!("it can't be read: {e}")));
            return None;
        }
    };
    let root = match signed_head(&head, site, key) {
        Ok((_, root)) => root,
        Err(why) => {
            faults.push(("head.json".into(), why));
            return None;
        }
    };
    let Ok(earlier) = serde_json::from_slice::<Vec<EarlierHead>>(earlier) else {
        faults.push(("heads.json".into(), "it can't be read".into()));
        return Some((head, root));
    };
    for one in &earlier {
        let holds = signed_head(&one.head, site, key).and_then(|(size, old)| {
            let path = path(&one.path).ok_or("its path is not valid")?;
            if check_consistency(size, &old, head.entries, &root, &path) {
                Ok(())
            } else {
                Err("the log of the pack does not begin with it".into())
            }
        });
        if let Err(why) = holds {
            faults.push(("heads.json".into(), format!("head of {} entries: {why}", one.head.entries)));
        }
    }
    Some((head, root))
}

/// Entries that are in the log, and rows as the last of them left them.
pub(super) fn log(name: &str, octets: &[u8], size: u64, root: &[u8; 32], faults: &mut Faults) -> Option<Log> {
    let mut fault = |why: String| faults.push((name.to_owned(), why));
    let log: Log = match serde_json::from_slice(octets) {
        Ok(log) => log,
        Err(e) => {
            fault(format!("it can't be read: {e}"));
            return None;
        }
    };
    // Of each row the digest that the last entry about it names.
    let mut vouched: HashMap<(String, String), String> = HashMap::new();
    let mut last = -1;
    for entry in &log.entries {
        let sequence = u64::try_from(entry.sequence).unwrap_or(u64::MAX);
        let holds =
            path(&entry.path).is_some_and(|path| check_inclusion(entry.leaf.as_bytes(), sequence, size, root, &path));
        if !holds {
            fault(format!("entry {} is not in the signed log", entry.sequence));
            continue;
        }
        if entry.sequence <= last {
            fault(format!("entry {} is out of order", entry.sequence));
        }
        last = entry.sequence;
        let leaf: Value = serde_json::from_str(&entry.leaf).unwrap_or_default();
        for row in leaf["rows"].as_array().into_iter().flatten() {
            let part = |n: usize| row[n].as_str().unwrap_or_default().to_owned();
            vouched.insert((part(0), part(1)), part(2));
        }
    }
    for rows in &log.rows {
        let digest = rows_digest(rows);
        let told = vouched.get(&(rows.table.clone(), rows.key.clone()));
        if digest.is_none() || digest.as_ref() != told {
            fault(format!("{} {} differs from what the log vouches for", rows.table, rows.key));
        }
    }
    Some(log)
}

fn rows_digest(rows: &RowsTold) -> Option<String> {
    let cells = rows.rows.iter().map(|row| row.iter().map(as_cell).collect::<Option<Vec<_>>>());
    let cells = cells.collect::<Option<Vec<_>>>()?;
    Some(hex::encode(row_digest(&rows.table, rows.several, &cells)))
}

/// One cell of a row: its text, or its octets in hex.
fn of_row(rows: &RowsTold, column: usize) -> Option<&str> {
    rows.rows.first()?.get(column)?.get(1)?.as_str()
}

fn read(der: &[u8], what: &str) -> Result<Certificate, String> {
    Certificate::read(der).map_err(|e| format!("the {what} can't be read: {e}"))
}

/// The elements of an exchange: signed by the certificate's key, with the nonce in them. Nonce, challenge, elements and
/// signature come in hex.
fn signed(dac: &Certificate, [nonce, challenge, elements, signature]: [&str; 4]) -> Result<Vec<u8>, String> {
    let octets = |text: &str| hex::decode(text).map_err(|_| "a value is not hex".to_owned());
    let (elements, challenge) = (octets(elements)?, octets(challenge)?);
    let key = dac.public_key().ok_or("the DAC has no key on P-256")?;
    if !key.verifies_raw(&to_be_signed(&elements, &challenge), &octets(signature)?) {
        return Err("its signature does not belong to the chip".into());
    }
    let inside = Elements::read(&elements).map_err(|e| format!("its elements are not TLV: {e}"))?;
    if inside.nonce != Some(octets(nonce)?.as_slice()) {
        return Err("its nonce differs from the one that was sent".into());
    }
    Ok(elements)
}

/// A meeting of a unit, as the log has it. What a home refused may have been signed wrongly; what it accepted was not.
///
/// - `name`: of its file.
pub(super) fn meeting(
    unit: &str,
    name: &str,
    octets: &[u8],
    log: &Log,
    files: &dyn Fn(&str) -> Option<Vec<u8>>,
) -> Result<(), String> {
    let met: MeetingTold = serde_json::from_slice(octets).map_err(|e| format!("it can't be read: {e}"))?;
    let file = |name: &str| files(name).ok_or_else(|| format!("it names {name}, which is not in the pack"));
    if met.unit != unit || name != format!("meeting-{}.json", met.meeting) {
        return Err("it belongs to another unit or meeting".into());
    }
    let (dac_der, pai_der) = (file(&met.dac)?, file(&met.pai)?);
    let dac = read(&dac_der, "DAC");
    if met.verdict == MeetingVerdict::Accepted {
        signed(dac.as_ref()?, [&met.nonce, &met.challenge, &met.elements, &met.signature])?;
    }
    // The row's columns are those of docs/book.md. A certificate of the book stands there by its key.
    let key = format!("{unit}/{}", met.meeting);
    let row =
        log.rows.iter().find(|r| r.table == "meeting" && r.key == key).ok_or("no entry of the log vouches for it")?;
    let point = dac.ok().and_then(|dac| dac.public_key().map(|key| hex::encode(key.point())));
    let whole = hex::encode(&dac_der);
    let its_own = match (of_row(row, 5), of_row(row, 6)) {
        (Some(key), None) => point.as_deref() == Some(key),
        (None, Some(der)) => der == whole,
        _ => false,
    };
    let pai = sha256(&pai_der);
    let wanted: [(usize, &str); 6] = [
        (2, met.verdict.word()),
        (7, &pai),
        (8, &met.nonce),
        (9, &met.challenge),
        (10, &met.elements),
        (11, &met.signature),
    ];
    if !its_own || !wanted.iter().all(|(column, value)| of_row(row, *column) == Some(value)) {
        return Err("it is not the meeting that the log vouches for".into());
    }
    Ok(())
}

/// A unit's exchange: signed by the chip, about these certificates, as the log has it.
pub(super) fn proof(
    unit: &str,
    octets: &[u8],
    log: &Log,
    files: &dyn Fn(&str) -> Option<Vec<u8>>,
    roots: &mut BTreeMap<String, u64>,
) -> Result<(), String> {
    let proof: ProofTold = serde_json::from_slice(octets).map_err(|e| format!("it can't be read: {e}"))?;
    let file = |name: &str| files(name).ok_or_else(|| format!("it names {name}, which is not in the pack"));
    if proof.unit != unit {
        return Err("it belongs to another unit".into());
    }
    let (dac_der, pai_der) = (file(&format!("units/{unit}/dac.der"))?, file(&proof.pai)?);
    let (dac, pai) = (read(&dac_der, "DAC")?, read(&pai_der, "PAI")?);
    let elements = signed(&dac, [&proof.nonce, &proof.challenge, &proof.elements, &proof.signature])?;
    let inside = Elements::read(&elements).map_err(|e| format!("its elements are not TLV: {e}"))?;
    match (&proof.declaration, inside.declaration) {
        (Some(name), Some(signed)) if file(name)? == signed => {}
        (None, _) => {}
        _ => return Err("its declaration differs from the one that was signed".into()),
    }
    let signs = |above: &Certificate, below: &Certificate| {
        above.subject_der() == below.issuer_der()
            && above.public_key().is_some_and(|k| k.verifies(below.signed_part(), below.signature()))
    };
    if !signs(&pai, &dac) {
        return Err("the PAI did not sign the DAC".into());
    }
    let root = match &proof.paa {
        None => "not in the pack".to_owned(),
        Some(name) => {
            let paa = read(&file(name)?, "PAA")?;
            if !signs(&paa, &pai) {
                return Err("the PAA did not sign the PAI".into());
            }
            hex::encode(paa.subject_key_id().unwrap_or_default())
        }
    };
    // The same exchange stands in the row that the log vouches for: docs/book.md gives its columns.
    // A unit's first proof, or that of a later board or of the same one proven again.
    let later = format!("{unit}/");
    let its = |r: &&RowsTold| {
        (r.table == "proof" && r.key == unit) || (r.table == "later_proof" && r.key.starts_with(&later))
    };
    let rows: Vec<_> = log.rows.iter().filter(its).collect();
    if rows.is_empty() {
        return Err("no entry of the log vouches for it".into());
    }
    let wanted: [(usize, &str); 6] = [
        (3, &proof.nonce),
        (4, &proof.challenge),
        (5, &proof.elements),
        (6, &proof.signature),
        (7, &sha256(&dac_der)),
        (8, &sha256(&pai_der)),
    ];
    if !rows.iter().any(|row| wanted.iter().all(|(column, value)| of_row(row, *column) == Some(value))) {
        return Err("it is not the exchange that the log vouches for".into());
    }
    *roots.entry(root).or_default() += 1;
    Ok(())
}
