//! The record book: what happened to every chip, credential and unit, and the
//! log that nobody can change afterwards without it showing.
//!
//! One schema and one set of queries for SQLite and PostgreSQL. The book knows
//! nothing of what a certificate says: it keeps octets, names and states, and
//! its database refuses what must never happen (`docs/book.md` names the
//! constraint behind each rule). Calls block; a server calls them from threads
//! made for that.
//!
//! Start at [`Book::create`] and [`Book::open`]. Acts on the line are
//! [`Book::begin_attempt`] and [`Book::finish_attempt`]; what arrives comes in
//! by [`Book::receive_reel`] and [`Book::store_delivery`]; [`Book::story`]
//! answers for a unit and [`Book::reconcile`] for all of them. [`Book::verify`]
//! recomputes the log.

#[cfg(test)]
extern crate self as book;

mod access;
mod attempt;
mod authority;
mod backup;
mod by;
mod carton;
mod chip;
mod counts;
mod credential;
mod declaration;
mod delivery;
mod disposal;
mod divide;
mod engine;
mod enrolment;
mod error;
mod find;
mod floor;
pub mod ids;
mod knowledge;
mod known;
mod list;
mod location;
pub mod log;
#[cfg(any(test, feature = "made-up"))]
#[doc(hidden)]
pub mod made_up;
mod mark;
mod meeting;
mod open;
mod order;
mod partial;
mod patience;
mod product;
mod proof;
mod reconcile;
mod reel;
mod renewal;
mod restored;
mod revocation;
mod schema;
mod series;
mod stock;
mod story;
mod tally;
mod touched;
mod transaction;
mod transfer;
mod trust;
mod unit;
mod verdicts;
mod withdraw;
mod words;

#[cfg(test)]
mod inside;
#[cfg(test)]
#[allow(dead_code, clippy::print_stderr, reason = "shared with the contract")]
#[path = "../tests/contract/server.rs"]
mod server;
#[cfg(test)]
#[allow(dead_code, reason = "shared with the contract")]
#[path = "../tests/contract/support.rs"]
mod support;

use std::sync::{Mutex, OnceLock};

pub use access::{Account, AccountError, ApiToken, CompanySubject, NewAccount, NewApiToken, Repeated, Session};
pub use attempt::begin::{Begin, Begun, Onboard, SerialWish};
pub use attempt::facts::{AttemptFacts, OnPanel};
pub use attempt::finish::{Finish, FinishError, Finished, Outcome};
pub use attempt::refused::BeginError;
pub use attempt::{Attempt, Step};
pub use authority::{Authority, NewAuthority};
pub use by::By;
pub use carton::{Carton, PackError, Packed, PackedIn, Packing};
pub use chip::{Chip, ChipKey, ScrapChipError};
pub use counts::ReelCount;
pub use credential::{Credential, RevokeError};
pub use declaration::{Declaration, NewDeclaration};
pub use delivery::{Delivery, DeliveryError, NewCredential, NewDelivery, Problem, Stored, Trouble};
pub use disposal::{DisposalError, ScrappedBefore};
pub use divide::{DivideError, ReelPart};
pub use enrolment::{Enrolled, Enrolment, EnrolmentError, NewEnrolled, NewEnrolment, QuotaChange};
pub use error::{Blame, BookError, FULL_DISK};
pub use find::{CodeCandidate, Found, SHORTEST_TAIL};
pub use floor::{ShortReel, StationSetup, TapeChip};
pub use knowledge::Knowledge;
pub use list::{Page, UnitFilter};
pub use location::Location;
pub use log::{
    Cell, CheckHead, Consistency, Damage, DamageKind, Entry, Head, Inclusion, Sign, SignHeadError, SignedHead, Subject,
    Verification, Vouched, Watch,
};
pub use mark::{Mark, Older, Tell};
pub use meeting::{Meeting, MeetingTally, NewMeeting, SignedExchange};
pub use open::{OpenOptions, Site};
pub use order::{OrderWritten, Places};
pub use partial::PartialList;
pub use patience::{TellWait, patiently};
pub use product::{AddError, NewProduct, Product};
pub use proof::{NewProof, Proof, ReadBack};
pub use reconcile::{ChipCount, CredentialCount, Reconciliation, UnitCount};
pub use reel::{Duplicate, NewChip, NewReel, ReceiveError, Received, Reel, Same};
pub use renewal::{EarlierCode, Pending, Renewal};
pub use restored::Restoration;
pub use revocation::{Answer, Asking, RevocationError, RevocationList, RevocationRequest, Revoked, Wanted};
pub use series::SeriesStand;
pub use stock::{Pace, Stock};
pub use story::{AttemptStory, BoardStory, ChipStory, UnitStory};
pub use tally::{AttemptTally, CauseTally, Passing, StepBin, Stretch, Tallies};
pub use touched::{FirmwareKnown, Issued, Touch, Touched};
pub use transfer::{Copied, CopyWatch, Stage};
pub use trust::TrustSet;
pub use unit::{KeptPasscode, Label, Onboarding, Unit, UnitError};
pub use verdicts::Verdict;
pub use withdraw::{
    Dependent, Dependents, DependsError, WithdrawnAuthority, WithdrawnDeclaration, WithdrawnDelivery, WithdrawnReel,
};
pub use words::{
    AccountRole, AttemptResult, AuthorityOrigin, ChipState, CredentialState, DeclarationOrigin, DeliveryOrigin,
    DeliveryVerdict, LabelEvent, MeetingVerdict, Next, PackKind, Purpose, RenewalKind, RequestState, Role, SignedInBy,
    UnitState,
};

/// An open record book. Threads share it; each act takes a connection of its own.
pub struct Book {
    location: Location,
    site: Site,
    pool: Mutex<Vec<engine::Connection>>,
    /// Writers of one process take turns here when the book is a file.
    gate: Mutex<()>,
    /// What seldom changes, and is wanted for every unit.
    known: known::Known,
    /// What it is held against.
    guard: OnceLock<mark::Guard>,
    /// What seals the rows that say who a person is.
    seals: OnceLock<access::seal::Seals>,
    /// Who hears of a server that is waited for.
    tell_wait: OnceLock<patience::TellWait>,
}

impl Book {
    fn is_sqlite(&self) -> bool {
        self.location.as_file().is_some()
    }
}

impl std::fmt::Debug for Book {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Book({} at {})", self.site.site_id, self.location)
    }
}

/// What stopped an iterator of the caller's: told back with the act's error.
pub type Stop = Box<dyn std::error::Error + Send + Sync>;
