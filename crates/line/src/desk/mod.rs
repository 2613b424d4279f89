//! A station as the person in front of it sees it: one task at a time.
//!
//! A desk holds what a screen shows: what is scanned, which step runs, the
//! verdict, the label. Nothing in it is worth keeping: after a restart it is told
//! anew by the book, so that a page goes on where the unit stood. The work itself
//! is [`crate::provision::one_unit`], the same as on the command line.

mod restore;
mod view;

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use base::advice::Advise;
use base::trouble::Trouble;
use book::ids::{FirmwareVersion, StationName, UnitSerial};
use book::{AttemptFacts, LabelEvent};
use chip::ChipSource;
use custody::Passphrase;
use serde_json::json;
use site::{Site, Who, clock};
pub use view::{LabelPhase, Phase, StepView, View};

use crate::floor::Setup;
use crate::provision::{ChipResult, OneUnit, Told, UnitResult, one_unit};
use crate::{floor, label};

/// Attempts at a chip before the person is told.
const ATTEMPTS: u32 = 2;

/// Units after which the log's head is signed.
const HEAD: u64 = 50;

/// Takes each change of a station's view.
pub type Tell = Box<dyn Fn(&View) + Send + Sync>;

/// What holds the fixture.
struct Fixture {
    text: String,
    source: Option<Box<dyn ChipSource>>,
    from: usize,
}

/// One station.
pub struct Desk {
    name: String,
    view: Mutex<View>,
    fixture: Mutex<Fixture>,
}

/// All stations of a site, opened when first asked for.
pub struct Desks {
    site: Arc<Site>,
    passphrase: Option<Passphrase>,
    tell: Tell,
    open: Mutex<BTreeMap<String, Arc<Desk>>>,
    /// Units worked since the program began.
    worked: AtomicU64,
}

/// A unit that was taken on and waits to be worked.
pub struct Job {
    desk: Arc<Desk>,
    setup: Setup,
    serial: Option<String>,
    who: Who,
}

fn hold<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// What came of a scan.
pub enum Scanned {
    /// A unit is to be worked: [`Desks::work`] does it.
    Unit(Box<Job>),
    /// It was a label, and is judged.
    Label(Box<View>),
}

impl Desks {
    /// The stations of a site.
    ///
    /// - `tell`: called with each change, from the thread that works.
    pub fn new(site: Arc<Site>, passphrase: Option<Passphrase>, tell: Tell) -> Self {
        Self { site, passphrase, tell, open: Mutex::new(BTreeMap::new()), worked: AtomicU64::new(0) }
    }

    fn desk(&self, name: &str) -> Result<(Arc<Desk>, Setup), Trouble> {
        let setup = floor::station(&self.site, name)?;
        let mut open = hold(&self.open);
        if let Some(desk) = open.get(name) {
            return Ok((Arc::clone(desk), setup));
        }
        let mut view = View::of(&self.site, &setup)?;
        restore::restore(&self.site, &mut view)?;
        let desk = Arc::new(Desk {
            name: name.to_owned(),
            view: Mutex::new(view),
            fixture: Mutex::new(Fixture { text: String::new(), source: None, from: 0 }),
        });
        open.insert(name.to_owned(), Arc::clone(&desk));
        Ok((desk, setup))
    }

    /// What a station shows now, with this shift's counts.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where it is not set up.
    pub fn view(&self, name: &str, who: &Who) -> Result<View, Trouble> {
        let (desk, setup) = self.desk(name)?;
        let mut view = hold(&desk.view).clone();
        view.set_up(&self.site, &setup)?;
        let now = (who.clock)();
        let shift = clock::shift_start(&self.site, now)?;
        let mut counts = floor::counts(&self.site, shift, now)?;
        view.count = counts.remove(name).unwrap_or_default();
        Ok(view)
    }

    /// What a station shows now, where somebody has opened it; asks the book nothing.
    pub fn glance(&self, name: &str) -> Option<View> {
        let desk = hold(&self.open).get(name).map(Arc::clone)?;
        Some(hold(&desk.view).clone())
    }

    fn change(&self, desk: &Desk, change: impl FnOnce(&mut View)) -> View {
        let view = {
            let mut view = hold(&desk.view);
            change(&mut view);
            view.number += 1;
            view.clone()
        };
        (self.tell)(&view);
        view
    }

