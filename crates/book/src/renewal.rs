//! Units that go back to the line: for their next board, or with the one that they have and a new code.
//!
//! Between the act and the next attempt a unit waits: it is open, without a proof. What it had stays: the swapped chip
//! is scrapped and keeps its proof, and a code that is replaced is kept beside the new one.

use serde_json::json;
use time::OffsetDateTime;

use crate::Book;
use crate::attempt;
use crate::by::{By, moment};
use crate::chip::{self, Chip};
use crate::credential::{Credential, read_credential};
use crate::engine::{Connection, Row, params};
use crate::error::BookError;
use crate::ids::{Actor, ChipId, ReelId, Sequence, UnitSerial};
use crate::log::{Change, Draft, Subject, rows};
use crate::transaction::Tx;
use crate::unit::{Onboarding, Unit, UnitError, again, locked_at_head};
use crate::words::{ChipState, CredentialState, Next, RenewalKind, UnitState};

/// One time that a unit went back to the line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Renewal {
    pub kind: RenewalKind,
    /// The board that it had then.
    pub chip_id: ChipId,
    /// Attempts that it had had.
    pub attempts: i64,
    /// Whether the next attempt draws a new code.
    pub new_code: bool,
    /// Where it stood.
    pub was: UnitState,
    pub reason: String,
    pub at: OffsetDateTime,
    pub actor: Actor,
    pub entry: Sequence,
}

/// Onboarding data that a unit had before it got others.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EarlierCode {
    pub onboarding: Onboarding,
    /// When the next were drawn.
    pub replaced: OffsetDateTime,
}

/// What a unit waits for.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Pending {
    /// Its next board.
    pub board: bool,
    /// A new code.
    pub code: bool,
}

impl Pending {
    /// Whether it waits at all.
    pub fn any(self) -> bool {
        self.board || self.code
    }
}

impl Renewal {
    fn read(row: &Row) -> Result<Self, BookError> {
        Ok(Self {
            kind: RenewalKind::read(row, 0)?,
            chip_id: ChipId::kept(row.text(1)?),
            attempts: row.int(2)?,
            new_code: row.int(3)? != 0,
            was: UnitState::read(row, 4)?,
            reason: row.text(5)?,
            at: moment(row.int(6)?)?,
            actor: Actor::kept(row.text(7)?),
            entry: Sequence(row.int(8)?),
        })
    }
}

/// Each time that a unit went back, oldest first.
pub(crate) fn read_renewals(c: &mut Connection, unit: &str) -> Result<Vec<Renewal>, BookError> {
    let sql = "SELECT kind, chip_id, attempts, new_code, was, reason, at, actor, entry FROM renewal \
               WHERE unit = $1 ORDER BY number";
    c.all(sql, params![unit])?.iter().map(Renewal::read).collect()
}

/// What a unit waits for, as it stands.
pub(crate) fn read_pending(c: &mut Connection, unit: &Unit) -> Result<Pending, BookError> {
    let mut pending = Pending::default();
    if unit.state == UnitState::Open {
        for renewal in read_renewals(c, unit.serial.as_str())?.iter().filter(|r| r.attempts == unit.attempts) {
            pending.board |= renewal.kind == RenewalKind::Swap;
            pending.code |= renewal.new_code;
        }
    }
    Ok(pending)
}

/// Codes that a unit had before, oldest first.
pub(crate) fn read_earlier_codes(c: &mut Connection, unit: &str) -> Result<Vec<EarlierCode>, BookError> {
    let sql = "SELECT discriminator, salt, iterations, verifier, passcode, replaced FROM earlier_code \
               WHERE unit = $1 ORDER BY number";
    let wrong = |what: &str| BookError::damaged(format!("the {what} in an earlier code of unit {unit}"));
    let read = |row: &Row| {
        Ok(EarlierCode {
            onboarding: Onboarding {
                discriminator: u16::try_from(row.int(0)?).map_err(|_| wrong("discriminator"))?,
                salt: row.bytes(1)?,
                iterations: u32::try_from(row.int(2)?).map_err(|_| wrong("iterations"))?,
                verifier: row.bytes(3)?,
                passcode: row.maybe(4, Row::bytes)?,
            },
            replaced: moment(row.int(5)?)?,
        })
    };
    c.all(sql, params![unit])?.iter().map(read).collect()
}

