//! The log's head, signed with the site's own key.
//!
//! A signed head fixes all that came before it: who keeps one outside the book
//! (an evidence pack, a printed report, another machine) can tell later that
//! nothing was changed, though he has nothing else. The key is P-256 (FIPS 186-5)
//! and lies in `keys/log.key` under the site key; its public half, for those who
//! check, in `keys/log.pem`.
//!
//! Acts that end a piece of work call [`mark`], which signs where that needs
//! nobody's passphrase.

use std::fs;
use std::io::Read as _;
use std::path::{Path, PathBuf};

use base::files::put;
use base::trouble::Trouble;
use book::{SignHeadError, SignedHead, Subject};
use custody::{Passphrase, PrivateKey, SealedKey, SiteKey};
use serde::{Deserialize, Serialize};
use serde_json::json;
use standard::certificate::KeyField;
use standard::key::{PublicKey, Signer};
use time::OffsetDateTime;
use time::format_description::well_known::Rfc3339;

use crate::{Site, Who, checkpoint};

/// What the sealed key is for; part of the seal.
const PURPOSE: &str = "head of the log";
/// Octets of a signed head's file; those written have some 600.
const LARGEST: u64 = 64 * 1024;

/// A signed head as it is told and kept outside the book.
///
/// `signature_base64` is ECDSA on P-256 with SHA-256, in DER (RFC 3279 §2.2.3),
/// over the octets of `statement`.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HeadFile {
    /// Entries in the log.
    pub entries: u64,
    /// Hash of their tree (RFC 9162 §2.1.1).
    pub root: String,
    /// When it was signed, RFC 3339 UTC.
    pub at: String,
    /// SHA-1 of the public key's point (RFC 5280 §4.2.1.2).
    pub key_id: String,
    /// What is signed, octet for octet.
    pub statement: String,
    pub signature_base64: String,
}

impl HeadFile {
    pub fn of(signed: &SignedHead) -> Self {
        use base64::Engine as _;
        Self {
            entries: signed.head.size,
            root: hex::encode(signed.head.root),
            at: signed.at.format(&Rfc3339).unwrap_or_default(),
            key_id: signed.key_id.clone(),
            statement: signed.statement.clone(),
            signature_base64: base64::engine::general_purpose::STANDARD.encode(&signed.signature),
        }
    }

    pub fn signed(&self) -> Option<SignedHead> {
        use base64::Engine as _;
        Some(SignedHead {
            head: book::Head { size: self.entries, root: hex::decode(&self.root).ok()?.try_into().ok()? },
            at: OffsetDateTime::parse(&self.at, &Rfc3339).ok()?,
            key_id: self.key_id.clone(),
            statement: self.statement.clone(),
            signature: base64::engine::general_purpose::STANDARD.decode(&self.signature_base64).ok()?,
        })
    }
}

fn key_file(dir: &Path) -> PathBuf {
    Site::keys_in(dir).join("log.key")
}

/// The file with the public half of the key that signs heads.
fn public_file(dir: &Path) -> PathBuf {
    Site::keys_in(dir).join("log.pem")
}

/// The public half of the key that signs heads: from its own file, else from `keys/log.pem`; `None` where neither
/// is there or may be read. Heads are checked with it alone: the private half is needed to sign, not to verify.
///
/// # Errors
///
/// [`Trouble`] where a file holds something else.
pub fn public_key(dir: &Path) -> Result<Option<PublicKey>, Trouble> {
    match SealedKey::public_key(&key_file(dir)) {
        Ok(key) => return Ok(Some(key)),
        Err(custody::CustodyError::Missing { .. } | custody::CustodyError::Unreadable { .. }) => {}
        Err(error) => return Err(error.into()),
    }
    let path = public_file(dir);
    let Ok(file) = fs::File::open(&path) else { return Ok(None) };
    let mut text = Vec::new();
    file.take(LARGEST).read_to_end(&mut text).map_err(|e| Trouble::file(&path, e))?;
    let read = match pem_rfc7468::decode_vec(&text) {
        Ok(("PUBLIC KEY", der)) => KeyField::key_from_spki(&der).ok(),
        _ => None,
    };
    read.map(Some).ok_or_else(|| {
        Trouble::usage(
            format!("{} does not hold the public key of the log", path.display()),
            "Put the file back from a backup: `touchmark book restore BACKUP` in the site's directory.",
        )
    })
}

/// The public key that the log itself names: the entry of its making. It tells less than a file that was kept apart,
/// because whoever rewrites the whole log rewrites that entry too.
pub fn named_by_log(book: &book::Book) -> Result<Option<PublicKey>, Trouble> {
    let entries = book.entries_about(&Subject::Site)?;
    let Some(entry) = entries.into_iter().rev().find(|e| e.act == "log.key") else { return Ok(None) };
    let leaf: serde_json::Value = serde_json::from_str(&entry.leaf).unwrap_or_default();
    let point = leaf.pointer("/body/point").and_then(|p| p.as_str()).and_then(|p| hex::decode(p).ok());
    Ok(point.and_then(|point| PublicKey::from_point(&point).ok()))
}

/// Refuses a site key that is another site's: what is sealed with it could not be opened once the right
/// one is back. The key that signs heads tells, where there is one; what else is wrong with that is told
/// by whoever signs.
pub(crate) fn is_sealed_by(dir: &Path, key: &SiteKey) -> Result<(), Trouble> {
    match SealedKey::open(&key_file(dir), key, PURPOSE) {
        Err(custody::CustodyError::OtherSite { .. }) => Err(Trouble::surroundings(
            format!(
                "{} is not this site's key: this site's data was sealed with another one",
                Site::keys_in(dir).join("site.key").display()
            ),
            "Move it away and put the right one back from a backup: `touchmark book restore BACKUP` in the site's directory. Nothing was started with this one.",
        )),
        _ => Ok(()),
    }
}

