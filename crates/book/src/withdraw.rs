//! Taking back what nothing depends on yet: a reel, a delivery, an authority, a declaration.
//!
//! The rows go, so that names, chip ids, keys and certificates are free again. What they
//! were stands in the entry that withdraws them, which `withdrawn` names by table and key:
//! by it triggers let the rows go, and verifying knows why they are not there.

use serde_json::{Value as Json, json};
use sha2::{Digest, Sha256};

use crate::Book;
use crate::authority::read_authority;
use crate::by::{By, rfc3339};
use crate::declaration::{Declaration, read_declaration};
use crate::delivery::{Delivery, read_delivery};
use crate::engine::{Connection, params};
use crate::error::{Blame, BookError};
use crate::ids::{AuthorityName, DeclarationName, DeliveryId, ReelId, Sequence};
use crate::log::{Draft, Subject, rows};
use crate::product::parsed;
use crate::reel::read_reel;
use crate::transaction::Tx;
use crate::words::{AuthorityOrigin, Purpose};

const UNIT: &str = "unit";
const USED_CERTIFICATE: &str = "spent or revoked certificate";
const SCRAPPED_CHIP: &str = "scrapped chip";
const DIVISION: &str = "division";
const ENROLMENT: &str = "enrolment";

/// Dependents that are named; the rest are counted.
const NAMED: i64 = 3;

/// Things of one kind that depend on another.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dependent {
    /// The kind, in the singular: `unit`.
    pub what: &'static str,
    pub count: i64,
    /// The first of them, by name.
    pub first: Vec<String>,
}

impl Dependent {
    /// Whether nothing ever takes it back.
    fn is_for_good(&self) -> bool {
        matches!(self.what, UNIT | USED_CERTIFICATE | SCRAPPED_CHIP | DIVISION | ENROLMENT)
    }
}

impl std::fmt::Display for Dependent {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let more = if self.count > NAMED { ", …" } else { "" };
        match self.what.strip_suffix('y') {
            _ if self.count == 1 => write!(f, "1 {}", self.what)?,
            Some(stem) => write!(f, "{} {stem}ies", self.count)?,
            None => write!(f, "{} {}s", self.count, self.what)?,
        }
        if self.first.is_empty() { Ok(()) } else { write!(f, " ({}{more})", self.first.join(", ")) }
    }
}

/// All that depends on something.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Dependents(pub Vec<Dependent>);

impl std::fmt::Display for Dependents {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let all: Vec<_> = self.0.iter().map(ToString::to_string).collect();
        match all.split_last() {
            Some((last, rest)) if !rest.is_empty() => write!(f, "{} and {last}", rest.join(", ")),
            _ => f.write_str(&all.join("")),
        }
    }
}

impl Dependents {
    /// Looks for dependents: `name` is what they are called, `from` the rest of the question about `key`.
    pub(crate) fn find(
        &mut self,
        c: &mut Connection,
        what: &'static str,
        name: &str,
        from: &str,
        key: &str,
    ) -> Result<(), BookError> {
        let count = c.number(&format!("SELECT count(*) FROM {from}"), params![key])?;
        if count > 0 {
            let first = c.all(&format!("SELECT {name} FROM {from} ORDER BY {name} LIMIT {NAMED}"), params![key])?;
            let first = first.iter().map(|row| row.text(0)).collect::<Result<_, _>>()?;
            self.0.push(Dependent { what, count, first });
        }
        Ok(())
    }

    /// Refuses where there is one.
    pub(crate) fn none(self, what: &'static str, name: &str, act: &'static str) -> Result<(), DependsError> {
        if self.0.is_empty() {
            return Ok(());
        }
        Err(DependsError::Depends { what, name: name.to_owned(), act, by: self })
    }
}

