//! In which form, and to which part of the flash, a product's factory records go.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The form of a file that carries a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum RecordFormat {
    /// CBOR alone.
    Cbor,
    /// Intel HEX, from the address on.
    Hex,
    /// An image of the flash region: the record, then 0xFF.
    Image,
}

impl RecordFormat {
    const ALL: [Self; 3] = [Self::Cbor, Self::Hex, Self::Image];

    /// The word on the command line and in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Cbor => "cbor",
            Self::Hex => "hex",
            Self::Image => "image",
        }
    }

    /// How its files' names end.
    pub const fn extension(self) -> &'static str {
        match self {
            Self::Cbor => "cbor",
            Self::Hex => "hex",
            Self::Image => "bin",
        }
    }
}

impl fmt::Display for RecordFormat {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

impl FromStr for RecordFormat {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        Self::ALL.into_iter().find(|format| format.word() == text).ok_or_else(|| "cbor, hex or image".into())
    }
}

/// Where a product's records go.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RecordPlace {
    /// The form of the files.
    pub format: RecordFormat,
    /// Address of the record's first byte in the flash.
    #[serde(default)]
    pub address: u32,
    /// Bytes of the flash region.
    #[serde(default = "whole_record")]
    pub size: u32,
}

impl RecordPlace {
    /// That form, from address 0 on, in a region that holds any record.
    pub const fn of(format: RecordFormat) -> Self {
        Self { format, address: 0, size: whole_record() }
    }
}

/// A region that holds any record.
const fn whole_record() -> u32 {
    standard::factory_record::MAX_OCTETS as u32
}
