//! Receiving inspection: every certificate by every rule, matched to the chips
//! of a reel, before anything is stored.
//!
//! Three passes, none of which holds a delivery in memory. Reading takes entries
//! apart on all cores and spools the DACs (`spool`), noting for each only where it
//! lies, whose key it has and a hash of its serial number: authorities may come
//! anywhere in an archive, and doubles show only at the end. Matching finds what
//! comes twice. Judging takes the DACs from the spool, sorted by key, on all cores.
//! What is found is told in the delivery's order all the same (`findings`).
//!
//! Pure but for the file it opens and the spool: what the site holds already comes
//! in as an [`Expectation`]. What may be kept is in [`Inspection`]; whether it is
//! kept is the caller's to decide.

mod checksums;
mod judging;
mod matching;
mod reading;

use std::path::Path;
use std::sync::Arc;

use base::advice::Advise as _;
use base::course::{Course, Phase};
use base::findings::{About, Fault, Findings, SharedFinding};
use base::trouble::Trouble;
use examine::intake::IntakeError;
use site::revoked::Known as Revoked;
use standard::certificate::Certificate;
use standard::ids::{ProductId, VendorId};
use standard::moment::Moment;
use standard::verdict::catalogue::intake::{DELIVERY_PASSWORD, DELIVERY_PATH, DELIVERY_SIZE};
use standard::verdict::{Finding, Severity};
use zeroize::Zeroizing;

pub use self::checksums::Checked;
use self::judging::judge;
use self::matching::matching;
use self::reading::{Unread, read};
use super::chips::{Chips, Slot};
use super::exposed::Exposed;
use super::spool::Spool;

/// DACs that a core takes at a time, and how many of these are judged between two looks.
const STRETCH: usize = 32;
const STRETCHES: usize = 256;

/// Keys of strangers that are looked for on other reels, at most.
const ELSEWHERE: usize = 2_000;

/// What to do where an authority's own key is exposed.
fn of_authority(key_id: &str) -> String {
    format!(
        "Whoever has this key can issue certificates in its name. Tell the authority at once, by telephone, and take \
         nothing more under this key: its certificate has to be revoked. `touchmark impact --key {key_id}` shows what \
         here stands under it."
    )
}

/// A DAC whose key is none of the reel's.
const STRANGER: Slot = Slot::MAX;

/// Stages of the inspection, in which findings are told.
mod stage {
    pub const READING: u8 = 0;
    pub const NOTHING: u8 = 1;
    pub const AUTHORITIES: u8 = 2;
    pub const STRANGERS: u8 = 3;
    pub const DOUBLES: u8 = 4;
    pub const REPEATS: u8 = 5;
    pub const JUDGED: u8 = 6;
    pub const GAP: u8 = 7;
}

/// What the site says of a key or serial number that a delivery brings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Known {
    /// The issuer has used this serial number in another credential here.
    Serial {
        /// The delivery that brought it.
        delivery: String,
    },
    /// It is here already, octet for octet.
    Same {
        /// The delivery that brought it.
        delivery: String,
    },
    /// The key has a credential already.
    Key {
        /// Its serial number in hex.
        serial: String,
    },
}

/// Ids of the chips at these places of the reel, in this order.
pub type ChipIds<'a> = &'a (dyn Fn(&[u32]) -> Result<Vec<String>, Trouble> + Sync);

/// Chip and reel of a public key that is on another reel of the site.
pub type Elsewhere<'a> = &'a (dyn Fn(&[u8; 65]) -> Option<(String, String)> + Sync);

/// What a delivery should hold.
pub struct Expectation<'a> {
    /// Chips of the reel.
    pub chips: &'a Chips,
    /// Their ids, for telling.
    pub chip_ids: ChipIds<'a>,
    /// Vendor ID that the DACs carry.
    pub vendor: VendorId,
    /// Product ID that the DACs carry.
    pub product: ProductId,
    /// Whether the product is for sale rather than for testing.
    pub production: bool,
    /// PAAs trusted here, and whether each was adopted for production.
    pub anchors: &'a [(Arc<Certificate>, bool)],
    pub pais: &'a [Arc<Certificate>],
    /// What the site knows to be revoked.
    pub revoked: &'a Revoked,
    /// Whose private key came with an earlier delivery.
    pub exposed: &'a Exposed,
    /// Chip and reel of a key that is not on this one, where the site has it on another.
    pub elsewhere: Elsewhere<'a>,
    /// When it arrives: a DAC that is not valid then is reported.
    pub now: Moment,
    /// What the site holds already of this certificate's key or serial number; told
    /// whether the key is that of a chip of the reel without a credential.
    pub known: &'a (dyn Fn(&Certificate, bool) -> Option<Known> + Sync),
}

