//! The list itself: numbered, dated, cumulative, signed; beside it the record by
//! which verifiers learn of it. For an authority elsewhere: what to send it.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use base::advice::quoted;
use base::files::{Pending, Readers, WriteError};
use base::times::time_text;
use base::trouble::Trouble;
use book::ids::AuthorityName;
use book::{Authority, RevocationList, RevocationRequest};
use serde::Serialize;
use serde_json::{Value, json};
use site::keys::Unlock;
use site::{Site, Who, authority};
use standard::certificate::{Certificate, Profile};
use standard::key::Signer;
use standard::moment::Moment;
use standard::pem;
use standard::revocation::{ListBuilder, Reason};
use standard::verdict::{HeldList, Pool, Report, Severity, judge_list};
use time::OffsetDateTime;
use utoipa::ToSchema;

/// Where a list goes and what it says beside the revoked certificates.
pub struct Issue<'a> {
    /// The list's file: PEM where its name ends in `.pem`, and then in DER beside it; else DER. For an authority
    /// whose key is elsewhere: the request to send it, under a name that ends in `.json`. Without a place it stays in the
    /// book, where [`list_of`], [`point_of`] and [`to_send`] find it.
    pub out: Option<&'a Path>,
    /// Days until the next list is due; the site's setting where none is given.
    pub days: Option<u32>,
    /// Where verifiers will find the list; the site's setting where none is given.
    pub url: Option<&'a str>,
    /// What the distribution point is called; made of the issuer's name where none is given.
    pub label: Option<&'a str>,
    /// Opens the authority's key.
    pub unlock: &'a dyn Unlock,
}

/// What was issued.
#[derive(Debug, Clone, Serialize)]
pub struct Issued {
    pub issuer: String,
    /// `list`, or `request` for an authority whose key is elsewhere.
    pub kind: &'static str,
    /// Where it is; none where it stays in the book.
    pub file: Option<String>,
    /// The list in DER, as it is to be served: by HTTP, under the record's `data_url` (RFC 5280 §4.2.1.13).
    pub der: Option<String>,
    /// The distribution-point record beside a list.
    pub point: Option<String>,
    pub number: Option<String>,
    pub this_update: Option<String>,
    pub next_update: Option<String>,
    /// How many certificates it names.
    pub certificates: u64,
}

/// A file beside one, with the same stem.
fn beside(file: &Path, ending: &str) -> PathBuf {
    let stem = file.file_stem().map_or_else(|| "list".into(), |s| s.to_string_lossy().into_owned());
    file.with_file_name(format!("{stem}.{ending}"))
}

fn has_ending(file: &Path, ending: &str) -> bool {
    file.extension().is_some_and(|e| e.eq_ignore_ascii_case(ending))
}

/// Where a list in DER goes: lists are served in it (RFC 5280 §4.2.1.13).
fn der_file(out: &Path) -> PathBuf {
    if has_ending(out, "pem") { beside(out, "crl") } else { out.to_owned() }
}

/// Where a request to an authority elsewhere goes. It is no list, so it does not get a list's name.
fn request_file(out: &Path) -> PathBuf {
    if has_ending(out, "json") { out.to_owned() } else { beside(out, "revocation-request.json") }
}

impl Issue<'_> {
    /// Whether the files can be written, before anything is done.
    pub(super) fn check(&self, site: &Site, issuer: &AuthorityName) -> Result<(), Trouble> {
        let here = authority::get(site, issuer.as_str())?.facts.key_reference.is_some();
        let Some(out) = self.out else { return Ok(()) };
        let mut files =
            if here { vec![out.to_owned(), der_file(out), beside(out, "point.json")] } else { vec![request_file(out)] };
        files.dedup();
        for file in files {
            if file.exists() {
                return Err(Trouble::file(&file, std::io::ErrorKind::AlreadyExists.into()));
            }
        }
        let dir = out.parent().filter(|d| !d.as_os_str().is_empty()).unwrap_or(Path::new("."));
        if !dir.is_dir() {
            return Err(Trouble::file(dir, std::io::ErrorKind::NotFound.into()));
        }
        // What is revoked stays so, whatever becomes of the file: a place that takes none is found out beforehand.
        tempfile::tempfile_in(dir).map(drop).map_err(|e| {
            Trouble::surroundings(
                format!("{} can't be written: {e}", out.display()),
                "Choose a folder where files can be made. Nothing was changed.",
            )
        })
    }
}

