//! Cartons: which unit is in which, the pallet that a carton is on, the shipment that it is in.
//!
//! A unit is in one carton at most, and only one that passed is packed. What becomes of it later, a return or scrapping,
//! leaves it where it was packed, until somebody takes it out.

use serde::Serialize;
use serde_json::json;
use time::OffsetDateTime;

use crate::Book;
use crate::by::{By, moment};
use crate::engine::{Connection, Row, Value, params};
use crate::error::{Blame, BookError};
use crate::ids::{Actor, PackName, ProductName, UnitSerial};
use crate::list::Page;
use crate::log::{Draft, Subject, rows};
use crate::transaction::Tx;
use crate::unit::{self, UnitError};
use crate::words::{PackKind, UnitState};

/// A carton, a pallet or a shipment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PackedIn {
    pub kind: PackKind,
    pub name: PackName,
}

impl PackedIn {
    /// The units in it, as a question with its name at a place.
    pub(crate) fn units(&self, place: &str) -> String {
        match self.kind {
            PackKind::Carton => format!("SELECT p.unit FROM packed p WHERE p.carton = {place}"),
            PackKind::Pallet | PackKind::Shipment => format!(
                "SELECT p.unit FROM carton b JOIN packed p ON p.carton = b.carton WHERE b.{} = {place}",
                self.kind.word()
            ),
        }
    }
}

/// A carton.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Carton {
    pub carton: PackName,
    /// The product of its first units.
    pub product: ProductName,
    /// Whether units of other products may be in it.
    pub mixed: bool,
    pub pallet: Option<PackName>,
    pub shipment: Option<PackName>,
    /// When its first unit was packed.
    pub began: OffsetDateTime,
    /// Units in it now.
    pub units: i64,
}

/// Where a unit is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Packed {
    pub carton: PackName,
    pub pallet: Option<PackName>,
    pub shipment: Option<PackName>,
    pub at: OffsetDateTime,
    pub by: Actor,
}

/// What is to be packed.
#[derive(Debug, Clone, Copy)]
pub struct Packing<'a> {
    pub carton: &'a PackName,
    /// None where only pallet or shipment are recorded.
    pub units: &'a [UnitSerial],
    /// The pallet that the carton is on from now on; as it was where none is given.
    pub pallet: Option<&'a PackName>,
    /// The shipment that it is in from now on.
    pub shipment: Option<&'a PackName>,
    /// Whether units of several products may be in it.
    pub mixed: bool,
}

