//! The stand-in as an engine: datagrams and times in, datagrams out.

use std::collections::VecDeque;
use std::net::SocketAddr;
use std::time::{Duration, Instant};

use standard::interaction::read::{Answer, AttributePath};
use standard::pase::messages::{self, ParamRequest, ParamResponse, Parameters};
use standard::pase::{SessionKeys, Verifier, context};
use standard::passcode_verifier::PasscodeVerifier;
use standard::session::{
    Datagram, Header, Intervals, Message, SENDINGS, Seen, StatusReport, Window, general, opcode, protocol,
    secure_channel,
};

use super::{Fault, MOST_FAILURES, Played};
use crate::random;

/// How long a session may stay half open, and how long the unit is armed by itself (Core Spec 5.5, 11.10.7.2; from memory).
const HALF_OPEN: Duration = Duration::from_secs(60);
/// What a busy unit asks a home to wait.
const BUSY_MS: u16 = 5000;
/// Homes whose counters are remembered while nothing is sealed.
const MOST_PEERS: usize = 16;
/// Messages that wait for their acknowledgement.
const MOST_WAITING: usize = 8;
/// Datagrams of a session that are remembered by their digests.
const MOST_REMEMBERED: usize = 64;
/// Complaints that are kept until they are taken.
const MOST_COMPLAINTS: usize = 64;

const CHANNEL: u32 = protocol::SECURE_CHANNEL;

/// What a home did that is not by the standard.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Complaint {
    pub from: SocketAddr,
    pub clause: &'static str,
    pub required: &'static str,
    pub found: String,
}

/// A session that is being opened.
struct Opening {
    peer: SocketAddr,
    node: u64,
    exchange: u16,
    /// Counter of the question that began it.
    asked: u32,
    begun: Instant,
    own: u16,
    theirs: u16,
    context: [u8; 32],
    /// Once the home's share was answered.
    verifier: Option<Verifier>,
}

/// A session that is open.
pub(super) struct Session {
    peer: SocketAddr,
    own: u16,
    theirs: u16,
    pub(super) keys: SessionKeys,
    counter: u32,
    window: Window,
    remembered: VecDeque<(u32, Vec<u8>)>,
    /// Until when it holds where nothing comes.
    until: Instant,
    pub(super) is_armed: bool,
    /// Whether the home armed it, as it should before it asks more.
    pub(super) was_armed: bool,
    /// Parts of a report that are still to be sent, with their exchange.
    pub(super) parts: Option<(u16, VecDeque<Part>)>,
}

/// One part of a report.
type Part = Vec<(AttributePath, Answer)>;

/// A message that waits for its acknowledgement.
struct Waiting {
    peer: SocketAddr,
    counter: u32,
    secure: bool,
    datagram: Vec<u8>,
    sent: u32,
    due: Instant,
}

/// What a reply belongs to.
#[derive(Clone, Copy)]
pub(super) struct Asked {
    pub(super) from: SocketAddr,
    pub(super) node: u64,
    pub(super) exchange: u16,
    pub(super) counter: u32,
    pub(super) reliable: bool,
    pub(super) secure: bool,
}

/// A unit that is played.
pub struct StandIn {
    pub(super) played: Played,
    pub(super) fault: Option<Fault>,
    /// Into how many parts a report is cut.
    pub(super) report_parts: usize,
    /// How often homes listen.
    intervals: Intervals,
    counter: u32,
    peers: VecDeque<(SocketAddr, u64, Window)>,
    opening: Option<Opening>,
    pub(super) session: Option<Session>,
    failures: u32,
    outgoing: Vec<(SocketAddr, Vec<u8>)>,
    waiting: Vec<Waiting>,
    complaints: Vec<Complaint>,
    /// A unit that died answers nothing.
    pub(super) is_dead: bool,
}

impl StandIn {
    pub fn new(played: Played, fault: Option<Fault>) -> Self {
        let mut played = played;
        if fault == Some(Fault::Passcode) {
            let mut octets = played.verifier.octets();
            octets[31] ^= 1;
            if let Ok(other) = PasscodeVerifier::from_octets(&*octets) {
                played.verifier = other;
            }
        }
        Self {
            played,
            fault,
            report_parts: 1,
            intervals: Intervals::default(),
            counter: random::first_counter(),
            peers: VecDeque::new(),
            opening: None,
            session: None,
            failures: 0,
            outgoing: Vec::new(),
            waiting: Vec::new(),
            complaints: Vec::new(),
            is_dead: fault == Some(Fault::NoAnswer),
        }
    }

