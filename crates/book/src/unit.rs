//! Units, and what happens to them away from a station.

use std::fmt;

use serde_json::{Value as Json, json};
use time::OffsetDateTime;

use crate::attempt::{self, Attempt};
use crate::by::{By, moment, told};
use crate::chip::{self, Chip};
use crate::engine::{Connection, Row, params};
use crate::error::{Blame, BookError};
use crate::ids::{Actor, ChipId, ProductName, ReelId, Sequence, StationName, UnitSerial};
use crate::log::{Draft, Subject, rows};
use crate::transaction::Tx;
use crate::words::{ChipState, LabelEvent, UnitState};
use crate::{Book, Page};

/// What a customer's app needs to take the unit in.
#[derive(Clone, PartialEq, Eq)]
pub struct Onboarding {
    /// 12 bits.
    pub discriminator: u16,
    /// 16 to 32 octets.
    pub salt: Vec<u8>,
    /// 1,000 to 100,000.
    pub iterations: u32,
    /// w0 and L, 97 octets.
    pub verifier: Vec<u8>,
    /// The passcode as the caller encrypted it; `None` once erased. The book never sees it in the clear.
    pub passcode: Option<Vec<u8>>,
}

impl fmt::Debug for Onboarding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Onboarding").field("discriminator", &self.discriminator).finish_non_exhaustive()
    }
}

/// A unit as it stands in the book.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unit {
    pub serial: UnitSerial,
    pub product: ProductName,
    /// The reel of its chip.
    pub reel: ReelId,
    pub chip_id: ChipId,
    pub state: UnitState,
    /// Why it was scrapped or returned.
    pub reason: Option<String>,
    /// When its first attempt began.
    pub began: OffsetDateTime,
    /// When its state changed last.
    pub changed: OffsetDateTime,
    pub attempts: i64,
    pub onboarding: Option<Onboarding>,
    /// The last entry that tells of it.
    pub entry: Sequence,
}

impl Unit {
    pub(crate) const COLUMNS: &'static str = "u.serial, u.product, u.reel, u.chip_id, u.state, u.reason, u.began, u.changed, u.attempts, \
         u.discriminator, u.salt, u.iterations, u.verifier, u.passcode, u.entry";

    /// Reads [`Unit::COLUMNS`] from the first column on.
    pub(crate) fn read(row: &Row) -> Result<Self, BookError> {
        let serial = UnitSerial::kept(row.text(0)?);
        let wrong = |what: &str| BookError::damaged(format!("the {what} of unit {serial}"));
        let onboarding = if row.is_null(9) {
            None
        } else {
            Some(Onboarding {
                discriminator: u16::try_from(row.int(9)?).map_err(|_| wrong("discriminator"))?,
                salt: row.bytes(10)?,
                iterations: u32::try_from(row.int(11)?).map_err(|_| wrong("iterations"))?,
                verifier: row.bytes(12)?,
                passcode: row.maybe(13, Row::bytes)?,
            })
        };
        Ok(Self {
            product: ProductName::kept(row.text(1)?),
            reel: ReelId::kept(row.text(2)?),
            chip_id: ChipId::kept(row.text(3)?),
            state: UnitState::read(row, 4)?,
            reason: row.maybe(5, Row::text)?,
            began: moment(row.int(6)?)?,
            changed: moment(row.int(7)?)?,
            attempts: row.int(8)?,
            onboarding,
            entry: Sequence(row.int(14)?),
            serial,
        })
    }
}

/// A unit out of the row that a change returned: the columns under its digest.
pub(crate) fn changed(row: &Row, entry: i64) -> Result<Unit, BookError> {
    // serial to attempts stand alike in both; then comes `proven`, which a unit
    // does not tell, then the onboarding data, and the entry in place of nothing.
    let mut values = row.0.clone();
    if values.len() != 15 {
        return Err(BookError::damaged("a changed unit has too few columns"));
    }
    values.remove(9);
    values.push(crate::engine::Value::Int(entry));
    Unit::read(&Row(values))
}

/// A unit whose passcode is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptPasscode {
    pub unit: UnitSerial,
    pub state: UnitState,
    /// When its state changed last.
    pub changed: OffsetDateTime,
    /// When its label was printed last, with the code that it has.
    pub printed: Option<OffsetDateTime>,
}

/// Something that happened to a unit's label.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Label {
    /// Printed, checked, or found to be another's.
    pub event: LabelEvent,
    pub at: OffsetDateTime,
    pub actor: Actor,
}

