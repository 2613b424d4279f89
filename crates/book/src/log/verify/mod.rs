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
//! A row that is gone is looked for among those that an entry withdrew: only entries
//! after the last withdrawal of its key still vouch for it. A note of a withdrawal is a
//! row like any other, so that one that no act wrote is found.
//!
//! Several threads share the work, each with a connection of its own to one and the
//! same view of the book. They take stretches of entries as they are handed out, with the
//! rows that those vouch for and the nodes over them; two of them look after what needs no
//! entry first. What the stretches come to is put together in their order, and no thread is
//! further ahead than a few of them, so that memory does not grow with the book.
//!
//! Whoever rewrites the whole log consistently is found by a signed head that
//! was taken out of the house before.

mod arrivals;
mod entries;
mod guards;
mod withdrawn;

use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Mutex, PoisonError};

use self::entries::{Checked, Climb, Lane, STRETCH, TOP};
use self::guards::Counts;
use self::withdrawn::Withdrawn;
use super::heads::{self, SignedHead};
use super::tree::{Frontier, Hash};
use crate::Book;
use crate::by::micros;
use crate::engine::{Connection, Row, params};
use crate::error::BookError;
use crate::ids::Sequence;

crate::words! {
    /// What was done to something.
    DamageKind {
        /// It is not as it was written.
        Altered = "altered",
        /// It is gone.
        Removed = "removed",
        /// It was never written by an act.
        Added = "added",
        /// It stands where another belongs.
        Moved = "moved",
        /// It was made after the backup that the book was restored from.
        Lost = "lost",
    }
}

/// One thing that is not as the log says.
#[derive(Debug, Clone, PartialEq, Eq, Hash, serde::Serialize)]
pub struct Damage {
    pub kind: DamageKind,
    pub table: String,
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
/// Threads, at most.
const LANES: usize = 8;
/// Stretches that are handed out before the last that was put together, for each thread.
const AHEAD: usize = 4;

/// Whether a signed head's signature is good; the book does not know the key.
pub type CheckHead<'a> = &'a dyn Fn(&SignedHead) -> bool;

/// Told how many entries and rows of how many were looked at; says whether to go on.
pub type Watch<'a> = &'a dyn Fn(u64, u64) -> bool;

/// What arrived in thousands, by the counts that reels and deliveries keep.
const ARRIVED_CHIPS: &str = "SELECT CAST(coalesce(sum(chips), 0) AS BIGINT) FROM reel";
const ARRIVED_CREDENTIALS: &str = "SELECT CAST(coalesce(sum(certificates_accepted), 0) AS BIGINT) FROM delivery";

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

/// Damages so far: all counted, the first thousand told.
#[derive(Default)]
struct Told {
    total: u64,
    damages: Vec<Damage>,
}

impl Told {
    fn tell(&mut self, kind: DamageKind, table: &str, key: String, entry: Option<i64>, found: impl Into<String>) {
        self.total += 1;
        if self.damages.len() < TOLD {
            let (table, entry, found) = (table.to_owned(), entry.map(Sequence), found.into());
            self.damages.push(Damage { kind, table, key, entry, found });
        }
    }

    /// Takes in what another found; a row that is gone is told once, by the first entry that misses it.
    fn take(&mut self, other: Self) {
        let more = other.total - other.damages.len() as u64;
        for damage in other.damages {
            let same = |d: &Damage| d.kind == DamageKind::Removed && d.table == damage.table && d.key == damage.key;
            if damage.kind == DamageKind::Removed && self.damages.iter().any(same) {
                continue;
            }
            self.total += 1;
            if self.damages.len() < TOLD {
                self.damages.push(damage);
            }
        }
        self.total += more;
    }
}

/// Puts together what the stretches come to.
struct Whole<'a> {
    c: &'a mut Connection,
    site: &'a str,
    check_head: Option<CheckHead<'a>>,
    told: Told,
    rows: u64,
    signed_heads: u64,
    /// The tree of the leaves as they are.
    tree: Frontier,
    /// Stored nodes above the stretches' roots that wait for their right neighbour.
    climb: Climb,
    heads: HashMap<u64, Vec<SignedHead>>,
    /// Entries of the backups that the book was put back from, in order, and when the log went on after each.
    restored: Vec<(u64, Option<i64>)>,
    /// Entries that the last good signed head covers.
    held: u64,
    gone: HashSet<i64>,
    settled: HashMap<&'static str, u64>,
    /// Digests of octets that proofs name.
    shared: HashSet<Vec<u8>>,
    far: Far<'a>,
}

