//! Lists of units, a page at a time.

use time::OffsetDateTime;

use crate::Book;
use crate::by::micros;
use crate::carton::PackedIn;
use crate::engine::{P, Value};
use crate::error::BookError;
use crate::ids::{AuthorityName, DeliveryId, ProductName, ReelId, StationName, UnitSerial};
use crate::unit::Unit;
use crate::words::UnitState;

/// A page of a list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Page<T, K> {
    pub items: Vec<T>,
    /// What to ask for the next page with; `None` on the last one.
    pub next: Option<K>,
}

impl<T, K> Page<T, K> {
    /// Cuts a page out of one item more than fits on it.
    pub(crate) fn cut(mut items: Vec<T>, limit: u32, key: impl Fn(&T) -> K) -> Result<Self, BookError> {
        let limit = limit as usize;
        let more = items.len() > limit;
        items.truncate(limit);
        let next = if more { items.last().map(key) } else { None };
        Ok(Self { items, next })
    }
}

/// Which units; each condition that is set must hold.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct UnitFilter {
    pub product: Option<ProductName>,
    /// With a chip of this reel.
    pub reel: Option<ReelId>,
    pub state: Option<UnitState>,
    /// With a credential of this delivery.
    pub delivery: Option<DeliveryId>,
    /// With a credential of this PAI, or of a PAI of this PAA.
    pub authority: Option<AuthorityName>,
    /// With an attempt at this station.
    pub station: Option<StationName>,
    /// With an attempt that ended at or after this moment (at that station, where one is set).
    pub from: Option<OffsetDateTime>,
    /// With an attempt that ended before this moment.
    pub to: Option<OffsetDateTime>,
    /// In this carton, on this pallet or in this shipment.
    pub packed: Option<PackedIn>,
}

/// A query put together condition by condition.
struct Conditions {
    sql: String,
    values: Vec<Value>,
}

impl Conditions {
    fn place(&mut self, value: Value) -> String {
        self.values.push(value);
        format!("${}", self.values.len())
    }

    fn add(&mut self, text: &str) {
        self.sql.push_str(if self.sql.is_empty() { " WHERE " } else { " AND " });
        self.sql.push_str(text);
    }
}

/// The filter as SQL on `attempt t` and its `unit u`, to follow another
/// condition. Station and times are those of each attempt.
pub(crate) fn attempt_conditions(filter: &UnitFilter, sqlite: bool) -> (String, Vec<Value>) {
    each_conditions(filter, sqlite, ("t.station", "t.ended"))
}

/// The same on `meeting m` and its `unit u`: times are those of each meeting; no station has one.
pub(crate) fn meeting_conditions(filter: &UnitFilter, sqlite: bool) -> (String, Vec<Value>) {
    each_conditions(&UnitFilter { station: None, ..filter.clone() }, sqlite, ("", "m.met"))
}

fn each_conditions(filter: &UnitFilter, sqlite: bool, (station, time): (&str, &str)) -> (String, Vec<Value>) {
    let mut c = conditions(&UnitFilter { station: None, from: None, to: None, ..filter.clone() }, sqlite);
    if let Some(wanted) = &filter.station {
        let p = c.place(Value::Text(wanted.as_str().to_owned()));
        c.add(&format!("{station} = {p}"));
    }
    if let Some(from) = filter.from {
        let p = c.place(Value::Int(micros(from)));
        c.add(&format!("{time} >= {p}"));
    }
    if let Some(to) = filter.to {
        let p = c.place(Value::Int(micros(to)));
        c.add(&format!("{time} < {p}"));
    }
    let sql = c.sql.strip_prefix(" WHERE ").map(|rest| format!(" AND {rest}")).unwrap_or_default();
    (sql, c.values)
}

