//! Recomputing everything that the log vouches for, and finding what was changed.
//!
//! What is held against what:
//!
//! - each entry's columns and hash against its leaf; its place against the one
//!   that its leaf names;
//! - each inner node against its children, the head against the nodes, each
//!   signed head against the root of its size;
//! - each row that an entry vouches for against the digest of the last entry that
//!   names it; chips and credentials, which arrive in thousands, also against
//!   the digest of their reel's or delivery's entry;
//! - the number of rows in each table against those vouched for, so that nothing
//!   was added.
//!
//! Whoever rewrites the whole log consistently is found by a signed head that
//! was taken out of the house before.

mod arrivals;

use std::collections::{BTreeMap, HashMap, HashSet};

use serde_json::Value as Json;
use sha2::{Digest, Sha256};

use super::heads::{self, SignedHead};
use super::rows::{self, PROTECTED, Table, digest_rows, split_entry};
use super::tree::{Frontier, Hash, leaf_hash, node_hash};
use crate::Book;
use crate::by::{micros, rfc3339};
use crate::engine::{Connection, P, Row, Value, params};
use crate::error::BookError;
use crate::ids::Sequence;
use crate::schema;

/// What was done to something.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum DamageKind {
    /// It is not as it was written.
    Altered,
    /// It is gone.
    Removed,
    /// It was never written by an act.
    Added,
    /// It stands where another belongs.
    Moved,
}

/// One thing that is not as the log says.
#[derive(Debug, Clone, PartialEq, Eq, Hash, serde::Serialize)]
pub struct Damage {
    /// What was done.
    pub kind: DamageKind,
    /// The table.
    pub table: String,
    /// The row's key.
    pub key: String,
    /// The entry that tells of it.
    pub entry: Option<Sequence>,
    /// What was found, as a sentence.
    pub found: String,
}

/// What verifying the book said.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Verification {
    /// Entries in the log.
    pub entries: u64,
    /// Hash of their tree.
    #[serde(serialize_with = "in_hex")]
    pub root: Hash,
    /// Rows held against a digest.
    pub rows: u64,
    /// Signed heads held against the tree.
    pub signed_heads: u64,
    /// How much is not as it should be.
    pub total: u64,
    /// The first thousand of it.
    pub damages: Vec<Damage>,
}

fn in_hex<S: serde::Serializer>(hash: &Hash, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&hex::encode(hash))
}

impl Verification {
    /// Whether all is as it was written.
    pub fn intact(&self) -> bool {
        self.total == 0
    }
}

/// Damages told one by one.
const TOLD: usize = 1000;
/// Entries read at a time.
const BATCH: i64 = 500;

/// Whether a signed head's signature is good; the book does not know the key.
pub type CheckHead<'a> = &'a dyn Fn(&SignedHead) -> bool;

/// Told how many entries and rows of how many were looked at; says whether to go on.
pub type Watch<'a> = &'a dyn Fn(u64, u64) -> bool;

/// What arrived in thousands, by the counts that reels and deliveries keep.
const ARRIVED_CHIPS: &str = "SELECT CAST(coalesce(sum(chips), 0) AS BIGINT) FROM reel";
const ARRIVED_CREDENTIALS: &str = "SELECT CAST(coalesce(sum(certificates_accepted), 0) AS BIGINT) FROM delivery";

/// Rows between two looks at a [`Watch`].
const WATCHED: u64 = 1000;

/// How far verifying is.
struct Far<'a> {
    watch: Watch<'a>,
    done: u64,
    total: u64,
}

impl Far<'_> {
    fn pass(&mut self, count: u64) -> Result<(), BookError> {
        self.done += count;
        if (self.watch)(self.done, self.total) { Ok(()) } else { Err(BookError::Stopped) }
    }
}

