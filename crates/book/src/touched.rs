//! Units that something touches: a key, a certificate, an authority, a delivery,
//! a reel, chips, a station or a period. Each question starts at the index of its
//! own table and walks to the units from there, one row at a time, so that a
//! reel out of ten million units is answered in the time that the reel takes.

use time::OffsetDateTime;

use crate::Book;
use crate::by::{micros, moment};
use crate::carton::PackedIn;
use crate::engine::{Connection, P, Row, Value};
use crate::error::BookError;
use crate::ids::{AuthorityName, ChipId, DeliveryId, FirmwareVersion, ProductName, ReelId, StationName, UnitSerial};
use crate::words::{CredentialState, UnitState};

/// What touches; each condition that is set must hold.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Touch {
    /// The chip with this public key, 65 octets, also where its unit has another board now.
    pub key: Option<Vec<u8>>,
    /// The credential with this serial number (content octets), also where its unit has another board now.
    pub credential: Option<Vec<u8>>,
    /// … of the issuer with this key identifier.
    pub issuer_key_id: Option<Vec<u8>>,
    /// Chips from this id to that one, both included, in the order of their digits.
    pub chips: Option<(ChipId, ChipId)>,
    /// A credential of this delivery.
    pub delivery: Option<DeliveryId>,
    /// A chip of this reel.
    pub reel: Option<ReelId>,
    /// A credential of one of these PAIs, or of a PAI of one of these PAAs; none where nothing is asked of them.
    pub authorities: Vec<AuthorityName>,
    /// An attempt at this station.
    pub station: Option<StationName>,
    /// An attempt that ended at or after this moment, or is still open and began then
    /// (at that station, where one is set).
    pub from: Option<OffsetDateTime>,
    /// An attempt that ended before this moment, or is still open and began before it.
    pub to: Option<OffsetDateTime>,
    pub product: Option<ProductName>,
    pub state: Option<UnitState>,
    /// Carrying this firmware, as it was told last.
    pub firmware: Option<FirmwareVersion>,
    /// In this carton, on this pallet or in this shipment.
    pub packed: Option<PackedIn>,
}

/// Of how many units the firmware is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FirmwareKnown {
    /// Units of which some attempt tells it.
    pub recorded: i64,
    /// Units of which none does.
    pub not_recorded: i64,
}

/// A unit that is touched, with what touches it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Touched {
    pub unit: UnitSerial,
    pub state: UnitState,
    /// Why it was scrapped or returned.
    pub reason: Option<String>,
    pub product: ProductName,
    /// The reel of its chip.
    pub reel: ReelId,
    pub chip_id: ChipId,
    /// When its first attempt began.
    pub began: OffsetDateTime,
    /// When its state changed last.
    pub changed: OffsetDateTime,
    /// Serial number of its credential, content octets.
    pub serial: Vec<u8>,
    /// Identifier of the key that issued it.
    pub issuer_key_id: Vec<u8>,
    /// The PAI that issued it.
    pub authority: AuthorityName,
    /// The delivery that brought it.
    pub delivery: DeliveryId,
    /// Where the credential stands.
    pub credential: CredentialState,
    /// The firmware that it carries, as it was told last.
    pub firmware: Option<FirmwareVersion>,
    /// Whether the chip is that of a board which was swapped: the unit has another one now.
    pub earlier_board: bool,
}

const COLUMNS: &str = "u.serial, u.state, u.reason, u.product, h.reel, h.chip_id, u.began, u.changed, k.serial, \
                       k.issuer_key_id, k.authority, k.delivery, k.state, \
                       (SELECT f.version FROM attempt_firmware f WHERE f.unit = u.serial \
                       ORDER BY f.attempt DESC LIMIT 1), \
                       CAST(CASE WHEN h.chip_id = u.chip_id THEN 0 ELSE 1 END AS BIGINT)";

impl Touched {
    fn read(row: &Row) -> Result<Self, BookError> {
        Ok(Self {
            unit: UnitSerial::kept(row.text(0)?),
            state: UnitState::read(row, 1)?,
            reason: row.maybe(2, Row::text)?,
            product: ProductName::kept(row.text(3)?),
            reel: ReelId::kept(row.text(4)?),
            chip_id: ChipId::kept(row.text(5)?),
            began: moment(row.int(6)?)?,
            changed: moment(row.int(7)?)?,
            serial: row.bytes(8)?,
            issuer_key_id: row.bytes(9)?,
            authority: AuthorityName::kept(row.text(10)?),
            delivery: DeliveryId::kept(row.text(11)?),
            credential: CredentialState::read(row, 12)?,
            firmware: row.maybe(13, Row::text)?.map(FirmwareVersion::kept),
            earlier_board: row.int(14)? != 0,
        })
    }
}

