//! The home's end of a conversation: counters, exchanges, sending again.
//!
//! A reply of the unsecured part that breaks a rule is believed only once the
//! unit has repeated it, octet for octet: nothing protects those datagrams, and
//! one that was bent on its way would condemn a sound unit. The unit repeats it
//! by itself, because it was not acknowledged.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use aws_lc_rs::digest::{SHA256, digest};
use standard::pase::SessionKeys;
use standard::session::{Datagram, Header, Intervals, Message, SENDINGS, Seen, StatusReport, Window, opcode, protocol};
use standard::verdict::Finding;
use standard::verdict::catalogue::meet as rules;
use zeroize::Zeroizing;

use crate::random;
use crate::transport::{Lost, Transport};

/// How long a reply that breaks a rule is awaited once more.
const REPEAT: Duration = Duration::from_secs(2);
/// Counters of the secure session whose datagrams are remembered.
const REMEMBERED: usize = 64;

/// Why a question has no answer.
#[derive(Debug)]
pub enum Failed {
    /// Nothing came in time.
    Silent {
        /// Whether the unit acknowledged the question.
        acknowledged: bool,
    },
    /// What came breaks a rule.
    Refused(Box<Finding>),
    /// Nothing is carried any more.
    Lost(Lost),
}

impl From<Lost> for Failed {
    fn from(lost: Lost) -> Self {
        Self::Lost(lost)
    }
}

impl Failed {
    /// As a finding; `doing` names the step.
    pub fn finding(self, doing: &str) -> Finding {
        match self {
            Self::Silent { acknowledged: true } => {
                Finding::new(&rules::NO_ANSWER, format!("an acknowledgement and no answer, at step {doing}"))
            }
            Self::Silent { acknowledged: false } => {
                Finding::new(&rules::NO_ANSWER, format!("no answer at step {doing}"))
            }
            Self::Refused(finding) => *finding,
            Self::Lost(Lost(why)) => {
                Finding::new(&rules::NO_ANSWER, format!("nothing could be carried at step {doing}: {why}"))
            }
        }
    }
}

/// One exchange that the home began.
#[derive(Debug)]
pub struct Turn {
    exchange: u16,
    /// The counter of the unit's last message, where it still wants to be acknowledged.
    due: Option<u32>,
    secure: bool,
}

/// What is asked: protocol, opcode, payload.
pub type Question<'a> = (u32, u8, &'a [u8]);

/// Reads a reply, or says which rule it breaks.
pub type Reader<'a, T> = &'a mut dyn FnMut(&Message<'_>) -> Result<T, Finding>;

/// A secure session.
struct Secure {
    keys: SessionKeys,
    /// The session IDs that either side chose for what it receives.
    own: u16,
    peer: u16,
    counter: u32,
    window: Window,
    /// Counter and digest of the newest datagrams.
    remembered: VecDeque<(u32, [u8; 32])>,
}

/// A datagram that is for us and holds.
struct Received {
    counter: u32,
    secure: bool,
    seen: Seen,
    digest: [u8; 32],
    body: Zeroizing<Vec<u8>>,
}

/// A home in conversation with one unit.
pub struct Talk<'t> {
    transport: &'t mut dyn Transport,
    /// How long an answer may take.
    patience: Duration,
    intervals: Intervals,
    heard: Option<Instant>,
    node: u64,
    counter: u32,
    window: Window,
    secure: Option<Secure>,
    next_exchange: u16,
    /// How often a message was sent again.
    pub retransmissions: u32,
    /// A counter that stood over two messages.
    pub counter_again: Option<u32>,
}

impl<'t> Talk<'t> {
    pub fn new(transport: &'t mut dyn Transport, patience: Duration, intervals: Intervals) -> Self {
        Self {
            transport,
            patience,
            intervals,
            heard: None,
            node: u64::from_le_bytes(random::octets()).max(1),
            counter: random::first_counter(),
            window: Window::default(),
            secure: None,
            next_exchange: u16::from_le_bytes(random::octets()),
            retransmissions: 0,
            counter_again: None,
        }
    }

    /// How often the unit listens, once it said so.
    pub fn listens(&mut self, intervals: Intervals) {
        self.intervals = intervals;
    }

    /// From now on exchanges are sealed.
    pub fn secure(&mut self, keys: SessionKeys, own: u16, peer: u16) {
        let (counter, window) = (random::first_counter(), Window::default());
        self.secure = Some(Secure { keys, own, peer, counter, window, remembered: VecDeque::new() });
    }

    /// How long an answer may take.
    pub fn patience(&self) -> Duration {
        self.patience
    }

    pub fn is_secure(&self) -> bool {
        self.secure.is_some()
    }

