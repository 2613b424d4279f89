//! Large books of made-up units, for measurements: the real schema, and a log that
//! verifies.
//!
//! Only with the feature `made-up`, which no program that keeps real records turns
//! on. What stations would have done in months is written table by table, each in
//! the order of its units, by the rows and the digests that the acts themselves
//! leave (`begin_attempt`, `finish_attempt`, `receive_reel`, `store_delivery`,
//! `record_label`). A test holds one unit of each fate against those acts.
//!
//! What is made up: chips, keys, nonces and serial numbers are drawn from a digest
//! of their number, so that they are unique and as scattered as real ones;
//! certificates, signatures and passcodes are octets of the right length, which the
//! book does not judge. What differs from a book that stations filled: the pages of
//! one table lie together in the file, since it was filled at a stretch.

mod line;
mod log;
mod tables;

use time::OffsetDateTime;

use crate::engine::{Connection, Into, Mode, P, Row, Value, params};
use crate::error::BookError;
use crate::ids::{AuthorityName, DeclarationName, ProductName};
use crate::location::Location;
use crate::log::tree::Frontier;

/// What to make.
#[derive(Debug, Clone)]
pub struct Wish {
    /// Units, at least 1.
    pub units: u64,
    /// Chips on a reel, at least 1.
    pub per_reel: u64,
    /// Reels in stock beyond those: chips with credentials, and no unit yet.
    pub in_stock: u64,
    /// Units that the line makes in an hour.
    pub per_hour: u64,
    /// When the last attempt ended.
    pub end: OffsetDateTime,
    /// KiB of page cache. Keys come in no order: an index larger than this makes the
    /// work several times slower.
    pub cache_kib: u64,
    /// Threads that prepare rows.
    pub threads: usize,
    /// What the units are. In the book already.
    pub product: ProductName,
    /// The PAI that issued their credentials. In the book already.
    pub authority: AuthorityName,
    /// What is written into them. In the book already.
    pub declaration: DeclarationName,
}

