//! The job itself, one module a piece of work.
//!
//! An act knows neither the command line nor HTTP: it takes typed arguments,
//! returns a value that serialises to the JSON of `docs`, and fails with an
//! error that says whose move it is ([`Advise`]).

pub mod advice;
pub mod label;

pub use advice::{Advise, Kind};
