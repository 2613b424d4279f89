//! Watch: what will bite within so many days. Certificates that end, lists that
//! fall due, stock that runs out, passcodes to be erased, backups that grow old.

mod advice;

use std::fs;
use std::path::{Path, PathBuf};

pub use advice::{Advice, At, Piece};
use base::times::time_text;
use base::trouble::Trouble;
use book::{DeclarationOrigin, Role, Subject};
use print::chart::many;
use serde::Serialize;
use site::revoked::{RevokedPais, pais as revoked_pais};
use site::{Site, Who, checkpoint, trust};
use standard::certificate::Certificate;
use standard::detect::{Item, detect};
use standard::moment::NO_END;
use time::{Duration, OffsetDateTime};

use crate::keeping::missing_keys;
use crate::{account, retention};

/// Days over which the present pace is measured.
const PACE_DAYS: i64 = 14;
/// Octets of a certificate file.
const LARGEST: u64 = 1 << 20;

/// What a watched thing is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// A PAA or PAI of the site.
    Authority,
    /// Certificate of whoever signed a declaration.
    DeclarationSigner,
    /// A provisional declaration.
    Declaration,
    /// A PAA of a trust set.
    TrustSet,
    /// A certificate in a file: TLS, a token's.
    Certificate,
    /// A list of revoked certificates.
    RevocationList,
    /// A request for a revocation that is pending, or that an authority elsewhere has not answered.
    RevocationRequest,
    /// Credentials that no unit has yet.
    Stock,
    /// Passcodes that are to be erased.
    Passcodes,
    /// The last backup of the book.
    Backup,
    /// How far the book has come, as it is kept outside it.
    Checkpoint,
}

/// One thing that is watched.
#[derive(Debug, Clone, Serialize)]
pub struct Watched {
    pub kind: Kind,
    pub name: String,
    /// What happens, as a sentence.
    pub what: String,
    /// When; none where it never does, or is so already without a time.
    pub at: Option<String>,
    /// Whole days until then; negative where it is past.
    pub days_left: Option<i64>,
    /// Whether it bites within the days asked about.
    pub due: bool,
    pub advice: Advice,
}

impl Watched {
    /// When it happens, in words: `in 12 days`, `within a day`.
    pub fn when(&self) -> String {
        match self.days_left {
            // The last of them is not over yet.
            Some(-1) => "less than a day ago".into(),
            Some(days) if days < 0 => format!("{} ago", many(-days - 1, "day")),
            Some(0) => "within a day".into(),
            Some(days) => format!("in {}", many(days, "day")),
            None => "no date".into(),
        }
    }
}

/// What watching said.
#[derive(Debug, Serialize)]
pub struct Watch {
    pub days: u32,
    pub until: String,
    /// What bites until then, the soonest first.
    pub due: Vec<Watched>,
    /// All else that is watched.
    pub later: Vec<Watched>,
}

struct Watcher {
    now: OffsetDateTime,
    until: OffsetDateTime,
    found: Vec<(Option<OffsetDateTime>, Watched)>,
}

impl Watcher {
    fn add(&mut self, kind: Kind, name: &str, at: Option<OffsetDateTime>, what: String, advice: Advice) {
        let due = at.is_some_and(|at| at <= self.until);
        let days_left = at.map(|at| (at - self.now).whole_seconds().div_euclid(86_400));
        let watched = Watched { kind, name: name.to_owned(), what, at: at.map(time_text), days_left, due, advice };
        self.found.push((at, watched));
    }

    fn certificate(&mut self, kind: Kind, name: &str, c: &Certificate, advice: Advice) {
        let end = c
            .not_after
            .moment
            .filter(|m| *m != NO_END)
            .and_then(|m| OffsetDateTime::from_unix_timestamp(m.unix()).ok());
        let subject = c.subject.display(c.der());
        let what = match end {
            Some(end) if end < self.now => format!("{subject} has expired"),
            Some(_) => format!("{subject} expires"),
            None => format!("{subject} has no expiry"),
        };
        self.add(kind, name, end, what, advice);
    }
}

