//! The intention: before a chip is touched, the book says for whom.

use serde_json::json;

use super::facts::AttemptFacts;
use super::refused::BeginError;
use super::{Attempt, interrupt, open, serial};
use crate::authority::Authority;
use crate::by::By;
use crate::chip::Chip;
use crate::credential::Credential;
use crate::engine::{Ask, Row, params};
use crate::error::BookError;
use crate::ids::{AttemptNumber, ChipId, DeclarationName, ReelId, Sequence, StationName, UnitSerial};
use crate::log::{Change, Draft, Subject, rows};
use crate::product::Product;
use crate::renewal::{keep_code, read_pending};
use crate::transaction::Tx;
use crate::unit::{self, Onboarding, Unit};
use crate::words::{AttemptResult, ChipState, CredentialState, Purpose, UnitState};
use crate::{Book, Stop};

/// Which serial number a unit gets, if it is a new one.
#[derive(Debug, Clone, Copy)]
pub enum SerialWish<'a> {
    /// This one and no other: it is on the housing. A chip that has another unit is refused.
    Exactly(&'a UnitSerial),
    /// This one, if the chip has no unit yet; one that has goes on with its unit.
    IfNew(&'a UnitSerial),
    /// The next free one of the series that this one begins: same text before
    /// the digits at its end, same number of digits. The book counts, for all stations.
    CountFrom(&'a UnitSerial),
    /// There is none left: a chip that has a unit goes on with it, another is refused.
    Nothing,
}

/// Makes onboarding data for a new unit, its passcode encrypted for the serial
/// number; called inside the transaction, so what takes long is made before.
/// It may be called twice where the database asks for the act to be repeated.
pub type Onboard<'a> = &'a dyn Fn(&UnitSerial) -> Result<Option<Onboarding>, Stop>;

/// What a station is about to do.
pub struct Begin<'a> {
    /// The chip that it found.
    pub chip: &'a ChipId,
    /// The reel that it works on, where it is bound to one.
    pub reel: Option<&'a ReelId>,
    /// The serial number for a new unit, or of one that waits for its next board.
    pub serial: SerialWish<'a>,
    /// With [`SerialWish::CountFrom`], a unit of the product that waits for its next board goes before a new one;
    /// without this, only where the series is named by its number.
    pub waiting: bool,
    /// Makes the onboarding data for a new unit, or for one whose code is to be replaced.
    pub onboard: Onboard<'a>,
    /// The declaration that will be written.
    pub declaration: Option<&'a DeclarationName>,
    /// What the station was told of the unit.
    pub facts: AttemptFacts,
    /// Take the unit over where an attempt is open at another station.
    pub take_over: bool,
    /// Who, at which station, when. The station must be told.
    pub by: &'a By,
}

impl<'a> Begin<'a> {
    /// A new unit of a chip of any reel, without onboarding data, declaration or further facts.
    pub fn new(chip: &'a ChipId, serial: SerialWish<'a>, by: &'a By) -> Self {
        let (reel, declaration, facts) = (None, None, AttemptFacts::default());
        let (waiting, take_over) = (false, false);
        Self { chip, reel, serial, waiting, onboard: &|_| Ok(None), declaration, facts, take_over, by }
    }
}

/// What a station needs to go on.
#[derive(Debug, Clone, PartialEq)]
pub struct Begun {
    /// The unit, new or known.
    pub unit: Unit,
    /// The attempt now open.
    pub attempt: AttemptNumber,
    pub chip: Chip,
    pub credential: Credential,
    /// The PAI that issued the credential.
    pub authority: Authority,
    /// What the unit is going to be.
    pub product: Product,
    /// Whether the unit had this chip before: it may hold anything from nothing to all.
    pub resumed: bool,
    /// Whether the unit was known, and waited for this board.
    pub board: bool,
    /// Whether a known unit got new onboarding data with this attempt.
    pub new_code: bool,
    /// The attempt before this one, with its cause if it failed. One that was
    /// open is told here as interrupted.
    pub previous: Option<Attempt>,
    pub entry: Sequence,
}

impl Book {
    /// Commits the intention to provision a chip, durably, before it is touched.
    ///
    /// In one transaction: the chip is held and its credential reserved for the
    /// unit, which is made if the chip has none and no unit waits for a board; a
    /// code that is to be replaced is drawn anew; an attempt is opened; an entry
    /// is appended. A crash after this leaves the attempt open: the same chip on
    /// the same station, or on any with `take_over`, goes on with the same unit
    /// and the same credential.
    ///
    /// # Errors
    ///
    /// [`BeginError`] says why the station must not touch the chip; nothing was changed.
    pub fn begin_attempt(&self, begin: &Begin<'_>) -> Result<Begun, BeginError> {
        let Some(station) = &begin.by.station else { return Err(BeginError::NoStation) };
        self.write(|tx| {
            let Looked { mut chip, unit, credential, known, declaration, waiting, series } = look(tx, begin)?;
            refuse_finished(&chip, unit.as_ref())?;
            let mut credential = usable(credential, &chip)?;
            let product = self.known.product(tx, &chip.reel, known.product)?;
            let authority = self.known.authority(tx, &credential.authority, known.authority)?;
            check_declaration(begin, declaration, product.facts.purpose)?;
            let mut body = json!({
                "chip": chip.chip_id,
                "credential": { "issuer": hex::encode(&credential.issuer_key_id), "serial": hex::encode(&credential.serial) },
                "declaration": begin.declaration,
            });
            let mut board = None;
            if let (None, Some(waiting)) = (&unit, &waiting) {
                board = take_up(tx, begin, waiting, station, &mut chip, &mut credential, &product)?;
            }
            let (after, new_code, previous) = match (&unit, &board) {
                (Some(unit), _) => {
                    let (after, new_code, previous) = resume(tx, begin, (unit, &chip), station)?;
                    body["interrupted"] = match &previous {
                        Some(p) if p.result == AttemptResult::Interrupted => json!(p.number),
                        _ => json!(null),
                    };
                    (after, new_code, previous)
                }
                (None, Some((after, new_code))) => (after.clone(), *new_code, None),
                (None, None) => {
                    (start(tx, begin, station, series, &mut chip, &mut credential, &product)?, false, None)
                }
            };
            if board.is_some() || new_code {
                body["code"] = if new_code { json!("new") } else { json!("kept") };
            }
            let attempt = AttemptNumber(after.attempts);
            body["attempt"] = json!(attempt);
            begin.facts.note(&mut body);
            let entry = tx.append(Draft::new("attempt.begin", Subject::Unit(after.serial.clone()), body), begin.by)?;
            Ok(Begun {
                chip,
                credential,
                unit: after,
                attempt,
                authority,
                product,
                resumed: unit.is_some(),
                board: board.is_some(),
                new_code,
                previous,
                entry,
            })
        })
    }
}

/// The last entries about the chip's product and its credential's authority.
struct Entries {
    product: Option<i64>,
    authority: Option<i64>,
}

/// What a station's question finds, the chip's row locked.
struct Looked<'a> {
    chip: Chip,
    unit: Option<Unit>,
    credential: Option<Credential>,
    known: Entries,
    /// What the declaration is for, where it is in the book.
    declaration: Option<Purpose>,
    /// A unit that waited for its next board then, and may take the chip.
    waiting: Option<UnitSerial>,
    /// The series of serial numbers, where the book counts, its row locked.
    series: Option<serial::Series<'a>>,
}

