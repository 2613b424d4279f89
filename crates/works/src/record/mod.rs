//! A unit's factory record: made from what is given, written as files, shown.

mod error;
mod input;
mod make;
mod show;

pub use error::RecordActError;
pub use input::{Number, RecordInput, read_passcode};
pub use make::{HexFile, ImageFile, MadeRecord, RecordFiles, make};
pub use show::{ShownRecord, show};