/// Credentials of an authority, by where they stand; also those that no unit has yet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Issued {
    pub authority: AuthorityName,
    pub delivery: DeliveryId,
    /// The reel that it was for.
    pub reel: ReelId,
    pub state: CredentialState,
    pub count: i64,
}

/// Units that an authority's credentials are in, found from either end.
#[cfg(test)]
pub(crate) fn units_of_authority(book: &Book, touch: &Touch, most: bool) -> Result<Vec<String>, BookError> {
    book.snapshot(|c| {
        let issuers = issuers(c, touch)?.map(|issuers| Issuers { most, ..issuers });
        let (asked, values) = question(touch, issuers.as_ref(), c.is_sqlite());
        let values: Vec<P<'_>> = values.iter().map(Value::as_param).collect();
        let rows = c.all(&format!("SELECT u.serial {asked} ORDER BY u.serial"), &values)?;
        rows.iter().map(|row| row.text(0)).collect()
    })
}

struct Question {
    values: Vec<Value>,
    wanted: Vec<String>,
}

impl Question {
    fn place(&mut self, value: Value) -> String {
        self.values.push(value);
        format!("${}", self.values.len())
    }

    fn text(&mut self, value: &str) -> String {
        self.place(Value::Text(value.to_owned()))
    }

    fn must(&mut self, condition: String) {
        self.wanted.push(condition);
    }

    /// Attempts at the station and in the period, as a question for their units.
    fn attempts(&mut self, touch: &Touch) -> String {
        let mut ended = Vec::new();
        if let Some(station) = &touch.station {
            ended.push(format!("t.station = {}", self.text(station.as_str())));
        }
        let mut open = ended.clone();
        for (bound, sign) in [(touch.from, ">="), (touch.to, "<")] {
            if let Some(bound) = bound {
                let p = self.place(Value::Int(micros(bound)));
                ended.push(format!("t.ended {sign} {p}"));
                open.push(format!("t.started {sign} {p}"));
            }
        }
        if touch.from.is_none() && touch.to.is_none() {
            return format!("SELECT DISTINCT t.unit FROM attempt t WHERE {}", ended.join(" AND "));
        }
        // Those still open have no end; they are few, and have an index of their own.
        open.insert(0, "t.ended IS NULL".into());
        format!(
            "SELECT DISTINCT e.unit FROM (SELECT t.unit FROM attempt t WHERE {} \
             UNION ALL SELECT t.unit FROM attempt t WHERE {}) e",
            ended.join(" AND "),
            open.join(" AND ")
        )
    }
}

/// From the credentials to their units. `CROSS JOIN` is how SQLite is told to keep
/// this order; to PostgreSQL it is a join like any other.
const BY_CREDENTIAL: &str =
    "credential k CROSS JOIN chip h CROSS JOIN unit u WHERE h.public_key = k.public_key AND u.chip_id = h.chip_id";
/// The same where one key or certificate is asked about: the unit that had it before its board was swapped counts too.
const BY_ONE_CREDENTIAL: &str = "credential k CROSS JOIN chip h CROSS JOIN unit u WHERE h.public_key = k.public_key \
    AND u.serial = coalesce((SELECT b.serial FROM unit b WHERE b.chip_id = h.chip_id), \
    (SELECT r.unit FROM renewal r WHERE r.chip_id = h.chip_id AND r.kind = 'swap'))";
const BY_UNIT: &str =
    "unit u CROSS JOIN chip h CROSS JOIN credential k WHERE h.chip_id = u.chip_id AND k.public_key = h.public_key";

/// The PAIs that a question about an authority means.
struct Issuers {
    names: Vec<String>,
    /// Whether they issued a large part of all credentials. Then the units lead, in the order in
    /// which they are told and in which their chips lie: nothing is sorted, and memory stays flat.
    most: bool,
}

/// Of all credentials, the part from which on units lead: one in so many.
const LARGE_PART: i64 = 8;