/// Why nothing was packed, or taken out.
#[derive(Debug, thiserror::Error)]
pub enum PackError {
    /// It is not one that can be packed.
    #[error("unit {unit} is {state}, and only a unit that passed is packed")]
    State { unit: UnitSerial, state: UnitState },
    /// Nobody can use it.
    #[error("the certificate of unit {unit} is revoked")]
    Revoked { unit: UnitSerial },
    /// It is elsewhere.
    #[error("unit {unit} is in carton {carton}")]
    Elsewhere { unit: UnitSerial, carton: PackName },
    /// A carton has one product.
    #[error("unit {unit} is a {product}, and carton {carton} is one of {has}")]
    OtherProduct { unit: UnitSerial, product: ProductName, carton: PackName, has: ProductName },
    /// A name that differs in letter case alone.
    #[error("there is a carton {known}")]
    Similar { known: PackName },
    /// No such carton.
    #[error("there is no carton {carton}")]
    NoCarton { carton: PackName },
    /// It is not in that carton.
    #[error("unit {unit} is not in carton {carton}")]
    NotIn { unit: UnitSerial, carton: PackName },
    /// The unit is not in the book, or can't be read.
    #[error(transparent)]
    Unit(#[from] UnitError),
    /// The book gave no answer. Nothing was changed.
    #[error(transparent)]
    Book(#[from] BookError),
}

impl PackError {
    /// Whose move it is.
    pub fn blame(&self) -> Blame {
        match self {
            Self::NoCarton { .. } => Blame::Usage,
            Self::Unit(error) => error.blame(),
            Self::Book(error) => error.blame(),
            _ => Blame::Refused,
        }
    }

    /// The next move, as a sentence.
    pub fn advice(&self) -> String {
        match self {
            Self::State { .. } => "Put it aside. No unit was packed.".into(),
            Self::Revoked { .. } => "Put it aside: swap its board, or scrap it. No unit was packed.".into(),
            Self::Elsewhere { unit, carton } => {
                format!("Take it out there first: `touchmark carton unpack {carton} {unit}`. No unit was packed.")
            }
            Self::OtherProduct { .. } => {
                "Use another carton, or allow several products with `--mixed`. No unit was packed.".into()
            }
            Self::Similar { known } => format!("Use {known}, or a name that differs in more than letter case."),
            Self::NoCarton { .. } => "Its first unit makes a carton. See `touchmark carton list`.".into(),
            Self::NotIn { .. } => "Look where it is with `touchmark unit show`. No unit was taken out.".into(),
            Self::Unit(error) => error.advice(),
            Self::Book(error) => error.advice(),
        }
    }
}

const COLUMNS: &str = "b.carton, b.product, b.mixed, b.pallet, b.shipment, b.began, \
                       (SELECT count(*) FROM packed p WHERE p.carton = b.carton)";

impl Carton {
    fn read(row: &Row) -> Result<Self, BookError> {
        Ok(Self {
            carton: PackName::kept(row.text(0)?),
            product: ProductName::kept(row.text(1)?),
            mixed: row.int(2)? == 1,
            pallet: row.maybe(3, Row::text)?.map(PackName::kept),
            shipment: row.maybe(4, Row::text)?.map(PackName::kept),
            began: moment(row.int(5)?)?,
            units: row.int(6)?,
        })
    }
}

fn read_carton(c: &mut Connection, carton: &PackName) -> Result<Option<Carton>, BookError> {
    let sql = format!("SELECT {COLUMNS} FROM carton b WHERE b.carton = $1");
    c.one(&sql, params![carton.as_str()])?.as_ref().map(Carton::read).transpose()
}

pub(crate) fn read_packed(c: &mut Connection, unit: &str) -> Result<Option<Packed>, BookError> {
    let sql = "SELECT p.carton, b.pallet, b.shipment, p.at, p.actor FROM packed p JOIN carton b ON b.carton = p.carton \
               WHERE p.unit = $1";
    let row = c.one(sql, params![unit])?;
    row.map(|row| {
        Ok(Packed {
            carton: PackName::kept(row.text(0)?),
            pallet: row.maybe(1, Row::text)?.map(PackName::kept),
            shipment: row.maybe(2, Row::text)?.map(PackName::kept),
            at: moment(row.int(3)?)?,
            by: Actor::kept(row.text(4)?),
        })
    })
    .transpose()
}

fn subject(carton: &PackName) -> Subject {
    Subject::Other("carton", carton.to_string())
}

/// The carton that is to be filled, with the log's head taken: as it is, or new with the product of its first unit.
fn filled(tx: &mut Tx<'_>, packing: &Packing<'_>, first: Option<&ProductName>, by: &By) -> Result<Carton, PackError> {
    let sequence = tx.next_sequence()?;
    let (pallet, shipment) = (packing.pallet.map(PackName::as_str), packing.shipment.map(PackName::as_str));
    if let Some(known) = read_carton(tx, packing.carton)? {
        let changes = |now: Option<&PackName>, was: &Option<PackName>| now.is_some() && now != was.as_ref();
        if changes(packing.pallet, &known.pallet)
            || changes(packing.shipment, &known.shipment)
            || (packing.mixed && !known.mixed)
        {
            tx.change_one(
                &rows::CARTON,
                "UPDATE carton SET pallet = coalesce($1, pallet), shipment = coalesce($2, shipment), \
                 mixed = CASE WHEN $3 = 1 THEN 1 ELSE mixed END, entry = $4 WHERE carton = $5",
                params![pallet, shipment, i64::from(packing.mixed), sequence, packing.carton.as_str()],
            )?;
        }
        return Ok(Carton { mixed: known.mixed || packing.mixed, ..known });
    }
    let similar = "SELECT carton FROM carton WHERE upper(carton) = upper($1)";
    if let Some(row) = tx.one(similar, params![packing.carton.as_str()])? {
        return Err(PackError::Similar { known: PackName::kept(row.text(0)?) });
    }
    let Some(product) = first else { return Err(PackError::NoCarton { carton: packing.carton.clone() }) };
    let (carton, mixed) = (packing.carton.as_str(), i64::from(packing.mixed));
    tx.insert(&rows::CARTON, params![carton, product.as_str(), mixed, pallet, shipment, by.micros(), sequence])?;
    Ok(Carton {
        carton: packing.carton.clone(),
        product: product.clone(),
        mixed: packing.mixed,
        pallet: packing.pallet.cloned(),
        shipment: packing.shipment.cloned(),
        began: by.at,
        units: 0,
    })
}

fn is_revoked(tx: &mut Tx<'_>, unit: &UnitSerial) -> Result<bool, BookError> {
    let sql = "SELECT 1 FROM unit u JOIN chip c ON c.chip_id = u.chip_id JOIN credential k ON k.public_key = c.public_key \
               WHERE u.serial = $1 AND k.state = 'revoked'";
    Ok(tx.one(sql, params![unit.as_str()])?.is_some())
}

impl Book {
    /// Packs units into a carton, all or none, and records the pallet that it is on and the shipment that it is in. Units
    /// that are in it already stay. The answer has the units that were added.
    ///
    /// # Errors
    ///
    /// [`PackError`] names the first unit that can't be packed; nothing was changed then.
    pub fn pack(&self, packing: &Packing<'_>, by: &By) -> Result<(Carton, Vec<UnitSerial>), PackError> {
        let mut units = packing.units.to_vec();
        units.sort();
        units.dedup();
        self.write(|tx| {
            // All chips before the log, as every act does.
            units.iter().try_for_each(|unit| unit::locked(tx, unit).map(drop))?;
            tx.next_sequence()?;
            let mut found = Vec::with_capacity(units.len());
            for serial in &units {
                found.push(unit::locked_at_head(tx, serial)?.0);
            }
            let before = read_carton(tx, packing.carton)?;
            let carton = filled(tx, packing, found.first().map(|unit| &unit.product), by)?;
            let sequence = tx.next_sequence()?;
            let mut added = Vec::new();
            for unit in &found {
                let serial = unit.serial.clone();
                match read_packed(tx, serial.as_str())? {
                    Some(known) if known.carton == carton.carton => continue,
                    Some(known) => return Err(PackError::Elsewhere { unit: serial, carton: known.carton }),
                    None => {}
                }
                if unit.state != UnitState::Passed {
                    return Err(PackError::State { unit: serial, state: unit.state });
                }
                if is_revoked(tx, &serial)? {
                    return Err(PackError::Revoked { unit: serial });
                }
                if unit.product != carton.product && !carton.mixed {
                    let (product, has) = (unit.product.clone(), carton.product);
                    return Err(PackError::OtherProduct { unit: serial, product, carton: carton.carton, has });
                }
                tx.change_one(
                    &rows::PACKED,
                    "INSERT INTO packed (unit, carton, at, actor, entry) VALUES ($1, $2, $3, $4, $5) \
                     ON CONFLICT (unit) DO UPDATE SET carton = excluded.carton, at = excluded.at, \
                     actor = excluded.actor, entry = excluded.entry",
                    params![serial.as_str(), carton.carton.as_str(), by.micros(), by.actor.as_str(), sequence],
                )?;
                added.push(serial);
            }
            let now = read_carton(tx, packing.carton)?.unwrap_or(carton);
            if before.as_ref() != Some(&now) {
                let mut body =
                    json!({ "units": added, "pallet": now.pallet, "shipment": now.shipment, "mixed": now.mixed });
                if let Some(was) = before {
                    body["was"] = json!({ "pallet": was.pallet, "shipment": was.shipment });
                }
                tx.append(Draft::new("carton.pack", subject(&now.carton), body), by)?;
            }
            Ok((now, added))
        })
    }

    /// Takes units out of a carton, all or none.
    ///
    /// # Errors
    ///
    /// [`PackError::NotIn`] names the first that is not in it; nothing was changed then.
    pub fn unpack(&self, carton: &PackName, units: &[UnitSerial], by: &By) -> Result<Carton, PackError> {
        let mut units = units.to_vec();
        units.sort();
        units.dedup();
        self.write(|tx| {
            units.iter().try_for_each(|unit| unit::locked(tx, unit).map(drop))?;
            let sequence = tx.next_sequence()?;
            read_carton(tx, carton)?.ok_or_else(|| PackError::NoCarton { carton: carton.clone() })?;
            for unit in &units {
                if read_packed(tx, unit.as_str())?.is_none_or(|known| known.carton != *carton) {
                    return Err(PackError::NotIn { unit: unit.clone(), carton: carton.clone() });
                }
                tx.change_one(
                    &rows::PACKED,
                    "UPDATE packed SET carton = NULL, at = $1, actor = $2, entry = $3 WHERE unit = $4",
                    params![by.micros(), by.actor.as_str(), sequence, unit.as_str()],
                )?;
            }
            tx.append(Draft::new("carton.unpack", subject(carton), json!({ "units": units })), by)?;
            read_carton(tx, carton)?.ok_or_else(|| PackError::NoCarton { carton: carton.clone() })
        })
    }

    /// A carton of this name, in any letter case.
    pub fn carton(&self, name: &PackName) -> Result<Option<Carton>, BookError> {
        let sql = format!("SELECT {COLUMNS} FROM carton b WHERE upper(b.carton) = upper($1)");
        self.read(|c| c.one(&sql, params![name.as_str()]))?.as_ref().map(Carton::read).transpose()
    }

    /// Cartons in the order of their names, after one of them: all, or those on a pallet or in a shipment.
    pub fn cartons(
        &self,
        of: Option<&PackedIn>,
        after: Option<&PackName>,
        limit: u32,
    ) -> Result<Page<Carton, PackName>, BookError> {
        let after = after.map_or("", PackName::as_str);
        let mut values = vec![Value::Text(after.to_owned()), Value::Int(i64::from(limit) + 1)];
        let only = of.map_or_else(String::new, |of| {
            values.push(Value::Text(of.name.to_string()));
            format!("b.{} = $3 AND ", of.kind.word())
        });
        let sql = format!("SELECT {COLUMNS} FROM carton b WHERE {only}b.carton > $1 ORDER BY b.carton LIMIT $2");
        let values: Vec<_> = values.iter().map(Value::as_param).collect();
        let rows = self.read(|c| c.all(&sql, &values))?;
        Page::cut(rows.iter().map(Carton::read).collect::<Result<_, _>>()?, limit, |carton| carton.carton.clone())
    }

    /// Cartons, pallets and shipments of this name, as it is typed or in one letter case; of each kind so many.
    pub fn packs_named(&self, text: &str, limit: u32) -> Result<Vec<PackedIn>, BookError> {
        let mut found = Vec::new();
        for kind in [PackKind::Carton, PackKind::Pallet, PackKind::Shipment] {
            let column = kind.word();
            let sql = format!(
                "SELECT DISTINCT {column} FROM carton WHERE {column} IN ($1, upper($1), lower($1)) ORDER BY 1 LIMIT $2"
            );
            for row in self.read(|c| c.all(&sql, params![text, i64::from(limit)]))? {
                found.push(PackedIn { kind, name: PackName::kept(row.text(0)?) });
            }
        }
        Ok(found)
    }
}