fn authorities(site: &Site, w: &mut Watcher) -> Result<(), Trouble> {
    for authority in site.book.authorities()? {
        let Ok(c) = Certificate::read(&authority.facts.certificate) else { continue };
        let advice = match authority.facts.role {
            Role::Pai => Advice::act(
                "",
                "Have a new intermediate",
                ("Have a new intermediate", At::Authorities),
                " before then: it can't issue anything after it expires. Units with its DACs are not affected.",
            ),
            Role::Paa => Advice::act(
                "Ask the authority for its next root, ",
                "adopt it",
                ("adopt it", At::Authorities),
                ", and make sure that ecosystems trust it.",
            ),
        };
        w.certificate(Kind::Authority, authority.facts.name.as_str(), &c, advice);
    }
    for (name, when) in revoked_pais(site)? {
        let what = format!("it was revoked {when}; none of its certificates in stock can be used");
        let advice = Advice::words(
            "Put aside what was made with it. Where no unit depends on its deliveries, withdraw them and order certificates of \
             another intermediate for the same chips; otherwise scrap the chips that are left, and receive another reel.",
        );
        w.add(Kind::Authority, name.as_str(), Some(w.now), what, advice);
    }
    for declaration in site.book.declarations()? {
        let facts = &declaration.facts;
        if let Some(c) = facts.signer.as_ref().and_then(|der| Certificate::read(der).ok()) {
            let advice = Advice::act(
                "Ask the alliance who signs after that; ",
                "adopt the declaration again",
                ("adopt the declaration again", At::Declarations),
                " with the next signer.",
            );
            w.certificate(Kind::DeclarationSigner, facts.name.as_str(), &c, advice);
        }
        if facts.certification_type == 1 && facts.origin == DeclarationOrigin::Adopted {
            let what = "its declaration is provisional".to_owned();
            let advice = Advice::act(
                "",
                "Adopt the official one",
                ("Adopt the official one", At::Declarations),
                " when it arrives; some ecosystems accept no provisional one.",
            );
            w.add(Kind::Declaration, facts.name.as_str(), None, what, advice);
        }
    }
    for set in trust::sets(site, &[])? {
        for paa in &set.authorities {
            w.certificate(
                Kind::TrustSet,
                &set.name,
                paa,
                Advice::words("Find out which root the ecosystem trusts after that, and add the set again."),
            );
        }
    }
    Ok(())
}

fn file(path: &Path, w: &mut Watcher) -> Result<(), Trouble> {
    let size = fs::metadata(path).map_err(|e| Trouble::file(path, e))?.len();
    let octets = if size > LARGEST { Vec::new() } else { fs::read(path).map_err(|e| Trouble::file(path, e))? };
    let items = detect(&octets).unwrap_or_default();
    let mut seen = false;
    for item in items {
        if let Item::Certificate(c) = item {
            seen = true;
            let name = path.display().to_string();
            let advice = Advice::words("Put a new certificate in its place before then.");
            w.certificate(Kind::Certificate, &name, &c, advice);
        }
    }
    if seen {
        return Ok(());
    }
    Err(Trouble::usage(
        format!("{} contains no readable certificate", path.display()),
        "Give the certificate alone, DER or PEM. If it is listed in watch.certificates, fix touchmark.toml.",
    ))
}

fn revocations(site: &Site, w: &mut Watcher) -> Result<(), Trouble> {
    for list in site.book.revocation_lists()? {
        let advice = if list.issued_here {
            Advice::act(
                "Issue the next one ",
                "with `touchmark revoke --renew NAME --out FILE`",
                ("under Revocation", At::Revocation),
                " and publish it: verifiers may refuse all units of its issuer while it is stale.",
            )
        } else {
            Advice::act(
                "Get the authority's next list and ",
                "adopt it with `touchmark revocation adopt FILE`",
                ("adopt it under Revocation", At::Revocation),
                ".",
            )
        };
        let what = format!("its revocation list {} is due to be replaced", hex::encode(&list.number));
        w.add(Kind::RevocationList, list.issuer.as_str(), list.next_update, what, advice);
    }
    for request in site.book.revocations_sent()? {
        let since = request.settled.as_ref().map_or(request.requested, |(at, _)| *at);
        let what = format!(
            "Request {} to revoke {} is sent and not answered",
            request.number,
            many(request.certificates, "certificate")
        );
        let advice = Advice::act(
            "Ask the authority for its list, and ",
            "adopt it with `touchmark revocation adopt FILE`",
            ("adopt it under Revocation", At::Revocation),
            ".",
        );
        w.add(Kind::RevocationRequest, request.issuer.as_str(), Some(since), what, advice);
    }
    for request in site.book.revocation_requests(true, 1000)? {
        let what = format!(
            "request {} of {} to revoke {} is pending with a second person",
            request.number,
            request.requested_by,
            many(request.certificates, "certificate")
        );
        let advice = Advice::act(
            "Check ",
            "it with `touchmark revocation show NUMBER`",
            ("the request", At::Request(request.number)),
            "; confirm or withdraw it.",
        );
        w.add(Kind::RevocationRequest, request.issuer.as_str(), Some(request.requested), what, advice);
    }
    Ok(())
}

