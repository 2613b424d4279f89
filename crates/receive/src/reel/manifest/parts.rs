//! Manifests in many files: one public key or certificate for each chip, in a directory or an archive.

use std::collections::{BTreeMap, HashMap};
use std::path::Path;

use base::trouble::Trouble;
use examine::intake::{promises_key, secrets};
use standard::certificate::Certificate;
use standard::detect::{DetectError, Item, detect};
use standard::key::PublicKey;
use standard::verdict::Finding;
use standard::verdict::catalogue::intake::{REEL_COLUMN, REEL_FORMAT, REEL_KEY};

use super::columns::ColumnMap;
use super::{Entry, Manifest, Reading, chip_id, encoding, looks_like_certificates, table, text};

/// Certificates kept for judging where they come from.
const DACS: usize = 16;
const AUTHORITIES: usize = 64;
/// Hexadecimal digits from which on a name is more likely an id than a word.
const LIKELY: usize = 8;

/// Refuses a spreadsheet's own file, which begins like an archive or holds no text.
pub(super) fn refuse_workbook(file: &str, entries: &[Entry]) -> Result<(), Trouble> {
    let old = |e: &Entry| e.octets.starts_with(&[0xD0, 0xCF, 0x11, 0xE0, 0xA1, 0xB1, 0x1A, 0xE1]);
    let new = |e: &Entry| matches!(e.name.as_str(), "xl/workbook.xml" | "xl/workbook.bin" | "content.xml");
    if !entries.iter().any(|e| old(e) || new(e)) {
        return Ok(());
    }
    Err(Trouble::usage(
        format!("{file} is a spreadsheet's own file, not a manifest"),
        "Save its sheet as CSV and receive that. Check first that the column of chip ids is formatted as text: a \
         spreadsheet destroys ids that look like numbers. Nothing was stored.",
    ))
}

/// The chip id in the name of an entry: that of its file, or of its folder. The one of more digits counts.
fn id_of_name(name: &str) -> Option<String> {
    let name = name.replace('\\', "/");
    let path = Path::new(&name);
    let stem = path.file_stem().map(|s| s.to_string_lossy().into_owned());
    let folder = path.parent().and_then(Path::file_name).map(|s| s.to_string_lossy().into_owned());
    let mut ids: Vec<String> = [stem, folder].into_iter().flatten().filter_map(|text| chip_id(&text).ok()).collect();
    // The nearer one first where both are as long.
    ids.sort_by_key(|id| std::cmp::Reverse(if id.len() < LIKELY { 0 } else { id.len() }));
    ids.into_iter().next()
}

/// The chip id that a certificate's name gives: the name itself, or the one part of it that is one. "DAC 51…" is none
/// that begins with DAC.
fn id_in(text: &str) -> Option<String> {
    let parts: Vec<&str> = text.split_whitespace().collect();
    if parts.len() < 2 || parts.iter().all(|part| part.len() == 2) {
        return chip_id(text).ok();
    }
    let mut likely = parts.iter().filter_map(|part| chip_id(part).ok()).filter(|id| id.len() >= LIKELY);
    likely.next().filter(|_| likely.next().is_none())
}

/// Reads keys and certificates; where there is none, the one table or JSON text among the entries.
pub(super) fn read(
    entries: Vec<Entry>,
    file: &str,
    map: &ColumnMap,
    mut reading: Reading<'_>,
) -> Result<Manifest, Trouble> {
    reading.unit = "entry";
    for entry in &entries {
        take(entry, &mut reading);
    }
    without_key(&entries, &mut reading);
    let is_table = |entry: &&Entry| !looks_like_certificates(&entry.octets) && super::resembles(&entry.octets);
    if reading.out.read > 0
        && !reading.findings.has_errors()
        && let Some(table) = entries.iter().find(is_table)
    {
        return Err(Trouble::usage(
            format!("{file} holds keys of chips in files of their own, and a table of chips: {}", table.name),
            "Receive the one of the two that is the reel's manifest. Nothing was stored.",
        ));
    }
    if reading.out.read > 0 || reading.findings.has_errors() {
        return Ok(reading.finish());
    }
    let is_manifest = |entry: &&Entry| {
        encoding::read(&entry.octets)
            .is_ok_and(|read| read.text.trim_start().starts_with(['{', '[']) || table::header(&read.text, map).is_ok())
            || is_table(entry)
    };
    let mut manifests = entries.iter().filter(is_manifest);
    match (manifests.next(), manifests.next()) {
        (Some(only), None) => {
            reading.unit = "line";
            text(only, &only.name, map, reading)
        }
        (Some(one), Some(other)) => Err(Trouble::usage(
            format!("{file} holds several manifests: {} and {}", one.name, other.name),
            "Receive the one that belongs to this reel. Nothing was stored.",
        )),
        (None, _) => {
            let found = "no manifest, public key or certificate of a chip in it";
            reading.tell(&REEL_FORMAT, file.to_owned(), None, found.into());
            Ok(reading.finish())
        }
    }
}

