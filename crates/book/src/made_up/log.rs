//! The log of a made-up line: its entries, as the acts write them, and the nodes of
//! their tree.

use serde_json::json;

use super::line::{ACTOR, CAUSE, Chip, DETAIL, Fate, Stretch, Unit, delivery_name, reel_name};
use super::tables::{
    STRETCH, attempt_row, delivery_row, facts, label_row, link_row, proof_row, reel_row, result, step_rows, unit_row,
};
use super::{Ground, Rows, pour, put, row};
use crate::by::{By, moment};
use crate::engine::{Connection, Into, P, Row, Value, params};
use crate::error::BookError;
use crate::ids::{Actor, DeliveryId, ReelId, StationName, UnitSerial};
use crate::log::rows::{self, Many, Mention, Table};
use crate::log::tree::{Frontier, Hash, leaf_hash};
use crate::log::{Draft, Subject, entry};

/// Who receives reels and deliveries.
const RECEIVER: &str = "engineer";

/// Entries of a stretch, ready for their table, and their hashes for the tree.
#[derive(Default)]
struct Entries {
    values: Vec<Value>,
    hashes: Vec<Hash>,
}

/// Writes the log behind `frontier`; how many entries there are then.
pub(super) fn write(
    c: &mut Connection,
    g: &Ground,
    mut frontier: Frontier,
    told: &mut dyn FnMut(u64),
) -> Result<i64, BookError> {
    let columns =
        ["sequence", "at", "act", "actor", "station", "subject_kind", "subject", "leaf", "hash", "fingerprints"];
    let into = Into { table: "entry", columns: &columns, numbered: None };
    let node = Into { table: "log_node", columns: &["level", "number", "hash"], numbered: None };
    let write = |entries: Entries| {
        put(c, &into, &Rows { values: entries.values })?;
        let mut made = Vec::new();
        for hash in entries.hashes {
            frontier.append(hash, |node| {
                made.push(node);
                Ok(())
            })?;
        }
        // Level by level: each is one place in the table.
        made.sort_unstable_by_key(|node| (node.level, node.number));
        let mut values = Vec::with_capacity(made.len() * 3);
        for made in &made {
            values.extend([
                P::Int(i64::from(made.level)),
                P::Int(i64::try_from(made.number).unwrap_or(i64::MAX)),
                P::Bytes(&made.hash),
            ]);
        }
        c.insert_rows(&node, &values).map(drop)
    };
    pour(g, g.stretches(STRETCH), &|stretch| entries(g, stretch), write, told)?;
    let size = i64::try_from(frontier.size).unwrap_or(i64::MAX);
    c.run("UPDATE log_head SET size = $1, peaks = $2 WHERE one = 1", params![size, &frontier.peaks()])?;
    Ok(size)
}

/// What one act says, and the rows that it changed.
struct Act<'a> {
    sequence: i64,
    draft: Draft<'a>,
    by: By,
    mentions: Vec<Mention>,
}

impl Entries {
    fn add(&mut self, act: &Act<'_>) -> Result<(), BookError> {
        let leaf = entry::leaf(act.sequence, &act.draft, &act.by, &act.mentions)?;
        let hash = leaf_hash(leaf.as_bytes());
        self.values.extend(
            row(params![
                act.sequence,
                act.by.micros(),
                act.draft.act,
                act.by.actor.as_str(),
                act.by.station.as_ref().map(|s| s.as_str()),
                act.draft.subject.kind(),
                act.draft.subject.id(),
            ])
            .0,
        );
        let fingerprints = act.draft.fingerprints.map_or(Value::Null, |f| Value::Bytes(f.to_vec()));
        self.values.extend([Value::Text(leaf), Value::Bytes(hash.to_vec()), fingerprints]);
        self.hashes.push(hash);
        Ok(())
    }
}

fn mention(table: &'static Table, key: String, rows: &[Row]) -> Mention {
    Mention { table: table.name, key, digest: rows::digest_rows(table, rows) }
}

fn entries(g: &Ground, stretch: &Stretch) -> Result<Entries, BookError> {
    let mut out = Entries::default();
    if stretch.arrives {
        arrive(g, stretch, &mut out)?;
    }
    for unit in g.units(stretch) {
        for attempt in 1..=unit.fate.attempts() {
            out.add(&begin(g, &unit, attempt)?)?;
            out.add(&end(g, &unit, attempt)?)?;
        }
        if unit.labelled() {
            out.add(&label(&unit)?)?;
        }
    }
    Ok(out)
}

