//! Entries, a stretch at a time, and the rows that they vouch for.
//!
//! Stretches are a power of two long and begin at a multiple of it: the nodes over
//! one, up to its own root, are nobody else's, so that several threads each take a
//! stretch and meet only above.

use std::borrow::Cow;
use std::collections::{HashMap, HashSet};

use serde_json::Value as Json;

use super::withdrawn::Withdrawn;
use super::{DamageKind, Told};
use crate::by::rfc3339;
use crate::engine::{Connection, P, Row, Value, params};
use crate::error::BookError;
use crate::log::rows::{self, Table, digest_rows, split_entry};
use crate::log::tree::{Hash, leaf_hash, node_hash};

/// Height of a stretch's root above the leaves.
pub(super) const TOP: u32 = 11;
/// Entries of a whole stretch.
pub(super) const STRETCH: i64 = 1 << TOP;
/// Rows of one table from which on they are read at one go.
const TOGETHER: usize = 16;

/// What came of one stretch.
#[derive(Default)]
pub(super) struct Checked {
    /// Hash of each entry, as it is stored.
    pub(super) hashes: Vec<Hash>,
    /// The stretch's root, as it is stored, where it is whole.
    pub(super) top: Option<Hash>,
    /// Damages, in the order of the entries that tell of them.
    pub(super) told: Told,
    /// Places whose entries are gone or another's.
    pub(super) gone: Vec<i64>,
    /// Rows settled by the last entry that names them, by table.
    pub(super) settled: HashMap<&'static str, u64>,
    /// Digests of shared octets that its proofs name.
    pub(super) shared: HashSet<Vec<u8>>,
    /// Rows held against a digest.
    pub(super) rows: u64,
    /// Of them, those that arrived in thousands.
    pub(super) arrived: u64,
}

/// One thread's work.
pub(super) struct Lane<'c> {
    pub(super) c: &'c mut Connection,
    pub(super) withdrawn: &'c Withdrawn,
    /// How the rows of a table are selected by key.
    selects: HashMap<&'static str, String>,
    /// Which of a proof's columns name shared octets.
    shared: Vec<usize>,
    pub(super) out: Checked,
    /// Rows that entries of this stretch vouch for, each with all the entries that do.
    wanted: Vec<Wanted>,
    places: HashMap<(&'static str, String), usize>,
}

struct Wanted {
    table: &'static Table,
    key: String,
    /// Sequence number and digest in hex, oldest first.
    by: Vec<(i64, String)>,
}

/// What a leaf says, as far as it is held against something.
#[derive(Default)]
struct Said<'a> {
    sequence: Option<i64>,
    at: Option<Cow<'a, str>>,
    act: Option<Cow<'a, str>>,
    actor: Option<Cow<'a, str>>,
    station: Option<Cow<'a, str>>,
    kind: Option<Cow<'a, str>>,
    subject: Option<Cow<'a, str>>,
    rows: Vec<[Cow<'a, str>; 3]>,
}

/// A leaf as every act writes it.
#[derive(serde::Deserialize)]
struct Leaf<'a> {
    sequence: i64,
    #[serde(borrow)]
    at: Cow<'a, str>,
    #[serde(borrow)]
    act: Cow<'a, str>,
    #[serde(borrow)]
    actor: Cow<'a, str>,
    station: Option<String>,
    #[serde(borrow)]
    subject: About<'a>,
    #[serde(borrow)]
    rows: Vec<Vouched<'a>>,
}

#[derive(serde::Deserialize)]
struct About<'a> {
    #[serde(borrow)]
    kind: Cow<'a, str>,
    #[serde(borrow)]
    id: Cow<'a, str>,
}

#[derive(serde::Deserialize)]
struct Vouched<'a>(#[serde(borrow)] Cow<'a, str>, #[serde(borrow)] Cow<'a, str>, #[serde(borrow)] Cow<'a, str>);

