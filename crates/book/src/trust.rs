//! Trust sets: what an ecosystem trusts and insists on, as the caller writes it;
//! and which of them a product must please. Both are written anew at each change.

use serde_json::{Value as Json, json};
use time::OffsetDateTime;

use crate::Book;
use crate::by::{By, moment};
use crate::engine::{Connection, Row, params};
use crate::error::BookError;
use crate::ids::{ProductName, Sequence, TrustSetName};
use crate::log::{Draft, Subject, rows};
use crate::product::{AddError, canonical, parsed};

/// A trust set as it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct TrustSet {
    pub name: TrustSetName,
    /// How often it was written, itself included.
    pub number: i64,
    /// What it trusts and insists on, as the caller wrote it.
    pub content: Json,
    /// When it was written.
    pub added: OffsetDateTime,
    pub entry: Sequence,
}

fn read(row: &Row) -> Result<(TrustSet, bool), BookError> {
    let set = TrustSet {
        name: TrustSetName::kept(row.text(0)?),
        number: row.int(1)?,
        content: parsed(&row.text(3)?, "a trust set")?,
        added: moment(row.int(4)?)?,
        entry: Sequence(row.int(5)?),
    };
    Ok((set, row.int(2)? != 0))
}

const COLUMNS: &str = "t.name, t.number, t.removed, t.content, t.added, t.entry";

fn newest(c: &mut Connection, name: &str) -> Result<Option<(TrustSet, bool)>, BookError> {
    let sql = format!("SELECT {COLUMNS} FROM trust_set t WHERE t.name = $1 ORDER BY t.number DESC LIMIT 1");
    c.one(&sql, params![name])?.as_ref().map(read).transpose()
}

fn named_by(c: &mut Connection, product: &str) -> Result<(i64, Vec<TrustSetName>), BookError> {
    let sql = "SELECT number, trust_sets FROM product_trust WHERE product = $1 ORDER BY number DESC LIMIT 1";
    let Some(row) = c.one(sql, params![product])? else { return Ok((0, Vec::new())) };
    let names = parsed(&row.text(1)?, "a product's trust sets")?;
    let names = names.as_array().into_iter().flatten().filter_map(Json::as_str);
    Ok((row.int(0)?, names.map(|name| TrustSetName::kept(name.to_owned())).collect()))
}

impl Book {
    /// Writes a trust set, for the first time or anew. Returns how often it was written.
    pub fn put_trust_set(&self, name: &TrustSetName, content: &Json, by: &By) -> Result<i64, BookError> {
        self.write(|tx| {
            let sequence = tx.next_sequence()?;
            let known = newest(tx.connection(), name.as_str())?;
            if let Some((set, false)) = &known
                && set.content == *content
            {
                return Ok(set.number);
            }
            let number = known.map_or(1, |(set, _)| set.number + 1);
            write(tx, name, number, false, content, by, sequence)?;
            let body = json!({ "number": number });
            tx.append(Draft::new("trust-set.put", Subject::Other("trust set", name.to_string()), body), by)?;
            Ok(number)
        })
    }

    /// Removes a trust set from use; what it was stays told.
    ///
    /// # Errors
    ///
    /// [`AddError::Unknown`] where there is none, [`AddError::Known`] where a product names it.
    pub fn remove_trust_set(&self, name: &TrustSetName, by: &By) -> Result<(), AddError> {
        self.write(|tx| {
            let sequence = tx.next_sequence()?;
            let unknown = || AddError::Unknown { what: "trust set", name: name.to_string() };
            let (set, removed) = newest(tx.connection(), name.as_str())?.ok_or_else(unknown)?;
            if removed {
                return Err(unknown());
            }
            for row in tx.all("SELECT DISTINCT product FROM product_trust ORDER BY product", &[])? {
                let product = row.text(0)?;
                if named_by(tx.connection(), &product)?.1.contains(name) {
                    return Err(AddError::InUse { what: "trust set", name: name.to_string(), by: product });
                }
            }
            write(tx, name, set.number + 1, true, &set.content, by, sequence)?;
            tx.append(Draft::new("trust-set.remove", Subject::Other("trust set", name.to_string()), json!({})), by)?;
            Ok(())
        })
    }

    /// The trust set of this name, as it stands now.
    pub fn trust_set(&self, name: &TrustSetName) -> Result<Option<TrustSet>, BookError> {
        let found = self.read(|c| newest(c, name.as_str()))?;
        Ok(found.filter(|(_, removed)| !removed).map(|(set, _)| set))
    }

    /// All trust sets in use, by name.
    pub fn trust_sets(&self) -> Result<Vec<TrustSet>, BookError> {
        let sql = format!(
            "SELECT {COLUMNS} FROM trust_set t WHERE NOT EXISTS (SELECT 1 FROM trust_set m WHERE m.name = t.name \
             AND m.number > t.number) ORDER BY t.name"
        );
        let all = self.read(|c| c.all(&sql, &[]))?.iter().map(read).collect::<Result<Vec<_>, _>>()?;
        Ok(all.into_iter().filter(|(_, removed)| !removed).map(|(set, _)| set).collect())
    }

    /// Says which trust sets a product must please, in place of those it named before.
    ///
    /// # Errors
    ///
    /// [`AddError::Unknown`] where the product or one of the sets is not there.
    pub fn set_product_trust(&self, product: &ProductName, sets: &[TrustSetName], by: &By) -> Result<(), AddError> {
        self.write(|tx| {
            let sequence = tx.next_sequence()?;
            let there = tx.one("SELECT 1 FROM product WHERE name = $1", params![product.as_str()])?;
            if there.is_none() {
                return Err(AddError::Unknown { what: "product", name: product.to_string() });
            }
            for name in sets {
                if newest(tx.connection(), name.as_str())?.is_none_or(|(_, removed)| removed) {
                    return Err(AddError::Unknown { what: "trust set", name: name.to_string() });
                }
            }
            let (number, before) = named_by(tx.connection(), product.as_str())?;
            if before == sets {
                return Ok(());
            }
            let names = canonical(&json!(sets))?;
            tx.insert(&rows::PRODUCT_TRUST, params![product.as_str(), number + 1, &names, by.micros(), sequence])?;
            let body = json!({ "trust_sets": sets });
            tx.append(Draft::new("product.update", Subject::Product(product.clone()), body), by)?;
            Ok(())
        })
    }

    /// The trust sets that a product must please.
    pub fn product_trust(&self, product: &ProductName) -> Result<Vec<TrustSetName>, BookError> {
        Ok(self.read(|c| named_by(c, product.as_str()))?.1)
    }
}

fn write(
    tx: &mut crate::transaction::Tx<'_>,
    name: &TrustSetName,
    number: i64,
    removed: bool,
    content: &Json,
    by: &By,
    sequence: i64,
) -> Result<(), BookError> {
    let content = canonical(content)?;
    tx.insert(&rows::TRUST_SET, params![name.as_str(), number, i64::from(removed), &content, by.micros(), sequence])
        .map(drop)
}
