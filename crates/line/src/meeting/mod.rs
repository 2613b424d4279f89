//! Meeting finished units: the label's code, the unit behind it, and the word on it.
//!
//! [`meet_one`] and [`meet_rack`] are the acts, over a [`World`] that is loaded
//! once: what is trusted, what is revoked, the site if there is one. How a unit
//! is met is crate `meet`'s; here its code is read, it is looked for, and what it
//! gave is compared with what the book knows of it.

mod against_book;
mod answer;
mod kept;
mod rack;

use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use aws_lc_rs::digest::{SHA256, digest};
use base::finding_view::FindingView;
use base::sentence::sentence;
use base::trouble::Trouble;
use custody::Passphrase;
use meet::discovery::{self, Announced};
use meet::home::{Left, Met, Step};
use meet::judge::{Against, Judged, Outcome, judge};
use meet::transport::{Lost, Through, Transport, Udp, resolve};
use site::revoked::Known;
use site::trust::{self, Set, SetVerdict};
use site::{Site, Who, authority};
use standard::certificate::Certificate;
use standard::moment::Moment;
use standard::onboarding::{Fields, Passcode, read};
use standard::session::Intervals;
use standard::verdict::catalogue::meet as rules;
use standard::verdict::{Finding, Severity, SignerKey};
use zeroize::Zeroizing;

use against_book::Expected;
use answer::verdict;
pub use answer::{
    AnnouncedUnit, Announcements, CertificatesView, DeviceView, ExchangeView, LeftAs, Meeting, MetUnit, Rack, RackUnit,
    Recorded, SessionView, StepView,
};
pub use book::MeetingVerdict;
pub use rack::{Line, lines, meet_rack};

use crate::challenge::{part, signers};
use crate::label::owners;

/// How units are reached.
#[derive(Debug, Clone)]
pub struct Way {
    /// The interface on which they are looked for, and of link-local addresses.
    pub interface: Option<String>,
    /// A program that carries datagrams over something else.
    pub through: Option<String>,
    /// How long a unit is looked for, and how long an answer may take.
    pub timeout: Duration,
}

/// What units are held against, loaded once for all of a rack.
pub struct World<'a> {
    site: Option<&'a Site>,
    passphrase: Option<&'a Passphrase>,
    who: Option<&'a Who>,
    anchors: Vec<Arc<Certificate>>,
    signers: Vec<SignerKey>,
    known: Option<Known>,
    sets: Vec<Set>,
    /// Names of the sets that must take a unit; those of its product where none is named.
    must: Vec<String>,
    now: Moment,
    way: Way,
}

/// Which unit: its code as scanned, or its serial number in the book.
#[derive(Debug, Clone)]
pub enum Named {
    Code(Zeroizing<String>),
    Unit(String),
}

/// A unit about to be met.
struct Wanted {
    code: Fields,
    passcode: Passcode,
    expected: Option<Expected>,
}

