//! Retention: passcodes are erased when their labels have been printed for long
//! enough; the rest of a unit's story stays whole, and the log verifiable.
//!
//! Nothing else is ever erased: the log vouches for every other row.

use std::collections::BTreeMap;

use base::times::time_text;
use base::trouble::Trouble;
use book::ids::{Sequence, UnitSerial};
use book::{KeptPasscode, UnitState};
use serde::Serialize;
use serde_json::json;
use site::{Site, Who, head};
use time::{Duration, OffsetDateTime};

/// What erasing does not reach.
pub const CAUTION: &str = "Erased from the book. Earlier backups still contain it, sealed under the site key: delete them in time too. The verifier stays in book and device; a passcode of 27 bits can be found from it by trying.";

/// Which passcodes.
#[derive(Debug, Clone, Copy)]
pub enum Which<'a> {
    /// Those whose time has come by the site's setting.
    Due,
    /// Those of these units, now.
    Units {
        units: &'a [String],
        /// Also where no label was ever printed, so that none can be.
        unprinted: bool,
    },
}

/// A passcode that is erased, or would be.
#[derive(Debug, Clone, Serialize)]
pub struct Erased {
    pub unit: String,
    pub state: &'static str,
    /// When its label was printed last.
    pub printed: Option<String>,
    /// The entry that proves the erasure; none in a dry run, and where it was erased before.
    pub entry: Option<i64>,
}

/// What came of erasing.
#[derive(Debug, Serialize)]
pub struct Erasure {
    /// Whether nothing was changed.
    pub dry_run: bool,
    /// Days after printing, by the site's setting.
    pub days: Option<u32>,
    /// Passcodes erased now, or that would be.
    pub erased: u64,
    /// Passcodes that are still kept after it.
    pub kept: u64,
    /// Units whose passcode is kept because no label was printed yet.
    pub unprinted: u64,
    /// One by one; the first thousand.
    pub units: Vec<Erased>,
    /// The signed head that covers the entries, in entries.
    pub head: Option<u64>,
}

/// Units told one by one.
const TOLD: usize = 1000;

/// Since when a passcode is no longer needed; `None` while it is.
fn free_since(kept: &KeptPasscode) -> Option<OffsetDateTime> {
    match kept.state {
        UnitState::Passed | UnitState::Returned => kept.printed,
        UnitState::Scrapped => Some(kept.printed.map_or(kept.changed, |p| p.max(kept.changed))),
        UnitState::Open | UnitState::Failed => None,
    }
}

fn is_due(kept: &KeptPasscode, days: u32, now: OffsetDateTime) -> bool {
    free_since(kept).is_some_and(|since| since + Duration::days(i64::from(days)) <= now)
}

/// Every kept passcode, in the order of the units' serial numbers.
fn each_kept(site: &Site, each: &mut dyn FnMut(KeptPasscode) -> Result<(), Trouble>) -> Result<(), Trouble> {
    let mut after: Option<UnitSerial> = None;
    loop {
        let page = site.book.passcodes_kept(after.as_ref(), 1000)?;
        page.items.into_iter().try_for_each(&mut *each)?;
        match page.next {
            Some(next) => after = Some(next),
            None => return Ok(()),
        }
    }
}

/// How many passcodes are kept, and how many of them are due.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Kept {
    pub kept: u64,
    /// Due by the site's setting.
    pub due: u64,
    /// Kept because no label was printed yet.
    pub unprinted: u64,
}

/// Counts kept passcodes.
pub fn count(site: &Site, who: &Who) -> Result<Kept, Trouble> {
    let now = (who.clock)();
    let mut out = Kept::default();
    each_kept(site, &mut |kept| {
        out.kept += 1;
        out.unprinted += u64::from(free_since(&kept).is_none());
        out.due += u64::from(site.settings.retention.passcode_days.is_some_and(|days| is_due(&kept, days, now)));
        Ok(())
    })?;
    Ok(out)
}