/// Looks all up on one way to the server and back.
fn look<'a>(tx: &mut Tx<'_>, begin: &Begin<'a>) -> Result<Looked<'a>, BeginError> {
    let chip = begin.chip.as_str();
    let lock = format!("SELECT {} FROM chip c WHERE c.chip_id = $1 {{lock:c}}", Chip::COLUMNS);
    // Asked after the chip's row was locked: what another station committed before that is seen.
    let with = format!(
        "SELECT {}, {}, p.entry, a.entry FROM chip c LEFT JOIN unit u ON u.chip_id = c.chip_id \
         LEFT JOIN credential k ON k.public_key = c.public_key LEFT JOIN authority a ON a.name = k.authority \
         LEFT JOIN reel r ON r.reel_id = c.reel LEFT JOIN product p ON p.name = r.product WHERE c.chip_id = $1",
        Unit::COLUMNS,
        Credential::COLUMNS
    );
    let mut asks = vec![Ask::new(lock, params![chip]), Ask::new(with, params![chip])];
    if let Some(declaration) = begin.declaration {
        asks.push(Ask::new("SELECT purpose FROM declaration WHERE name = $1", params![declaration.as_str()]));
    }
    let named = match begin.serial {
        SerialWish::Exactly(serial) | SerialWish::IfNew(serial) | SerialWish::CountFrom(serial) => Some(serial),
        SerialWish::Nothing => None,
    };
    let any = begin.waiting && matches!(begin.serial, SerialWish::CountFrom(_));
    let waits = waiting(any, tx.is_sqlite());
    if let Some(named) = named {
        asks.push(Ask::new(waits, params![chip, named.as_str()]));
    }
    let pattern = match begin.serial {
        SerialWish::CountFrom(first) => Some(serial::Pattern::of(first)?),
        SerialWish::Exactly(_) | SerialWish::IfNew(_) | SerialWish::Nothing => None,
    };
    asks.extend(pattern.iter().flat_map(serial::Pattern::lock));
    let mut answers = tx.several(&asks)?.into_iter();
    let mut next = || answers.next().and_then(|rows| rows.into_iter().next());

    let row = next().ok_or_else(|| BeginError::ChipUnknown { chip: begin.chip.clone() })?;
    let chip = Chip::read(&row)?;
    if let Some(wanted) = begin.reel
        && *wanted != chip.reel
    {
        return Err(BeginError::OtherReel { chip: chip.chip_id, found: chip.reel, wanted: wanted.clone() });
    }
    let row = next().ok_or_else(|| BookError::damaged(format!("chip {} is missing", chip.chip_id)))?;
    let unit = if row.is_null(0) { None } else { Some(Unit::read(&row)?) };
    let credential = if row.is_null(UNIT_WIDTH) { None } else { Some(Credential::read(&row, UNIT_WIDTH)?) };
    let last = row.0.len();
    let known = Entries { product: row.maybe(last - 2, Row::int)?, authority: row.maybe(last - 1, Row::int)? };
    let declaration = match begin.declaration {
        Some(_) => next().map(|row| Purpose::read(&row, 0)).transpose()?,
        None => None,
    };
    let waiting = match named {
        Some(_) => next().map(|row| row.text(0)).transpose()?.map(UnitSerial::kept),
        None => None,
    };
    let series = match pattern {
        // The first of the two makes the series and gives nothing back.
        Some(pattern) => {
            next();
            Some(pattern.locked(next())?)
        }
        None => None,
    };
    Ok(Looked { chip, unit, credential, known, declaration, waiting, series })
}