/// Why something was not withdrawn or changed. Nothing was done.
#[derive(Debug, thiserror::Error)]
pub enum DependsError {
    /// No such thing is in the book.
    #[error("{what} {name} does not exist")]
    Unknown {
        /// Product, reel, delivery or authority.
        what: &'static str,
        name: String,
    },
    /// Something depends on it.
    #[error("{what} {name} can't {act}: {by} depend{} on it", if is_one(.by) { "s" } else { "" })]
    Depends {
        /// Product, reel, delivery or authority.
        what: &'static str,
        name: String,
        /// What was asked for: `be withdrawn`.
        act: &'static str,
        /// What depends on it.
        by: Dependents,
    },
    /// The book gave no answer.
    #[error(transparent)]
    Book(#[from] BookError),
}

fn is_one(by: &Dependents) -> bool {
    matches!(by.0.as_slice(), [one] if one.count == 1)
}

impl DependsError {
    /// Whose move it is.
    pub fn blame(&self) -> Blame {
        match self {
            Self::Unknown { .. } => Blame::Usage,
            Self::Depends { .. } => Blame::Refused,
            Self::Book(error) => error.blame(),
        }
    }

    /// The next move, as a sentence.
    pub fn advice(&self) -> String {
        match self {
            Self::Unknown { .. } => "Check the name.".into(),
            // Who would withdraw the delivery first would only meet its units there.
            Self::Depends { what, by, .. } if *what != "product" && by.0.iter().any(Dependent::is_for_good) => {
                format!(
                    "It stays in the book, and so does what depends on it: units, used chips, divisions and enrolments are never taken back. \
                     Leave the {what} as it is. Scrap the units that must not be shipped and the blank chips that must \
                     not be used; use another {what} for what is still to come."
                )
            }
            Self::Depends { what, by, .. } => {
                let first = by.0.first().map_or(("", ""), |d| (d.what, d.first.first().map_or("", String::as_str)));
                match (*what, first) {
                    (_, (kind @ ("reel" | "delivery" | "authority"), name)) => {
                        format!("Withdraw {kind} {name} first; it can be received or adopted again afterwards.")
                    }
                    ("product", _) => {
                        "Add another product for units to come; those made so far keep what they were made with.".into()
                    }
                    _ => "It stays as it is. Nothing was changed.".into(),
                }
            }
            Self::Book(error) => error.advice(),
        }
    }
}

/// A reel that was withdrawn.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WithdrawnReel {
    /// The product that it was for.
    pub product: String,
    /// Chips that are unknown again.
    pub chips: i64,
    /// Names of the order files that were written for it.
    pub orders: Vec<String>,
    /// Stations that were set up with it and have no reel now.
    pub stations: Vec<String>,
    pub entry: Sequence,
}

/// A delivery that was withdrawn.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WithdrawnDelivery {
    /// The reel that it was for.
    pub reel: String,
    /// Certificates that are unknown again.
    pub certificates: i64,
    /// Intermediates that had come with it and went with it.
    pub authorities: Vec<String>,
    pub entry: Sequence,
}

/// An authority that was withdrawn.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WithdrawnAuthority {
    /// How it had come into the book.
    pub origin: AuthorityOrigin,
    /// Where its key is, where it is here.
    pub key_reference: Option<String>,
    pub entry: Sequence,
}

/// A declaration that was withdrawn.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WithdrawnDeclaration {
    /// Test or production, as it was.
    pub purpose: Purpose,
    pub entry: Sequence,
}

/// Notes that what stands under a key of a table is withdrawn.
fn note(tx: &mut Tx<'_>, table: &rows::Table, key: &str) -> Result<(), BookError> {
    let sequence = tx.next_sequence()?;
    let sql = "INSERT INTO withdrawn (row_key, row_table, entry) VALUES ($1, $2, $3)";
    tx.change_one(&rows::WITHDRAWN, sql, params![key, table.name, sequence]).map(drop)
}

/// Holds a row against all who would point at it. Before the head is taken: whoever
/// stores for hours points at it first, and takes the head last.
fn hold(tx: &mut Tx<'_>, table: &rows::Table, key: &str) -> Result<(), BookError> {
    if !tx.is_sqlite() {
        tx.one(&format!("SELECT 1 FROM {} WHERE {} = $1 FOR UPDATE", table.name, table.key[0]), params![key])?;
    }
    tx.next_sequence().map(drop)
}