/// The public half as PEM, `SubjectPublicKeyInfo` (RFC 5480 §2), for those who check.
///
/// # Errors
///
/// As [`signer`].
pub fn public_pem(site: &Site, passphrase: Option<&Passphrase>, who: &Who) -> Result<String, Trouble> {
    let key = match public_key(&site.dir)? {
        Some(key) => key,
        None => signer(site, passphrase, who)?.public_key(),
    };
    Ok(pem(&key))
}

fn pem(key: &PublicKey) -> String {
    standard::pem::encode("PUBLIC KEY", &standard::certificate::spki_der(key))
}

/// The key that signs heads, made at first use; its making is an entry.
///
/// # Errors
///
/// [`Trouble`] where the site key does not open.
pub fn signer(site: &Site, passphrase: Option<&Passphrase>, who: &Who) -> Result<impl Signer + use<>, Trouble> {
    let path = key_file(&site.dir);
    let key = site.key(passphrase)?;
    if !path.exists() {
        // Another key would make all that was signed look altered.
        if site.book.last_signed_head()?.is_some() {
            return Err(Trouble::surroundings(
                format!("{} does not exist, but heads of the log were signed with it", path.display()),
                "Restore it from a backup: `touchmark book restore BACKUP` in the site's directory. Whoever holds a pack or a signed head checks against this key. Until then the book can be read and verified, but no new head is signed.",
            ));
        }
        let made = PrivateKey::generate()?;
        match SealedKey::create(&path, key, PURPOSE, &made) {
            Ok(()) => {
                let public = made.public_key();
                let told = json!({ "key_id": hex::encode(public.key_id()), "point": hex::encode(public.point()) });
                site.book.note("log.key", &Subject::Site, &told, &who.by())?;
            }
            // Another process was quicker; its key is the site's.
            Err(custody::CustodyError::Exists { .. }) => {}
            Err(error) => return Err(error.into()),
        }
    }
    let signer = SealedKey::open(&path, key, PURPOSE)?;
    let public = public_file(&site.dir);
    if !public.exists() {
        fs::write(&public, pem(&signer.public_key())).map_err(|e| Trouble::file(&public, e))?;
    }
    Ok(signer)
}

/// Signs the log's present head and keeps the signature in the book; one that is
/// signed already is not signed again.
///
/// # Errors
///
/// [`Trouble`] where the site key does not open, the book is older than its checkpoint, or it gives no answer.
pub fn sign(site: &Site, passphrase: Option<&Passphrase>, who: &Who) -> Result<HeadFile, Trouble> {
    // Whoever keeps the head would take an older copy for the book.
    site.book.goes_on()?;
    let signer = signer(site, passphrase, who)?;
    checkpoint::make_key(site, site.key(passphrase)?, who)?;
    let key_id = hex::encode(signer.public_key().key_id());
    if let Some(last) = site.book.last_signed_head()?
        && last.key_id == key_id
        && last.head == site.book.head()?
    {
        return Ok(HeadFile::of(&last));
    }
    let signed = site.book.sign_head(&key_id, (who.clock)(), &mut |statement| Ok(signer.sign(statement)?));
    match signed {
        Ok(signed) => Ok(HeadFile::of(&signed)),
        Err(SignHeadError::Book(error)) => Err(error.into()),
        Err(error) => Err(Trouble::surroundings(error.to_string(), "Try again; nothing else was changed.")),
    }
}

/// Signs the head at the end of a piece of work, where the site key is open
/// already or opens without a passphrase.
///
/// The work is done and recorded by then: should signing fail, nothing of it is
/// called in question, and the next piece of work signs a head that covers it too.
pub fn mark(site: &Site, who: &Who) {
    let opens = site.key_is_open() || custody::SiteKey::is_wrapped(&site.keys().join("site.key")).is_ok_and(|w| !w);
    if opens {
        let _ = sign(site, None, who);
    }
}

/// Whether a signed head is signed by the key of this site.
pub fn is_ours(key: &PublicKey, head: &SignedHead) -> bool {
    head.key_id == hex::encode(key.key_id()) && key.verifies(head.statement.as_bytes(), &head.signature)
}

/// Writes a signed head to a file of its own, to be kept outside the book.
///
/// # Errors
///
/// [`Trouble`] where it can't be written.
pub fn write(head: &HeadFile, path: &Path) -> Result<(), Trouble> {
    let mut text = serde_json::to_string_pretty(head).unwrap_or_default();
    text.push('\n');
    put(path, text.as_bytes()).map_err(Trouble::of)
}

/// Reads a signed head that was kept outside the book.
///
/// # Errors
///
/// [`Trouble`] where the file is none.
pub fn read(path: &Path) -> Result<SignedHead, Trouble> {
    let mut octets = Vec::new();
    let file = fs::File::open(path).map_err(|e| Trouble::file(path, e))?;
    file.take(LARGEST).read_to_end(&mut octets).map_err(|e| Trouble::file(path, e))?;
    let none = || {
        Trouble::usage(
            format!("{} is not a signed head", path.display()),
            "Give a file that `touchmark book head --out` wrote.",
        )
    };
    serde_json::from_slice::<HeadFile>(&octets).ok().and_then(|file| file.signed()).ok_or_else(none)
}
