//! Chips and credentials, which arrive by the thousand, held against the one
//! entry of their reel or delivery.

use serde_json::Value as Json;
use sha2::{Digest, Sha256};

use super::entries::Lane;
use super::{DamageKind, TOLD};
use crate::engine::{Row, Value, params};
use crate::error::BookError;
use crate::log::rows::{self, FINGERPRINT, Many};

/// Selects the chips that were received on a reel, as they lay there: those that went to parts of it since among them.
fn chips_received(parts: bool) -> String {
    let own = "SELECT c.reel, c.position, c.chip_id, c.public_key, c.position AS place, c.state, c.entry FROM chip c \
               WHERE c.reel = $1";
    if !parts {
        return format!("{own} ORDER BY c.position");
    }
    format!(
        "{own} UNION ALL SELECT s.origin, c.position + s.shift, c.chip_id, c.public_key, c.position + s.shift, c.state, \
         c.entry FROM reel_split s JOIN chip c ON c.reel = s.reel WHERE s.origin = $1 ORDER BY 2"
    )
}

impl Lane<'_> {
    /// Rows that arrived together, held against their entry.
    pub(super) fn many(&mut self, sequence: i64, leaf: &str, table: &'static str, at: &str) -> Result<(), BookError> {
        let leaf: Json = serde_json::from_str(leaf).unwrap_or(Json::Null);
        let whole = leaf.pointer(at).cloned().unwrap_or(Json::Null);
        let owner = leaf.pointer("/subject/id").and_then(Json::as_str).unwrap_or_default().to_owned();
        let row = self.c.one("SELECT fingerprints FROM entry WHERE sequence = $1", params![sequence])?;
        let fingerprints = row.map(|row| row.maybe(0, Row::bytes)).transpose()?.flatten().unwrap_or_default();
        let told = |key: &str| whole.get(key).and_then(Json::as_str).unwrap_or_default().to_owned();
        let usable = hex::encode(Sha256::digest(&fingerprints)) == told("fingerprints");
        if !usable {
            self.out.told.tell(
                DamageKind::Altered,
                "entry",
                sequence.to_string(),
                Some(sequence),
                "its fingerprints are not those that it was written with",
            );
        }
        let with = if table == "chip" { "reel" } else { "delivery" };
        if self.withdrawn.last(with, &owner).is_some_and(|by| by > sequence) {
            // They went with it; rows of that name are another's.
            return Ok(());
        }
        let facts = rows::CREDENTIAL_FACTS.join(", ");
        let (sql, initial) = match table {
            "chip" => {
                let parts = self.c.number("SELECT count(*) FROM reel_split WHERE origin = $1", params![&owner])?;
                (chips_received(parts > 0), "blank")
            }
            _ => (
                format!("SELECT {facts}, position, state, entry FROM credential WHERE delivery = $1 ORDER BY position"),
                "available",
            ),
        };
        let (mut all, mut found, mut next) = (Many::default(), Vec::new(), 1);
        self.c.each(&sql, params![&owner], &mut |mut row| {
            let width = row.0.len();
            let (position, state, last) = (row.int(width - 3)?, row.text(width - 2)?, row.maybe(width - 1, Row::int)?);
            row.0.truncate(width - 3);
            for missing in next..position {
                found.push((DamageKind::Removed, missing, format!("position {missing} of {owner} is missing")));
            }
            next = position + 1;
            let digest = rows::digest(table, row.0.iter().map(Value::as_param));
            all.add(&digest);
            let place = usize::try_from(position - 1).unwrap_or(usize::MAX).saturating_mul(FINGERPRINT);
            match fingerprints.get(place..place.saturating_add(FINGERPRINT)) {
                Some(kept) if usable && kept != &digest[..FINGERPRINT] => {
                    found.push((DamageKind::Altered, position, "it was changed since it arrived".to_owned()));
                }
                None if usable => {
                    found.push((DamageKind::Added, position, "it did not arrive with the others".to_owned()))
                }
                _ => {}
            }
            if last.is_none() && state != initial {
                found.push((DamageKind::Altered, position, format!("it is {state}, but no entry records why")));
            }
            Ok(())
        })?;
        let count = whole.get("count").and_then(Json::as_u64).unwrap_or(0);
        for missing in next..=i64::try_from(count).unwrap_or(i64::MAX).min(next + TOLD as i64) {
            found.push((DamageKind::Removed, missing, format!("position {missing} of {owner} is missing")));
        }
        self.out.rows += all.count;
        self.out.arrived += all.count;
        let same = all.told(table) == whole;
        if !same && found.is_empty() {
            let what = format!("the rows of {owner} are not those that arrived");
            self.out.told.tell(DamageKind::Altered, table, owner.clone(), Some(sequence), what);
        }
        for (kind, position, what) in found {
            let key = self.name_of(table, &owner, position)?;
            self.out.told.tell(kind, table, key, Some(sequence), what);
        }
        Ok(())
    }

    /// What a chip or credential is called: its own key, or its place where it is gone.
    fn name_of(&mut self, table: &str, owner: &str, position: i64) -> Result<String, BookError> {
        let place = format!("{owner}/{position}");
        if table == "chip" {
            let sql = format!("SELECT c.chip_id FROM ({}) c WHERE c.position = $2", chips_received(true));
            let row = self.c.one(&sql, params![owner, position])?;
            return row.map_or(Ok(place), |row| row.text(0));
        }
        let sql = "SELECT issuer_key_id, serial FROM credential WHERE delivery = $1 AND position = $2";
        let row = self.c.one(sql, params![owner, position])?;
        Ok(row.map_or(place, |row| rows::CREDENTIAL.key_text(&row)))
    }
}