/// Asks for the unit that waits for its next board and may take a chip: that of a serial number, or else the one of the
/// chip's product that has waited longest.
fn waiting(any: bool, sqlite: bool) -> String {
    // Few units are open, and all of a product are many.
    let product = if sqlite { "+u.product" } else { "u.product" };
    let whose = if any { "" } else { "AND upper(u.serial) = upper($2) " };
    format!(
        "SELECT u.serial FROM chip c JOIN reel r ON r.reel_id = c.reel \
         JOIN unit u ON u.state = 'open' AND {product} = r.product \
         JOIN renewal w ON w.unit = u.serial AND w.attempts = u.attempts AND w.kind = 'swap' \
         WHERE c.chip_id = $1 {whose}ORDER BY CASE WHEN upper(u.serial) = upper($2) THEN 0 ELSE 1 END, w.entry LIMIT 1"
    )
}

/// Columns of [`Unit::COLUMNS`].
const UNIT_WIDTH: usize = 15;

/// A chip that is done with, for better or worse, is not begun again.
fn refuse_finished(chip: &Chip, unit: Option<&Unit>) -> Result<(), BeginError> {
    let serial = unit.map(|u| u.serial.clone());
    match (chip.state, unit) {
        (ChipState::Scrapped, _) => Err(BeginError::ChipScrapped {
            chip: chip.chip_id.clone(),
            unit: serial,
            reason: chip.reason.clone().unwrap_or_default(),
        }),
        // Back on the line with the board that it has.
        (ChipState::Provisioned, Some(Unit { state: UnitState::Open | UnitState::Failed, .. })) => Ok(()),
        (ChipState::Provisioned, Some(unit)) => Err(BeginError::AlreadyProvisioned { unit: Box::new(unit.clone()) }),
        (ChipState::Provisioned | ChipState::Held, None) => {
            Err(BookError::damaged(format!("chip {} is {}, but no unit has it", chip.chip_id, chip.state)).into())
        }
        (ChipState::Blank, Some(unit)) => {
            Err(BookError::damaged(format!("chip {} of unit {} is blank", chip.chip_id, unit.serial)).into())
        }
        (ChipState::Blank, None) | (ChipState::Held, Some(_)) => Ok(()),
    }
}

