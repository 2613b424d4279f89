//! Rehearse: the whole job in one go, on a new site, with simulated chips.
//!
//! Nothing here is made for show: every step is the act that the command of
//! the same name calls. Only the outside world is played: the chip maker's
//! reel, and an authority that answers the order with a delivery.

mod own;
mod report;
pub mod trial;
mod world;

use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::time::Instant;

use answer::{account, evidence};
use base::course::Course;
use base::trouble::Trouble;
use book::ids::{FirmwareVersion, ReelId, UnitSerial};
use book::{AttemptFacts, Role, UnitFilter, UnitState};
use chip::OpenOptions;
use custody::{Passphrase, WorkFactor};
use line::chips::{Bench, FaultLevel, Source, WhichChips};
use line::chosen::Which;
use line::label::Job;
use line::provision::{Numbers, Provision, provision};
use line::{chips, label, unit};
use print::sheet::Paper;
use receive::{delivery, order, reel};
use serde::Serialize;
use serde_json::Value;
use site::{NewBook, Site, Who, authority, declaration, product};

pub use self::own::Own;

/// The invented scenario.
const PRODUCT: &str = "Tern Vent";
const REEL: &str = "R1";
const VENDOR: u16 = 0xFFF2;
const FIRMWARE: &str = "1.0.0";
const PRODUCT_ID: u16 = 0x8A21;
const DEVICE_TYPE: u32 = 0x0202;

/// Units in the evidence pack at most.
const PACKED: u32 = 2000;

/// What to rehearse.
#[derive(Debug, Clone)]
pub struct Rehearse {
    /// Units to start, 1 to 100,000.
    pub units: u64,
    /// The same seed and level give the same chips and faults.
    pub seed: u64,
    /// How many chips have faults.
    pub faults: FaultLevel,
    /// Directory of the new site; new or empty.
    pub out: PathBuf,
    /// Where its record book is to be, as [`NewBook::location`]; must be new there.
    pub book: Option<String>,
    /// File with the password of the book's server.
    pub book_password_file: Option<PathBuf>,
    /// The product; the invented one where none is given.
    pub product: Option<Own>,
}

/// Units of a rehearsal.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct Units {
    pub started: u64,
    /// Passed, each with a proof.
    pub passed: u64,
    /// Not passed: scrapped in the end.
    pub failed: u64,
}

/// Credentials of a rehearsal.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct Credentials {
    pub received: u64,
    pub installed: u64,
    /// Their chips were scrapped.
    pub spent: u64,
    pub available: u64,
    pub unaccounted: u64,
}

/// Where to look.
#[derive(Debug, Clone, Serialize)]
pub struct Files {
    pub site: String,
    pub report: String,
    /// Labels; none where no unit passed.
    pub labels: Option<String>,
    /// One folder a unit: certificates, declaration, proof; and the pack.
    pub evidence: String,
    /// The signed evidence pack.
    pub pack: String,
    /// The public key that it is checked with.
    pub key: String,
    /// The passphrase of the development keys.
    pub passphrase: String,
}

/// What came of a rehearsal.
#[derive(Debug, Clone, Serialize)]
pub struct Rehearsed {
    /// The product that was rehearsed.
    pub product: String,
    /// The first serial number of its units.
    #[serde(skip)]
    pub(crate) first: String,
    pub units: Units,
    pub credentials: Credentials,
    pub double_use: u64,
    /// Units passed without a proof.
    pub unproven_passes: u64,
    pub files: Files,
    /// What makes the same again.
    pub seed: u64,
    /// How long it took.
    pub seconds: f64,
}

impl Rehearsed {
    /// Whether everything is accounted for.
    pub fn is_clean(&self) -> bool {
        self.credentials.unaccounted == 0 && self.double_use == 0 && self.unproven_passes == 0
    }
}

