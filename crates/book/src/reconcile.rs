//! Every chip and credential accounted for, computed from the rows themselves.
//!
//! A credential counts under its state only if its chip and its unit bear that
//! state out; what was received and is borne out nowhere is unaccounted for.

use crate::Book;
use crate::counts::CERTIFICATES_CAME;
use crate::engine::{Connection, P, Row};
use crate::error::BookError;
use crate::ids::ReelId;

/// Chips.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, serde::Serialize, utoipa::ToSchema)]
pub struct ChipCount {
    /// On the reels as they were received.
    pub received: i64,
    /// Untouched.
    pub blank: i64,
    /// Given to a unit, not proven yet.
    pub held: i64,
    /// Proven.
    pub provisioned: i64,
    /// Given up.
    pub scrapped: i64,
    /// Received, and in no state.
    pub unaccounted: i64,
}

/// Credentials.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, serde::Serialize, utoipa::ToSchema)]
pub struct CredentialCount {
    /// In the deliveries as they were accepted.
    pub received: i64,
    /// For a chip that is blank and no unit's.
    pub available: i64,
    /// For a chip held by a unit that has not passed.
    pub reserved: i64,
    /// On a provisioned chip, with the proof of its unit.
    pub installed: i64,
    /// Its chip was scrapped, or swapped.
    pub spent: i64,
    /// Withdrawn.
    pub revoked: i64,
    /// Received, and borne out by nothing.
    pub unaccounted: i64,
}

/// Units.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, serde::Serialize, utoipa::ToSchema)]
pub struct UnitCount {
    /// Passed.
    pub passed: i64,
    /// Failed, and may come again.
    pub failed: i64,
    /// Given up.
    pub scrapped: i64,
    /// On a station, or left by one.
    pub open: i64,
    /// Back from the customer.
    pub returned: i64,
}

/// The account.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, serde::Serialize, utoipa::ToSchema)]
pub struct Reconciliation {
    /// Chips.
    pub chips: ChipCount,
    /// Credentials.
    pub credentials: CredentialCount,
    /// Units.
    pub units: UnitCount,
    /// Keys, chips and serial numbers that stand for more than one unit.
    pub double_use: i64,
    /// Units that passed without a proof of their own chip from a passed attempt.
    pub unproven_passes: i64,
}

/// Where a credential's state is borne out. Proofs and swaps are asked for by keys that name one row each, so that no plan
/// reads their tables from end to end for a reel. What went back to the line with its board has no proof that counts yet.
const BORNE_OUT: &str = "
    (k.state = 'available' AND c.state = 'blank' AND u.serial IS NULL)
    OR (k.state = 'reserved' AND c.state = 'held' AND u.state IN ('open', 'failed'))
    OR (k.state = 'installed' AND c.state = 'provisioned' AND (
        (u.state IN ('open', 'failed') AND u.proven IS NULL)
        OR (u.state IN ('passed', 'returned') AND u.serial = coalesce(
            (SELECT p.unit FROM proof p WHERE p.public_key = k.public_key),
            (SELECT l.unit FROM later_proof l WHERE l.unit = u.serial AND l.attempt = u.attempts
                AND l.public_key = k.public_key)))))
    OR (k.state = 'spent' AND c.state = 'scrapped' AND (u.serial IS NULL OR u.state = 'scrapped'
        OR u.serial = (SELECT r.unit FROM renewal r WHERE r.chip_id = c.chip_id AND r.kind = 'swap')))
    OR k.state = 'revoked'";

/// Runs queries over all, or over one reel.
struct Scope<'a> {
    c: &'a mut Connection,
    reel: Option<&'a str>,
}

impl Scope<'_> {
    /// The WHERE clause that keeps to the reel; `also` is a further condition.
    fn within(&self, column: &str, also: &str) -> String {
        match (self.reel, also) {
            (Some(_), "") => format!("WHERE {column} = $1"),
            (Some(_), also) => format!("WHERE {column} = $1 AND ({also})"),
            (None, "") => String::new(),
            (None, also) => format!("WHERE {also}"),
        }
    }

    fn rows(&mut self, sql: &str) -> Result<Vec<Row>, BookError> {
        match self.reel {
            Some(reel) => self.c.all(sql, &[P::Text(reel)]),
            None => self.c.all(sql, &[]),
        }
    }

    fn number(&mut self, sql: &str) -> Result<i64, BookError> {
        self.rows(sql)?.first().ok_or_else(|| BookError::damaged("a count had no answer"))?.int(0)
    }

    fn sum(&self, column: &str, table: &str, reel: &str) -> String {
        format!("SELECT CAST(coalesce(sum({column}), 0) AS BIGINT) FROM {table} {}", self.within(reel, ""))
    }

    fn chips(&mut self) -> Result<ChipCount, BookError> {
        let sql = self.sum("chips", "reel", "reel_id");
        let received = self.number(&sql)?;
        let sql = format!("SELECT c.state, count(*) FROM chip c {} GROUP BY c.state", self.within("c.reel", ""));
        let n = self.by_word(&sql)?;
        let (blank, held, provisioned, scrapped) = (n("blank"), n("held"), n("provisioned"), n("scrapped"));
        let unaccounted = received - blank - held - provisioned - scrapped;
        Ok(ChipCount { received, blank, held, provisioned, scrapped, unaccounted })
    }

    /// Numbers by a word.
    fn by_word(&mut self, sql: &str) -> Result<impl Fn(&str) -> i64 + use<>, BookError> {
        let rows = self.rows(sql)?;
        let counts: Vec<_> = rows.iter().map(|r| Ok((r.text(0)?, r.int(1)?))).collect::<Result<_, BookError>>()?;
        Ok(move |word: &str| counts.iter().find(|(w, _)| w == word).map_or(0, |(_, n)| *n))
    }
}