fn usable(credential: Option<Credential>, chip: &Chip) -> Result<Credential, BeginError> {
    let Some(credential) = credential else {
        return Err(BeginError::NoCredential { chip: chip.chip_id.clone(), reel: chip.reel.clone() });
    };
    match (credential.state, chip.state) {
        (CredentialState::Available, ChipState::Blank)
        | (CredentialState::Reserved, ChipState::Held)
        | (CredentialState::Installed, ChipState::Provisioned) => Ok(credential),
        (CredentialState::Revoked, _) => Err(BeginError::CredentialRevoked {
            chip: chip.chip_id.clone(),
            serial: hex::encode(&credential.serial),
            reason: credential.reason.unwrap_or_default(),
        }),
        (state, _) => {
            Err(BookError::damaged(format!("chip {} is {}, but its credential is {state}", chip.chip_id, chip.state))
                .into())
        }
    }
}

fn check_declaration(begin: &Begin<'_>, theirs: Option<Purpose>, purpose: Purpose) -> Result<(), BeginError> {
    let Some(declaration) = begin.declaration else { return Ok(()) };
    let refused = |why: String| BeginError::Declaration { declaration: declaration.clone(), why };
    let theirs = theirs.ok_or_else(|| refused("it is not in the book".into()))?;
    if theirs == purpose {
        Ok(())
    } else {
        Err(refused(format!("it is for {theirs}, but the product is for {purpose}")))
    }
}

/// Opens an attempt, and keeps what was told with it.
fn opening<'a>(
    begin: &'a Begin<'_>,
    unit: &'a UnitSerial,
    number: i64,
    station: &'a StationName,
    entry: i64,
) -> Vec<Change<'a>> {
    let attempt = Change::of(
        &rows::ATTEMPT,
        "INSERT INTO attempt (unit, number, station, actor, declaration, started, result, entry) \
         VALUES ($1, $2, $3, $4, $5, $6, 'open', $7)",
        params![
            unit.as_str(),
            number,
            station.as_str(),
            begin.by.actor.as_str(),
            begin.declaration.map(|d| d.as_str()),
            begin.by.micros(),
            entry,
        ],
    );
    [attempt].into_iter().chain(begin.facts.rows(unit, number, entry)).collect()
}

