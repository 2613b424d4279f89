//! Reading a manifest: which chips are on a reel, with which keys.
//!
//! A table (any delimiter, title lines, UTF-8, UTF-16 or Windows-1252), JSON (an
//! object a line, or an array), or one public key or certificate for each chip, in
//! a file, directory or archive. All or nothing: every fault is told with its line,
//! and one is enough to refuse.

mod columns;
pub(super) mod json;
mod parts;
pub(super) mod table;

use std::collections::{BTreeMap, HashMap};
use std::convert::Infallible;
use std::path::Path;
use std::sync::Arc;

use base::course::{Course, Phase};
use base::encoding;
use base::encoding::is_rounded;
use base::findings::{About, Findings, SharedFinding};
use base::trouble::Trouble;
pub use columns::ColumnMap;
pub(super) use columns::cell;
use examine::intake::{self, Entry, Limits, is_checksum_list};
use standard::certificate::Certificate;
use standard::key::PublicKey;
use standard::verdict::catalogue::intake::{
    REEL_COLUMN, REEL_DUPLICATE_CHIP, REEL_DUPLICATE_KEY, REEL_FORMAT, REEL_ID_LENGTH, REEL_KEY,
};
use standard::verdict::{Finding, Rule, Severity};

use super::{file_name, key_text};

/// A chip as a manifest names it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChipRow {
    /// Hex digits in upper case.
    pub chip_id: String,
    pub key: PublicKey,
    /// Line in the manifest, counted from 1; the entry's number for certificates.
    pub line: u64,
}

/// What a manifest says.
#[derive(Debug, Clone, Default)]
pub struct Manifest {
    /// Chips, in the manifest's order.
    pub chips: Vec<ChipRow>,
    /// Lines or certificates read.
    pub read: u64,
    /// What is wrong or worth knowing; no error where it can be received.
    pub findings: Vec<SharedFinding>,
    /// Columns of a table that are not used.
    pub(super) unused: Vec<String>,
    /// DACs that it was made of, the first of them, and authorities that came along.
    pub(super) dacs: Vec<Arc<Certificate>>,
    pub(super) authorities: Vec<Arc<Certificate>>,
}

impl Manifest {
    /// Whether it can be received.
    pub fn is_clean(&self) -> bool {
        self.findings.iter().all(|f| f.finding.severity != Severity::Error)
    }
}

/// Digits that a chip id has at most, here and in the book.
const DIGITS: usize = 64;
/// Chips from which on the lengths of their ids are compared.
const COMPARED: usize = 10;

struct Reading<'c> {
    out: Manifest,
    findings: Findings,
    turn: u64,
    ids: HashMap<String, usize>,
    keys: HashMap<[u8; 65], usize>,
    unit: &'static str,
    course: &'c Course,
}

