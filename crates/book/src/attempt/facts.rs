//! What a station is told of an attempt beside what it does itself. Each fact is a table of its own, since columns
//! under a digest are frozen; the attempt's first entry has it too.
//!
//! A unit that was flashed anew between two attempts has a firmware for each; the last that was told is what it
//! carries.

use std::collections::BTreeMap;
use std::fmt;

use serde::Serialize;
use serde_json::{Value as Json, json};
use utoipa::ToSchema;

use crate::engine::{Connection, params};
use crate::error::BookError;
use crate::ids::{AttemptNumber, FirmwareVersion, PanelName, UnitSerial};
use crate::log::{Change, rows};

/// What was told of an attempt.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, ToSchema)]
pub struct AttemptFacts {
    /// The version of the firmware that the unit carries.
    #[schema(value_type = Option<String>)]
    pub firmware: Option<FirmwareVersion>,
    /// The panel that its board was on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub panel: Option<OnPanel>,
}

/// A panel, and a place on it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct OnPanel {
    /// The panel.
    #[schema(value_type = String)]
    pub panel: PanelName,
    /// The place, from 1.
    pub place: u32,
}

impl fmt::Display for OnPanel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}, place {}", self.panel, self.place)
    }
}

impl AttemptFacts {
    /// Each fact that was told, under its name.
    pub fn told(&self) -> Vec<(&'static str, String)> {
        let firmware = self.firmware.iter().map(|version| ("firmware", version.to_string()));
        firmware.chain(self.panel.iter().map(|panel| ("panel", panel.to_string()))).collect()
    }

    /// The tables that hold what was told.
    pub fn tables(&self) -> Vec<&'static str> {
        let firmware = self.firmware.iter().map(|_| rows::ATTEMPT_FIRMWARE.name);
        firmware.chain(self.panel.iter().map(|_| rows::ATTEMPT_PANEL.name)).collect()
    }

    pub(crate) fn note(&self, body: &mut Json) {
        self.told().into_iter().for_each(|(name, text)| body[name] = json!(text));
    }

    pub(crate) fn rows<'a>(&'a self, unit: &'a UnitSerial, attempt: i64, entry: i64) -> Vec<Change<'a>> {
        let row = |version: &'a FirmwareVersion| {
            Change::row(&rows::ATTEMPT_FIRMWARE, params![unit.as_str(), attempt, version.as_str(), entry])
        };
        let on_panel = |on: &'a OnPanel| {
            let (panel, place) = (on.panel.as_str(), i64::from(on.place));
            Change::row(&rows::ATTEMPT_PANEL, params![unit.as_str(), attempt, panel, place, entry])
        };
        self.firmware.iter().map(row).chain(self.panel.iter().map(on_panel)).collect()
    }

    /// What was told of a unit's attempts.
    pub(crate) fn read(c: &mut Connection, unit: &str) -> Result<BTreeMap<AttemptNumber, Self>, BookError> {
        let mut told: BTreeMap<AttemptNumber, Self> = BTreeMap::new();
        for row in c.all("SELECT attempt, version FROM attempt_firmware WHERE unit = $1", params![unit])? {
            told.entry(AttemptNumber(row.int(0)?)).or_default().firmware = Some(FirmwareVersion::kept(row.text(1)?));
        }
        for row in c.all("SELECT attempt, panel, place FROM attempt_panel WHERE unit = $1", params![unit])? {
            let place = u32::try_from(row.int(2)?).map_err(|_| BookError::damaged("a place on a panel"))?;
            let on = OnPanel { panel: PanelName::kept(row.text(1)?), place };
            told.entry(AttemptNumber(row.int(0)?)).or_default().panel = Some(on);
        }
        Ok(told)
    }
}
