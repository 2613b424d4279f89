//! What this site knows to be revoked: by its own word, and by the lists it keeps.

use std::collections::HashMap;
use std::fs;
use std::path::PathBuf;
use std::sync::Arc;

use standard::certificate::Certificate;
use standard::revocation::{Reason, RevocationList};
use standard::verdict::{Pool, RevokedSerials};

use crate::reel::time_text;
use crate::site::{FILE, Site};
use crate::trouble::Trouble;

type Serials = HashMap<Vec<u8>, String>;

/// Revoked certificates by the key of their issuer, read once and asked for every unit.
#[derive(Debug, Default, Clone)]
pub struct Known(HashMap<[u8; 65], Arc<Serials>>);

impl Known {
    /// What the site knows now. A kept list was judged when it was kept.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where the book gave no answer.
    pub fn of(site: &Site) -> Result<Self, Trouble> {
        let lists = site.book.revocation_lists()?;
        let mut out: HashMap<[u8; 65], Serials> = HashMap::new();
        for authority in site.book.authorities()? {
            let name = &authority.facts.name;
            let Ok(certificate) = Certificate::read(&authority.facts.certificate) else { continue };
            let Some(key) = certificate.public_key() else { continue };
            let mut serials = Serials::new();
            if let Some(kept) = lists.iter().find(|l| l.issuer == *name)
                && let Ok(list) = RevocationList::read(&kept.content)
            {
                serials.extend(list.revoked());
            }
            for revoked in site.book.revoked(name)? {
                let why = Reason::name_of(revoked.reason).unwrap_or("unspecified");
                serials.insert(revoked.certificate.serial, format!("{}, {why}", time_text(revoked.at)));
            }
            if !serials.is_empty() {
                out.entry(*key.point()).or_default().extend(serials);
            }
        }
        Ok(Self(out.into_iter().map(|(key, serials)| (key, Arc::new(serials))).collect()))
    }

    /// The same, said of a pool's authorities.
    pub fn against(&self, pool: &Pool) -> Vec<RevokedSerials> {
        if self.0.is_empty() {
            return Vec::new();
        }
        pool.authorities()
            .iter()
            .enumerate()
            .filter_map(|(index, member)| {
                let serials = self.0.get(member.certificate.public_key()?.point())?;
                Some(RevokedSerials::new(index, Arc::clone(serials)))
            })
            .collect()
    }

    /// When and why `certificate` was revoked by the issuer with this certificate.
    pub fn lookup(&self, issuer: &Certificate, certificate: &Certificate) -> Option<&str> {
        self.0.get(issuer.public_key()?.point())?.get(certificate.serial()).map(String::as_str)
    }
}

/// Lists to be honoured, those that sites keep laid out as files for as long as this lives.
#[derive(Debug)]
pub struct Kept {
    paths: Vec<PathBuf>,
    _laid_out: Option<tempfile::TempDir>,
}

impl Kept {
    /// Where the lists are.
    pub fn paths(&self) -> &[PathBuf] {
        &self.paths
    }
}

/// Takes each path as it is; the directory of a site stands for the lists that it keeps.
///
/// # Errors
///
/// [`Trouble`] where a site can't be opened.
pub fn kept_by(paths: &[PathBuf]) -> Result<Kept, Trouble> {
    let mut out = Kept { paths: Vec::new(), _laid_out: None };
    for path in paths {
        if !path.join(FILE).is_file() {
            out.paths.push(path.clone());
            continue;
        }
        let site = Site::open(path)?;
        if out._laid_out.is_none() {
            out._laid_out = Some(tempfile::tempdir().map_err(Trouble::temporary)?);
        }
        let Some(dir) = &out._laid_out else { continue };
        for list in site.book.revocation_lists()? {
            let name: String =
                list.issuer.as_str().chars().map(|c| if c.is_alphanumeric() { c } else { '-' }).collect();
            let file = dir.path().join(format!("{name}-{}-{}.crl", hex::encode(&list.number), out.paths.len()));
            fs::write(&file, &list.content).map_err(Trouble::temporary)?;
            out.paths.push(file);
        }
    }
    Ok(out)
}
