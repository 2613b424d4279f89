//! One attempt at one chip: write, read back, prove, judge, lock.
//!
//! Knows the chip and what is to be written, not the record book: the caller
//! has committed the intention before it comes here, and commits what comes
//! back. Whatever happens in between, the chip holds the old octets, the new
//! or torn ones, and the next attempt finds out which by reading.

use std::sync::Arc;
use std::time::{Duration, Instant};

use aws_lc_rs::digest::{SHA256, digest};
use book::{NewProof, Next, ReadBack, Step};
use chip::{Chip, ChipError, ChipId, ObjectName, State};
use serde_json::json;
use site::revoked;
use site::revoked::Known;
use site::trust::{Set, SetVerdict};
use standard::certificate::Certificate;
use standard::declaration::Declaration;
use standard::exchange::{CHALLENGE, Elements, NONCE, Proof, to_be_signed};
use standard::factory_record::FactoryRecord;
use standard::key::PublicKey;
use standard::verdict::{
    Context, Device, Finding, Report, Severity, SignerKey, judge_declaration, judge_exchange, judge_pairing,
};
use time::OffsetDateTime;

use crate::unit::ProofReport;

/// What goes into a chip, in the order in which it is written.
pub struct Load {
    pub objects: Vec<(ObjectName, Vec<u8>)>,
    pub dac: Vec<u8>,
    pub pai: Vec<u8>,
    pub declaration: Declaration,
    pub lock: bool,
    /// What its chip may hold before.
    pub identity: Identity,
}

/// What a chip may hold before a station writes into it.
pub enum Identity {
    /// Nothing: the unit is new.
    Fresh,
    /// The identity of a unit that the book knows no more, which is adopted; with its factory record as it lies in
    /// the chip, where that is kept.
    Adopted { record: Option<Vec<u8>> },
    /// Anything from nothing to all: the unit has been on a station before. With the verifiers that it had before its
    /// code was replaced, of which its chip may hold one still.
    Resumed { earlier: Vec<Vec<u8>> },
}

/// What a proof is judged against.
pub struct Judge {
    pub anchors: Vec<Arc<Certificate>>,
    pub signer: Option<SignerKey>,
    pub device: Device,
    /// What this site knows to be revoked.
    pub revoked: Known,
    /// Trust sets that must take the unit too.
    pub sets: Vec<Set>,
}

/// Why an attempt failed: a name to count by, the detail, the operator's next move.
#[derive(Debug, Clone)]
pub struct Failure {
    pub cause: String,
    pub detail: String,
    pub advice: String,
    pub next: Next,
}

impl Failure {
    fn new(cause: &str, detail: impl Into<String>, advice: impl Into<String>, next: Next) -> Self {
        Self { cause: cause.into(), detail: detail.into(), advice: advice.into(), next }
    }

    /// A chip that gave no good answer.
    pub fn of_chip(error: &ChipError) -> Self {
        let next = match error.next() {
            chip::Next::Again | chip::Next::Reseat => Next::Retry,
            chip::Next::SetAside => Next::Scrap,
            chip::Next::Engineer => Next::Rework,
        };
        Self::new(error.cause(), error.to_string(), error.operator_message(), next)
    }
}

impl From<ChipError> for Failure {
    fn from(error: ChipError) -> Self {
        Self::of_chip(&error)
    }
}

