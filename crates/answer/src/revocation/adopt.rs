//! A list from outside: judged on arrival, kept, and held against what this site made.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use base::finding_view::FindingView;
use base::sentence::Names;
use base::trouble::Trouble;
use book::ids::AuthorityName;
use serde::Serialize;
use site::{Site, Who};
use standard::certificate::{Certificate, Profile};
use standard::detect::{Item, detect};
use standard::revocation::{Reason, RevocationList};
use standard::verdict::catalogue::revocation::{DATES, DROPPED, NUMBER};
use standard::verdict::{Finding, HeldList, Listed, Pool, Report, RevokedSerials, Severity, judge_list};
use time::OffsetDateTime;

/// Octets of a list: some two million entries.
const LARGEST: u64 = 96 << 20;

/// What came of a list.
#[derive(Debug, Serialize)]
pub struct Adopted {
    /// `accepted`, `already-kept` or `rejected`.
    pub verdict: &'static str,
    /// Whose certificates it lists.
    pub issuer: Option<String>,
    pub number: Option<String>,
    /// How many certificates it lists.
    pub certificates: u64,
    /// How many of its entries name an authority that this site does not know.
    pub elsewhere: u64,
    /// PAIs of this site that it lists.
    pub authorities: Vec<String>,
    /// Those of them that this site knows: serial number, unit.
    pub known_here: Vec<KnownHere>,
    /// How many of those were marked as revoked now.
    pub revoked_now: u64,
    /// Whether the PAIs on it are refused from now on, kept or not; not where a newer list is kept that omits them.
    pub counts: bool,
    pub findings: Vec<FindingView>,
}

/// A credential that a list names: issuer's key identifier and serial number.
type Credential = (Vec<u8>, Vec<u8>);

/// A listed certificate that this site gave to a chip, or could have.
#[derive(Debug, Serialize)]
pub struct KnownHere {
    /// Serial number in hex.
    pub serial: String,
    /// The unit that has it.
    pub unit: Option<String>,
    pub chip_id: String,
    /// Where the credential stood in the book before.
    pub credential: &'static str,
}

fn items(path: &Path) -> Result<Vec<Item>, Trouble> {
    let size = fs::metadata(path).map_err(|e| Trouble::file(path, e))?.len();
    if size > LARGEST {
        return Err(Trouble::usage(
            format!("{} has {size} bytes; the limit is {LARGEST}", path.display()),
            "Check that it is the right file.",
        ));
    }
    let octets = fs::read(path).map_err(|e| Trouble::file(path, e))?;
    detect(&octets)
        .map_err(|e| Trouble::usage(format!("{}: {e}", path.display()), "Give a revocation list, DER or PEM."))
}