impl Reading<'_> {
    fn tell(&mut self, rule: &'static Rule, subject: String, chip_id: Option<String>, found: String) {
        self.finding(subject, chip_id, Finding::new(rule, found));
    }

    fn finding(&mut self, subject: String, chip_id: Option<String>, finding: Finding) {
        let about = chip_id.map_or(About::Nothing, About::Id);
        self.findings.tell((0, self.turn, 0), || subject, about, finding);
        self.turn += 1;
    }

    fn chip(&mut self, line: u64, subject: String, id: Option<&str>, key: Option<&str>) {
        self.out.read += 1;
        self.course.advance(1);
        // Whoever reads on is told in the end.
        if self.course.go_on().is_err() {
            return;
        }
        if let Some(text) = id.filter(|text| is_rounded(text)) {
            let shown: String = text.chars().take(40).collect();
            let finding = Finding::new(
                &REEL_COLUMN,
                format!(
                    "chip id {shown:?}: a spreadsheet has destroyed these ids; it took them for numbers and rounded them"
                ),
            );
            let advice = "The lost digits can't be recovered. Ask the chip maker for the file as it was written, and \
                          receive it without opening it in a spreadsheet.";
            return self.finding(subject, None, finding.advising(advice));
        }
        let id = match id.map(chip_id) {
            Some(Ok(id)) => id,
            Some(Err(why)) if id.is_some_and(columns::is_key) && key.is_some_and(|key| chip_id(key).is_ok()) => {
                let advice = if self.out.chips.is_empty() {
                    "The two columns have each other's names. Receive the file again with \
                     --map chip_id=COLUMN,public_key=COLUMN, each with the name that it has in the file."
                } else {
                    "Here the columns stand in another order than above, as where files were joined: receive each by itself, \
                     as a reel of its own, or put the columns of one in the order of the other."
                };
                return self.finding(subject, None, Finding::new(&REEL_COLUMN, why).advising(advice));
            }
            Some(Err(why)) if key.is_none_or(|key| !columns::is_key(key.trim())) => return self.no_chip(subject, why),
            Some(Err(why)) => {
                let advice = "Ask the chip maker what the id is; a spreadsheet may have changed it.";
                return self.finding(subject, None, Finding::new(&REEL_COLUMN, why).advising(advice));
            }
            None => return self.tell(&REEL_COLUMN, subject, None, "no chip id".into()),
        };
        let Some(text) = key.filter(|t| !t.trim().is_empty()) else {
            // A number of chips below the table looks like a short id.
            if self.out.chips.first().is_some_and(|first| first.chip_id.len() != id.len()) {
                return self.no_chip(subject, format!("no public key beside {id}"));
            }
            return self.tell(&REEL_COLUMN, subject, Some(id), "no public key".into());
        };
        match key_text::read(text) {
            Ok(key) => self.add(line, subject, id, key),
            Err(why) => self.tell(&REEL_KEY, subject, Some(id.clone()), format!("chip {id}: {why}")),
        }
    }

    /// Private keys in what should hold public ones.
    fn secret(&mut self, subject: String, chip_id: Option<String>) {
        let advice = "A key that left its chip is no secret any more. Do not use the chip, and ask the chip maker.";
        self.finding(subject, chip_id, Finding::new(&REEL_KEY, "a private key").advising(advice));
    }

    /// A line with neither a chip id nor a key.
    fn no_chip(&mut self, subject: String, found: String) {
        let advice = "A total or a note below the table is no chip: delete such lines and receive the file again. \
                      Otherwise ask the chip maker what the line means.";
        self.finding(subject, None, Finding::new(&REEL_FORMAT, found).advising(advice));
    }

    fn add(&mut self, line: u64, subject: String, id: String, key: PublicKey) {
        let place = |row: &ChipRow, unit: &str| format!("{unit} {}", row.line);
        let mut fault = None;
        if let Some(before) = self.ids.get(&id) {
            let row = &self.out.chips[*before];
            let at = place(row, self.unit);
            if row.key == key {
                let found = format!("chip {id} is already on {at}, with the same key");
                let advice = "Both say the same: delete one of the two, and count the chips of the reel.";
                return self.finding(subject, Some(id), Finding::new(&REEL_DUPLICATE_CHIP, found).advising(advice));
            }
            fault = Some((&REEL_DUPLICATE_CHIP, format!("chip {id} is already on {at}")));
        } else if let Some(before) = self.keys.get(key.point()) {
            let row = &self.out.chips[*before];
            let at = place(row, self.unit);
            fault = Some((&REEL_DUPLICATE_KEY, format!("chip {id} has the key of chip {} on {at}", row.chip_id)));
        }
        if let Some((rule, found)) = fault {
            return self.tell(rule, subject, Some(id), found);
        }
        let index = self.out.chips.len();
        self.ids.insert(id.clone(), index);
        self.keys.insert(*key.point(), index);
        self.out.chips.push(ChipRow { chip_id: id, key, line });
    }

    /// Warns of ids whose length is not that of nearly all others, or of digits alone and of several lengths.
    fn compare_lengths(&mut self) {
        let mut lengths: BTreeMap<usize, usize> = BTreeMap::new();
        for chip in &self.out.chips {
            *lengths.entry(chip.chip_id.len()).or_default() += 1;
        }
        let all = self.out.chips.len();
        let Some((usual, same)) = lengths.iter().max_by_key(|(_, count)| **count).map(|(l, c)| (*l, *c)) else {
            return;
        };
        if same == all || all < COMPARED {
            return;
        }
        let is_usual = same * 10 >= all * 9;
        let decimal = || self.out.chips.iter().all(|chip| chip.chip_id.bytes().all(|b| b.is_ascii_digit()));
        let odd: Vec<(String, String, String)> = if is_usual {
            let odd = self.out.chips.iter().filter(|chip| chip.chip_id.len() != usual);
            let found = |chip: &ChipRow| {
                format!("chip id {} has {} digits; {same} of {all} ids have {usual}", chip.chip_id, chip.chip_id.len())
            };
            odd.map(|chip| (format!("{} {}", self.unit, chip.line), chip.chip_id.clone(), found(chip))).collect()
        } else if decimal() {
            let shortest = self.out.chips.iter().min_by_key(|chip| chip.chip_id.len());
            let (least, most) = (lengths.keys().next().copied(), lengths.keys().last().copied());
            let (least, most) = (least.unwrap_or(usual), most.unwrap_or(usual));
            let found = |chip: &ChipRow| {
                format!("decimal chip ids of {least} to {most} digits; the first of the shortest is {}", chip.chip_id)
            };
            let told = |chip: &ChipRow| (format!("{} {}", self.unit, chip.line), chip.chip_id.clone(), found(chip));
            shortest.map(told).into_iter().collect()
        } else {
            Vec::new()
        };
        for (subject, id, found) in odd {
            self.tell(&REEL_ID_LENGTH, subject, Some(id), found);
        }
    }

    /// Warns of ids that a spreadsheet took for numbers and rounded, though it shows all their digits.
    fn look_for_rounding(&mut self) {
        let rounded = |chip: &ChipRow| is_rounded_number(&chip.chip_id);
        if self.out.chips.len() >= ROUNDED && self.out.chips.iter().all(rounded) {
            let count = self.out.chips.len();
            let found = format!(
                "all {count} chip ids are decimal numbers with zeros behind their first {KEPT} digits, as where a spreadsheet \
                 took them for numbers and rounded them"
            );
            let advice = "Compare an id with the chip itself or the chip maker's file. If it was rounded, withdraw the reel, \
                          ask the chip maker for the file as it was written, and receive it without opening it in a \
                          spreadsheet.";
            let finding = Finding::new(&REEL_COLUMN, found).weighing(Severity::Warning).advising(advice);
            self.finding("manifest".into(), None, finding);
        }
    }

    fn finish(mut self) -> Manifest {
        self.look_for_rounding();
        self.compare_lengths();
        let Ok(findings) = self.findings.told::<Infallible>(&|_| Ok(String::new()));
        Manifest { findings, ..self.out }
    }
}