/// Keeps the code of a unit that is about to get a new one. Under the log's head, so that its number is free.
pub(crate) fn keep_code(tx: &mut Tx<'_>, unit: &Unit, by: &By, sequence: i64) -> Result<(), BookError> {
    let Some(code) = &unit.onboarding else { return Ok(()) };
    let serial = unit.serial.as_str();
    let number = tx.number("SELECT count(*) + 1 FROM earlier_code WHERE unit = $1", params![serial])?;
    let row = Change::row(
        &rows::EARLIER_CODE,
        params![
            serial,
            number,
            by.micros(),
            i64::from(code.discriminator),
            &code.salt,
            i64::from(code.iterations),
            &code.verifier,
            code.passcode.as_deref(),
            sequence,
        ],
    );
    tx.changes(&[row]).map(drop)
}

/// Sends a unit back to the line: it is open, without a proof, and waits.
fn send_back(
    tx: &mut Tx<'_>,
    unit: &Unit,
    (kind, new_code): (RenewalKind, bool),
    reason: &str,
    by: &By,
) -> Result<(), BookError> {
    let (serial, sequence) = (unit.serial.as_str(), tx.next_sequence()?);
    let number = tx.number("SELECT count(*) + 1 FROM renewal WHERE unit = $1", params![serial])?;
    tx.insert(
        &rows::RENEWAL,
        params![
            serial,
            number,
            kind.word(),
            unit.chip_id.as_str(),
            unit.attempts,
            i64::from(new_code),
            unit.state.word(),
            reason,
            by.micros(),
            by.actor.as_str(),
            sequence,
        ],
    )?;
    tx.change_one(
        &rows::UNIT,
        "UPDATE unit SET state = 'open', proven = NULL, reason = NULL, changed = $1, entry = $2 WHERE serial = $3",
        params![by.micros(), sequence, serial],
    )
    .map(drop)
}

/// Closes the attempt that is open, where the caller takes it over.
fn off_station(tx: &mut Tx<'_>, unit: &Unit, take_over: bool, why: &str, by: &By) -> Result<(), UnitError> {
    let Some(open) = attempt::open(tx, &unit.serial)? else { return Ok(()) };
    if !take_over {
        let unit = unit.serial.clone();
        return Err(UnitError::OnStation { unit, station: open.station, since: open.started });
    }
    Ok(attempt::interrupt(tx, &open, why, by)?)
}

/// Whether a station scrapped the unit with its last attempt: its board failed, and nobody gave the unit up.
fn scrapped_at_station(tx: &mut Tx<'_>, unit: &Unit) -> Result<bool, BookError> {
    let sql = "SELECT next FROM attempt WHERE unit = $1 AND number = $2";
    let row = tx.one(sql, params![unit.serial.as_str(), unit.attempts])?;
    Ok(row.map(|row| row.maybe(0, Row::text)).transpose()?.flatten().as_deref() == Some(Next::Scrap.word()))
}

fn credential_of(tx: &mut Tx<'_>, chip: &Chip) -> Result<Option<Credential>, BookError> {
    read_credential(tx.connection(), &chip.public_key)
}

