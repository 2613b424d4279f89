//! What the site knows to be revoked, by its own word and by the lists that it keeps, asked for a chain, a unit or a reel.

mod here;
mod known;
mod pais;

pub use here::{RevokedHere, marked, words};
pub use known::{Known, kept_by, pool};
pub use pais::{RevokedPais, all as pais};
