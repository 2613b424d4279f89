//! What every piece of work stands on: errors that say whose move it is, the course of long work, files that appear whole or
//! not at all, text in any encoding, findings as answers have them.

pub mod advice;
pub mod course;
pub mod encoding;
pub mod files;
pub mod finding_view;
pub mod findings;
pub mod http;
mod lower;
pub mod randomness;
pub mod sentence;
pub mod times;
pub mod trouble;

pub use advice::{Advise, Kind, Said, quoted};
pub use files::{WriteError, put};
pub use sentence::sentence;
pub use trouble::Trouble;
