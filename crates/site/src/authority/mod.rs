//! Authorities: development ones raised here, outside ones adopted, requests for either.

mod adopt;

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

pub use adopt::{Adopted, Ask, adopt, nobody};
use base::files;
use base::trouble::{About, Trouble};
use book::ids::AuthorityName;
use book::{Authority, AuthorityOrigin, NewAuthority, Purpose, Role, Subject};
use custody::{KeyFile, PrivateKey, WorkFactor};
use serde::Serialize;
use standard::certificate::{Builder, Certificate, Profile};
use standard::ids::{ProductId, VendorId};
use standard::key::Signer;
use standard::moment::{Moment, NO_END};
use standard::name::NameBuilder;
use standard::verdict::{Context, Pool, Severity};
use time::OffsetDateTime;
use utoipa::ToSchema;

use crate::keys::Unlock;
use crate::revoked::Known;
use crate::{Site, Who, file_stem, head, keys, ledger};

/// The longest validity that an authority raised here may be given; it may also have no end.
const MOST_YEARS: u32 = 100;

/// Authorities that an error names one by one.
const NAMED: usize = 12;

/// What is said wherever an authority is made.
pub const CAUTION: &str = "Use a development authority only on the desk and to rehearse the line. Production authorities, the custody of their keys, audits and records are governed by the alliance's current certificate policy and accredited bodies; do not ship anything issued here.";

/// An authority about to be raised.
pub struct Raise<'a> {
    /// Its name, at the site and in its certificate.
    pub name: &'a str,
    pub role: Role,
    /// Vendor ID, a test one or the vendor's own; a PAI needs one.
    pub vendor: Option<VendorId>,
    /// Product ID, for a PAI of one product.
    pub product: Option<ProductId>,
    /// The PAA that issues a PAI.
    pub issuer: Option<&'a str>,
    /// Years of validity; none for no well-defined end.
    pub years: Option<u32>,
    /// `pkcs11:` URI of its key, found in the token or made there; a key file where none is given.
    pub key: Option<&'a str>,
    /// Protects its key, and opens the issuer's.
    pub unlock: &'a dyn Unlock,
    /// How costly guessing the passphrase is made.
    pub work: WorkFactor,
}

/// An authority as it is told.
#[derive(Debug, Serialize)]
pub struct AuthorityView {
    pub name: String,
    /// `paa` or `pai`.
    pub role: &'static str,
    /// `raised`, `adopted`, `delivered`.
    pub origin: &'static str,
    /// What it is for.
    pub purpose: Purpose,
    /// Vendor ID in its subject.
    pub vendor_id: Option<String>,
    /// Product ID in its subject.
    pub product_id: Option<String>,
    pub subject_key_id: String,
    pub serial: Option<String>,
    pub not_before: Option<String>,
    /// notAfter; none without a well-defined end.
    pub not_after: Option<String>,
    /// Its issuer at this site.
    pub issuer: Option<String>,
    /// Whether the site trusts it as a root.
    pub trusted: bool,
    /// Whether its key is in custody here.
    pub key_here: bool,
    /// Whether that key's file is gone.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub key_missing: bool,
    /// Where its key is: `file:…` from the site's directory, or a `pkcs11:` URI.
    pub key: Option<String>,
    pub subject: Option<String>,
    /// When and why it was revoked, as this site knows it.
    pub revoked: Option<String>,
}

impl AuthorityView {
    fn of(authority: &Authority) -> Self {
        let facts = &authority.facts;
        let c = Certificate::read(&facts.certificate).ok();
        let end = |c: &Certificate| c.not_after.moment.filter(|m| *m != NO_END).map(|m| m.to_string());
        Self {
            name: facts.name.to_string(),
            role: facts.role.word(),
            origin: facts.origin.word(),
            purpose: facts.purpose,
            vendor_id: c.as_ref().and_then(|c| c.subject.identity.vendor()).map(|v| v.to_string()),
            product_id: c.as_ref().and_then(|c| c.subject.identity.product()).map(|p| p.to_string()),
            subject_key_id: hex::encode(&facts.subject_key_id),
            serial: c.as_ref().map(Certificate::serial_hex),
            not_before: c.as_ref().and_then(|c| c.not_before.moment).map(|m| m.to_string()),
            not_after: c.as_ref().and_then(end),
            issuer: facts.issuer.as_ref().map(ToString::to_string),
            trusted: facts.trusted,
            key_here: facts.key_reference.is_some(),
            key_missing: false,
            key: facts.key_reference.clone(),
            subject: c.as_ref().map(|c| c.subject.display(c.der())),
            revoked: None,
        }
    }
}