    /// Takes what a scanner or a person typed: a serial number, a label, or Enter alone.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where the station is at work, or what was typed is nothing that it can take.
    pub fn scan(&self, name: &str, typed: &str, who: &Who) -> Result<Scanned, Trouble> {
        let (desk, setup) = self.desk(name)?;
        let typed = typed.trim();
        let view = hold(&desk.view).clone();
        if view.phase == Phase::Working {
            return Err(Trouble::refused("this station is busy", "Wait for the verdict, then scan again."));
        }
        let label_due = view.phase == Phase::Passed && view.label.is_due();
        if label_due && !typed.is_empty() && (label::looks_like_code(typed) || setup.check_label) {
            return Ok(Scanned::Label(Box::new(self.check_label(&desk, &view, typed, who)?)));
        }
        if label_due && setup.check_label {
            return Err(Trouble::refused(
                "the label of this unit has not been scanned yet",
                "Attach the label, then scan its QR code.",
            ));
        }
        let serial = match (typed, view.phase, &view.unit) {
            ("", Phase::Interrupted, Some(unit)) => Some(unit.clone()),
            ("", _, _) if setup.counts() => None,
            ("", _, _) => return Err(Trouble::usage("nothing was scanned", "Scan the serial number on the unit.")),
            (typed, _, _) => Some(self.serial(&setup, typed)?),
        };
        let taken = {
            let mut view = hold(&desk.view);
            let free = view.phase != Phase::Working;
            if free {
                view.begin(serial.as_deref());
                view.number += 1;
            }
            free.then(|| view.clone())
        };
        let Some(view) = taken else {
            return Err(Trouble::refused("this station is busy", "Wait for the verdict, then scan again."));
        };
        (self.tell)(&view);
        Ok(Scanned::Unit(Box::new(Job { desk, setup, serial, who: who.clone() })))
    }

    /// A typed serial number; where the book counts, only one that it counted already.
    fn serial(&self, setup: &Setup, typed: &str) -> Result<String, Trouble> {
        let serial = UnitSerial::new(typed)?;
        // It holds a passcode, which must not become a unit's name.
        if label::is_payload(typed) {
            return Err(Trouble::refused(
                "that is the QR code of a label, and no label is due here",
                "Scan the serial number on the unit.",
            ));
        }
        if setup.counts() && self.site.book.unit(&serial)?.is_none() {
            return Err(Trouble::refused(
                format!("there is no unit {serial}, and this station assigns serial numbers itself"),
                "Press Enter alone for a new unit, or scan the label of an existing one.",
            ));
        }
        Ok(serial.to_string())
    }