fn told(kept: &KeptPasscode, entry: Option<Sequence>) -> Erased {
    Erased {
        unit: kept.unit.to_string(),
        state: kept.state.word(),
        printed: kept.printed.map(time_text),
        entry: entry.map(|e| e.0),
    }
}

/// Finds the passcodes that are to be erased.
fn wanted(site: &Site, which: Which<'_>, now: OffsetDateTime) -> Result<Vec<KeptPasscode>, Trouble> {
    let mut found: BTreeMap<UnitSerial, KeptPasscode> = BTreeMap::new();
    match which {
        Which::Due => {
            let days = site.settings.retention.passcode_days.ok_or_else(|| {
                Trouble::usage(
                    "this site keeps passcodes until they are erased by name",
                    "Set retention.passcode_days in touchmark.toml: passcodes are due that many days after printing. docs/site.md explains it.",
                )
            })?;
            each_kept(site, &mut |kept| {
                if is_due(&kept, days, now) {
                    found.insert(kept.unit.clone(), kept);
                }
                Ok(())
            })?;
        }
        Which::Units { units, unprinted } => {
            for name in units {
                let serial = UnitSerial::new(name)?;
                let unit = site
                    .book
                    .unit(&serial)?
                    .ok_or_else(|| Trouble::usage(format!("there is no unit {name}"), "Check the serial number."))?;
                let labels = site.book.story(&serial)?.map(|story| story.labels).unwrap_or_default();
                let printed = labels.iter().filter(|l| l.event == book::LabelEvent::Printed).map(|l| l.at).max();
                let kept = KeptPasscode { unit: serial.clone(), state: unit.state, changed: unit.changed, printed };
                if matches!(unit.state, UnitState::Open | UnitState::Failed) {
                    return Err(Trouble::refused(
                        format!("unit {name} is {} and still needs its passcode", unit.state),
                        "Finish it, or scrap it first.",
                    ));
                }
                if printed.is_none() && unit.state != UnitState::Scrapped && !unprinted {
                    return Err(Trouble::refused(
                        format!("no label of unit {name} was ever printed, and after this none can be"),
                        "Print it first, or give --unprinted.",
                    ));
                }
                found.insert(serial, kept);
            }
        }
    }
    Ok(found.into_values().collect())
}

/// Erases passcodes, for ever. Each erasure is an entry that vouches for the unit's row
/// without it; the head that covers them is signed at the end. A label can't be
/// printed any more after it.
///
/// # Errors
///
/// [`Trouble`] where the setting is missing, or a unit needs its passcode still. Those
/// erased until then stay erased, each with its entry.
pub fn erase(site: &Site, which: Which<'_>, dry_run: bool, who: &Who) -> Result<Erasure, Trouble> {
    let wanted = wanted(site, which, (who.clock)())?;
    let days = site.settings.retention.passcode_days;
    let by_rule = matches!(which, Which::Due);
    let mut out = Erasure { dry_run, days, erased: 0, kept: 0, unprinted: 0, units: Vec::new(), head: None };
    for kept in &wanted {
        let mut entry = None;
        if dry_run {
            out.erased += 1;
        } else {
            let why = json!({
                "rule": if by_rule { "retention" } else { "by name" },
                "days": if by_rule { days } else { None },
                "printed": kept.printed.map(time_text),
            });
            entry = site.book.erase_passcode(&kept.unit, &why, &who.by())?;
            out.erased += u64::from(entry.is_some());
        }
        if out.units.len() < TOLD {
            out.units.push(told(kept, entry));
        }
    }
    if !dry_run && out.erased > 0 {
        site.book.forget_old_rows()?;
        head::mark(site, who);
        out.head = site.book.last_signed_head()?.map(|h| h.head.size);
    }
    let left = count(site, who)?;
    (out.kept, out.unprinted) = (left.kept, left.unprinted);
    Ok(out)
}
