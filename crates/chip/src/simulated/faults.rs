//! What goes wrong with simulated chips, and how often.
//!
//! A chip's faults are drawn once, when it is made, from the seed and its id
//! alone, and lie in its file: the same chip has the same faults on any
//! station, in any order, after any crash. A passing fault is struck off when
//! it has happened; a lasting one happens every time.

use serde::{Deserialize, Serialize};

use super::draw::Well;
use crate::ChipId;

/// How many chips have faults.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum FaultLevel {
    /// None has.
    #[default]
    None,
    /// About 1 in 30, as on a good day; 1 in 10 of those lasts.
    Usual,
    /// About 2 in 5; 1 in 4 of those lasts.
    Harsh,
}

/// One way to go wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FaultKind {
    /// A call is not answered and not done. Lasting: the chip is dead from there on.
    NoAnswer,
    /// A write is done, and the answer is lost.
    AnswerLost,
    /// A write is refused and not done.
    RefusedWrite,
    /// One bit of an object is wrong when it is read.
    FlippedBit,
    /// A signature does not belong to the chip's key.
    WrongSignature,
    /// The chip comes locked, without objects. Always lasting.
    LockedAlready,
    /// Another chip answers until this one is opened anew.
    Swapped,
    /// Power fails amid a write: the object is torn, and nothing answers until
    /// the chip is opened anew.
    TornWrite,
}

/// One fault that waits in a chip.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fault {
    pub kind: FaultKind,
    /// At which call of its sort, counted from 1 at each opening: any call for
    /// `NoAnswer` (opening is the first), reads that find an object, writes, or
    /// signatures. For `Swapped` any call since the source was opened. From that
    /// call on, while `left` lasts.
    pub at: u32,
    /// How often yet; `None` for ever.
    pub left: Option<u32>,
    /// Decides the details: which bit, how far a torn write came.
    pub draw: u64,
}

/// Chips in a million with each fault, and in a million of those how many last.
struct Odds {
    shares: [(FaultKind, u32); 8],
    lasting: u32,
}

const USUAL: Odds = Odds {
    shares: [
        (FaultKind::NoAnswer, 10_000),
        (FaultKind::AnswerLost, 4_000),
        (FaultKind::RefusedWrite, 5_000),
        (FaultKind::FlippedBit, 4_000),
        (FaultKind::WrongSignature, 2_000),
        (FaultKind::LockedAlready, 1_000),
        (FaultKind::Swapped, 1_000),
        (FaultKind::TornWrite, 5_000),
    ],
    lasting: 100_000,
};

const HARSH: Odds = Odds {
    shares: [
        (FaultKind::NoAnswer, 100_000),
        (FaultKind::AnswerLost, 80_000),
        (FaultKind::RefusedWrite, 80_000),
        (FaultKind::FlippedBit, 80_000),
        (FaultKind::WrongSignature, 50_000),
        (FaultKind::LockedAlready, 20_000),
        (FaultKind::Swapped, 30_000),
        (FaultKind::TornWrite, 100_000),
    ],
    lasting: 250_000,
};

impl FaultLevel {
    /// The chip's faults at this level. Several may meet in one chip.
    pub fn plan(self, seed: u64, chip: &ChipId) -> Vec<Fault> {
        let odds = match self {
            Self::None => return Vec::new(),
            Self::Usual => &USUAL,
            Self::Harsh => &HARSH,
        };
        let well = Well::new(seed, &format!("faults of {chip}"));
        let struck = odds.shares.iter().filter(|(kind, share)| well.chance(kind.word(), *share));
        struck.map(|(kind, _)| Fault::drawn(*kind, &well, odds.lasting)).collect()
    }
}

impl FaultKind {
    /// All kinds.
    pub const ALL: [Self; 8] = [
        Self::NoAnswer,
        Self::AnswerLost,
        Self::RefusedWrite,
        Self::FlippedBit,
        Self::WrongSignature,
        Self::LockedAlready,
        Self::Swapped,
        Self::TornWrite,
    ];

