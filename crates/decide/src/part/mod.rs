//! A secure element as its data sheet describes it: the part file, and what time things take on it.
//!
//! `docs/part-file.md` explains every key. Start at [`Part::read`]; [`time`]
//! turns a part, a bus clock and some objects into milliseconds. What a product
//! needs of a part is judged in `fit`.

pub mod page;
pub mod time;

use std::fs;
use std::path::Path;

use base::trouble::Trouble;
use serde::{Deserialize, Serialize};

/// Largest part file.
const LARGEST: u64 = 64 * 1024;

/// The parts that come with the program: name and file. All of them are invented.
pub const EXAMPLES: &[(&str, &str)] = &[
    ("QL-S1", include_str!("../../../../examples/parts/ql-s1.toml")),
    ("QL-S2", include_str!("../../../../examples/parts/ql-s2.toml")),
    ("QL-M4", include_str!("../../../../examples/parts/ql-m4.toml")),
];

/// A part.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Part {
    pub part: About,
    pub keys: Keys,
    pub room: Room,
    /// How one talks to it.
    pub bus: Bus,
    /// How long it takes inside.
    pub time: Times,
    /// How it is locked.
    pub lock: Lock,
    /// What it is certified for, as its maker claims.
    #[serde(default, rename = "claim")]
    pub claims: Vec<Claim>,
    /// What it does about threats, as its maker claims.
    #[serde(default, rename = "resists")]
    pub resists: Vec<Resists>,
}

/// What a part is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct About {
    pub name: String,
    /// A discrete part, or keys kept in the microcontroller.
    pub kind: Kind,
    /// Package and wires, for people.
    #[serde(default)]
    pub package: Option<String>,
    /// Anything else, for people.
    #[serde(default)]
    pub note: Option<String>,
}

/// Where the keys are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// In a chip of its own.
    Discrete,
    /// In the microcontroller that runs the firmware.
    Microcontroller,
}

/// Keys.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Keys {
    /// Private keys that it holds.
    pub slots: u32,
    /// Curves, in the names of FIPS 186-5 and SP 800-186: `P-256` …
    pub curves: Vec<String>,
    /// Whether it arrives with a key made inside, which never leaves.
    pub born_inside: bool,
    /// Where the keys live that homes give the device; left out: nobody has asked the maker yet.
    #[serde(default)]
    pub operational_keys: Option<OperationalKeys>,
    /// Whether such keys can still be made once the part is locked; left out: nobody has asked the maker yet.
    #[serde(default)]
    pub keys_after_lock: Option<bool>,
}

/// Where operational keys live.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OperationalKeys {
    /// Each in a key slot of the part.
    Part,
    /// In the processor's flash, wrapped by a key of the part and unwrapped inside it for each use.
    Wrapped,
}

impl OperationalKeys {
    /// Its name in part files.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Part => "part",
            Self::Wrapped => "wrapped",
        }
    }
}

/// Memory for certificates and data.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Room {
    /// Octets for user data altogether.
    pub octets: u64,
    /// The most octets of one object.
    pub object_octets: u64,
    /// The most objects; left out: as many as there is room for.
    #[serde(default)]
    pub objects: Option<u32>,
    /// Octets that are written at once; objects take whole pages.
    pub page_octets: u32,
    /// Octets that the part adds to each object.
    #[serde(default)]
    pub overhead_octets: u32,
}

/// How one talks to it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Bus {
    pub kind: BusKind,
    /// Clocks it can run at, hertz.
    pub clocks_hz: Vec<u32>,
    /// Octets of address, command, length and checksum around one exchange, both ways together.
    pub frame_octets: u32,
    /// The most octets of payload in one exchange.
    pub most_octets: u32,
    /// Microseconds that pass between a command and its answer beside the work itself.
    #[serde(default)]
    pub gap_us: u32,
    /// What is signed goes over the bus whole, or as a digest of 32 octets.
    #[serde(default = "whole")]
    pub signs: Signs,
    /// The protected bus, where there is one.
    #[serde(default)]
    pub protected: Option<Protected>,
}

fn whole() -> Signs {
    Signs::Message
}

