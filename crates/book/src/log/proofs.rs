//! Proofs that an entry is in the log, and that the log only grew.

use super::entry::Entry;
use super::tree::{self, Hash};
use crate::Book;
use crate::engine::{Connection, params};
use crate::error::BookError;
use crate::ids::Sequence;

/// That an entry is in the log (RFC 9162 §2.1.3); check it with [`tree::check_inclusion`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Inclusion {
    /// The entry; its leaf is what is proven.
    pub entry: Entry,
    /// Leaves of the tree that the path leads to.
    pub size: u64,
    pub root: Hash,
    /// Hashes from the leaf's neighbour upwards.
    pub path: Vec<Hash>,
}

/// That the log of `old_size` is the beginning of the log of `size` (RFC 9162
/// §2.1.4); check it with [`tree::check_consistency`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Consistency {
    pub old_size: u64,
    pub old_root: Hash,
    pub size: u64,
    pub root: Hash,
    pub path: Vec<Hash>,
}

/// Reads a complete node; level 0 is the leaves.
pub(crate) fn node(c: &mut Connection, level: u32, number: u64) -> Result<Hash, BookError> {
    let number = i64::try_from(number).map_err(|_| BookError::damaged("a node's number is too large"))?;
    let row = if level == 0 {
        c.one("SELECT hash FROM entry WHERE sequence = $1", params![number])?
    } else {
        c.one("SELECT hash FROM log_node WHERE level = $1 AND number = $2", params![i64::from(level), number])?
    };
    row.ok_or_else(|| BookError::damaged(format!("node {number} at level {level} of the log's tree is missing")))?
        .array(0)
}

pub(crate) fn size(c: &mut Connection) -> Result<u64, BookError> {
    let size = c.number("SELECT size FROM log_head WHERE one = 1", &[])?;
    u64::try_from(size).map_err(|_| BookError::damaged("the log's size is negative"))
}

/// The size asked for, or the present one; never beyond it.
fn wanted(c: &mut Connection, size_wanted: Option<u64>) -> Result<u64, BookError> {
    let now = size(c)?;
    match size_wanted {
        Some(wanted) if wanted > now => {
            Err(BookError::damaged(format!("the log has {now} entries, not the {wanted} asked for")))
        }
        Some(wanted) => Ok(wanted),
        None => Ok(now),
    }
}

impl Book {
    /// Proves that an entry is in the log of `size` entries (now, if not told);
    /// `None` where there is no such entry in it.
    ///
    /// # Errors
    ///
    /// [`BookError::Damaged`] where a node is missing or `size` was never reached.
    pub fn inclusion(&self, sequence: Sequence, size: Option<u64>) -> Result<Option<Inclusion>, BookError> {
        self.snapshot(|c| {
            let size = wanted(c, size)?;
            let sql = format!("SELECT {} FROM entry WHERE sequence = $1", Entry::COLUMNS);
            let Some(row) = c.one(&sql, params![sequence.0])? else { return Ok(None) };
            let leaf = u64::try_from(sequence.0).unwrap_or(u64::MAX);
            if leaf >= size {
                return Ok(None);
            }
            let mut nodes = |level, number| node(c, level, number);
            let root = tree::root_at(size, &mut nodes)?;
            let path = tree::inclusion(leaf, size, &mut nodes)?;
            Ok(Some(Inclusion { entry: Entry::read(&row)?, size, root, path }))
        })
    }

    /// Proves that the log of `old` entries is the beginning of that of `size`
    /// (now, if not told).
    ///
    /// # Errors
    ///
    /// [`BookError::Damaged`] where a node is missing or a size was never reached.
    pub fn consistency(&self, old: u64, size: Option<u64>) -> Result<Consistency, BookError> {
        self.snapshot(|c| {
            let size = wanted(c, size)?;
            if old > size {
                return Err(BookError::damaged(format!("a log of {size} entries does not begin with {old}")));
            }
            let mut nodes = |level, number| node(c, level, number);
            let old_root = tree::root_at(old, &mut nodes)?;
            let root = tree::root_at(size, &mut nodes)?;
            let path = if old == 0 { Vec::new() } else { tree::consistency(old, size, &mut nodes)? };
            Ok(Consistency { old_size: old, old_root, size, root, path })
        })
    }
}
