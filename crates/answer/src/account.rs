//! The account: whatever was received is somewhere, line by line, with a verdict.
//!
//! Each line has two sides that are counted apart: what came in, and where it is now. A line that does not come out
//! even names its difference; what is used twice or passed without proof is none either way, and a log that is not
//! intact makes every number doubtful.

use base::sentence::sentence;
use base::trouble::Trouble;
use book::Reconciliation;
use book::ids::ReelId;
use line::unit::known_reel;
use serde::Serialize;
use site::revoked::RevokedPais;
use site::{Site, clock};

/// Part of a side.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Share {
    /// What is counted, by its key among the counts where it has one.
    pub what: &'static str,
    pub count: i64,
}

/// One line of the account.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Line {
    /// `chips`, `credentials` or `units`.
    pub of: &'static str,
    pub left: Vec<Share>,
    pub right: Vec<Share>,
    /// Sum of the left side.
    pub left_total: i64,
    /// Sum of the right side.
    pub right_total: i64,
    /// What came in and is nowhere; negative where more is there than came in.
    pub difference: i64,
}

impl Line {
    fn new(of: &'static str, left: &[(&'static str, i64)], right: &[(&'static str, i64)]) -> Self {
        let side = |shares: &[(&'static str, i64)]| -> Vec<Share> {
            shares.iter().map(|(what, count)| Share { what, count: *count }).collect()
        };
        let total = |shares: &[(&'static str, i64)]| shares.iter().map(|(_, count)| count).sum::<i64>();
        let (left_total, right_total) = (total(left), total(right));
        let difference = left_total - right_total;
        Self { of, left: side(left), right: side(right), left_total, right_total, difference }
    }
}

/// The log, as the account was drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Log {
    pub entries: u64,
    /// Whether it and all that it vouches for is as it was written, and goes on from its checkpoint.
    pub intact: bool,
    /// Whether it ends before its checkpoint, or goes on otherwise.
    pub older: bool,
}

/// The account of a site, or of one reel.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Account {
    /// Chips, credentials and units by state.
    #[serde(flatten)]
    pub counts: Reconciliation,
    pub log: Log,
    /// `balanced` or `unbalanced`.
    pub verdict: &'static str,
    pub account: Vec<Line>,
    /// What the numbers do not say: sentences.
    pub notes: Vec<String>,
}

impl Account {
    fn of(counts: Reconciliation, log: Log) -> Self {
        let (c, k, u) = (counts.chips, counts.credentials, counts.units);
        let proven = u.passed + u.returned - counts.unproven_passes;
        let account = vec![
            Line::new(
                "chips",
                &[("received", c.received)],
                &[("blank", c.blank), ("held", c.held), ("provisioned", c.provisioned), ("scrapped", c.scrapped)],
            ),
            Line::new(
                "credentials",
                &[("received", k.received)],
                &[
                    ("installed", k.installed),
                    ("available", k.available),
                    ("reserved", k.reserved),
                    ("spent", k.spent),
                    ("revoked", k.revoked),
                ],
            ),
            Line::new("units", &[("passed", u.passed), ("returned", u.returned)], &[("proven", proven)]),
        ];
        let even = account.iter().all(|line| line.difference == 0);
        let balanced = even && counts.double_use == 0 && log.intact;
        Self { counts, log, verdict: if balanced { "balanced" } else { "unbalanced" }, account, notes: Vec::new() }
    }

    /// Whether everything is accounted for.
    pub fn is_balanced(&self) -> bool {
        self.verdict == "balanced"
    }
}

/// Every credential, chip and unit accounted for, and the log.
///
/// # Errors
///
/// [`Trouble`] where there is no such reel, or the book gave no answer.
pub fn reconcile(site: &Site, reel: Option<&str>) -> Result<Account, Trouble> {
    let reel = reel.map(|id| known_reel(site, id)).transpose()?;
    let counts = site.book.reconcile(reel.as_ref())?;
    let verified = site.book.verify(None)?;
    let older = site.book.older().is_some();
    let account = Account::of(counts, Log { entries: verified.entries, intact: verified.total == 0 && !older, older });
    Ok(Account { notes: notes(site, reel.as_ref())?, ..account })
}

/// What the numbers of a site or of a reel do not say: PAIs that are revoked, and entries that were lost.
pub fn notes(site: &Site, reel: Option<&ReelId>) -> Result<Vec<String>, Trouble> {
    let revoked = match reel {
        Some(reel) => RevokedPais::of_reel(site, reel)?,
        None => RevokedPais::of_site(site)?,
    };
    let mut notes: Vec<_> = revoked.words().iter().map(|words| sentence(words)).collect();
    notes.extend(restored(site)?);
    let failed: Vec<_> = line::unit::checks_failed(site, reel)?.iter().map(ToString::to_string).collect();
    if !failed.is_empty() {
        let (units, are) = if failed.len() == 1 { ("unit", "counts") } else { ("units", "count") };
        notes.push(format!(
            "{} {units} that had passed failed the last check at a station, and {are} as passed until somebody decides: {}.",
            failed.len(),
            failed.iter().collect::<base::sentence::Names>()
        ));
    }
    notes.extend(inspections(site, reel)?);
    Ok(notes)
}

/// Products whose every unit is to be met before it is shipped, and units that were not.
fn inspections(site: &Site, reel: Option<&ReelId>) -> Result<Vec<String>, Trouble> {
    let mut notes = Vec::new();
    for product in site.book.products()? {
        let name = &product.facts.name;
        if site::product::final_inspection(&product).is_none() {
            continue;
        }
        let (passed, accepted) = site.book.inspected(name, reel)?;
        if passed > accepted {
            notes.push(format!(
                "{} of {passed} units of product {name} that passed were not accepted by a final inspection: meet them with \
                 `touchmark meet` before they are shipped.",
                passed - accepted
            ));
        }
    }
    Ok(notes)
}

/// What is said of a book that was restored.
pub fn restored(site: &Site) -> Result<Option<String>, Trouble> {
    let Some(restored) = site.book.restoration()? else { return Ok(None) };
    let (entry, ended) = (restored.entries.saturating_sub(1), clock::local(site, restored.ended));
    Ok(Some(format!(
        "The book was restored from a backup, or a loss was accepted: nothing is known of the time between entry {entry} of \
         {ended} and then. Units that passed in that time are counted once their chips were on a station again."
    )))
}

#[cfg(test)]
mod tests {
    use super::*;

    const LOG: Log = Log { entries: 9, intact: true, older: false };

    fn counts() -> Reconciliation {
        let chips = book::ChipCount { received: 10, blank: 4, held: 1, provisioned: 3, scrapped: 2, unaccounted: 0 };
        let mut counts = Reconciliation { chips, ..Reconciliation::default() };
        counts.credentials.received = 9;
        (counts.credentials.available, counts.credentials.reserved) = (3, 1);
        (counts.credentials.installed, counts.credentials.spent) = (3, 2);
        (counts.units.passed, counts.units.returned) = (2, 1);
        counts
    }

    /// Each way of not coming out even, alone.
    #[test]
    fn whatever_is_missing_or_twice_unbalances() {
        type Change = fn(&mut Reconciliation);
        let whole = Account::of(counts(), LOG);
        assert!(whole.is_balanced(), "{whole:?}");
        let rows: [(&str, &str, i64, Change); 5] = [
            ("a chip received and nowhere", "chips", 1, |c| c.chips.received += 1),
            ("a chip that nobody received", "chips", -1, |c| c.chips.blank += 1),
            ("a credential nowhere", "credentials", 1, |c| c.credentials.installed -= 1),
            ("a pass without proof", "units", 1, |c| c.unproven_passes = 1),
            ("used twice", "", 0, |c| c.double_use = 1),
        ];
        for (name, of, difference, change) in rows {
            let mut counts = counts();
            change(&mut counts);
            let account = Account::of(counts, LOG);
            assert!(!account.is_balanced(), "{name}");
            for line in &account.account {
                let expected = if line.of == of { difference } else { 0 };
                assert_eq!(line.difference, expected, "{name}: {line:?}");
            }
        }
        assert!(!Account::of(counts(), Log { intact: false, ..LOG }).is_balanced());
    }
}