/// A reel, and the delivery for it.
fn arrive(g: &Ground, stretch: &Stretch, out: &mut Entries) -> Result<(), BookError> {
    let reel = stretch.reel;
    let (reel_id, delivery) = (reel_name(reel), delivery_name(reel));
    let by = By { actor: Actor::kept(RECEIVER.into()), station: None, at: moment(g.arrived(reel))? };
    let (mut chips, mut credentials) = (Many::default(), Many::default());
    for (position, number) in (1..).zip(reel * g.wish.per_reel..(reel + 1) * g.wish.per_reel) {
        let chip = Chip::of(number);
        chips.add(&rows::chip_facts(&reel_id, position, &chip.chip_id, &chip.public_key));
        credentials.add(&rows::credential_facts(facts(g, (&delivery, position), &chip, &chip.certificate())));
    }
    let reel_row = reel_row(g, reel);
    let body = json!({
        "product": g.wish.product,
        "source": { "name": "manifest.csv", "sha256": hex::encode(reel_row.array::<32>(4)?) },
        "chips": chips.told("chip"),
    });
    let mut draft = Draft::new("reel.receive", Subject::Reel(ReelId::kept(reel_id.clone())), body);
    draft.fingerprints = Some(&chips.fingerprints);
    let mentions = vec![mention(&rows::REEL, reel_id.clone(), &[reel_row])];
    out.add(&Act { sequence: stretch.entry, draft, by: by.clone(), mentions })?;

    let row = delivery_row(g, reel);
    let body = json!({
        "reel": reel_id,
        "verdict": "accepted",
        "source": { "name": "delivery.zip", "sha256": hex::encode(row.array::<32>(5)?) },
        "read": g.wish.per_reel,
        "credentials": credentials.told("credential"),
    });
    let subject = Subject::Delivery(DeliveryId::kept(delivery.clone()));
    let mut draft = Draft::new("delivery.receive", subject, body);
    draft.fingerprints = Some(&credentials.fingerprints);
    let mentions = vec![
        mention(&rows::DELIVERY_AUTHORITY, delivery.clone(), &[link_row(g, reel)]),
        mention(&rows::DELIVERY, delivery, &[row]),
    ];
    out.add(&Act { sequence: stretch.entry + 1, draft, by, mentions })
}

fn subject(unit: &Unit) -> Subject {
    Subject::Unit(UnitSerial::kept(unit.serial.clone()))
}

fn by(unit: &Unit, at: i64) -> Result<By, BookError> {
    let station = Some(StationName::kept(unit.station()));
    Ok(By { actor: Actor::kept(ACTOR.into()), station, at: moment(at)? })
}

fn chip(chip: &Chip, state: &str, reason: Option<&str>) -> Mention {
    let row = row(params![chip.chip_id.as_str(), state, reason]);
    mention(&rows::CHIP, chip.chip_id.clone(), &[row])
}

fn credential(g: &Ground, chip: &Chip, state: &str, reason: Option<&str>) -> Mention {
    let key = format!("{}/{}", hex::encode(&g.issuer_key_id), hex::encode(chip.serial));
    let row = row(params![&g.issuer_key_id, &chip.serial, &chip.public_key, state, reason]);
    mention(&rows::CREDENTIAL, key, &[row])
}

fn begin<'a>(g: &Ground, u: &Unit, attempt: i64) -> Result<Act<'a>, BookError> {
    let (sequence, _) = u.entries(attempt);
    let (at, _) = u.times(attempt);
    let its = u.chip();
    let mut body = json!({
        "chip": its.chip_id,
        "credential": { "issuer": hex::encode(&g.issuer_key_id), "serial": hex::encode(its.serial) },
        "declaration": g.wish.declaration,
        "attempt": attempt,
    });
    let mut mentions = Vec::with_capacity(4);
    if attempt == 1 {
        mentions.extend([chip(&its, "held", None), credential(g, &its, "reserved", None)]);
    } else {
        body["interrupted"] = json!(null);
    }
    mentions.push(mention(&rows::UNIT, u.serial.clone(), &[unit_row(g, u, "open", attempt, at)]));
    let key = format!("{}/{attempt}", u.serial);
    mentions.push(mention(&rows::ATTEMPT, key, &[attempt_row(g, u, attempt, false)]));
    Ok(Act { sequence, draft: Draft::new("attempt.begin", subject(u), body), by: by(u, at)?, mentions })
}

fn end<'a>(g: &Ground, u: &Unit, attempt: i64) -> Result<Act<'a>, BookError> {
    let (_, sequence) = u.entries(attempt);
    let (_, at) = u.times(attempt);
    let its = u.chip();
    let (result, next) = result(u, attempt);
    let mut mentions = Vec::with_capacity(6);
    let state = match (result, next) {
        ("passed", _) => {
            mentions.extend([
                mention(&rows::PROOF, u.serial.clone(), &[proof_row(g, u)]),
                chip(&its, "provisioned", None),
                credential(g, &its, "installed", None),
            ]);
            "passed"
        }
        (_, Some("scrap")) => {
            mentions.extend([chip(&its, "scrapped", Some(CAUSE)), credential(g, &its, "spent", Some(CAUSE))]);
            "scrapped"
        }
        _ => "failed",
    };
    mentions.push(mention(&rows::UNIT, u.serial.clone(), &[unit_row(g, u, state, attempt, at)]));
    let (key, steps) = (format!("{}/{attempt}", u.serial), step_rows(u, attempt));
    mentions.push(mention(&rows::ATTEMPT, key.clone(), &[attempt_row(g, u, attempt, true)]));
    mentions.push(mention(&rows::STEP, key, &steps));
    let body = json!({
        "attempt": attempt,
        "cause": next.map(|_| CAUSE),
        "detail": next.map(|_| DETAIL),
        "next": next,
        "steps": steps.len(),
    });
    let act = if u.fate != Fate::Scrapped && result == "passed" { "attempt.pass" } else { "attempt.fail" };
    Ok(Act { sequence, draft: Draft::new(act, subject(u), body), by: by(u, at)?, mentions })
}

fn label<'a>(u: &Unit) -> Result<Act<'a>, BookError> {
    let row = label_row(u);
    let by = By { station: None, ..by(u, row.int(3)?)? };
    let mentions = vec![mention(&rows::LABEL, format!("{}/1", u.serial), &[row])];
    let draft = Draft::new("label.print", subject(u), json!({ "event": "printed" }));
    Ok(Act { sequence: u.last_entry() + 1, draft, by, mentions })
}