impl Whole<'_> {
    /// The next stretch, which begins at `first`.
    fn take(&mut self, first: i64, stretch: Checked) -> Result<(), BookError> {
        let looked = stretch.hashes.len() as u64 + stretch.arrived;
        self.told.take(stretch.told);
        self.rows += stretch.rows;
        self.gone.extend(stretch.gone);
        self.shared.extend(stretch.shared);
        for (table, rows) in stretch.settled {
            *self.settled.entry(table).or_default() += rows;
        }
        for hash in stretch.hashes {
            self.tree.append(hash, |_| Ok(()))?;
            if self.heads.contains_key(&self.tree.size) {
                self.head_at(self.tree.size)?;
            }
        }
        self.far.pass(looked)?;
        let mut at = stretch.top.map(|hash| (TOP, first >> TOP, hash));
        while let Some((level, number, computed)) = at.and_then(|node| self.climb.step(node)) {
            let sql = "SELECT hash FROM log_node WHERE level = $1 AND number = $2";
            let kept = self.c.one(sql, params![i64::from(level), number])?.map(|row| row.array(0)).transpose()?;
            let last = ((number + 1) << level) - 1;
            at = Some((level, number, self.told.node(level, number, computed, kept, last)));
        }
        Ok(())
    }

    fn head_at(&mut self, size: u64) -> Result<(), BookError> {
        let root = self.tree.root();
        for head in self.heads.remove(&size).unwrap_or_default() {
            self.signed_heads += 1;
            let key = size.to_string();
            let statement = heads::statement(self.site, &head.head, micros(head.at))?;
            if statement != head.statement || self.check_head.is_some_and(|check| !check(&head)) {
                let found = "its signature is not over what it states";
                self.told.tell(DamageKind::Altered, "signed_head", key, None, found);
            } else if head.head.root != root {
                match self.lost_in_restore(&head) {
                    Some(found) => self.told.tell(DamageKind::Lost, "entry", key, None, found),
                    None => {
                        let found =
                            format!("an entry from {} to {} is not the one that was signed", self.held, size - 1);
                        self.told.tell(DamageKind::Altered, "signed_head", key, None, found);
                    }
                }
            } else {
                self.held = size;
            }
        }
        Ok(())
    }

    /// What became of the entries that a signed head covers, where the book was put back after it from a backup without
    /// them.
    fn lost_in_restore(&self, signed: &SignedHead) -> Option<String> {
        let size = signed.head.size;
        let after =
            |(ends, gone_on): &&(u64, Option<i64>)| *ends < size && gone_on.is_none_or(|at| micros(signed.at) <= at);
        let (ends, _) = self.restored.iter().find(after)?;
        Some(format!(
            "the head covers entries {ends} to {}, which are lost: the book was restored from a backup that ends before them",
            size - 1
        ))
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
            let found = format!("it is not the head of the {} entries in the book", self.tree.size);
            self.told.tell(DamageKind::Altered, "log_head", "1".into(), None, found);
        }
        let mut beyond: Vec<_> = std::mem::take(&mut self.heads).into_values().flatten().collect();
        beyond.sort_unstable_by_key(|signed| signed.head.size);
        beyond.dedup_by_key(|signed| signed.head.size);
        for signed in beyond {
            let (size, there) = (signed.head.size, self.tree.size);
            let (kind, found) = match self.lost_in_restore(&signed) {
                Some(found) => (DamageKind::Lost, found),
                None => {
                    let what = "it is an older copy, or its end was removed";
                    (DamageKind::Removed, format!("{size} entries were signed, but the book has {there}: {what}"))
                }
            };
            self.told.tell(kind, "entry", (size - 1).to_string(), None, found);
        }
        Ok(())
    }

    /// Octets that proofs name and that are not there.
    fn lost(&mut self, there: &HashSet<Vec<u8>>) {
        let mut lost: Vec<_> = self.shared.difference(there).map(hex::encode).collect();
        lost.sort_unstable();
        for digest in lost {
            self.told.tell(
                DamageKind::Removed,
                "octets",
                digest,
                None,
                "proofs refer to these bytes, but they are missing",
            );
        }
    }

    /// Rows that no entry vouches for.
    fn added(&mut self, counts: &Counts) -> Result<(), BookError> {
        for (table, there) in counts {
            let settled = self.settled.get(table.name).copied().unwrap_or(0);
            if u64::try_from(*there).ok() != Some(settled) {
                let gone = &self.gone;
                guards::find_added(self.c, &mut self.told, table, &|last| gone.contains(&last))?;
            }
        }
        Ok(())
    }
}

