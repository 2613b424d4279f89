//! The standard's tag-length-value encoding.
//!
//! Covers Core Spec Appendix A. [`Reader`] borrows and takes any legal form;
//! [`Writer`] writes the shortest. Neither knows what the elements mean: the
//! declaration, the exchange and the onboarding payload bring their own tags.
//! [`Fields`] is a container taken apart, for messages.

mod fields;
mod reader;
#[cfg(test)]
mod tests;
mod writer;

pub use fields::{Field, FieldError, Fields};
pub use reader::{Element, MAX_DEPTH, Reader, TlvError, TlvFault, Value, whole};
pub use writer::Writer;

/// An element's tag (Appendix A.7.2).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Tag {
    /// No tag.
    Anonymous,
    /// Context-specific, one octet.
    Context(u8),
    /// Of the standard's common profile.
    Common(u32),
    /// Of a profile both sides know.
    Implicit(u32),
    /// Fully qualified.
    Full { vendor: u16, profile: u16, tag: u32 },
}

impl std::fmt::Display for Tag {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Anonymous => write!(f, "anonymous"),
            Self::Context(n) => write!(f, "{n}"),
            Self::Common(n) => write!(f, "common {n}"),
            Self::Implicit(n) => write!(f, "implicit {n}"),
            Self::Full { vendor, profile, tag } => write!(f, "{vendor:04X}:{profile:04X}:{tag}"),
        }
    }
}

/// What is held in a container.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Container {
    /// Members with distinct tags.
    Structure,
    /// Anonymous members in order.
    Array,
    /// Any members in order.
    List,
}
