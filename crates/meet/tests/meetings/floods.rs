//! What a stand-in does under a flood, and who guesses.

use std::net::SocketAddr;
use std::time::{Duration, Instant};

use fastrand::Rng;
use meet::home::meet;
use meet::judge::Outcome;
use meet::unit::{MOST_FAILURES, StandIn};
use standard::onboarding::Passcode;
use standard::pase::messages::ParamRequest;
use standard::session::{Header, Intervals, Message, opcode, protocol};

use crate::looped::{Looped, Mischief};
use crate::scene::{FAST, judged, passcode, unit};

fn question(rng: &mut Rng) -> Vec<u8> {
    let payload = ParamRequest {
        random: [rng.u8(..); 32],
        session: rng.u16(1..),
        passcode_id: 0,
        has_parameters: false,
        intervals: None,
    };
    let payload = payload.encode();
    let message = Message {
        initiator: true,
        reliable: true,
        acknowledges: None,
        opcode: opcode::PBKDF_REQUEST,
        exchange: rng.u16(..),
        protocol: protocol::SECURE_CHANNEL,
        payload: &payload,
    };
    let header = Header { session: 0, counter: rng.u32(1..), source: Some(rng.u64(1..)), destination: None };
    [header.encode(), message.encode()].concat()
}

/// Ten thousand homes ask at once: one session is half open, and what waits to be sent again is bounded. Once it is let
/// go, a home is let in.
#[test]
fn half_open_sessions_are_bounded() {
    let mut rng = Rng::with_seed(5);
    let mut unit = unit(None);
    let mut most = 0;
    let now = Instant::now();
    for number in 0..10_000_u32 {
        let from = SocketAddr::from(([10, 0, (number >> 8) as u8, number as u8], 5000));
        unit.receive(from, &question(&mut rng), now);
        most = most.max(unit.outgoing().len());
    }
    assert!(most <= 1, "{most} datagrams for one");
    unit.tick(now + Duration::from_secs(30));
    assert!(unit.outgoing().len() <= 8);
    for seconds in 60..70 {
        unit.tick(now + Duration::from_secs(seconds));
    }
    let mut network = Looped::new(unit, Mischief::default(), 1);
    let met = meet(&mut network, &passcode(), Duration::from_secs(2), FAST, &|_| {});
    assert_eq!(judged(&met).1, Outcome::Accepted, "{:?}", met.findings);
}

/// Twenty wrong passcodes close the window; the right one then opens nothing.
#[test]
fn twenty_wrong_tries_close_the_window() {
    let mut network = Looped::new(unit(None), Mischief::default(), 1);
    for number in 0..MOST_FAILURES {
        assert!(network.unit.is_open(), "{number}");
        let guess = Passcode::new(1000 + number).expect("a passcode");
        let met = meet(&mut network, &guess, Duration::from_secs(2), FAST, &|_| {});
        assert_eq!(met.findings.iter().map(|f| f.rule.name).collect::<Vec<_>>(), ["meet.passcode"]);
    }
    assert!(!network.unit.is_open());
    let met = meet(&mut network, &passcode(), Duration::from_secs(2), FAST, &|_| {});
    assert_eq!(met.findings.iter().map(|f| f.rule.name).collect::<Vec<_>>(), ["meet.window-closed"]);
    assert_eq!(judged(&met).1, Outcome::Unreachable);
}

/// Any octets, from anywhere: nothing grows, nothing breaks.
#[test]
fn garbage_does_nothing() {
    let mut rng = Rng::with_seed(9);
    let mut unit: StandIn = unit(None);
    let now = Instant::now();
    for number in 0..20_000_u32 {
        let length = rng.usize(0..1500);
        let mut octets: Vec<u8> = std::iter::repeat_with(|| rng.u8(..)).take(length).collect();
        if number % 2 == 0 {
            octets.splice(0..0, [4, 0, 0, 0]);
        }
        unit.receive(SocketAddr::from(([10, 0, 0, number as u8], 5000)), &octets, now);
        assert!(unit.outgoing().len() <= 1);
    }
    assert!(unit.complaints().len() <= 64);
    assert!(unit.is_open());
    let mut network = Looped::new(unit, Mischief::default(), 1);
    let met = meet(&mut network, &passcode(), Duration::from_secs(2), Intervals::default(), &|_| {});
    assert_eq!(judged(&met).1, Outcome::Accepted, "{:?}", met.findings);
}