/// Which bus.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BusKind {
    /// Two wires; an octet takes eight bits and the acknowledge.
    I2c,
    /// Four wires; an octet takes eight bits.
    Spi,
    /// None: the memory is the processor's own.
    Internal,
}

impl BusKind {
    /// Clocks that one octet takes.
    pub const fn bits_per_octet(self) -> u64 {
        match self {
            Self::I2c => 9,
            Self::Spi => 8,
            Self::Internal => 0,
        }
    }

    /// As people write it.
    pub const fn word(self) -> &'static str {
        match self {
            Self::I2c => "I2C",
            Self::Spi => "SPI",
            Self::Internal => "no bus",
        }
    }
}

/// What goes to the part to be signed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Signs {
    /// The whole message; the part hashes.
    Message,
    /// The host hashes; 32 octets of SHA-256 go over.
    Digest,
}

/// What a protected bus costs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Protected {
    /// Octets that each exchange grows by, both ways together.
    pub octets: u32,
    /// Microseconds of cryptography for each exchange.
    pub us: u32,
    /// Microseconds to begin a session, once a unit.
    pub begin_us: u32,
    /// Octets exchanged to begin a session.
    #[serde(default)]
    pub begin_octets: u32,
}

/// How long it takes inside.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Times {
    /// Microseconds to write one page.
    pub page_write_us: u32,
    /// Microseconds to fetch an object or a fact from memory.
    pub read_us: u32,
    /// Microseconds to sign with P-256.
    pub sign_us: u32,
    /// Microseconds to make a P-256 key, where it can.
    #[serde(default)]
    pub make_key_us: Option<u32>,
}

/// How it is locked.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Lock {
    /// What can be locked.
    pub model: LockModel,
    #[serde(default)]
    pub us: u32,
}

/// What can be locked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LockModel {
    /// Nothing.
    None,
    /// Objects one by one, for good.
    Objects,
    /// The whole part, for good.
    Part,
}

/// One claim of certification.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Claim {
    pub scheme: String,
    pub level: String,
    /// What was evaluated: the hardware, with its software, a library …
    pub covers: String,
}

/// One threat.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Threat {
    /// Somebody reads the microcontroller's flash, by a debug port or a fault.
    FlashReadout,
    /// Somebody listens on the wires between chip and microcontroller.
    BusListening,
    /// Firmware of the device is taken over from afar.
    FirmwareTakeover,
    /// Power or emission of the signing is measured.
    SideChannel,
    /// Glitches of supply, clock or light.
    FaultInjection,
    /// A chip is taken off one board and put on another.
    ChipSwap,
    /// Keys are copied where devices are made.
    FactoryCopying,
}

impl Threat {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::FlashReadout,
        Self::BusListening,
        Self::FirmwareTakeover,
        Self::SideChannel,
        Self::FaultInjection,
        Self::ChipSwap,
        Self::FactoryCopying,
    ];

    /// Its name in part files and on the command line.
    pub const fn word(self) -> &'static str {
        match self {
            Self::FlashReadout => "flash-readout",
            Self::BusListening => "bus-listening",
            Self::FirmwareTakeover => "firmware-takeover",
            Self::SideChannel => "side-channel",
            Self::FaultInjection => "fault-injection",
            Self::ChipSwap => "chip-swap",
            Self::FactoryCopying => "factory-copying",
        }
    }

    /// What it is.
    pub const fn means(self) -> &'static str {
        match self {
            Self::FlashReadout => "somebody reads the microcontroller's memory, by a debug port or a fault",
            Self::BusListening => "somebody listens on the wires between chip and microcontroller",
            Self::FirmwareTakeover => "the device's firmware is taken over remotely",
            Self::SideChannel => "power or emissions are measured during signing",
            Self::FaultInjection => "supply or clock are glitched, or light is injected",
            Self::ChipSwap => "a chip is moved from one board to another",
            Self::FactoryCopying => "keys are copied where devices are made",
        }
    }

    /// Reads its name.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|t| t.word() == word)
    }

    /// Reads names, each once.
    ///
    /// # Errors
    ///
    /// [`Trouble`] with all that there are, where one is none.
    pub fn typed<'a>(words: impl IntoIterator<Item = &'a str>) -> Result<Vec<Self>, Trouble> {
        let mut out = Vec::new();
        for word in words.into_iter().map(str::trim).filter(|w| !w.is_empty()) {
            let threat = Self::from_word(word).ok_or_else(|| {
                let all: Vec<&str> = Self::ALL.iter().map(|t| t.word()).collect();
                Trouble::usage(format!("{word:?} is not a known threat"), format!("Give one of {}.", all.join(", ")))
            })?;
            if !out.contains(&threat) {
                out.push(threat);
            }
        }
        Ok(out)
    }
}