/// Reads a leaf without building what nobody asks for; one that no act wrote like
/// this is read the long way. `None` where it is no JSON.
fn said(text: &str) -> Option<Said<'_>> {
    if let Ok(leaf) = serde_json::from_str::<Leaf<'_>>(text) {
        return Some(Said {
            sequence: Some(leaf.sequence),
            at: Some(leaf.at),
            act: Some(leaf.act),
            actor: Some(leaf.actor),
            station: leaf.station.map(Cow::Owned),
            kind: Some(leaf.subject.kind),
            subject: Some(leaf.subject.id),
            rows: leaf.rows.into_iter().map(|v| [v.0, v.1, v.2]).collect(),
        });
    }
    let json: Json = serde_json::from_str(text).ok()?;
    let told = |pointer: &str| json.pointer(pointer).and_then(Json::as_str).map(|t| Cow::Owned(t.to_owned()));
    let part =
        |mention: &Json, n: usize| Cow::Owned(mention.get(n).and_then(Json::as_str).unwrap_or_default().to_owned());
    let rows = json.get("rows").and_then(Json::as_array).into_iter().flatten();
    Some(Said {
        sequence: json.get("sequence").and_then(Json::as_i64),
        at: told("/at"),
        act: told("/act"),
        actor: told("/actor"),
        station: told("/station"),
        kind: told("/subject/kind"),
        subject: told("/subject/id"),
        rows: rows.map(|m| [part(m, 0), part(m, 1), part(m, 2)]).collect(),
    })
}

impl<'c> Lane<'c> {
    pub(super) fn new(c: &'c mut Connection, withdrawn: &'c Withdrawn) -> Self {
        let selects = rows::protected().map(|table| (table.name, table.select())).collect();
        let shared = rows::PROOF.places(&["pai", "declaration"]);
        Self { c, withdrawn, selects, shared, out: Checked::default(), wanted: Vec::new(), places: HashMap::new() }
    }

    /// Checks the entries from `first`, which begins a stretch, to before `end`.
    pub(super) fn stretch(&mut self, first: i64, end: i64) -> Result<Checked, BookError> {
        let sql = "SELECT sequence, at, act, actor, station, subject_kind, subject, leaf, hash FROM entry \
                   WHERE sequence >= $1 AND sequence < $2 ORDER BY sequence";
        let end = end.min(first + STRETCH);
        let mut expected = first;
        for row in &self.c.all(sql, params![first, end])? {
            let sequence = row.int(0)?;
            self.missing(&mut expected, sequence);
            self.entry(sequence, row)?;
            expected += 1;
        }
        self.missing(&mut expected, end);
        self.nodes(first)?;
        self.settle_together()?;
        for wanted in std::mem::take(&mut self.wanted) {
            if !wanted.by.is_empty() {
                self.settle(&wanted)?;
            }
        }
        self.places.clear();
        let mut out = std::mem::take(&mut self.out);
        out.told.damages.sort_by_key(|d| d.entry);
        Ok(out)
    }

    fn missing(&mut self, expected: &mut i64, until: i64) {
        while *expected < until {
            self.out.gone.push(*expected);
            let key = expected.to_string();
            self.out.told.tell(DamageKind::Removed, "entry", key, Some(*expected), "the entry is missing");
            // Its hash is lost with it; the node above will be told as well.
            self.out.hashes.push(leaf_hash(b""));
            *expected += 1;
        }
    }

