//! Labels as SVG, PNG and PDF.
//!
//! A label is an SVG [`template`] with named places, filled with a unit's
//! [`data`], [laid out](label::lay) for a [printer](label::Press), and
//! [proven](label::Laid::prove): its symbol is drawn at the printer's
//! resolution and read back by an independent reader before anything is
//! written. The convention for templates is in `docs/labels.md`.
//!
//! This crate knows no payload format, no products and no records: codes come
//! as strings. It opens no network and reads no system fonts.

pub mod art;
pub mod chart;
pub mod data;
pub mod error;
pub mod fonts;
pub mod label;
pub mod layout;
mod number;
pub mod paper;
pub mod pdf;
mod proof;
pub mod qr;
mod raster;
pub mod run;
pub mod sheet;
mod svg;
pub mod template;

pub use data::LabelData;
pub use error::{LabelError, RunError, TemplateError};
pub use label::{Laid, Press, Proven, lay};
pub use proof::prove_bare;
pub use template::Template;