    /// Works a unit that was taken on; what happens is told as it happens.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where nothing was begun or the surroundings failed; the view says so too.
    pub fn work(&self, job: Job) -> Result<UnitResult, Trouble> {
        let Job { desk, setup, serial, who } = job;
        // Should the work panic, the station must not stay at work for ever.
        let done = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            self.try_work(&desk, &setup, serial.as_deref(), &who)
        }))
        .unwrap_or_else(|_| {
            Err(Trouble::surroundings("the station stopped during its work", "Press Enter to continue."))
        });
        if (self.worked.fetch_add(1, Ordering::Relaxed) + 1).is_multiple_of(HEAD) {
            site::head::mark(&self.site, &who);
        }
        match &done {
            Ok(result) => {
                let owed = result.result == ChipResult::Passed && !result.already && self.has_code(result);
                self.change(&desk, |view| view.end(result, owed));
            }
            Err(trouble) => {
                let advice = trouble.advice().unwrap_or_default();
                let left_open = hold(&desk.view).unit.clone().filter(|_| trouble.kind() == base::Kind::Surroundings);
                self.change(&desk, |view| view.stop(&trouble.to_string(), &advice, left_open.is_some()));
                // What has died is opened anew at the next unit.
                hold(&desk.fixture).source = None;
            }
        }
        done
    }

    fn has_code(&self, result: &UnitResult) -> bool {
        let serial = result.unit.as_deref().and_then(|u| UnitSerial::new(u).ok());
        serial.and_then(|s| self.site.book.unit(&s).ok().flatten()).is_some_and(|u| u.onboarding.is_some())
    }

    fn try_work(&self, desk: &Desk, setup: &Setup, serial: Option<&str>, who: &Who) -> Result<UnitResult, Trouble> {
        let mut fixture = hold(&desk.fixture);
        let Fixture { text, source, from } = &mut *fixture;
        if *text != setup.source || source.is_none() {
            let driver_user = self.site.settings.pages.driver_user.as_deref();
            let options = chip::OpenOptions { driver_user, ..chip::OpenOptions::default() };
            *source = Some(floor::source(&self.site, &setup.source)?.open(options)?);
            (*text, *from) = (setup.source.clone(), 0);
        }
        let Some(source) = source.as_mut() else {
            return Err(Trouble::surroundings("the fixture did not open", "Scan again."));
        };
        let wanted = OneUnit {
            reel: &setup.reel,
            station: &desk.name,
            serial,
            serial_start: setup.serial_start.as_deref(),
            attempts: ATTEMPTS,
            take_over: false,
            facts: AttemptFacts {
                firmware: setup.firmware.as_deref().map(FirmwareVersion::new).transpose()?,
                ..AttemptFacts::default()
            },
            passphrase: self.passphrase.as_ref(),
        };
        let watch = |told: Told<'_>| {
            self.change(desk, |view| view.told(told));
        };
        one_unit(&self.site, &wanted, source.as_mut(), from, who, &watch)
    }

    fn at(&self, desk: &Desk, who: &Who) -> Result<book::By, Trouble> {
        Ok(who.at(&StationName::new(&desk.name)?))
    }

    fn check_label(&self, desk: &Desk, view: &View, typed: &str, who: &Who) -> Result<View, Trouble> {
        let unit = view.unit.clone().unwrap_or_default();
        let (by, passphrase) = (self.at(desk, who)?, self.passphrase.as_ref());
        let checked = label::check_of_book(&self.site, &unit, typed, passphrase, &by, who.now())?;
        Ok(self.change(desk, |view| view.label_checked(checked.is_match(), checked.advice.as_deref())))
    }

    /// The label of the unit that has just passed at a station, as SVG. It shows
    /// the passcode, so that each showing is an entry.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where no unit has just passed there.
    pub fn label(&self, name: &str, who: &Who) -> Result<Vec<u8>, Trouble> {
        let (desk, _) = self.desk(name)?;
        let view = hold(&desk.view).clone();
        let unit = view
            .unit
            .filter(|_| view.phase == Phase::Passed && view.label != LabelPhase::None)
            .ok_or_else(|| Trouble::refused("no unit has just passed at this station", "Scan a unit first."))?;
        label::svg(&self.site, &unit, "station label", self.passphrase.as_ref(), &self.at(&desk, who)?)
    }

    /// Notes that the label of the unit that has just passed was sent to the printer.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where no unit has just passed there.
    pub fn label_printed(&self, name: &str, who: &Who) -> Result<View, Trouble> {
        let (desk, _) = self.desk(name)?;
        let unit = {
            let view = hold(&desk.view);
            view.unit.clone().filter(|_| view.phase == Phase::Passed && view.label != LabelPhase::None)
        };
        let unit =
            unit.ok_or_else(|| Trouble::refused("no unit has just passed at this station", "Scan a unit first."))?;
        self.site.book.record_label(&UnitSerial::new(&unit)?, LabelEvent::Printed, &self.at(&desk, who)?)?;
        Ok(self.change(&desk, View::label_printed))
    }

    /// Leaves the label of the unit that has just passed for later, which is an entry.
    pub fn label_later(&self, name: &str, who: &Who) -> Result<View, Trouble> {
        let (desk, _) = self.desk(name)?;
        let unit = hold(&desk.view).unit.clone();
        if let Some(unit) = unit {
            let subject = book::Subject::Unit(UnitSerial::new(&unit)?);
            self.site.book.note("label.later", &subject, &json!({}), &self.at(&desk, who)?)?;
        }
        Ok(self.change(&desk, View::label_later))
    }

    /// Clears a verdict away: the station waits for the next unit.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where it is at work.
    pub fn clear(&self, name: &str) -> Result<View, Trouble> {
        let (desk, setup) = self.desk(name)?;
        if hold(&desk.view).phase == Phase::Working {
            return Err(Trouble::refused("this station is busy", "Wait for the verdict."));
        }
        let fresh = View::of(&self.site, &setup)?;
        Ok(self.change(&desk, |view| *view = View { number: view.number, ..fresh }))
    }
}
