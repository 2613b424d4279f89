//! Onboarding codes: made from what a person types, read from what a scanner
//! or a person gives, drawn as symbols.

mod join;
mod make;
mod optional;
mod read;

pub use join::{JoinedCode, join};
pub use make::{CodeError, MadeCode, TypedCode, make};
pub use optional::{OptionalError, OptionalView, PlainView, TypedOptional};
use print::qr::Symbol;
pub use read::{ReadCode, ToldCode, ToldSlip, read};
pub use standard::onboarding::group;

/// The symbol of a code (ISO/IEC 18004, alphanumeric mode, level M).
///
/// # Errors
///
/// [`CodeError::Symbol`] for a text that is too long, or is not all of the mode's characters.
fn symbol(text: &str) -> Result<Symbol, CodeError> {
    Symbol::alphanumeric(text).ok_or_else(|| CodeError::Symbol(text.chars().count()))
}