/// Rehearses the whole job.
///
/// - `say`: told what happens, a sentence a step.
///
/// # Errors
///
/// [`Trouble`] where the directory is not empty or the surroundings fail.
pub fn rehearse(request: &Rehearse, say: &mut dyn FnMut(&str)) -> Result<Rehearsed, Trouble> {
    if !(1..=100_000).contains(&request.units) {
        return Err(Trouble::usage(
            format!("{} units is out of range; a rehearsal has 1 to 100,000", request.units),
            "Give another number with --units.",
        ));
    }
    let begun = Instant::now();
    let out = &request.out;
    if fs::read_dir(out).is_ok_and(|mut d| d.next().is_some()) {
        return Err(Trouble::usage(
            format!("{} is not empty", out.display()),
            "Give a new directory with --out; nothing in this one was changed.",
        ));
    }
    let who = Who::new("rehearsal")?;
    let book = NewBook { location: request.book.as_deref(), password_file: request.book_password_file.as_deref() };
    let mut own = request.product.clone().map_or_else(Own::invented, Ok)?;
    let (site, _) = Site::create(out, book, &format!("{}, rehearsal", own.site), None, &who)?;
    let (passphrase, passphrase_file) = passphrase(&site)?;
    say("A new site: settings, keys, an empty record book.");

    for (name, role, issuer) in
        [("Quarry Lane Test PAA", Role::Paa, None), ("Quarry Lane Test PAI", Role::Pai, Some("Quarry Lane Test PAA"))]
    {
        let raise = authority::Raise {
            name,
            role,
            vendor: Some(own.vendor),
            product: None,
            issuer,
            years: None,
            key: None,
            unlock: &passphrase,
            work: WorkFactor::WORTHLESS,
        };
        authority::raise(&site, &raise, &who)?;
    }
    say("A development authority: a root (PAA) and the intermediate (PAI) that issues device certificates.");
    let make = declaration::Make {
        name: None,
        vendor: own.vendor,
        products: vec![own.product],
        device_type: own.description.device_type,
        certificate_id: request.product.is_none().then_some("QLR26R01TV8A2101-26"),
        origin: None,
        authorities: Vec::new(),
        passphrase: &passphrase,
        work: WorkFactor::WORTHLESS,
    };
    declaration::make(&site, &make, &who)?;
    // A few more chips than units, as on a real reel.
    let chips = request.units + (request.units / 20).max(2);
    let folder = out.join("chips");
    let manifest = out.join("manifest.csv");
    let count = usize::try_from(chips).unwrap_or(usize::MAX);
    chips::simulate(
        &folder,
        &WhichChips::Count(count),
        Some(request.seed),
        request.faults,
        Bench::default(),
        Some(&manifest),
    )?;
    let there = Source::Simulated(folder.clone()).open(OpenOptions::default())?.present()?;
    own.lay_objects(&site, &there)?;
    product::add(&site, &own.name, &own.description, &who)?;
    say(&format!(
        "A product, {} ({} {}), with its development declaration. TEST: do not ship.",
        own.name, own.vendor, own.product
    ));
    for object in &own.blank {
        say(&format!("No file is there for the object {object} yet: 32 zero bytes stand for it."));
    }

    let received = reel::receive(&site, &manifest, REEL, &own.name, &reel::Options::default(), &who, &Course::new())?;
    say(&format!(
        "Reel {REEL} from the chip maker: {} chips, every key checked on the curve.",
        received.chips.received
    ));

    let order_file = out.join("order.csv");
    let written = order::write(&site, REEL, &order_file, false, &who)?;
    let zip = out.join("delivery.zip");
    world::deliver(&site, ("Quarry Lane Test PAI", &own.name), &passphrase, &order_file, &zip, &who)?;
    let came = delivery::receive(&site, &zip, REEL, false, None, &who, &Course::new())?;
    if !came.is_accepted() {
        return Err(Trouble::refused("the rehearsal's own delivery was refused", "Report this with the directory."));
    }
    say(&format!(
        "An order for {} certificates, and the delivery that answers it: {} inspected by all rules, each matched to its chip by key.",
        written.chips, came.certificates.accepted
    ));

    let started = line(&site, request, (&own, &folder), &who, say)?;
    let (labels, printed) = labels(&site, out, &who)?;
    if printed > 0 {
        say(&format!("{printed} labels, every symbol drawn at 300 dpi and read back before it was written."));
    }
    let folder_of_evidence = out.join("evidence");
    let proofs = unit::write(&site, &[], true, &folder_of_evidence)?;
    say(&format!("The proofs of {} units, which anybody can check without this program.", proofs.units.len()));
    // A few thousand units fill a pack that is still easy to pass on.
    let first = site.book.units(&UnitFilter::default(), None, PACKED)?;
    let packed: Vec<String> = first.items.iter().map(|unit| unit.serial.to_string()).collect();
    let which = if first.next.is_some() { Which::Units(&packed) } else { Which::All };
    let pack = evidence::export(&site, &which, &folder_of_evidence.join("pack.zip"), None, &who, &Course::new())?;
    say(&format!("A signed evidence pack of {} units; a change of any byte is detected.", pack.units));
    let counts = serde_json::to_value(account::reconcile(&site, None)?)
        .map_err(|e| Trouble::surroundings(format!("The counts can't be written: {e}."), "Report this."))?;
    let mut done = summary(request, &own, &counts, started);
    done.files = Files {
        site: out.display().to_string(),
        report: out.join("report.html").display().to_string(),
        labels: labels.map(|p| p.display().to_string()),
        evidence: folder_of_evidence.display().to_string(),
        pack: pack.pack,
        key: pack.key,
        passphrase: passphrase_file.display().to_string(),
    };
    done.seconds = (begun.elapsed().as_secs_f64() * 10.0).round() / 10.0;
    let page = report::write(&site, &ReelId::new(REEL)?, &done, &counts)?;
    let path = out.join("report.html");
    fs::write(&path, page.html()).map_err(|e| Trouble::file(&path, e))?;
    say("Everything counted: each chip and each credential is accounted for, and the log is intact.");
    Ok(done)
}

