//! Declarations: what the alliance, or for tests this site, says of a product.

use serde_json::json;
use time::OffsetDateTime;

use crate::Book;
use crate::by::{By, moment};
use crate::engine::{Connection, Row, params};
use crate::error::BookError;
use crate::ids::{DeclarationName, Sequence};
use crate::log::{Draft, Subject, rows};
use crate::product::AddError;
use crate::words::{DeclarationOrigin, Purpose};

/// A declaration about to be added.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewDeclaration {
    /// Its name, unique in the book.
    pub name: DeclarationName,
    /// How it comes into the book.
    pub origin: DeclarationOrigin,
    /// Test or production, for ever.
    pub purpose: Purpose,
    /// The signed declaration, DER; unique in the book.
    pub content: Vec<u8>,
    /// The vendor it names.
    pub vendor_id: u16,
    /// The products it names.
    pub product_ids: Vec<u16>,
    pub certification_type: u8,
    /// Certificate of its signer, DER, where there is one.
    pub signer: Option<Vec<u8>>,
}

/// A declaration as it stands in the book.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Declaration {
    pub facts: NewDeclaration,
    pub added: OffsetDateTime,
    pub entry: Sequence,
}

const COLUMNS: &str =
    "name, origin, purpose, content, vendor_id, product_ids, certification_type, signer, added, entry";

impl Declaration {
    fn read(row: &Row) -> Result<Self, BookError> {
        let name = DeclarationName::kept(row.text(0)?);
        let wrong = |what: &str| BookError::damaged(format!("the {what} of declaration {name}"));
        let product_ids: Vec<u16> = row
            .text(5)?
            .split_whitespace()
            .map(|id| u16::from_str_radix(id, 16).map_err(|_| wrong("product ids")))
            .collect::<Result<_, _>>()?;
        Ok(Self {
            facts: NewDeclaration {
                origin: DeclarationOrigin::read(row, 1)?,
                purpose: Purpose::read(row, 2)?,
                content: row.bytes(3)?,
                vendor_id: u16::try_from(row.int(4)?).map_err(|_| wrong("vendor id"))?,
                product_ids,
                certification_type: u8::try_from(row.int(6)?).map_err(|_| wrong("type"))?,
                signer: row.maybe(7, Row::bytes)?,
                name: name.clone(),
            },
            added: moment(row.int(8)?)?,
            entry: Sequence(row.int(9)?),
        })
    }
}

pub(crate) fn read_declaration(c: &mut Connection, name: &DeclarationName) -> Result<Option<Declaration>, BookError> {
    let sql = format!("SELECT {COLUMNS} FROM declaration WHERE name = $1");
    c.one(&sql, params![name.as_str()])?.as_ref().map(Declaration::read).transpose()
}

impl Book {
    /// Adds a declaration.
    ///
    /// # Errors
    ///
    /// [`AddError`] says whether its name or its content is taken.
    pub fn add_declaration(&self, new: &NewDeclaration, by: &By) -> Result<Sequence, AddError> {
        let product_ids: Vec<_> = new.product_ids.iter().map(|id| format!("{id:04X}")).collect();
        let product_ids = product_ids.join(" ");
        self.write(|tx| {
            let sequence = tx.next_sequence()?;
            let added = tx.insert_new(
                &rows::DECLARATION,
                params![
                    new.name.as_str(),
                    new.origin.word(),
                    new.purpose.word(),
                    &new.content,
                    i64::from(new.vendor_id),
                    &product_ids,
                    i64::from(new.certification_type),
                    new.signer.as_ref(),
                    by.micros(),
                    sequence,
                ],
            )?;
            if added.is_none() {
                let known = tx.one("SELECT name FROM declaration WHERE content = $1", params![&new.content])?;
                return Err(match known {
                    Some(row) => AddError::Known { what: "declaration", name: row.text(0)? },
                    None => AddError::NameTaken { what: "declaration", name: new.name.to_string() },
                });
            }
            let act = match new.origin {
                DeclarationOrigin::Made => "declaration.make",
                DeclarationOrigin::Adopted => "declaration.adopt",
            };
            let body = json!({
                "purpose": new.purpose,
                "vendor_id": format!("{:04X}", new.vendor_id),
                "product_ids": product_ids,
                "certification_type": new.certification_type,
            });
            Ok(tx.append(Draft::new(act, Subject::Declaration(new.name.clone()), body), by)?)
        })
    }

    /// The declaration of this name.
    pub fn declaration(&self, name: &DeclarationName) -> Result<Option<Declaration>, BookError> {
        self.read(|c| read_declaration(c, name))
    }

    /// All declarations, by name.
    pub fn declarations(&self) -> Result<Vec<Declaration>, BookError> {
        let sql = format!("SELECT {COLUMNS} FROM declaration ORDER BY name");
        self.read(|c| c.all(&sql, &[]))?.iter().map(Declaration::read).collect()
    }

    /// Those that name this vendor and product, the newest first.
    pub fn declarations_for(&self, vendor_id: u16, product_id: u16) -> Result<Vec<Declaration>, BookError> {
        let sql = format!("SELECT {COLUMNS} FROM declaration WHERE vendor_id = $1 ORDER BY entry DESC");
        let rows = self.read(|c| c.all(&sql, params![i64::from(vendor_id)]))?;
        let mut found: Vec<_> = rows.iter().map(Declaration::read).collect::<Result<_, _>>()?;
        found.retain(|d| d.facts.product_ids.contains(&product_id));
        Ok(found)
    }
}