impl Expectation<'_> {
    fn chip_id(&self, place: u32) -> Result<String, Trouble> {
        Ok((self.chip_ids)(&[place])?.pop().unwrap_or_default())
    }

    fn ids(&self, slots: &[Slot]) -> Result<Vec<String>, Trouble> {
        let places: Vec<u32> = slots.iter().map(|slot| self.chips.place(*slot)).collect();
        (self.chip_ids)(&places)
    }

    /// Ids of the chips that need a credential, without those that `has` names.
    pub(super) fn without(&self, has: impl Fn(Slot) -> bool) -> Result<Vec<String>, Trouble> {
        let slots: Vec<Slot> = self.chips.slots().filter(|slot| !self.chips.is_served(*slot) && !has(*slot)).collect();
        let mut ids = self.ids(&slots)?;
        ids.sort_unstable();
        Ok(ids)
    }
}

/// What the inspection found.
#[derive(Debug, Default)]
pub struct Inspection {
    pub read: usize,
    /// How many are for no chip of the site, of those that were looked for on its other reels.
    pub of_nobody: usize,
    /// How many may be kept.
    pub accepted: usize,
    /// How many are here already, octet for octet.
    pub same: usize,
    /// The deliveries that brought these; that of the first one first.
    pub same_as: Vec<String>,
    /// PAIs above the accepted ones.
    pub pais: Vec<Arc<Certificate>>,
    /// Chips on the reel.
    pub on_reel: usize,
    /// Chips that would be left without a credential, in order.
    pub without: Vec<String>,
    /// Chips that need a credential and that no DAC came for.
    pub missing: usize,
    /// How many DACs for chips of the reel say what vendor and product ID.
    pub identities: Vec<((VendorId, ProductId), usize)>,
    /// What came of lists of checksums, where there was one.
    pub checked: Option<Checked>,
    /// What is wrong or worth knowing.
    pub findings: Vec<SharedFinding>,
    /// What is wrong, one by one, up to a bound.
    pub faults: Vec<Fault>,
    /// How many more there were.
    pub more_faults: usize,
    pub(super) spool: Option<Arc<Spool>>,
    /// Those that may be kept, sorted by key.
    pub(super) kept: Vec<Kept>,
}

/// A DAC that may be kept: where it lies in the spool, whose it is, which PAI is above it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Kept {
    pub(super) number: u32,
    pub(super) slot: Slot,
    pub(super) pai: u16,
}

/// What one stretch of judging gave, for whoever begins to store before the last DAC is judged.
pub struct Stretch<'a> {
    pub(super) spool: &'a Arc<Spool>,
    pub(super) kept: &'a [Kept],
    /// PAIs above those kept so far; later stretches add to them.
    pub(super) pais: &'a [Arc<Certificate>],
    /// Certificates read in all.
    pub(super) read: usize,
    /// DACs judged so far.
    pub(super) judged: usize,
    /// DACs to be judged in all.
    pub(super) total: usize,
    /// Whether anything so far keeps the delivery from being stored whole.
    pub(super) errors: bool,
}

impl Inspection {
    /// Whether it may be stored whole.
    pub fn is_clean(&self) -> bool {
        self.findings.iter().all(|f| f.finding.severity != Severity::Error)
    }

    /// Keys of the DACs that may be kept, as they would be stored: sorted.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where the temporary file can't be read.
    pub fn kept_keys(&self) -> Result<Vec<[u8; 65]>, Trouble> {
        let Some(spool) = &self.spool else { return Ok(Vec::new()) };
        self.kept.iter().map(|kept| Ok(spool.get(kept.number)?.facts().public_key)).collect()
    }
}

/// Opens and inspects a delivery.
///
/// - `each`: told of each stretch that was judged, in order.
///
/// # Errors
///
/// [`Trouble`] where it can't be read at all, or was stopped; what can be judged
/// (an entry's name, sizes, a password) becomes a finding.
pub fn inspect(
    path: &Path,
    password: Option<&Zeroizing<Vec<u8>>>,
    expectation: &Expectation<'_>,
    course: &Course,
    each: &mut dyn FnMut(Stretch<'_>),
) -> Result<Inspection, Trouble> {
    course.phase(Phase::Reading, None);
    let on_reel = expectation.chips.len();
    let mut read = match read(path, password, expectation, course) {
        Ok(read) => read,
        Err(Unread::Trouble(trouble)) => return Err(trouble),
        Err(Unread::Intake(error)) => {
            let rule = match error.rule() {
                Some("path") => &DELIVERY_PATH,
                Some("size") => &DELIVERY_SIZE,
                Some(_) => &DELIVERY_PASSWORD,
                None => return Err(error.into()),
            };
            // Whatever was read before it is not looked at.
            let mut findings = Findings::default();
            let mut finding = Finding::new(rule, error.to_string());
            if let (IntakeError::Link { .. }, Some(advice)) = (&error, error.advice()) {
                finding = finding.requiring("Every entry is a file of its own.").advising(advice);
            }
            findings.tell((stage::READING, 0, 0), || "delivery".to_owned(), About::Nothing, finding);
            let (faults, more_faults) = findings.faults(expectation.chip_ids)?;
            let findings = findings.told(&|place| expectation.chip_id(place))?;
            let chips = expectation.chips;
            let missing = chips.slots().filter(|slot| !chips.is_served(*slot)).count();
            return Ok(Inspection { on_reel, missing, findings, faults, more_faults, ..Inspection::default() });
        }
    };
    let matched = matching(&mut read, expectation, course)?;
    judge(read, matched, expectation, course, each)
}