/// An issuer, and its certificate read.
struct Issuer {
    authority: Authority,
    certificate: Certificate,
}

impl Issuer {
    fn get(site: &Site, name: &str) -> Result<Self, Trouble> {
        let authority = authority::get(site, name)?;
        let certificate = Certificate::read(&authority.facts.certificate).map_err(|e| {
            Trouble::surroundings(
                format!("the certificate of authority {name} can't be read: {e}"),
                "Run `touchmark book verify`.",
            )
        })?;
        Ok(Self { authority, certificate })
    }

    fn key_id(&self) -> &[u8] {
        self.certificate.subject_key_id().unwrap_or(&self.authority.facts.subject_key_id)
    }
}

/// An issuer whose key is open, or one whose key is elsewhere.
pub(super) struct Ready {
    issuer: Issuer,
    signer: Option<Box<dyn Signer>>,
}

/// The number after that one; a first list has 1.
fn following(last: Option<&[u8]>) -> Vec<u8> {
    let mut number = last.unwrap_or(&[0]).to_vec();
    for octet in number.iter_mut().rev() {
        let (next, carried) = octet.overflowing_add(1);
        *octet = next;
        if !carried {
            return number;
        }
    }
    number.insert(0, 1);
    number
}

impl Ready {
    pub(super) fn new(site: &Site, issuer: &AuthorityName, issue: &Issue<'_>) -> Result<Self, Trouble> {
        issue.check(site, issuer)?;
        let issuer = Issuer::get(site, issuer.as_str())?;
        let signer = match &issuer.authority.facts.key_reference {
            Some(_) => Some(authority::signer(site, &issuer.authority, issue.unlock)?),
            None => None,
        };
        Ok(Self { issuer, signer })
    }

    /// Signs the list, keeps it, writes it; or writes the request for the authority.
    pub(super) fn issue(
        &self,
        site: &Site,
        request: Option<&RevocationRequest>,
        issue: &Issue<'_>,
        who: &Who,
    ) -> Result<Issued, Trouble> {
        match &self.signer {
            Some(signer) => self.list(site, signer.as_ref(), issue, who),
            None => self.request(site, request, issue),
        }
    }