/// Whether a part stands up to a threat, as its maker claims.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Answer {
    /// It does.
    Yes,
    /// In part, or under a condition.
    Partly,
    /// It does not.
    No,
}

impl Answer {
    /// The word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Yes => "yes",
            Self::Partly => "partly",
            Self::No => "no",
        }
    }
}

/// What a part does about a threat.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Resists {
    pub threat: Threat,
    pub answer: Answer,
    /// Why, or under what condition.
    pub because: String,
}

impl Part {
    /// Reads a part file.
    ///
    /// # Errors
    ///
    /// [`Trouble`] naming the file, the key and what to do.
    pub fn read(path: &Path) -> Result<Self, Trouble> {
        Self::read_as(path, &path.display().to_string())
    }

    /// A part file, or a part that comes with the program, as people name them.
    ///
    /// # Errors
    ///
    /// As [`Part::read`].
    pub fn named(given: &Path) -> Result<Self, Trouble> {
        let name = given.to_str().unwrap_or_default();
        if !given.exists() && EXAMPLES.iter().any(|(known, _)| known.eq_ignore_ascii_case(name)) {
            return Self::example(name);
        }
        Self::read(given)
    }

    /// Reads a part file that goes by another name than where it lies, for errors.
    ///
    /// # Errors
    ///
    /// As [`Part::read`].
    pub fn read_as(path: &Path, name: &str) -> Result<Self, Trouble> {
        let size = fs::metadata(path).map_err(|e| Trouble::file(path, e))?.len();
        if size > LARGEST {
            return Err(Trouble::usage(
                format!("{name} has {size} bytes, but a part file has at most {LARGEST}"),
                "Give a part file; docs/part-file.md explains it.",
            ));
        }
        let text = fs::read(path).map_err(|e| Trouble::file(path, e))?;
        let text = String::from_utf8(text).map_err(|_| {
            Trouble::usage(format!("{name} is not UTF-8 text"), "Give a part file; docs/part-file.md explains it.")
        })?;
        Self::parse(name, &text)
    }

    /// Reads a part file's text; `name` is for errors.
    ///
    /// # Errors
    ///
    /// [`Trouble`] naming the key and what to do.
    pub fn parse(name: &str, text: &str) -> Result<Self, Trouble> {
        let part: Self = toml::from_str(text).map_err(|e| {
            let line = e.span().map_or(0, |span| text[..span.start.min(text.len())].matches('\n').count() + 1);
            Trouble::usage(
                format!("{name}, line {line}: {}", e.message()),
                "Fix the file; docs/part-file.md explains every key.",
            )
        })?;
        match part.fault() {
            Some(why) => {
                Err(Trouble::usage(format!("{name}: {why}"), "Fix the file; docs/part-file.md explains every key."))
            }
            None => Ok(part),
        }
    }

    /// A part that comes with the program, by its name.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where there is none of that name.
    pub fn example(name: &str) -> Result<Self, Trouble> {
        let (known, text) = EXAMPLES.iter().find(|(known, _)| known.eq_ignore_ascii_case(name)).ok_or_else(|| {
            let names: Vec<&str> = EXAMPLES.iter().map(|(n, _)| *n).collect();
            Trouble::usage(
                format!("the program has no built-in part {name}"),
                format!("Give a part file, or one of {}.", names.join(", ")),
            )
        })?;
        Self::parse(known, text)
    }