/// Notes and deletes an authority; what it was.
fn remove_authority(tx: &mut Tx<'_>, name: &str) -> Result<Json, BookError> {
    let known = read_authority(tx, name)?.ok_or_else(|| BookError::damaged(format!("authority {name} is missing")))?;
    note(tx, &rows::AUTHORITY, name)?;
    tx.run("DELETE FROM authority WHERE name = $1", params![name])?;
    Ok(json!({
        "name": name,
        "role": known.facts.role,
        "origin": known.facts.origin.word(),
        "purpose": known.facts.purpose,
        "subject_key_id": hex::encode(&known.facts.subject_key_id),
        "sha256": hex::encode(Sha256::digest(&known.facts.certificate)),
        "key": known.facts.key_reference,
        "added": rfc3339(crate::by::micros(known.added))?,
    }))
}

/// What depends on an authority.
fn on_authority(c: &mut Connection, name: &str) -> Result<Dependents, BookError> {
    let mut by = Dependents::default();
    by.find(c, "authority", "name", "authority WHERE issuer = $1", name)?;
    by.find(c, "delivery", "delivery", "delivery_authority WHERE authority = $1", name)?;
    by.find(c, ENROLMENT, "path", "enrolment WHERE issuer = $1", name)?;
    // Of an intermediate, its own deliveries; of a root, those under its intermediates.
    if by.0.iter().any(|d| d.what != ENROLMENT) {
        let units = "delivery_authority d JOIN credential k ON k.delivery = d.delivery \
                     JOIN chip c ON c.public_key = k.public_key JOIN unit u ON u.chip_id = c.chip_id \
                     WHERE d.authority = $1 OR d.authority IN (SELECT name FROM authority WHERE issuer = $1)";
        by.find(c, UNIT, "u.serial", units, name)?;
    }
    for (what, from) in [
        ("revocation request", "revocation_request WHERE issuer = $1"),
        ("revocation list", "revocation_list WHERE issuer = $1"),
    ] {
        let count = c.number(&format!("SELECT count(*) FROM {from}"), params![name])?;
        if count > 0 {
            by.0.push(Dependent { what, count, first: Vec::new() });
        }
    }
    Ok(by)
}

/// Later deliveries for the reel that brought certificates which were here already: without this one, their files
/// could not be received again for the chips that it leaves without.
fn leaning_on(c: &mut Connection, delivery: &Delivery) -> Result<Vec<String>, BookError> {
    let sql = "SELECT delivery_id, report FROM delivery WHERE reel = $1 AND entry > $2 ORDER BY entry DESC";
    let mut later = Vec::new();
    for row in c.all(sql, params![delivery.reel.as_str(), delivery.entry.0])? {
        let report = parsed(&row.text(1)?, "a delivery's report")?;
        if report["certificates"]["already"].as_u64().is_some_and(|n| n > 0) {
            later.push(row.text(0)?);
        }
    }
    Ok(later)
}