    /// The same with reports in so many parts, as a unit with small buffers sends them.
    #[must_use]
    pub fn with_report_parts(mut self, parts: usize) -> Self {
        self.report_parts = parts.max(1);
        self
    }

    /// The same where homes listen as often as that.
    #[must_use]
    pub fn with_intervals(mut self, intervals: Intervals) -> Self {
        self.intervals = intervals;
        self
    }

    /// Datagrams to be sent, each to whom.
    pub fn outgoing(&mut self) -> Vec<(SocketAddr, Vec<u8>)> {
        std::mem::take(&mut self.outgoing)
    }

    /// What homes did that is not by the standard, since it was last asked.
    pub fn complaints(&mut self) -> Vec<Complaint> {
        std::mem::take(&mut self.complaints)
    }

    /// Whether a home still lets it in: fewer than 20 wrong tries, and no fault that closes it.
    pub fn is_open(&self) -> bool {
        let closed = matches!(self.fault, Some(Fault::WindowClosed | Fault::WindowClosedSilent));
        self.failures < MOST_FAILURES && !closed
    }

    /// Whether its fail-safe is armed.
    pub fn is_armed(&self) -> bool {
        self.session.as_ref().is_some_and(|session| session.is_armed)
    }

    /// When [`StandIn::tick`] has something to do.
    pub fn due(&self) -> Option<Instant> {
        let session = self.session.as_ref().map(|session| session.until);
        let opening = self.opening.as_ref().map(|opening| opening.begun + HALF_OPEN);
        self.waiting.iter().map(|waiting| waiting.due).chain(session).chain(opening).min()
    }

    /// Sends again what was not acknowledged, and lets go what ran out.
    pub fn tick(&mut self, now: Instant) {
        if self.opening.as_ref().is_some_and(|opening| now >= opening.begun + HALF_OPEN) {
            self.opening = None;
        }
        if self.session.as_ref().is_some_and(|session| now >= session.until) {
            self.session = None;
        }
        let mut given_up = Vec::new();
        let (dead, intervals) = (self.is_dead, self.intervals);
        for waiting in self.waiting.iter_mut().filter(|waiting| waiting.due <= now) {
            if waiting.sent >= SENDINGS || dead {
                given_up.push((waiting.peer, waiting.counter));
                continue;
            }
            self.outgoing.push((waiting.peer, waiting.datagram.clone()));
            let [spread] = random::octets();
            waiting.due = now + intervals.wait(None, waiting.sent, spread);
            waiting.sent += 1;
        }
        self.waiting.retain(|waiting| !given_up.contains(&(waiting.peer, waiting.counter)));
        if let (Some((peer, counter)), false) = (given_up.first(), dead) {
            let found = format!("no acknowledgement of counter {counter} after {SENDINGS} sendings");
            self.complain(
                *peer,
                "Core Spec 4.12.2",
                "Each message that wants it is acknowledged within 200 ms.",
                found,
            );
        }
    }

    /// Takes one datagram.
    pub fn receive(&mut self, from: SocketAddr, octets: &[u8], now: Instant) {
        if self.is_dead {
            return;
        }
        self.tick(now);
        let datagram = match Datagram::read(octets) {
            Ok(datagram) => datagram,
            Err(fault) => {
                return self.complain(
                    from,
                    "Core Spec 4.4.1",
                    "A message of version 0 to one node.",
                    fault.to_string(),
                );
            }
        };
        if datagram.header.session == 0 {
            self.receive_open(from, &datagram, now);
        } else {
            self.receive_sealed(from, &datagram, octets, now);
        }
    }

    pub(super) fn complain(&mut self, from: SocketAddr, clause: &'static str, required: &'static str, found: String) {
        if self.complaints.len() < MOST_COMPLAINTS {
            self.complaints.push(Complaint { from, clause, required, found });
        }
    }