/// A random passphrase for the development keys, in a file of the owner's alone.
fn passphrase(site: &Site) -> Result<(Passphrase, PathBuf), Trouble> {
    let mut octets = [0; 16];
    aws_lc_rs::rand::fill(&mut octets)
        .map_err(|_| Trouble::surroundings("the operating system provides no random numbers", "Try again."))?;
    let text = hex::encode(octets);
    let path = site.keys().join("passphrase");
    let mut options = fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let mut file = options.open(&path).map_err(|e| Trouble::file(&path, e))?;
    writeln!(file, "{text}").map_err(|e| Trouble::file(&path, e))?;
    Ok((Passphrase::new(text)?, path))
}

/// The station's work, until every unit that was started has passed or is scrapped.
fn line(
    site: &Site,
    request: &Rehearse,
    (own, folder): (&Own, &Path),
    who: &Who,
    say: &mut dyn FnMut(&str),
) -> Result<u64, Trouble> {
    const ROUNDS: u32 = 4;
    let source = Source::Simulated(folder.to_owned());
    let mut started = 0;
    for round in 0..ROUNDS {
        let mut chips = source.open(OpenOptions::default())?;
        let run = Provision {
            units: (round == 0).then_some(request.units),
            facts: AttemptFacts { firmware: Some(FirmwareVersion::new(FIRMWARE)?), ..AttemptFacts::default() },
            only_started: round > 0,
            ..Provision::new(REEL, "Station 1", Numbers::CountFrom(&own.serial_start))
        };
        let done = provision(site, run, chips.as_mut(), who, &Course::new(), &mut |_| {})?;
        if round == 0 {
            started = done.passed + done.failed;
            say(&format!(
                "Station 1: {} units written, read back, proven and locked; {} failed at the first attempt.",
                done.passed, done.failed
            ));
        } else if done.passed + done.failed > 0 {
            say(&format!("Put on the station again: {} passed, {} failed.", done.passed, done.failed));
        }
        if done.failed == 0 {
            break;
        }
    }
    // What rework could not mend is given up by name, so that its credential counts as spent.
    let mut given_up = 0;
    for state in [UnitState::Failed, UnitState::Open] {
        let filter = UnitFilter { state: Some(state), ..UnitFilter::default() };
        let mut after: Option<UnitSerial> = None;
        loop {
            let page = site.book.units(&filter, after.as_ref(), 500)?;
            for unit in &page.items {
                answer::scrap::unit(site, unit.serial.as_str(), "not repaired by rework", true, None, who)?;
                given_up += 1;
            }
            match page.next {
                Some(next) => after = Some(next),
                None => break,
            }
        }
    }
    if given_up > 0 {
        say(&format!("{given_up} units that rework could not repair were scrapped, with their reasons."));
    }
    Ok(started)
}

/// Labels for all units that passed, as one PDF.
fn labels(site: &Site, out: &Path, who: &Who) -> Result<(Option<PathBuf>, u64), Trouble> {
    let path = out.join("labels.pdf");
    let passed = UnitFilter { state: Some(UnitState::Passed), ..UnitFilter::default() };
    if site.book.count_units(&passed)? == 0 {
        return Ok((None, 0));
    }
    let job = Job { paper: Some(Paper::A4), ..Job::to(&path) };
    let printed = label::print_of_book(site, &Which::All, &job, None, who, &Course::new())?;
    Ok((Some(path), printed.labels))
}

fn summary(request: &Rehearse, own: &Own, counts: &Value, started: u64) -> Rehearsed {
    let number = |kind: &str, name: &str| counts[kind][name].as_u64().unwrap_or(0);
    let passed = number("units", "passed");
    Rehearsed {
        product: own.name.clone(),
        first: own.serial_start.clone(),
        units: Units { started, passed, failed: started.saturating_sub(passed) },
        credentials: Credentials {
            received: number("credentials", "received"),
            installed: number("credentials", "installed"),
            spent: number("credentials", "spent"),
            available: number("credentials", "available"),
            unaccounted: number("credentials", "unaccounted"),
        },
        double_use: counts["double_use"].as_u64().unwrap_or(u64::MAX),
        unproven_passes: counts["unproven_passes"].as_u64().unwrap_or(u64::MAX),
        files: Files {
            site: String::new(),
            report: String::new(),
            labels: None,
            evidence: String::new(),
            pack: String::new(),
            key: String::new(),
            passphrase: String::new(),
        },
        seed: request.seed,
        seconds: 0.0,
    }
}
