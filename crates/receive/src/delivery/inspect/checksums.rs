//! Lists of SHA-256 checksums that come with a delivery, held against what came.
//!
//! Reads what `sha256sum` of GNU coreutils writes: `HEX  name`, `HEX *name`, with a backslash before
//! lines whose names are escaped, and the form of `--tag`; in a file `NAME.sha256`, a checksum alone
//! is that of NAME. A name counts from the list's own folder, else from where the archive begins.

use std::collections::{HashMap, HashSet};
use std::hash::{BuildHasher as _, RandomState};
use std::ops::Range;

use base::encoding;
use base::findings::{About, Findings};
use examine::intake::{Opened, is_checksum_list};
use serde::{Deserialize, Serialize};
use standard::verdict::catalogue::intake::DELIVERY_CHECKSUM;
use standard::verdict::{Finding, Severity};
use utoipa::ToSchema;

use super::stage;

/// Entries whose names are kept for reporting those that no list names.
const KEPT: usize = 10_000;
/// Names in one sentence.
const NAMED: usize = 5;

/// What came of the lists.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[schema(as = CheckedLists)]
pub struct Checked {
    /// Names of the lists.
    pub lists: Vec<String>,
    /// Files that they name.
    pub listed: usize,
    /// Files of these that came as they were listed.
    pub matching: usize,
    /// Files beside a list that none names.
    pub unlisted: usize,
}

/// A list as it was read.
#[derive(Debug)]
pub(super) struct List {
    name: String,
    within: u32,
    lines: Vec<([u8; 32], String)>,
    /// Lines that are no checksum with a name: the first, and how many.
    unread: Option<(usize, usize)>,
}

/// Files that came otherwise than they were listed: nothing of them is kept.
#[derive(Debug, Default)]
pub(super) struct Spoiled {
    dacs: Vec<Range<u32>>,
    above: Vec<Range<usize>>,
    all: bool,
}

impl Spoiled {
    /// No DAC that came is kept.
    pub(super) fn spoil_all(&mut self) {
        self.all = true;
    }

    /// Whether the authority that came in this place is one.
    pub(super) fn has_authority(&self, place: usize) -> bool {
        self.above.iter().any(|range| range.contains(&place))
    }

    pub(super) fn has(&self, number: u32) -> bool {
        self.all || {
            let at = self.dacs.partition_point(|range| range.end <= number);
            self.dacs.get(at).is_some_and(|range| range.contains(&number))
        }
    }
}

/// An entry: its name by a hash, half of its digest, which nobody makes twice either, its DACs and its authorities.
struct Seen {
    name: u64,
    /// The file's own name, without its folders and in small letters, by a hash.
    own: u64,
    digest: [u8; 16],
    within: u32,
    dacs: Range<u32>,
    above: Range<usize>,
}

/// What came, and the lists among it.
#[derive(Default)]
pub(super) struct Checksums {
    hasher: RandomState,
    seen: Vec<Seen>,
    names: Vec<String>,
    lists: Vec<List>,
}

/// A name as names are compared here.
fn tidy(name: &str) -> String {
    let name = name.replace('\\', "/");
    name.split('/').filter(|part| !matches!(*part, "" | ".")).collect::<Vec<_>>().join("/")
}

/// A file's own name, without its folders, in small letters.
fn own_name(name: &str) -> String {
    name.trim_end().rsplit(['/', '\\']).next().unwrap_or(name).to_lowercase()
}

fn half(digest: &[u8; 32]) -> [u8; 16] {
    let mut half = [0; 16];
    half.copy_from_slice(&digest[..16]);
    half
}

fn hex_digest(text: &str) -> Option<[u8; 32]> {
    let mut digest = [0; 32];
    hex::decode_to_slice(text, &mut digest).ok()?;
    Some(digest)
}

