//! Copies of what seldom changes: a station asks for the same product and the same PAI with
//! every unit, and a question to a server is a way there and back. A copy holds as long as
//! the row names the entry that it named when it was read.

use std::collections::{HashMap, HashSet};
use std::sync::{Mutex, PoisonError};

use crate::authority::{Authority, read_authority};
use crate::engine::Connection;
use crate::error::BookError;
use crate::ids::{AuthorityName, ReelId};
use crate::product::{Product, read_product};

/// Entries after which a shelf is cleared; a site has a handful of each.
const ROOM: usize = 1000;

/// Copies of rows. Only what was read in a transaction or committed by this process gets here.
#[derive(Default)]
pub(crate) struct Known {
    products: Mutex<HashMap<ReelId, Product>>,
    authorities: Mutex<HashMap<AuthorityName, Authority>>,
    octets: Mutex<HashSet<[u8; 32]>>,
}

fn get<K: std::hash::Hash + Eq, V: Clone>(shelf: &Mutex<HashMap<K, V>>, key: &K) -> Option<V> {
    shelf.lock().unwrap_or_else(PoisonError::into_inner).get(key).cloned()
}

fn put<K: std::hash::Hash + Eq, V>(shelf: &Mutex<HashMap<K, V>>, key: K, value: V) {
    let mut shelf = shelf.lock().unwrap_or_else(PoisonError::into_inner);
    if shelf.len() >= ROOM {
        shelf.clear();
    }
    shelf.insert(key, value);
}

impl Known {
    /// The product of a reel.
    ///
    /// - `entry`: the last entry about that product.
    pub(crate) fn product(&self, c: &mut Connection, reel: &ReelId, entry: Option<i64>) -> Result<Product, BookError> {
        if let Some(product) = get(&self.products, reel).filter(|p| Some(p.entry.0) == entry) {
            return Ok(product);
        }
        let gone = || BookError::damaged(format!("reel {reel} is for no product"));
        let sql = "SELECT product FROM reel WHERE reel_id = $1";
        let name = c.one(sql, crate::engine::params![reel.as_str()])?.ok_or_else(gone)?.text(0)?;
        let product = read_product(c, &name)?.ok_or_else(gone)?;
        put(&self.products, reel.clone(), product.clone());
        Ok(product)
    }

    /// An authority.
    ///
    /// - `entry`: the last entry about it.
    pub(crate) fn authority(
        &self,
        c: &mut Connection,
        name: &AuthorityName,
        entry: Option<i64>,
    ) -> Result<Authority, BookError> {
        if let Some(authority) = get(&self.authorities, name).filter(|a| Some(a.entry.0) == entry) {
            return Ok(authority);
        }
        let authority = read_authority(c, name.as_str())?
            .ok_or_else(|| BookError::damaged(format!("authority {name} is missing")))?;
        put(&self.authorities, name.clone(), authority.clone());
        Ok(authority)
    }

    /// Whether content with this digest is certainly in the book.
    pub(crate) fn has_octets(&self, digest: &[u8; 32]) -> bool {
        self.octets.lock().unwrap_or_else(PoisonError::into_inner).contains(digest)
    }

    /// Content with these digests was committed.
    pub(crate) fn committed_octets(&self, digests: impl IntoIterator<Item = [u8; 32]>) {
        let mut shelf = self.octets.lock().unwrap_or_else(PoisonError::into_inner);
        if shelf.len() >= ROOM {
            shelf.clear();
        }
        shelf.extend(digests);
    }
}