/// What was made.
#[derive(Debug, Clone, serde::Serialize)]
pub struct Made {
    pub units: u64,
    /// Reels, those in stock too.
    pub reels: u64,
    /// Entries in the log.
    pub entries: i64,
    pub parts: Vec<(&'static str, f64)>,
}

/// What a made-up unit is called, to ask for it.
#[derive(Debug, Clone)]
pub struct Named {
    pub serial: String,
    pub chip_id: String,
    /// Serial number of its certificate, in hex.
    pub certificate: String,
    pub reel: String,
    /// The delivery of its credential.
    pub delivery: String,
}

impl Named {
    /// The unit of this number, counted from 0, in a book with so many chips on a reel.
    pub fn of(number: u64, per_reel: u64) -> Self {
        let (chip, reel) = (line::Chip::of(number), number / per_reel.max(1));
        Self {
            serial: line::serial(number),
            chip_id: chip.chip_id,
            certificate: hex::encode(chip.serial),
            reel: line::reel_name(reel),
            delivery: line::delivery_name(reel),
        }
    }
}

/// Reads every value of every row of every table once, in the order in which the
/// tables lie, and computes nothing: the least that whoever looks at a whole book must
/// do. How many rows there are.
///
/// # Errors
///
/// [`BookError`] where the book gave no answer, or is no file.
pub fn read_all(book: &crate::Book) -> Result<u64, BookError> {
    book.snapshot(|c| {
        let sqlite = c.as_sqlite().ok_or_else(|| BookError::damaged("only a book in a file is read like this"))?;
        let told = |e| crate::engine::sqlite_failed("reading everything", e);
        let sql = "SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY rowid";
        let mut tables = sqlite.raw.prepare(sql).map_err(told)?;
        let tables: Vec<String> =
            tables.query_map([], |row| row.get(0)).map_err(told)?.collect::<Result<_, _>>().map_err(told)?;
        let (mut rows, mut octets) = (0, 0);
        for table in tables {
            let mut all = sqlite.raw.prepare(&format!("SELECT * FROM {table}")).map_err(told)?;
            let width = all.column_count();
            let mut all = all.query([]).map_err(told)?;
            while let Some(row) = all.next().map_err(told)? {
                for column in 0..width {
                    octets += match row.get_ref(column).map_err(told)? {
                        rusqlite::types::ValueRef::Text(v) | rusqlite::types::ValueRef::Blob(v) => v.len(),
                        _ => 8,
                    };
                }
                rows += 1;
            }
        }
        std::hint::black_box(octets);
        Ok(rows)
    })
}

/// Tables whose keys come in no order, so that each unit falls on other pages of their indexes.
const SCATTERED: [&str; 4] = ["chip", "credential", "unit", "proof"];

/// Reads the indexes of those tables, each by a thread of its own: a site that has worked for weeks has
/// them in memory, and one that was just filled or started has not. How many entries they have.
///
/// # Errors
///
/// [`BookError`] where the book gave no answer, or is no file.
pub fn read_indexes(book: &crate::Book) -> Result<u64, BookError> {
    let mut named = Vec::new();
    book.read(|c| {
        for table in SCATTERED {
            for row in c.all("SELECT name FROM pragma_index_list($1) WHERE partial = 0", params![table])? {
                named.push((table, row.text(0)?));
            }
        }
        Ok(())
    })?;
    let read = |(table, index): (&str, String)| -> Result<i64, BookError> {
        book.location.connect(false)?.number(&format!("SELECT count(*) FROM {table} INDEXED BY {index}"), &[])
    };
    std::thread::scope(|scope| {
        let readers: Vec<_> = named.into_iter().map(|index| scope.spawn(|| read(index))).collect();
        let entries = readers.into_iter().map(|reader| {
            let read = reader.join().map_err(|_| BookError::damaged("a thread ended without an answer"))??;
            Ok(u64::try_from(read).unwrap_or(0))
        });
        entries.sum()
    })
}

/// What is the same for all units.
struct Ground {
    wish: Wish,
    purpose: String,
    pai: Vec<u8>,
    issuer_key_id: Vec<u8>,
    declaration: Vec<u8>,
    /// Entries that were there before.
    first: i64,
}

/// Fills a book that has a product, an authority and a declaration, and no reel yet.
/// Nobody else may have it open. A failure leaves it of no use: make it anew.
///
/// - `told`: the part that is being made, and units done of it.
///
/// # Errors
///
/// [`BookError`]; also for a book that is no file.
pub fn fill(location: &Location, wish: Wish, told: &mut dyn FnMut(&'static str, u64)) -> Result<Made, BookError> {
    if location.as_file().is_none() {
        return Err(BookError::damaged("a made-up book is a file"));
    }
    let mut c = location.connect(false)?;
    let (ground, frontier) = ground(&mut c, wish)?;
    let guards = unguarded(&mut c, ground.wish.cache_kib)?;
    let mut parts = Vec::new();
    for (name, part) in tables::PARTS {
        let begun = std::time::Instant::now();
        c.begin_as_is()?;
        part(&mut c, &ground, &mut |units| told(name, units))?;
        c.commit()?;
        parts.push((*name, begun.elapsed().as_secs_f64()));
    }
    let begun = std::time::Instant::now();
    c.begin_as_is()?;
    let entries = log::write(&mut c, &ground, frontier, &mut |units| told("log", units))?;
    c.commit()?;
    parts.push(("log", begun.elapsed().as_secs_f64()));
    for guard in guards {
        c.batch(&guard)?;
    }
    c.batch("PRAGMA locking_mode = NORMAL; PRAGMA journal_mode = WAL;")?;
    let reels = ground.reels();
    Ok(Made { units: ground.wish.units, reels, entries, parts })
}

/// Puts durability and triggers to rest for as long as it takes; the triggers are given back.
fn unguarded(c: &mut Connection, cache_kib: u64) -> Result<Vec<String>, BookError> {
    let guards = c.all("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'", &[])?;
    let mut out = Vec::new();
    for row in &guards {
        c.batch(&format!("DROP TRIGGER {}", row.text(0)?))?;
        out.push(row.text(1)?);
    }
    c.batch(&format!(
        "PRAGMA foreign_keys = OFF; PRAGMA journal_mode = OFF; PRAGMA locking_mode = EXCLUSIVE;
         PRAGMA synchronous = OFF; PRAGMA secure_delete = OFF; PRAGMA cache_size = -{cache_kib};"
    ))?;
    Ok(out)
}

fn ground(c: &mut Connection, wish: Wish) -> Result<(Ground, Frontier), BookError> {
    let missing = |what: &str| BookError::damaged(format!("the {what} of a made-up book is missing"));
    c.begin(Mode::Snapshot)?;
    if c.number("SELECT count(*) FROM reel", &[])? != 0 {
        return Err(BookError::damaged("the book that is to be filled has reels already"));
    }
    let row = c.one("SELECT purpose FROM product WHERE name = $1", params![wish.product.as_str()])?;
    let purpose = row.ok_or_else(|| missing("product"))?.text(0)?;
    let sql = "SELECT certificate, subject_key_id FROM authority WHERE name = $1 AND role = 'pai'";
    let row = c.one(sql, params![wish.authority.as_str()])?.ok_or_else(|| missing("PAI"))?;
    let (pai, issuer_key_id) = (row.bytes(0)?, row.bytes(1)?);
    let row = c.one("SELECT content FROM declaration WHERE name = $1", params![wish.declaration.as_str()])?;
    let declaration = row.ok_or_else(|| missing("declaration"))?.bytes(0)?;
    let row = c.one("SELECT size, peaks FROM log_head", &[])?.ok_or_else(|| missing("log's head"))?;
    let first = row.int(0)?;
    let frontier = Frontier::from_parts(u64::try_from(first).unwrap_or(0), &row.bytes(1)?)?;
    c.rollback()?;
    let wish = Wish { units: wish.units.max(1), per_reel: wish.per_reel.max(1), threads: wish.threads.max(1), ..wish };
    Ok((Ground { wish, purpose, pai, issuer_key_id, declaration, first }, frontier))
}

impl Connection {
    /// A transaction that leaves the cache's limit alone.
    fn begin_as_is(&mut self) -> Result<(), BookError> {
        self.batch("BEGIN IMMEDIATE")
    }
}

/// Writes rows that several threads prepare, in their order. `prepare` makes those of
/// a stretch of units, value by value.
fn pour<T: Send>(
    ground: &Ground,
    stretches: Vec<line::Stretch>,
    prepare: &(dyn Fn(&line::Stretch) -> Result<T, BookError> + Sync),
    mut write: impl FnMut(T) -> Result<(), BookError>,
    told: &mut dyn FnMut(u64),
) -> Result<(), BookError> {
    let threads = ground.wish.threads;
    let stretches = &stretches;
    std::thread::scope(|scope| {
        let mut lanes = Vec::new();
        for lane in 0..threads {
            let (send, receive) = std::sync::mpsc::sync_channel(4);
            scope.spawn(move || {
                for stretch in stretches.iter().skip(lane).step_by(threads) {
                    // The other end is gone once writing failed.
                    if send.send(prepare(stretch)).is_err() {
                        return;
                    }
                }
            });
            lanes.push(receive);
        }
        let mut done = 0;
        for (number, stretch) in stretches.iter().enumerate() {
            let prepared = lanes[number % threads].recv().map_err(|_| BookError::damaged("a thread stopped"))?;
            write(prepared?)?;
            done += stretch.units;
            told(done);
        }
        Ok(())
    })
}

/// Rows of one table, prepared.
struct Rows {
    values: Vec<Value>,
}

fn put(c: &mut Connection, into: &Into<'_>, rows: &Rows) -> Result<(), BookError> {
    let values: Vec<P<'_>> = rows.values.iter().map(Value::as_param).collect();
    c.insert_rows(into, &values).map(drop)
}

fn text(text: &str) -> Value {
    Value::Text(text.to_owned())
}

/// Values as a row, for its digest.
fn row(values: &[P<'_>]) -> Row {
    let owned = |p: &P<'_>| match *p {
        P::Null => Value::Null,
        P::Int(n) => Value::Int(n),
        P::Text(t) => Value::Text(t.to_owned()),
        P::Bytes(b) => Value::Bytes(b.to_vec()),
    };
    Row(values.iter().map(owned).collect())
}

#[cfg(test)]
mod tests;
