//! A network in memory between a home and a stand-in, which does to datagrams what its seed says.

use std::net::SocketAddr;
use std::time::{Duration, Instant};

use fastrand::Rng;
use meet::transport::{Lost, Transport};
use meet::unit::StandIn;

/// How likely each mischief is, in thousandths, of each datagram.
#[derive(Debug, Clone, Copy, Default)]
pub struct Mischief {
    pub lost: u32,
    pub doubled: u32,
    pub late: u32,
    pub bent: u32,
    pub cut: u32,
    pub stretched: u32,
    pub garbage: u32,
}

impl Mischief {
    pub const ALL: Self = Self { lost: 120, doubled: 120, late: 150, bent: 60, cut: 20, stretched: 20, garbage: 60 };
}

pub struct Looped {
    pub unit: StandIn,
    mischief: Mischief,
    rng: Rng,
    home: SocketAddr,
    /// When, whether to the unit, what.
    flying: Vec<(Instant, bool, Vec<u8>)>,
    /// Whether a datagram of the unsecured part was bent, which nothing protects.
    pub bent_in_the_clear: bool,
    /// Datagrams from the home.
    pub sent: usize,
}

impl Looped {
    pub fn new(unit: StandIn, mischief: Mischief, seed: u64) -> Self {
        let home = SocketAddr::from(([127, 0, 0, 1], 50_000));
        let rng = Rng::with_seed(seed);
        Self { unit, mischief, rng, home, flying: Vec::new(), bent_in_the_clear: false, sent: 0 }
    }

    fn fly(&mut self, to_unit: bool, datagram: &[u8]) {
        let mischief = self.mischief;
        if self.happens(mischief.garbage) {
            let length = self.rng.usize(0..1400);
            let mut garbage: Vec<u8> = std::iter::repeat_with(|| self.rng.u8(..)).take(length).collect();
            // Half of it looks like a message in the clear.
            if self.rng.bool() {
                garbage.splice(0..0, [0, 0, 0, 0]);
            }
            self.put(to_unit, garbage);
        }
        if self.happens(mischief.lost) {
            return;
        }
        let mut bent = datagram.to_vec();
        let in_the_clear = datagram.get(1..3) == Some(&[0, 0]);
        if self.happens(mischief.bent) && !bent.is_empty() {
            for _ in 0..self.rng.usize(1..4) {
                let at = self.rng.usize(0..bent.len());
                bent[at] ^= 1 << self.rng.u8(0..8);
            }
        }
        if self.happens(mischief.cut) {
            bent.truncate(self.rng.usize(0..bent.len().max(1)));
        }
        if self.happens(mischief.stretched) {
            let more = self.rng.usize(1..2000);
            bent.extend(std::iter::repeat_n(0xA5, more));
        }
        self.bent_in_the_clear |= in_the_clear && bent != datagram;
        if self.happens(mischief.doubled) {
            self.put(to_unit, bent.clone());
        }
        self.put(to_unit, bent);
    }

    fn happens(&mut self, thousandths: u32) -> bool {
        self.rng.u32(0..1000) < thousandths
    }

    fn put(&mut self, to_unit: bool, datagram: Vec<u8>) {
        let late = if self.happens(self.mischief.late) { self.rng.u64(1..250) } else { 0 };
        self.flying.push((Instant::now() + Duration::from_millis(late), to_unit, datagram));
    }

    fn deliver(&mut self) -> Option<Vec<u8>> {
        loop {
            self.unit.tick(Instant::now());
            for (_, datagram) in self.unit.outgoing() {
                self.fly(false, &datagram);
            }
            let now = Instant::now();
            let at = self.flying.iter().position(|(when, _, _)| *when <= now)?;
            let (_, to_unit, datagram) = self.flying.remove(at);
            if !to_unit {
                return Some(datagram);
            }
            self.unit.receive(self.home, &datagram, now);
        }
    }

    /// Lets all that is under way arrive.
    pub fn settle(&mut self) {
        let until = Instant::now() + Duration::from_millis(300);
        while Instant::now() < until && !(self.flying.is_empty() && self.deliver().is_none()) {
            std::thread::sleep(Duration::from_millis(1));
        }
    }
}

impl Transport for Looped {
    fn send(&mut self, datagram: &[u8]) -> Result<(), Lost> {
        self.sent += 1;
        self.fly(true, datagram);
        Ok(())
    }

    fn receive(&mut self, wait: Duration) -> Result<Option<Vec<u8>>, Lost> {
        let until = Instant::now() + wait;
        loop {
            if let Some(datagram) = self.deliver() {
                return Ok(Some(datagram));
            }
            let now = Instant::now();
            if now >= until {
                return Ok(None);
            }
            let next = self.flying.iter().map(|(when, _, _)| *when).chain(self.unit.due()).min();
            let sleep = next.map_or(until, |next| next.min(until)).saturating_duration_since(now);
            std::thread::sleep(sleep.max(Duration::from_micros(200)));
        }
    }

    fn at(&self) -> String {
        "memory".into()
    }
}