/// A name as coreutils escapes it.
fn unescaped(name: &str) -> String {
    let (mut out, mut rest) = (String::with_capacity(name.len()), name.chars());
    while let Some(c) = rest.next() {
        match (c, if c == '\\' { rest.next() } else { None }) {
            ('\\', Some('n')) => out.push('\n'),
            ('\\', Some('r')) => out.push('\r'),
            ('\\', Some(other)) => out.push(other),
            _ => out.push(c),
        }
    }
    out
}

/// A line: checksum and name, the latter missing where the line has none.
fn line(text: &str) -> Option<([u8; 32], Option<String>)> {
    let (escaped, text) = text.strip_prefix('\\').map_or((false, text), |rest| (true, rest));
    let name = |name: &str| if escaped { unescaped(name) } else { name.to_owned() };
    if let Some(tagged) = text.strip_prefix("SHA256 (") {
        let (file, hex) = tagged.rsplit_once(") = ")?;
        return Some((hex_digest(hex.trim_end())?, Some(name(file))));
    }
    let digest = hex_digest(text.get(..64)?)?;
    match text[64..].trim_end() {
        "" => Some((digest, None)),
        _ => {
            let rest = text[64..].strip_prefix(' ')?;
            let rest = rest.strip_prefix([' ', '*']).unwrap_or(rest);
            Some((digest, Some(name(rest))))
        }
    }
}

impl List {
    /// Reads an entry where it is a list by its name and by what is in it.
    pub(super) fn read(name: &str, within: u32, octets: &[u8]) -> Option<Self> {
        if !is_checksum_list(name) {
            return None;
        }
        let text = encoding::read(octets).map_or_else(|_| String::from_utf8_lossy(octets), |read| read.text);
        let own = name.rsplit(['/', '\\']).next().unwrap_or(name);
        let of_one = own.len().checked_sub(".sha256".len()).and_then(|end| own.get(..end));
        let mut list = Self { name: name.to_owned(), within, lines: Vec::new(), unread: None };
        for (number, text) in (1..).zip(text.lines()).filter(|(_, text)| !text.trim().is_empty()) {
            match if text.len() > encoding::LONGEST { None } else { line(text) } {
                Some((digest, Some(file))) => list.lines.push((digest, file)),
                Some((digest, None)) if own.to_ascii_lowercase().ends_with(".sha256") => {
                    list.lines.push((digest, of_one.unwrap_or_default().to_owned()));
                }
                _ => list.unread.get_or_insert((number, 0)).1 += 1,
            }
        }
        // Something else may be called NAME.sha256; what has a list's whole name is one that can't be read.
        let named = !own.to_ascii_lowercase().ends_with(".sha256");
        (!list.lines.is_empty() || list.unread.is_none() || named).then_some(list)
    }

    /// The name of a line from where the archive begins, with the list's folder before it.
    fn in_folder(&self, file: &str) -> String {
        let own = tidy(&self.name);
        let folder = own.rsplit_once('/').map_or("", |(folder, _)| folder);
        tidy(&format!("{folder}/{file}"))
    }
}

impl Checksums {
    /// Adds the next entry. A list among them is read already.
    ///
    /// - `came`: numbers of its DACs, and places of its authorities.
    pub(super) fn add(
        &mut self,
        name: String,
        digest: &[u8; 32],
        within: u32,
        (dacs, above): (Range<u32>, Range<usize>),
        list: Option<List>,
    ) {
        let (hash, own) = (self.hasher.hash_one(tidy(&name)), self.hasher.hash_one(own_name(&name)));
        self.seen.push(Seen { name: hash, own, digest: half(digest), within, dacs, above });
        if self.names.len() < KEPT {
            self.names.push(name);
        }
        self.lists.extend(list);
    }

