//! Where each millisecond of a unit goes: octets over a bus, pages, signing.
//!
//! On I2C an octet takes nine clocks, the acknowledge with it (the I2C-bus
//! specification, 3.1.5); on SPI eight. An object longer than one exchange takes several, each
//! with its frame, its gap and, on a protected bus, its cryptography. The steps
//! are those of a station ([`line::provision`]), in its order.

use std::time::Duration;

use serde::Serialize;

use super::{LockModel, Part, Signs};

/// Octets of an uncompressed P-256 point (RFC 5480, 2.2).
const PUBLIC_KEY: u64 = 65;
/// Octets of a raw P-256 signature.
const SIGNATURE: u64 = 64;
/// Octets of a SHA-256 digest.
const DIGEST: u64 = 32;
/// Microseconds of the station's own work on one unit: parsing, four signature
/// checks, digests. Measured on one core of a small server, rounded up.
const JUDGE_US: f64 = 1_500.0;

/// A part at one bus clock.
#[derive(Debug, Clone, Copy)]
pub struct Clocked<'p> {
    pub part: &'p Part,
    /// Its bus clock, hertz; 0 for a part without a bus.
    pub hertz: u32,
    /// Whether the protected bus is used, where there is one.
    pub protected: bool,
}

/// What one step takes, in milliseconds.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Step {
    /// Its name, as stations write it.
    pub name: String,
    /// Exchanges on the bus.
    pub exchanges: u64,
    /// Octets over the bus, frames and protection counted.
    pub bus_octets: u64,
    /// Those octets at the bus clock.
    pub bus_ms: f64,
    /// Gaps between command and answer.
    pub gap_ms: f64,
    /// Cryptography of the protected bus.
    pub protection_ms: f64,
    pub pages: u64,
    pub write_ms: f64,
    /// Fetching from the part's memory.
    pub fetch_ms: f64,
    /// Signing inside the part.
    pub sign_ms: f64,
    /// Locking, and the station's own work.
    pub other_ms: f64,
    pub total_ms: f64,
}

impl Step {
    fn new(name: &str) -> Self {
        Self {
            name: name.to_owned(),
            exchanges: 0,
            bus_octets: 0,
            bus_ms: 0.0,
            gap_ms: 0.0,
            protection_ms: 0.0,
            pages: 0,
            write_ms: 0.0,
            fetch_ms: 0.0,
            sign_ms: 0.0,
            other_ms: 0.0,
            total_ms: 0.0,
        }
    }

    fn add(&mut self, other: &Self) {
        self.exchanges += other.exchanges;
        self.bus_octets += other.bus_octets;
        self.pages += other.pages;
        for (to, from) in [
            (&mut self.bus_ms, other.bus_ms),
            (&mut self.gap_ms, other.gap_ms),
            (&mut self.protection_ms, other.protection_ms),
            (&mut self.write_ms, other.write_ms),
            (&mut self.fetch_ms, other.fetch_ms),
            (&mut self.sign_ms, other.sign_ms),
            (&mut self.other_ms, other.other_ms),
            (&mut self.total_ms, other.total_ms),
        ] {
            *to += from;
        }
    }

    fn settled(mut self) -> Self {
        self.total_ms = self.bus_ms
            + self.gap_ms
            + self.protection_ms
            + self.write_ms
            + self.fetch_ms
            + self.sign_ms
            + self.other_ms;
        self
    }

    /// The whole as a duration.
    pub fn duration(&self) -> Duration {
        Duration::from_secs_f64(self.total_ms.max(0.0) / 1000.0)
    }
}

fn ms(us: u32) -> f64 {
    f64::from(us) / 1000.0
}

/// What a station writes, and the message that the chip then signs.
#[derive(Debug, Clone)]
pub struct Work<'a> {
    /// Objects by name, with their octets.
    pub objects: &'a [(String, u64)],
    /// Octets of what is signed: the elements and the challenge.
    pub message: u64,
    /// Whether the chip is locked afterwards.
    pub lock: bool,
}