    fn entry(&mut self, sequence: i64, row: &Row) -> Result<(), BookError> {
        let (leaf, stored) = (row.str(7)?, row.array::<32>(8)?);
        let key = || sequence.to_string();
        if leaf_hash(leaf.as_bytes()) != stored {
            let found = "its text does not have its hash";
            self.out.told.tell(DamageKind::Altered, "entry", key(), Some(sequence), found);
        }
        self.out.hashes.push(stored);
        let Some(said) = said(leaf) else {
            self.out.told.tell(DamageKind::Altered, "entry", key(), Some(sequence), "its text is not JSON");
            return Ok(());
        };
        if let Some(named) = said.sequence
            && named != sequence
        {
            self.out.gone.push(sequence);
            let found = format!("it holds the text of entry {named}");
            self.out.told.tell(DamageKind::Moved, "entry", key(), Some(sequence), found);
            return Ok(());
        }
        let at = rfc3339(row.int(1)?)?;
        let station = if row.is_null(4) { None } else { Some(row.str(4)?) };
        let columns = [
            ("at", Some(at.as_str()), &said.at),
            ("act", Some(row.str(2)?), &said.act),
            ("actor", Some(row.str(3)?), &said.actor),
            ("station", station, &said.station),
            ("kind of its subject", Some(row.str(5)?), &said.kind),
            ("subject", Some(row.str(6)?), &said.subject),
        ];
        for (what, column, told) in columns {
            if column != told.as_deref() {
                let shown = |text: Option<&str>| text.unwrap_or("nothing").to_owned();
                let found = format!("its {what} is {}, and its text says {}", shown(column), shown(told.as_deref()));
                self.out.told.tell(DamageKind::Altered, "entry", key(), Some(sequence), found);
            }
        }
        for [table, key, digest] in said.rows {
            self.mention(sequence, &table, key.into_owned(), digest.into_owned());
        }
        match said.act.as_deref() {
            Some("reel.receive") => self.many(sequence, leaf, "chip", "/body/chips"),
            Some("delivery.receive" | "delivery.issue") => self.many(sequence, leaf, "credential", "/body/credentials"),
            _ => Ok(()),
        }
    }

    /// Notes a row that an entry vouches for. Most rows are named by several entries
    /// close together, and are looked up once for all of them.
    fn mention(&mut self, sequence: i64, name: &str, key: String, digest: String) {
        let Some(table) = rows::table(name) else {
            let (kind, found) = (DamageKind::Altered, "it vouches for no known table");
            self.out.told.tell(kind, "entry", sequence.to_string(), Some(sequence), found);
            return;
        };
        let place = *self.places.entry((table.name, key)).or_insert_with_key(|(_, key)| {
            self.wanted.push(Wanted { table, key: key.clone(), by: Vec::with_capacity(2) });
            self.wanted.len() - 1
        });
        if let Some(wanted) = self.wanted.get_mut(place) {
            wanted.by.push((sequence, digest));
        }
    }

    /// Units follow one another in the log as they do in the tables: where the rows
    /// that a stretch names lie close together, they are read at one go. What is not
    /// found like this is looked up by itself.
    fn settle_together(&mut self) -> Result<(), BookError> {
        for table in rows::protected() {
            if let Some((spot, stretch)) = table.select_near() {
                self.settle_near(table, &spot, &stretch)?;
            }
            let Some(sql) = table.select_between() else { continue };
            let its = || self.wanted.iter().filter(|w| w.table.name == table.name);
            let keys = its().filter_map(|w| table.values(&w.key)?.into_iter().next());
            let (mut low, mut high): (Option<String>, Option<String>) = (None, None);
            for key in keys {
                let Value::Text(key) = key else { continue };
                if low.as_ref().is_none_or(|l| key < *l) {
                    low = Some(key.clone());
                }
                if high.as_ref().is_none_or(|h| key > *h) {
                    high = Some(key);
                }
            }
            let count = its().count();
            let (Some(low), Some(high), true) = (low, high, count >= TOGETHER) else { continue };
            // Others' rows between them are passed over, up to some.
            let most = count * if table.several { 40 } else { 3 };
            let limit = i64::try_from(most).unwrap_or(i64::MAX);
            let found = self.c.all(&sql, params![&low, &high, limit])?;
            if found.len() >= most {
                continue;
            }
            let mut found = found.into_iter().peekable();
            while let Some(mut row) = found.next() {
                let key = table.key_text(&row);
                row.0.drain(..table.key.len());
                let mut its = vec![row];
                while found.peek().is_some_and(|next| table.key_text(next) == key) {
                    if let Some(mut next) = found.next() {
                        next.0.drain(..table.key.len());
                        its.push(next);
                    }
                }
                self.hold_where_wanted(table, key, its)?;
            }
        }
        Ok(())
    }