impl<'a> World<'a> {
    /// Loads what is trusted.
    ///
    /// - `site`: with what opens its key, and in whose name meetings of its units are recorded.
    /// - `trust`, `signing`: files and directories; once given, only those count. Without a site both are needed.
    /// - `sets`: trust sets of the site that must take a unit; else all are shown.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where a file is of no use, a set does not exist, or nothing would be trusted.
    pub fn load(
        site: Option<(&'a Site, Option<&'a Passphrase>, &'a Who)>,
        (trust, signing): (&[PathBuf], &[PathBuf]),
        sets: &[String],
        way: Way,
        now: Moment,
    ) -> Result<Self, Trouble> {
        if site.is_none() && (trust.is_empty() || signing.is_empty()) {
            return Err(Trouble::usage(
                "without a site nothing says which PAAs and declaration signers are trusted",
                "Give both with --trust and --signer, or work in a site.",
            ));
        }
        if site.is_none() && !sets.is_empty() {
            return Err(Trouble::usage("trust sets are kept in a site, and there is none here", "Give --site."));
        }
        let (passphrase, who) = (site.and_then(|(_, passphrase, _)| passphrase), site.map(|(_, _, who)| who));
        let site = site.map(|(site, _, _)| site);
        let anchors = match site {
            Some(site) if trust.is_empty() => authority::anchors(site)?.into_iter().map(|(c, _)| c).collect(),
            _ => trust::anchors_in(trust)?,
        };
        let signers = match site {
            Some(site) if signing.is_empty() => signers(site)?,
            _ => trust::signers_in(signing)?,
        };
        Ok(Self {
            site,
            passphrase,
            who,
            anchors,
            signers,
            known: site.map(Known::of).transpose()?,
            sets: site.map(|site| trust::sets(site, sets)).transpose()?.unwrap_or_default(),
            must: sets.to_vec(),
            now,
            way,
        })
    }

    /// Reads a code, or takes a unit's from the book, and what the book says of it.
    fn wanted(&self, named: &Named) -> Result<Wanted, Trouble> {
        match (named, self.site) {
            (Named::Unit(serial), None) => Err(Trouble::usage(
                format!("{serial} is a unit of a book, and there is no site here"),
                "Give the unit's code with --code, or work in its site.",
            )),
            (Named::Unit(serial), Some(site)) => {
                let story = crate::unit::story(site, serial)?;
                let payload = crate::unit::payload(site, &story.unit, self.passphrase)?;
                let text = Zeroizing::new(payload.qr_text());
                let (code, passcode) = code(&text)?;
                Ok(Wanted { code, passcode, expected: Some(Expected::of(story)) })
            }
            (Named::Code(text), site) => {
                let (fields, passcode) = code(text)?;
                let expected = match site {
                    Some(site) => {
                        let owner = owners(site, text, self.passphrase, 1)?.pop();
                        owner.map(|unit| crate::unit::story(site, unit.as_str())).transpose()?.map(Expected::of)
                    }
                    None => None,
                };
                Ok(Wanted { code: fields, passcode, expected })
            }
        }
    }
}

/// One sound code: what it says, and its passcode.
fn code(text: &str) -> Result<(Fields, Passcode), Trouble> {
    let wrong = |what: String, advice: &str| Err(Trouble::usage(what, advice.to_owned()).about("code"));
    let text = Zeroizing::new(text.trim().to_ascii_uppercase());
    let mut reading = read(&text);
    if let Some(fault) = reading.findings.iter().find(|f| f.finding.severity == Severity::Error) {
        let found = sentence(&fault.finding.found);
        return wrong(
            format!("This is not an onboarding code. {found}"),
            "Scan the label again, or type its 11 digits.",
        );
    }
    let count = reading.payloads.len();
    let (Some(fields), 1) = (reading.payloads.pop(), count) else {
        return wrong(format!("This code has {count} payloads"), "Scan the code of one unit.");
    };
    match fields.passcode.map(Passcode::new) {
        Some(Ok(passcode)) => Ok((fields, passcode)),
        _ => wrong("This code has no passcode that a unit may have".into(), "Scan the label again."),
    }
}

/// Meets one unit.
///
/// - `at`: where it is; else it is looked for.
/// - `watch`: takes the steps as they end.
///
/// # Errors
///
/// [`Trouble`] where the code or the address can't be used, or nothing can be carried at all. What a unit does or does
/// not do is the answer.
pub fn meet_one(world: &World<'_>, named: &Named, at: Option<&str>, watch: &dyn Fn(&Step)) -> Result<Meeting, Trouble> {
    let wanted = world.wanted(named)?;
    let through = world.way.through.as_deref().map(|program| Through::start(program).map_err(|e| carrier(program, e)));
    let mut through = through.transpose()?;
    let begun = Instant::now();
    let heard = match (at, &mut through) {
        (Some(_), _) => Vec::new(),
        (None, Some(through)) => through.find(world.way.timeout).map_err(|e| carrier("the program", e))?,
        (None, None) => {
            let code = &wanted.code;
            listen(&world.way, &|heard| heard.iter().any(|unit| unit.fits(code)))?
        }
    };
    let looked = at.is_none().then(|| step("find", begun.elapsed()));
    looked.iter().for_each(watch);
    meet_heard(world, wanted, (at, &heard), through, looked, watch)
}

/// A step of ours.
fn step(name: &'static str, took: Duration) -> Step {
    Step { name, milliseconds: u64::try_from(took.as_millis()).unwrap_or(u64::MAX) }
}

fn carrier(program: &str, lost: Lost) -> Trouble {
    Trouble::surroundings(
        format!("{program} can't carry datagrams: {lost}"),
        "Check the program with `touchmark meet check`.",
    )
}

/// Who announces itself on this network.
fn listen(way: &Way, enough: &dyn Fn(&[Announced]) -> bool) -> Result<Vec<Announced>, Trouble> {
    discovery::find(way.interface.as_deref(), way.timeout, enough).map_err(|e| {
        Trouble::surroundings(e.to_string(), "Check the network and --interface, or give the unit's address with --at.")
    })
}

/// Lists who announces itself.
///
/// # Errors
///
/// [`Trouble`] where nothing can be heard.
pub fn announcements(way: &Way) -> Result<Announcements, Trouble> {
    let heard = match &way.through {
        Some(program) => {
            let mut through = Through::start(program).map_err(|e| carrier(program, e))?;
            through.find(way.timeout).map_err(|e| carrier(program, e))?
        }
        None => listen(way, &|_| false)?,
    };
    Ok(Announcements { units: heard.iter().map(AnnouncedUnit::from).collect() })
}

/// Meets a unit at its address, or the one of those heard that the code is of.
fn meet_heard(
    world: &World<'_>,
    wanted: Wanted,
    (at, heard): (Option<&str>, &[Announced]),
    through: Option<Through>,
    looked: Option<Step>,
    watch: &dyn Fn(&Step),
) -> Result<Meeting, Trouble> {
    let fitting: Vec<&Announced> = heard.iter().filter(|unit| unit.fits(&wanted.code)).collect();
    let announced = if at.is_none() { fitting.first().copied() } else { None };
    let not_met = |finding: Finding, announced: Option<&Announced>| {
        let met = nothing(finding, looked.clone());
        word(world, &wanted, met, None, announced)
    };
    if at.is_none() {
        // One that restarted is heard under two names at one address.
        let mut places: Vec<&str> = fitting.iter().map(|unit| unit.at.as_str()).collect();
        places.sort_unstable();
        places.dedup();
        match announced {
            None => return not_met(not_found(&wanted.code, heard, world.way.timeout), None),
            Some(_) if places.len() > 1 => {
                let names: Vec<_> = fitting.iter().map(|unit| format!("{} at {}", unit.instance, unit.at)).collect();
                return not_met(Finding::new(&rules::TWO_ANSWER, names.join(", ")), None);
            }
            Some(unit) if unit.commissioning_mode == 0 => {
                let found = "it announces commissioning mode 0, closed";
                return not_met(Finding::new(&rules::WINDOW_CLOSED, found), announced);
            }
            Some(_) => {}
        }
    }
    let Some(place) = at.or(announced.map(|unit| unit.at.as_str())) else {
        return not_met(not_found(&wanted.code, heard, world.way.timeout), None);
    };
    let mut transport = transport(world, place, through)?;
    let intervals = announced.map_or_else(Intervals::default, |unit| unit.intervals);
    let mut met = meet::home::meet(&mut *transport, &wanted.passcode, world.way.timeout, intervals, watch);
    met.steps.splice(0..0, looked.clone());
    word(world, &wanted, met, Some(transport.at()), announced)
}

fn transport(world: &World<'_>, place: &str, through: Option<Through>) -> Result<Box<dyn Transport>, Trouble> {
    if let Some(mut through) = through {
        through.open(place).map_err(|e| carrier(place, e))?;
        return Ok(Box::new(through));
    }
    let address = resolve(place, world.way.interface.as_deref())
        .map_err(|why| Trouble::usage(why, "Give an address as 192.0.2.7:5540 or [2001:db8::7]:5540.").about("at"))?;
    let udp = Udp::open(address).map_err(|e| {
        Trouble::surroundings(format!("there is no way to {address}: {e}"), "Check the network, then try again.")
    })?;
    Ok(Box::new(udp))
}

fn not_found(code: &Fields, heard: &[Announced], waited: Duration) -> Finding {
    let wanted = match (code.discriminator, code.short_discriminator) {
        (Some(all), _) => format!("discriminator {all}"),
        (None, short) => format!("short discriminator {}", short.unwrap_or_default()),
    };
    let others: Vec<_> = heard.iter().take(8).map(|unit| format!("{} ({})", unit.at, unit.discriminator)).collect();
    let others = if others.is_empty() { "nobody else".into() } else { others.join(", ") };
    let seconds = waited.as_secs_f64();
    Finding::new(&rules::NOT_FOUND, format!("nobody announced {wanted} within {seconds:.0} s; heard were: {others}"))
}

/// A meeting that did not come to one.
fn nothing(finding: Finding, looked: Option<Step>) -> Met {
    Met {
        session: None,
        device: None,
        dac: None,
        pai: None,
        attestation: None,
        request: None,
        findings: vec![finding],
        steps: looked.into_iter().collect(),
        left: Left::AsFound,
        complete: false,
    }
}

/// The word on what a unit gave.
fn word(
    world: &World<'_>,
    wanted: &Wanted,
    met: Met,
    at: Option<String>,
    announced: Option<&Announced>,
) -> Result<Meeting, Trouble> {
    let begun = Instant::now();
    let revoked = |pool: &standard::verdict::Pool| world.known.as_ref().map_or_else(Vec::new, |k| k.against(pool));
    let against =
        Against { anchors: &world.anchors, signers: &world.signers, revoked: &revoked, present: Some(world.now) };
    let mut judged = judge(&met, &against);
    let scrapped = match world.site {
        Some(site) => against_book::compare(site, wanted, &met, &mut judged.findings)?,
        None => None,
    };
    let (trust_sets, refused) = sets(world, wanted, &met, &judged)?;
    let mut verdict = verdict(Outcome::on(&judged.findings, met.complete));
    if refused && verdict == MeetingVerdict::Accepted {
        verdict = MeetingVerdict::Rejected;
    }
    let (mut recorded, mut not_recorded) = (None, None);
    let sha256 = |der: &Option<Vec<u8>>| der.as_ref().map(|der| hex::encode(digest(&SHA256, der)));
    let mut steps: Vec<_> =
        met.steps.iter().map(|s| StepView { name: s.name.into(), milliseconds: s.milliseconds }).collect();
    let judging = step("judge", begun.elapsed());
    // It is done while nobody waits for it, and stands where it belongs.
    let before = steps.iter().position(|s| s.name == "disarm").unwrap_or(steps.len());
    steps.insert(before, StepView { name: judging.name.into(), milliseconds: judging.milliseconds });
    if let (Some(site), Some(who), Some(expected)) = (world.site, world.who, &wanted.expected) {
        let at = at.as_deref().or(announced.map(|unit| unit.at.as_str()));
        let kept = kept::Kept { met: &met, judged: &judged, trust_sets: &trust_sets, steps: &steps, verdict, at };
        match kept.keep(site, &expected.story.unit.serial, who) {
            Ok(there) => recorded = Some(there),
            Err(why) => not_recorded = Some(why.to_string()),
        }
    }
    Ok(Meeting {
        verdict,
        unit: wanted.expected.as_ref().map(Expected::unit),
        at: at.or_else(|| announced.map(|unit| unit.at.clone())),
        announced: announced.map(AnnouncedUnit::from),
        device: met.device.as_ref().map(DeviceView::from),
        session: met.session.map(SessionView::from),
        certificates: CertificatesView { dac: sha256(&met.dac), pai: sha256(&met.pai) },
        trust_sets,
        findings: judged.findings.iter().map(|f| FindingView::of(part(f), f)).collect(),
        steps,
        left: met.left.into(),
        exchange: kept::exchange(&met).as_ref().map(ExchangeView::from),
        recorded,
        not_recorded,
        scrapped,
    })
}

/// What each trust set says of what a unit gave, and whether one that must take it refuses.
fn sets(world: &World<'_>, wanted: &Wanted, met: &Met, judged: &Judged) -> Result<(Vec<SetVerdict>, bool), Trouble> {
    // A unit that gave no certificate is nothing that a set could judge.
    let (Some(site), Some(dac)) = (world.site, &judged.dac) else { return Ok((Vec::new(), false)) };
    let must = match (&wanted.expected, world.must.is_empty()) {
        (Some(expected), true) => {
            site.book.product_trust(&expected.story.unit.product)?.iter().map(ToString::to_string).collect()
        }
        _ => world.must.clone(),
    };
    let mut out = Vec::new();
    for set in &world.sets {
        let revoked = |pool: &standard::verdict::Pool| world.known.as_ref().map_or_else(Vec::new, |k| k.against(pool));
        let against =
            Against { anchors: &set.authorities, signers: &set.signers, revoked: &revoked, present: Some(world.now) };
        let mut theirs = judge(met, &against);
        theirs.findings.retain(|f| part(f) != "meet");
        theirs.findings.extend(set.insist(Some(dac), theirs.declaration.as_ref()));
        let mut said = SetVerdict::on(set, "unit", &theirs.findings, theirs.anchored);
        said.must_please = must.contains(&set.name);
        out.push(said);
    }
    let refused = out.iter().any(|said| said.must_please && !said.accepts());
    Ok((out, refused))
}

/// What became of a program for other networks.
#[derive(Debug, serde::Serialize)]
pub struct CheckedProgram {
    pub program: String,
    /// Whether no promise was broken.
    pub kept: bool,
    pub promises: Vec<CheckedPromise>,
}

/// One promise.
#[derive(Debug, serde::Serialize)]
pub struct CheckedPromise {
    pub promise: &'static str,
    pub text: &'static str,
    /// How it was broken; none where it held.
    pub broken: Option<String>,
}

/// Tries every promise of a program that carries datagrams.
///
/// - `echo`: an address in the program's own terms that sends every datagram back; without one, this machine's own echo
///   over UDP, as `127.0.0.1:PORT`.
///
/// # Errors
///
/// [`Trouble`] where this machine has no port for an echo.
pub fn check(program: &str, echo: Option<&str>) -> Result<CheckedProgram, Trouble> {
    let failed =
        |e: std::io::Error| Trouble::surroundings(format!("no echo can be made here: {e}"), "Give one with --echo.");
    let socket = std::net::UdpSocket::bind((std::net::Ipv4Addr::LOCALHOST, 0)).map_err(failed)?;
    let own = socket.local_addr().map_err(failed)?.to_string();
    let stop = std::sync::atomic::AtomicBool::new(false);
    let promises = std::thread::scope(|scope| {
        scope.spawn(|| {
            let mut room = [0; 2048];
            let _ = socket.set_read_timeout(Some(Duration::from_millis(50)));
            while !stop.load(std::sync::atomic::Ordering::Relaxed) {
                if let Ok((length, from)) = socket.recv_from(&mut room) {
                    let _ = socket.send_to(&room[..length], from);
                }
            }
        });
        let tried = meet::transport::check(program, echo.unwrap_or(&own));
        stop.store(true, std::sync::atomic::Ordering::Relaxed);
        tried
    });
    let promises: Vec<_> = promises
        .into_iter()
        .map(|tried| CheckedPromise { promise: tried.promise.name(), text: tried.promise.text(), broken: tried.broken })
        .collect();
    let kept = promises.iter().all(|tried| tried.broken.is_none());
    Ok(CheckedProgram { program: program.to_owned(), kept, promises })
}
