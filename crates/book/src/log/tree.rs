//! The Merkle tree over the log's leaves (RFC 9162 §2.1), kept in the book.
//!
//! The book stores every complete node once and the frontier: the peaks of the
//! complete subtrees at the right edge. Appending a leaf touches the peaks and
//! adds, on average, one node; proofs read a few nodes. Which nodes a proof
//! takes, and whether one holds, is the library's business (`ct-merkle`).

use ct_merkle::{
    ConsistencyProof, InclusionProof, RootHash, indices_for_consistency_proof, indices_for_inclusion_proof,
};
use sha2::{Digest, Sha256};

use crate::error::BookError;

/// A node's or a tree's hash: SHA-256.
pub type Hash = [u8; 32];

/// Hash of a leaf: `SHA-256(00 || leaf)` (RFC 9162 §2.1.1).
pub fn leaf_hash(leaf: &[u8]) -> Hash {
    Sha256::new_with_prefix([0]).chain_update(leaf).finalize().into()
}

/// Hash of an inner node: `SHA-256(01 || left || right)` (RFC 9162 §2.1.1).
pub(crate) fn node_hash(left: &Hash, right: &Hash) -> Hash {
    Sha256::new_with_prefix([1]).chain_update(left).chain_update(right).finalize().into()
}

/// A complete subtree's root, by the height above the leaves and its number at that height.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Node {
    pub(crate) level: u32,
    pub(crate) number: u64,
    pub(crate) hash: Hash,
}

/// The right edge of the tree: one peak for each bit of the size, largest first.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Frontier {
    pub(crate) size: u64,
    peaks: Vec<Hash>,
}

impl Frontier {
    pub(crate) fn from_parts(size: u64, peaks: &[u8]) -> Result<Self, BookError> {
        let (peaks, rest) = peaks.as_chunks::<32>();
        if !rest.is_empty() || peaks.len() != size.count_ones() as usize {
            return Err(BookError::damaged(format!("the log's head does not fit its size of {size}")));
        }
        Ok(Self { size, peaks: peaks.to_vec() })
    }

    pub(crate) fn peaks(&self) -> Vec<u8> {
        self.peaks.concat()
    }

    /// Adds a leaf; the complete nodes that it makes are handed to `made`.
    pub(crate) fn append(
        &mut self,
        leaf: Hash,
        mut made: impl FnMut(Node) -> Result<(), BookError>,
    ) -> Result<(), BookError> {
        let mut hash = leaf;
        for level in 1..=self.size.trailing_ones() {
            let Some(left) = self.peaks.pop() else {
                return Err(BookError::damaged("the log's head lacks a peak"));
            };
            hash = node_hash(&left, &hash);
            made(Node { level, number: self.size >> level, hash })?;
        }
        self.peaks.push(hash);
        self.size += 1;
        Ok(())
    }

    /// The tree's hash (RFC 9162 §2.1.1); of no leaves, that of nothing.
    pub(crate) fn root(&self) -> Hash {
        fold(&self.peaks).unwrap_or_else(|| Sha256::digest([]).into())
    }
}

/// Joins peaks from the right.
fn fold(peaks: &[Hash]) -> Option<Hash> {
    let (last, rest) = peaks.split_last()?;
    Some(rest.iter().rev().fold(*last, |right, left| node_hash(left, &right)))
}

/// Reads complete nodes: `(level, number)`; level 0 is the leaves' hashes.
pub(crate) type Nodes<'a> = dyn FnMut(u32, u64) -> Result<Hash, BookError> + 'a;

/// Hash over the leaves from `first` to `end`, where `first` is a multiple of a
/// power of two that is not smaller than their number.
fn over(first: u64, end: u64, nodes: &mut Nodes<'_>) -> Result<Hash, BookError> {
    let (mut at, mut peaks) = (first, Vec::new());
    while at < end {
        let level = (end - at).ilog2();
        peaks.push(nodes(level, at >> level)?);
        at += 1 << level;
    }
    Ok(fold(&peaks).unwrap_or_else(|| Sha256::digest([]).into()))
}

/// The tree's hash when it had `size` leaves.
pub(crate) fn root_at(size: u64, nodes: &mut Nodes<'_>) -> Result<Hash, BookError> {
    over(0, size, nodes)
}

/// The nodes that the library names by its own index (RFC 9420 appendix C), in a tree of `size`.
fn at_indices(indices: Vec<u64>, size: u64, nodes: &mut Nodes<'_>) -> Result<Vec<Hash>, BookError> {
    let value = |index: u64| {
        let level = index.trailing_ones();
        let first = (index + 1 - (1 << level)) / 2;
        over(first, size.min(first + (1 << level)), nodes)
    };
    indices.into_iter().map(value).collect()
}

/// The path from a leaf to the root of a tree of `size` (RFC 9162 §2.1.3).
pub(crate) fn inclusion(leaf: u64, size: u64, nodes: &mut Nodes<'_>) -> Result<Vec<Hash>, BookError> {
    at_indices(indices_for_inclusion_proof(size, leaf), size, nodes)
}