/// Goes on with a unit that is known; whether it got a new code, and the attempt before.
fn resume(
    tx: &mut Tx<'_>,
    begin: &Begin<'_>,
    (unit, chip): (&Unit, &Chip),
    station: &StationName,
) -> Result<(Unit, bool, Option<Attempt>), BeginError> {
    if let SerialWish::Exactly(wanted) = begin.serial
        && *wanted != unit.serial
    {
        return Err(BeginError::ChipHasUnit {
            chip: unit.chip_id.clone(),
            unit: unit.serial.clone(),
            wanted: wanted.clone(),
        });
    }
    let left_open = open(tx, &unit.serial)?;
    if let Some(left) = &left_open
        && left.station != *station
        && !begin.take_over
    {
        return Err(BeginError::Elsewhere {
            unit: unit.serial.clone(),
            attempt: left.number,
            station: left.station.clone(),
            since: left.started,
        });
    }
    let sequence = tx.next_sequence()?;
    if let Some(left) = &left_open {
        interrupt(tx, left, "its station never ended it", begin.by)?;
    }
    // Only a board that was proven goes back to the line by itself.
    let new_code = chip.state == ChipState::Provisioned && read_pending(tx, unit)?.code;
    let after = reopen(tx, begin, unit, chip, new_code, sequence)?;
    tx.changes(&opening(begin, &after.serial, after.attempts, station, sequence))?;
    let sql = format!("SELECT {} FROM attempt a WHERE a.unit = $1 AND a.number = $2", Attempt::COLUMNS);
    let row = tx.one(&sql, params![unit.serial.as_str(), unit.attempts])?;
    Ok((after, new_code, row.as_ref().map(Attempt::read).transpose()?))
}

/// Opens a known unit for its next attempt, with the chip that it has from now on.
fn reopen(
    tx: &mut Tx<'_>,
    begin: &Begin<'_>,
    unit: &Unit,
    chip: &Chip,
    new_code: bool,
    sequence: i64,
) -> Result<Unit, BeginError> {
    let mut onboarding = unit.onboarding.clone();
    if new_code {
        onboarding = (begin.onboard)(&unit.serial).map_err(BeginError::Onboarding)?;
        keep_code(tx, unit, begin.by, sequence)?;
    }
    let code = onboarding.as_ref();
    let row = tx.change_one(
        &rows::UNIT,
        "UPDATE unit SET state = 'open', attempts = attempts + 1, chip_id = $1, reel = $2, discriminator = $3, salt = $4, \
         iterations = $5, verifier = $6, passcode = $7, changed = $8, entry = $9 WHERE serial = $10",
        params![
            chip.chip_id.as_str(),
            chip.reel.as_str(),
            code.map(|o| i64::from(o.discriminator)),
            code.map(|o| o.salt.as_slice()),
            code.map(|o| i64::from(o.iterations)),
            code.map(|o| o.verifier.as_slice()),
            code.and_then(|o| o.passcode.as_deref()),
            begin.by.micros(),
            sequence,
            unit.serial.as_str(),
        ],
    )?;
    Ok(unit::changed(&row, sequence)?)
}

/// Changes that give a blank chip and its credential to a unit.
fn reserved<'a>(chip: &'a Chip, sequence: i64) -> [Change<'a>; 2] {
    [
        Change::of(
            &rows::CHIP,
            "UPDATE chip SET state = 'held', entry = $1 WHERE chip_id = $2 AND state = 'blank'",
            params![sequence, chip.chip_id.as_str()],
        ),
        Change::of(
            &rows::CREDENTIAL,
            "UPDATE credential SET state = 'reserved', entry = $1 WHERE public_key = $2 AND state = 'available'",
            params![sequence, &chip.public_key],
        ),
    ]
}

