//! What a station's screen shows.

use base::trouble::Trouble;
use receive::reel;
use serde::Serialize;
use site::{Site, product};
use utoipa::ToSchema;

use crate::floor::{Setup, ShiftCount};
use crate::provision;
use crate::provision::{ChipResult, Told, UnitResult};

/// Where a station stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Phase {
    /// Waits for a unit.
    Ready,
    /// A unit is on it.
    Working,
    /// The unit passed.
    Passed,
    /// The unit failed.
    Failed,
    /// A unit was left in the middle; Enter goes on with it.
    Interrupted,
    /// Nothing was begun: the station can't work as it is.
    Stopped,
}

impl Phase {
    /// The word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Ready => "ready",
            Self::Working => "working",
            Self::Passed => "passed",
            Self::Failed => "failed",
            Self::Interrupted => "interrupted",
            Self::Stopped => "stopped",
        }
    }
}

/// Where the label of a passed unit stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum LabelPhase {
    /// There is none to print.
    None,
    /// To be printed.
    Due,
    /// Printed, to be scanned back.
    Printed,
    /// Scanned, and it is the unit's.
    Checked,
    /// Scanned, and it is not.
    Mismatched,
    /// Left for later.
    Later,
}

impl LabelPhase {
    /// Whether something is still to be done about it.
    pub const fn is_due(self) -> bool {
        matches!(self, Self::Due | Self::Printed | Self::Mismatched)
    }
}

/// One step of an attempt.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct StepView {
    /// Its name in the book.
    pub name: String,
    /// What the operator reads.
    pub words: &'static str,
    /// `running`, `done` or `failed`.
    pub state: &'static str,
    /// Milliseconds that it took.
    pub milliseconds: Option<i64>,
}

/// What a station's screen shows.
#[derive(Debug, Clone, Serialize)]
pub struct View {
    /// Counts changes, so that a page knows what is newer.
    pub number: u64,
    pub station: String,
    /// The reel in its feeder.
    pub reel: String,
    /// What units are going to be.
    pub product: String,
    /// Whether that is a test product.
    pub test: bool,
    /// Whether the book counts serial numbers, so that Enter alone begins a unit.
    pub counted: bool,
    /// Which serial numbers it counts, in words.
    pub serials: Option<String>,
    /// Whether the next unit waits for this one's label.
    pub check_label: bool,
    /// What is likely to go wrong with all units of the product.
    pub warnings: Vec<String>,
    /// Seconds that the line leaves for a unit.
    pub takt_seconds: Option<f64>,
    pub phase: Phase,
    pub unit: Option<String>,
    pub chip_id: Option<String>,
    pub attempt: Option<i64>,
    /// Steps of this attempt.
    pub steps: Vec<StepView>,
    /// What to do next, in one sentence.
    pub next: String,
    /// What happened, for the operator; no code, no clause.
    pub said: Option<String>,
    /// The failure's name, for the engineer.
    pub cause: Option<String>,
    /// What happened, for the engineer.
    pub detail: Option<String>,
    /// Whether the chip had been provisioned before, and was only verified.
    pub already: bool,
    /// Milliseconds of the attempt.
    pub milliseconds: Option<u64>,
    pub label: LabelPhase,
    pub count: ShiftCount,
}

/// A step's name as the operator reads it.
pub(super) fn words(name: &str) -> &'static str {
    match name {
        "identify" => "Find the chip",
        "write dac" => "Write its certificate",
        "write pai" => "Write the intermediate",
        "write declaration" => "Write the declaration",
        "write factory-record" => "Write the onboarding data",
        "read back" => "Read back",
        "prove" => "Make the chip prove its key",
        "judge" => "Judge as a verifier would",
        "lock" => "Lock the chip",
        "check the lock" => "Check that it is locked",
        "verify" => "Verify the contents of the chip",
        _ => "Write a further object",
    }
}

impl View {
    pub(super) fn of(site: &Site, setup: &Setup) -> Result<Self, Trouble> {
        let mut view = Self {
            number: 0,
            station: setup.station.clone(),
            reel: String::new(),
            product: String::new(),
            test: false,
            counted: false,
            serials: None,
            check_label: false,
            warnings: Vec::new(),
            takt_seconds: None,
            phase: Phase::Ready,
            unit: None,
            chip_id: None,
            attempt: None,
            steps: Vec::new(),
            next: String::new(),
            said: None,
            cause: None,
            detail: None,
            already: false,
            milliseconds: None,
            label: LabelPhase::None,
            count: ShiftCount::default(),
        };
        view.set_up(site, setup)?;
        Ok(view)
    }