/// A reel's chips by state.
pub(crate) fn chips_of(c: &mut Connection, reel: &ReelId) -> Result<ChipCount, BookError> {
    Scope { c, reel: Some(reel.as_str()) }.chips()
}

/// Chips, credentials and units, by what their rows bear out.
pub(crate) fn account(
    c: &mut Connection,
    reel: Option<&ReelId>,
) -> Result<(ChipCount, CredentialCount, UnitCount), BookError> {
    let mut s = Scope { c, reel: reel.map(ReelId::as_str) };
    let chips = s.chips()?;
    // What went from reel to reel is as much in the whole site.
    let sql = match s.reel {
        Some(_) => format!("SELECT {CERTIFICATES_CAME} FROM reel r WHERE r.reel_id = $1"),
        None => s.sum("certificates_accepted", "delivery", "reel"),
    };
    let received = s.number(&sql)?;
    let sql = format!(
        "SELECT k.state, count(*) FROM credential k JOIN chip c ON c.public_key = k.public_key \
         LEFT JOIN unit u ON u.chip_id = c.chip_id {} GROUP BY k.state",
        s.within("c.reel", BORNE_OUT)
    );
    let n = s.by_word(&sql)?;
    let mut credentials = CredentialCount {
        received,
        available: n("available"),
        reserved: n("reserved"),
        installed: n("installed"),
        spent: n("spent"),
        revoked: n("revoked"),
        unaccounted: 0,
    };
    credentials.unaccounted = received
        - credentials.available
        - credentials.reserved
        - credentials.installed
        - credentials.spent
        - credentials.revoked;

    let sql = format!("SELECT u.state, count(*) FROM unit u {} GROUP BY u.state", s.within("u.reel", ""));
    let n = s.by_word(&sql)?;
    let units = UnitCount {
        passed: n("passed"),
        failed: n("failed"),
        scrapped: n("scrapped"),
        open: n("open"),
        returned: n("returned"),
    };
    Ok((chips, credentials, units))
}

fn reconcile(c: &mut Connection, reel: Option<&ReelId>) -> Result<Reconciliation, BookError> {
    let (chips, credentials, units) = account(c, reel)?;
    let mut s = Scope { c, reel: reel.map(ReelId::as_str) };
    let mut double_use = 0;
    // Keys proven for more than one unit, chips of more than one unit, serial
    // numbers of one issuer on more than one chip, proofs of a chip that the unit never had.
    for sql in [
        "SELECT count(*) FROM (SELECT 1 FROM proof GROUP BY public_key HAVING count(*) > 1) t",
        "SELECT count(*) FROM (SELECT 1 FROM unit GROUP BY chip_id HAVING count(*) > 1) t",
        "SELECT count(*) FROM (SELECT 1 FROM credential GROUP BY serial, issuer_key_id HAVING count(*) > 1) t",
        "SELECT count(*) FROM proof p JOIN unit u ON u.serial = p.unit JOIN chip c ON c.chip_id = u.chip_id \
         WHERE c.public_key <> p.public_key AND NOT EXISTS (SELECT 1 FROM renewal r JOIN chip o ON o.chip_id = r.chip_id \
         WHERE r.unit = p.unit AND r.kind = 'swap' AND o.public_key = p.public_key)",
        "SELECT count(*) FROM later_proof p JOIN unit u ON u.serial = p.unit JOIN chip c ON c.chip_id = u.chip_id \
         WHERE c.public_key <> p.public_key AND NOT EXISTS (SELECT 1 FROM renewal r JOIN chip o ON o.chip_id = r.chip_id \
         WHERE r.unit = p.unit AND r.kind = 'swap' AND o.public_key = p.public_key)",
        "SELECT count(*) FROM later_proof l JOIN proof p ON p.public_key = l.public_key WHERE p.unit <> l.unit",
        "SELECT count(*) FROM renewal r JOIN unit u ON u.chip_id = r.chip_id WHERE u.serial <> r.unit",
    ] {
        double_use += s.c.number(sql, &[])?;
    }
    // What was proven before a unit went back to the line says nothing of it now.
    let proven = |table: &str| {
        format!(
            "EXISTS (SELECT 1 FROM {table} p JOIN attempt a ON a.unit = p.unit AND a.number = p.attempt \
             JOIN chip c ON c.public_key = p.public_key \
             WHERE p.unit = u.serial AND p.verdict = 'accepted' AND a.result = 'passed' AND c.chip_id = u.chip_id \
             AND NOT EXISTS (SELECT 1 FROM renewal r WHERE r.unit = u.serial AND r.attempts >= p.attempt))"
        )
    };
    let unproven =
        format!("u.state IN ('passed', 'returned') AND NOT {} AND NOT {}", proven("proof"), proven("later_proof"));
    let sql = format!("SELECT count(*) FROM unit u {}", s.within("u.reel", &unproven));
    let unproven_passes = s.number(&sql)?;
    Ok(Reconciliation { chips, credentials, units, double_use, unproven_passes })
}

impl Book {
    /// Accounts for every chip, credential and unit of the site, or of one reel;
    /// double use is always looked for in the whole site.
    pub fn reconcile(&self, reel: Option<&ReelId>) -> Result<Reconciliation, BookError> {
        self.snapshot(|c| reconcile(c, reel))
    }
}