    /// Why its figures can't be, if so.
    fn fault(&self) -> Option<String> {
        let name = &self.part.name;
        let within = |key: &str, value: u64, low: u64, high: u64| {
            (!(low..=high).contains(&value)).then(|| format!("{key} is {value}, but must be {low} to {high}"))
        };
        let clocks = self.bus.clocks_hz.iter().find_map(|hz| within("bus.clocks_hz", (*hz).into(), 1_000, 200_000_000));
        let internal = self.bus.kind == BusKind::Internal;
        if name.is_empty() || name.len() > 100 || name.chars().any(char::is_control) {
            Some("part.name needs 1 to 100 printable characters".into())
        } else if !internal && self.bus.clocks_hz.is_empty() {
            Some("bus.clocks_hz names no clock".into())
        } else if self.bus.clocks_hz.len() > 16 {
            Some("bus.clocks_hz names more than 16 clocks".into())
        } else if internal && self.bus.protected.is_some() {
            Some("bus.protected needs a bus, but bus.kind is internal".into())
        } else if self.room.object_octets > self.room.octets {
            Some("room.object_octets is more than room.bytes: one object can't be larger than the whole room".into())
        } else {
            clocks
                .or_else(|| within("room.octets", self.room.octets, 1, 1 << 30))
                .or_else(|| within("room.object_octets", self.room.object_octets, 1, 1 << 30))
                .or_else(|| within("room.page_octets", self.room.page_octets.into(), 1, 1 << 20))
                .or_else(|| within("room.overhead_octets", self.room.overhead_octets.into(), 0, 4096))
                .or_else(|| within("bus.most_octets", self.bus.most_octets.into(), 8, 1 << 20))
                .or_else(|| within("bus.frame_octets", self.bus.frame_octets.into(), 0, 1024))
                .or_else(|| within("keys.slots", self.keys.slots.into(), 0, 10_000))
        }
    }

    /// Clocks it can run at, fastest first; one of 0 where it has no bus.
    pub fn clocks(&self) -> Vec<u32> {
        if self.bus.kind == BusKind::Internal {
            return vec![0];
        }
        let mut clocks = self.bus.clocks_hz.clone();
        clocks.sort_unstable_by(|a, b| b.cmp(a));
        clocks.dedup();
        clocks
    }

    /// Octets of memory that an object takes: whole pages, with what the part adds.
    pub fn taken(&self, octets: u64) -> u64 {
        (octets + u64::from(self.room.overhead_octets)).next_multiple_of(u64::from(self.room.page_octets.max(1)))
    }

    /// What its maker says of a threat.
    pub fn answer(&self, threat: Threat) -> Option<&Resists> {
        self.resists.iter().find(|r| r.threat == threat)
    }
}

#[cfg(test)]
mod tests {
    use base::advice::Advise;

    use super::*;

    #[test]
    fn the_parts_that_come_with_the_program_are_sound() {
        for (name, _) in EXAMPLES {
            let part = Part::example(name).unwrap_or_else(|e| panic!("{name}: {e}"));
            assert_eq!(part.part.name, *name);
            for threat in Threat::ALL {
                assert!(part.answer(threat).is_some(), "{name} says nothing of {}", threat.word());
            }
        }
        assert!(Part::example("QL-X9").is_err());
    }

    /// What a part file must not say, and the word by which its error is found.
    #[test]
    fn faulty_part_files_are_refused_with_the_key() {
        let good = EXAMPLES[0].1;
        for (from, to, word) in [
            ("page_octets = 64", "page_octets = 0", "room.page_octets"),
            ("page_octets = 64", "page_octets = 64\npages = 3", "pages"),
            ("clocks_hz = [100_000, 400_000]", "clocks_hz = []", "clocks_hz"),
            ("clocks_hz = [100_000, 400_000]", "clocks_hz = [7]", "clocks_hz"),
            ("object_octets = 4_096", "object_octets = 400_960", "object_octets"),
            ("kind = \"i2c\"", "kind = \"three-wire\"", "three-wire"),
            ("sign_us = 60_000", "sign_us = -1", "line"),
            ("name = \"QL-S1\"", "name = \"\"", "part.name"),
            ("slots = 4", "", "slots"),
        ] {
            let text = good.replacen(from, to, 1);
            assert_ne!(text, good, "{from} is not in the file");
            let refused = Part::parse("x.toml", &text).expect_err(word);
            assert!(refused.to_string().contains(word), "{word}: {refused}");
            assert_eq!(refused.kind(), base::Kind::Usage);
        }
    }
}