/// Files and folders that are named as chips are, and in which no key was found.
fn without_key(entries: &[Entry], reading: &mut Reading<'_>) {
    // One whose key is broken is told already.
    if reading.findings.has_errors() {
        return;
    }
    let mut lengths: HashMap<usize, usize> = HashMap::new();
    reading.ids.keys().for_each(|id| *lengths.entry(id.len()).or_default() += 1);
    let Some((usual, _)) = lengths.into_iter().max_by_key(|(_, count)| *count).filter(|(l, _)| *l >= LIKELY) else {
        return;
    };
    let mut without: BTreeMap<String, &Entry> = BTreeMap::new();
    for entry in entries {
        if let Some(id) = id_of_name(&entry.name).filter(|id| id.len() == usual && !reading.ids.contains_key(id)) {
            without.entry(id).or_insert(entry);
        }
    }
    for (id, entry) in without {
        let found = format!("it is named for chip {id}, and no key that can be read is in it");
        reading.tell(&REEL_KEY, entry.name.clone(), Some(id), found);
    }
}

fn take(entry: &Entry, reading: &mut Reading<'_>) {
    let items = match detect(&entry.octets) {
        Ok(items) => items,
        Err(_) if secrets(&entry.octets).is_some() => {
            return reading.secret(entry.name.clone(), id_of_name(&entry.name));
        }
        Err(why @ (DetectError::Unknown | DetectError::Empty)) if promises_key(&entry.name) => {
            reading.out.read += 1;
            return reading.tell(&REEL_KEY, entry.name.clone(), id_of_name(&entry.name), why.to_string());
        }
        // Notes and tables beside the keys.
        Err(DetectError::Unknown | DetectError::Empty | DetectError::Broken("JSON" | "a factory record", _)) => return,
        Err(DetectError::Broken("a public key", why)) => {
            reading.out.read += 1;
            return reading.tell(&REEL_KEY, entry.name.clone(), id_of_name(&entry.name), why);
        }
        Err(why) => return reading.tell(&REEL_FORMAT, entry.name.clone(), None, why.to_string()),
    };
    let is_authority = |c: &Certificate| c.basic_constraints().is_some_and(|b| b.ca);
    let is_chip = |item: &&Item| match item {
        Item::Certificate(c) => !is_authority(c),
        Item::PublicKey(_) => true,
        _ => false,
    };
    // A name stands for one key only.
    let named = id_of_name(&entry.name).filter(|_| items.iter().filter(is_chip).count() == 1);
    for item in items {
        match item {
            Item::PublicKey(key) => one(entry, named.clone(), Ok(*key), "a public key", reading),
            Item::Certificate(c) => {
                // An authority's certificate that came along is no chip.
                if is_authority(&c) {
                    if reading.out.authorities.len() < AUTHORITIES {
                        reading.out.authorities.push(c);
                    }
                    continue;
                }
                let told = [c.subject.serial_number(c.der()), c.subject.common_name(c.der())];
                let told = told.into_iter().flatten().find_map(|text| id_in(&text));
                if let (Some(named), Some(told)) = (&named, &told)
                    && named.len() == told.len()
                    && named != told
                {
                    reading.out.read += 1;
                    let found = format!("the file is named for chip {named}, and the certificate in it for {told}");
                    reading.tell(&REEL_KEY, entry.name.clone(), Some(named.clone()), found);
                    continue;
                }
                let id = told.or_else(|| named.clone());
                one(entry, id, c.key.key.clone().map_err(|why| why.to_string()), "a certificate", reading);
                if c.subject.identity.product().is_some() && reading.out.dacs.len() < DACS {
                    reading.out.dacs.push(c);
                }
            }
            _ => {}
        }
    }
}

fn one(entry: &Entry, id: Option<String>, key: Result<PublicKey, String>, what: &str, reading: &mut Reading<'_>) {
    reading.out.read += 1;
    reading.course.advance(1);
    let number = reading.out.read;
    match (id, key) {
        (Some(id), Ok(key)) => reading.add(number, entry.name.clone(), id, key),
        (Some(id), Err(why)) => {
            reading.tell(&REEL_KEY, entry.name.clone(), Some(id.clone()), format!("chip {id}: {why}"));
        }
        (None, _) => {
            let finding = Finding::new(&REEL_COLUMN, format!("{what} that no chip id goes with"));
            let advice = "Name the file or its folder by the chip id, one key in each; of certificates, serialNumber or \
                          commonName may give it. Certificates that an authority issued for chips received before are \
                          a delivery (`touchmark delivery receive`).";
            reading.finding(entry.name.clone(), None, finding.advising(advice));
        }
    }
}
