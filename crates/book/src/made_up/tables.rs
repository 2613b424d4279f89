//! The rows of a made-up line, table by table. Each row is made in one place, for
//! the table and for its digest in the log alike.

use super::line::{ACTOR, CAUSE, Chip, DETAIL, Fate, ITERATIONS, STEPS, Stretch, Unit, delivery_name, reel_name};
use super::{Ground, Rows, pour, put, row, text};
use crate::engine::{Connection, Into, P, Row, Value, params};
use crate::error::BookError;
use crate::log::rows::{self, CREDENTIAL_FACTS, Table};
use crate::proof::sha256;

/// Units prepared at a time.
pub(super) const STRETCH: u64 = 500;

type Told<'a> = &'a mut dyn FnMut(u64);
type Part = fn(&mut Connection, &Ground, Told<'_>) -> Result<(), BookError>;

/// The parts in the order in which they are made; the log follows.
pub(super) const PARTS: &[(&str, Part)] = &[
    ("reels", reels),
    ("chips", chips),
    ("credentials", credentials),
    ("units", units),
    ("attempts", attempts),
    ("steps", steps),
    ("proofs", proofs),
    ("labels", labels),
];

pub(super) const DELIVERY_REPORT: &str = "{}";
const REPORT: &str = r#"{"findings":[]}"#;

/// Rows of all columns that a digest covers, each with its entry.
fn put_whole(c: &mut Connection, table: &Table, rows: &Rows) -> Result<(), BookError> {
    put(c, &Into { table: table.name, columns: &table.filled(), numbered: None }, rows)
}

/// A reel's own row without its entry, as its digest takes it.
pub(super) fn reel_row(g: &Ground, reel: u64) -> Row {
    row(params![
        reel_name(reel).as_str(),
        g.wish.product.as_str(),
        g.purpose.as_str(),
        "manifest.csv",
        &sha256(reel_name(reel).as_bytes()),
        i64::try_from(g.wish.per_reel).unwrap_or(i64::MAX),
        g.arrived(reel),
    ])
}

pub(super) fn delivery_row(g: &Ground, reel: u64) -> Row {
    let chips = i64::try_from(g.wish.per_reel).unwrap_or(i64::MAX);
    row(params![
        delivery_name(reel).as_str(),
        reel_name(reel).as_str(),
        g.purpose.as_str(),
        "received",
        "delivery.zip",
        &sha256(delivery_name(reel).as_bytes()),
        "accepted",
        chips,
        chips,
        DELIVERY_REPORT,
        g.arrived(reel),
    ])
}

pub(super) fn link_row(g: &Ground, reel: u64) -> Row {
    row(params![delivery_name(reel).as_str(), g.wish.authority.as_str(), g.purpose.as_str()])
}

fn reels(c: &mut Connection, g: &Ground, told: Told<'_>) -> Result<(), BookError> {
    let (mut reels, mut deliveries, mut links) = (Vec::new(), Vec::new(), Vec::new());
    for stretch in g.stretches(g.wish.per_reel).iter().filter(|s| s.arrives) {
        reels.extend(reel_row(g, stretch.reel).0);
        reels.push(Value::Int(stretch.entry));
        deliveries.extend(delivery_row(g, stretch.reel).0);
        deliveries.push(Value::Int(stretch.entry + 1));
        links.extend(link_row(g, stretch.reel).0);
    }
    put_whole(c, &rows::REEL, &Rows { values: reels })?;
    put_whole(c, &rows::DELIVERY, &Rows { values: deliveries })?;
    put_whole(c, &rows::DELIVERY_AUTHORITY, &Rows { values: links })?;
    for content in [&g.pai, &g.declaration] {
        let sql = "INSERT INTO octets (digest, content) VALUES ($1, $2) ON CONFLICT DO NOTHING";
        c.run(sql, params![&sha256(content), content])?;
    }
    told(0);
    Ok(())
}

/// Where a chip and its credential end, with the entry that tells of it.
fn ends(g: &Ground, stretch: &Stretch) -> Vec<(u64, Option<Unit>)> {
    let mut out: Vec<_> = g.units(stretch).map(|unit| (unit.number, Some(unit))).collect();
    // Those that no unit takes, at the end of the last reel and on those in stock,
    // come with the last stretch of their reel.
    let end = (stretch.reel + 1) * g.wish.per_reel;
    let next = stretch.first + stretch.units;
    if next >= end.min(g.wish.units) {
        out.extend((next..end).map(|number| (number, None)));
    }
    out
}

fn position(g: &Ground, number: u64) -> i64 {
    i64::try_from(number % g.wish.per_reel + 1).unwrap_or(i64::MAX)
}

fn chips(c: &mut Connection, g: &Ground, told: Told<'_>) -> Result<(), BookError> {
    let prepare = |stretch: &Stretch| {
        let mut values = Vec::new();
        for (number, unit) in ends(g, stretch) {
            let chip = Chip::of(number);
            let (state, reason) = match unit.as_ref().map(|u| u.fate) {
                None => ("blank", None),
                Some(Fate::Scrapped) => ("scrapped", Some(CAUSE)),
                Some(_) => ("provisioned", None),
            };
            let entry = unit.map(|u| u.last_entry());
            values.extend([
                text(&reel_name(stretch.reel)),
                Value::Int(position(g, number)),
                Value::Text(chip.chip_id),
                Value::Bytes(chip.public_key.to_vec()),
                text(state),
                reason.map_or(Value::Null, text),
                entry.map_or(Value::Null, Value::Int),
            ]);
        }
        Ok(Rows { values })
    };
    let columns = ["reel", "position", "chip_id", "public_key", "state", "reason", "entry"];
    let into = Into { table: "chip", columns: &columns, numbered: None };
    pour(g, g.stretches(STRETCH), &prepare, |rows| put(c, &into, &rows), told)
}

/// A credential as it arrived: [`CREDENTIAL_FACTS`].
pub(super) fn facts<'a>(
    g: &'a Ground,
    (delivery, position): (&'a str, i64),
    chip: &'a Chip,
    certificate: &'a [u8],
) -> [P<'a>; 8] {
    [
        P::Bytes(&chip.public_key),
        P::Text(delivery),
        P::Int(position),
        P::Text(g.wish.authority.as_str()),
        P::Bytes(&g.issuer_key_id),
        P::Bytes(&chip.serial),
        P::Null,
        P::Bytes(certificate),
    ]
}

fn credentials(c: &mut Connection, g: &Ground, told: Told<'_>) -> Result<(), BookError> {
    let prepare = |stretch: &Stretch| {
        let mut values = Vec::new();
        let delivery = delivery_name(stretch.reel);
        for (number, unit) in ends(g, stretch) {
            let chip = Chip::of(number);
            let (state, reason) = match unit.as_ref().map(|u| u.fate) {
                None => ("available", None),
                Some(Fate::Scrapped) => ("spent", Some(CAUSE)),
                Some(_) => ("installed", None),
            };
            values.extend(row(&facts(g, (&delivery, position(g, number)), &chip, &chip.certificate())).0);
            let entry = unit.map(|u| u.last_entry());
            values.extend([text(state), reason.map_or(Value::Null, text), entry.map_or(Value::Null, Value::Int)]);
        }
        Ok(Rows { values })
    };
    let columns = [CREDENTIAL_FACTS, &["state", "reason", "entry"]].concat();
    let into = Into { table: "credential", columns: &columns, numbered: None };
    pour(g, g.stretches(STRETCH), &prepare, |rows| put(c, &into, &rows), told)
}

/// A unit after one of its acts, without its entry.
pub(super) fn unit_row(g: &Ground, u: &Unit, state: &str, attempt: i64, changed: i64) -> Row {
    let proven = (state == "passed").then_some(u.serial.as_str());
    row(params![
        u.serial.as_str(),
        g.wish.product.as_str(),
        reel_name(u.reel).as_str(),
        u.chip().chip_id.as_str(),
        state,
        (state == "scrapped").then_some(CAUSE),
        u.began,
        changed,
        attempt,
        proven,
        i64::try_from(u.number % 4096).unwrap_or(0),
        &u.octets::<32>(3),
        ITERATIONS,
        &u.octets::<97>(4),
        &u.octets::<48>(5),
    ])
}

fn units(c: &mut Connection, g: &Ground, told: Told<'_>) -> Result<(), BookError> {
    let prepare = |stretch: &Stretch| {
        let mut values = Vec::new();
        for u in g.units(stretch) {
            let state = if u.fate == Fate::Scrapped { "scrapped" } else { "passed" };
            values.extend(unit_row(g, &u, state, u.fate.attempts(), u.last_end()).0);
            values.push(Value::Int(u.last_entry()));
        }
        Ok(Rows { values })
    };
    pour(g, g.stretches(STRETCH), &prepare, |rows| put_whole(c, &rows::UNIT, &rows), told)
}

/// How an attempt ended: its result, and what follows a failure.
pub(super) fn result(u: &Unit, attempt: i64) -> (&'static str, Option<&'static str>) {
    match u.fate {
        Fate::Scrapped => ("failed", Some("scrap")),
        Fate::PassesLater if attempt == 1 => ("failed", Some("retry")),
        _ => ("passed", None),
    }
}

/// An attempt, open or ended, without its entry.
pub(super) fn attempt_row(g: &Ground, u: &Unit, attempt: i64, ended: bool) -> Row {
    let (began, end) = u.times(attempt);
    let (result, next) = if ended { result(u, attempt) } else { ("open", None) };
    row(params![
        u.serial.as_str(),
        attempt,
        u.station().as_str(),
        ACTOR,
        g.wish.declaration.as_str(),
        began,
        ended.then_some(end),
        result,
        next.map(|_| CAUSE),
        next.map(|_| DETAIL),
        next,
    ])
}

fn attempts(c: &mut Connection, g: &Ground, told: Told<'_>) -> Result<(), BookError> {
    let prepare = |stretch: &Stretch| {
        let mut values = Vec::new();
        for u in g.units(stretch) {
            for attempt in 1..=u.fate.attempts() {
                values.extend(attempt_row(g, &u, attempt, true).0);
                values.push(Value::Int(u.entries(attempt).1));
            }
        }
        Ok(Rows { values })
    };
    pour(g, g.stretches(STRETCH), &prepare, |rows| put_whole(c, &rows::ATTEMPT, &rows), told)
}

/// The steps of an attempt: all of them, or up to the write that failed.
pub(super) fn step_rows(u: &Unit, attempt: i64) -> Vec<Row> {
    let failed = result(u, attempt).0 == "failed";
    let (mut out, mut started) = (Vec::new(), 0);
    for (number, (name, usual)) in (1i64..).zip(STEPS) {
        let stops = failed && *name == "write DAC";
        // Up to a fifth longer than usual, differently for each unit.
        let part = i64::try_from((u.number.wrapping_mul(7919) + number.unsigned_abs()) % 100).unwrap_or(0);
        let duration = if stops { 500_000 } else { usual + usual * part / 500 };
        let (result, detail) = if stops { ("failed", Some(DETAIL)) } else { ("done", None) };
        out.push(row(params![u.serial.as_str(), attempt, number, *name, started, duration, result, detail]));
        started += duration;
        if stops {
            break;
        }
    }
    out
}

fn steps(c: &mut Connection, g: &Ground, told: Told<'_>) -> Result<(), BookError> {
    let prepare = |stretch: &Stretch| {
        let mut values = Vec::new();
        for u in g.units(stretch) {
            for attempt in 1..=u.fate.attempts() {
                values.extend(step_rows(&u, attempt).into_iter().flat_map(|row| row.0));
            }
        }
        Ok(Rows { values })
    };
    pour(g, g.stretches(STRETCH), &prepare, |rows| put_whole(c, &rows::STEP, &rows), told)
}

/// The proof of a unit that passed, without its entry.
pub(super) fn proof_row(g: &Ground, u: &Unit) -> Row {
    let chip = u.chip();
    row(params![
        u.serial.as_str(),
        u.fate.attempts(),
        &chip.public_key,
        &u.octets::<32>(6),
        &u.octets::<16>(7),
        &u.octets::<320>(8),
        &u.octets::<64>(9),
        &sha256(&chip.certificate()),
        &sha256(&g.pai),
        &sha256(&g.declaration),
        "[]",
        "accepted",
        REPORT,
        u.last_end(),
    ])
}

fn proofs(c: &mut Connection, g: &Ground, told: Told<'_>) -> Result<(), BookError> {
    let prepare = |stretch: &Stretch| {
        let mut values = Vec::new();
        for u in g.units(stretch).filter(|u| u.fate != Fate::Scrapped) {
            values.extend(proof_row(g, &u).0);
            values.push(Value::Int(u.last_entry()));
        }
        Ok(Rows { values })
    };
    pour(g, g.stretches(STRETCH), &prepare, |rows| put_whole(c, &rows::PROOF, &rows), told)
}

/// The label of a unit that has one, without its entry.
pub(super) fn label_row(u: &Unit) -> Row {
    row(params![u.serial.as_str(), 1, "printed", u.last_end() + 1_000_000, ACTOR])
}

fn labels(c: &mut Connection, g: &Ground, told: Told<'_>) -> Result<(), BookError> {
    let prepare = |stretch: &Stretch| {
        let mut values = Vec::new();
        for u in g.units(stretch).filter(Unit::labelled) {
            values.extend(label_row(&u).0);
            values.push(Value::Int(u.last_entry() + 1));
        }
        Ok(Rows { values })
    };
    pour(g, g.stretches(STRETCH), &prepare, |rows| put_whole(c, &rows::LABEL, &rows), told)
}