/// A chip id in upper case.
///
/// # Errors
///
/// Where it is not 2 to 64 hex digits.
pub fn chip_id(text: &str) -> Result<String, String> {
    let bare: String = text.trim().trim_start_matches("0x").chars().filter(|c| !matches!(c, ':' | '-' | ' ')).collect();
    let shown = || text.chars().take(40).collect::<String>();
    if !bare.bytes().all(|b| b.is_ascii_hexdigit()) {
        return Err(format!("chip id {:?}, which is not hexadecimal digits", shown()));
    }
    match bare.len() {
        0 => return Err("no chip id".into()),
        1 => return Err(format!("chip id {:?}, which is a single digit; an id has at least 2", shown())),
        2..=DIGITS => {}
        count => return Err(format!("chip id {:?}, which has {count} digits; an id has at most {DIGITS}", shown())),
    }
    Ok(bare.to_ascii_uppercase())
}

/// Digits that a spreadsheet keeps of a number (IEEE 754-2019, binary64: 15 are always exact).
const KEPT: usize = 15;
/// Chips from which on it can't be chance that all ids end with zeros.
const ROUNDED: usize = 5;

/// Whether it may be a number of which only the first digits were kept.
pub(crate) fn is_rounded_number(id: &str) -> bool {
    id.len() > KEPT && id.bytes().all(|b| b.is_ascii_digit()) && id.bytes().skip(KEPT).all(|b| b == b'0')
}

