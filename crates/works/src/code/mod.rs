//! Onboarding codes: made from what a person types, read from what a scanner
//! or a person gives, drawn as symbols.

mod make;
mod read;
mod symbol;

pub use standard::onboarding::group;

pub use make::{CodeError, MadeCode, TypedCode, make};
pub use read::{ReadCode, ToldCode, ToldSlip, read};
pub use symbol::{QUIET_MODULES, Symbol};