    /// Holds all that came against the lists, and reports what differs.
    ///
    /// - `opened`: archives among what came.
    pub(super) fn check(mut self, opened: Vec<Opened>, findings: &mut Findings) -> (Option<Checked>, Spoiled) {
        if self.lists.is_empty() {
            return (None, Spoiled::default());
        }
        let entries = self.seen.len();
        for archive in opened {
            let hash = self.hasher.hash_one(tidy(&archive.name));
            self.seen.push(Seen {
                name: hash,
                own: self.hasher.hash_one(own_name(&archive.name)),
                digest: half(&archive.sha256),
                within: archive.within,
                dacs: 0..0,
                above: 0..0,
            });
        }
        // Each line may mean two names; the one from the list's own folder counts more.
        let mut wanted: HashMap<u64, Vec<(usize, bool)>> = HashMap::new();
        let mut lines: Vec<(&List, &str, [u8; 16])> = Vec::new();
        let own: HashSet<(u32, String)> = self.lists.iter().map(|l| (l.within, tidy(&l.name))).collect();
        for list in &self.lists {
            for (digest, file) in &list.lines {
                let (near, far) = (list.in_folder(file), tidy(file));
                // A list that names itself was not finished when it was read for that.
                if own.contains(&(list.within, near.clone())) {
                    continue;
                }
                if far != near {
                    wanted.entry(self.hasher.hash_one(&far)).or_default().push((lines.len(), false));
                }
                wanted.entry(self.hasher.hash_one(&near)).or_default().push((lines.len(), true));
                lines.push((list, file, half(digest)));
            }
        }
        type Rank = (bool, bool, bool);
        let mut best: Vec<Option<(Rank, usize)>> = vec![None; lines.len()];
        for (index, seen) in self.seen.iter().enumerate() {
            for (at, near) in wanted.get(&seen.name).into_iter().flatten() {
                let (list, _, digest) = lines[*at];
                let rank = (list.within == seen.within, *near, digest == seen.digest);
                if best[*at].is_none_or(|(before, _)| before < rank) {
                    best[*at] = Some((rank, index));
                }
            }
        }
        // A list may name files by other folders than they came in: the one file of that name is meant.
        if best.iter().any(Option::is_none) {
            let mut by_own: HashMap<u64, Option<usize>> = HashMap::new();
            for (index, seen) in self.seen.iter().enumerate() {
                by_own.entry(seen.own).and_modify(|one| *one = None).or_insert(Some(index));
            }
            for ((_, file, digest), best) in lines.iter().zip(&mut best).filter(|(_, best)| best.is_none()) {
                let one = by_own.get(&self.hasher.hash_one(own_name(file))).copied().flatten();
                *best = one.map(|index| ((false, false, *digest == self.seen[index].digest), index));
            }
        }
        let mut turn = 0;
        let mut report = |subject: String, finding: Finding| {
            findings.tell((stage::READING, u64::MAX, turn), || subject, About::Nothing, finding);
            turn += 1;
        };
        let (mut spoiled, mut matching) = (Spoiled::default(), 0);
        let mut named = vec![false; self.seen.len()];
        for ((list, file, _), best) in lines.iter().zip(&best) {
            let Some(((_, _, is_same), index)) = *best else {
                report(
                    (*file).to_owned(),
                    Finding::new(&DELIVERY_CHECKSUM, format!("{} names it, and it did not come", list.name)),
                );
                continue;
            };
            named[index] = true;
            if is_same {
                matching += 1;
                continue;
            }
            let found = format!("its SHA-256 is not the one in {}", list.name);
            report((*file).to_owned(), Finding::new(&DELIVERY_CHECKSUM, found));
            spoiled.all |= index >= entries;
            spoiled.dacs.push(self.seen[index].dacs.clone());
            spoiled.above.push(self.seen[index].above.clone());
        }
        for list in &self.lists {
            if let Some((first, count)) = list.unread {
                let more = if count > 1 { format!(" and {} more", count - 1) } else { String::new() };
                let finding =
                    Finding::new(&DELIVERY_CHECKSUM, format!("line {first}{more}: not a SHA-256 checksum and a name"));
                report(
                    list.name.clone(),
                    finding.weighing(Severity::Warning).advising(
                        "These lines were left out. Ask the authority for the list as `sha256sum` writes it.",
                    ),
                );
            }
        }
        // What stands beside a list and in none; the lists themselves aside.
        let beside: HashSet<u32> = self.lists.iter().map(|l| l.within).collect();
        let lists: HashSet<u64> = self.lists.iter().map(|l| self.hasher.hash_one(tidy(&l.name))).collect();
        let free =
            |(seen, named): &(&Seen, &bool)| !**named && beside.contains(&seen.within) && !lists.contains(&seen.name);
        let unlisted = self.seen.iter().zip(&named).filter(free).count();
        let all = some_names(self.lists.iter().map(|l| l.name.as_str()), self.lists.len());
        if unlisted > 0 {
            let names =
                self.seen.iter().zip(&named).zip(&self.names).filter(|(seen, _)| free(seen)).map(|(_, n)| n.as_str());
            let (are, names) = (if unlisted == 1 { "is" } else { "are" }, some_names(names, unlisted));
            let finding =
                Finding::new(&DELIVERY_CHECKSUM, format!("{unlisted} of the files {are} not listed: {names}"));
            let finding =
                finding.weighing(Severity::Note).advising("Only the certificates' own signatures vouch for these.");
            report(all.clone(), finding);
        }
        if matching > 0 {
            let finding = Finding::new(&DELIVERY_CHECKSUM, format!("{matching} of {} listed files match", lines.len()));
            report(all, finding.weighing(Severity::Note).advising("Nothing needs to be done."));
        }
        spoiled.dacs.retain(|range| !range.is_empty());
        spoiled.dacs.sort_unstable_by_key(|range| range.start);
        let listed = lines.len();
        let checked = Checked { listed, matching, unlisted, lists: self.lists.into_iter().map(|l| l.name).collect() };
        (Some(checked), spoiled)
    }
}