    fn list(&self, site: &Site, signer: &dyn Signer, issue: &Issue<'_>, who: &Who) -> Result<Issued, Trouble> {
        let name = &self.issuer.authority.facts.name;
        let revoked = site.book.revoked(name)?;
        let last = site.book.revocation_lists()?.into_iter().find(|l| l.issuer == *name);
        let now = Moment::from_unix((who.clock)().unix_timestamp());
        if let Some(last) = last.as_ref().filter(|l| l.this_update.unix_timestamp() > now.unix()) {
            return Err(Trouble::surroundings(
                format!(
                    "the last list of {name} is dated {}, after this machine's time {now}",
                    time_text(last.this_update)
                ),
                "Correct the clock, then issue the list with `touchmark revoke --renew`.",
            ));
        }
        let days = issue.days.unwrap_or(site.settings.revocation.days).clamp(1, 3650);
        let next = now.plus(i64::from(days) * 86_400);
        let number = following(last.as_ref().map(|l| l.number.as_slice()));
        let mut entries: BTreeMap<Vec<u8>, (Moment, Reason)> = BTreeMap::new();
        // What a list with this key's signature named once stays on it: one that was issued elsewhere, or before this
        // book was put back, is known here only by having been adopted.
        let partial = site.book.partial_lists()?.into_iter().filter(|l| l.issuer == *name).map(|l| l.content);
        for list in partial.chain(last.iter().map(|l| l.content.clone())) {
            self.issuer.named_by(&list, now, &mut entries);
        }
        for r in &revoked {
            let reason = Reason::from_number(r.reason).unwrap_or(Reason::Unspecified);
            entries.insert(r.certificate.serial.clone(), (Moment::from_unix(r.at.unix_timestamp()), reason));
        }
        let entries: Vec<_> = entries.iter().map(|(serial, (at, reason))| (serial.as_slice(), *at, *reason)).collect();
        let issued_by = (self.issuer.certificate.subject_der(), self.issuer.key_id());
        let der = ListBuilder::new(issued_by, (now, next), &number, &entries).sign(signer)?;
        self.judge(&der, now)?;
        let kept = RevocationList {
            issuer: name.clone(),
            number: number.clone(),
            issued_here: true,
            this_update: time(now)?,
            next_update: Some(time(next)?),
            certificates: i64::try_from(entries.len()).unwrap_or(i64::MAX),
            content: der.clone(),
            signer: None,
        };
        site.book.add_revocation_list(&kept, &who.by())?;
        let (mut served, mut point) = (None, None);
        if let Some(out) = issue.out {
            let record = self.issuer.point(site, None, issue.url, issue.label);
            let (in_der, record_file) = (der_file(out), beside(out, "point.json"));
            let mut files = Pending::default();
            let as_pem = (in_der != out).then(|| pem::encode("X509 CRL", &der));
            as_pem
                .iter()
                .try_for_each(|text| files.add(out, text.as_bytes(), Readers::Usual))
                .and_then(|()| files.add(&in_der, &der, Readers::Usual))
                .and_then(|()| files.add(&record_file, format!("{:#}\n", json!(record)).as_bytes(), Readers::Usual))
                .and_then(|()| files.place())
                .map_err(|e| {
                    let number = hex::encode(&number);
                    Trouble::surroundings(
                        format!("what was asked for is revoked, and list {number} of {name} is kept, but it was not written: {e}"),
                        format!(
                            "Issue it again in a place with room: `touchmark revoke --renew {} --out FILE`.",
                            quoted(name.as_str())
                        ),
                    )
                })?;
            (served, point) = (Some(in_der.display().to_string()), Some(record_file.display().to_string()));
        }
        Ok(Issued {
            issuer: name.to_string(),
            kind: "list",
            file: issue.out.map(|out| out.display().to_string()),
            der: served,
            point,
            number: Some(hex::encode(&number)),
            this_update: Some(now.to_string()),
            next_update: Some(next.to_string()),
            certificates: entries.len() as u64,
        })
    }

    /// What we issue is judged like anything else.
    fn judge(&self, der: &[u8], now: Moment) -> Result<(), Trouble> {
        let list = standard::revocation::RevocationList::read(der).map_err(|e| {
            Trouble::surroundings(format!("the list would be unreadable: {e}"), "Report this; nothing was issued.")
        })?;
        let pool = Pool::new(vec![(Arc::new(self.issuer.certificate.clone()), self.issuer.profile(), true)]);
        let mut report = Report::new();
        judge_list(&list, &pool, &[], true, now, &mut report);
        match report.into_findings().into_iter().find(|f| f.severity == Severity::Error) {
            None => Ok(()),
            Some(f) => Err(Trouble::surroundings(
                format!("the list would break {}: {}", f.rule.name, f.found),
                "Report this; nothing was issued.",
            )),
        }
    }

    /// Writes what an authority elsewhere needs to revoke.
    fn request(&self, site: &Site, request: Option<&RevocationRequest>, issue: &Issue<'_>) -> Result<Issued, Trouble> {
        let name = &self.issuer.authority.facts.name;
        let request = request.ok_or_else(|| {
            Trouble::usage(
                format!("the key of {name} is not here, so no list can be issued"),
                "Ask the authority for its current list, and adopt it with `touchmark revocation adopt`.",
            )
        })?;
        let text = self.issuer.to_send(site, request)?;
        let out = issue.out.map(request_file);
        if let Some(out) = &out {
            write_request(out, &text).map_err(|e| {
                let number = request.number;
                Trouble::surroundings(
                    format!("request {number} is confirmed, but what is to be sent to {name} was not written: {e}"),
                    format!("Write it in a place with room: `touchmark revocation show {number} --out FILE`."),
                )
            })?;
        }
        Ok(Issued {
            issuer: name.to_string(),
            kind: "request",
            file: out.map(|out| out.display().to_string()),
            der: None,
            point: None,
            number: None,
            this_update: None,
            next_update: None,
            certificates: u64::try_from(request.certificates).unwrap_or(0),
        })
    }
}