/// What a station tells while it works; pages show it as it happens.
#[derive(Debug, Clone, Copy)]
pub enum Told<'a> {
    /// The intention was committed: this attempt of this unit begins.
    Begun {
        /// The unit's serial number.
        unit: &'a str,
        chip_id: &'a str,
        attempt: i64,
        /// Whether the unit was on a station before.
        resumed: bool,
    },
    /// A step begins.
    Step(&'a str),
    /// A step ended, well or not.
    Ended(&'a Step),
}

/// Takes what a station tells.
pub type Watch<'a> = &'a (dyn Fn(Told<'_>) + Sync);

/// Times the steps of an attempt, with what a simulated chip says that it took.
pub struct Clock<'a> {
    begun: Instant,
    /// What chips said that they took before they were opened again.
    unseen: Duration,
    pub steps: Vec<Step>,
    watch: Watch<'a>,
}

impl<'a> Clock<'a> {
    pub fn new(watch: Watch<'a>) -> Self {
        Self { begun: Instant::now(), unseen: Duration::ZERO, steps: Vec::new(), watch }
    }

    fn now(&self, chip: &dyn Chip) -> Duration {
        self.begun.elapsed() + self.unseen + chip.unseen_time()
    }

    /// Lets a chip go and opens it again: what it holds then, it holds without power.
    fn again(&mut self, chip: Box<dyn Chip>, open: Open<'_>) -> Result<Box<dyn Chip>, Failure> {
        self.unseen += chip.unseen_time();
        drop(chip);
        Ok(open()?)
    }

    /// Does a step and notes how long it took and how it ended.
    pub fn step<T>(
        &mut self,
        name: &str,
        chip: &mut dyn Chip,
        work: impl FnOnce(&mut dyn Chip) -> Result<T, Failure>,
    ) -> Result<T, Failure> {
        let start = self.now(chip);
        (self.watch)(Told::Step(name));
        let done = work(chip);
        let took = self.now(chip).saturating_sub(start);
        let micros = |d: Duration| i64::try_from(d.as_micros()).unwrap_or(i64::MAX);
        self.steps.push(Step {
            name: name.to_owned(),
            started_us: micros(start),
            duration_us: micros(took),
            result: done.as_ref().map_or_else(|f| f.cause.clone(), |_| "done".into()),
            detail: done.as_ref().err().map(|f| f.detail.clone()),
        });
        if let Some(step) = self.steps.last() {
            (self.watch)(Told::Ended(step));
        }
        done
    }

    /// Milliseconds so far.
    pub fn milliseconds(&self) -> u64 {
        self.steps.last().map_or(0, |s| u64::try_from((s.started_us + s.duration_us) / 1000).unwrap_or(0))
    }
}

/// Opens the chip of the attempt.
pub type Open<'a> = &'a mut dyn FnMut() -> Result<Box<dyn Chip>, ChipError>;

/// Brings one chip to a proven state.
///
/// Steps, in order: identify, write each object that is not there yet, read
/// all back, exchange, judge, lock, check the lock. Before it is read back and
/// before the lock is checked the chip is let go and opened again. Nothing here
/// touches the book.
///
/// # Errors
///
/// [`Failure`] at the first step that fails; the chip is then as that step left it.
pub fn work(
    open: Open<'_>,
    (id, key): (&ChipId, &PublicKey),
    load: &Load,
    judge: &Judge,
    clock: &mut Clock<'_>,
    now: OffsetDateTime,
) -> Result<NewProof, Failure> {
    let mut held = open()?;
    let chip = held.as_mut();
    clock.step("identify", chip, |chip| identify(chip, id, key, load))?;
    let mut objects = load.objects.clone();
    if let Some((_, record)) = objects.iter_mut().find(|(name, _)| *name == ObjectName::FACTORY_RECORD) {
        match &load.identity {
            Identity::Fresh | Identity::Adopted { record: None } => {}
            Identity::Adopted { record: Some(own) } => record.clone_from(own),
            Identity::Resumed { earlier } => keep_record(chip, id, record, earlier)?,
        }
    }
    for (name, octets) in &objects {
        clock.step(&format!("write {}", name.as_str()), chip, |chip| write(chip, name, octets, &load.dac))?;
    }
    held = clock.again(held, open)?;
    let all = |chip: &mut dyn Chip| {
        objects.iter().map(|(name, octets)| read_back(chip, name, octets)).collect::<Result<Vec<_>, Failure>>()
    };
    let read = match clock.step("read back", held.as_mut(), all) {
        Ok(read) => read,
        Err(failure) => return Err(not_kept(held, open, (id, &objects), clock, failure)),
    };
    let chip = held.as_mut();
    let (dac, pai) = (read_object(load, ObjectName::DAC, &load.dac), read_object(load, ObjectName::PAI, &load.pai));
    let exchange = clock.step("prove", chip, |chip| prove_twice(chip, &load.declaration))?;
    let report = clock.step("judge", chip, |_| verdict(&dac, &pai, load, &exchange, judge))?;
    if load.lock && clock.step("lock", chip, |chip| lock(chip, id))? {
        held = clock.again(held, open)?;
        clock.step(CHECK_THE_LOCK, held.as_mut(), |chip| is_locked(chip, id))?;
    }
    Ok(NewProof {
        nonce: exchange.nonce,
        challenge: exchange.challenge.to_vec(),
        elements: exchange.elements,
        signature: exchange.signature.to_vec(),
        dac,
        pai,
        declaration: Some(load.declaration.der().to_vec()),
        objects: read,
        report: json!(report),
        at: now,
    })
}

/// What was read back equals what was loaded, so it stands for both.
fn read_object(load: &Load, name: ObjectName, fallback: &[u8]) -> Vec<u8> {
    load.objects.iter().find(|(n, _)| *n == name).map_or_else(|| fallback.to_vec(), |(_, o)| o.clone())
}

/// Locks the chip that was proven and no other: a lock can't be undone, and another
/// chip may have been put in its place. Returns whether the chip can be locked.
fn lock(chip: &mut dyn Chip, id: &ChipId) -> Result<bool, Failure> {
    if !chip.abilities()?.can_lock {
        return Ok(false);
    }
    still_there(chip, id)?;
    chip.lock()?;
    // One put in between the two calls shows now.
    still_there(chip, id)?;
    Ok(true)
}

/// The step of that question.
pub(crate) const CHECK_THE_LOCK: &str = "check the lock";

/// Asks a chip that was opened again whether it is locked.
pub(crate) fn is_locked(chip: &mut dyn Chip, id: &ChipId) -> Result<(), Failure> {
    if chip.state()? == State::Locked {
        return Ok(());
    }
    // Another chip in the socket is no fault of the one that was locked.
    still_there(chip, id)?;
    Err(Failure::new(
        "lock-ignored",
        format!("chip {id} confirmed that it is locked, and is not"),
        "Its contents can still be changed, so the unit must not be shipped. Put it aside and call the engineer.",
        Next::Rework,
    ))
}

/// What became of objects that were read back otherwise than they were written: once more written, read while the chip is
/// open and after it was opened again, those that are gone only then were never kept.
fn not_kept(
    mut chip: Box<dyn Chip>,
    open: Open<'_>,
    (id, objects): (&ChipId, &[(ObjectName, Vec<u8>)]),
    clock: &mut Clock<'_>,
    failure: Failure,
) -> Failure {
    // Nothing is written into a chip that was put in its place.
    if failure.cause != DIFFERS || still_there(chip.as_mut(), id).is_err() {
        return failure;
    }
    let Some((name, octets)) = objects.iter().find(|(name, octets)| !holds(chip.as_mut(), name, octets)) else {
        return failure;
    };
    if chip.write(name, octets).is_err() || !holds(chip.as_mut(), name, octets) {
        return failure;
    }
    let Ok(mut chip) = clock.again(chip, open) else { return failure };
    if holds(chip.as_mut(), name, octets) {
        return failure;
    }
    Failure::new(
        "not-kept",
        format!("{} was written, and is gone once the chip is opened again", name.as_str()),
        "The chip or its driver keeps nothing without power. Put the unit aside and call the engineer.",
        Next::Rework,
    )
}

fn holds(chip: &mut dyn Chip, name: &ObjectName, octets: &[u8]) -> bool {
    matches!(chip.read(name), Ok(Some(held)) if held == octets)
}

fn still_there(chip: &mut dyn Chip, id: &ChipId) -> Result<(), Failure> {
    let found = chip.identity()?.id;
    if found == *id { Ok(()) } else { Err(ChipError::Swapped { expected: id.clone(), found: Some(found) }.into()) }
}

fn identify(chip: &mut dyn Chip, id: &ChipId, key: &PublicKey, load: &Load) -> Result<(), Failure> {
    let found = chip.public_key()?;
    if found != *key {
        // Another chip in the socket has another key, which is no fault of the one that was opened.
        still_there(chip, id)?;
        return Err(Failure::new(
            "key-differs",
            format!(
                "the chip's key is {}, but the manifest says {}",
                hex::encode(found.key_id()),
                hex::encode(key.key_id())
            ),
            "This chip's key is not the one in the reel's manifest: it may be a copy. Tell the engineer.",
            Next::Scrap,
        ));
    }
    if matches!(load.identity, Identity::Fresh)
        && chip.state()? != State::Blank
        && let Ok(Some(held)) = chip.read(&ObjectName::DAC)
    {
        if held == load.dac {
            return Err(book_older(format!(
                "chip {id} already holds its certificate, but this unit is new in the book"
            )));
        }
        return Err(Failure::new(
            "used-chip",
            "the chip already has another certificate, though this site never used it",
            "This chip has been used before. Put it aside and call the engineer.",
            Next::Rework,
        ));
    }
    Ok(())
}

/// The cause of a chip that stops a station because the book is older than it.
pub const BOOK_OLDER: &str = "book-older";

/// The cause of such a chip whose passcode is in no book any more.
pub(crate) const CODE_LOST: &str = "code-lost";

/// The chip holds an identity that the book does not know: nothing is written, scrapped or spent.
fn book_older(what: String) -> Failure {
    Failure::new(
        BOOK_OLDER,
        format!("{what}: your book is older than this chip"),
        "Nothing was written. Put the unit aside and call the engineer.",
        Next::Rework,
    )
}

/// A factory record that an earlier attempt wrote stays: its rotating id was drawn then, its day is that of then,
/// and a locked chip takes no other. One of another unit is never written over; one with a code that was replaced is.
fn keep_record(chip: &mut dyn Chip, id: &ChipId, wanted: &mut Vec<u8>, earlier: &[Vec<u8>]) -> Result<(), Failure> {
    let Ok(Some(held)) = chip.read(&ObjectName::FACTORY_RECORD) else { return Ok(()) };
    if let (Ok(held_record), Ok(mut new)) = (FactoryRecord::read(&held), FactoryRecord::read(wanted)) {
        let same = new.serial_number == held_record.serial_number && new.verifier == held_record.verifier;
        // What an attempt before this wrote, and the chip gives back damaged, says nothing about the book.
        if !same && held_record.is_damaged_copy_of(&new) {
            return Ok(());
        }
        let replaced = earlier.iter().any(|verifier| held_record.verifier.octets()[..] == verifier[..]);
        if !same && replaced && new.serial_number == held_record.serial_number {
            return Ok(());
        }
        if !same {
            return Err(book_older(format!(
                "the factory record on chip {id} is of unit {} with other onboarding data than the book has for unit {}",
                held_record.serial_number, new.serial_number
            )));
        }
        new.rotating_id = held_record.rotating_id.clone();
        new.manufactured = held_record.manufactured;
        if new == held_record {
            *wanted = held;
        }
    }
    Ok(())
}

fn write(chip: &mut dyn Chip, name: &ObjectName, octets: &[u8], dac: &[u8]) -> Result<(), Failure> {
    // What is there already, from an attempt that was cut short, is left: a locked chip takes no write.
    if holds(chip, name, octets) {
        return Ok(());
    }
    let failed = match chip.write(name, octets) {
        Ok(()) => return Ok(()),
        Err(error) => error,
    };
    let mut failure = Failure::of_chip(&failed);
    // A locked chip that has its unit's certificate is that unit: only a person gives it up.
    if matches!(failed, ChipError::Locked { .. }) && holds(chip, &ObjectName::DAC, dac) {
        failure.next = Next::Rework;
        failure.advice = format!(
            "The chip is locked with its certificate, and its {} is not the one in the book. Put the unit aside and \
             call the engineer.",
            name.as_str()
        );
    }
    Err(failure)
}

/// The cause of an object that was not read as it was written.
const DIFFERS: &str = "read-back-differs";

fn read_back(chip: &mut dyn Chip, name: &ObjectName, octets: &[u8]) -> Result<ReadBack, Failure> {
    let held = chip.read(name)?.unwrap_or_default();
    if held != octets {
        let differ = held.iter().zip(octets).position(|(a, b)| a != b).unwrap_or(held.len().min(octets.len()));
        return Err(Failure::new(
            DIFFERS,
            format!(
                "{} of {} bytes was read back as {} bytes that differ at byte {differ}",
                name.as_str(),
                octets.len(),
                held.len()
            ),
            "The chip does not contain what was written. Try once more. If it happens again, put it aside.",
            Next::Retry,
        ));
    }
    let mut sha256 = [0; 32];
    sha256.copy_from_slice(digest(&SHA256, &held).as_ref());
    Ok(ReadBack { name: name.as_str().to_owned(), sha256 })
}

/// A chip's answer to a fresh nonce and challenge.
pub struct Exchange {
    pub nonce: [u8; NONCE],
    pub challenge: [u8; CHALLENGE],
    pub elements: Vec<u8>,
    pub signature: [u8; 64],
}

/// Plays the verifier twice: the second challenge is drawn once the first is answered, so that an answer that was
/// recorded shows.
fn prove_twice(chip: &mut dyn Chip, declaration: &Declaration) -> Result<Exchange, Failure> {
    let first = prove(chip, declaration)?;
    let second = prove(chip, declaration)?;
    if first.signature == second.signature {
        return Err(Failure::new(
            "replayed-signature",
            "the chip gave one signature for two challenges",
            "The chip or its driver repeats what it signed before, which proves nothing. Put the unit aside and call the engineer.",
            Next::Rework,
        ));
    }
    Ok(second)
}

/// Plays the verifier: a fresh nonce and challenge, signed by the chip's own key.
pub fn prove(chip: &mut dyn Chip, declaration: &Declaration) -> Result<Exchange, Failure> {
    let mut nonce = [0; NONCE];
    let mut challenge = [0; CHALLENGE];
    for octets in [nonce.as_mut_slice(), challenge.as_mut_slice()] {
        aws_lc_rs::rand::fill(octets).map_err(|_| {
            Failure::new(
                "no-randomness",
                "the operating system provides no random numbers",
                "The station can't work. Stop and call the engineer.",
                Next::Rework,
            )
        })?;
    }
    let elements = Elements::encode(declaration.der(), &nonce, 0, None);
    let signature = chip.sign(&to_be_signed(&elements, &challenge))?;
    Ok(Exchange { nonce, challenge, elements, signature })
}

impl Exchange {
    pub fn as_proof(&self) -> Proof {
        Proof {
            unit: None,
            chip_id: None,
            nonce: Ok(self.nonce.to_vec()),
            challenge: Ok(self.challenge.to_vec()),
            elements: Ok(self.elements.clone()),
            signature: Ok(self.signature.to_vec()),
            at: None,
        }
    }
}

/// What a trust set would say of what the chip gave.
pub fn judge_by(
    set: &Set,
    (dac, pai): (&Certificate, Option<&Certificate>),
    declaration: &Declaration,
    exchange: &Exchange,
    judge: &Judge,
) -> SetVerdict {
    let signer = set.signers.iter().find(|s| Some(s.key_id.as_slice()) == declaration.signer_key_id());
    let theirs = Judge {
        anchors: set.authorities.clone(),
        // One that is not the declaration's still says that only the set's count.
        signer: signer.or_else(|| set.signers.first()).cloned(),
        device: judge.device,
        revoked: judge.revoked.clone(),
        sets: Vec::new(),
    };
    let (mut findings, anchored) = judge_all(dac, pai.cloned(), declaration, exchange, &theirs);
    findings.extend(set.insist(Some(dac), Some(declaration)));
    SetVerdict::on(set, "unit", &findings, anchored)
}

/// Everything a verifier would look at, on what the chip gave.
pub fn judge_all(
    dac: &Certificate,
    pai: Option<Certificate>,
    declaration: &Declaration,
    exchange: &Exchange,
    judge: &Judge,
) -> (Vec<Finding>, bool) {
    let pool = revoked::pool(&judge.anchors, pai.map(Arc::new));
    let revoked = judge.revoked.against(&pool);
    let context = Context { trust_given: true, device: judge.device, revoked, ..Context::default() };
    let judged = pool.judge_dac(dac, &context);
    let mut report = Report::new();
    judged.findings.into_iter().for_each(|f| report.add(f));
    for index in &judged.chain {
        pool.judge_authority(*index, &context).findings.into_iter().for_each(|f| report.add(f));
    }
    let signers: Vec<SignerKey> = judge.signer.iter().cloned().collect();
    judge_declaration(declaration, &signers, &mut report);
    let paa = judged.chain.last().map(|top| &*pool.authorities()[*top].certificate);
    if let Ok(content) = &declaration.fields {
        judge_pairing(content, &judge.device, Some(dac), paa, &mut report);
    }
    judge_exchange(&exchange.as_proof(), Some(dac), &[declaration], &mut report);
    judge.revoked.elsewhere(&pool).into_iter().for_each(|f| report.add(f));
    (report.into_findings(), judged.anchored)
}

fn verdict(dac: &[u8], pai: &[u8], load: &Load, exchange: &Exchange, judge: &Judge) -> Result<ProofReport, Failure> {
    let unreadable = |what: &str| {
        Failure::new("unreadable", format!("the {what} can't be read"), "Stop and call the engineer.", Next::Rework)
    };
    let dac = Certificate::read(dac).map_err(|_| unreadable("DAC"))?;
    let pai = Certificate::read(pai).map_err(|_| unreadable("PAI"))?;
    let (findings, anchored) = judge_all(&dac, Some(pai.clone()), &load.declaration, exchange, judge);
    let errors: Vec<&Finding> = findings.iter().filter(|f| f.severity == Severity::Error).collect();
    if errors.is_empty() && anchored {
        for set in &judge.sets {
            let said = judge_by(set, (&dac, Some(&pai)), &load.declaration, exchange, judge);
            if !said.accepts() {
                return Err(Failure::new(
                    "trust-set",
                    format!("trust set {} would refuse it: {}", set.name, said.rules().join(", ")),
                    "An ecosystem that must accept this product would refuse what this line writes. Stop and call the engineer.",
                    Next::Rework,
                ));
            }
        }
        return Ok(ProofReport::accepted(&findings));
    }
    let rules: Vec<&str> = errors.iter().map(|f| f.rule.name).collect();
    if rules == ["exchange.signature"] {
        return Err(Failure::new(
            "wrong-signature",
            "the chip's signature does not belong to its key",
            "The chip can't prove its key. Try once more. If it happens again, put it aside.",
            Next::Retry,
        ));
    }
    Err(Failure::new(
        "rejected",
        format!(
            "a verifier would refuse it: {}",
            if rules.is_empty() { "no trusted PAA".into() } else { rules.join(", ") }
        ),
        "Verifiers would refuse what this line writes. Stop and call the engineer.",
        Next::Rework,
    ))
}