impl Clocked<'_> {
    /// Carries that many octets of payload, in as many exchanges as it takes.
    fn carry(&self, step: &mut Step, octets: u64) {
        let bus = &self.part.bus;
        let exchanges = octets.div_ceil(u64::from(bus.most_octets.max(1))).max(1);
        let mut each = u64::from(bus.frame_octets);
        if let Some(protected) = bus.protected.as_ref().filter(|_| self.protected) {
            each += u64::from(protected.octets);
            step.protection_ms += exchanges as f64 * ms(protected.us);
        }
        let all = octets + exchanges * each;
        step.exchanges += exchanges;
        step.bus_octets += all;
        step.bus_ms += self.octets_ms(all);
        step.gap_ms += exchanges as f64 * ms(bus.gap_us);
    }

    fn octets_ms(&self, octets: u64) -> f64 {
        if self.hertz == 0 {
            return 0.0;
        }
        (octets * self.part.bus.kind.bits_per_octet()) as f64 * 1000.0 / f64::from(self.hertz)
    }

    /// Reading an object or a fact.
    pub fn read(&self, octets: u64) -> Step {
        let mut step = Step::new("read");
        self.carry(&mut step, octets);
        step.fetch_ms = ms(self.part.time.read_us);
        step.settled()
    }

    /// Writing an object.
    pub fn write(&self, octets: u64) -> Step {
        let mut step = Step::new("write");
        self.carry(&mut step, octets);
        step.pages = self.part.taken(octets) / u64::from(self.part.room.page_octets.max(1));
        step.pages = step.pages.max(1);
        step.write_ms = step.pages as f64 * ms(self.part.time.page_write_us);
        step.settled()
    }

    /// Signing a message of so many octets.
    pub fn sign(&self, message: u64) -> Step {
        let mut step = Step::new("sign");
        let over = if self.part.bus.signs == Signs::Digest { DIGEST } else { message };
        self.carry(&mut step, over + SIGNATURE);
        step.sign_ms = ms(self.part.time.sign_us);
        step.settled()
    }

    /// Beginning a session on the protected bus.
    fn begin(&self) -> Option<Step> {
        let protected = self.part.bus.protected.as_ref().filter(|_| self.protected)?;
        let mut step = Step::new("begin protected bus");
        let octets = u64::from(protected.begin_octets) + u64::from(self.part.bus.frame_octets);
        step.exchanges = 1;
        step.bus_octets = octets;
        step.bus_ms = self.octets_ms(octets);
        step.gap_ms = ms(self.part.bus.gap_us);
        step.protection_ms = ms(protected.begin_us);
        Some(step.settled())
    }

    /// The steps of one unit on a station, in order.
    pub fn unit(&self, work: &Work<'_>) -> Vec<Step> {
        let named = |name: String, parts: &[Step]| {
            let mut step = Step::new(&name);
            parts.iter().for_each(|part| step.add(part));
            step
        };
        let mut steps: Vec<Step> = self.begin().into_iter().collect();
        // The key, and whether the chip was touched before.
        steps.push(named("identify".into(), &[self.read(PUBLIC_KEY), self.read(1)]));
        for (name, octets) in work.objects {
            // Before it is written an object is looked for: what an attempt cut short wrote already is left.
            steps.push(named(format!("write {name}"), &[self.read(0), self.write(*octets)]));
        }
        let reads: Vec<Step> = work.objects.iter().map(|(_, octets)| self.read(*octets)).collect();
        steps.push(named("read back".into(), &reads));
        // Two challenges, one after the other.
        steps.push(named("prove".into(), &[self.sign(work.message), self.sign(work.message)]));
        let mut judge = Step::new("judge");
        judge.other_ms = JUDGE_US / 1000.0;
        steps.push(judge.settled());
        if work.lock && self.part.lock.model != LockModel::None {
            let mut lock = Step::new("lock");
            // Whether it can be locked is asked first.
            lock.add(&self.read(8));
            lock.add(&self.read(0));
            lock.other_ms = ms(self.part.lock.us);
            steps.push(lock.settled());
            steps.push(named("check the lock".into(), &[self.read(1)]));
        }
        steps
    }

    /// What the chip does while a device is commissioned: it gives DAC, PAI and
    /// declaration, signs the attestation and the request for an operational
    /// certificate with the attestation key (Core Spec 11.18.4.7 to 11.18.4.10), and
    /// makes the operational key where it can.
    pub fn commissioning(&self, chain: &[u64], message: u64) -> Vec<Step> {
        let named = |mut step: Step, name: &str| {
            step.name = name.to_owned();
            step
        };
        let mut steps: Vec<Step> = self.begin().into_iter().collect();
        let mut reads = Step::new("read certificates and declaration");
        chain.iter().for_each(|octets| reads.add(&self.read(*octets)));
        steps.push(reads);
        steps.push(named(self.sign(message), "sign the attestation"));
        if let Some(us) = self.part.time.make_key_us {
            let mut make = Step::new("make the operational key");
            self.carry(&mut make, PUBLIC_KEY);
            make.sign_ms = ms(us);
            steps.push(make.settled());
            // The request is signed by the new key, and what holds it by the attestation key.
            steps.push(named(self.sign(200), "sign the request"));
        }
        steps.push(named(self.sign(300), "sign what holds the request"));
        steps
    }
}