struct Verifier<'a> {
    c: &'a mut Connection,
    site: &'a str,
    check_head: Option<CheckHead<'a>>,
    out: Verification,
    /// The tree of the leaves as they are.
    tree: Frontier,
    /// Stored hashes at each level that wait for their right neighbour.
    waiting: Vec<Vec<Hash>>,
    heads: HashMap<u64, Vec<SignedHead>>,
    /// The largest size at which a signed head held.
    held: u64,
    /// Entries that are gone or stand elsewhere; what they told of is not told again row by row.
    gone: HashSet<i64>,
    /// Keys of each table for which the last mention was found good or bad.
    settled: HashMap<&'static str, u64>,
    far: Far<'a>,
}

impl Verifier<'_> {
    fn tell(&mut self, kind: DamageKind, table: &str, key: String, entry: Option<i64>, found: impl Into<String>) {
        self.out.total += 1;
        if self.out.damages.len() < TOLD {
            let entry = entry.map(Sequence);
            self.out.damages.push(Damage { kind, table: table.into(), key, entry, found: found.into() });
        }
    }

    fn entries(&mut self) -> Result<(), BookError> {
        let sql = "SELECT sequence, at, act, actor, station, subject_kind, subject, leaf, hash FROM entry \
                   WHERE sequence >= $1 ORDER BY sequence LIMIT $2";
        let mut expected = 0;
        loop {
            let batch = self.c.all(sql, params![expected, BATCH])?;
            if batch.is_empty() {
                return Ok(());
            }
            for row in &batch {
                let sequence = row.int(0)?;
                while expected < sequence {
                    self.gone.insert(expected);
                    self.tell(DamageKind::Removed, "entry", expected.to_string(), Some(expected), "the entry is gone");
                    // Its hash is lost with it; the node above will be told as well.
                    self.leaf(expected, leaf_hash(b""))?;
                    expected += 1;
                }
                self.entry(sequence, row)?;
                expected += 1;
            }
            self.far.pass(batch.len() as u64)?;
        }
    }

    fn entry(&mut self, sequence: i64, row: &Row) -> Result<(), BookError> {
        let (leaf, stored) = (row.text(7)?, row.array::<32>(8)?);
        let key = sequence.to_string();
        if leaf_hash(leaf.as_bytes()) != stored {
            self.tell(DamageKind::Altered, "entry", key.clone(), Some(sequence), "its text does not have its hash");
        }
        self.leaf(sequence, stored)?;
        let Ok(json) = serde_json::from_str::<Json>(&leaf) else {
            self.tell(DamageKind::Altered, "entry", key, Some(sequence), "its text is no JSON");
            return Ok(());
        };
        if let Some(named) = json.get("sequence").and_then(Json::as_i64)
            && named != sequence
        {
            self.gone.insert(sequence);
            self.tell(DamageKind::Moved, "entry", key, Some(sequence), format!("it holds the text of entry {named}"));
            return Ok(());
        }
        let text = |pointer: &str| json.pointer(pointer).and_then(Json::as_str).map(str::to_owned);
        let columns = [
            ("at", Some(rfc3339(row.int(1)?)?), text("/at")),
            ("act", Some(row.text(2)?), text("/act")),
            ("actor", Some(row.text(3)?), text("/actor")),
            ("station", row.maybe(4, Row::text)?, text("/station")),
            ("kind of its subject", Some(row.text(5)?), text("/subject/kind")),
            ("subject", Some(row.text(6)?), text("/subject/id")),
        ];
        for (what, column, told) in columns {
            if column != told {
                self.tell(
                    DamageKind::Altered,
                    "entry",
                    key.clone(),
                    Some(sequence),
                    format!("its {what} is {}, and its text says {}", shown(&column), shown(&told)),
                );
            }
        }
        for mention in json.get("rows").and_then(Json::as_array).into_iter().flatten() {
            self.mention(sequence, mention)?;
        }
        match text("/act").as_deref() {
            Some("reel.receive") => self.many(sequence, &json, "chip", "/body/chips"),
            Some("delivery.receive" | "delivery.issue") => {
                self.many(sequence, &json, "credential", "/body/credentials")
            }
            _ => Ok(()),
        }
    }

    /// Takes a leaf's hash into the tree and holds the nodes it completes against those stored.
    fn leaf(&mut self, sequence: i64, hash: Hash) -> Result<(), BookError> {
        let size = u64::try_from(sequence).unwrap_or(0) + 1;
        self.tree.append(hash, |_| Ok(()))?;
        let (mut level, mut hash, mut number) = (0usize, hash, size - 1);
        loop {
            if self.waiting.len() <= level {
                self.waiting.resize(level + 1, Vec::new());
            }
            let Some(left) = (number % 2 == 1).then(|| self.waiting[level].pop()).flatten() else {
                self.waiting[level].push(hash);
                break;
            };
            let computed = node_hash(&left, &hash);
            (level, number) = (level + 1, number / 2);
            let told = params![level as i64, i64::try_from(number).unwrap_or(i64::MAX)];
            let stored = self.c.one("SELECT hash FROM log_node WHERE level = $1 AND number = $2", told)?;
            let key = format!("{level}/{number}");
            let (first, last) = (number << level, ((number + 1) << level) - 1);
            hash = match stored.map(|row| row.array(0)).transpose()? {
                Some(stored) => {
                    if stored != computed {
                        let found =
                            format!("entries {first} to {last} do not have the hash that the tree keeps of them");
                        self.tell(DamageKind::Altered, "log_node", key, Some(sequence), found);
                    }
                    // What lies above is held against what is stored, so that one
                    // change is told once.
                    stored
                }
                None => {
                    self.tell(DamageKind::Removed, "log_node", key, Some(sequence), "the node is gone");
                    computed
                }
            };
        }
        self.out.entries = size;
        self.head_at(size)
    }

    fn head_at(&mut self, size: u64) -> Result<(), BookError> {
        let root = self.tree.root();
        for head in self.heads.remove(&size).unwrap_or_default() {
            self.out.signed_heads += 1;
            let key = size.to_string();
            let statement = heads::statement(self.site, &head.head, micros(head.at))?;
            if statement != head.statement || self.check_head.is_some_and(|check| !check(&head)) {
                self.tell(DamageKind::Altered, "signed_head", key, None, "its signature is not over what it states");
            } else if head.head.root != root {
                let found = format!("an entry from {} to {} is not the one that was signed", self.held, size - 1);
                self.tell(DamageKind::Altered, "signed_head", key, None, found);
            } else {
                self.held = size;
            }
        }
        Ok(())
    }

    /// One row that an entry vouches for.
    fn mention(&mut self, sequence: i64, mention: &Json) -> Result<(), BookError> {
        let part = |n: usize| mention.get(n).and_then(Json::as_str).unwrap_or_default().to_owned();
        let (name, key, digest) = (part(0), part(1), part(2));
        let told = rows::table(&name).and_then(|table| Some((table, table.values(&key)?)));
        let Some((table, values)) = told else {
            self.tell(
                DamageKind::Altered,
                "entry",
                sequence.to_string(),
                Some(sequence),
                "it vouches for no known table",
            );
            return Ok(());
        };
        let values: Vec<P<'_>> = values.iter().map(Value::as_param).collect();
        let mut found = self.c.all(&table.select(), &values)?;
        if found.is_empty() {
            // Told once, by the first entry that misses it.
            if self.removed_before(&name, &key) {
                return Ok(());
            }
            self.tell(DamageKind::Removed, &name, key, Some(sequence), "the row is gone");
            return Ok(());
        }
        let last = split_entry(&mut found)?;
        match last {
            Some(last) if last > sequence => return Ok(()),
            Some(last) if last == sequence => {
                *self.settled.entry(table.name).or_default() += 1;
                self.out.rows += 1;
                if hex::encode(digest_rows(table, &found)) != digest {
                    self.tell(DamageKind::Altered, &name, key, Some(sequence), "it is not as the act left it");
                }
            }
            last => {
                let found = format!(
                    "it is as of entry {}, but entry {sequence} changed it",
                    shown(&last.map(|l| l.to_string()))
                );
                self.tell(DamageKind::Altered, &name, key, Some(sequence), found);
            }
        }
        Ok(())
    }

    fn removed_before(&self, table: &str, key: &str) -> bool {
        self.out.damages.iter().any(|d| d.kind == DamageKind::Removed && d.table == table && d.key == key)
    }

    /// Rows that no entry vouches for.
    fn added(&mut self) -> Result<(), BookError> {
        for table in PROTECTED {
            let keys = table.key.join(", ");
            let told = format!("SELECT {keys}, {} AS last FROM {}", table.entry, table.name);
            let sql = format!("SELECT count(*) FROM (SELECT DISTINCT {keys} FROM ({told}) t WHERE last IS NOT NULL) s");
            let there = self.c.number(&sql, &[])?;
            let settled = self.settled.get(table.name).copied().unwrap_or(0);
            if u64::try_from(there).ok() != Some(settled) {
                self.find_added(table, &told)?;
            }
        }
        Ok(())
    }

    fn find_added(&mut self, table: &'static Table, told: &str) -> Result<(), BookError> {
        let mut suspects = Vec::new();
        self.c.each(&format!("SELECT DISTINCT * FROM ({told}) t WHERE last IS NOT NULL"), &[], &mut |row| {
            suspects.push((table.key_text(&row), row.int(table.key.len())?));
            Ok(())
        })?;
        suspects.retain(|(_, last)| !self.gone.contains(last));
        for (key, last) in suspects {
            let leaf = self.c.one("SELECT leaf FROM entry WHERE sequence = $1", params![last])?;
            let leaf = leaf.map(|row| row.text(0)).transpose()?;
            let json = leaf.and_then(|leaf| serde_json::from_str::<Json>(&leaf).ok()).unwrap_or(Json::Null);
            let named = json.get("rows").and_then(Json::as_array).into_iter().flatten().any(|mention| {
                mention.get(0).and_then(Json::as_str) == Some(table.name)
                    && mention.get(1).and_then(Json::as_str) == Some(key.as_str())
            });
            if !named {
                let found = format!("it names entry {last}, which does not tell of it");
                self.tell(DamageKind::Added, table.name, key, Some(last), found);
            }
        }
        Ok(())
    }

    fn octets(&mut self) -> Result<(), BookError> {
        let mut wrong = Vec::new();
        self.c.each("SELECT digest, content FROM octets", &[], &mut |row| {
            let digest = row.bytes(0)?;
            if Sha256::digest(row.bytes(1)?).as_slice() != digest {
                wrong.push(hex::encode(digest));
            }
            Ok(())
        })?;
        for key in wrong {
            self.tell(DamageKind::Altered, "octets", key, None, "its content does not have its digest");
        }
        Ok(())
    }

    fn head(&mut self) -> Result<(), BookError> {
        let row = self.c.one("SELECT size, peaks FROM log_head WHERE one = 1", &[])?;
        let same = match row {
            Some(row) => {
                row.int(0)? == i64::try_from(self.tree.size).unwrap_or(-1) && row.bytes(1)? == self.tree.peaks()
            }
            None => false,
        };
        // Entries cut off at the end leave a head that is too long.
        if !same {
            let found = format!("it is not the head of the {} entries that are there", self.tree.size);
            self.tell(DamageKind::Altered, "log_head", "1".into(), None, found);
        }
        let mut beyond: Vec<_> = self.heads.keys().copied().collect();
        beyond.sort_unstable();
        for size in beyond {
            let found = format!("{size} entries were signed, and {} are there", self.tree.size);
            self.tell(DamageKind::Removed, "entry", (size - 1).to_string(), None, found);
        }
        Ok(())
    }

    /// What guards the tables: triggers and, on SQLite, its own checks.
    fn guards(&mut self) -> Result<(), BookError> {
        for name in schema::missing_triggers(self.c)? {
            self.tell(DamageKind::Removed, "trigger", name, None, "what guards the table is gone or put to rest");
        }
        if !self.c.is_sqlite() {
            return Ok(());
        }
        let mut astray: BTreeMap<(String, String), u64> = BTreeMap::new();
        for row in self.c.all("PRAGMA foreign_key_check", &[])? {
            *astray.entry((row.text(0)?, row.text(2)?)).or_default() += 1;
        }
        for ((table, parent), rows) in astray {
            let found = format!("{rows} rows point at no row of {parent}");
            self.tell(DamageKind::Altered, &table, String::new(), None, found);
        }
        for row in self.c.all("PRAGMA integrity_check(20)", &[])? {
            let said = row.text(0)?;
            if said != "ok" {
                self.tell(DamageKind::Altered, "file", String::new(), None, said);
            }
        }
        Ok(())
    }
}

