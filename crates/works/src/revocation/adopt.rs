//! A list from outside: judged on arrival, kept, and held against what this site made.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use book::ids::AuthorityName;
use serde::Serialize;
use standard::certificate::{Certificate, Profile};
use standard::detect::{Item, detect};
use standard::revocation::Reason;
use standard::verdict::{Finding, Pool, Report, Severity, judge_list};
use time::OffsetDateTime;

use crate::site::{Site, Who};
use crate::told::ToldFinding;
use crate::trouble::Trouble;

/// Octets of a list: some two million entries.
const LARGEST: u64 = 96 << 20;

/// What came of a list.
#[derive(Debug, Serialize)]
pub struct Adopted {
    /// `accepted`, `already-kept` or `rejected`.
    pub verdict: &'static str,
    /// Whose certificates it lists.
    pub issuer: Option<String>,
    /// cRLNumber in hex.
    pub number: Option<String>,
    /// How many certificates it lists.
    pub certificates: u64,
    /// Those of them that this site knows: serial number, unit.
    pub known_here: Vec<KnownHere>,
    /// How many of those were marked as revoked now.
    pub revoked_now: u64,
    /// What was found.
    pub findings: Vec<ToldFinding>,
}

/// A credential that a list names: issuer's key identifier and serial number.
type Listed = (Vec<u8>, Vec<u8>);

/// A listed certificate that this site gave to a chip, or could have.
#[derive(Debug, Serialize)]
pub struct KnownHere {
    /// Serial number in hex.
    pub serial: String,
    /// The unit that has it.
    pub unit: Option<String>,
    /// Its chip.
    pub chip_id: String,
    /// Where the credential stood in the book before.
    pub credential: &'static str,
}

fn items(path: &Path) -> Result<Vec<Item>, Trouble> {
    let size = fs::metadata(path).map_err(|e| Trouble::file(path, e))?.len();
    if size > LARGEST {
        return Err(Trouble::usage(
            format!("{} has {size} octets; nothing larger than {LARGEST} is read", path.display()),
            "Look whether it is the right file.",
        ));
    }
    let octets = fs::read(path).map_err(|e| Trouble::file(path, e))?;
    detect(&octets)
        .map_err(|e| Trouble::usage(format!("{}: {e}", path.display()), "Give a revocation list, DER or PEM."))
}

fn told(name: &str, findings: &[Finding]) -> Vec<ToldFinding> {
    findings.iter().map(|f| ToldFinding::of(name, f)).collect()
}

/// Keeps a list of an authority that this site knows. Stations, `challenge` and
/// `examine` honour it from then on, and credentials of this site that it names are
/// marked as revoked, each with an entry of its own. Adopting it again marks what a
/// crash in between left out.
///
/// - `signers`: certificates of list signers that the authority appointed.
///
/// # Errors
///
/// [`Trouble`] where the file is no list, or an older one than is kept. Where its
/// judgement is an error, nothing is kept and the answer says why.
pub fn adopt(site: &Site, file: &Path, signers: &[PathBuf], who: &Who) -> Result<Adopted, Trouble> {
    let mut found = items(file)?;
    let (Some(Item::List(list)), true) = (found.pop(), found.is_empty()) else {
        return Err(Trouble::usage(
            format!("{} is not one revocation list", file.display()),
            "Give one list, DER or PEM.",
        ));
    };
    let mut appointed = Vec::new();
    for path in signers {
        for item in items(path)? {
            if let Item::Certificate(c) = item {
                appointed.push(c);
            }
        }
    }
    let mut names: Vec<AuthorityName> = Vec::new();
    let mut members = Vec::new();
    for authority in site.book.authorities()? {
        let Ok(c) = Certificate::read(&authority.facts.certificate) else { continue };
        let profile = match authority.facts.role {
            book::Role::Paa => Profile::Paa,
            book::Role::Pai => Profile::Pai,
        };
        names.push(authority.facts.name);
        members.push((Arc::new(c), profile, authority.facts.trusted));
    }
    let pool = Pool::new(members);
    let mut report = Report::new();
    let revoked = judge_list(&list, &pool, &appointed, true, who.now(), &mut report);
    let findings = report.into_findings();
    let name = file.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
    let mut out = Adopted {
        verdict: "rejected",
        issuer: None,
        number: list.number().map(hex::encode),
        certificates: list.entries.len() as u64,
        known_here: Vec::new(),
        revoked_now: 0,
        findings: told(&name, &findings),
    };
    let issuer = revoked.as_ref().and_then(|r| names.get(r.issuer()));
    out.issuer = issuer.map(ToString::to_string);
    let rejected = findings.iter().any(|f| f.severity == Severity::Error);
    let (Some(revoked), Some(issuer), false) = (&revoked, issuer, rejected) else { return Ok(out) };
    let time = |unix: i64| OffsetDateTime::from_unix_timestamp(unix).ok();
    let kept = book::RevocationList {
        issuer: issuer.clone(),
        number: list.number().unwrap_or(&[0]).to_vec(),
        issued_here: false,
        this_update: list.this_update.moment.and_then(|m| time(m.unix())).unwrap_or_else(|| (who.clock)()),
        next_update: list.next_update.as_ref().and_then(|t| t.moment).and_then(|m| time(m.unix())),
        certificates: i64::try_from(list.entries.len()).unwrap_or(i64::MAX),
        content: list.der().to_vec(),
    };
    let added = site.book.add_revocation_list(&kept, &who.by())?;
    out.verdict = if added.is_some() { "accepted" } else { "already-kept" };
    // By reason, so that each credential's story tells its own.
    let mut marked: BTreeMap<String, Vec<Listed>> = BTreeMap::new();
    let key_id = pool.authorities()[revoked.issuer()].certificate.subject_key_id().unwrap_or_default().to_vec();
    for entry in &list.entries {
        // Another issuer's certificate, or one that is taken off the list again (RFC 5280 §5.3.1, §5.3.3).
        if entry.names_issuer || entry.reason == Some(Reason::RemoveFromCrl as u8) {
            continue;
        }
        let serial = list.serial(entry);
        let Some(credential) = site.book.credential(&key_id, serial)? else { continue };
        let why = entry.reason.and_then(Reason::name_of).unwrap_or("unspecified");
        let reason = format!("{why}, by list {} of {issuer}", hex::encode(list.number().unwrap_or(&[0])));
        // A hold may be lifted by the next list, and what is revoked here stays so: stations go by the list alone.
        if entry.reason != Some(Reason::CertificateHold as u8) {
            marked.entry(reason).or_default().push((key_id.clone(), serial.to_vec()));
        }
        let chip = site.book.find(&hex::encode(serial), 50)?;
        let Some(chip) = chip.into_iter().find(|f| f.credential.as_deref() == Some(serial)) else { continue };
        out.known_here.push(KnownHere {
            serial: hex::encode(serial),
            unit: chip.unit.map(|(unit, _)| unit.to_string()),
            chip_id: chip.chip.to_string(),
            credential: credential.state.word(),
        });
    }
    for (reason, listed) in &marked {
        out.revoked_now += site.book.revoke(listed, reason, &who.by())?;
    }
    Ok(out)
}
