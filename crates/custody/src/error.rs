//! What can go wrong with a key at rest, and what to do about it.

use std::io;
use std::path::PathBuf;

/// Why a key file was not made or not opened. Nothing was changed on disk.
#[derive(Debug, thiserror::Error)]
pub enum CustodyError {
    /// Something stands at the path already: a file, a directory, a link.
    #[error("{} already exists", .path.display())]
    Exists {
        /// The path asked for.
        path: PathBuf,
    },
    /// Nothing stands at the path.
    #[error("{} does not exist", .path.display())]
    Missing {
        /// The path asked for.
        path: PathBuf,
    },
    /// The file could not be read.
    #[error("{} can't be read: {source}", .path.display())]
    Unreadable {
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The file could not be written.
    #[error("{} can't be written: {source}", .path.display())]
    Unwritable {
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The file is something else.
    #[error("{} is not a {expected}: {why}", .path.display())]
    NotOne {
        path: PathBuf,
        /// "signing key file" or "site key file".
        expected: &'static str,
        /// What was found instead.
        why: String,
    },
    /// The file was whole once and is not now.
    #[error("{} is damaged: {why}", .path.display())]
    Damaged {
        path: PathBuf,
        /// What does not fit.
        why: String,
    },
    /// The file is whole, and this passphrase does not open it.
    #[error("the passphrase does not open {}", .path.display())]
    WrongPassphrase { path: PathBuf },
    /// The file carries no checksum, so a wrong passphrase and damage look the same.
    #[error("{} can't be opened: the passphrase is wrong, or the file is damaged", .path.display())]
    DoesNotOpen { path: PathBuf },
    /// The site key is wrapped, and no passphrase was given.
    #[error("{} is protected by a passphrase, and none was given", .path.display())]
    NeedsPassphrase { path: PathBuf },
    /// Another site's key made the file.
    #[error("{} was sealed under another site's key", .path.display())]
    OtherSite { path: PathBuf },
    /// A key that lies open may be read by others.
    #[error("other users of this machine may read {} (mode {mode:04o})", .path.display())]
    Exposed { path: PathBuf, mode: u32 },
    /// Opening would take more memory or time than any file made here.
    #[error("{} asks for a key derivation beyond the limit: {what}", .path.display())]
    TooCostly { path: PathBuf, what: String },
    /// The work factor is not one that scrypt takes.
    #[error("scrypt does not accept N = 2^{log_n}, r = {r}, p = {p}")]
    WorkFactor {
        /// Base-2 logarithm of scrypt's N.
        log_n: u8,
        r: u32,
        p: u32,
    },
    /// The private value is out of range.
    #[error("the private value is not between 1 and the curve's order")]
    PrivateValue,
    /// The operating system gave no randomness.
    #[error("no randomness from the operating system")]
    NoRandomness,
    /// The cryptographic library refused what never fails with sound input.
    #[error("the cryptographic library failed while {doing}")]
    Library {
        /// What was being done.
        doing: &'static str,
    },
}

impl CustodyError {
    /// What to do next.
    pub fn advice(&self) -> &'static str {
        match self {
            Self::Exists { .. } => {
                "Choose another name. Keys are never overwritten: if a key is lost, its authority is lost."
            }
            Self::Missing { .. } => "Check the site's keys folder; if the file was lost, take it from the backup.",
            Self::Unreadable { .. } => "Check the file's owner and mode; it should be yours alone, 0600.",
            Self::Unwritable { .. } => "Check the folder's owner and mode and the disk's free space, then try again.",
            Self::NotOne { .. } => "Check that the path names the key file, and not a certificate or another file.",
            Self::Damaged { .. } => "Move the damaged file away and restore the key file from the backup.",
            Self::WrongPassphrase { .. } => {
                "Try again with the right passphrase. Check the keyboard layout; accented letters typed in another way count as different letters."
            }
            Self::DoesNotOpen { .. } => {
                "Try the passphrase again. If you are sure that it is right, restore the file from the backup."
            }
            Self::NeedsPassphrase { .. } => {
                "Give it by --passphrase-file or TOUCHMARK_PASSPHRASE, or run the command in a terminal."
            }
            Self::OtherSite { .. } => "Restore the file from the backup of this site; it belongs to another site key.",
            Self::Exposed { .. } => {
                "Find out who may have read it; then `chmod 600` the file, and `chmod 700` its folder."
            }
            Self::TooCostly { .. } => {
                "The file was changed after it was made here; restore the key file from the backup."
            }
            Self::WorkFactor { .. } => "Use the production work factor.",
            Self::PrivateValue => "Get the key from its source again; this value is not a P-256 private key.",
            Self::NoRandomness => "Check the machine: its random source is not available.",
            Self::Library { .. } => "Try again. If it fails again, check the machine's memory and the program's build.",
        }
    }
}

/// Why a text is no passphrase. None of these quotes it.
#[derive(Debug, thiserror::Error)]
pub enum PassphraseError {
    /// Nothing in it.
    #[error("the passphrase is empty")]
    Empty,
    /// More octets than [`crate::Passphrase::LONGEST`].
    #[error("the passphrase has more than {0} bytes")]
    TooLong(usize),
    /// A control character inside.
    #[error("the passphrase contains a control character or more than one line")]
    Control,
    /// Not UTF-8.
    #[error("the passphrase is not UTF-8 text")]
    NotText,
    /// The file could not be read.
    #[error("the passphrase file {} can't be read: {source}", .path.display())]
    File {
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// Asked twice, answered differently.
    #[error("the two passphrases differ")]
    Differ,
    /// No file, no environment, and nobody to ask.
    #[error("a passphrase is needed: {purpose}")]
    NoneGiven {
        /// What it is for.
        purpose: String,
    },
    /// The terminal gave no answer.
    #[error("the passphrase could not be asked for")]
    Prompt(#[source] io::Error),
}

impl PassphraseError {
    /// What to do next.
    pub fn advice(&self) -> &'static str {
        match self {
            Self::Empty => "Choose one; a few random words are strong and easy to remember.",
            Self::TooLong(_) => "Check that the file holds the passphrase and nothing else.",
            Self::Control => "The file should hold one line of text: the passphrase.",
            Self::NotText => "Save the file as UTF-8 text.",
            Self::File { .. } => "Check the path given with --passphrase-file, and that you may read it.",
            Self::Differ => "Nothing was done; start again.",
            Self::NoneGiven { .. } | Self::Prompt(_) => {
                "Give it by --passphrase-file or TOUCHMARK_PASSPHRASE, or run the command in a terminal."
            }
        }
    }
}

/// Why a sealed secret was not opened.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum UnsealError {
    /// Too short, or another version.
    #[error("these bytes are not a sealed secret")]
    Form,
    /// Sealed by the key of another site, or of this one before it was restored.
    #[error("sealed under site key {found}, but this site has {ours}")]
    OtherKey {
        /// Identifier of the key that sealed it, 8 hex digits.
        found: String,
        /// Identifier of the key at hand.
        ours: String,
    },
    /// The secret or what it belongs to was changed.
    #[error("the sealed secret or what it belongs to was altered")]
    Altered,
}

impl UnsealError {
    /// What to do next.
    pub fn advice(&self) -> &'static str {
        match self {
            Self::Form | Self::Altered => "Verify the record book; restore it from the backup if it was changed.",
            Self::OtherKey { .. } => "Put back the site key that belongs to this record book.",
        }
    }
}
