//! A unit's factory record: made from what is given or out of the book, written as files, shown.

mod error;
mod from_book;
mod input;
mod make;
mod of_unit;
mod show;

pub use error::RecordActError;
pub use from_book::{BookRecords, IndexLine, WrittenRecords, make_from_book};
pub use input::{Number, RecordInput, read_passcode};
pub use make::{HexFile, ImageFile, MadeRecord, RecordFiles, make};
pub(crate) use of_unit::of_unit;
pub use show::{ShownRecord, show};