/// Why a unit was left as it is.
#[derive(Debug, thiserror::Error)]
pub enum UnitError {
    /// No such unit was ever begun.
    #[error("unit {unit} is not in the book")]
    Unknown { unit: UnitSerial },
    /// A station is at work on it, or died at it.
    #[error("unit {unit} has been on station {station} since {}", told(*.since))]
    OnStation {
        unit: UnitSerial,
        station: StationName,
        /// When the attempt began.
        since: OffsetDateTime,
    },
    /// It does not stand where the act begins.
    #[error("unit {unit} is {state}, so it can't be {wanted}")]
    State {
        unit: UnitSerial,
        state: UnitState,
        /// What was to be done.
        wanted: &'static str,
    },
    /// It waits for its next board already, with the code that it has.
    #[error("unit {unit} already waits for its next board, and keeps its code")]
    Waits { unit: UnitSerial },
    /// Its certificate counts no more.
    #[error("the certificate of unit {unit} is revoked, so it can't be proven again")]
    Revoked { unit: UnitSerial },
    /// The book gave no answer. Nothing was changed.
    #[error(transparent)]
    Book(#[from] BookError),
}

impl UnitError {
    /// Whose move it is.
    pub fn blame(&self) -> Blame {
        match self {
            Self::Unknown { .. } => Blame::Usage,
            Self::OnStation { .. } | Self::State { .. } | Self::Waits { .. } | Self::Revoked { .. } => Blame::Refused,
            Self::Book(error) => error.blame(),
        }
    }

    /// The next move, as a sentence.
    pub fn advice(&self) -> String {
        match self {
            Self::Unknown { .. } => "Scan the label again.".into(),
            Self::OnStation { station, .. } => {
                format!("Take it off station {station} first. If that station crashed, take the unit over.")
            }
            Self::State { .. } => "See what was done to it with `touchmark unit show`.".into(),
            Self::Waits { .. } => {
                "Give it its next board first. Once it passed, `touchmark unit refurbish` gives it a new code.".into()
            }
            Self::Revoked { .. } => "Swap its board with `touchmark unit swap`. Nothing was changed.".into(),
            Self::Book(error) => error.advice(),
        }
    }
}

/// Records what happened to the label of a unit that is [`locked`].
fn labelled(tx: &mut Tx<'_>, serial: &UnitSerial, event: LabelEvent, by: &By) -> Result<Sequence, UnitError> {
    let sequence = tx.next_sequence()?;
    let number = tx.number("SELECT count(*) + 1 FROM label WHERE unit = $1", params![serial.as_str()])?;
    tx.insert(&rows::LABEL, params![serial.as_str(), number, event.word(), by.micros(), by.actor.as_str(), sequence])?;
    let act = match event {
        LabelEvent::Printed => "label.print",
        LabelEvent::Checked | LabelEvent::Mismatched => "label.check",
    };
    let body = json!({ "event": event });
    Ok(tx.append(Draft::new(act, Subject::Unit(serial.clone()), body), by)?)
}

/// Locks a unit, through its chip: whoever changes a unit holds its chip's row.
pub(crate) fn locked(tx: &mut Tx<'_>, serial: &UnitSerial) -> Result<(Unit, Chip), UnitError> {
    let sql = format!(
        "SELECT {} FROM chip c WHERE c.chip_id = (SELECT u.chip_id FROM unit u WHERE u.serial = $1) {{lock:c}}",
        Chip::COLUMNS
    );
    let Some(row) = tx.one(&sql, params![serial.as_str()])? else {
        return Err(UnitError::Unknown { unit: serial.clone() });
    };
    let chip = Chip::read(&row)?;
    let unit = read_unit(tx.connection(), serial.as_str())?
        .ok_or_else(|| BookError::damaged(format!("unit {serial} disappeared during the act")))?;
    Ok((unit, chip))
}

/// The same for an act that changes where the unit stands, with the log's head taken: a unit that waits for its next
/// board gets it from a station that holds that board's row.
pub(crate) fn locked_at_head(tx: &mut Tx<'_>, serial: &UnitSerial) -> Result<(Unit, Chip), UnitError> {
    let (_, chip) = locked(tx, serial)?;
    tx.next_sequence()?;
    let unit = again(tx, serial)?;
    if unit.chip_id == chip.chip_id {
        return Ok((unit, chip));
    }
    match attempt::open(tx, serial)? {
        Some(open) => Err(UnitError::OnStation { unit: unit.serial, station: open.station, since: open.started }),
        None => Err(BookError::damaged(format!("unit {serial} got another board during the act")).into()),
    }
}

pub(crate) fn read_unit(c: &mut Connection, serial: &str) -> Result<Option<Unit>, BookError> {
    let sql = format!("SELECT {} FROM unit u WHERE u.serial = $1", Unit::COLUMNS);
    c.one(&sql, params![serial])?.as_ref().map(Unit::read).transpose()
}

pub(crate) fn read_labels(c: &mut Connection, serial: &str) -> Result<Vec<Label>, BookError> {
    c.all("SELECT event, at, actor FROM label WHERE unit = $1 ORDER BY number", params![serial])?
        .iter()
        .map(|row| {
            Ok(Label { event: LabelEvent::read(row, 0)?, at: moment(row.int(1)?)?, actor: Actor::kept(row.text(2)?) })
        })
        .collect()
}

/// Scraps a unit, as [`Book::scrap_unit`] does. Inside a transaction.
pub(crate) fn scrap(
    tx: &mut Tx<'_>,
    serial: &UnitSerial,
    reason: &str,
    take_over: bool,
    by: &By,
) -> Result<Unit, UnitError> {
    let (unit, chip) = locked_at_head(tx, serial)?;
    if unit.state == UnitState::Scrapped {
        return Ok(unit);
    }
    let open = attempt::open(tx, serial)?;
    if let Some(Attempt { station, started, .. }) = &open
        && !take_over
    {
        return Err(UnitError::OnStation { unit: serial.clone(), station: station.clone(), since: *started });
    }
    let sequence = tx.next_sequence()?;
    if let Some(open) = &open {
        attempt::interrupt(tx, open, "the unit was scrapped", by)?;
    }
    // That of a unit that waits for its next board is scrapped already.
    if chip.state != ChipState::Scrapped {
        chip::scrap(tx, &chip, reason)?;
    }
    tx.change_one(
        &rows::UNIT,
        "UPDATE unit SET state = 'scrapped', reason = $1, changed = $2, entry = $3 WHERE serial = $4",
        params![reason, by.micros(), sequence, serial.as_str()],
    )?;
    let body = json!({ "reason": reason, "was": unit.state, "chip": chip.chip_id });
    tx.append(Draft::new("unit.scrap", Subject::Unit(serial.clone()), body), by)?;
    Ok(again(tx, serial)?)
}

impl Book {
    /// Scraps a unit: its chip is scrapped and its credential spent with it, for
    /// ever. Asking again for one already scrapped changes nothing.
    ///
    /// - `take_over`: also where an attempt is open, which then counts as interrupted.
    ///
    /// # Errors
    ///
    /// [`UnitError::OnStation`] where a station is at work on it.
    pub fn scrap_unit(&self, serial: &UnitSerial, reason: &str, take_over: bool, by: &By) -> Result<Unit, UnitError> {
        self.write(|tx| scrap(tx, serial, reason, take_over, by))
    }