/// A random serial number: positive, 16 octets (RFC 5280 §4.1.2.2).
pub fn serial() -> Result<[u8; 16], Trouble> {
    let mut serial = [0; 16];
    aws_lc_rs::rand::fill(&mut serial)
        .map_err(|_| Trouble::surroundings("the operating system provides no random numbers", "Try again."))?;
    // The first octet stays below 80 so that no sign octet is added, and above 00 so that all have one length.
    serial[0] = serial[0] & 0x7F | 0x10;
    Ok(serial)
}

pub fn moment_to_time(moment: Option<Moment>) -> Option<OffsetDateTime> {
    moment.filter(|m| *m != NO_END).and_then(|m| OffsetDateTime::from_unix_timestamp(m.unix()).ok())
}

/// The signing key of an authority whose key is here.
///
/// # Errors
///
/// [`Trouble`] where it is not, or the passphrase does not open it.
pub fn signer(site: &Site, authority: &Authority, unlock: &dyn Unlock) -> Result<Box<dyn Signer>, Trouble> {
    let Some(reference) = &authority.facts.key_reference else {
        return Err(Trouble::usage(
            format!("the key of authority {} is not here", authority.facts.name),
            "Name an authority that was created here, or ask the outside authority to issue.",
        ));
    };
    let signer = keys::open(site, reference, authority.facts.name.as_str(), unlock)?;
    if signer.public_key().key_id() != authority.facts.subject_key_id.as_slice() {
        return Err(Trouble::refused(
            format!("the key at {reference} does not belong to authority {}", authority.facts.name),
            "Find out who changed it; nothing was signed.",
        ));
    }
    Ok(signer)
}

/// A new authority's key: in custody, and not yet named by any certificate.
struct NewKey {
    signer: Box<dyn Signer>,
    reference: String,
    /// Its file, to be taken away again where nothing comes of it.
    file: Option<PathBuf>,
}

impl NewKey {
    /// Makes a key file, or finds or makes a key in a token.
    fn get(site: &Site, raise: &Raise<'_>) -> Result<Self, Trouble> {
        if let Some(uri) = raise.key {
            let found = keys::find_or_make(uri, raise.unlock)?;
            let id = found.key.public_key().key_id();
            if let Some(other) = site.book.authorities()?.iter().find(|a| a.facts.subject_key_id == id) {
                return Err(Trouble::refused(
                    format!("the key at {uri} belongs to authority {}", other.facts.name),
                    "Give another object= in the URI: each authority needs its own key.",
                ));
            }
            return Ok(Self { signer: Box::new(found.key), reference: found.reference, file: None });
        }
        let file = site.key_file(raise.name);
        let passphrase = raise.unlock.passphrase(&format!("for the key of {}", raise.name), true)?;
        KeyFile::create(&file, &passphrase, &PrivateKey::generate()?, raise.work)?;
        let signer = Box::new(KeyFile::open(&file, &passphrase)?);
        Ok(Self { signer, reference: format!("file:keys/{}.key", file_stem(raise.name)), file: Some(file) })
    }

    /// Takes a key file away that nothing was issued for. A key in a token stays,
    /// and is found again.
    fn discard(&self) {
        if let Some(file) = &self.file {
            let _ = fs::remove_file(file);
        }
    }
}