impl Book {
    /// Withdraws a reel with no delivery, no unit and no chip scrapped, with the orders
    /// written for it and the stations set up with it.
    ///
    /// # Errors
    ///
    /// [`DependsError`]; nothing is changed then.
    pub fn withdraw_reel(&self, reel: &ReelId, by: &By) -> Result<WithdrawnReel, DependsError> {
        let id = reel.as_str();
        self.write(|tx| {
            hold(tx, &rows::REEL, id)?;
            let unknown = || DependsError::Unknown { what: "reel", name: id.to_owned() };
            let known = read_reel(tx, reel)?.ok_or_else(unknown)?;
            let mut on = Dependents::default();
            on.find(tx, "delivery", "delivery_id", "delivery WHERE reel = $1", id)?;
            on.find(tx, UNIT, "serial", "unit WHERE reel = $1", id)?;
            on.find(tx, DIVISION, "reel", "reel_split WHERE source = $1 OR origin = $1 OR reel = $1", id)?;
            on.find(tx, SCRAPPED_CHIP, "chip_id", "chip WHERE reel = $1 AND state = 'scrapped'", id)?;
            on.none("reel", id, "be withdrawn")?;
            let orders = tx.all("SELECT number, file_name FROM order_written WHERE reel = $1", params![id])?;
            let orders =
                orders.iter().map(|row| Ok((row.int(0)?, row.text(1)?))).collect::<Result<Vec<_>, BookError>>()?;
            let stations = tx.all("SELECT station FROM station_setup WHERE reel = $1 ORDER BY station", params![id])?;
            let stations = stations.iter().map(|row| row.text(0)).collect::<Result<Vec<_>, _>>()?;
            note(tx, &rows::REEL, id)?;
            for (number, _) in &orders {
                let key = format!("{id}/{number}");
                note(tx, &rows::ORDER, &key)?;
                // Orders of before version 6 have none.
                let sql = "SELECT 1 FROM order_places WHERE reel = $1 AND number = $2";
                if tx.one(sql, params![id, *number])?.is_some() {
                    note(tx, &rows::ORDER_PLACES, &key)?;
                }
            }
            for station in &stations {
                let sql = "SELECT 1 FROM station_firmware WHERE station = $1";
                if tx.one(sql, params![station])?.is_some() {
                    note(tx, &rows::STATION_FIRMWARE, station)?;
                    tx.run("DELETE FROM station_firmware WHERE station = $1", params![station])?;
                }
                note(tx, &rows::STATION_SETUP, station)?;
                tx.run("DELETE FROM station_setup WHERE station = $1", params![station])?;
            }
            for sql in [
                "DELETE FROM order_places WHERE reel = $1",
                "DELETE FROM order_written WHERE reel = $1",
                "DELETE FROM chip WHERE reel = $1",
                "DELETE FROM reel WHERE reel_id = $1",
            ] {
                tx.run(sql, params![id])?;
            }
            let orders: Vec<_> = orders.into_iter().map(|(_, file)| file).collect();
            let body = json!({
                "product": known.facts.product,
                "purpose": known.purpose,
                "source": { "name": known.facts.source_name, "sha256": hex::encode(known.facts.source_digest) },
                "chips": known.chips,
                "received": rfc3339(crate::by::micros(known.received))?,
                "orders": orders,
                "stations": stations,
            });
            let entry = tx.append(Draft::new("reel.withdraw", Subject::Reel(reel.clone()), body), by)?;
            let product = known.facts.product.to_string();
            Ok(WithdrawnReel { product, chips: known.chips, orders, stations, entry })
        })
    }

    /// Withdraws a delivery of which no certificate was used, with the intermediates that
    /// came with it and that nothing else depends on.
    ///
    /// # Errors
    ///
    /// [`DependsError`]; nothing is changed then.
    pub fn withdraw_delivery(&self, delivery: &DeliveryId, by: &By) -> Result<WithdrawnDelivery, DependsError> {
        let id = delivery.as_str();
        self.write(|tx| {
            hold(tx, &rows::DELIVERY, id)?;
            let unknown = || DependsError::Unknown { what: "delivery", name: id.to_owned() };
            let known = read_delivery(tx, delivery)?.ok_or_else(unknown)?;
            let mut on = Dependents::default();
            let units = "credential k JOIN chip c ON c.public_key = k.public_key JOIN unit u ON u.chip_id = c.chip_id \
                         WHERE k.delivery = $1";
            on.find(tx, UNIT, "u.serial", units, id)?;
            let used = "SELECT count(*) FROM credential k JOIN chip c ON c.public_key = k.public_key WHERE k.delivery = $1 \
                        AND k.state <> 'available' AND NOT EXISTS (SELECT 1 FROM unit u WHERE u.chip_id = c.chip_id)";
            let count = tx.number(used, params![id])?;
            if count > 0 {
                on.0.push(Dependent { what: USED_CERTIFICATE, count, first: Vec::new() });
            }
            let parts = "reel_split s JOIN delivery v ON v.reel = s.source WHERE v.delivery_id = $1 AND s.certificates > 0";
            on.find(tx, DIVISION, "s.reel", parts, id)?;
            let later = leaning_on(tx, &known)?;
            if !later.is_empty() {
                let count = i64::try_from(later.len()).unwrap_or(i64::MAX);
                let first = later.into_iter().take(NAMED as usize).collect();
                on.0.push(Dependent { what: "delivery", count, first });
            }
            on.none("delivery", id, "be withdrawn")?;
            let issuers = tx.all(
                "SELECT a.name, a.origin FROM delivery_authority d JOIN authority a ON a.name = d.authority \
                 WHERE d.delivery = $1 ORDER BY a.name",
                params![id],
            )?;
            note(tx, &rows::DELIVERY, id)?;
            if !issuers.is_empty() {
                note(tx, &rows::DELIVERY_AUTHORITY, id)?;
            }
            for sql in [
                "DELETE FROM credential WHERE delivery = $1",
                "DELETE FROM delivery_authority WHERE delivery = $1",
                "DELETE FROM delivery WHERE delivery_id = $1",
            ] {
                tx.run(sql, params![id])?;
            }
            let (mut authorities, mut told) = (Vec::new(), Vec::new());
            for row in issuers {
                let (name, origin) = (row.text(0)?, AuthorityOrigin::read(&row, 1)?);
                if origin == AuthorityOrigin::Delivered && on_authority(tx, &name)?.0.is_empty() {
                    told.push(remove_authority(tx, &name)?);
                    authorities.push(name);
                }
            }
            let body = json!({
                "reel": known.reel,
                "purpose": known.purpose,
                "origin": known.origin.word(),
                "verdict": known.verdict,
                "source": { "name": known.source_name, "sha256": hex::encode(known.content_digest) },
                "read": known.certificates_read,
                "accepted": known.certificates_accepted,
                "received": rfc3339(crate::by::micros(known.received))?,
                "authorities": told,
            });
            let entry = tx.append(Draft::new("delivery.withdraw", Subject::Delivery(delivery.clone()), body), by)?;
            let (reel, certificates) = (known.reel.to_string(), known.certificates_accepted);
            Ok(WithdrawnDelivery { reel, certificates, authorities, entry })
        })
    }

