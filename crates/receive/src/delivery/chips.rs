//! The chips of a reel, as matching a delivery needs them: a million in some 20 MB.

use std::collections::HashSet;

use base::course::Course;
use base::trouble::Trouble;
use book::Reel;
use site::Site;

/// Octets of a key that stand for it here, and of its place.
const KEY: usize = 16;
const PLACE: usize = 4;

/// A chip's place among those of the reel sorted by key.
pub type Slot = u32;

/// The chips of a reel, sorted by key.
///
/// A key stands here by 127 bits of its point's x coordinate and the sign of its y
/// (SEC 1 §2.3.3 tells a point by x and that sign): nobody makes another key of the
/// same bits. What is stored is held against the whole key by the book.
#[derive(Debug, Default)]
pub struct Chips {
    chips: Vec<[u8; KEY + PLACE]>,
}

/// In a place: it needs no credential, since it has one or was scrapped.
const SERVED: u32 = 1 << 31;

fn short(point: &[u8; 65]) -> [u8; KEY] {
    let mut key = [0; KEY];
    key.copy_from_slice(&point[1..=KEY]);
    key[KEY - 1] = key[KEY - 1] & 0xFE | point[64] & 1;
    key
}

impl Chips {
    /// Of chips as (point, place from 1, whether it needs no credential).
    pub fn of(chips: impl IntoIterator<Item = ([u8; 65], u32, bool)>) -> Self {
        let mut all = Self::default();
        for (point, place, served) in chips {
            all.add(&point, place, served);
        }
        all.chips.sort_unstable();
        all
    }

    fn add(&mut self, point: &[u8; 65], place: u32, served: bool) {
        let mut chip = [0; KEY + PLACE];
        chip[..KEY].copy_from_slice(&short(point));
        chip[KEY..].copy_from_slice(&(place | if served { SERVED } else { 0 }).to_be_bytes());
        self.chips.push(chip);
    }

    /// Of a reel in the book; `each` is handed each key and whether the chip needs no
    /// credential, in the order of the reel.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where the book gives no answer, or the work was stopped.
    pub(super) fn read(
        site: &Site,
        reel: &Reel,
        course: &Course,
        mut each: impl FnMut(&[u8; 65], bool),
    ) -> Result<Self, Trouble> {
        let mut all = Self { chips: Vec::with_capacity(usize::try_from(reel.chips).unwrap_or(0)) };
        site.book.chip_keys(&reel.facts.reel, |chip| {
            course.go_on()?;
            let place = u32::try_from(chip.position).ok().filter(|place| *place < SERVED).ok_or_else(|| {
                let what = format!("reel {} has more chips than can be matched", reel.facts.reel);
                Trouble::surroundings(what, "Report this.")
            })?;
            let served = chip.served || chip.scrapped;
            each(&chip.public_key, served);
            all.add(&chip.public_key, place, served);
            Ok::<_, Trouble>(())
        })?;
        all.chips.sort_unstable();
        Ok(all)
    }

    /// From now on, the chips with other keys need no credential.
    pub(super) fn only(&mut self, keys: &HashSet<[u8; 65]>) {
        let wanted: HashSet<[u8; KEY]> = keys.iter().map(short).collect();
        for chip in self.chips.iter_mut().filter(|chip| !wanted.contains(&chip[..KEY])) {
            // The highest bit of the place, which is kept with its highest octet first.
            chip[KEY] |= 0x80;
        }
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.chips.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.chips.is_empty()
    }

    /// The chip that has this key.
    pub fn find(&self, point: &[u8; 65]) -> Option<Slot> {
        let key = short(point);
        let at = self.chips.partition_point(|chip| chip[..KEY] < key[..]);
        self.chips.get(at).filter(|chip| chip[..KEY] == key).and_then(|_| Slot::try_from(at).ok())
    }

    fn standing(&self, slot: Slot) -> u32 {
        let mut standing = [0; PLACE];
        if let Some(chip) = self.chips.get(slot as usize) {
            standing.copy_from_slice(&chip[KEY..]);
        }
        u32::from_be_bytes(standing)
    }

    /// Its place on the reel, from 1.
    pub fn place(&self, slot: Slot) -> u32 {
        self.standing(slot) & !SERVED
    }

    /// Whether it needs no credential.
    pub fn is_served(&self, slot: Slot) -> bool {
        self.standing(slot) & SERVED != 0
    }

    /// All of them, sorted by key.
    pub fn slots(&self) -> impl Iterator<Item = Slot> + '_ {
        (0..self.chips.len()).filter_map(|slot| Slot::try_from(slot).ok())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(x: u8, y: u8) -> [u8; 65] {
        let mut point = [0; 65];
        (point[0], point[1], point[64]) = (4, x, y);
        point
    }

    #[test]
    fn keys_are_found_and_their_mirrors_are_not() {
        let chips = Chips::of([(point(9, 1), 1, false), (point(3, 2), 2, true), (point(7, 1), 3, false)]);
        let place = |p| chips.find(&p).map(|slot| (chips.place(slot), chips.is_served(slot)));
        assert_eq!(place(point(9, 1)), Some((1, false)));
        assert_eq!(place(point(3, 2)), Some((2, true)));
        assert_eq!(place(point(7, 3)), Some((3, false)), "the sign of y is what counts");
        // The same x with the other y is another key.
        assert_eq!(place(point(9, 2)), None);
        assert_eq!(place(point(8, 1)), None);
        assert_eq!(chips.slots().map(|s| chips.place(s)).collect::<Vec<_>>(), [2, 3, 1], "sorted by key");
        let mut chips = chips;
        chips.only(&HashSet::from([point(9, 1), point(3, 2)]));
        let needs = |chips: &Chips| chips.slots().map(|s| (chips.place(s), !chips.is_served(s))).collect::<Vec<_>>();
        assert_eq!(needs(&chips), [(2, false), (3, false), (1, true)], "one was served, one is not asked for");
    }
}
