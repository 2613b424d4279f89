//! Adopting outside authorities, examined first.

use std::fs;
use std::path::PathBuf;
use std::sync::Arc;

use base::advice::quoted;
use base::course::Course;
use base::trouble::Trouble;
use book::{AuthorityOrigin, NewAuthority, Purpose, Role};
use custody::KeyFile;
use examine::report::Examination;
use examine::{Examine, Input, examine};
use standard::certificate::Certificate;
use standard::detect::{Item, detect};
use standard::ids::VendorId;
use standard::moment::Moment;

use super::{AuthorityView, anchors, free_name, issuer_name, moment_to_time, show};
use crate::{Site, Who, keys};

/// What came of adopting.
#[derive(Debug)]
pub struct Adopted {
    pub authorities: Vec<AuthorityView>,
    /// Names of those among them that were here already, and stay as they are.
    pub already: Vec<String>,
    /// What the person should know of them.
    pub warnings: Vec<String>,
    /// The examination behind it.
    pub examination: Examination,
}

/// Asks a person for the purpose of what a question names; `None` where nobody can be asked.
pub type Ask<'a> = &'a mut dyn FnMut(&str) -> Result<Option<Purpose>, Trouble>;

/// Where nobody can be asked.
///
/// # Errors
///
/// None.
pub fn nobody(_: &str) -> Result<Option<Purpose>, Trouble> {
    Ok(None)
}

/// Adopts outside authorities, examined first. A PAA so adopted is trusted here.
///
/// - `purpose`: where none is said, an intermediate takes that of its root, and a root is for
///   test; of a root with a real vendor ID `ask` is asked, since either would be right.
///
/// # Errors
///
/// [`Trouble`] where a file can't be read, nobody said the purpose, or the book refuses. Where
/// the examination rejects, nothing is adopted and [`Adopted::authorities`] is empty.
pub fn adopt(
    site: &Site,
    files: &[PathBuf],
    name: Option<&str>,
    purpose: Option<Purpose>,
    ask: Ask<'_>,
    who: &Who,
) -> Result<Adopted, Trouble> {
    let mut found: Vec<Arc<Certificate>> = Vec::new();
    // Read once: what is adopted is what was examined.
    let mut inputs = Vec::new();
    for path in files {
        let octets = fs::read(path).map_err(|e| Trouble::file(path, e))?;
        inputs.push(Input::held(path, octets.as_slice()));
        let items = detect(&octets)
            .map_err(|e| Trouble::usage(format!("{}: {e}", path.display()), "Give certificates in DER or PEM."))?;
        for item in items {
            match item {
                Item::Certificate(c) => found.push(c),
                _ => {
                    return Err(Trouble::usage(
                        format!("{} contains something that is not a certificate", path.display()),
                        "Give PAA and PAI certificates.",
                    ));
                }
            }
        }
    }
    // Whoever signed a DAC is not the trouble.
    if let Some(c) = found.iter().find(|c| !is_authority(c) && c.subject.identity.product().is_some()) {
        return Err(no_authority(c));
    }
    let is_root = |c: &Certificate| c.is_self_issued();
    // What is adopted as a root is what the others are judged against, beside those trusted here.
    let roots = found.iter().filter(|c| is_root(c)).map(Arc::clone);
    let held = anchors(site)?.into_iter().map(|(c, _)| c);
    let trust = roots.chain(held).enumerate().map(|(n, c)| Input::held(format!("trust/{n}.der"), c.der())).collect();
    let request = Examine { files: inputs, trust, ..Examine::default() };
    let examination = examine(&request, who.now(), &Course::new())?;
    if examination.counts().errors == 0 && !examination.anchored {
        let lost = found.iter().find(|c| !is_root(c)).or(found.first());
        let what = lost.map_or_else(|| "what was given".to_owned(), |c| c.subject.display(c.der()));
        return Err(Trouble::refused(
            format!("{what} does not end at a PAA that this site trusts"),
            "Adopt its PAA first, or give both at once.",
        ));
    }
    if examination.counts().errors > 0 {
        return Ok(Adopted { authorities: Vec::new(), already: Vec::new(), warnings: Vec::new(), examination });
    }
    if let Some(c) = found.iter().find(|c| !is_authority(c)) {
        return Err(no_authority(c));
    }
    let said = match purpose {
        Some(purpose) => Some(purpose),
        None => ask_for_roots(site, &found, ask)?,
    };
    for c in &found {
        fits(site, c, said)?;
    }
    // Roots first: a PAI names its issuer in the book.
    found.sort_by_key(|c| !is_root(c));
    let single = found.len() == 1;
    let (mut added, mut already) = (Vec::new(), Vec::new());
    for c in &found {
        if let Some(known) = site.book.authority_with(c.der())? {
            already.push(known.facts.name.to_string());
            added.push(AuthorityView::of(&known));
            continue;
        }
        let title =
            c.subject.common_name(c.der()).unwrap_or_else(|| hex::encode(c.subject_key_id().unwrap_or_default()));
        let wanted = name.filter(|_| single).unwrap_or(&title);
        let new = NewAuthority {
            name: free_name(site, wanted, &[])?,
            role: if is_root(c) { Role::Paa } else { Role::Pai },
            origin: AuthorityOrigin::Adopted,
            purpose: purpose_of(site, c, said)?,
            certificate: c.der().to_vec(),
            subject_key_id: c.subject_key_id().unwrap_or_default().to_vec(),
            issuer: if is_root(c) { None } else { issuer_name(site, c)? },
            key_reference: own_key(site, c),
            trusted: is_root(c),
            not_after: moment_to_time(c.not_after.moment),
        };
        site.book.add_authority(&new, &who.by())?;
        added.push(show(site, new.name.as_str())?);
    }
    let warnings = found.iter().filter_map(|c| not_now(c, who.now())).collect();
    Ok(Adopted { authorities: added, already, warnings, examination })
}

