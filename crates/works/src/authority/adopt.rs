//! Adopting outside authorities, examined first.

use std::fs;
use std::path::PathBuf;
use std::sync::Arc;

use book::{AuthorityOrigin, NewAuthority, Purpose, Role};
use custody::KeyFile;
use standard::certificate::Certificate;
use standard::detect::{Item, detect};
use standard::ids::VendorId;

use super::{AuthorityView, anchors, free_name, issuer_name, moment_to_time, show};
use crate::course::Course;
use crate::examine::report::Examination;
use crate::examine::{Examine, examine};
use crate::keys;
use crate::site::{Site, Who};
use crate::trouble::Trouble;

/// What came of adopting.
#[derive(Debug)]
pub struct Adopted {
    /// Those adopted.
    pub authorities: Vec<AuthorityView>,
    /// The examination behind it.
    pub examination: Examination,
}

/// Adopts outside authorities, examined first. A PAA so adopted is trusted here.
///
/// # Errors
///
/// [`Trouble`] where a file can't be read or the book refuses. Where the
/// examination rejects, nothing is adopted and [`Adopted::authorities`] is empty.
pub fn adopt(
    site: &Site,
    files: &[PathBuf],
    name: Option<&str>,
    production: bool,
    who: &Who,
) -> Result<Adopted, Trouble> {
    let purpose = if production { Purpose::Production } else { Purpose::Test };
    let mut found: Vec<Arc<Certificate>> = Vec::new();
    for path in files {
        let octets = fs::read(path).map_err(|e| Trouble::file(path, e))?;
        let items = detect(&octets)
            .map_err(|e| Trouble::usage(format!("{}: {e}", path.display()), "Give certificates in DER or PEM."))?;
        for item in items {
            match item {
                Item::Certificate(c) => found.push(c),
                _ => {
                    return Err(Trouble::usage(
                        format!("{} holds something that is no certificate", path.display()),
                        "Give PAA and PAI certificates.",
                    ));
                }
            }
        }
    }
    let is_root = |c: &Certificate| c.is_self_issued();
    // What is adopted as a root is what the others are judged against, beside those trusted here.
    let scratch = tempfile::tempdir()
        .map_err(|e| Trouble::surroundings(format!("no temporary directory: {e}"), "Look at the disk."))?;
    let trust_dir = scratch.path().join("trust");
    fs::create_dir(&trust_dir).map_err(|e| Trouble::file(&trust_dir, e))?;
    let mut trusted = 0;
    let roots = found.iter().filter(|c| is_root(c)).map(|c| c.der().to_vec());
    let held = anchors(site)?.into_iter().map(|(c, _)| c.der().to_vec());
    for der in roots.chain(held) {
        let path = trust_dir.join(format!("{trusted}.der"));
        fs::write(&path, der).map_err(|e| Trouble::file(&path, e))?;
        trusted += 1;
    }
    let trust = if trusted > 0 { vec![trust_dir] } else { Vec::new() };
    let request = Examine { files: files.to_vec(), trust, ..Examine::default() };
    let examination = examine(&request, who.now(), &Course::new())?;
    if examination.counts().errors == 0 && !examination.anchored {
        let lost = found.iter().find(|c| !is_root(c)).or(found.first());
        let what = lost.map_or_else(|| "what was given".to_owned(), |c| c.subject.display(c.der()));
        return Err(Trouble::refused(
            format!("{what} ends at no PAA that this site trusts"),
            "Adopt its PAA first, or give both in one call.",
        ));
    }
    if examination.counts().errors > 0 {
        return Ok(Adopted { authorities: Vec::new(), examination });
    }
    if let Some(c) = found.iter().find(|c| !c.basic_constraints().is_some_and(|b| b.ca)) {
        return Err(Trouble::refused(
            format!("{} is no authority's certificate", c.subject.display(c.der())),
            "Give PAA and PAI certificates; DACs come in with `touchmark delivery receive`.",
        ));
    }
    if production && let Some(c) = found.iter().find(|c| c.subject.identity.vendor().is_some_and(VendorId::is_test)) {
        return Err(Trouble::refused(
            format!("{} carries a test vendor ID and can't be adopted for production", c.subject.display(c.der())),
            "Leave --production out, or give the production authority's certificate.",
        ));
    }
    for c in found.iter().filter(|_| production) {
        if let Some(known) = site.book.authority_with(c.der())?.filter(|known| known.facts.purpose == Purpose::Test) {
            return Err(Trouble::refused(
                format!(
                    "{} was adopted for test on this site already, and stays so: what was issued under it here is for test",
                    known.facts.name
                ),
                "Found a site of its own for production (`touchmark site new`), and adopt it there with --production from the beginning.",
            ));
        }
    }
    // Roots first: a PAI names its issuer in the book.
    found.sort_by_key(|c| !is_root(c));
    let single = found.len() == 1;
    let mut added = Vec::new();
    for c in &found {
        if let Some(known) = site.book.authority_with(c.der())? {
            added.push(AuthorityView::of(&known));
            continue;
        }
        let title =
            c.subject.common_name(c.der()).unwrap_or_else(|| hex::encode(c.subject_key_id().unwrap_or_default()));
        let wanted = name.filter(|_| single).unwrap_or(&title);
        let new = NewAuthority {
            name: free_name(site, wanted)?,
            role: if is_root(c) { Role::Paa } else { Role::Pai },
            origin: AuthorityOrigin::Adopted,
            purpose,
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
    Ok(Adopted { authorities: added, examination })
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