    /// Begins an exchange.
    pub fn begin(&mut self) -> Turn {
        let exchange = self.next_exchange;
        self.next_exchange = exchange.wrapping_add(1);
        Turn { exchange, due: None, secure: self.secure.is_some() }
    }

    /// Sends a question until it is acknowledged, and waits for its answer.
    ///
    /// The answer is not acknowledged yet: that rides on the next question, or goes alone by [`Talk::acknowledge`].
    ///
    /// # Errors
    ///
    /// [`Failed`].
    pub fn ask<T>(&mut self, turn: &mut Turn, question: Question<'_>, read: Reader<'_, T>) -> Result<T, Failed> {
        self.converse(turn, question, self.patience, None, read)
    }

    /// Sends what needs no answer until it is acknowledged, for `most` at the longest. That nobody acknowledged it is no
    /// failure.
    ///
    /// # Errors
    ///
    /// [`Lost`].
    pub fn tell(&mut self, turn: &mut Turn, question: Question<'_>, most: Duration) -> Result<(), Lost> {
        let mut none = |_: &Message<'_>| Ok(());
        match self.converse(turn, question, most.min(self.patience), Some(()), &mut none) {
            Err(Failed::Lost(lost)) => Err(lost),
            _ => Ok(()),
        }
    }

    /// Sends once, and wants no acknowledgement.
    ///
    /// # Errors
    ///
    /// [`Lost`].
    pub fn say(&mut self, turn: &mut Turn, question: Question<'_>) -> Result<(), Lost> {
        let (_, datagram) = self.write(turn, question, false);
        self.transport.send(&datagram)
    }

    /// Acknowledges the last answer of an exchange alone.
    ///
    /// # Errors
    ///
    /// [`Lost`].
    pub fn acknowledge(&mut self, turn: &mut Turn) -> Result<(), Lost> {
        if turn.due.is_none() {
            return Ok(());
        }
        self.say(turn, (protocol::SECURE_CHANNEL, opcode::STANDALONE_ACK, &[]))
    }

    fn converse<T>(
        &mut self,
        turn: &mut Turn,
        question: Question<'_>,
        patience: Duration,
        mut on_acknowledgement: Option<T>,
        read: Reader<'_, T>,
    ) -> Result<T, Failed> {
        let (counter, datagram) = self.write(turn, question, true);
        let answer_by = Instant::now() + patience;
        let mut acknowledged = false;
        let mut refused: Option<(Finding, [u8; 32], Instant)> = None;
        let (mut sendings, mut again_at) = (0, Instant::now());
        loop {
            let now = Instant::now();
            let over = refused.as_ref().is_some_and(|(_, _, by)| now >= *by) || now >= answer_by;
            if over || (!acknowledged && now >= again_at && sendings == SENDINGS) {
                return Err(match refused {
                    Some((finding, _, _)) => Failed::Refused(Box::new(finding)),
                    None => Failed::Silent { acknowledged },
                });
            }
            if !acknowledged && now >= again_at {
                self.transport.send(&datagram)?;
                self.retransmissions += u32::from(sendings > 0);
                let [spread] = random::octets();
                again_at = now + self.intervals.wait(self.heard.map(|at| at.elapsed()), sendings, spread);
                sendings += 1;
            }
            let mut until = if acknowledged { answer_by } else { answer_by.min(again_at) };
            if let Some((_, _, by)) = &refused {
                until = until.min(*by);
            }
            let Some(received) = self.hear(until)? else { continue };
            let Ok(message) = Message::read(&received.body) else { continue };
            let of_turn = !message.initiator && message.exchange == turn.exchange && received.secure == turn.secure;
            if of_turn && message.acknowledges == Some(counter) {
                acknowledged = true;
            }
            if message.is(protocol::SECURE_CHANNEL, opcode::STANDALONE_ACK) || !of_turn {
                // Anybody can write in the clear: what belongs to no exchange of ours must not move the window.
                if of_turn || received.secure {
                    self.take(&received);
                }
                if message.reliable && received.secure {
                    self.acknowledge_message(&message, &received)?;
                }
            } else {
                let answer = read(&message);
                let repeated = refused.as_ref().is_some_and(|(_, digest, _)| *digest == received.digest);
                if answer.is_ok() || turn.secure || repeated {
                    self.take(&received);
                    turn.due = message.reliable.then_some(received.counter);
                    return answer.map_err(|finding| Failed::Refused(Box::new(finding)));
                }
                if let Err(finding) = answer {
                    refused = Some((finding, received.digest, Instant::now() + REPEAT));
                }
            }
            if acknowledged && let Some(done) = on_acknowledgement.take() {
                return Ok(done);
            }
        }
    }

