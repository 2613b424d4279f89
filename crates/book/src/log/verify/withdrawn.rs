//! Which rows were withdrawn, and by which entry last.

use std::collections::HashMap;

use crate::engine::Connection;
use crate::error::BookError;

/// The last withdrawal of each key, by table and key. Few: what nothing depended on.
#[derive(Default)]
pub(super) struct Withdrawn(HashMap<String, HashMap<String, i64>>);

impl Withdrawn {
    pub(super) fn read(c: &mut Connection) -> Result<Self, BookError> {
        let mut out = Self::default();
        c.each("SELECT row_table, row_key, entry FROM withdrawn", &[], &mut |row| {
            let last = out.0.entry(row.text(0)?).or_default().entry(row.text(1)?).or_insert(-1);
            *last = row.int(2)?.max(*last);
            Ok(())
        })?;
        Ok(out)
    }

    /// The last entry that withdrew what stood under a key.
    pub(super) fn last(&self, table: &str, key: &str) -> Option<i64> {
        self.0.get(table)?.get(key).copied()
    }
}