/// Gives a blank chip to a unit that waits for its next board, and notes in `chip` and `credential` what became of them;
/// the unit, and whether it got a new code. `None` where another station was faster.
fn take_up(
    tx: &mut Tx<'_>,
    begin: &Begin<'_>,
    waiting: &UnitSerial,
    station: &StationName,
    chip: &mut Chip,
    credential: &mut Credential,
    product: &Product,
) -> Result<Option<(Unit, bool)>, BeginError> {
    // From the head on no other station takes it.
    let sequence = tx.next_sequence()?;
    let unit = unit::again(tx, waiting)?;
    let pending = read_pending(tx, &unit)?;
    if !pending.board || unit.product != product.facts.name {
        return Ok(None);
    }
    tx.changes(&reserved(chip, sequence))?;
    let after = reopen(tx, begin, &unit, chip, pending.code, sequence)?;
    tx.changes(&opening(begin, &after.serial, after.attempts, station, sequence))?;
    (chip.state, chip.entry) = (ChipState::Held, Some(Sequence(sequence)));
    (credential.state, credential.entry) = (CredentialState::Reserved, Some(Sequence(sequence)));
    Ok(Some((after, pending.code)))
}

/// Makes the unit of a blank chip with its first attempt, and notes in `chip` and
/// `credential` what became of them.
fn start(
    tx: &mut Tx<'_>,
    begin: &Begin<'_>,
    station: &StationName,
    series: Option<serial::Series<'_>>,
    chip: &mut Chip,
    credential: &mut Credential,
    product: &Product,
) -> Result<Unit, BeginError> {
    // From the head on nobody else makes a unit, so a serial number that is free then stays so.
    let (serial, sequence) = match (begin.serial, series) {
        (SerialWish::Nothing, _) => return Err(BeginError::NoSerial { chip: chip.chip_id.clone() }),
        (SerialWish::CountFrom(_), Some(series)) => series.following(tx)?,
        (SerialWish::Exactly(serial) | SerialWish::IfNew(serial) | SerialWish::CountFrom(serial), _) => {
            let (answers, sequence) = tx.several_at_head(Vec::new(), vec![serial::owner(serial.as_str())])?;
            if let Some(row) = answers.iter().flatten().next() {
                let (owner, unit) = (ChipId::kept(row.text(0)?), UnitSerial::kept(row.text(1)?));
                return Err(BeginError::SerialTaken { unit, owner, chip: chip.chip_id.clone() });
            }
            (serial.clone(), sequence)
        }
    };
    let onboarding = (begin.onboard)(&serial).map_err(BeginError::Onboarding)?;
    let onboarding = onboarding.as_ref();
    let mut changes = Vec::from(reserved(chip, sequence));
    changes.push(
        Change::of(
            &rows::UNIT,
            "INSERT INTO unit (serial, product, reel, chip_id, state, began, changed, attempts, discriminator, salt, \
             iterations, verifier, passcode, entry) VALUES ($1, $2, $3, $4, 'open', $5, $5, 1, $6, $7, $8, $9, $10, $11)",
            params![
                serial.as_str(),
                product.facts.name.as_str(),
                chip.reel.as_str(),
                chip.chip_id.as_str(),
                begin.by.micros(),
                onboarding.map(|o| i64::from(o.discriminator)),
                onboarding.map(|o| o.salt.as_slice()),
                onboarding.map(|o| i64::from(o.iterations)),
                onboarding.map(|o| o.verifier.as_slice()),
                onboarding.and_then(|o| o.passcode.as_deref()),
                sequence,
            ],
        ),
    );
    changes.extend(opening(begin, &serial, 1, station, sequence));
    let mut answers = tx.changes(&changes)?;
    let made = answers.swap_remove(MADE_UNIT).into_iter().next();
    let made = made.ok_or_else(|| BookError::damaged(format!("unit {serial} disappeared during the act")))?;
    (chip.state, chip.entry) = (ChipState::Held, Some(Sequence(sequence)));
    (credential.state, credential.entry) = (CredentialState::Reserved, Some(Sequence(sequence)));
    Ok(unit::changed(&made, sequence)?)
}

/// Which of the changes of [`start`] makes the unit.
const MADE_UNIT: usize = 2;