    fn receive_open(&mut self, from: SocketAddr, datagram: &Datagram<'_>, now: Instant) {
        let Some(node) = datagram.header.source else {
            let required = "Whoever begins an unsecured session sends its ephemeral node ID.";
            return self.complain(from, "Core Spec 4.13.2.1", required, "no source node ID".into());
        };
        let counter = datagram.header.counter;
        let message = match Message::read(datagram.body) {
            Ok(message) => message,
            Err(fault) => return self.complain(from, "Core Spec 4.4.3", "A whole message.", fault.to_string()),
        };
        let asked =
            Asked { from, node, exchange: message.exchange, counter, reliable: message.reliable, secure: false };
        match self.window(from, node).take(counter) {
            Seen::Duplicate => return self.acknowledge(asked),
            Seen::Behind => self.window(from, node).restart(counter),
            Seen::New => {}
        }
        if let Some(acknowledged) = message.acknowledges {
            self.waiting.retain(|w| w.secure || w.peer != from || w.counter != acknowledged);
        }
        if !message.initiator || message.protocol != CHANNEL {
            return self.acknowledge(asked);
        }
        if message.opcode != opcode::STANDALONE_ACK && !message.reliable {
            let required = "Every message over UDP wants to be acknowledged.";
            self.complain(from, "Core Spec 4.12", required, format!("opcode {:02X} without R", message.opcode));
        }
        match message.opcode {
            opcode::PBKDF_REQUEST => self.parameters(asked, message.payload, now),
            opcode::PAKE_1 => self.share(asked, message.payload),
            opcode::PAKE_3 => self.prove(asked, message.payload, now),
            opcode::STATUS_REPORT => {
                // The home stops; a try that saw the confirmation has been counted.
                self.opening.take_if(|o| (o.peer, o.exchange) == (from, asked.exchange));
                self.acknowledge(asked);
            }
            _ => self.acknowledge(asked),
        }
    }

    fn window(&mut self, from: SocketAddr, node: u64) -> &mut Window {
        let at = self.peers.iter().position(|(address, id, _)| (*address, *id) == (from, node));
        let at = at.unwrap_or_else(|| {
            if self.peers.len() == MOST_PEERS {
                self.peers.pop_front();
            }
            self.peers.push_back((from, node, Window::default()));
            self.peers.len() - 1
        });
        &mut self.peers[at].2
    }

    fn parameters(&mut self, asked: Asked, payload: &[u8], now: Instant) {
        if self.fault == Some(Fault::WindowClosedSilent) {
            return self.acknowledge(asked);
        }
        if !self.is_open() {
            return self.report(asked, general::FAILURE, secure_channel::INVALID_PARAMETER, &[]);
        }
        // A question no newer than the one in work was overtaken on its way, or doubled.
        let is_older = |o: &Opening| (o.peer, o.node) == (asked.from, asked.node) && asked.counter <= o.asked;
        if self.opening.as_ref().is_some_and(is_older) {
            return self.acknowledge(asked);
        }
        let other = self.opening.as_ref().is_some_and(|o| (o.peer, o.node) != (asked.from, asked.node));
        if self.fault == Some(Fault::Busy) || self.session.is_some() || other {
            return self.report(asked, general::BUSY, secure_channel::BUSY, &BUSY_MS.to_le_bytes());
        }
        let request = match ParamRequest::read(payload) {
            Ok(request) => request,
            Err(fault) => return self.refuse(asked, format!("PBKDFParamRequest: {fault}")),
        };
        if request.session == 0 || request.passcode_id != 0 {
            let found = format!("session ID {}, passcode ID {}", request.session, request.passcode_id);
            return self.refuse(asked, format!("PBKDFParamRequest: {found}"));
        }
        let mut initiator_random = request.random;
        if self.fault == Some(Fault::ReplyRandom) {
            initiator_random[0] ^= 1;
        }
        let mut salt = self.played.salt.octets().to_vec();
        if self.fault == Some(Fault::VerifierSalt) {
            salt.truncate(15);
        }
        let iterations = if self.fault == Some(Fault::VerifierParameters) { 999 } else { self.played.iterations.get() };
        let own = random::session_id();
        let response = ParamResponse {
            initiator_random,
            random: random::octets(),
            session: own,
            parameters: (!request.has_parameters).then_some(Parameters { iterations, salt }),
            intervals: None,
        };
        let response = response.encode();
        self.opening = Some(Opening {
            peer: asked.from,
            node: asked.node,
            exchange: asked.exchange,
            asked: asked.counter,
            begun: now,
            own,
            theirs: request.session,
            context: context(payload, &response),
            verifier: None,
        });
        self.reply(asked, CHANNEL, opcode::PBKDF_RESPONSE, &response);
        self.is_dead |= self.fault == Some(Fault::DiesOpening);
    }