/// What needs no entry, but for SQLite's check of its file.
struct Unentered {
    counts: Counts,
    /// Digests of the shared octets that are there.
    octets: HashSet<Vec<u8>>,
    told: Told,
}

fn unentered(c: &mut Connection) -> Result<Unentered, BookError> {
    let mut told = Told::default();
    let counts = guards::counts(c)?;
    let octets = guards::octets(c, &mut told)?;
    guards::links(c, &mut told)?;
    Ok(Unentered { counts, octets, told })
}

fn file(c: &mut Connection) -> Result<Told, BookError> {
    let mut told = Told::default();
    guards::file(c, &mut told)?;
    Ok(told)
}

/// Checks stretches as they are handed out, until there are no more or nobody waits for them.
fn lane(
    c: &mut Connection,
    withdrawn: &Withdrawn,
    tickets: &Mutex<Receiver<i64>>,
    end: i64,
    tell: &Sender<(i64, Result<Checked, BookError>)>,
) {
    let mut lane = Lane::new(c, withdrawn);
    loop {
        // The lock is held while a ticket is waited for; whoever else wants one waits for the lock.
        let ticket = tickets.lock().unwrap_or_else(PoisonError::into_inner).recv();
        let Ok(first) = ticket else { return };
        if tell.send((first, lane.stretch(first, end))).is_err() {
            return;
        }
    }
}

fn stopped() -> BookError {
    BookError::damaged("a thread that verified the book ended without a result")
}

/// What a thread looks after before it takes stretches.
#[derive(Default)]
struct Apart {
    file: Option<Told>,
    unentered: Option<Unentered>,
}

/// Checks all, with one connection or several.
fn check(mut views: Vec<Connection>, whole: &mut Whole<'_>, end: i64) -> Result<(), BookError> {
    let firsts = || (0..end).step_by(STRETCH as usize);
    let withdrawn = &Withdrawn::read(whole.c)?;
    if views.len() < 2 {
        for first in firsts() {
            let checked = Lane::new(whole.c, withdrawn).stretch(first, end)?;
            whole.take(first, checked)?;
        }
        let unentered = unentered(whole.c)?;
        let file = file(whole.c)?;
        return conclude(whole, unentered, file);
    }
    let interrupts: Vec<_> = views.iter_mut().filter_map(Connection::interrupt).collect();
    let threads = views.len();
    let (tickets, waiting) = channel();
    let waiting = Mutex::new(waiting);
    let (tell, told) = channel();
    std::thread::scope(|scope| {
        let handles: Vec<_> = views
            .iter_mut()
            .enumerate()
            .map(|(number, view)| {
                let (tell, waiting) = (tell.clone(), &waiting);
                scope.spawn(move || -> Result<Apart, BookError> {
                    let mut apart = Apart::default();
                    match number {
                        0 => apart.file = Some(file(view)?),
                        1 => apart.unentered = Some(unentered(view)?),
                        _ => {}
                    }
                    lane(view, withdrawn, waiting, end, &tell);
                    Ok(apart)
                })
            })
            .collect();
        drop(tell);
        let put_together = put_together(whole, firsts(), (tickets, told), threads * AHEAD);
        if !matches!(put_together, Ok(true)) {
            // Nobody waits for the others' answers any more.
            interrupts.iter().for_each(|interrupt| interrupt());
        }
        let mut all = Apart::default();
        let mut failed = None;
        for handle in handles {
            match handle.join().map_err(|_| stopped()).flatten() {
                Ok(apart) => {
                    all.file = all.file.or(apart.file);
                    all.unentered = all.unentered.or(apart.unentered);
                }
                Err(error) => failed = failed.or(Some(error)),
            }
        }
        let done = put_together?;
        match (failed, all.unentered, all.file) {
            (Some(error), ..) => Err(error),
            (None, Some(unentered), Some(file)) if done => conclude(whole, unentered, file),
            _ => Err(stopped()),
        }
    })
}

