//! What goes wrong with a chip, for the engineer, the operator and the station.

use std::fmt;
use std::io;
use std::path::PathBuf;

use crate::{ChipId, ObjectName};

/// What a chip was asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Doing {
    /// Being opened.
    Opening,
    /// [`crate::Chip::identity`].
    Identifying,
    /// [`crate::Chip::public_key`].
    ReadingKey,
    /// [`crate::Chip::abilities`].
    ReadingAbilities,
    /// [`crate::Chip::state`].
    ReadingState,
    /// [`crate::Chip::read`].
    Reading(ObjectName),
    /// [`crate::Chip::write`].
    Writing(ObjectName),
    /// [`crate::Chip::sign`].
    Signing,
    /// [`crate::Chip::lock`].
    Locking,
}

impl fmt::Display for Doing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Opening => f.write_str("being opened"),
            Self::Identifying => f.write_str("reporting its id"),
            Self::ReadingKey => f.write_str("reporting its public key"),
            Self::ReadingAbilities => f.write_str("reporting its abilities"),
            Self::ReadingState => f.write_str("reporting its state"),
            Self::Reading(object) => write!(f, "reading {object}"),
            Self::Writing(object) => write!(f, "writing {object}"),
            Self::Signing => f.write_str("signing"),
            Self::Locking => f.write_str("locking"),
        }
    }
}

/// The next move after a failure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Next {
    /// Ask again, with the chip where it is.
    Again,
    /// Take the chip out, put it back, start over with it.
    Reseat,
    /// This chip goes no further; an engineer decides about it.
    SetAside,
    /// Nothing is wrong with this chip: the station, the source or the order is.
    Engineer,
}