/// Milliseconds of all steps.
pub fn total(steps: &[Step]) -> f64 {
    steps.iter().map(|s| s.total_ms).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn like_the_bench() -> Part {
        let mut part = Part::example("QL-S1").unwrap();
        let timing = chip::simulated::Timing::default();
        part.bus.frame_octets = timing.frame_octets;
        part.bus.most_octets = 1 << 20;
        part.bus.gap_us = 0;
        part.bus.signs = Signs::Message;
        part.room.page_octets = timing.page_octets;
        part.room.overhead_octets = 0;
        part.time.page_write_us = timing.page_write_us;
        part.time.read_us = timing.read_us;
        part.time.sign_us = timing.sign_us;
        part
    }

    /// By hand: 100 octets of 9 clocks at 400 kHz are 2.25 ms; and the simulated part, which has an
    /// account of its own, says the same.
    #[test]
    fn milliseconds_by_hand_and_by_the_simulated_part() {
        let part = like_the_bench();
        let clocked = Clocked { part: &part, hertz: 400_000, protected: false };
        assert!((clocked.write(92).total_ms - (2.25 + 2.0 * 4.0)).abs() < 1e-9);
        assert!((clocked.read(92).total_ms - (2.25 + 0.3)).abs() < 1e-9);
        assert!((clocked.sign(28).total_ms - (2.25 + 60.0)).abs() < 1e-9);
        let timing = chip::simulated::Timing::default();
        for octets in [0, 1, 63, 64, 65, 463, 600, 2_048] {
            let near = |ours: Step, theirs: Duration| {
                assert!((ours.total_ms - theirs.as_secs_f64() * 1000.0).abs() < 1e-3, "{octets}: {ours:?} {theirs:?}");
            };
            near(clocked.read(octets as u64), timing.read(octets));
            near(clocked.write(octets as u64), timing.write(octets));
            near(clocked.sign(octets as u64), timing.sign(octets));
        }
    }

    #[test]
    fn long_objects_take_several_exchanges_and_protection_costs() {
        let mut part = like_the_bench();
        part.bus.most_octets = 128;
        part.bus.gap_us = 100;
        part.bus.protected =
            Some(super::super::Protected { octets: 24, us: 1_000, begin_us: 50_000, begin_octets: 100 });
        let plain = Clocked { part: &part, hertz: 100_000, protected: false };
        let step = plain.read(600);
        assert_eq!((step.exchanges, step.bus_octets), (5, 600 + 5 * 8));
        assert!((step.bus_ms - 640.0 * 9.0 / 100.0).abs() < 1e-9 && (step.gap_ms - 0.5).abs() < 1e-9, "{step:?}");
        let protected = Clocked { protected: true, ..plain };
        let step = protected.read(600);
        assert_eq!((step.exchanges, step.bus_octets), (5, 600 + 5 * 32));
        assert!((step.protection_ms - 5.0).abs() < 1e-9);
        let work = Work { objects: &[("dac".into(), 600)], message: 500, lock: true };
        assert_eq!(protected.unit(&work)[0].name, "begin protected bus");
        assert!(total(&protected.unit(&work)) > total(&plain.unit(&work)) + 50.0);
    }

    #[test]
    fn a_part_without_a_bus_spends_nothing_on_it() {
        let part = Part::example("QL-M4").unwrap();
        let clocked = Clocked { part: &part, hertz: part.clocks()[0], protected: false };
        let work = Work { objects: &[("dac".into(), 600)], message: 500, lock: false };
        assert_eq!(clocked.unit(&work).iter().map(|s| s.bus_ms).sum::<f64>(), 0.0);
    }
}