    /// Chips and credentials have keys in no order, but are used much as they lie on
    /// their reel: one of them is looked up, and those beside it are read with it.
    fn settle_near(&mut self, table: &'static Table, spot: &str, stretch: &str) -> Result<(), BookError> {
        let mut next = 0;
        loop {
            let open = |w: &Wanted| w.table.name == table.name && !w.by.is_empty();
            let left = self.wanted.iter().filter(|w| open(w)).count();
            let Some(at) = (next..self.wanted.len()).find(|n| open(&self.wanted[*n])) else { return Ok(()) };
            let Some(values) = table.values(&self.wanted[at].key).filter(|_| left >= TOGETHER) else { return Ok(()) };
            let values: Vec<P<'_>> = values.iter().map(Value::as_param).collect();
            // One that is gone is told of where it is looked up by itself.
            let Some(spot) = self.c.one(spot, &values)? else { return Ok(()) };
            next = at + 1;
            let (group, place, left) = (spot.text(0)?, spot.int(1)?, left as i64);
            // The first that is wanted is seldom the first that lies there.
            let found = self.c.all(stretch, params![&group, place - left / 2, place + left + left / 2])?;
            let read = found.len();
            let mut of_use = 0;
            for mut row in found {
                let key = table.key_text(&row);
                row.0.drain(..table.key.len());
                of_use += usize::from(self.hold_where_wanted(table, key, vec![row])?);
            }
            if of_use * 8 < read {
                return Ok(());
            }
        }
    }

    /// Holds rows against the entries that wait for them; whether any do.
    fn hold_where_wanted(&mut self, table: &'static Table, key: String, its: Vec<Row>) -> Result<bool, BookError> {
        let Some(place) = self.places.get(&(table.name, key)) else { return Ok(false) };
        let wanted = &mut self.wanted[*place];
        let by = std::mem::take(&mut wanted.by);
        if by.is_empty() {
            return Ok(false);
        }
        let wanted = Wanted { table, key: wanted.key.clone(), by };
        self.hold(&wanted, its)?;
        Ok(true)
    }

    /// Looks up a row that entries of the stretch vouch for.
    fn settle(&mut self, wanted: &Wanted) -> Result<(), BookError> {
        let Wanted { table, key, by } = wanted;
        let first = by.first().map_or(0, |(sequence, _)| *sequence);
        let Some(values) = table.values(key) else {
            let (kind, found) = (DamageKind::Altered, "it vouches for no known table");
            self.out.told.tell(kind, "entry", first.to_string(), Some(first), found);
            return Ok(());
        };
        let values: Vec<P<'_>> = values.iter().map(Value::as_param).collect();
        let select = self.selects.get(table.name).map_or("", String::as_str);
        let found = self.c.all(select, &values)?;
        if found.is_empty() {
            let withdrawn = self.withdrawn.last(table.name, key).unwrap_or(-1);
            // Told once, by the first entry that misses it.
            if let Some((first, _)) = by.iter().find(|(sequence, _)| *sequence > withdrawn) {
                self.out.told.tell(DamageKind::Removed, table.name, key.clone(), Some(*first), "the row is missing");
            }
            return Ok(());
        }
        self.hold(wanted, found)
    }

