//! Onboarding codes: made from what a person types, read from what a scanner
//! or a person gives, drawn as symbols.

mod join;
mod make;
mod optional;
mod read;
mod symbol;

pub use standard::onboarding::group;

pub use join::{JoinedCode, join};
pub use make::{CodeError, MadeCode, TypedCode, make};
pub use optional::{OptionalError, OptionalView, PlainView, TypedOptional};
pub use read::{ReadCode, ToldCode, ToldSlip, read};
pub use symbol::{QUIET_MODULES, Symbol};
