//! Products: what a unit is going to be.

use serde_json::{Value as Json, json};
use time::OffsetDateTime;

use crate::Book;
use crate::by::{By, moment};
use crate::engine::{Row, params};
use crate::error::{Blame, BookError};
use crate::ids::{ProductName, Sequence};
use crate::log::{Draft, Subject, rows};
use crate::withdraw::{Dependents, DependsError};
use crate::words::Purpose;

/// A product about to be added.
#[derive(Debug, Clone, PartialEq)]
pub struct NewProduct {
    /// Its name, unique in the book.
    pub name: ProductName,
    pub purpose: Purpose,
    pub vendor_id: u16,
    pub product_id: u16,
    pub device_type: u32,
    /// Ways of being reached, as the caller writes them.
    pub reach: String,
    /// Commissioning flow, as the caller writes it.
    pub flow: String,
    /// Settings of the rooms, kept as given.
    pub settings: Json,
    /// Further objects for the chip, kept as given.
    pub objects: Json,
}

/// A product as it stands in the book.
#[derive(Debug, Clone, PartialEq)]
pub struct Product {
    pub facts: NewProduct,
    pub added: OffsetDateTime,
    pub entry: Sequence,
}

/// Why something with a name was not added.
#[derive(Debug, thiserror::Error)]
pub enum AddError {
    /// The name is taken.
    #[error("{what} {name} already exists")]
    NameTaken {
        /// Product, authority or declaration.
        what: &'static str,
        name: String,
    },
    /// The same octets stand in the book under another name.
    #[error("this {what} is already in the book, as {name}")]
    Known { what: &'static str, name: String },
    /// What it points at is not there.
    #[error("there is no {what} named {name}")]
    Unknown {
        /// Authority, for one that was named as issuer.
        what: &'static str,
        name: String,
    },
    /// Something else points at it, so it stays.
    #[error("{by} requires the {what} {name}, so it was not removed")]
    InUse { what: &'static str, name: String, by: String },
    /// The book gave no answer. Nothing was added.
    #[error(transparent)]
    Book(#[from] BookError),
}

impl AddError {
    /// Whose move it is.
    pub fn blame(&self) -> Blame {
        match self {
            Self::Book(error) => error.blame(),
            _ => Blame::Refused,
        }
    }

    /// The next move, as a sentence.
    pub fn advice(&self) -> String {
        match self {
            Self::NameTaken { what, .. } => format!("Choose another name, or use the existing {what}."),
            Self::Known { name, .. } => format!("Use it by its name, {name}."),
            Self::Unknown { what, .. } => format!("Add the {what} first."),
            Self::InUse { what, by, .. } => format!("Take the {what} from {by} first."),
            Self::Book(error) => error.advice(),
        }
    }
}

/// Canonical text of what the caller gave as JSON.
pub(crate) fn canonical(json: &Json) -> Result<String, BookError> {
    serde_json_canonicalizer::to_string(json)
        .map_err(|e| BookError::Database { doing: "writing JSON".into(), source: e.into() })
}

pub(crate) fn parsed(text: &str, of: &str) -> Result<Json, BookError> {
    serde_json::from_str(text).map_err(|e| BookError::damaged(format!("{of} is not JSON: {e}")))
}

const COLUMNS: &str = "name, purpose, vendor_id, product_id, device_type, reach, flow, settings, objects, added, entry";

impl Product {
    fn read(row: &Row) -> Result<Self, BookError> {
        let name = ProductName::kept(row.text(0)?);
        let number = |column| {
            u32::try_from(row.int(column)?).map_err(|_| BookError::damaged(format!("a number of product {name}")))
        };
        let short =
            |column| u16::try_from(number(column)?).map_err(|_| BookError::damaged(format!("an id of product {name}")));
        Ok(Self {
            facts: NewProduct {
                purpose: Purpose::read(row, 1)?,
                vendor_id: short(2)?,
                product_id: short(3)?,
                device_type: number(4)?,
                reach: row.text(5)?,
                flow: row.text(6)?,
                settings: parsed(&row.text(7)?, "a product's settings")?,
                objects: parsed(&row.text(8)?, "a product's objects")?,
                name: name.clone(),
            },
            added: moment(row.int(9)?)?,
            entry: Sequence(row.int(10)?),
        })
    }
}

impl Book {
    /// Adds a product.
    ///
    /// # Errors
    ///
    /// [`AddError::NameTaken`] where the name is in use.
    pub fn add_product(&self, new: &NewProduct, by: &By) -> Result<Sequence, AddError> {
        let (settings, objects) = (canonical(&new.settings)?, canonical(&new.objects)?);
        self.write(|tx| {
            let sequence = tx.next_sequence()?;
            // Names that differ in their letter case alone are one, since people read them as one.
            if let Some(row) =
                tx.one("SELECT name FROM product WHERE upper(name) = upper($1)", params![new.name.as_str()])?
            {
                return Err(AddError::NameTaken { what: "product", name: row.text(0)? });
            }
            let added = tx.insert_new(
                &rows::PRODUCT,
                params![
                    new.name.as_str(),
                    new.purpose.word(),
                    i64::from(new.vendor_id),
                    i64::from(new.product_id),
                    i64::from(new.device_type),
                    &new.reach,
                    &new.flow,
                    &settings,
                    &objects,
                    by.micros(),
                    sequence,
                ],
            )?;
            if added.is_none() {
                return Err(AddError::NameTaken { what: "product", name: new.name.to_string() });
            }
            let body = json!({
                "purpose": new.purpose,
                "vendor_id": format!("{:04X}", new.vendor_id),
                "product_id": format!("{:04X}", new.product_id),
            });
            Ok(tx.append(Draft::new("product.add", Subject::Product(new.name.clone()), body), by)?)
        })
    }

    /// Changes a product: what its reels depend on (identifiers, purpose) while it has none,
    /// all else while no unit was begun. Asking for what is so changes nothing.
    ///
    /// - `free`: whether units do not depend on what changes in `settings`.
    /// - `said`: what changes, for the entry.
    ///
    /// # Errors
    ///
    /// [`DependsError`] names and counts what depends on it.
    pub fn update_product(
        &self,
        new: &NewProduct,
        free: bool,
        said: &Json,
        by: &By,
    ) -> Result<Option<Sequence>, DependsError> {
        let (settings, objects) = (canonical(&new.settings)?, canonical(&new.objects)?);
        self.write(|tx| {
            tx.one("SELECT 1 FROM product p WHERE name = $1 {lock:p}", params![new.name.as_str()])?;
            // From the head on nobody else makes a reel or a unit.
            let sequence = tx.next_sequence()?;
            let unknown = || DependsError::Unknown { what: "product", name: new.name.to_string() };
            let old = read_product(tx, new.name.as_str())?.ok_or_else(unknown)?.facts;
            if old == *new {
                return Ok(None);
            }
            let identity = |p: &NewProduct| (p.purpose, p.vendor_id, p.product_id);
            let rest = |p: &NewProduct| (p.device_type, p.reach.clone(), p.flow.clone(), p.objects.clone());
            let mut by_what = Dependents::default();
            if identity(&old) != identity(new) {
                by_what.find(tx, "reel", "reel_id", "reel WHERE product = $1", new.name.as_str())?;
            }
            if rest(&old) != rest(new) || (old.settings != new.settings && !free) {
                by_what.find(tx, "unit", "serial", "unit WHERE product = $1", new.name.as_str())?;
            }
            by_what.none("product", new.name.as_str(), "be changed like this")?;
            tx.change_one(
                &rows::PRODUCT,
                "UPDATE product SET purpose = $2, vendor_id = $3, product_id = $4, device_type = $5, reach = $6, \
                 flow = $7, settings = $8, objects = $9, entry = $10 WHERE name = $1",
                params![
                    new.name.as_str(),
                    new.purpose.word(),
                    i64::from(new.vendor_id),
                    i64::from(new.product_id),
                    i64::from(new.device_type),
                    &new.reach,
                    &new.flow,
                    &settings,
                    &objects,
                    sequence,
                ],
            )?;
            let draft = Draft::new("product.update", Subject::Product(new.name.clone()), json!({ "changed": said }));
            Ok(Some(tx.append(draft, by)?))
        })
    }

    /// The product of this name.
    pub fn product(&self, name: &ProductName) -> Result<Option<Product>, BookError> {
        self.read(|c| read_product(c, name.as_str()))
    }

    /// All products, by name.
    pub fn products(&self) -> Result<Vec<Product>, BookError> {
        let sql = format!("SELECT {COLUMNS} FROM product ORDER BY name");
        self.read(|c| c.all(&sql, &[]))?.iter().map(Product::read).collect()
    }
}

pub(crate) fn read_product(c: &mut crate::engine::Connection, name: &str) -> Result<Option<Product>, BookError> {
    let sql = format!("SELECT {COLUMNS} FROM product WHERE name = $1");
    c.one(&sql, params![name])?.as_ref().map(Product::read).transpose()
}