fn is_authority(c: &Certificate) -> bool {
    c.basic_constraints().is_some_and(|b| b.ca)
}

fn no_authority(c: &Certificate) -> Trouble {
    Trouble::refused(
        format!("{} is not an authority's certificate", c.subject.display(c.der())),
        "Give PAA and PAI certificates. Receive DACs with `touchmark delivery receive`.",
    )
}

/// What is said of an authority that can't be used now.
fn not_now(c: &Certificate, now: Moment) -> Option<String> {
    let name = c.subject.display(c.der());
    let begins = c.not_before.moment.filter(|begins| *begins > now);
    let ended = c.not_after.moment.filter(|ends| *ends < now);
    match (begins, ended) {
        (Some(begins), _) => Some(format!("{name} is valid only from {begins} on.")),
        (None, Some(ended)) => Some(format!("{name} expired on {ended}.")),
        (None, None) => None,
    }
}

/// Whether a certificate names a real vendor.
fn real_vendor(c: &Certificate) -> Option<VendorId> {
    c.subject.identity.vendor().filter(|vendor| !vendor.is_test())
}

/// Asks what new roots with a real vendor ID are for: a prototype's root looks like one for sale.
fn ask_for_roots(site: &Site, found: &[Arc<Certificate>], ask: Ask<'_>) -> Result<Option<Purpose>, Trouble> {
    for c in found.iter().filter(|c| c.is_self_issued()) {
        let Some(vendor) = real_vendor(c) else { continue };
        if site.book.authority_with(c.der())?.is_some() {
            continue;
        }
        let name = c.subject.display(c.der());
        let question = format!("{name} carries the vendor ID {vendor}, which is not a test one.");
        return match ask(&question)? {
            Some(purpose) => Ok(Some(purpose)),
            None => Err(Trouble::usage(
                format!("{question} Its purpose was not given"),
                "Give --purpose test for prototypes, --purpose production for devices that are sold. Nothing was adopted.",
            )
            .about("purpose")),
        };
    }
    Ok(None)
}

/// The purpose that was said, else that of the root, else test.
fn purpose_of(site: &Site, c: &Certificate, said: Option<Purpose>) -> Result<Purpose, Trouble> {
    if let Some(said) = said {
        return Ok(said);
    }
    if c.subject.identity.vendor().is_some_and(VendorId::is_test) {
        return Ok(Purpose::Test);
    }
    let issuer = if c.is_self_issued() { None } else { issuer_name(site, c)? };
    let issuer = issuer.map(|name| site.book.authority(&name)).transpose()?.flatten();
    Ok(issuer.map_or(Purpose::Test, |issuer| issuer.facts.purpose))
}

/// Refuses a purpose that a certificate can't have, or has here otherwise.
fn fits(site: &Site, c: &Certificate, said: Option<Purpose>) -> Result<(), Trouble> {
    let Some(said) = said else { return Ok(()) };
    if said == Purpose::Production && c.subject.identity.vendor().is_some_and(VendorId::is_test) {
        return Err(Trouble::refused(
            format!("{} carries a test vendor ID and can't be adopted for production", c.subject.display(c.der())),
            "Adopt it for test, or give the production authority's certificate.",
        )
        .about("purpose"));
    }
    let known = site.book.authority_with(c.der())?;
    let issuer = if c.is_self_issued() { None } else { issuer_name(site, c)? };
    let issuer = issuer.map(|name| site.book.authority(&name)).transpose()?.flatten();
    let other = |a: &book::Authority| a.facts.purpose != said;
    if let Some(known) = known.filter(other) {
        let (name, was) = (&known.facts.name, known.facts.purpose);
        return Err(Trouble::refused(
            format!("{name} was adopted for {was} at this site"),
            format!(
                "Withdraw it with `touchmark authority withdraw {}`, which shows what depends on it; then adopt it with --purpose {said}.",
                quoted(name.as_str())
            ),
        )
        .about("purpose"));
    }
    if let Some(root) = issuer.filter(other) {
        let (name, theirs) = (&root.facts.name, root.facts.purpose);
        return Err(Trouble::refused(
            format!("{} was issued under {name}, which is here for {theirs}", c.subject.display(c.der())),
            format!(
                "Adopt it with --purpose {theirs}; or withdraw {name} with `touchmark authority withdraw {}` and adopt both with --purpose {said}.",
                quoted(name.as_str())
            ),
        )
        .about("purpose"));
    }
    Ok(())
}

/// A key here whose public half is this certificate's: one that was requested from here.
fn own_key(site: &Site, c: &Certificate) -> Option<String> {
    if let Some(reference) = c.public_key().and_then(|key| keys::remembered(site, key)) {
        return Some(reference);
    }
    let entries = fs::read_dir(site.keys()).ok()?;
    for entry in entries.flatten() {
        let path = entry.path();
        let is_key = path.extension().is_some_and(|e| e == "key");
        if is_key && KeyFile::public_key(&path).ok().flatten().as_ref() == c.public_key() && c.public_key().is_some() {
            return Some(format!("file:keys/{}", path.file_name()?.to_string_lossy()));
        }
    }
    None
}