    /// Holds the rows of a key against all the entries of the stretch that vouch for them.
    fn hold(&mut self, wanted: &Wanted, mut found: Vec<Row>) -> Result<(), BookError> {
        let Wanted { table, key, by } = wanted;
        let last = split_entry(&mut found)?;
        if table.name == rows::PROOF.name || table.name == rows::LATER_PROOF.name {
            for value in found.iter().flat_map(|row| self.shared.iter().filter_map(|n| row.0.get(*n))) {
                if let Value::Bytes(digest) = value
                    && !self.out.shared.contains(digest)
                {
                    self.out.shared.insert(digest.clone());
                }
            }
        }
        for (sequence, digest) in by {
            match last {
                Some(last) if last > *sequence => {}
                Some(last) if last == *sequence => {
                    if let Some(by) = self.withdrawn.last(table.name, key).filter(|by| *by > last) {
                        let what = format!("entry {by} withdrew it, and it is there");
                        self.out.told.tell(DamageKind::Added, table.name, key.clone(), Some(by), what);
                    }
                    *self.out.settled.entry(table.name).or_default() += 1;
                    self.out.rows += 1;
                    if !in_hex(&digest_rows(table, &found), digest) {
                        let what = "it was changed since its entry was written";
                        self.out.told.tell(DamageKind::Altered, table.name, key.clone(), Some(*sequence), what);
                    }
                }
                last => {
                    let as_of = last.map_or_else(|| "nothing".to_owned(), |l| l.to_string());
                    let what = format!("it is as of entry {as_of}, but entry {sequence} changed it");
                    self.out.told.tell(DamageKind::Altered, table.name, key.clone(), Some(*sequence), what);
                }
            }
        }
        Ok(())
    }

    /// Holds the nodes over the stretch against the hashes of its entries.
    fn nodes(&mut self, first: i64) -> Result<(), BookError> {
        let mut stored: Vec<HashMap<i64, Hash>> = Vec::new();
        let sql = "SELECT number, hash FROM log_node WHERE level = $1 AND number >= $2 AND number < $3";
        for level in 1..=TOP {
            let (from, to) = (first >> level, (first + STRETCH) >> level);
            let mut here = HashMap::with_capacity(usize::try_from(to - from).unwrap_or(0));
            for row in self.c.all(sql, params![i64::from(level), from, to])? {
                here.insert(row.int(0)?, row.array(1)?);
            }
            stored.push(here);
        }
        let mut climb = Climb::default();
        let hashes = std::mem::take(&mut self.out.hashes);
        for (number, hash) in (first..).zip(&hashes) {
            let mut at = (0, number, *hash);
            while at.0 < TOP {
                let Some((level, above, computed)) = climb.step(at) else { break };
                let kept = stored.get(level as usize - 1).and_then(|here| here.get(&above)).copied();
                at = (level, above, self.out.told.node(level, above, computed, kept, number));
            }
            if at.0 == TOP {
                self.out.top = Some(at.2);
            }
        }
        self.out.hashes = hashes;
        Ok(())
    }
}

/// Whether a text is the digest in hex.
fn in_hex(digest: &Hash, text: &str) -> bool {
    let mut shown = [0; 64];
    hex::encode_to_slice(digest, &mut shown).is_ok() && shown == text.as_bytes()
}

/// Hashes at each level that wait for their right neighbour.
#[derive(Default)]
pub(super) struct Climb {
    waiting: Vec<Option<Hash>>,
}

impl Climb {
    /// Takes a complete node; gives the one above it, computed, where this one completes it.
    pub(super) fn step(&mut self, (level, number, hash): (u32, i64, Hash)) -> Option<(u32, i64, Hash)> {
        let place = level as usize;
        if self.waiting.len() <= place {
            self.waiting.resize(place + 1, None);
        }
        match self.waiting[place].take().filter(|_| number % 2 == 1) {
            Some(left) => Some((level + 1, number / 2, node_hash(&left, &hash))),
            None => {
                self.waiting[place] = Some(hash);
                None
            }
        }
    }
}

impl Told {
    /// Holds a node against the one that is stored; what lies above is held against
    /// the stored one, so that one change is told once.
    pub(super) fn node(
        &mut self,
        level: u32,
        number: i64,
        computed: Hash,
        stored: Option<Hash>,
        sequence: i64,
    ) -> Hash {
        let key = || format!("{level}/{number}");
        match stored {
            Some(stored) => {
                if stored != computed {
                    let (first, last) = (number << level, ((number + 1) << level) - 1);
                    let found = format!("entries {first} to {last} do not have the hash that the tree keeps of them");
                    self.tell(DamageKind::Altered, "log_node", key(), Some(sequence), found);
                }
                stored
            }
            None => {
                self.tell(DamageKind::Removed, "log_node", key(), Some(sequence), "the node is missing");
                computed
            }
        }
    }
}