/// Reads a manifest.
///
/// # Errors
///
/// [`Trouble`] where it can't be opened at all, or has no columns like those that are wanted. What
/// can be read and is wrong is in [`Manifest::findings`].
pub fn read(path: &Path, map: &ColumnMap, course: &Course) -> Result<Manifest, Trouble> {
    course.phase(Phase::Reading, None);
    let mut entries = Vec::new();
    intake::open(path, Limits::default(), None, &mut |entry| {
        entries.push(entry);
        Ok(())
    })?;
    let reading = Reading {
        out: Manifest::default(),
        findings: Findings::default(),
        turn: 0,
        ids: HashMap::new(),
        keys: HashMap::new(),
        unit: "line",
        course,
    };
    let name = file_name(path);
    parts::refuse_workbook(&name, &entries)?;
    entries.retain(|entry| !intake::is_clutter(&entry.name));
    // One text in an archive of its own is as good as the text.
    let list = entries.iter().position(|entry| is_checksum_list(&entry.name)).map(|at| entries[at].name.clone());
    entries.retain(|entry| !is_checksum_list(&entry.name));
    let mut manifest = match entries.as_slice() {
        [only] if !looks_like_certificates(&only.octets) => text(only, &name, map, reading)?,
        _ => parts::read(entries, &name, map, reading)?,
    };
    course.go_on()?;
    if let Some(subject) = list {
        let finding = Finding::new(&REEL_FORMAT, "a list of checksums, which is not looked at for a manifest")
            .weighing(Severity::Warning)
            .advising("Compare the manifest with it yourself, such as with `sha256sum --check`.");
        manifest.findings.push(SharedFinding { subject, chip_id: None, count: 1, finding });
    }
    Ok(manifest)
}

/// Whether it is DER, or PEM that is not a value in a table: there it begins behind a quote.
pub(super) fn looks_like_certificates(octets: &[u8]) -> bool {
    const BEGIN: &[u8] = b"\n-----BEGIN ";
    let der = match octets {
        [0x30, length, rest @ ..] => *length >= 0x80 || rest.len() == usize::from(*length),
        _ => false,
    };
    der || octets.starts_with(&BEGIN[1..]) || memchr::memmem::find(octets, BEGIN).is_some()
}

/// Whether a file that is none of a delivery's is a table with public keys, by its first part.
pub(crate) fn resembles(octets: &[u8]) -> bool {
    const HEAD: usize = 1 << 16;
    const CELLS: usize = 2_000;
    let Ok(read) = encoding::read(&octets[..octets.len().min(HEAD)]) else { return false };
    read.text.split(['"', ',', ';', '\t', '|', '\r', '\n']).take(CELLS).any(columns::is_key)
}

/// Reads a manifest that is one text.
fn text(entry: &Entry, file: &str, map: &ColumnMap, mut reading: Reading<'_>) -> Result<Manifest, Trouble> {
    let read = match encoding::read(&entry.octets) {
        Ok(read) => read,
        Err(no) => {
            reading.tell(&REEL_FORMAT, format!("line {}", no.line), None, no.why.into());
            return Ok(reading.finish());
        }
    };
    if let Some(note) = read.note {
        let advice = "Chip ids and keys are the same in every encoding, so nothing was lost. Where other columns \
                      matter to you, ask the chip maker for UTF-8.";
        let finding = Finding::new(&REEL_FORMAT, note).weighing(Severity::Note).advising(advice);
        reading.finding(entry.name.clone(), None, finding);
    }
    if intake::secrets(&entry.octets).is_some() {
        reading.secret(entry.name.clone(), None);
    }
    let text = read.text.as_ref();
    if text.trim().is_empty() {
        reading.tell(&REEL_FORMAT, entry.name.clone(), None, "nothing in it".into());
        return Ok(reading.finish());
    }
    let unmatched = |u: columns::Unmatched| u.trouble(file, map);
    if text.trim_start().starts_with(['{', '[']) {
        json::read(text, map, &mut reading).map_err(unmatched)?;
    } else {
        table::read(text, table::header(text, map).map_err(unmatched)?, &mut reading);
    }
    if reading.out.read == 0 && !reading.findings.has_errors() {
        reading.tell(&REEL_FORMAT, entry.name.clone(), None, "a header and no chip".into());
    }
    Ok(reading.finish())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_that_a_spreadsheet_rounded_are_told_from_hexadecimal_ones() {
        for rounded in ["1.23457E+17", "5,14042E+17", "5.1e17", " 3E+20 ", "1.5E-7"] {
            assert!(is_rounded(rounded), "{rounded}");
        }
        for id in ["514E17", "0E1", "514C04170D0D3578AC", "12345678", "1E-17", "", "E+17", "1.2", "A.1E+5"] {
            assert!(!is_rounded(id), "{id}");
        }
    }
}