    /// Withdraws an authority under which nothing was received, issued or revoked.
    ///
    /// # Errors
    ///
    /// [`DependsError`]; nothing is changed then.
    pub fn withdraw_authority(&self, name: &AuthorityName, by: &By) -> Result<WithdrawnAuthority, DependsError> {
        self.write(|tx| {
            hold(tx, &rows::AUTHORITY, name.as_str())?;
            let unknown = || DependsError::Unknown { what: "authority", name: name.to_string() };
            let known = read_authority(tx, name.as_str())?.ok_or_else(unknown)?.facts;
            on_authority(tx, name.as_str())?.none("authority", name.as_str(), "be withdrawn")?;
            let body = remove_authority(tx, name.as_str())?;
            let entry = tx.append(Draft::new("authority.withdraw", Subject::Authority(name.clone()), body), by)?;
            Ok(WithdrawnAuthority { origin: known.origin, key_reference: known.key_reference, entry })
        })
    }

    /// Withdraws a declaration that was written into no chip, nor was about to be.
    ///
    /// # Errors
    ///
    /// [`DependsError`]; nothing is changed then.
    pub fn withdraw_declaration(&self, name: &DeclarationName, by: &By) -> Result<WithdrawnDeclaration, DependsError> {
        let id = name.as_str();
        self.write(|tx| {
            hold(tx, &rows::DECLARATION, id)?;
            let unknown = || DependsError::Unknown { what: "declaration", name: id.to_owned() };
            let known = read_declaration(tx, name)?.ok_or_else(unknown)?;
            let mut on = Dependents::default();
            on.find(tx, UNIT, "unit", "(SELECT DISTINCT unit FROM attempt WHERE declaration = $1) a", id)?;
            on.none("declaration", id, "be withdrawn")?;
            note(tx, &rows::DECLARATION, id)?;
            tx.run("DELETE FROM declaration WHERE name = $1", params![id])?;
            let Declaration { facts, added, .. } = known;
            let body = json!({
                "origin": facts.origin.word(),
                "purpose": facts.purpose,
                "vendor_id": format!("{:04X}", facts.vendor_id),
                "product_ids": facts.product_ids.iter().map(|id| format!("{id:04X}")).collect::<Vec<_>>().join(" "),
                "certification_type": facts.certification_type,
                "sha256": hex::encode(Sha256::digest(&facts.content)),
                "added": rfc3339(crate::by::micros(added))?,
            });
            let entry = tx.append(Draft::new("declaration.withdraw", Subject::Declaration(name.clone()), body), by)?;
            Ok(WithdrawnDeclaration { purpose: facts.purpose, entry })
        })
    }
}