fn stock(site: &Site, w: &mut Watcher) -> Result<(), Trouble> {
    let mut stock = site.book.stock()?;
    // Where a PAI is revoked it is told as that, and what it issued is no stock.
    for reel in &mut stock {
        if !RevokedPais::of_reel(site, &reel.reel)?.words().is_empty() {
            reel.available = 0;
        }
    }
    let pace = site.book.pace(w.now - Duration::days(PACE_DAYS))?;
    for product in site.book.products()? {
        let name = &product.facts.name;
        let available: i64 = stock.iter().filter(|s| s.product == *name).map(|s| s.available).sum();
        let advice = || {
            let plan = ("the plan", At::Plan(name.to_string()));
            Advice::act("Order chips and credentials now; ", "`touchmark plan`", plan, " shows how many.")
        };
        if let Some(pace) = pace.iter().find(|p| p.product == *name) {
            // A line that began yesterday has a pace of its own day, not of a fortnight.
            let days = ((w.now - pace.since).as_seconds_f64() / 86_400.0).clamp(1.0, PACE_DAYS as f64);
            let a_day = pace.units as f64 / days;
            // Beyond a century it does not run out.
            let left = (available as f64 / a_day).min(36_500.0);
            let out = w.now + Duration::seconds_f64(left * 86_400.0);
            let what = if available > 0 {
                format!("{} in stock, enough until then at {a_day:.1} units per day", many(available, "credential"))
            } else {
                format!("no credential in stock; {a_day:.1} units per day were made")
            };
            w.add(Kind::Stock, name.as_str(), Some(out), what, advice());
        } else if available > 0 {
            let what = format!("{} in stock; no unit was begun in {PACE_DAYS} days", many(available, "credential"));
            w.add(Kind::Stock, name.as_str(), None, what, advice());
        }
        let ends = stock.iter().filter(|s| s.product == *name).filter_map(|s| s.first_end).min();
        if let Some(end) = ends {
            let what = "the first credential in stock expires".to_owned();
            let advice = if end < w.now {
                Advice::words(
                    "Ask the authority whether this end is meant before a unit gets it: verifiers judge a chain at its DAC's \
                     beginning, and take it.",
                )
            } else {
                Advice::words("Use those first.")
            };
            w.add(Kind::Stock, name.as_str(), Some(end), what, advice);
        }
    }
    Ok(())
}

fn keeping(site: &Site, w: &mut Watcher, who: &Who) -> Result<(), Trouble> {
    if site.settings.retention.passcode_days.is_some() {
        let kept = retention::count(site, who)?;
        if kept.due > 0 {
            let what = format!("{} passcodes are due to be erased", kept.due);
            let now = w.now;
            let advice = Advice::command("Run ", "`touchmark passcode erase --due`", ".");
            w.add(Kind::Passcodes, "passcodes", Some(now), what, advice);
        }
    }
    for key in missing_keys(site)?.into_iter().filter(|key| !key.hidden) {
        let what = format!("this key is missing. {}", key.means.trim_end_matches('.'));
        w.add(Kind::Backup, &key.file, Some(w.now), what, Advice::words(key.advice));
    }
    let last = site.book.entries_about(&Subject::Site)?.into_iter().rev().find(|e| e.act == "book.backup");
    let advice =
        Advice::command("Run ", "`touchmark book backup --out FILE`", ", and keep the file on another machine.");
    match last {
        Some(entry) => {
            let old = entry.at + Duration::days(i64::from(site.settings.watch.backup_days));
            let what = format!("the last backup, of {}, is getting old", time_text(entry.at));
            let what = if old <= w.now { what } else { format!("the last backup is of {}", time_text(entry.at)) };
            // A backup grows old all the time: it bites when it is old, not before.
            let due = if old <= w.now { Some(old) } else { None };
            w.add(Kind::Backup, "book", due, what, advice);
        }
        None => w.add(Kind::Backup, "book", None, "no backup by this program is known".into(), advice),
    }
    Ok(())
}

