//! Serial numbers of new units: given, listed, or counted by the book.

use std::collections::VecDeque;

use book::SerialWish;
use book::ids::{ReelId, UnitSerial};
use standard::factory_record::{self, Field};

use super::Provision;
use crate::site::Site;
use crate::trouble::Trouble;

/// Where serial numbers come from.
pub(super) enum Serials {
    /// This one and no other.
    Exactly(UnitSerial),
    /// These, in order.
    Listed(VecDeque<UnitSerial>),
    /// The series that this one begins; the book counts.
    Counted(UnitSerial),
}

/// A serial number for a new unit, whole as its device tells it (Core Spec 11.1.5, attribute
/// SerialNumber). One that is too long is refused, never shortened.
fn whole(text: &str) -> Result<UnitSerial, Trouble> {
    let serial = UnitSerial::new(text)?;
    factory_record::fits(Field::SerialNumber, serial.as_str()).map_err(|e| {
        Trouble::usage(
            format!("{serial} can't be a unit's serial number: {e}"),
            "Give a shorter one. No chip was touched.",
        )
    })?;
    Ok(serial)
}

impl Serials {
    /// One that was named: of a unit that is there, or of a new one.
    pub(super) fn exactly(site: &Site, text: &str) -> Result<Self, Trouble> {
        let serial = UnitSerial::new(text)?;
        Ok(Self::Exactly(if site.book.unit(&serial)?.is_some() { serial } else { whole(text)? }))
    }

    pub(super) fn new(request: &Provision<'_>, reel: &ReelId) -> Result<Self, Trouble> {
        match (&request.serials, request.serial_start) {
            (Some(list), _) => Ok(Self::Listed(list.iter().map(|s| whole(s)).collect::<Result<_, _>>()?)),
            (None, Some(start)) => Ok(Self::Counted(whole(start)?)),
            (None, None) => {
                let clean: String = reel.as_str().chars().filter(|c| c.is_ascii_alphanumeric() || *c == '-').collect();
                Ok(Self::Counted(whole(&format!("{clean}-00001"))?))
            }
        }
    }

    pub(super) fn wish(&self) -> Option<SerialWish<'_>> {
        match self {
            Self::Exactly(serial) => Some(SerialWish::Exactly(serial)),
            Self::Listed(list) => list.front().map(SerialWish::IfNew),
            Self::Counted(start) => Some(SerialWish::CountFrom(start)),
        }
    }

    /// A list that a station begins anew goes on behind the numbers that units have already.
    pub(super) fn leave_out_used(&mut self, site: &Site) -> Result<(), Trouble> {
        if let Self::Listed(list) = self {
            while let Some(first) = list.front()
                && site.book.unit(first)?.is_some()
            {
                list.pop_front();
            }
        }
        Ok(())
    }

    pub(super) fn used(&mut self, serial: &UnitSerial) {
        if let Self::Listed(list) = self
            && list.front() == Some(serial)
        {
            list.pop_front();
        }
    }
}
