//! Certification declarations.
//!
//! Covers Core Spec 6.3: a TLV [`Content`] ([`content`]) inside CMS signed data
//! of one exact profile ([`Declaration`], [`signed`]). Reading keeps what is
//! wrong beside what is right; judging is [`crate::verdict`]'s.

pub mod content;
pub mod signed;

pub use content::{Content, Fields};
pub use signed::Declaration;
