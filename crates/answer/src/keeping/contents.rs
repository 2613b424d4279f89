//! What belongs to a site beside its book: the files that a backup holds.

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::fs;
use std::path::{Component, Path, PathBuf};

use base::trouble::Trouble;
use receive::delivery::REFUSED;
use receive::online;
use serde::Serialize;
use site::{FILE, Site, checkpoint, head, product};

use super::archive::LeftOut;

/// Endings of what belongs in `keys/`: keys, their public halves and certificates, and where keys in tokens are.
/// Anything else there, a passphrase above all, must not travel beside what it opens.
const OF_KEYS: &[&str] = &["key", "pem", "der", "cer", "crt", "uri"];

/// The site's files, by their names in its directory.
#[derive(Debug, Default)]
pub(super) struct Contents {
    pub files: BTreeMap<String, PathBuf>,
    pub left_out: Vec<LeftOut>,
    /// Named by the site, and not found.
    pub missing: Vec<String>,
}

impl Contents {
    /// Settings, keys, the products' objects, the files that the settings name, and the reports of refused
    /// deliveries, which the book does not hold.
    ///
    /// - `site`: its own book is asked for the products.
    pub(super) fn of(site: &Site) -> Result<Self, Trouble> {
        let mut found = Self::default();
        found.add(&site.dir, Path::new(FILE));
        found.keys(site)?;
        for path in &site.settings.watch.certificates {
            found.add(&site.dir, path);
        }
        if let Some(path) = &site.settings.book.password_file {
            let why = "It is the database server's password. Give it again with --book-password-file.";
            found.left_out.push(LeftOut { what: path.display().to_string(), why: why.into() });
        }
        for product in site.book.products()? {
            for object in product::further(&product)? {
                if let Some(file) = &object.file {
                    found.add(&site.dir, file);
                }
                if let Some(folder) = &object.per_unit {
                    found.folder(&site.dir, folder)?;
                }
            }
        }
        if site.dir.join(REFUSED).is_dir() {
            found.folder(&site.dir, Path::new(REFUSED))?;
        }
        // What an authority answered, or was asked, and is not received yet.
        for folder in online::folders(site)? {
            found.folder(&site.dir, &folder)?;
        }
        for missing in missing_keys(site)? {
            if !found.missing.contains(&missing.file) {
                found.missing.push(missing.file);
            }
        }
        Ok(found)
    }

    fn leave_out(&mut self, path: &Path, why: &str) {
        self.left_out.push(LeftOut { what: path.display().to_string(), why: why.to_owned() });
    }

    /// A file by its name from the site's directory.
    fn add(&mut self, dir: &Path, path: &Path) {
        let Some(name) = inside(path) else {
            let why = "It lies outside the site's directory. Copy it yourself.";
            return self.leave_out(path, why);
        };
        let file = dir.join(&name);
        if file.is_file() {
            self.files.insert(name, file);
        } else if !self.missing.contains(&name) {
            self.missing.push(name);
        }
    }

    /// All files of a folder that is named from the site's directory.
    fn folder(&mut self, dir: &Path, folder: &Path) -> Result<(), Trouble> {
        let Some(name) = inside(folder) else {
            self.leave_out(folder, "It lies outside the site's directory. Copy it yourself.");
            return Ok(());
        };
        let path = dir.join(&name);
        if !path.is_dir() {
            self.missing.push(name);
            return Ok(());
        }
        for entry in fs::read_dir(&path).map_err(|e| Trouble::file(&path, e))? {
            let entry = entry.map_err(|e| Trouble::file(&path, e))?;
            if entry.path().is_file() {
                self.add(dir, &Path::new(&name).join(entry.file_name()));
            }
        }
        Ok(())
    }

    fn keys(&mut self, site: &Site) -> Result<(), Trouble> {
        let folder = site.keys();
        for entry in fs::read_dir(&folder).map_err(|e| Trouble::file(&folder, e))? {
            let path = entry.map_err(|e| Trouble::file(&folder, e))?.path();
            let name = Path::new("keys").join(path.file_name().unwrap_or_default());
            if path.extension().and_then(OsStr::to_str).is_some_and(|e| OF_KEYS.contains(&e)) {
                self.add(&site.dir, &name);
            } else if [checkpoint::FILE, checkpoint::COSIGNED].iter().any(|own| name == Path::new("keys").join(own)) {
                // It is of the book as it is here, and a restored book begins its own.
            } else if path.is_file() {
                self.leave_out(&name, "It is no key. A passphrase must not lie beside the keys that it opens.");
            }
        }
        for authority in site.book.authorities()? {
            if let Some(reference) = authority.facts.key_reference.filter(|r| r.starts_with("pkcs11:")) {
                let what = format!("the key of {} in {reference}", authority.facts.name);
                let why = "It never leaves its token. Connect the token to the new machine.".to_owned();
                self.left_out.push(LeftOut { what, why });
            }
        }
        Ok(())
    }
}

/// A path that stays under the directory that it is named from, with `/` between its parts.
pub(super) fn inside(path: &Path) -> Option<String> {
    let mut parts = Vec::new();
    for part in path.components() {
        match part {
            Component::Normal(part) => parts.push(part.to_str()?),
            Component::CurDir => {}
            _ => return None,
        }
    }
    if parts.is_empty() { None } else { Some(parts.join("/")) }
}

/// A key that the site uses and that is not on this machine.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct MissingKey {
    /// Its file, from the site's directory.
    pub file: String,
    /// What can't be done without it.
    pub means: String,
    pub advice: &'static str,
    /// Whether it may be there, and this user may not look.
    #[serde(skip)]
    pub hidden: bool,
}

const PUT_BACK: &str = "Put it back from a backup: `touchmark book restore BACKUP` in the site's directory.";

/// Keys that the site uses and that are not there, or may not be read by this user. The book is as whole
/// without them.
pub fn missing_keys(site: &Site) -> Result<Vec<MissingKey>, Trouble> {
    let mut out = Vec::new();
    let mut look = |file: String, means: &dyn Fn() -> String| {
        if let Err(error) = fs::File::open(site.dir.join(&file)) {
            let hidden = error.kind() == std::io::ErrorKind::PermissionDenied;
            let (means, advice) = if error.kind() == std::io::ErrorKind::NotFound {
                (means(), PUT_BACK)
            } else {
                (format!("This user may not read it. {}", means()), "Nothing needs to be done to read the book.")
            };
            out.push(MissingKey { file, means, advice, hidden });
        }
    };
    look("keys/site.key".into(), &|| "Passcodes can't be opened, and no new ones sealed.".into());
    if site.book.has_seals()? {
        look("keys/access.key".into(), &|| "Nobody can sign in: accounts are sealed with it.".into());
    }
    if site.book.last_signed_head()?.is_some() {
        look("keys/log.key".into(), &|| {
            "No new head of the log can be signed. The log is checked with the public key.".into()
        });
        if head::public_key(&site.dir)?.is_none() {
            look("keys/log.pem".into(), &|| {
                "Signed heads are checked with the public key that the log itself names.".into()
            });
        }
    }
    for authority in site.book.authorities()? {
        if let Some(file) = authority.facts.key_reference.as_deref().and_then(|r| r.strip_prefix("file:")) {
            look(file.to_owned(), &|| format!("{} can sign nothing.", authority.facts.name));
        }
    }
    Ok(out)
}