fn checkpoints(site: &Site, w: &mut Watcher) -> Result<(), Trouble> {
    let now = Some(w.now);
    for said in checkpoint::witnessed(site)? {
        if let Some(trouble) = said.trouble {
            let what = format!("the witness did not countersign the checkpoint: {trouble}");
            let advice = Advice::command(
                "Check its address and key in touchmark.toml, then ",
                "`touchmark book checkpoint`",
                ".",
            );
            w.add(Kind::Checkpoint, &said.witness, now, what, advice);
        }
    }
    if let Some(older) = site.book.older() {
        let advice = Advice::command("Stop the stations and see ", "`touchmark book verify`", ".");
        w.add(Kind::Checkpoint, "book", now, checkpoint::words(&older), advice);
    }
    if let Some(restored) = account::restored(site)? {
        let mut open = Vec::new();
        for next in site.book.next_of_all_series()? {
            if !site.book.is_series_confirmed(&next)? {
                open.push(next.to_string());
            }
        }
        if !open.is_empty() {
            let what = format!("{restored} By the book, the next numbers of its series are {}", open.join(", "));
            let advice = Advice::command(
                "Put the chips of that time on a station, then say where each series goes on: ",
                "`touchmark product update NAME --serial-series FIRST`",
                ".",
            );
            w.add(Kind::Checkpoint, "book", now, what, advice);
        }
    }
    for kept in checkpoint::kept(site)? {
        let advice = match kept.state {
            checkpoint::State::Good | checkpoint::State::Hidden => continue,
            checkpoint::State::Missing => {
                "If there was one, find out who took it away, and compare the book with a head that was kept elsewhere: \
                 `touchmark book verify --head FILE`. The next act writes a new one."
            }
            checkpoint::State::Unreadable => {
                "Keep it for the investigation, and compare the book with a head that was kept elsewhere: `touchmark book \
                 verify --head FILE`. Nothing is written over it. Once you know why, move it away; the next act writes a \
                 new one."
            }
            // No act is done then, so none writes it.
            checkpoint::State::Behind if site.book.older().is_some() => continue,
            checkpoint::State::Ahead => continue,
            checkpoint::State::Before => {
                "If no other copy of this site is in use, move it away; the next act writes a new one. Else let this site \
                 keep its checkpoint elsewhere: `checkpoint.keepers` in touchmark.toml."
            }
            checkpoint::State::Behind => "Check that this place can be written; the next act writes it again.",
        };
        let what = format!("the checkpoint is not kept: {}", kept.trouble.unwrap_or_default());
        w.add(Kind::Checkpoint, &kept.place, now, what, Advice::words(advice));
    }
    Ok(())
}

/// Looks at everything that ends, runs out or falls due.
///
/// - `days`: how far ahead; the site's setting where none is given.
/// - `files`: further certificates, beside those of the settings.
///
/// # Errors
///
/// [`Trouble`] where the book gave no answer, or one of `files` holds no certificate. A file of the settings that
/// can't be watched is told as a thing that bites.
pub fn watch(site: &Site, days: Option<u32>, files: &[PathBuf], who: &Who) -> Result<Watch, Trouble> {
    let days = days.unwrap_or(site.settings.watch.days).min(36_500);
    let now = (who.clock)();
    let mut w = Watcher { now, until: now + Duration::days(i64::from(days)), found: Vec::new() };
    authorities(site, &mut w)?;
    for path in &site.settings.watch.certificates {
        // Who asks every day is to hear of all else too: what can't be watched is one more thing that bites.
        if let Err(unseen) = file(&site.dir.join(path), &mut w) {
            let what = format!("{unseen}; its expiry is not watched");
            let advice = Advice::words("Put the certificate there, or fix watch.certificates in touchmark.toml.");
            w.add(Kind::Certificate, &path.display().to_string(), Some(now), what, advice);
        }
    }
    for path in files {
        file(path, &mut w)?;
    }
    revocations(site, &mut w)?;
    stock(site, &mut w)?;
    keeping(site, &mut w, who)?;
    checkpoints(site, &mut w)?;
    w.found.sort_by_key(|(at, _)| at.map_or((1, OffsetDateTime::UNIX_EPOCH), |at| (0, at)));
    let (due, later) = w.found.into_iter().map(|(_, watched)| watched).partition(|watched: &Watched| watched.due);
    Ok(Watch { days, until: time_text(w.until), due, later })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whole_days_alone_are_counted() {
        let told = |days_left| {
            let advice = Advice::words("");
            let (name, what) = (String::new(), String::new());
            Watched { kind: Kind::Stock, name, what, at: None, days_left, due: true, advice }.when()
        };
        assert_eq!(told(Some(-1)), "less than a day ago");
        assert_eq!(told(Some(-2)), "1 day ago");
        assert_eq!((told(Some(0)), told(Some(3))), ("within a day".to_owned(), "in 3 days".to_owned()));
    }
}