    /// One datagram, and its counter.
    fn write(&mut self, turn: &mut Turn, (protocol, opcode, payload): Question<'_>, reliable: bool) -> (u32, Vec<u8>) {
        let acknowledges = turn.due.take();
        let message =
            Message { initiator: true, reliable, acknowledges, opcode, exchange: turn.exchange, protocol, payload };
        self.seal(&message, turn.secure)
    }

    fn seal(&mut self, message: &Message<'_>, secure: bool) -> (u32, Vec<u8>) {
        match &mut self.secure {
            Some(session) if secure => {
                session.counter = session.counter.wrapping_add(1);
                let header =
                    Header { session: session.peer, counter: session.counter, source: None, destination: None };
                (session.counter, session.keys.to_device.seal(&header, 0, &message.encode()))
            }
            _ => {
                self.counter = self.counter.wrapping_add(1);
                let header = Header { session: 0, counter: self.counter, source: Some(self.node), destination: None };
                (self.counter, [header.encode(), message.encode()].concat())
            }
        }
    }

    /// Acknowledges a message outside of its exchange: a repetition, or one that nobody asked for.
    fn acknowledge_message(&mut self, message: &Message<'_>, received: &Received) -> Result<(), Lost> {
        let reply = Message {
            initiator: !message.initiator,
            reliable: false,
            acknowledges: Some(received.counter),
            opcode: opcode::STANDALONE_ACK,
            exchange: message.exchange,
            protocol: protocol::SECURE_CHANNEL,
            payload: &[],
        };
        let (_, datagram) = self.seal(&reply, received.secure);
        self.transport.send(&datagram)
    }

    /// The next datagram that is for us, holds and was not seen. One that was seen is acknowledged again here.
    fn hear(&mut self, until: Instant) -> Result<Option<Received>, Lost> {
        loop {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Ok(None);
            }
            let Some(octets) = self.transport.receive(left)? else { continue };
            let Some(received) = self.open(&octets) else { continue };
            let Ok(message) = Message::read(&received.body) else { continue };
            self.heard = Some(Instant::now());
            match received.seen {
                Seen::New => return Ok(Some(received)),
                Seen::Duplicate if self.is_other(&received) => {
                    self.counter_again = Some(received.counter);
                    return Ok(Some(received));
                }
                Seen::Duplicate if message.reliable => self.acknowledge_message(&message, &received)?,
                // The peer may have restarted, as long as nothing is sealed.
                Seen::Behind if !received.secure => return Ok(Some(received)),
                Seen::Duplicate | Seen::Behind => {}
            }
        }
    }

    /// Whether another datagram had this one's counter.
    fn is_other(&self, received: &Received) -> bool {
        let known = self.secure.as_ref().filter(|_| received.secure).map(|secure| &secure.remembered);
        known.is_some_and(|known| known.iter().any(|(c, d)| *c == received.counter && *d != received.digest))
    }

    fn open(&self, octets: &[u8]) -> Option<Received> {
        let datagram = Datagram::read(octets).ok()?;
        let header = datagram.header;
        let mut hash = [0; 32];
        hash.copy_from_slice(digest(&SHA256, octets).as_ref());
        if header.session == 0 {
            let for_us = header.destination.is_none_or(|node| node == self.node);
            let (counter, seen) = (header.counter, self.window.look(header.counter));
            let body = Zeroizing::new(datagram.body.to_vec());
            return for_us.then_some(Received { counter, secure: false, seen, digest: hash, body });
        }
        let secure = self.secure.as_ref().filter(|secure| secure.own == header.session)?;
        let body = secure.keys.to_home.unseal(&datagram, 0).ok()?;
        let (counter, seen) = (header.counter, secure.window.look(header.counter));
        Some(Received { counter, secure: true, seen, digest: hash, body })
    }

    /// Notes a datagram as seen.
    fn take(&mut self, received: &Received) {
        match &mut self.secure {
            Some(secure) if received.secure => {
                secure.window.take(received.counter);
                if secure.remembered.len() == REMEMBERED {
                    secure.remembered.pop_front();
                }
                secure.remembered.push_back((received.counter, received.digest));
            }
            _ if received.seen == Seen::Behind => self.window.restart(received.counter),
            _ => _ = self.window.take(received.counter),
        }
    }
}

/// A status report where another message was wanted, as a finding.
pub fn status_of(message: &Message<'_>) -> Option<Result<StatusReport, Finding>> {
    message
        .is(protocol::SECURE_CHANNEL, opcode::STATUS_REPORT)
        .then(|| StatusReport::read(message.payload).map_err(|fault| Finding::new(&rules::REPLY, fault.to_string())))
}

/// A message of another kind than the one that answers.
pub fn unexpected(message: &Message<'_>, wanted: &str) -> Finding {
    let (protocol, opcode) = (message.protocol, message.opcode);
    Finding::new(&rules::REPLY, format!("opcode {opcode:02X} of protocol {protocol:04X} instead of {wanted}"))
}