impl Book {
    /// Takes the board out of a unit: its chip is scrapped, its credential spent, or revoked where it was. The unit waits
    /// for its next board, which [`Book::begin_attempt`] gives it. Asking again while it waits changes nothing.
    ///
    /// - `new_code`: draw new onboarding data for the next board; else those of before go on.
    /// - `take_over`: also where an attempt is open, which then counts as interrupted.
    ///
    /// What the unit waits for comes with it.
    ///
    /// # Errors
    ///
    /// [`UnitError::OnStation`] where a station is at work on it; [`UnitError::State`] where somebody scrapped it (not
    /// where a station did: then its board was bad, and the unit goes on with another); [`UnitError::Waits`] where it
    /// waits already, for a board with the code that it has.
    pub fn swap_board(
        &self,
        serial: &UnitSerial,
        reason: &str,
        new_code: bool,
        take_over: bool,
        by: &By,
    ) -> Result<(Unit, Pending), UnitError> {
        self.write(|tx| {
            let (unit, chip) = locked_at_head(tx, serial)?;
            let pending = read_pending(tx, &unit)?;
            if pending.board {
                return match new_code && !pending.code {
                    true => Err(UnitError::Waits { unit: serial.clone() }),
                    false => Ok((unit, pending)),
                };
            }
            if unit.state == UnitState::Scrapped && !scrapped_at_station(tx, &unit)? {
                return Err(UnitError::State {
                    unit: serial.clone(),
                    state: unit.state,
                    wanted: "given another board",
                });
            }
            off_station(tx, &unit, take_over, "the unit's board was swapped", by)?;
            if chip.state != ChipState::Scrapped {
                chip::scrap(tx, &chip, reason)?;
            }
            send_back(tx, &unit, (RenewalKind::Swap, new_code), reason, by)?;
            let pending = Pending { board: true, code: new_code || pending.code };
            let credential = credential_of(tx, &chip)?;
            let body = json!({
                "reason": reason,
                "was": unit.state,
                "chip": chip.chip_id,
                "credential": credential.map(|c| json!({ "serial": hex::encode(c.serial), "state": c.state })),
                "code": if pending.code { "new" } else { "kept" },
            });
            tx.append(Draft::new("unit.swap", Subject::Unit(serial.clone()), body), by)?;
            Ok((again(tx, serial)?, pending))
        })
    }

    /// Makes a unit that passed ready for another owner: it keeps board and credential, waits to be proven again, and gets
    /// a new code with that. Asking again while it waits changes nothing.
    ///
    /// - `erase`: what its firmware must erase, as it was said to whom refurbishes it; kept with the entry.
    ///
    /// # Errors
    ///
    /// [`UnitError::State`] where it did not pass; [`UnitError::Revoked`] where its certificate is revoked.
    pub fn refurbish_unit(
        &self,
        serial: &UnitSerial,
        reason: &str,
        erase: &[&str],
        by: &By,
    ) -> Result<(Unit, Pending), UnitError> {
        self.write(|tx| {
            let (unit, chip) = locked_at_head(tx, serial)?;
            let pending = read_pending(tx, &unit)?;
            if pending.code && !pending.board {
                return Ok((unit, pending));
            }
            if !matches!(unit.state, UnitState::Passed | UnitState::Returned) {
                return Err(UnitError::State { unit: serial.clone(), state: unit.state, wanted: "refurbished" });
            }
            if credential_of(tx, &chip)?.is_some_and(|c| c.state == CredentialState::Revoked) {
                return Err(UnitError::Revoked { unit: serial.clone() });
            }
            send_back(tx, &unit, (RenewalKind::Refurbish, true), reason, by)?;
            let body =
                json!({ "reason": reason, "was": unit.state, "chip": chip.chip_id, "code": "new", "erase": erase });
            tx.append(Draft::new("unit.refurbish", Subject::Unit(serial.clone()), body), by)?;
            Ok((again(tx, serial)?, Pending { board: false, code: true }))
        })
    }

    /// What a unit waits for; nothing for one that is not here.
    pub fn pending(&self, serial: &UnitSerial) -> Result<Pending, BookError> {
        self.snapshot(|c| match crate::unit::read_unit(c, serial.as_str())? {
            Some(unit) => read_pending(c, &unit),
            None => Ok(Pending::default()),
        })
    }

    /// Chips of a reel that were proven, and whose unit is back on the line with them.
    pub fn chips_back(&self, reel: &ReelId) -> Result<Vec<ChipId>, BookError> {
        let sql = "SELECT u.chip_id FROM unit u JOIN chip c ON c.chip_id = u.chip_id WHERE u.reel = $1 \
                   AND u.state IN ('open', 'failed') AND c.state = 'provisioned' ORDER BY u.chip_id";
        let read = |row: &Row| Ok(ChipId::kept(row.text(0)?));
        self.read(|c| c.all(sql, params![reel.as_str()]))?.iter().map(read).collect()
    }

    /// Codes that a unit had before, oldest first.
    pub fn earlier_codes(&self, serial: &UnitSerial) -> Result<Vec<EarlierCode>, BookError> {
        self.read(|c| read_earlier_codes(c, serial.as_str()))
    }
}