/// The record by which verifiers learn of a list (Core Spec 6.2.4).
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct DistributionPoint {
    /// Vendor ID of the issuer, four hex digits.
    pub vendor_id: Option<String>,
    /// Product ID of the issuer, four hex digits.
    pub product_id: Option<String>,
    /// Whether the issuer is a root.
    pub is_paa: bool,
    /// The record's name.
    pub label: String,
    /// Subject key identifier of the issuer, hex.
    pub issuer_subject_key_id: String,
    /// Where the list is served.
    pub data_url: Option<String>,
    /// Certificate of whoever signed the list, PEM.
    pub signer_certificate: String,
    /// The issuer's certificate, where it appointed a signer.
    pub delegator_certificate: Option<String>,
    /// 1: an RFC 5280 list.
    pub revocation_type: u8,
}

impl Issuer {
    /// What a list of this issuer revokes of its own certificates. A date that can't be read becomes that of the list
    /// that is being made.
    fn named_by(&self, list: &[u8], now: Moment, entries: &mut BTreeMap<Vec<u8>, (Moment, Reason)>) {
        let Ok(list) = standard::revocation::RevocationList::read(list) else { return };
        let own = Arc::new(self.certificate.clone());
        let pool = Pool::new(vec![(Arc::clone(&own), self.profile(), true)]);
        for said in HeldList::new(&list, own).against(&pool) {
            entries.extend(said.entries().map(|(serial, listed)| {
                let reason = listed.reason.and_then(Reason::from_number).unwrap_or(Reason::Unspecified);
                (serial.to_vec(), (listed.at.unwrap_or(now), reason))
            }));
        }
    }

    fn profile(&self) -> Profile {
        match self.authority.facts.role {
            book::Role::Paa => Profile::Paa,
            book::Role::Pai => Profile::Pai,
        }
    }

    /// The record by which verifiers learn of the list (Core Spec 6.2.4).
    ///
    /// - `signer`: certificate of whoever signed it, DER, where the issuer appointed somebody.
    fn point(&self, site: &Site, signer: Option<&[u8]>, url: Option<&str>, label: Option<&str>) -> DistributionPoint {
        let certificate = |der: &[u8]| pem::encode("CERTIFICATE", der);
        let own = certificate(self.certificate.der());
        let identity = &self.certificate.subject.identity;
        let facts = &self.authority.facts;
        DistributionPoint {
            vendor_id: identity.vendor().map(|v| v.to_string()),
            product_id: identity.product().map(|p| p.to_string()),
            is_paa: facts.role == book::Role::Paa,
            label: label.map_or_else(|| format!("{} revocations", facts.name), str::to_owned),
            issuer_subject_key_id: hex::encode_upper(self.key_id()),
            data_url: url.map(str::to_owned).or_else(|| site.settings.revocation.url.clone()),
            signer_certificate: signer.map_or_else(|| own.clone(), certificate),
            delegator_certificate: signer.map(|_| own),
            revocation_type: 1,
        }
    }