    pub(super) fn set_up(&mut self, site: &Site, setup: &Setup) -> Result<(), Trouble> {
        let reel = reel::get(site, &setup.reel)?;
        let product = product::get(site, reel.facts.product.as_str())?;
        self.reel.clone_from(&setup.reel);
        self.product = product.facts.name.to_string();
        self.test = product.facts.purpose == book::Purpose::Test;
        self.counted = setup.counts();
        self.serials = if setup.counts() {
            let start = setup.serial_start.as_deref();
            let of = (&product.facts.name, &reel.facts.reel);
            // A series that is used up is told when the next unit comes.
            provision::counted(site, of, start).ok().map(|(_, from)| from.words(&self.product))
        } else {
            None
        };
        self.check_label = setup.check_label;
        self.takt_seconds = setup.takt_seconds;
        self.warnings = product::warnings(&product, &product::kept(&product)?);
        if self.phase == Phase::Ready {
            self.next = self.for_the_next();
        }
        Ok(())
    }

    pub(super) fn for_the_next(&self) -> String {
        if self.counted {
            "Insert the next unit, then press Enter.".into()
        } else {
            "Insert the next unit, then scan its serial number.".into()
        }
    }

    pub(super) fn begin(&mut self, serial: Option<&str>) {
        *self = Self {
            phase: Phase::Working,
            unit: serial.map(str::to_owned),
            chip_id: None,
            attempt: None,
            steps: Vec::new(),
            next: "Leave the unit where it is.".into(),
            said: None,
            cause: None,
            detail: None,
            already: false,
            milliseconds: None,
            label: LabelPhase::None,
            ..self.clone()
        };
    }

    pub(super) fn told(&mut self, told: Told<'_>) {
        match told {
            Told::Begun { unit, chip_id, attempt, resumed: _ } => {
                self.unit = Some(unit.to_owned());
                self.chip_id = Some(chip_id.to_owned());
                self.attempt = Some(attempt);
                self.steps.clear();
            }
            Told::Step(name) => self.steps.push(StepView {
                name: name.to_owned(),
                words: words(name),
                state: "running",
                milliseconds: None,
            }),
            Told::Ended(step) => {
                let state = if step.result == "done" { "done" } else { "failed" };
                if let Some(last) = self.steps.last_mut() {
                    last.state = state;
                    last.milliseconds = Some(step.duration_us / 1000);
                }
            }
        }
    }

    pub(super) fn end(&mut self, result: &UnitResult, label: bool) {
        self.unit = result.unit.clone().or_else(|| self.unit.take());
        self.chip_id = Some(result.chip_id.clone());
        self.milliseconds = Some(result.milliseconds);
        self.already = result.already;
        self.cause.clone_from(&result.cause);
        self.detail.clone_from(&result.detail);
        if result.result == ChipResult::Passed {
            self.phase = Phase::Passed;
            self.said = result.already.then(|| "This unit passed before. It was verified again.".to_owned());
            self.label = if label { LabelPhase::Due } else { LabelPhase::None };
            self.next = if label { self.print_it() } else { self.for_the_next() };
        } else {
            self.phase = Phase::Failed;
            self.next = result.advice.clone().unwrap_or_else(|| "Call the engineer.".into());
            if result.next == Some(book::Next::Retry) {
                self.next += if self.counted { " Then press Enter." } else { " Then scan it again." };
            }
        }
    }

    pub(super) fn print_it(&self) -> String {
        "Print the label, attach it, then scan it.".into()
    }

    pub(super) fn stop(&mut self, what: &str, advice: &str, left_open: bool) {
        self.phase = if left_open { Phase::Interrupted } else { Phase::Stopped };
        self.said = Some(what.to_owned());
        self.next = if left_open {
            format!("{advice} Leave the unit in place and press Enter to continue.")
        } else {
            advice.to_owned()
        };
    }

    pub(super) fn label_printed(&mut self) {
        self.label = LabelPhase::Printed;
        self.next = "Attach the label, then scan its QR code.".into();
    }

    pub(super) fn label_later(&mut self) {
        self.label = LabelPhase::Later;
        self.next = self.for_the_next();
    }

    pub(super) fn label_checked(&mut self, matches: bool, advice: Option<&str>) {
        self.label = if matches { LabelPhase::Checked } else { LabelPhase::Mismatched };
        self.next = match advice {
            _ if matches => self.for_the_next(),
            Some(advice) => advice.to_owned(),
            None => "Remove the label. Print the right one and attach it.".into(),
        };
    }
}
