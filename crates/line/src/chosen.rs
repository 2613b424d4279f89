//! Which units of the book are meant, for whatever is made of many: evidence, labels.

use std::collections::BTreeSet;

use base::course::{Course, Phase};
use base::times::time_text;
use base::trouble::Trouble;
use book::ids::{ReelId, UnitSerial};
use book::{PackedIn, Unit, UnitFilter, UnitState};
use receive::reel;
use site::Site;
use time::OffsetDateTime;

use crate::unit;

/// Units looked up at a time.
const PAGE: u32 = 500;

/// Units of the book.
#[derive(Debug, Clone)]
pub enum Which<'a> {
    /// These.
    Units(&'a [String]),
    /// Those of a reel.
    Reel(&'a str),
    /// Those with an attempt that ended in this time.
    Period(Option<OffsetDateTime>, Option<OffsetDateTime>),
    /// Those in a carton, on a pallet or in a shipment.
    Packed(&'a PackedIn),
    /// All of the site.
    All,
}

impl Which<'_> {
    /// In words, as entries and manifests have them.
    pub fn words(&self) -> String {
        match self {
            Self::Units(units) => match BTreeSet::from_iter(*units) {
                named if named.len() == 1 => format!("unit {}", units[0]),
                named => format!("{} units by name", named.len()),
            },
            Self::Reel(reel) => format!("reel {reel}"),
            Self::Period(from, to) => {
                let told = |t: &Option<OffsetDateTime>, none: &str| t.map_or_else(|| none.to_owned(), time_text);
                format!("units with attempts from {} to {}", told(from, "the beginning"), told(to, "now"))
            }
            Self::Packed(packed) => format!("{} {}", packed.kind, packed.name),
            Self::All => "all units of the site".into(),
        }
    }

    /// Hands the units over in the order of their serial numbers, each once: those in `state` alone where
    /// one is given, but for units that were named, of which each comes.
    ///
    /// - `course`: counts them.
    pub fn each(
        &self,
        site: &Site,
        state: Option<UnitState>,
        course: &Course,
        take: &mut dyn FnMut(Unit) -> Result<(), Trouble>,
    ) -> Result<(), Trouble> {
        let mut filter = UnitFilter { state, ..UnitFilter::default() };
        match self {
            Self::Units(units) => {
                let mut serials = units.iter().map(|u| unit::typed(site, u)).collect::<Result<Vec<_>, _>>()?;
                serials.sort();
                serials.dedup();
                course.phase(Phase::Gathering, Some(serials.len() as u64));
                for serial in &serials {
                    course.go_on()?;
                    take(named(site, serial)?)?;
                    course.advance(1);
                }
                return Ok(());
            }
            Self::Reel(name) => {
                reel::get(site, name)?;
                filter.reel = Some(ReelId::new(name)?);
            }
            Self::Period(from, to) => (filter.from, filter.to) = (*from, *to),
            Self::Packed(packed) => filter.packed = Some((*packed).clone()),
            Self::All => {}
        }
        course.phase(Phase::Gathering, None);
        let mut after = None;
        loop {
            let page = site.book.units(&filter, after.as_ref(), PAGE)?;
            for unit in page.items {
                course.go_on()?;
                take(unit)?;
                course.advance(1);
            }
            match page.next {
                Some(next) => after = Some(next),
                None => return Ok(()),
            }
        }
    }
}

/// The unit of that serial number, in any letter case.
pub fn named(site: &Site, serial: &UnitSerial) -> Result<Unit, Trouble> {
    site.book.unit(&unit::typed(site, serial.as_str())?)?.ok_or_else(|| {
        let advice = "Check the serial number, or search with `touchmark unit find`.";
        Trouble::absent(format!("there is no unit {serial}"), advice).about("units")
    })
}