/// That the tree of `old` leaves is the beginning of that of `size` (RFC 9162 §2.1.4).
/// `old` is at least 1.
pub(crate) fn consistency(old: u64, size: u64, nodes: &mut Nodes<'_>) -> Result<Vec<Hash>, BookError> {
    at_indices(indices_for_consistency_proof(old, size - old), size, nodes)
}

/// Whether `path` proves that `leaf` stands at `sequence` in the tree of `size` with this `root`.
pub fn check_inclusion(leaf: &[u8], sequence: u64, size: u64, root: &Hash, path: &[Hash]) -> bool {
    let Ok(proof) = InclusionProof::<Sha256>::try_from_bytes(path.concat()) else { return false };
    sequence < size
        && size <= i64::MAX as u64
        && RootHash::<Sha256>::new((*root).into(), size).verify_inclusion(&leaf, sequence, &proof).is_ok()
}

/// Whether `path` proves that the tree of `old` leaves is the beginning of that of `size`.
pub fn check_consistency(old: u64, old_root: &Hash, size: u64, root: &Hash, path: &[Hash]) -> bool {
    if old == 0 {
        // Everything begins with nothing; there is nothing to prove (RFC 9162 §2.1.4.1).
        return path.is_empty() && *old_root == <Hash>::from(Sha256::digest([]));
    }
    let Ok(proof) = ConsistencyProof::<Sha256>::try_from_bytes(path.concat()) else { return false };
    old <= size
        && size <= i64::MAX as u64
        && RootHash::<Sha256>::new((*root).into(), size)
            .verify_consistency(&RootHash::new((*old_root).into(), old), &proof)
            .is_ok()
}

#[cfg(test)]
mod tests {
    use std::collections::HashMap;

    use ct_merkle::mem_backed_tree::MemoryBackedTree;

    use super::*;

    /// Leaves and root hashes: the test tree of the reference implementation of
    /// RFC 6962, whose hashing RFC 9162 §2.1 keeps (values from memory).
    #[test]
    fn published_roots() {
        let leaves: [&[u8]; 8] = [
            &[],
            &[0x00],
            &[0x10],
            &[0x20, 0x21],
            &[0x30, 0x31],
            &[0x40, 0x41, 0x42, 0x43],
            &[0x50, 0x51, 0x52, 0x53, 0x54, 0x55, 0x56, 0x57],
            &[0x60, 0x61, 0x62, 0x63, 0x64, 0x65, 0x66, 0x67, 0x68, 0x69, 0x6a, 0x6b, 0x6c, 0x6d, 0x6e, 0x6f],
        ];
        let roots = [
            (0, "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
            (1, "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d"),
            (2, "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125"),
            (8, "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328"),
        ];
        for (size, root) in roots {
            let mut frontier = Frontier::default();
            for leaf in &leaves[..size] {
                frontier.append(leaf_hash(leaf), |_| Ok(())).expect("appends");
            }
            assert_eq!(hex::encode(frontier.root()), root, "{size} leaves");
        }
    }

    /// The library's tree in memory says the same for every size, proof and node.
    #[test]
    fn agrees_with_the_library_in_memory() {
        let leaf = |n: u64| format!("leaf {n}").into_bytes();
        let mut memory = MemoryBackedTree::<Sha256, Vec<u8>>::new();
        let mut frontier = Frontier::default();
        let mut kept = HashMap::new();
        for size in 1..=70u64 {
            let hash = leaf_hash(&leaf(size - 1));
            kept.insert((0, size - 1), hash);
            frontier
                .append(hash, |node| {
                    assert!(kept.insert((node.level, node.number), node.hash).is_none());
                    Ok(())
                })
                .expect("appends");
            memory.push(leaf(size - 1));
            let root = frontier.root();
            assert_eq!(memory.root().as_bytes().as_slice(), root, "{size}");
            assert_eq!(Frontier::from_parts(size, &frontier.peaks()).expect("parts"), frontier);
            let mut nodes = |level, number| Ok(kept[&(level, number)]);
            assert_eq!(root_at(size, &mut nodes).expect("root"), root);
            for at in 0..size {
                let path = inclusion(at, size, &mut nodes).expect("path");
                assert_eq!(memory.prove_inclusion(at as usize).as_bytes(), path.concat(), "{at} of {size}");
                assert!(check_inclusion(&leaf(at), at, size, &root, &path));
                assert!(!check_inclusion(b"another", at, size, &root, &path));
                assert!(!check_inclusion(&leaf(at), at, size, &leaf_hash(b"x"), &path));
                let old = at + 1;
                let old_root = root_at(old, &mut nodes).expect("root");
                let path = consistency(old, size, &mut nodes).expect("path");
                assert_eq!(memory.prove_consistency((size - old) as usize).as_bytes(), path.concat());
                assert!(check_consistency(old, &old_root, size, &root, &path));
                assert!(!check_consistency(old, &leaf_hash(b"x"), size, &root, &path));
            }
        }
        assert!(check_consistency(0, &Frontier::default().root(), 70, &frontier.root(), &[]));
        assert!(!check_inclusion(&leaf(0), 70, 70, &frontier.root(), &[]));
    }
}
