//! Serial numbers of new units: given, listed, or counted by the book.

use std::collections::VecDeque;

use book::SerialWish;
use book::ids::{ReelId, UnitSerial};

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

impl Serials {
    pub(super) fn new(request: &Provision<'_>, reel: &ReelId) -> Result<Self, Trouble> {
        match (&request.serials, request.serial_start) {
            (Some(list), _) => {
                let listed = list.iter().map(|s| UnitSerial::new(s)).collect::<Result<VecDeque<_>, _>>()?;
                Ok(Self::Listed(listed))
            }
            (None, Some(start)) => Ok(Self::Counted(UnitSerial::new(start)?)),
            (None, None) => {
                let clean: String = reel.as_str().chars().filter(|c| c.is_ascii_alphanumeric() || *c == '-').collect();
                Ok(Self::Counted(UnitSerial::new(&format!("{clean}-00001"))?))
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