    /// The opening that a message belongs to.
    fn opening(&mut self, asked: Asked) -> Option<&mut Opening> {
        self.opening.as_mut().filter(|o| (o.peer, o.node, o.exchange) == (asked.from, asked.node, asked.exchange))
    }

    fn share(&mut self, asked: Asked, payload: &[u8]) {
        let Some(context) = self.opening(asked).filter(|o| o.verifier.is_none()).map(|o| o.context) else {
            return self.refuse(asked, "Pake1 without the question before it".into());
        };
        let verifier = messages::read_pake1(payload).map_err(|e| format!("Pake1: {e}")).and_then(|share| {
            Verifier::new(&self.played.verifier, &random::octets(), context, &share).map_err(|e| format!("Pake1: {e}"))
        });
        let verifier = match verifier {
            Ok(verifier) => verifier,
            Err(found) => return self.refuse(asked, found),
        };
        // Whoever sees the confirmation has tested a passcode: a try counts from here, until it proves right.
        self.failures += 1;
        let mut share = verifier.share().to_vec();
        match self.fault {
            Some(Fault::Point) => share[64] ^= 1,
            Some(Fault::PointSize) => share.truncate(33),
            _ => {}
        }
        let answer = messages::pake2(&share, verifier.confirmation());
        if let Some(opening) = self.opening(asked) {
            opening.verifier = Some(verifier);
        }
        self.reply(asked, CHANNEL, opcode::PAKE_2, &answer);
    }

    fn prove(&mut self, asked: Asked, payload: &[u8], now: Instant) {
        let verifier = self.opening(asked).and_then(|opening| opening.verifier.take());
        let Some(verifier) = verifier else {
            return self.refuse(asked, "Pake3 without Pake1 before it".into());
        };
        let confirmed = messages::read_pake3(payload).map_err(|e| e.to_string());
        let keys = confirmed.and_then(|ca| verifier.finish(&ca).map_err(|e| e.to_string()));
        let (keys, opening) = match (keys, self.opening.take()) {
            (Ok(keys), Some(opening)) => (keys, opening),
            (Err(found), _) => return self.refuse(asked, format!("Pake3: {found}")),
            (_, None) => return,
        };
        self.failures = self.failures.saturating_sub(1);
        self.session = Some(Session {
            peer: asked.from,
            own: opening.own,
            theirs: opening.theirs,
            keys,
            counter: random::first_counter(),
            window: Window::default(),
            remembered: VecDeque::new(),
            until: now + HALF_OPEN,
            is_armed: true,
            was_armed: false,
            parts: None,
        });
        self.report(asked, general::SUCCESS, secure_channel::SESSION_ESTABLISHED, &[]);
    }

    /// Refuses what a home sent while opening, and says so here and there.
    fn refuse(&mut self, asked: Asked, found: String) {
        self.opening.take_if(|o| (o.peer, o.exchange) == (asked.from, asked.exchange));
        self.complain(asked.from, "Core Spec 4.14.1", "The messages of PASE, in their order and form.", found);
        self.report(asked, general::FAILURE, secure_channel::INVALID_PARAMETER, &[]);
    }

    fn report(&mut self, asked: Asked, general: u16, code: u16, data: &[u8]) {
        let report = StatusReport { data: data.to_vec(), ..StatusReport::secure_channel(general, code) };
        self.reply(asked, CHANNEL, opcode::STATUS_REPORT, &report.encode());
    }