/// Raises a development authority: a key in custody, a certificate, both recorded.
///
/// Durable steps, in order: the key file, the book. A crash between them leaves
/// a key file that belongs to nothing; the next try names it.
///
/// # Errors
///
/// [`Trouble`]; the book is unchanged then.
pub fn raise(site: &Site, raise: &Raise<'_>, who: &Who) -> Result<AuthorityView, Trouble> {
    let name = AuthorityName::new(raise.name).about("name")?;
    if site.book.authority(&name)?.is_some() {
        return Err(Trouble::usage(format!("authority {name} already exists"), "Give another name.").about("name"));
    }
    let now = who.now();
    // None is over before it begins, and what is beyond the calendar would silently be no end at all.
    if let Some(years) = raise.years.filter(|years| !(1..=MOST_YEARS).contains(years)) {
        return Err(Trouble::usage(
            format!("{years} is not a number of years from 1 to {MOST_YEARS}"),
            "Give fewer years, or leave --years out for no expiry.",
        )
        .about("years"));
    }
    let until = raise.years.map_or(NO_END, |years| now.plus(i64::from(years) * 31_557_600));
    let mut subject = NameBuilder::new().common_name(raise.name);
    // With a real vendor ID it serves prototypes: whatever is made here is for test.
    if let Some(vendor) = raise.vendor {
        subject = subject.vendor(vendor);
    }
    if let Some(product) = raise.product {
        subject = subject.product(product);
    }
    let subject = subject.build();
    let (issuer, issuer_signer) = match (raise.role, raise.issuer) {
        (Role::Paa, None) => (None, None),
        (Role::Paa, Some(_)) => {
            return Err(Trouble::usage("a PAA is its own issuer", "Leave the issuer out.").about("issuer"));
        }
        (Role::Pai, None) => {
            return Err(Trouble::usage(
                "a PAI needs the PAA that issues it",
                "Name its issuer; create a PAA first if there is none.",
            )
            .about("issuer"));
        }
        (Role::Pai, Some(issuer)) => {
            let found = get(site, issuer).about("issuer")?;
            if found.facts.role != Role::Paa {
                return Err(Trouble::usage(
                    format!("authority {} is a PAI, and a PAI is issued by a PAA", found.facts.name),
                    "Name the PAA; see `touchmark authority list`.",
                )
                .about("issuer"));
            }
            let signer = signer(site, &found, raise.unlock).about("passphrase")?;
            (Some(found), Some(signer))
        }
    };
    match (raise.role, raise.vendor, raise.product) {
        (Role::Pai, None, _) => {
            return Err(Trouble::usage(
                "a PAI carries a vendor ID",
                "Give one of FFF1 to FFF4, or your own for prototypes.",
            )
            .about("vendor"));
        }
        (Role::Paa, _, Some(_)) => {
            return Err(Trouble::usage("a PAA carries no product ID", "Leave the product ID out.").about("product"));
        }
        _ => {}
    }
    let issuer_certificate =
        issuer.as_ref().map(|i| Certificate::read(&i.facts.certificate)).transpose().map_err(|e| {
            Trouble::surroundings(
                format!("the issuer's certificate in the book can't be read: {e}"),
                "Run `touchmark book verify`.",
            )
        })?;
    // The key comes first: a certificate without its key would be of no use.
    let key = NewKey::get(site, raise)?;
    let public = key.signer.public_key();
    let own_id = public.key_id();
    let (issuer_name, issuer_id): (&[u8], &[u8]) = match &issuer_certificate {
        Some(c) => (c.subject_der(), c.subject_key_id().unwrap_or_default()),
        None => (&subject, &own_id),
    };
    let profile = if raise.role == Role::Paa { Profile::Paa } else { Profile::Pai };
    let builder = Builder::new(profile, &serial()?, (issuer_name, issuer_id), &subject, &public, (now, until));
    let der = builder.sign(issuer_signer.as_deref().unwrap_or(key.signer.as_ref()));
    let added = der.map_err(Trouble::from).and_then(|der| {
        let c = accept_form(&der, profile, issuer_certificate.as_ref())?;
        let new = NewAuthority {
            name: name.clone(),
            role: raise.role,
            origin: AuthorityOrigin::Raised,
            purpose: Purpose::Test,
            subject_key_id: own_id.to_vec(),
            issuer: issuer.as_ref().map(|i| i.facts.name.clone()),
            key_reference: Some(key.reference.clone()),
            trusted: raise.role == Role::Paa,
            not_after: moment_to_time(c.not_after.moment),
            certificate: der,
        };
        site.book.add_authority(&new, &who.by())?;
        Ok(())
    });
    if let Err(error) = added {
        key.discard();
        return Err(error);
    }
    show(site, raise.name)
}

/// What we build is judged like anything else.
fn accept_form(der: &[u8], profile: Profile, issuer: Option<&Certificate>) -> Result<Certificate, Trouble> {
    let c = Certificate::read(der)
        .map_err(|e| Trouble::usage(format!("the certificate would be unreadable: {e}"), "Give another name."))?;
    let mut members = vec![(Arc::new(c.clone()), profile, issuer.is_none())];
    if let Some(issuer) = issuer {
        members.push((Arc::new(issuer.clone()), Profile::Paa, true));
    }
    let findings = Pool::new(members).judge_authority(0, &Context { trust_given: true, ..Context::default() }).findings;
    match findings.into_iter().find(|f| f.severity == Severity::Error) {
        None => Ok(c),
        Some(f) => Err(Trouble::usage(
            format!("the certificate would break {}: {}", f.rule.name, f.found),
            f.advice.into_owned(),
        )),
    }
}

