//! Examine: what is this, and will it be accepted?
//!
//! Reads any mix of files, links certificates into chains, checks everything
//! that can be checked with what was given, and says what every broken rule
//! requires, what was found and what to do. The rules are `standard`'s; here is
//! what surrounds them: files (`gather`), which certificate plays which part
//! (`roles`), and the answer ([`report`]).

pub mod bundle;
pub mod explain;
mod gather;
mod input;
pub mod intake;
mod judge;
#[cfg(test)]
mod made;
pub mod report;
mod roles;
pub mod specimen;

use base::advice::{Advise, Kind as Whose};
use base::course::{Course, Stopped};
use standard::moment::Moment;
use standard::verdict::{Device, SignerKey};

pub use gather::GatherError;
pub use input::Input;
pub use report::Examination;

/// What a subject is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Kind {
    /// Device attestation certificate.
    Dac,
    /// Product attestation intermediate.
    Pai,
    /// Product attestation authority.
    Paa,
    /// Certification declaration.
    Declaration,
    /// Certificate or key of whoever signs declarations.
    DeclarationSigner,
    /// Certification request.
    Request,
    /// Revocation list.
    RevocationList,
    /// Certificate of a list signer that an authority appointed.
    ListSigner,
    /// Attestation exchange.
    Exchange,
    /// A unit's factory record.
    FactoryRecord,
    /// None of these: passed over in a directory.
    Unknown,
}

impl Kind {
    /// All kinds with their words in JSON and on the command line.
    pub const ALL: &[(Self, &str)] = &[
        (Self::Dac, "dac"),
        (Self::Pai, "pai"),
        (Self::Paa, "paa"),
        (Self::Declaration, "declaration"),
        (Self::DeclarationSigner, "declaration-signer"),
        (Self::Request, "request"),
        (Self::RevocationList, "revocation-list"),
        (Self::ListSigner, "revocation-list-signer"),
        (Self::Exchange, "exchange"),
        (Self::FactoryRecord, "factory-record"),
        (Self::Unknown, "unknown"),
    ];

    /// The word.
    pub fn word(self) -> &'static str {
        Self::ALL.iter().find(|(kind, _)| *kind == self).map_or("unknown", |(_, word)| word)
    }
}

/// What to examine, and what is known beside it.
#[derive(Debug, Clone, Default)]
pub struct Examine {
    /// Files and directories to examine.
    pub files: Vec<Input>,
    /// What the one file is, whatever it looks like.
    pub kind: Option<Kind>,
    /// Trusted PAAs: files and directories.
    pub trust: Vec<Input>,
    /// Whoever may sign declarations: certificates or public keys.
    pub signers: Vec<Input>,
    /// Revocation lists, and list signers beside them.
    pub revocations: Vec<Input>,
    /// What the device says it is.
    pub device: Device,
    /// Takes the place of the DAC's notBefore as the time of judging.
    pub at: Option<Moment>,
    /// Certificates, requests, lists and declarations in all, where whoever asks shares the machine with others.
    pub most: Option<usize>,
}

/// Why nothing was examined.
#[derive(Debug, thiserror::Error)]
pub enum ExamineError {
    /// A file could not be read as anything.
    #[error(transparent)]
    Gather(#[from] GatherError),
    /// Somebody stopped it.
    #[error(transparent)]
    Stopped(#[from] Stopped),
    /// `--as` says what one file is.
    #[error("--as is for one file, but {0} were given")]
    AsWithMany(usize),
    /// `--as` says it is what it can't be.
    #[error("{name} is {found} and can't be read as {asked}")]
    NotThat {
        name: String,
        found: &'static str,
        /// What was asked for.
        asked: &'static str,
    },
    /// A file given with `--trust` or the like holds nothing of use there.
    #[error("{name} contains no {wanted}")]
    NothingOfUse {
        name: String,
        /// What was looked for.
        wanted: &'static str,
    },
}

impl Advise for ExamineError {
    fn kind(&self) -> Whose {
        match self {
            Self::Stopped(stopped) => stopped.kind(),
            _ => Whose::Usage,
        }
    }

    fn advice(&self) -> Option<String> {
        match self {
            Self::Gather(error) => error.advice(),
            Self::Stopped(stopped) => stopped.advice(),
            Self::AsWithMany(_) => Some("Leave --as out, or give one file.".into()),
            Self::NotThat { .. } => Some("Leave --as out to detect the kind.".into()),
            Self::NothingOfUse { wanted, .. } => Some(format!("Give a file that contains a {wanted}.")),
        }
    }
}

/// Examines.
///
/// - `now`: the present, for revocation lists.
/// - `course`: counts files, then DACs; it can be stopped at any moment.
///
/// # Errors
///
/// [`ExamineError`] where a file can't be read or it was stopped; nothing is then judged, so that
/// an acceptance never leaves out a file in silence.
pub fn examine(request: &Examine, now: Moment, course: &Course) -> Result<Examination, ExamineError> {
    let gathered = gather::gather(request, course)?;
    let cast = roles::cast(request, gathered)?;
    Ok(judge::judge(request, cast, now, course)?)
}

/// Examines with further keys that may sign declarations, beside those in files.
///
/// # Errors
///
/// As [`examine`].
pub fn examine_with_signers(
    request: &Examine,
    signers: Vec<SignerKey>,
    now: Moment,
    course: &Course,
) -> Result<Examination, ExamineError> {
    let gathered = gather::gather(request, course)?;
    let mut cast = roles::cast(request, gathered)?;
    cast.signers.extend(signers);
    Ok(judge::judge(request, cast, now, course)?)
}

impl From<ExamineError> for base::Trouble {
    fn from(error: ExamineError) -> Self {
        Self::of(error)
    }
}