    /// Records that a unit that had passed came back. It keeps its chip.
    ///
    /// # Errors
    ///
    /// [`UnitError::State`] where it never passed, or was scrapped.
    pub fn return_unit(&self, serial: &UnitSerial, reason: &str, by: &By) -> Result<Unit, UnitError> {
        self.write(|tx| {
            let (unit, _) = locked_at_head(tx, serial)?;
            if unit.state != UnitState::Passed {
                return Err(UnitError::State { unit: serial.clone(), state: unit.state, wanted: "returned" });
            }
            let sequence = tx.next_sequence()?;
            tx.change_one(
                &rows::UNIT,
                "UPDATE unit SET state = 'returned', reason = $1, changed = $2, entry = $3 WHERE serial = $4",
                params![reason, by.micros(), sequence, serial.as_str()],
            )?;
            tx.append(Draft::new("unit.return", Subject::Unit(serial.clone()), json!({ "reason": reason })), by)?;
            Ok(again(tx, serial)?)
        })
    }

    /// Records what happened to a unit's label.
    ///
    /// # Errors
    ///
    /// [`UnitError::Unknown`] where there is no such unit.
    pub fn record_label(&self, serial: &UnitSerial, event: LabelEvent, by: &By) -> Result<Sequence, UnitError> {
        self.write(|tx| {
            locked(tx, serial)?;
            labelled(tx, serial, event, by)
        })
    }

    /// The same of many units, all or none of them; an entry each. Whoever records thousands does so some hundred at a
    /// time: stations wait for the log meanwhile.
    ///
    /// # Errors
    ///
    /// As [`Book::record_label`].
    pub fn record_labels(&self, serials: &[UnitSerial], event: LabelEvent, by: &By) -> Result<(), UnitError> {
        self.write(|tx| {
            // All chips before the log, as every act does.
            serials.iter().try_for_each(|serial| locked(tx, serial).map(drop))?;
            serials.iter().try_for_each(|serial| labelled(tx, serial, event, by).map(drop))
        })
    }

