//! Impact: which units something touches, where each is in its life, and what
//! would stop working if a certificate were revoked.
//!
//! Units come one at a time, in the order of their serial numbers, so that a
//! question about ten million of them needs no more room than one about ten.

mod consequence;
mod export;
mod wanted;

use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::Arc;

use base::times::time_text;
use base::trouble::Trouble;
use book::ids::{AuthorityName, ProductName};
use book::{CredentialState, Purpose, Touched, UnitState};
pub use consequence::{Stock, WouldStop, credentials};
pub use export::{Exported, Format, document, export, write_to};
use serde::Serialize;
use site::revoked::{Known, RevokedHere, pais as revoked_pais, pool};
use site::{Site, product};
use standard::certificate::Certificate;
use standard::verdict::RevokedSerials;
pub(crate) use wanted::serial_octets;
pub use wanted::{Wanted, when};

/// A unit that is touched.
#[derive(Debug, Clone, Serialize)]
pub struct UnitTouched {
    pub unit: String,
    pub state: UnitState,
    pub product: String,
    /// What it is for.
    pub purpose: Purpose,
    /// The reel of its chip.
    pub reel: String,
    pub chip_id: String,
    /// Serial number of its DAC.
    pub credential: String,
    /// Where the credential stands.
    pub credential_state: CredentialState,
    /// The PAI that issued it.
    pub authority: String,
    /// The delivery that brought it.
    pub delivery: String,
    /// When its first attempt began.
    pub began: String,
    /// When its state changed last.
    pub changed: String,
    /// Why it was scrapped or returned.
    pub reason: Option<String>,
    /// The version of its firmware, as a station recorded it last.
    pub firmware: Option<String>,
    /// Whether its certificate counts no more: it or the PAI is revoked or on hold, as this site knows.
    pub revoked: bool,
    /// Whether chip and credential are those of a board that was swapped: the unit has another one now, and `revoked`
    /// says nothing of that.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub earlier_board: bool,
}

/// Of how many units the firmware is known, among those that everything else that was asked about touches.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Firmware {
    /// Units of which a station recorded it.
    pub recorded: u64,
    /// Units of which none did: nothing can be said of them.
    pub not_recorded: u64,
}

/// What is touched, in numbers.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Impact {
    pub count: u64,
    /// Units by where they stand.
    pub states: BTreeMap<UnitState, u64>,
    /// Those that have another board now; what was asked about is on one that was swapped.
    #[serde(skip_serializing_if = "is_zero")]
    pub earlier_boards: u64,
    /// The others by where they stand.
    #[serde(skip)]
    with_it: BTreeMap<UnitState, u64>,
    pub products: BTreeMap<String, u64>,
    /// What would stop working if the certificate that was asked about were revoked.
    pub would_stop: Option<WouldStop>,
    /// Where firmware was asked about: of how many units it is known.
    pub firmware: Option<Firmware>,
}

/// Purposes of products, asked once each.
#[derive(Default)]
struct Purposes(HashMap<ProductName, Purpose>);

impl Purposes {
    fn of(&mut self, site: &Site, name: &ProductName) -> Result<Purpose, Trouble> {
        if let Some(known) = self.0.get(name) {
            return Ok(*known);
        }
        let purpose = product::get(site, name.as_str())?.facts.purpose;
        self.0.insert(name.clone(), purpose);
        Ok(purpose)
    }
}

fn is_zero(count: &u64) -> bool {
    *count == 0
}

/// What is revoked here, so that it can be said of rows by the million.
struct Marked {
    here: RevokedHere,
    pais: HashSet<AuthorityName>,
    /// What lists name, by whose certificates they are.
    named: HashMap<AuthorityName, Vec<RevokedSerials>>,
}

impl Marked {
    fn of(site: &Site) -> Result<Self, Trouble> {
        let known = Known::of(site)?;
        let mut named = HashMap::new();
        for authority in site.book.authorities()?.into_iter().filter(|_| !known.is_empty()) {
            let Ok(certificate) = Certificate::read(&authority.facts.certificate) else { continue };
            let said = known.against(&pool(&[Arc::new(certificate)], None));
            if !said.is_empty() {
                named.insert(authority.facts.name, said);
            }
        }
        let pais = revoked_pais(site)?.into_iter().map(|(name, _)| name).collect();
        Ok(Self { here: RevokedHere::of(site)?, pais, named })
    }

    fn is_revoked(&self, site: &Site, t: &Touched) -> Result<bool, Trouble> {
        if t.earlier_board {
            return Ok(false);
        }
        if t.credential == CredentialState::Revoked || self.pais.contains(&t.authority) {
            return Ok(true);
        }
        // A serial number on a list may need its certificate to tell whether the list counts.
        let named = self.named.get(&t.authority).is_some_and(|said| said.iter().any(|s| s.names(&t.serial)));
        Ok(named && self.here.of_chip(site, &t.chip_id)?.is_some())
    }
}

fn view(t: Touched, purpose: Purpose, revoked: bool) -> UnitTouched {
    UnitTouched {
        revoked,
        earlier_board: t.earlier_board,
        unit: t.unit.to_string(),
        state: t.state,
        product: t.product.to_string(),
        purpose,
        reel: t.reel.to_string(),
        chip_id: t.chip_id.to_string(),
        credential: hex::encode(&t.serial),
        credential_state: t.credential,
        authority: t.authority.to_string(),
        delivery: t.delivery.to_string(),
        began: time_text(t.began),
        changed: time_text(t.changed),
        reason: t.reason,
        firmware: t.firmware.map(|version| version.to_string()),
    }
}

/// Hands over each unit that is touched, and counts them.
///
/// - `each`: called in the order of the units' serial numbers; its error ends the reading.
///
/// # Errors
///
/// [`Trouble`] where no condition was given, or what was asked about is not here.
pub fn impact(
    site: &Site,
    wanted: &Wanted<'_>,
    each: &mut dyn FnMut(UnitTouched) -> Result<(), Trouble>,
) -> Result<Impact, Trouble> {
    let question = wanted::question(site, wanted)?;
    let mut out = Impact::default();
    let mut purposes = Purposes::default();
    let marked = Marked::of(site)?;
    site.book.touched(&question.touch, &mut |touched| {
        out.count += 1;
        *out.states.entry(touched.state).or_default() += 1;
        let purpose = purposes.of(site, &touched.product)?;
        match touched.earlier_board {
            true => out.earlier_boards += 1,
            false => *out.with_it.entry(touched.state).or_default() += 1,
        }
        let revoked = marked.is_revoked(site, &touched)?;
        let unit = view(touched, purpose, revoked);
        match out.products.get_mut(&unit.product) {
            Some(count) => *count += 1,
            None => {
                out.products.insert(unit.product.clone(), 1);
            }
        }
        each(unit)
    })?;
    if question.touch.firmware.is_some() {
        let known = site.book.firmware_known(&question.touch)?;
        let count = |n: i64| u64::try_from(n).unwrap_or(0);
        out.firmware = Some(Firmware { recorded: count(known.recorded), not_recorded: count(known.not_recorded) });
    }
    out.would_stop = question.certificate.map(|c| consequence::of(site, c, &out)).transpose()?;
    Ok(out)
}