    /// Its word, as in the chip's file.
    pub const fn word(self) -> &'static str {
        match self {
            Self::NoAnswer => "no-answer",
            Self::AnswerLost => "answer-lost",
            Self::RefusedWrite => "refused-write",
            Self::FlippedBit => "flipped-bit",
            Self::WrongSignature => "wrong-signature",
            Self::LockedAlready => "locked-already",
            Self::Swapped => "swapped",
            Self::TornWrite => "torn-write",
        }
    }

    /// Latest call at which a drawn fault of this kind begins: a station makes
    /// about 20 calls, of which 3 to 4 write, as many read, and one signs.
    const fn latest(self) -> u64 {
        match self {
            Self::NoAnswer | Self::Swapped => 16,
            Self::AnswerLost | Self::RefusedWrite | Self::TornWrite | Self::FlippedBit => 3,
            Self::WrongSignature | Self::LockedAlready => 1,
        }
    }

    /// Whether it can last: power returns and a socket is put right.
    const fn can_last(self) -> bool {
        !matches!(self, Self::AnswerLost | Self::Swapped | Self::TornWrite)
    }
}

impl Fault {
    /// A fault that happens once, at the first call of its sort.
    pub const fn once(kind: FaultKind) -> Self {
        Self { kind, at: 1, left: Some(1), draw: 0 }
    }

    /// A fault that happens every time.
    pub const fn lasting(kind: FaultKind) -> Self {
        Self { kind, at: 1, left: None, draw: 0 }
    }

    /// The same, beginning at another call.
    #[must_use]
    pub const fn at(mut self, at: u32) -> Self {
        self.at = at;
        self
    }

    /// The same with other details.
    #[must_use]
    pub const fn drawing(mut self, draw: u64) -> Self {
        self.draw = draw;
        self
    }

    fn drawn(kind: FaultKind, well: &Well, lasting: u32) -> Self {
        let word = kind.word();
        let of = |what: &str| well.number(&format!("{word} {what}"));
        let lasts =
            kind == FaultKind::LockedAlready || (kind.can_last() && well.chance(&format!("{word} lasting"), lasting));
        // Once mostly, twice at times: a station that retries once meets both.
        let left = if lasts { None } else { Some(if of("times") % 4 == 0 { 2 } else { 1 }) };
        let at = u32::try_from(1 + of("at") % kind.latest()).unwrap_or(1);
        Self { kind, at, left, draw: of("draw") }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plans(level: FaultLevel, seed: u64) -> Vec<Vec<Fault>> {
        (0..20_000).map(|n| level.plan(seed, &ChipId::new(&format!("{n:018X}")).unwrap())).collect()
    }

    #[test]
    fn as_often_as_said() {
        for (level, odds, any) in [(FaultLevel::Usual, &USUAL, 0.028..0.036), (FaultLevel::Harsh, &HARSH, 0.39..0.45)] {
            let plans = plans(level, 42);
            let share = |hits: usize| hits as f64 / plans.len() as f64;
            for (kind, expected) in &odds.shares {
                let found = share(plans.iter().filter(|p| p.iter().any(|f| f.kind == *kind)).count());
                let expected = f64::from(*expected) / 1e6;
                // Five standard deviations.
                let slack = 5.0 * (expected * (1.0 - expected) / plans.len() as f64).sqrt();
                assert!((found - expected).abs() < slack, "{kind:?}: {found}, said {expected}");
            }
            let found = share(plans.iter().filter(|p| !p.is_empty()).count());
            assert!(any.contains(&found), "{level:?}: {found}");
            let faults: Vec<_> =
                plans.iter().flatten().filter(|f| f.kind.can_last() && f.kind != FaultKind::LockedAlready).collect();
            let lasting = faults.iter().filter(|f| f.left.is_none()).count() as f64 / faults.len() as f64;
            assert!((lasting - f64::from(odds.lasting) / 1e6).abs() < 0.1, "{level:?}: {lasting}");
        }
        assert!(plans(FaultLevel::None, 42).iter().all(Vec::is_empty));
    }

    #[test]
    fn of_seed_and_chip_alone() {
        assert_eq!(plans(FaultLevel::Harsh, 1), plans(FaultLevel::Harsh, 1));
        assert_ne!(plans(FaultLevel::Harsh, 1), plans(FaultLevel::Harsh, 2));
        for fault in plans(FaultLevel::Harsh, 3).into_iter().flatten() {
            assert!(fault.at >= 1 && u64::from(fault.at) <= fault.kind.latest());
            assert!(fault.left.is_some() || fault.kind.can_last(), "{fault:?}");
            assert_eq!(serde_json::to_value(fault.kind).unwrap(), fault.kind.word());
        }
    }
}
