//! Answering for units, for years: the account of a book, evidence for others, who is touched, what is revoked, what is
//! erased, and that the book itself lasts.

pub mod account;
pub mod evidence;
pub mod impact;
pub mod keeping;
pub mod lookup;
pub mod retention;
pub mod revocation;
pub mod scrap;
pub mod watch;