/// The question as SQL. The condition that names the fewest rows leads.
fn question(touch: &Touch, issuers: Option<&Issuers>, sqlite: bool) -> (String, Vec<Value>) {
    let mut q = Question { values: Vec::new(), wanted: Vec::new() };
    let timed = touch.station.is_some() || touch.from.is_some() || touch.to.is_some();
    let by_credential = touch.key.is_some() || touch.credential.is_some() || touch.delivery.is_some();
    let by_unit = touch.chips.is_some() || touch.reel.is_some();
    if let Some(key) = &touch.key {
        let p = q.place(Value::Bytes(key.clone()));
        q.must(format!("k.public_key = {p}"));
    }
    if let Some(serial) = &touch.credential {
        let p = q.place(Value::Bytes(serial.clone()));
        q.must(format!("k.serial = {p}"));
    }
    if let Some(issuer) = &touch.issuer_key_id {
        let p = q.place(Value::Bytes(issuer.clone()));
        q.must(format!("k.issuer_key_id = {p}"));
    }
    if let Some((first, last)) = &touch.chips {
        let (first, last) = (q.text(first.as_str()), q.text(last.as_str()));
        q.must(format!("u.chip_id >= {first} AND u.chip_id <= {last}"));
    }
    if let Some(delivery) = &touch.delivery {
        let p = q.text(delivery.as_str());
        q.must(format!("k.delivery = {p}"));
    }
    if let Some(reel) = &touch.reel {
        let p = q.text(reel.as_str());
        q.must(format!("u.reel = {p}"));
    }
    // As in `list::conditions`: whatever else is asked about names fewer.
    let few = by_credential
        || by_unit
        || timed
        || touch.firmware.is_some()
        || touch.packed.is_some()
        || issuers.is_some_and(|i| !i.most);
    let behind = |others: bool| if sqlite && others { "+" } else { "" };
    if let Some(product) = &touch.product {
        let p = q.text(product.as_str());
        q.must(format!("{}u.product = {p}", behind(few || touch.state.is_some())));
    }
    if let Some(state) = touch.state {
        let p = q.text(state.word());
        q.must(format!("{}u.state = {p}", behind(few)));
    }
    let carries = touch.firmware.as_ref().map(|version| {
        let p = q.text(version.as_str());
        format!(
            "SELECT f.unit FROM attempt_firmware f WHERE f.version = {p} AND NOT EXISTS \
             (SELECT 1 FROM attempt_firmware g WHERE g.unit = f.unit AND g.attempt > f.attempt)"
        )
    });
    let mut from = match () {
        () if touch.key.is_some() || touch.credential.is_some() => BY_ONE_CREDENTIAL.to_owned(),
        () if by_credential => BY_CREDENTIAL.to_owned(),
        () => BY_UNIT.to_owned(),
    };
    if let Some(issuers) = issuers {
        let names: Vec<_> = issuers.names.iter().map(|name| q.text(name)).collect();
        // No name at all means no authority of that name: nothing is touched.
        let names = if names.is_empty() { "NULL".to_owned() } else { names.join(", ") };
        if by_credential || by_unit || issuers.most {
            q.must(format!("k.authority IN ({names})"));
        } else {
            from = format!(
                "delivery_authority d CROSS JOIN {BY_CREDENTIAL} AND d.authority IN ({names}) \
                 AND k.delivery = d.delivery AND k.authority = d.authority"
            );
        }
    }
    if timed {
        let attempts = q.attempts(touch);
        if by_credential || by_unit || issuers.is_some() {
            q.must(format!("u.serial IN ({attempts})"));
        } else {
            from = format!("({attempts}) w CROSS JOIN {BY_UNIT} AND u.serial = w.unit");
        }
    }
    if let Some(carries) = carries {
        if by_credential || by_unit || issuers.is_some() || timed {
            q.must(format!("u.serial IN ({carries})"));
        } else {
            from = format!("({carries}) w CROSS JOIN {BY_UNIT} AND u.serial = w.unit");
        }
    }
    if let Some(packed) = &touch.packed {
        let p = q.text(packed.name.as_str());
        let units = packed.units(&p);
        if by_credential || by_unit || issuers.is_some() || timed || touch.firmware.is_some() {
            q.must(format!("u.serial IN ({units})"));
        } else {
            from = format!("({units}) w CROSS JOIN {BY_UNIT} AND u.serial = w.unit");
        }
    }
    let wanted: String = q.wanted.iter().map(|w| format!(" AND {w}")).collect();
    (format!("FROM {from}{wanted}"), q.values)
}