/// The first few names, and how many more there are.
fn some_names<'n>(names: impl Iterator<Item = &'n str>, of: usize) -> String {
    let mut shown: Vec<String> = names.take(NAMED).map(str::to_owned).collect();
    if of > shown.len() {
        shown.push(format!("{} more", of - shown.len()));
    }
    shown.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Forms of GNU coreutils 9, as its manual gives them for `sha256sum`: text and binary mode, `--tag`, and names that
    /// hold a line break or a backslash. The checksum is that of no bytes at all (FIPS 180-4; NIST's example vectors).
    #[test]
    fn lines_are_read_as_coreutils_writes_them() {
        const NONE: &str = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855";
        let of = |text: &str| line(text).map(|(digest, name)| (hex::encode(digest), name));
        for (written, name) in [
            (format!("{NONE}  dacs/a b.der"), Some("dacs/a b.der")),
            (format!("{NONE} *a.der"), Some("a.der")),
            (format!("{NONE}  ./a.der"), Some("./a.der")),
            (format!("{}  a.der", NONE.to_uppercase()), Some("a.der")),
            (format!("\\{NONE}  a\\nb\\\\c"), Some("a\nb\\c")),
            (format!("SHA256 (a (1).der) = {NONE}"), Some("a (1).der")),
            (NONE.to_owned(), None),
        ] {
            assert_eq!(of(&written), Some((NONE.to_owned(), name.map(str::to_owned))), "{written}");
        }
        for wrong in ["", "# a list", &NONE[1..], &format!("{NONE}\u{e9}a"), &format!("{NONE}a.der"), "SHA256 (a) = 12"]
        {
            assert_eq!(of(wrong), None, "{wrong}");
        }
        for (name, list) in
            [("SHA256SUMS", true), ("x/sha256sum.txt", true), ("a.der.sha256", true), ("a.der", false), ("sums", false)]
        {
            assert_eq!(is_checksum_list(name), list, "{name}");
        }
    }

    #[test]
    fn ranges_of_spoiled_files_are_found() {
        let spoiled = Spoiled { dacs: vec![2..3, 5..8], ..Spoiled::default() };
        let found: Vec<u32> = (0..10).filter(|number| spoiled.has(*number)).collect();
        assert_eq!(found, [2, 5, 6, 7]);
    }
}