fn told(name: &str, findings: &[Finding]) -> Vec<FindingView> {
    findings.iter().map(|f| FindingView::of(name, f)).collect()
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
/// judgement is an error, it is not kept as the issuer's list and the answer says why. What a
/// partial list names is revoked all the same: its issuer has signed that. Stations refuse it until a complete list is
/// newer, and credentials of this site are marked.
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
    let (pool, known) = authorities(site)?;
    let mut report = Report::new();
    let held = judge_list(&list, &pool, &appointed, true, who.now(), &mut report);
    let mut findings = report.into_findings();
    let name = file.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
    let mut out = Adopted {
        verdict: "rejected",
        issuer: None,
        number: list.number().map(hex::encode),
        certificates: list.entries.len() as u64,
        elsewhere: held.as_ref().map_or(0, |held| held.elsewhere_count(&pool)),
        authorities: Vec::new(),
        known_here: Vec::new(),
        revoked_now: 0,
        counts: true,
        findings: told(&name, &findings),
    };
    let Some(held) = held else { return Ok(out) };
    let is_its = |(_, c): &&(AuthorityName, Arc<Certificate>)| c.der() == held.authority().der();
    let Some((issuer, _)) = known.iter().find(is_its) else { return Ok(out) };
    out.issuer = Some(issuer.to_string());
    let time = |unix: i64| OffsetDateTime::from_unix_timestamp(unix).ok();
    let this_update = list.this_update.moment.and_then(|m| time(m.unix())).unwrap_or_else(|| (who.clock)());
    let before = site.book.revocation_lists()?.into_iter().find(|list| list.issuer == *issuer);
    let number = |octets: &[u8]| octets.iter().copied().skip_while(|octet| *octet == 0).collect::<Vec<_>>();
    let is_another = |before: &book::RevocationList| {
        before.content != list.der() && list.number().is_some_and(|own| number(own) == number(&before.number))
    };
    // A list that came late: what it revoked, and a newer one leaves out, is signed by its issuer all the same.
    let is_newer = |before: &book::RevocationList| {
        let (own, kept) = (number(list.number().unwrap_or(&[0])), number(&before.number));
        (kept.len(), kept) > (own.len(), own)
    };
    if let Some(newer) = before.as_ref().filter(|before| is_newer(before))
        && let Some(gone) = left_out(&held, &HeldList::new(&read_kept(newer)?, Arc::clone(held.authority())), &pool)
    {
        let kept = hex::encode(&newer.number);
        let found = format!("{} that this list revokes, and the newer list {kept} leaves out: {gone}", gone.count);
        findings.push(Finding::new(&DROPPED, found).weighing(Severity::Error).advising(
            "They are revoked here from now on. This list is not kept in place of the newer one. Ask the issuer why that \
             one leaves them out.",
        ));
        out.findings = told(&name, &findings);
        let revoked = held.against(&pool);
        mark(site, &revoked, &known, &mut out, who)?;
        out.counts = false;
        return Ok(out);
    }
    if before.as_ref().is_some_and(is_another) {
        let found =
            format!("another list of {issuer} with the number {} is kept", out.number.as_deref().unwrap_or("0"));
        findings.push(Finding::new(&NUMBER, found).advising(
            "It is unknown which of the two is newer. What this one revokes is revoked here from now on, and it is not \
             kept in place of the other. Ask the issuer for a list with a new number.",
        ));
        out.findings = told(&name, &findings);
    }
    // Kept, it would shut out the lists that the issuer writes until then.
    let ahead = list.this_update.moment.is_some_and(|this| this > who.now().plus(AHEAD));
    if ahead {
        let at = list.this_update.moment.map_or_else(String::new, |this| this.to_string());
        let found = format!("thisUpdate {at} is more than a day ahead");
        findings.push(Finding::new(&DATES, found).weighing(Severity::Error).advising(
            "Check this machine's clock. If it is right, ask the issuer for a list of today; what this one revokes is \
             refused here all the same.",
        ));
        out.findings = told(&name, &findings);
    }
    let errors: Vec<&Finding> = findings.iter().filter(|f| f.severity == Severity::Error).collect();
    if errors.is_empty() {
        let kept = book::RevocationList {
            issuer: issuer.clone(),
            number: list.number().unwrap_or(&[0]).to_vec(),
            issued_here: false,
            this_update,
            next_update: list.next_update.as_ref().and_then(|t| t.moment).and_then(|m| time(m.unix())),
            certificates: i64::try_from(list.entries.len()).unwrap_or(i64::MAX),
            content: list.der().to_vec(),
            signer: held.signer().map(|signer| signer.der().to_vec()),
        };
        let added = site.book.add_revocation_list(&kept, &who.by())?;
        if added.is_some() {
            let dropped = before.and_then(|before| dropped(&before, &held, &pool));
            out.findings.extend(told(&name, &Vec::from_iter(dropped)));
        }
        out.verdict = if added.is_some() { "accepted" } else { "already-kept" };
    } else if !errors.iter().all(|f| {
        PARTIAL.contains(&f.rule.name)
            || (ahead && f.rule.name == DATES.name)
            || (f.rule.name == NUMBER.name && list.number().is_some())
    }) {
        return Ok(out);
    } else {
        // It shows of no certificate that it is good, and what it lists is revoked for the reasons that it covers
        // (RFC 5280 §6.3.3 (i), (j)): stations refuse that, up to the PAI.
        let partial = book::PartialList { issuer: issuer.clone(), this_update, content: list.der().to_vec() };
        site.book.add_partial_list(&partial, &who.by())?;
    }
    let revoked = held.against(&pool);
    mark(site, &revoked, &known, &mut out, who)?;
    if out.verdict == "rejected" {
        out.counts = site.book.partial_lists()?.iter().any(|partial| partial.content == list.der());
    }
    answer(site, &revoked, &known, list.number().unwrap_or(&[0]), who)?;
    Ok(out)
}

/// Certificates that the list before revoked, other than on hold, and that this one leaves out.
fn dropped(before: &book::RevocationList, held: &HeldList, pool: &Pool) -> Option<Finding> {
    let before = HeldList::new(&RevocationList::read(&before.content).ok()?, Arc::clone(held.authority()));
    let names = left_out(&before, held, pool)?;
    Some(Finding::new(&DROPPED, format!("{} that the list before revoked: {names}", names.count)))
}

fn read_kept(kept: &book::RevocationList) -> Result<RevocationList, Trouble> {
    RevocationList::read(&kept.content).map_err(|e| {
        let number = hex::encode(&kept.number);
        Trouble::surroundings(
            format!("the kept list {number} of {} can't be read: {e}", kept.issuer),
            "Run `touchmark book verify`.",
        )
    })
}

