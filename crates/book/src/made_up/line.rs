//! What happens on a made-up line: which unit has which fate, when, where, and at
//! which place in the log.

use sha2::{Digest, Sha256};

use super::Ground;
use crate::by::micros;

/// Stations of the line; units go to them in turns.
const STATIONS: u64 = 4;
/// Microseconds that an attempt takes.
const ATTEMPT: i64 = 9_000_000;
/// Why attempts fail.
pub(super) const CAUSE: &str = "write-failed";
pub(super) const DETAIL: &str = "the chip took no certificate: no answer within 500 ms";
pub(super) const ACTOR: &str = "operator";
/// Iterations of the passcode verifiers.
pub(super) const ITERATIONS: i64 = 10_000;

/// The steps of an attempt, each with its microseconds.
pub(super) const STEPS: &[(&str, i64)] = &[
    ("identify", 21_000),
    ("intention", 3_000),
    ("write DAC", 118_000),
    ("write PAI", 112_000),
    ("write declaration", 61_000),
    ("read back", 84_000),
    ("exchange", 57_000),
    ("judge", 400),
    ("lock", 12_000),
];

/// How a unit ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fate {
    /// Passes at once.
    Passes,
    /// Fails, and passes on the same chip.
    PassesLater,
    /// Fails, and is scrapped with its chip.
    Scrapped,
}

impl Fate {
    pub(super) fn of(unit: u64) -> Self {
        match unit {
            n if n % 1000 == 500 => Self::Scrapped,
            n if n % 50 == 7 => Self::PassesLater,
            _ => Self::Passes,
        }
    }

    pub(super) fn attempts(self) -> i64 {
        if self == Self::PassesLater { 2 } else { 1 }
    }
}

/// A run of units of one reel.
pub(super) struct Stretch {
    /// The first of them, counted from 0.
    pub(super) first: u64,
    /// How many; 0 for the arrival of a reel in stock.
    pub(super) units: u64,
    pub(super) reel: u64,
    /// Whether the reel and its delivery arrive before them.
    pub(super) arrives: bool,
    /// The place in the log of the first entry.
    pub(super) entry: i64,
}

/// One unit, with its entries' places in the log.
#[derive(Debug, Clone)]
pub(super) struct Unit {
    pub(super) number: u64,
    pub(super) fate: Fate,
    pub(super) serial: String,
    pub(super) reel: u64,
    /// When its first attempt began.
    pub(super) began: i64,
    /// The first of its entries.
    pub(super) entry: i64,
}

impl Unit {
    /// Begin and end of an attempt, as entries.
    pub(super) fn entries(&self, attempt: i64) -> (i64, i64) {
        let begin = self.entry + (attempt - 1) * 2;
        (begin, begin + 1)
    }

    /// Begin and end of an attempt, as times.
    pub(super) fn times(&self, attempt: i64) -> (i64, i64) {
        let began = self.began + (attempt - 1) * (ATTEMPT + 1_000_000);
        (began, began + ATTEMPT)
    }

    /// The entry that tells of it last, its label aside.
    pub(super) fn last_entry(&self) -> i64 {
        self.entries(self.fate.attempts()).1
    }

    pub(super) fn last_end(&self) -> i64 {
        self.times(self.fate.attempts()).1
    }

    /// Whether its label was printed, which is the entry after its last one.
    pub(super) fn labelled(&self) -> bool {
        self.number % 10 == 3 && self.fate != Fate::Scrapped
    }

    pub(super) fn station(&self) -> String {
        format!("S{}", self.number % STATIONS + 1)
    }

    pub(super) fn chip(&self) -> Chip {
        Chip::of(self.number)
    }

    /// Octets of its own, as many as are wanted.
    pub(super) fn octets<const N: usize>(&self, what: u8) -> [u8; N] {
        let mut out = [0; N];
        scatter(self.number, what, &mut out);
        out
    }
}

/// A chip and its credential, by number.
pub(super) struct Chip {
    pub(super) chip_id: String,
    pub(super) public_key: [u8; 65],
    pub(super) serial: [u8; 20],
}

