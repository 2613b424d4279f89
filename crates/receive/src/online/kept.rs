//! Requests and answers of an authority that is asked online, kept in the site's directory until the answers are a
//! delivery in the book: what was asked is never asked otherwise, and what was answered is not asked again.

use std::fs::{self, File, TryLockError};
use std::path::{Path, PathBuf};

use base::files::put_own;
use base::trouble::Trouble;
use site::{Site, file_stem};
use standard::detect::{Item, detect};
use standard::pem;

/// The folder in the site's directory.
const FOLDER: &str = "online";
/// What the file of an intermediate begins with: no chip's id has these letters.
const AUTHORITY: &str = "authority-";
/// What a reel's folder has.
const PARTS: [&str; 2] = ["requests", "answers"];
/// Keeps others out of a reel's folder.
const LOCK: &str = "lock";

/// The folders of what is kept, from the site's directory.
///
/// # Errors
///
/// [`Trouble`] where the directory can't be read.
pub fn folders(site: &Site) -> Result<Vec<PathBuf>, Trouble> {
    let online = site.dir.join(FOLDER);
    if !online.is_dir() {
        return Ok(Vec::new());
    }
    let mut folders = Vec::new();
    for reel in fs::read_dir(&online).map_err(|e| Trouble::file(&online, e))? {
        let reel = reel.map_err(|e| Trouble::file(&online, e))?.file_name();
        folders.extend(PARTS.iter().map(|part| Path::new(FOLDER).join(&reel).join(part)));
    }
    folders.retain(|folder| site.dir.join(folder).is_dir());
    Ok(folders)
}

/// What is kept of one reel, held by one process at a time.
pub(super) struct Kept {
    folder: PathBuf,
    /// Open for as long as it is held.
    _lock: File,
}

impl Kept {
    /// Of this reel.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where another process asks for the same reel, or the directory can't be written.
    pub(super) fn of(site: &Site, reel: &str) -> Result<Self, Trouble> {
        let folder = site.dir.join(FOLDER).join(file_stem(reel));
        for part in PARTS {
            let part = folder.join(part);
            fs::create_dir_all(&part).map_err(|e| Trouble::file(&part, e))?;
        }
        let path = folder.join(LOCK);
        let lock = File::create(&path).map_err(|e| Trouble::file(&path, e))?;
        match lock.try_lock() {
            Ok(()) => Ok(Self { folder, _lock: lock }),
            Err(TryLockError::WouldBlock) => Err(Trouble::surroundings(
                format!("another process is requesting certificates for reel {reel}"),
                "Wait until it has ended, then run the command again.",
            )),
            Err(TryLockError::Error(e)) => Err(Trouble::file(&path, e)),
        }
    }

    /// The folder of all answers: a delivery.
    pub(super) fn answers(&self) -> PathBuf {
        self.folder.join("answers")
    }

    fn request_file(&self, chip: &str) -> PathBuf {
        self.folder.join("requests").join(format!("{}.pem", file_stem(chip)))
    }

    /// The request of a chip, DER, if it was made before.
    pub(super) fn request(&self, chip: &str) -> Option<Vec<u8>> {
        let octets = fs::read(self.request_file(chip)).ok()?;
        match detect(&octets).ok()?.pop()? {
            Item::Request(request) => Some(request.der().to_vec()),
            _ => None,
        }
    }

    /// Keeps it before it is sent.
    pub(super) fn keep_request(&self, chip: &str, der: &[u8]) -> Result<(), Trouble> {
        put_own(&self.request_file(chip), pem::encode("CERTIFICATE REQUEST", der).as_bytes()).map_err(Trouble::of)
    }

    /// Whether its answer came before.
    pub(super) fn is_answered(&self, chip: &str) -> bool {
        self.answers().join(format!("{}.pem", file_stem(chip))).exists()
    }

    /// Keeps the answer to a chip's request before anything else is asked.
    pub(super) fn keep_answer(&self, chip: &str, ders: &[&[u8]]) -> Result<(), Trouble> {
        let text: String = ders.iter().map(|der| pem::encode("CERTIFICATE", der)).collect();
        put_own(&self.answers().join(format!("{}.pem", file_stem(chip))), text.as_bytes()).map_err(Trouble::of)
    }

    /// Keeps an intermediate that answers stand under.
    pub(super) fn keep_authority(&self, key_id: &str, der: &[u8]) -> Result<(), Trouble> {
        self.keep_answer(&format!("{AUTHORITY}{key_id}"), &[der])
    }

    /// How many chips have an answer that is not received yet.
    pub(super) fn answered_chips(&self) -> Result<usize, Trouble> {
        let is_authority =
            |path: &PathBuf| path.file_name().is_some_and(|n| n.to_string_lossy().starts_with(AUTHORITY));
        Ok(files(&self.answers())?.iter().filter(|path| !is_authority(path)).count())
    }

    /// Forgets the request of a chip that was refused: the next one is new.
    pub(super) fn forget_request(&self, chip: &str) -> Result<(), Trouble> {
        remove(&self.request_file(chip))
    }

    /// Certificates of all answers.
    pub(super) fn answered(&self) -> Result<Vec<Item>, Trouble> {
        let mut items = Vec::new();
        for path in files(&self.answers())? {
            let octets = fs::read(&path).map_err(|e| Trouble::file(&path, e))?;
            items.extend(detect(&octets).unwrap_or_default());
        }
        Ok(items)
    }

    /// Forgets answers that are settled, and the requests that they answered; a request without an answer stays.
    pub(super) fn settle(&self) -> Result<(), Trouble> {
        for path in files(&self.answers())? {
            if let Some(name) = path.file_name() {
                remove(&self.folder.join("requests").join(name))?;
            }
            remove(&path)?;
        }
        Ok(())
    }
}

fn files(folder: &Path) -> Result<Vec<PathBuf>, Trouble> {
    let read = || fs::read_dir(folder)?.map(|entry| entry.map(|e| e.path())).collect::<Result<Vec<_>, _>>();
    let mut all = read().map_err(|e| Trouble::file(folder, e))?;
    // What a killed process left half written is no answer.
    all.retain(|path| path.extension().is_some_and(|e| e == "pem"));
    all.sort_unstable();
    Ok(all)
}

fn remove(path: &Path) -> Result<(), Trouble> {
    match fs::remove_file(path) {
        Err(e) if e.kind() != std::io::ErrorKind::NotFound => Err(Trouble::file(path, e)),
        _ => Ok(()),
    }
}