/// Why a chip, or a source of chips, did not do what it was asked.
#[derive(Debug, thiserror::Error)]
pub enum ChipError {
    /// Nothing came back in time. What was asked for may have been done.
    #[error("chip {chip} did not answer while {doing}")]
    NoAnswer {
        chip: ChipId,
        /// What it was asked for.
        doing: Doing,
    },
    /// It answered, and said no.
    #[error("chip {chip} refused while {doing}: {reason}")]
    Refused {
        chip: ChipId,
        /// What it was asked for.
        doing: Doing,
        reason: String,
    },
    /// More octets than one object may have.
    #[error("chip {chip} accepts {limit} bytes in one object, but {object} has {octets}")]
    TooLarge {
        chip: ChipId,
        object: ObjectName,
        /// How many it has.
        octets: usize,
        /// How many it may have.
        limit: usize,
    },
    /// More octets than are left.
    #[error("chip {chip} has room for {left} bytes, but {object} has {octets}")]
    NoRoom {
        chip: ChipId,
        object: ObjectName,
        /// How many it has.
        octets: usize,
        left: usize,
    },
    /// No place for an object of that name.
    #[error("chip {chip} has no place for {object}")]
    NoSlot { chip: ChipId, object: ObjectName },
    /// Locked against writing.
    #[error("chip {chip} is locked, so {object} can't be written")]
    Locked {
        chip: ChipId,
        /// What was to be written.
        object: ObjectName,
    },
    /// The part has no lock.
    #[error("chip {chip} can't be locked: its part has no lock")]
    CannotLock { chip: ChipId },
    /// A write was cut short, and the chip knows it.
    #[error("{object} of chip {chip} is torn: its last write was cut short")]
    Torn { chip: ChipId, object: ObjectName },
    /// No attestation key that can be used.
    #[error("chip {chip} has no usable attestation key: {reason}")]
    NoKey { chip: ChipId, reason: String },
    /// More octets than it signs.
    #[error("chip {chip} signs at most {limit} bytes, but the message has {octets}")]
    MessageTooLong {
        chip: ChipId,
        octets: usize,
        /// The longest it takes.
        limit: usize,
    },
    /// Another chip answers than the one opened.
    #[error("chip {expected} was opened, but {} answers", .found.as_ref().map_or_else(|| "another".into(), |f| format!("chip {f}")))]
    Swapped {
        expected: ChipId,
        /// The one that answers, where it tells.
        found: Option<ChipId>,
    },
    /// It was there and is not any more.
    #[error("chip {chip} was removed, or its connection broke, while {doing}")]
    Gone {
        chip: ChipId,
        /// What it was asked for.
        doing: Doing,
    },
    /// The source has no chip of that id.
    #[error("chip {chip} is not in {source_name}")]
    Absent {
        chip: ChipId,
        /// The source, in words.
        source_name: String,
    },
    /// The source has no chip at all.
    #[error("there is no chip in {source_name}")]
    Empty {
        /// The source, in words.
        source_name: String,
    },
    /// Somebody else holds it.
    #[error("chip {chip} is in use by another station or program")]
    Held { chip: ChipId },
    /// The file of a simulated chip or its bench is not what it should be.
    #[error("{} is not a valid file of simulated chips: {why}", .path.display())]
    Damaged {
        path: PathBuf,
        /// What does not fit.
        why: String,
    },
    /// A file of the source can't be read or written.
    #[error("{} can't be used: {source}", .path.display())]
    File {
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The driver or token behind the source does not keep to its protocol.
    #[error("{source_name} does not work correctly: {why}")]
    Driver {
        /// The source, in words.
        source_name: String,
        why: String,
    },
    /// The token behind the source can't be used: its module does not load, it is not there, or it fails.
    #[error("{source_name} can't be used: {why}")]
    Token {
        /// The source, in words.
        source_name: String,
        why: String,
        /// The next move, as whoever works with tokens words it.
        advice: &'static str,
    },
    /// The source's PIN is missing or not taken.
    #[error("{source_name}: {why}")]
    Pin {
        /// The source, in words.
        source_name: String,
        /// What is wrong; never the PIN.
        why: String,
    },
}

impl ChipError {
    /// One word for counting causes: `no-answer`, `refused`, …
    pub const fn cause(&self) -> &'static str {
        match self {
            Self::NoAnswer { .. } => "no-answer",
            Self::Refused { .. } => "refused",
            Self::TooLarge { .. } => "too-large",
            Self::NoRoom { .. } => "no-room",
            Self::NoSlot { .. } => "no-slot",
            Self::Locked { .. } => "locked",
            Self::CannotLock { .. } => "cannot-lock",
            Self::Torn { .. } => "torn",
            Self::NoKey { .. } => "no-key",
            Self::MessageTooLong { .. } => "message-too-long",
            Self::Swapped { .. } => "swapped",
            Self::Gone { .. } => "gone",
            Self::Absent { .. } => "absent",
            Self::Empty { .. } => "empty",
            Self::Held { .. } => "held",
            Self::Damaged { .. } => "damaged",
            Self::File { .. } => "file",
            Self::Driver { .. } | Self::Token { .. } => "driver",
            Self::Pin { .. } => "pin",
        }
    }

    /// The next move.
    pub const fn next(&self) -> Next {
        match self {
            Self::Torn { .. } | Self::Refused { .. } => Next::Again,
            Self::NoAnswer { .. }
            | Self::Swapped { .. }
            | Self::Gone { .. }
            | Self::Absent { .. }
            | Self::Empty { .. } => Next::Reseat,
            Self::Locked { .. } | Self::NoKey { .. } => Next::SetAside,
            Self::TooLarge { .. }
            | Self::NoRoom { .. }
            | Self::NoSlot { .. }
            | Self::CannotLock { .. }
            | Self::MessageTooLong { .. }
            | Self::Held { .. }
            | Self::Damaged { .. }
            | Self::File { .. }
            | Self::Driver { .. }
            | Self::Token { .. }
            | Self::Pin { .. } => Next::Engineer,
        }
    }