/// The filter as SQL on `unit u`. Each condition starts from an index of its
/// own table, so that a reel, a delivery or a day out of ten million units is
/// found without reading the others.
///
/// SQLite has no statistics, and takes one equality to be as good as another: ten
/// million units that passed for five thousand of a reel. A `+` keeps it from using
/// the index of what names more.
fn conditions(filter: &UnitFilter, sqlite: bool) -> Conditions {
    let mut c = Conditions { sql: String::new(), values: Vec::new() };
    let UnitFilter { product: _, reel, state, delivery, authority, station, from, to, packed } = filter;
    let few = reel.is_some() || delivery.is_some() || authority.is_some();
    let few = few || station.is_some() || from.is_some() || to.is_some() || packed.is_some();
    let behind = |others: bool| if sqlite && others { "+" } else { "" };
    let (by_product, by_state) = (behind(few || state.is_some()), behind(few));
    let text = |t: &str| Value::Text(t.to_owned());
    if let Some(product) = &filter.product {
        let p = c.place(text(product.as_str()));
        c.add(&format!("{by_product}u.product = {p}"));
    }
    if let Some(reel) = &filter.reel {
        let p = c.place(text(reel.as_str()));
        c.add(&format!("u.reel = {p}"));
    }
    if let Some(state) = filter.state {
        let p = c.place(text(state.word()));
        c.add(&format!("{by_state}u.state = {p}"));
    }
    if let Some(packed) = packed {
        let p = c.place(text(packed.name.as_str()));
        c.add(&format!("u.serial IN ({})", packed.units(&p)));
    }
    let of_credential = "u.chip_id IN (SELECT h.chip_id FROM credential k JOIN chip h ON h.public_key = k.public_key";
    if let Some(delivery) = &filter.delivery {
        let p = c.place(text(delivery.as_str()));
        c.add(&format!("{of_credential} WHERE k.delivery = {p})"));
    }
    if let Some(authority) = &filter.authority {
        let p = c.place(text(authority.as_str()));
        c.add(&format!(
            "{of_credential} JOIN delivery_authority d ON d.delivery = k.delivery AND d.authority = k.authority \
             JOIN authority a ON a.name = d.authority WHERE a.name = {p} OR a.issuer = {p})"
        ));
    }
    if filter.station.is_some() || filter.from.is_some() || filter.to.is_some() {
        let mut inner = Vec::new();
        if let Some(station) = &filter.station {
            inner.push(format!("t.station = {}", c.place(text(station.as_str()))));
        }
        if let Some(from) = filter.from {
            inner.push(format!("t.ended >= {}", c.place(Value::Int(micros(from)))));
        }
        if let Some(to) = filter.to {
            inner.push(format!("t.ended < {}", c.place(Value::Int(micros(to)))));
        }
        c.add(&format!("u.serial IN (SELECT t.unit FROM attempt t WHERE {})", inner.join(" AND ")));
    }
    c
}

impl Book {
    /// Units in the order of their serial numbers, after one of them.
    pub fn units(
        &self,
        filter: &UnitFilter,
        after: Option<&UnitSerial>,
        limit: u32,
    ) -> Result<Page<Unit, UnitSerial>, BookError> {
        let mut c = conditions(filter, self.is_sqlite());
        if let Some(after) = after {
            let p = c.place(Value::Text(after.as_str().to_owned()));
            c.add(&format!("u.serial > {p}"));
        }
        let p = c.place(Value::Int(i64::from(limit) + 1));
        let sql = format!("SELECT {} FROM unit u{} ORDER BY u.serial LIMIT {p}", Unit::COLUMNS, c.sql);
        let values: Vec<P<'_>> = c.values.iter().map(Value::as_param).collect();
        let rows = self.read(|connection| connection.all(&sql, &values))?;
        Page::cut(rows.iter().map(Unit::read).collect::<Result<_, _>>()?, limit, |unit| unit.serial.clone())
    }

    /// How many units there are.
    pub fn count_units(&self, filter: &UnitFilter) -> Result<i64, BookError> {
        let c = conditions(filter, self.is_sqlite());
        let sql = format!("SELECT count(*) FROM unit u{}", c.sql);
        let values: Vec<P<'_>> = c.values.iter().map(Value::as_param).collect();
        self.read(|connection| connection.number(&sql, &values))
    }
}
