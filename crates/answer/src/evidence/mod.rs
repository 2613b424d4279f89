//! Evidence: a pack that an auditor checks without us and without this program.
//!
//! A ZIP archive with records, certificates, exchanges, entries of the log with
//! their inclusion proofs, and one signed head that they all lead to. Its last
//! octets are a signature over all the others, so that no octet can change
//! without it showing, in whatever part of the archive it lies; a signed manifest
//! tells which file it was. `docs/evidence.md` gives it all octet by octet.

mod check;
mod export;
mod index;
mod inner;
mod pack;
mod told;

pub use check::{Altered, Checked, check};
pub use export::{Exported, export};