    /// What an authority elsewhere needs to revoke: sent to it by a way that it accepts.
    fn to_send(&self, site: &Site, request: &RevocationRequest) -> Result<Value, Trouble> {
        let facts = &self.authority.facts;
        let wanted = site.book.revocation_wanted(request.number)?;
        let mut certificates = Vec::with_capacity(wanted.len());
        for one in &wanted {
            let der = if one.pai {
                let pai = super::plan::pai_of(site, &facts.name, &one.serial)?;
                Some(authority::get(site, &pai)?.facts.certificate)
            } else {
                let here = site.book.credential(&facts.subject_key_id, &one.serial)?.map(|c| c.certificate);
                let elsewhere = || site.book.enrolled_as(&one.serial);
                let of_issuer = |all: Vec<book::Enrolled>| all.into_iter().find(|e| e.authority == facts.name);
                match here {
                    Some(der) => Some(der),
                    None => of_issuer(elsewhere()?).map(|e| e.certificate),
                }
            };
            certificates.push(json!({
                "serial": hex::encode(&one.serial),
                "kind": if one.pai { "pai" } else { "dac" },
                "certificate": der.map(|der| pem::encode("CERTIFICATE", &der)),
            }));
        }
        Ok(json!({
            "what": "request to revoke certificates",
            "site": site.settings.site.name,
            "site_id": site.settings.site.id,
            "request": request.number,
            "issuer": self.certificate.subject.display(self.certificate.der()),
            "issuer_subject_key_id": hex::encode_upper(&facts.subject_key_id),
            "reason": Reason::name_of(request.reason),
            "reason_code": request.reason,
            "note": request.note,
            "requested": time_text(request.requested),
            "requested_by": request.requested_by.as_str(),
            "confirmed": request.settled.as_ref().map(|(at, _)| time_text(*at)),
            "confirmed_by": request.settled.as_ref().map(|(_, by)| by.as_str()),
            "certificates": certificates,
        }))
    }
}

/// The newest list that is kept of an issuer, DER.
///
/// # Errors
///
/// [`Trouble`] where none is kept.
pub fn list_of(site: &Site, issuer: &str) -> Result<Vec<u8>, Trouble> {
    Ok(kept(site, issuer)?.content)
}

fn kept(site: &Site, issuer: &str) -> Result<RevocationList, Trouble> {
    authority::get(site, issuer)?;
    let kept = site.book.revocation_lists()?.into_iter().find(|l| l.issuer.as_str() == issuer);
    kept.ok_or_else(|| {
        Trouble::absent(
            format!("this site has no revocation list of {issuer}"),
            "Issue one with `touchmark revoke --renew`, or adopt the authority's own.",
        )
    })
}

/// The distribution-point record of that list, as it stands beside the file.
///
/// # Errors
///
/// As [`list_of`].
pub fn point_of(site: &Site, issuer: &str) -> Result<DistributionPoint, Trouble> {
    Ok(Issuer::get(site, issuer)?.point(site, kept(site, issuer)?.signer.as_deref(), None, None))
}

/// What to send an authority whose key is elsewhere, of a request that was confirmed.
///
/// # Errors
///
/// [`Trouble`] where the request is not confirmed, or the key is here.
pub fn to_send(site: &Site, number: i64) -> Result<Value, Trouble> {
    let request = super::find(site, number)?;
    let issuer = Issuer::get(site, request.issuer.as_str())?;
    if request.state != book::RequestState::Confirmed {
        return Err(Trouble::refused(
            format!("revocation request {number} is {}, so there is nothing to send", request.state),
            "A second person must confirm it first.",
        ));
    }
    if issuer.authority.facts.key_reference.is_some() {
        return Err(Trouble::usage(
            format!("the key of {} is here, so there is no one to ask", request.issuer),
            "Issue the list.",
        ));
    }
    issuer.to_send(site, &request)
}

/// Writes the same to a new file.
///
/// # Errors
///
/// As [`to_send`], or where the file is there already or can't be written.
pub fn write_to_send(site: &Site, number: i64, out: &Path) -> Result<(), Trouble> {
    write_request(out, &to_send(site, number)?).map_err(Trouble::of)
}

fn write_request(out: &Path, text: &Value) -> Result<(), WriteError> {
    let mut files = Pending::default();
    files.add(out, format!("{text:#}\n").as_bytes(), Readers::Usual)?;
    files.place()
}

fn time(moment: Moment) -> Result<OffsetDateTime, Trouble> {
    OffsetDateTime::from_unix_timestamp(moment.unix()).map_err(|_| {
        Trouble::surroundings(format!("{moment} is not a time that a list can have"), "Check this machine's clock.")
    })
}

/// Issues an authority's list again, with a later date and the next number: before
/// the last one runs out, or after a crash kept it from being written.
///
/// # Errors
///
/// [`Trouble`] where its key is not here.
pub fn renew(site: &Site, issuer: &str, issue: &Issue<'_>, who: &Who) -> Result<Issued, Trouble> {
    Ready::new(site, &AuthorityName::new(issuer)?, issue)?.issue(site, None, issue, who)
}