/// A way to hand stretches out, and the way by which they come back.
type Ways = (Sender<i64>, Receiver<(i64, Result<Checked, BookError>)>);

/// Hands stretches out, no more than `ahead` before the last that was put together, and puts
/// together what they come to, in their order. False where nobody is left who would check one:
/// whoever failed says why.
fn put_together(
    whole: &mut Whole<'_>,
    firsts: impl Iterator<Item = i64> + Clone,
    (tickets, told): Ways,
    ahead: usize,
) -> Result<bool, BookError> {
    let mut more = firsts.clone();
    for first in more.by_ref().take(ahead) {
        // Where nobody takes it, nobody will answer either.
        let _ = tickets.send(first);
    }
    let mut early = BTreeMap::new();
    for first in firsts {
        let checked = loop {
            if let Some(checked) = early.remove(&first) {
                break checked;
            }
            let Ok((at, checked)) = told.recv() else { return Ok(false) };
            early.insert(at, checked?);
        };
        whole.take(first, checked)?;
        if let Some(next) = more.next() {
            let _ = tickets.send(next);
        }
    }
    Ok(true)
}

fn conclude(whole: &mut Whole<'_>, unentered: Unentered, file: Told) -> Result<(), BookError> {
    whole.head()?;
    whole.added(&unentered.counts)?;
    whole.lost(&unentered.octets);
    whole.told.take(unentered.told);
    whole.told.take(file);
    Ok(())
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
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        let mut views = self.same_views(cores.clamp(2, LANES) + 1)?;
        let mut c = views.pop().ok_or_else(stopped)?;
        let mut heads: HashMap<u64, Vec<SignedHead>> = HashMap::new();
        for row in c.all(&format!("SELECT {} FROM signed_head", SignedHead::COLUMNS), &[])? {
            let head = SignedHead::read(&row)?;
            heads.entry(head.head.size).or_default().push(head);
        }
        for head in kept {
            heads.entry(head.head.size).or_default().push(head.clone());
        }
        let total = ["SELECT size FROM log_head WHERE one = 1", ARRIVED_CHIPS, ARRIVED_CREDENTIALS];
        let total = total.iter().map(|sql| Ok(u64::try_from(c.number(sql, &[])?).unwrap_or(0)));
        let total = total.sum::<Result<u64, BookError>>()?;
        let sql =
            "SELECT r.entries, e.at FROM restored r LEFT JOIN entry e ON e.sequence = r.entries ORDER BY r.entries";
        let restored = c.all(sql, &[])?;
        let restored =
            restored.iter().map(|row| Ok((u64::try_from(row.int(0)?).unwrap_or(0), row.maybe(1, Row::int)?)));
        let restored = restored.collect::<Result<_, BookError>>()?;
        let end = c.number("SELECT coalesce(max(sequence) + 1, 0) FROM entry", &[])?;
        let mut whole = Whole {
            c: &mut c,
            site: self.site().site_id.as_str(),
            check_head,
            told: Told::default(),
            rows: 0,
            signed_heads: 0,
            tree: Frontier::default(),
            climb: Climb::default(),
            heads,
            restored,
            held: 0,
            gone: HashSet::new(),
            settled: HashMap::new(),
            shared: HashSet::new(),
            far: Far { watch, done: 0, total },
        };
        guards::schema(whole.c, &mut || self.location.connect(false), &mut whole.told)?;
        for (table, row) in self.unsealed(whole.c)? {
            let found = format!("{row} is not as an act of this site wrote it: its seal is missing or wrong");
            whole.told.tell(DamageKind::Altered, table, row, None, found);
        }
        check(views, &mut whole, end)?;
        let out = Verification {
            entries: whole.tree.size,
            root: whole.tree.root(),
            rows: whole.rows,
            signed_heads: whole.signed_heads,
            total: whole.told.total,
            damages: whole.told.damages,
        };
        self.undo(c);
        Ok(out)
    }
}