/// What one list revokes, other than on hold, and a later one does not name.
fn left_out(before: &HeldList, held: &HeldList, pool: &Pool) -> Option<Names> {
    let now = held.against(pool);
    let mut gone = Vec::new();
    for said in before.against(pool) {
        let stays = |serial: &[u8]| now.iter().any(|now| now.issuer() == said.issuer() && now.names(serial));
        let is_held = |listed: &Listed| listed.reason == Some(Reason::CertificateHold as u8);
        let plain = |serial: &[u8]| match serial {
            // The octet that keeps a DER INTEGER positive is none of the number's.
            [0, rest @ ..] if !rest.is_empty() => hex::encode(rest),
            all => hex::encode(all),
        };
        gone.extend(
            said.entries().filter(|(serial, l)| !is_held(l) && !stays(serial)).map(|(serial, _)| plain(serial)),
        );
    }
    gone.sort_unstable();
    gone.dedup();
    let names = gone.iter().collect::<Names>();
    (names.count > 0).then_some(names)
}

/// Records which requests to authorities elsewhere the list answers: those whose certificates it names, all of them.
fn answer(
    site: &Site,
    revoked: &[RevokedSerials],
    known: &[(AuthorityName, Arc<Certificate>)],
    number: &[u8],
    who: &Who,
) -> Result<(), Trouble> {
    for request in site.book.revocations_sent()? {
        let of_issuer: Vec<_> = revoked.iter().filter(|said| known[said.issuer()].0 == request.issuer).collect();
        let names = |serial: &[u8]| of_issuer.iter().any(|said| said.names(serial));
        if !of_issuer.is_empty() && site.book.revocation_wanted(request.number)?.iter().all(|one| names(&one.serial)) {
            site.book.answer_revocation(request.number, number, &who.by())?;
        }
    }
    Ok(())
}

/// Seconds that an issuer's clock may be ahead of this one's.
const AHEAD: i64 = 86_400;

/// What keeps a list from showing that a certificate is good, and yet leaves what it revokes revoked.
const PARTIAL: [&str; 3] = ["revocation.scope", "revocation.delta", "revocation.critical-entry"];

/// The site's authorities, as a pool and by name in its order.
type Authorities = (Pool, Vec<(AuthorityName, Arc<Certificate>)>);

fn authorities(site: &Site) -> Result<Authorities, Trouble> {
    let mut known = Vec::new();
    let mut members = Vec::new();
    for authority in site.book.authorities()? {
        let Ok(c) = Certificate::read(&authority.facts.certificate) else { continue };
        let profile = match authority.facts.role {
            book::Role::Paa => Profile::Paa,
            book::Role::Pai => Profile::Pai,
        };
        let c = Arc::new(c);
        known.push((authority.facts.name, Arc::clone(&c)));
        members.push((c, profile, authority.facts.trusted));
    }
    Ok((Pool::new(members), known))
}

/// Finds what is revoked among what this site has, and marks its credentials.
fn mark(
    site: &Site,
    revoked: &[RevokedSerials],
    known: &[(AuthorityName, Arc<Certificate>)],
    out: &mut Adopted,
    who: &Who,
) -> Result<(), Trouble> {
    // By reason, so that each credential's story tells its own.
    let mut marked: BTreeMap<String, Vec<Credential>> = BTreeMap::new();
    let number = out.number.clone().unwrap_or_default();
    for said in revoked {
        let (issuer, authority) = &known[said.issuer()];
        let key_id = authority.subject_key_id().unwrap_or_default();
        let below = known.iter().filter(|(_, c)| c.issuer_der() == authority.subject_der() && said.lookup(c).is_some());
        out.authorities.extend(below.filter(|(_, c)| !c.is_self_issued()).map(|(name, _)| name.to_string()));
        for (serial, listed) in said.entries() {
            let Some(credential) = site.book.credential(key_id, serial)? else { continue };
            // Whether the list counts for it may stand in the certificate itself.
            if !Certificate::read(&credential.certificate).is_ok_and(|dac| said.lookup(&dac).is_some()) {
                continue;
            }
            let why = listed.reason.and_then(Reason::name_of).unwrap_or("unspecified");
            let reason = format!("{why}, by list {number} of {issuer}");
            // A hold may be lifted by the next list, and what is revoked here stays so: stations go by the list alone.
            if listed.reason != Some(Reason::CertificateHold as u8) {
                marked.entry(reason).or_default().push((key_id.to_vec(), serial.to_vec()));
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
    }
    out.authorities.sort();
    out.authorities.dedup();
    // Once, however many certificates of one authority are here.
    out.known_here.sort_by(|one, other| one.serial.cmp(&other.serial));
    out.known_here.dedup_by(|one, other| (&one.serial, &one.chip_id) == (&other.serial, &other.chip_id));
    for (reason, listed) in &marked {
        out.revoked_now += site.book.revoke(listed, reason, &who.by())?;
    }
    Ok(())
}