    /// What to do next, for the engineer.
    pub fn advice(&self) -> &'static str {
        match self {
            Self::NoAnswer { .. } => {
                "Reseat the chip and try again. If many chips fail this way, check contacts, supply and bus clock. If only this one does, set it aside."
            }
            Self::Refused { .. } => "Try again. If it refuses again, set the chip aside and note the message.",
            Self::TooLarge { .. } => "Make the object smaller, or choose a part that accepts larger ones.",
            Self::NoRoom { .. } => {
                "Remove objects that the product does not need, or choose a part with more room; a used chip may hold objects that it should not."
            }
            Self::NoSlot { .. } => "Remove the object from the product, or choose a part that has a place for it.",
            Self::Locked { .. } => {
                "Look the chip up in the book: if it is provisioned, verify it; if not, set it aside: it can never be written."
            }
            Self::CannotLock { .. } => "Set lock = false in the product, or choose a part that can be locked.",
            Self::Torn { .. } => "Write the object again. If it recurs, check for loose contacts or a weak supply.",
            Self::NoKey { .. } => "Set the chip aside and ask its maker; reels come with keys in their chips.",
            Self::MessageTooLong { .. } => "Choose a part or a driver that signs 1,024 bytes.",
            Self::Swapped { .. } => {
                "Start over with the chip that is there now; keep chips still while the station works."
            }
            Self::Gone { .. } => "Put the chip back and start again; what was written is kept.",
            Self::Absent { .. } => "See which chips are present with `touchmark chip list`.",
            Self::Empty { .. } => "Insert a chip; for simulated ones, see `touchmark chip simulate`.",
            Self::Held { .. } => "Wait for the other station, or stop the program that uses it.",
            Self::Damaged { .. } => "Remove that file, or make the simulated chips again in another folder.",
            Self::File { source, .. } if source.kind() == io::ErrorKind::NotFound => {
                "Check the path: it, or its folder, does not exist."
            }
            Self::File { .. } => "Check that the folder exists, that it is yours, and the disk's free space.",
            Self::Driver { .. } => "Try the driver with `touchmark chip check`; its standard error may say more.",
            Self::Token { advice, .. } => advice,
            Self::Pin { .. } => {
                "Give the right PIN by the URI's pin-source or in a terminal; a token locks after a few wrong ones."
            }
        }
    }

    /// What happened and the next move, for the operator at the station.
    pub fn operator_message(&self) -> String {
        let chip = |chip: &ChipId| format!("Chip {}", chip.grouped());
        match self {
            Self::NoAnswer { chip: id, .. } => {
                format!("{} does not answer. Take it out and put it in again.", chip(id))
            }
            Self::Refused { chip: id, .. } => {
                format!("{} refuses. Try once more, then set it aside.", chip(id))
            }
            Self::Locked { chip: id, .. } => format!("{} is already locked. Set it aside.", chip(id)),
            Self::Torn { chip: id, .. } => format!("{} lost power during writing. Try once more.", chip(id)),
            Self::NoKey { chip: id, .. } => format!("{} has no key. Set it aside.", chip(id)),
            Self::Swapped { expected, .. } => {
                format!("{} was exchanged while the station worked. Put one chip in and leave it.", chip(expected))
            }
            Self::Gone { chip: id, .. } => format!("{} came loose. Put it in again.", chip(id)),
            Self::Absent { chip: id, .. } => format!("{} is not in the socket. Put it in.", chip(id)),
            Self::Empty { .. } => "There is no chip in the socket. Put one in.".into(),
            Self::Held { chip: id } => format!("{} is in use at another station. Take the next one.", chip(id)),
            Self::TooLarge { chip: id, .. }
            | Self::NoRoom { chip: id, .. }
            | Self::NoSlot { chip: id, .. }
            | Self::CannotLock { chip: id }
            | Self::MessageTooLong { chip: id, .. } => {
                format!("{} does not fit this product. Stop and call the engineer.", chip(id))
            }
            Self::Damaged { .. } | Self::File { .. } | Self::Driver { .. } | Self::Token { .. } | Self::Pin { .. } => {
                "The station can't reach its chips. Stop and call the engineer.".into()
            }
        }
    }
}