impl Chip {
    pub(super) fn of(number: u64) -> Self {
        let mut public_key = [4; 65];
        scatter(number, 1, &mut public_key[1..]);
        let mut serial = [0; 20];
        scatter(number, 2, &mut serial);
        // A serial number is positive, and none begins with a zero.
        serial[0] = serial[0] & 0x7F | 0x40;
        Self { chip_id: format!("01A0{number:014X}"), public_key, serial }
    }

    /// As long as a DAC with its extensions, and its key in it.
    pub(super) fn certificate(&self) -> Vec<u8> {
        let mut out = vec![0x30, 0x82, 0x01, 0xEC];
        out.extend_from_slice(&self.public_key);
        let mut state = u64::from_le_bytes(self.public_key[1..9].try_into().unwrap_or_default()) | 1;
        while out.len() < 496 {
            // Marsaglia's xorshift: octets that do not shrink when packed.
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            out.extend_from_slice(&state.to_le_bytes());
        }
        out.truncate(496);
        out
    }
}

/// Octets from a digest of a number and what they are for.
fn scatter(number: u64, what: u8, out: &mut [u8]) {
    for (part, piece) in (0u32..).zip(out.chunks_mut(32)) {
        let digest = Sha256::new()
            .chain_update(number.to_be_bytes())
            .chain_update([what])
            .chain_update(part.to_be_bytes())
            .finalize();
        piece.copy_from_slice(&digest[..piece.len()]);
    }
}

pub(super) fn serial(number: u64) -> String {
    format!("TV-{number:08}")
}

pub(super) fn reel_name(reel: u64) -> String {
    format!("REEL-{:06}", reel + 1)
}

pub(super) fn delivery_name(reel: u64) -> String {
    format!("D-{:06}", reel + 1)
}

impl Ground {
    /// Reels, those in stock too.
    pub(super) fn reels(&self) -> u64 {
        self.used_reels() + self.wish.in_stock
    }

    fn used_reels(&self) -> u64 {
        self.wish.units.div_ceil(self.wish.per_reel)
    }

    /// When a reel arrived: an hour before its first unit.
    pub(super) fn arrived(&self, reel: u64) -> i64 {
        self.began((reel * self.wish.per_reel).min(self.wish.units)) - 3_600_000_000
    }

    fn began(&self, unit: u64) -> i64 {
        let takt = 3_600_000_000 / self.wish.per_hour.max(1);
        micros(self.wish.end)
            - ATTEMPT
            - i64::try_from((self.wish.units - unit.min(self.wish.units)) * takt).unwrap_or(i64::MAX)
    }

    /// The whole line, in stretches of up to so many units.
    pub(super) fn stretches(&self, most: u64) -> Vec<Stretch> {
        let (mut out, mut entry) = (Vec::new(), self.first);
        for reel in 0..self.reels() {
            let (mut first, mut arrives) = (reel * self.wish.per_reel, true);
            let end = (first + self.wish.per_reel).min(self.wish.units);
            loop {
                let units = most.min(end.saturating_sub(first));
                out.push(Stretch { first, units, reel, arrives, entry });
                entry += if arrives { 2 } else { 0 } + (first..first + units).map(entries_of).sum::<i64>();
                (first, arrives) = (first + units, false);
                if first >= end {
                    break;
                }
            }
        }
        out
    }

    /// The units of a stretch.
    pub(super) fn units(&self, stretch: &Stretch) -> impl Iterator<Item = Unit> + use<'_> {
        let mut entry = stretch.entry + if stretch.arrives { 2 } else { 0 };
        let reel = stretch.reel;
        (stretch.first..stretch.first + stretch.units).map(move |number| {
            let unit =
                Unit { number, fate: Fate::of(number), serial: serial(number), reel, began: self.began(number), entry };
            entry += entries_of(number);
            unit
        })
    }
}

/// Entries of one unit.
fn entries_of(number: u64) -> i64 {
    let fate = Fate::of(number);
    fate.attempts() * 2 + i64::from(number % 10 == 3 && fate != Fate::Scrapped)
}