    fn receive_sealed(&mut self, from: SocketAddr, datagram: &Datagram<'_>, octets: &[u8], now: Instant) {
        let Some(session) = self.session.as_mut().filter(|s| s.own == datagram.header.session) else { return };
        let Ok(body) = session.keys.to_device.unseal(datagram, 0) else { return };
        let counter = datagram.header.counter;
        let Ok(message) = Message::read(&body) else { return };
        let asked =
            Asked { from, node: 0, exchange: message.exchange, counter, reliable: message.reliable, secure: true };
        match session.window.take(counter) {
            Seen::New => {}
            Seen::Behind => return,
            Seen::Duplicate => {
                let known = session.remembered.iter().find(|(seen, _)| *seen == counter);
                if known.is_some_and(|(_, datagram)| datagram != octets) {
                    let required = "No counter stands over two messages of a session.";
                    self.complain(from, "Core Spec 4.6", required, format!("counter {counter} over two messages"));
                }
                return self.acknowledge(asked);
            }
        }
        if session.remembered.len() == MOST_REMEMBERED {
            session.remembered.pop_front();
        }
        session.remembered.push_back((counter, octets.to_vec()));
        // The home may have another address by now: what it sealed is its own.
        session.peer = from;
        if let Some(acknowledged) = message.acknowledges {
            self.waiting.retain(|w| !w.secure || w.counter != acknowledged);
        }
        let closes = message.is(CHANNEL, opcode::STATUS_REPORT);
        if message.is(CHANNEL, opcode::STANDALONE_ACK) {
            return;
        }
        if !message.reliable && !closes {
            let required = "Every message over UDP wants to be acknowledged.";
            self.complain(from, "Core Spec 4.12", required, format!("opcode {:02X} without R", message.opcode));
        }
        if closes {
            return self.close(asked, message.payload);
        }
        if let Some(session) = &mut self.session {
            session.until = now + HALF_OPEN;
        }
        self.interact(asked, &message);
    }

    fn close(&mut self, asked: Asked, payload: &[u8]) {
        let report = StatusReport::read(payload);
        let is_close = report.is_ok_and(|r| r.is(general::SUCCESS, secure_channel::CLOSE_SESSION));
        if !is_close {
            let required = "A status report on an open session says that it is closed.";
            self.complain(asked.from, "Core Spec 4.10.1", required, "another status report".into());
        } else if self.is_armed() && self.fault != Some(Fault::LeftArmed) {
            let required = "Whoever leaves without joining disarms the fail-safe first.";
            self.complain(asked.from, "Core Spec 11.10.7.2", required, "a close while it is armed".into());
        }
        self.acknowledge(asked);
        if is_close {
            self.session = None;
            self.waiting.retain(|waiting| !waiting.secure);
        }
    }

    /// Acknowledges alone, where it is wanted.
    pub(super) fn acknowledge(&mut self, asked: Asked) {
        if asked.reliable {
            self.send(asked, CHANNEL, opcode::STANDALONE_ACK, &[], false);
        }
    }

    /// Answers on the same exchange, until it is acknowledged.
    pub(super) fn reply(&mut self, asked: Asked, protocol: u32, opcode: u8, payload: &[u8]) {
        self.send(asked, protocol, opcode, payload, true);
    }

    fn send(&mut self, asked: Asked, protocol: u32, opcode: u8, payload: &[u8], reliable: bool) {
        let message = Message {
            initiator: false,
            reliable,
            acknowledges: asked.reliable.then_some(asked.counter),
            opcode,
            exchange: asked.exchange,
            protocol,
            payload,
        };
        let (counter, datagram) = match &mut self.session {
            Some(session) if asked.secure => {
                if self.fault != Some(Fault::Counter) {
                    session.counter = session.counter.wrapping_add(1);
                }
                let header =
                    Header { session: session.theirs, counter: session.counter, source: None, destination: None };
                (session.counter, session.keys.to_home.seal(&header, 0, &message.encode()))
            }
            _ => {
                self.counter = self.counter.wrapping_add(1);
                let header = Header { session: 0, counter: self.counter, source: None, destination: Some(asked.node) };
                (self.counter, [header.encode(), message.encode()].concat())
            }
        };
        if reliable {
            if self.waiting.len() == MOST_WAITING {
                self.waiting.remove(0);
            }
            let [spread] = random::octets();
            let due = Instant::now() + self.intervals.wait(None, 0, spread);
            let datagram = datagram.clone();
            self.waiting.push(Waiting { peer: asked.from, counter, secure: asked.secure, datagram, sent: 1, due });
        }
        self.outgoing.push((asked.from, datagram));
    }
}
