//! What a station is told of an attempt beside what it does itself. Each fact is a table of its own, since columns
//! under a digest are frozen; the attempt's first entry has it too.
//!
//! A unit that was flashed anew between two attempts has a firmware for each; the last that was told is what it
//! carries.

use std::collections::BTreeMap;

use serde::Serialize;
use serde_json::{Value as Json, json};
use utoipa::ToSchema;

use crate::engine::{Connection, Row, params};
use crate::error::BookError;
use crate::ids::{AttemptNumber, FirmwareVersion, UnitSerial};
use crate::log::{Change, rows};

/// What was told of an attempt.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, ToSchema)]
pub struct AttemptFacts {
    /// The version of the firmware that the unit carries.
    #[schema(value_type = Option<String>)]
    pub firmware: Option<FirmwareVersion>,
}

impl AttemptFacts {
    /// Each fact that was told, under its name.
    pub fn told(&self) -> Vec<(&'static str, &str)> {
        self.firmware.iter().map(|version| ("firmware", version.as_str())).collect()
    }

    /// The tables that hold what was told.
    pub fn tables(&self) -> Vec<&'static str> {
        self.firmware.iter().map(|_| rows::ATTEMPT_FIRMWARE.name).collect()
    }

    pub(crate) fn note(&self, body: &mut Json) {
        self.told().into_iter().for_each(|(name, text)| body[name] = json!(text));
    }

    pub(crate) fn rows<'a>(&'a self, unit: &'a UnitSerial, attempt: i64, entry: i64) -> Vec<Change<'a>> {
        let row = |version: &'a FirmwareVersion| {
            Change::row(&rows::ATTEMPT_FIRMWARE, params![unit.as_str(), attempt, version.as_str(), entry])
        };
        self.firmware.iter().map(row).collect()
    }

    /// What was told of a unit's attempts.
    pub(crate) fn read(c: &mut Connection, unit: &str) -> Result<BTreeMap<AttemptNumber, Self>, BookError> {
        let read = |row: &Row| {
            let firmware = Some(FirmwareVersion::kept(row.text(1)?));
            Ok((AttemptNumber(row.int(0)?), Self { firmware }))
        };
        c.all("SELECT attempt, version FROM attempt_firmware WHERE unit = $1", params![unit])?
            .iter()
            .map(read)
            .collect()
    }
}