fn issuers(c: &mut Connection, touch: &Touch) -> Result<Option<Issuers>, BookError> {
    if touch.authorities.is_empty() {
        return Ok(None);
    }
    let accepted = "SELECT CAST(coalesce(sum(d.certificates_accepted), 0) AS BIGINT) FROM delivery d";
    let theirs = format!(
        "{accepted} WHERE d.delivery_id IN (SELECT w.delivery FROM delivery_authority w \
         JOIN authority p ON p.name = w.authority WHERE p.name = $1 OR p.issuer = $1)"
    );
    let sql = "SELECT name FROM authority WHERE role = 'pai' AND (name = $1 OR issuer = $1)";
    let (mut names, mut count) = (Vec::new(), 0);
    for authority in &touch.authorities {
        let name = [P::Text(authority.as_str())];
        for row in c.all(sql, &name)? {
            names.push(row.text(0)?);
        }
        count += c.number(&theirs, &name)?;
    }
    let most = count * LARGE_PART > c.number(accepted, &[])?;
    Ok(Some(Issuers { names, most }))
}

impl Book {
    /// Hands over each unit that is touched, in the order of their serial numbers,
    /// from one unchanging view of the book; returns how many there were.
    ///
    /// - `each`: its error ends the reading and is given back.
    ///
    /// # Errors
    ///
    /// What `each` gave, or [`BookError`] where the book gave no answer.
    pub fn touched<E: From<BookError>>(
        &self,
        touch: &Touch,
        each: &mut dyn FnMut(Touched) -> Result<(), E>,
    ) -> Result<u64, E> {
        let mut stopped = None;
        let mut count = 0;
        let read = self.large_snapshot(|c| {
            let issuers = issuers(c, touch)?;
            let (asked, values) = question(touch, issuers.as_ref(), c.is_sqlite());
            let sql = format!("SELECT {COLUMNS} {asked} ORDER BY u.serial");
            let values: Vec<P<'_>> = values.iter().map(Value::as_param).collect();
            c.each(&sql, &values, &mut |row| {
                count += 1;
                each(Touched::read(&row)?).map_err(|error| {
                    stopped = Some(error);
                    BookError::damaged("the reader stopped")
                })
            })
        });
        match (stopped, read) {
            (Some(error), _) => Err(error),
            (None, Err(error)) => Err(error.into()),
            (None, Ok(())) => Ok(count),
        }
    }

    /// Of how many of the units that something touches the firmware is known, whatever
    /// firmware was asked about.
    pub fn firmware_known(&self, touch: &Touch) -> Result<FirmwareKnown, BookError> {
        let touch = Touch { firmware: None, ..touch.clone() };
        self.snapshot(|c| {
            let (all, recorded) = if touch == Touch::default() {
                let all = c.number("SELECT count(*) FROM unit", &[])?;
                let recorded = "SELECT count(*) FROM (SELECT DISTINCT unit FROM attempt_firmware) f";
                (all, c.number(recorded, &[])?)
            } else {
                let issuers = issuers(c, &touch)?;
                let (asked, values) = question(&touch, issuers.as_ref(), c.is_sqlite());
                let values: Vec<P<'_>> = values.iter().map(Value::as_param).collect();
                let known =
                    "CASE WHEN EXISTS (SELECT 1 FROM attempt_firmware f WHERE f.unit = u.serial) THEN 1 ELSE 0 END";
                let sql = format!("SELECT count(*), CAST(coalesce(sum({known}), 0) AS BIGINT) {asked}");
                let row = c.one(&sql, &values)?.ok_or_else(|| BookError::damaged("a count without an answer"))?;
                (row.int(0)?, row.int(1)?)
            };
            Ok(FirmwareKnown { recorded, not_recorded: all - recorded })
        })
    }

    /// How many credentials a PAI issued, or the PAIs of a PAA, by delivery and by where they stand.
    pub fn issued_by(&self, authority: &AuthorityName) -> Result<Vec<Issued>, BookError> {
        let sql = "SELECT k.authority, k.delivery, v.reel, k.state, count(*) FROM delivery_authority d \
                   CROSS JOIN delivery v CROSS JOIN credential k \
                   WHERE d.authority IN (SELECT name FROM authority WHERE role = 'pai' AND (name = $1 OR issuer = $1)) \
                   AND v.delivery_id = d.delivery AND k.delivery = d.delivery AND k.authority = d.authority \
                   GROUP BY k.authority, k.delivery, v.reel, k.state ORDER BY k.authority, k.delivery, k.state";
        let rows = self.read(|c| c.all(sql, &[P::Text(authority.as_str())]))?;
        rows.iter()
            .map(|row| {
                Ok(Issued {
                    authority: AuthorityName::kept(row.text(0)?),
                    delivery: DeliveryId::kept(row.text(1)?),
                    reel: ReelId::kept(row.text(2)?),
                    state: CredentialState::read(row, 3)?,
                    count: row.int(4)?,
                })
            })
            .collect()
    }
}
