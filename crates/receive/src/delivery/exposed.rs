//! Chips and authorities whose private key came along with some delivery: whoever saw that file may have the key, and
//! that does not end when the authority sends the delivery again without it.

use std::collections::{BTreeMap, HashMap, HashSet};

use base::advice::quoted;
use base::findings::Fault;
use base::times::time_text;
use base::trouble::Trouble;
use book::ids::ChipId;
use book::{Chip, ChipState, Reel};
use site::Site;
use standard::verdict::Finding;
use standard::verdict::catalogue::intake::DELIVERY_PRIVATE_KEY;

use super::chips::{Chips, Slot};
use super::complaint::Touched;
use super::inspect::Inspection;
use super::{refused, view};

/// Chips that an advice names one by one.
const NAMED: usize = 5;

/// Whose private key came with an earlier delivery, and the first delivery that it came with.
#[derive(Debug, Default)]
pub struct Exposed {
    /// Chips of the reel.
    pub chips: HashMap<Slot, String>,
    /// Authorities, by key identifier in hex.
    pub authorities: HashMap<String, String>,
}

/// What a delivery for this reel has to be held against. An authority's key is exposed whatever reel it came for.
///
/// # Errors
///
/// [`Trouble`] where the book gave no answer.
pub fn before(site: &Site, reel: &Reel, chips: &Chips) -> Result<Exposed, Trouble> {
    // When each delivery came, its id, and what it exposed.
    let mut told: Vec<(String, String, Touched)> = Vec::new();
    for delivery in site.book.deliveries(Some(&reel.facts.reel))? {
        told.push((
            time_text(delivery.received),
            delivery.delivery.to_string(),
            view::faults(&delivery)?.of(DELIVERY_PRIVATE_KEY.name),
        ));
    }
    told.extend(refused::all(site).rev().map(|r| (r.refused, r.delivery, r.faults.of(DELIVERY_PRIVATE_KEY.name))));
    told.sort_by(|(one, ..), (other, ..)| one.cmp(other));
    let mut exposed = Exposed::default();
    for (_, delivery, touched) in told {
        for authority in touched.authorities {
            exposed.authorities.entry(authority).or_insert_with(|| delivery.clone());
        }
        for id in &touched.chips {
            let Some(chip) = ChipId::new(id).ok().map(|id| site.book.chip(&id)).transpose()?.flatten() else {
                continue;
            };
            let key = chip.public_key.as_slice().try_into().ok();
            if let Some(slot) = key.and_then(|key| chips.find(key)) {
                exposed.chips.entry(slot).or_insert_with(|| delivery.clone());
            }
        }
    }
    Ok(exposed)
}

/// What to do with a chip whose key is exposed; `None` where it is done.
fn way_out(chip: &Chip, unit: Option<&str>) -> Option<String> {
    match (chip.state, unit) {
        (ChipState::Scrapped, _) => None,
        (_, Some(unit)) => Some(format!(
            "Unit {unit} has chip {}: recall it, ask for the revocation of its certificate, and scrap it with \
             `touchmark unit scrap {} --reason \"key exposed\"`.",
            chip.chip_id,
            quoted(unit)
        )),
        (_, None) => Some(format!("Scrap it with `touchmark chip scrap {} --reason \"key exposed\"`.", chip.chip_id)),
    }
}

/// Says of each chip whose key is exposed what to do with it.
pub(super) fn advise(site: &Site, inspection: &mut Inspection) -> Result<(), Trouble> {
    let is_exposed = |finding: &Finding| finding.rule.name == DELIVERY_PRIVATE_KEY.name;
    // By what was found, which is what a finding of many shares.
    let mut ways: BTreeMap<&str, BTreeMap<&str, Option<String>>> = BTreeMap::new();
    let mut seen = HashSet::new();
    for Fault { chip_id, finding, .. } in &inspection.faults {
        let Some(id) = chip_id.as_deref().filter(|id| is_exposed(finding) && seen.insert(*id)) else { continue };
        let Some(chip) = site.book.chip(&ChipId::new(id)?)? else { continue };
        let unit = site.book.find(id, 1)?.pop().and_then(|found| found.unit).map(|(unit, _)| unit.to_string());
        ways.entry(&finding.found).or_default().insert(id, way_out(&chip, unit.as_deref()));
    }
    let mut told: Vec<_> = inspection.findings.iter_mut().filter(|told| is_exposed(&told.finding)).collect();
    for (at, told) in told.iter_mut().enumerate().rev() {
        // The first takes those of findings that were put together.
        let own = ways.remove(told.finding.found.as_str()).unwrap_or_default();
        let rest = if at == 0 { std::mem::take(&mut ways).into_values().flatten().collect() } else { BTreeMap::new() };
        let mut said: Vec<String> = own.into_iter().chain(rest).filter_map(|(_, way)| way).collect();
        if said.len() > NAMED {
            let more = said.len() - NAMED;
            said.truncate(NAMED);
            said.push(format!("The same for {more} more, which `--for-authority FILE` lists."));
        }
        if !said.is_empty() {
            let advice = format!("{} {}", told.finding.advice, said.join(" "));
            told.finding = told.finding.clone().advising(advice);
        }
    }
    Ok(())
}