    /// Erases a unit's passcode and those that it had before, permanently; the entry that says so vouches for the unit
    /// without it. `None` where it was erased before: asking again changes nothing.
    ///
    /// - `why`: the act's own words, kept with the entry.
    ///
    /// # Errors
    ///
    /// [`UnitError::State`] for a unit that is not off the line yet.
    pub fn erase_passcode(&self, serial: &UnitSerial, why: &Json, by: &By) -> Result<Option<Sequence>, UnitError> {
        self.write(|tx| {
            let (unit, _) = locked_at_head(tx, serial)?;
            let kept = "SELECT number FROM earlier_code WHERE unit = $1 AND passcode IS NOT NULL ORDER BY number";
            let earlier = tx.all(kept, params![serial.as_str()])?;
            let own = unit.onboarding.is_some_and(|o| o.passcode.is_some());
            if !own && earlier.is_empty() {
                return Ok(None);
            }
            if !matches!(unit.state, UnitState::Passed | UnitState::Returned | UnitState::Scrapped) {
                let wanted = "given up its passcode";
                return Err(UnitError::State { unit: serial.clone(), state: unit.state, wanted });
            }
            let sequence = tx.next_sequence()?;
            if own {
                tx.change_one(
                    &rows::UNIT,
                    "UPDATE unit SET passcode = NULL, entry = $1 WHERE serial = $2",
                    params![sequence, serial.as_str()],
                )?;
            }
            for row in earlier {
                tx.change_one(
                    &rows::EARLIER_CODE,
                    "UPDATE earlier_code SET passcode = NULL, entry = $1 WHERE unit = $2 AND number = $3",
                    params![sequence, serial.as_str(), row.int(0)?],
                )?;
            }
            Ok(Some(tx.append(Draft::new("passcode.erase", Subject::Unit(serial.clone()), why.clone()), by)?))
        })
    }

    /// Units whose passcode is kept, in the order of their serial numbers, after one of them.
    pub fn passcodes_kept(
        &self,
        after: Option<&UnitSerial>,
        limit: u32,
    ) -> Result<Page<KeptPasscode, UnitSerial>, BookError> {
        let sql = "SELECT u.serial, u.state, u.changed, \
                   (SELECT max(l.at) FROM label l WHERE l.unit = u.serial AND l.event = 'printed' AND l.at >= \
                   coalesce((SELECT max(e.replaced) FROM earlier_code e WHERE e.unit = u.serial), l.at)) FROM unit u \
                   WHERE u.passcode IS NOT NULL AND u.serial > $1 ORDER BY u.serial LIMIT $2";
        let after = after.map_or("", UnitSerial::as_str);
        let rows = self.read(|c| c.all(sql, params![after, i64::from(limit) + 1]))?;
        let kept = rows.iter().map(|row| {
            Ok(KeptPasscode {
                unit: UnitSerial::kept(row.text(0)?),
                state: UnitState::read(row, 1)?,
                changed: moment(row.int(2)?)?,
                printed: row.maybe(3, Row::int)?.map(moment).transpose()?,
            })
        });
        Page::cut(kept.collect::<Result<_, BookError>>()?, limit, |kept| kept.unit.clone())
    }

    /// After an erasure: what the database still holds of old rows in its journal is
    /// written over or given free. Stations may go on meanwhile.
    pub fn forget_old_rows(&self) -> Result<(), BookError> {
        self.read(|c| {
            if c.is_sqlite() {
                c.one("PRAGMA wal_checkpoint(TRUNCATE)", &[]).map(drop)
            } else {
                c.batch("VACUUM unit, earlier_code")
            }
        })
    }

    /// The unit with this serial number.
    pub fn unit(&self, serial: &UnitSerial) -> Result<Option<Unit>, BookError> {
        self.read(|c| read_unit(c, serial.as_str()))
    }

    /// The unit that has this chip.
    pub fn unit_of_chip(&self, chip: &ChipId) -> Result<Option<Unit>, BookError> {
        let sql = format!("SELECT {} FROM unit u WHERE u.chip_id = $1", Unit::COLUMNS);
        self.read(|c| c.one(&sql, params![chip.as_str()]))?.as_ref().map(Unit::read).transpose()
    }
}

pub(crate) fn again(tx: &mut Tx<'_>, serial: &UnitSerial) -> Result<Unit, BookError> {
    read_unit(tx.connection(), serial.as_str())?.ok_or_else(|| BookError::damaged(format!("unit {serial} is missing")))
}