/// The authority of that name.
///
/// # Errors
///
/// [`Trouble`] where there is none.
pub fn get(site: &Site, name: &str) -> Result<Authority, Trouble> {
    let named = AuthorityName::new(name)?;
    if let Some(found) = site.book.authority(&named)? {
        return Ok(found);
    }
    let there: Vec<String> = site.book.authorities()?.into_iter().map(|a| a.facts.name.to_string()).collect();
    let advice = match there.len() {
        0 => "Create one with `touchmark authority create`, or adopt one with `touchmark authority adopt`.".into(),
        1..=NAMED => format!("Known authorities: {}.", there.join(", ")),
        _ => "List them with `touchmark authority list`.".into(),
    };
    let withdrawn = ledger::withdrawn(site, &Subject::Authority(named))?;
    Err(Trouble::absent(format!("there is no authority {name}{withdrawn}"), advice))
}

/// What is told of one authority.
///
/// # Errors
///
/// [`Trouble`] where there is none.
pub fn show(site: &Site, name: &str) -> Result<AuthorityView, Trouble> {
    Ok(views(site, &[get(site, name)?])?.remove(0))
}

/// Authorities as they are told, with what is known to be revoked of them.
fn views(site: &Site, authorities: &[Authority]) -> Result<Vec<AuthorityView>, Trouble> {
    let revoked = Known::of(site)?;
    let anchors: Vec<_> = anchors(site)?.into_iter().map(|(anchor, _)| anchor).collect();
    let view = |authority: &Authority| {
        let mut view = AuthorityView::of(authority);
        let file = view.key.as_deref().and_then(|key| key.strip_prefix("file:"));
        view.key_missing = file.is_some_and(|file| !site.dir.join(file).is_file());
        if authority.facts.role == Role::Pai && !revoked.is_empty() {
            let pai = Arc::new(read(authority)?);
            view.revoked = revoked.of_chain(&anchors, &pai, None).map(|(_, listed)| listed.to_string());
        }
        Ok(view)
    };
    authorities.iter().map(view).collect()
}

/// All authorities, by name.
pub fn list(site: &Site) -> Result<Vec<AuthorityView>, Trouble> {
    views(site, &site.book.authorities()?)
}

/// An authority that was withdrawn.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = WithdrawnAuthority)]
pub struct Withdrawn {
    /// Its name, free again.
    pub withdrawn: String,
    /// Where its key is now, where it is here. Keys are never deleted.
    pub key: Option<String>,
    /// The entry of the log that holds what it was.
    pub entry: i64,
}

/// Withdraws an authority under which nothing was received, issued or revoked: name and
/// certificate are free again.
///
/// Durable steps, in order: the book; the key file of one made here, renamed so that its
/// name is free too. A crash between them leaves the key under its old name.
///
/// # Errors
///
/// [`Trouble`] names and counts what depends on it; nothing is changed then.
pub fn withdraw(site: &Site, name: &str, who: &Who) -> Result<Withdrawn, Trouble> {
    let known = get(site, name)?.facts.name;
    let done = site.book.withdraw_authority(&known, &who.by())?;
    let mut key = done.key_reference;
    let file = site.key_file(name);
    if done.origin == AuthorityOrigin::Raised && file.exists() {
        let stem = format!("{}.withdrawn-{}", file_stem(name), done.entry);
        let kept = site.keys().join(format!("{stem}.key"));
        fs::rename(&file, &kept).map_err(|e| Trouble::file(&file, e))?;
        key = Some(format!("file:keys/{stem}.key"));
    }
    head::mark(site, who);
    Ok(Withdrawn { withdrawn: name.to_owned(), key, entry: done.entry.0 })
}

/// Certificates of the PAAs trusted here, in DER.
pub fn trusted(site: &Site) -> Result<Vec<Vec<u8>>, Trouble> {
    Ok(anchors(site)?.iter().map(|(c, _)| c.der().to_vec()).collect())
}

/// PAAs trusted here, each with whether it was adopted for production.
pub fn anchors(site: &Site) -> Result<Vec<(Arc<Certificate>, bool)>, Trouble> {
    let mut out = Vec::new();
    for authority in site.book.authorities()? {
        if authority.facts.role == Role::Paa && authority.facts.trusted {
            out.push((Arc::new(read(&authority)?), authority.facts.purpose == Purpose::Production));
        }
    }
    Ok(out)
}