fn shown(text: &Option<String>) -> &str {
    text.as_deref().unwrap_or("nothing")
}

impl Book {
    /// Recomputes the log and all that it vouches for, from one unchanging view
    /// of the book, while stations run.
    ///
    /// - `check_head`: whether a signed head's signature is good, by the site's key.
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer. What is not as it should be
    /// is no error but a [`Damage`].
    pub fn verify(&self, check_head: Option<CheckHead<'_>>) -> Result<Verification, BookError> {
        self.verify_against(check_head, &[])
    }

    /// The same, with signed heads that were kept outside the book: a log rewritten
    /// as a whole, heads and all, is found by them alone.
    ///
    /// # Errors
    ///
    /// As [`Self::verify`].
    pub fn verify_against(
        &self,
        check_head: Option<CheckHead<'_>>,
        kept: &[SignedHead],
    ) -> Result<Verification, BookError> {
        self.verify_watched(check_head, kept, &|_, _| true)
    }

    /// The same, watched by somebody who may stop it.
    ///
    /// # Errors
    ///
    /// As [`Self::verify`]; [`BookError::Stopped`] where `watch` says so.
    pub fn verify_watched(
        &self,
        check_head: Option<CheckHead<'_>>,
        kept: &[SignedHead],
        watch: Watch<'_>,
    ) -> Result<Verification, BookError> {
        self.snapshot(|c| {
            let total = ["SELECT size FROM log_head WHERE one = 1", ARRIVED_CHIPS, ARRIVED_CREDENTIALS];
            let total = total.iter().map(|sql| Ok(u64::try_from(c.number(sql, &[])?).unwrap_or(0)));
            let total = total.sum::<Result<u64, BookError>>()?;
            let mut heads: HashMap<u64, Vec<SignedHead>> = HashMap::new();
            for row in c.all(&format!("SELECT {} FROM signed_head", SignedHead::COLUMNS), &[])? {
                let head = SignedHead::read(&row)?;
                heads.entry(head.head.size).or_default().push(head);
            }
            for head in kept {
                heads.entry(head.head.size).or_default().push(head.clone());
            }
            let tree = Frontier::default();
            let out =
                Verification { entries: 0, root: tree.root(), rows: 0, signed_heads: 0, total: 0, damages: Vec::new() };
            let site = self.site().site_id.as_str();
            let (waiting, settled) = (Vec::new(), HashMap::new());
            let (held, gone, far) = (0, HashSet::new(), Far { watch, done: 0, total });
            let mut v = Verifier { c, site, check_head, out, tree, waiting, heads, held, gone, settled, far };
            v.entries()?;
            v.head()?;
            v.added()?;
            v.octets()?;
            v.guards()?;
            v.out.root = v.tree.root();
            Ok(v.out)
        })
    }
}