/// PAIs known here.
pub fn intermediates(site: &Site) -> Result<Vec<(AuthorityName, Arc<Certificate>)>, Trouble> {
    let mut out = Vec::new();
    for authority in site.book.authorities()? {
        if authority.facts.role == Role::Pai {
            out.push((authority.facts.name.clone(), Arc::new(read(&authority)?)));
        }
    }
    Ok(out)
}

fn read(authority: &Authority) -> Result<Certificate, Trouble> {
    Certificate::read(&authority.facts.certificate).map_err(|e| {
        Trouble::surroundings(
            format!("the certificate of authority {} in the book can't be read: {e}", authority.facts.name),
            "Run `touchmark book verify`.",
        )
    })
}

/// The name itself, or with a number behind it where it is taken.
pub fn free_name(site: &Site, wanted: &str, taken: &[AuthorityName]) -> Result<AuthorityName, Trouble> {
    let base: String = wanted.chars().filter(|c| !c.is_control()).take(80).collect();
    for number in 1..1000 {
        let text = if number == 1 { base.clone() } else { format!("{base} ({number})") };
        let name = AuthorityName::new(&text)?;
        if !taken.contains(&name) && site.book.authority(&name)?.is_none() {
            return Ok(name);
        }
    }
    Err(Trouble::usage(format!("a thousand authorities are named {base}"), "Choose another name."))
}

/// The authority here that issued a PAI.
pub fn issuer_name(site: &Site, c: &Certificate) -> Result<Option<AuthorityName>, Trouble> {
    for authority in site.book.authorities()? {
        if authority.facts.role == Role::Paa && Some(authority.facts.subject_key_id.as_slice()) == c.authority_key_id()
        {
            return Ok(Some(authority.facts.name));
        }
    }
    Ok(None)
}

/// A request that was written.
#[derive(Debug, Serialize)]
pub struct Requested {
    pub name: String,
    /// Where the request is.
    pub file: String,
    pub subject_key_id: String,
}

/// A request about to be written.
pub struct Request<'a> {
    /// Name of an authority whose key is here, or of a new key.
    pub name: &'a str,
    /// Vendor ID in the request.
    pub vendor: Option<VendorId>,
    /// Product ID in the request.
    pub product: Option<ProductId>,
    /// `pkcs11:` URI of the key, found in the token or made there; a key file where none is given.
    pub key: Option<&'a str>,
    /// The file to write.
    pub out: &'a Path,
    /// Opens the key, or protects it where it is made now.
    pub unlock: &'a dyn Unlock,
    /// How costly guessing the passphrase is made.
    pub work: WorkFactor,
}

/// Writes a PKCS #10 request for an outside authority; its key is made if there is none of that name.
///
/// # Errors
///
/// [`Trouble`]; an existing file is never replaced.
pub fn request(site: &Site, request: &Request<'_>) -> Result<Requested, Trouble> {
    let Request { name, vendor, product, out, .. } = *request;
    let checked = AuthorityName::new(name)?;
    if out.exists() {
        return Err(Trouble::usage(
            format!("{} already exists", out.display()),
            "Give another name; nothing was written.",
        ));
    }
    let key: Box<dyn Signer> = match (site.book.authority(&checked)?, request.key) {
        (Some(known), _) => signer(site, &known, request.unlock)?,
        (None, Some(uri)) => {
            let found = keys::find_or_make(uri, request.unlock)?;
            // Kept, so that the certificate that comes back finds its key.
            keys::remember(site, name, &found)?;
            Box::new(found.key)
        }
        (None, None) => {
            let path = site.key_file(name);
            let fresh = !path.exists();
            let passphrase = request.unlock.passphrase(&format!("for the key of {name}"), fresh)?;
            if fresh {
                KeyFile::create(&path, &passphrase, &PrivateKey::generate()?, request.work)?;
            }
            Box::new(KeyFile::open(&path, &passphrase)?)
        }
    };
    let mut subject = NameBuilder::new().common_name(name);
    if let Some(vendor) = vendor {
        subject = subject.vendor(vendor);
    }
    if let Some(product) = product {
        subject = subject.product(product);
    }
    let der = standard::request::build(&subject.build(), key.as_ref())?;
    files::put(out, standard::pem::encode("CERTIFICATE REQUEST", &der).as_bytes()).map_err(Trouble::of)?;
    Ok(Requested {
        name: name.to_owned(),
        file: out.display().to_string(),
        subject_key_id: hex::encode(key.public_key().key_id()),
    })
}
