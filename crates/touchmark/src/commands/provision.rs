//! `touchmark provision` and `touchmark challenge`.

use std::io::{self, Write};
use std::num::ParseIntError;
use std::path::{Path, PathBuf};
use std::str::FromStr;

use base::finding_view::Severity;
use base::{Trouble, quoted};
use clap::Args;
use line::challenge;
use line::chips::ChipId;
use line::provision::{
    AttemptFacts, ChipResult, FirmwareVersion, Numbers, OnPanel, PanelName, Provision, Provisioned, RefusedScan, Said,
    UnitResult, listed, provision, scans,
};
use serde::Serialize;
use serde_json::{Value as Json, json};
use site::words::Next;

use super::at_site::{PassphraseArgs, Place};
use super::chip::Chips;
use super::words::many;
use crate::output::{Exit, Failure, Output};
use crate::watching::stoppable;

/// Provision a reel's chips at a station: write, read back, prove, lock, record
///
/// Before each chip, the intention is committed to the book. After a
/// crash, put the same chip back on that station: it continues where it stopped.
/// Another station takes it over with --take-over.
/// Ground yourself: static discharge at the fixture kills chips silently.
///
/// Serial numbers come from --serials or --serial-start, else from the product's
/// series, else from one made from the reel's name. The source is shown before
/// the first chip. Ctrl+C ends the run after the current unit.
///
/// Exits with 0 if units passed and nothing was left over; with 1 if a unit
/// failed, a chip was refused (boards that were swapped out of their units do not
/// count), serial numbers ran out, the wrong reel is in the fixture, or there was
/// nothing to do.
#[derive(Debug, Args)]
pub struct ProvisionArgs {
    /// The reel
    #[arg(long, value_name = "ID")]
    reel: String,
    /// Name of the station
    #[arg(long, value_name = "NAME")]
    station: String,
    #[command(flatten)]
    chips: Chips,
    /// Largest number of units; refused chips and those provisioned before do not count
    #[arg(long, value_name = "N", value_parser = at_least_one::<u64>)]
    units: Option<u64>,
    /// Serial numbers for new units, one per line; "-" reads them from standard input as they are scanned
    #[arg(long, value_name = "FILE")]
    serials: Option<PathBuf>,
    /// First of a series of serial numbers, such as TV-000001; with a list, the first of it to be used
    #[arg(long, value_name = "S")]
    serial_start: Option<String>,
    /// Continue with each chip that is inserted, until Ctrl+C or SIGTERM; the current unit is finished first
    #[arg(long)]
    wait: bool,
    /// Answer with one JSON object per unit as it ends, the summary last
    #[arg(long, conflicts_with = "json")]
    json_lines: bool,
    /// Firmware version of the units; recorded with each attempt, for `impact --firmware`
    #[arg(long, value_name = "VERSION")]
    firmware: Option<String>,
    /// Panel that the boards are on; recorded with each attempt
    #[arg(long, value_name = "NAME")]
    panel: Option<PanelName>,
    /// Place of the first board on the panel; each further one is in the next place
    #[arg(long, value_name = "N", default_value_t = 1, requires = "panel", value_parser = clap::value_parser!(u32).range(1..))]
    place: u32,
    /// Attempts per chip before the next chip
    #[arg(long, value_name = "N", default_value_t = 2, value_parser = at_least_one::<u32>)]
    attempts: u32,
    /// Work only on chips whose unit was started before
    #[arg(long)]
    rework: bool,
    /// Take over a unit that another station left open, and adopt the identity on a chip that the book does not know of
    #[arg(long)]
    take_over: bool,
    /// With --take-over: give a chip that holds its certificate, and no factory record that can be read, a new passcode.
    /// Its label must be printed again
    #[arg(long, requires = "take_over")]
    new_code: bool,
    #[command(flatten)]
    passphrase: PassphraseArgs,
}

/// Act as the verifier for a chip: run the exchange and give a verdict
#[derive(Debug, Args)]
pub struct ChallengeArgs {
    #[command(flatten)]
    chips: Chips,
    /// Chip; default: all that are present
    #[arg(long, value_name = "ID")]
    chip: Option<ChipId>,
    /// Trust sets that must accept it; default: all are shown, and those of its product count
    #[arg(long, value_name = "NAME", num_args = 1..)]
    trust_set: Vec<String>,
}

/// A count of which none would be no work, and would read as work done.
fn at_least_one<T: FromStr<Err = ParseIntError> + PartialEq + From<u8>>(text: &str) -> Result<T, String> {
    match text.parse::<T>() {
        Ok(none) if none == T::from(0) => Err("give 1 or more".into()),
        read => read.map_err(|e| e.to_string()),
    }
}

fn shape(result: &UnitResult, styled: bool) -> &'static str {
    // Refused before a unit was begun: no unit failed.
    let refused = result.result != ChipResult::Passed && result.attempts == 0 && !result.already;
    match (styled, result.result, result.next) {
        (false, ..) if refused => "refused",
        (true, ..) if refused => "▨ refused",
        (false, result, _) => result.word(),
        (true, ChipResult::Passed, _) => "⬢ passed",
        (true, _, Some(Next::Scrap)) => "⊠ scrapped",
        (true, ..) => "▨ failed",
    }
}

fn line(w: &mut dyn Write, result: &UnitResult, styled: bool) -> io::Result<()> {
    let unit = result.unit.as_deref().unwrap_or("-");
    let already = match (result.already, result.result) {
        (true, ChipResult::Passed) => "  already provisioned, verified",
        (true, _) => "  already provisioned",
        (false, _) => "",
    };
    writeln!(w, "{}  {unit}  chip {}  {} ms{already}", shape(result, styled), result.chip_id, result.milliseconds)?;
    if let Some(cause) = &result.cause {
        writeln!(w, "    {cause}: {}", result.detail.as_deref().unwrap_or(""))?;
        writeln!(w, "    next: {}", result.advice.as_deref().unwrap_or("Call the engineer."))?;
    }
    result.notice.iter().try_for_each(|notice| writeln!(w, "    {notice}"))
}

impl ProvisionArgs {
    /// Whether failures are answered in JSON too.
    pub fn json_lines(&self) -> bool {
        self.json_lines
    }

    fn numbers(&self) -> Result<Numbers<'_>, Failure> {
        Ok(match (self.serials.as_deref(), self.serial_start.as_deref()) {
            (Some(path), Some(_)) if path == Path::new("-") => {
                return Err(Failure::usage(
                    "Scanned serial numbers have no first one.",
                    "Leave out --serial-start, or give the numbers in a file.",
                ));
            }
            (Some(path), _) if path == Path::new("-") => Numbers::Scanned(scans(io::stdin())),
            (Some(path), start) => {
                let octets = std::fs::read(path).map_err(|e| Failure::from(Trouble::file(path, e)))?;
                listed(&octets, &path.display().to_string(), start)?
            }
            (None, Some(start)) => Numbers::CountFrom(start),
            (None, None) => Numbers::Product,
        })
    }
}

/// Runs `provision`.
pub fn run(args: ProvisionArgs, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let site = place.open()?;
    let passphrase = args.passphrase.for_site_key(&site)?;
    let mut source = args.chips.open()?;
    let request = Provision {
        reel: &args.reel,
        station: &args.station,
        units: args.units,
        numbers: args.numbers()?,
        attempts: args.attempts,
        take_over: args.take_over,
        new_code: args.new_code,
        facts: AttemptFacts {
            firmware: args.firmware.as_deref().map(FirmwareVersion::new).transpose().map_err(Trouble::from)?,
            panel: args.panel.clone().map(|panel| OnPanel { panel, place: args.place }),
        },
        only_started: args.rework,
        wait: args.wait,
        passphrase: passphrase.as_ref(),
    };
    let warned = line::provision::warnings(&site, &args.reel)?;
    output.warn(&warned);
    let people = output.tells();
    let guided = people && (args.wait || matches!(request.numbers, Numbers::Scanned(_)));
    if guided {
        let _ = writeln!(io::stderr(), "Press Ctrl+C to end the run; the unit in work is finished first.");
    }
    site.book.tell_waits(Box::new(|most| {
        let seconds = most.as_secs();
        let _ = writeln!(
            io::stderr(),
            "The database server does not answer. Leave the chips where they are: it is waited for, up to {seconds} seconds."
        );
    }));
    // One document is the answer in JSON; whoever reads words through a pipe has each unit as it is done.
    let mut so_far = SoFar { units: (output.is_json() && !args.json_lines).then(Vec::new), passed: 0, others: 0 };
    let (styled, quiet, words) = (output.is_styled(), output.is_quiet(), !output.is_json());
    let mut tell = |said: Said<'_>| {
        if let Said::Unit(result) = said {
            so_far.count(result);
        }
        let mut err = io::stderr().lock();
        let _ = match said {
            Said::Unit(result) if words => {
                at_once(|w| if quiet && result.result == ChipResult::Passed { Ok(()) } else { line(w, result, styled) })
            }
            Said::RefusedScan(refused) if words => at_once(|w| refused_scan(w, refused)),
            Said::Unit(result) if args.json_lines => json_line(result),
            Said::RefusedScan(refused) if args.json_lines => json_line(&json!({ "refused_scan": refused })),
            Said::Serials(serials, product) if people => writeln!(err, "{}", serials.words(product)),
            Said::Next(what) if people => writeln!(err, "{what}"),
            _ => Ok(()),
        };
    };
    let who = place.who()?;
    let done = stoppable(|course| provision(&site, request, source.as_mut(), &who, course, &mut tell));
    let done = done.map_err(|trouble| so_far.end(trouble.into()))?;
    output.warn(&done.warnings.iter().filter(|warning| !warned.contains(warning)).collect::<Vec<_>>());
    if args.json_lines {
        let mut summary = serde_json::to_value(&done).unwrap_or_default();
        summary.as_object_mut().map(|summary| summary.remove("units"));
        output.show(&summary, |_| Ok(()))?;
    } else {
        output.show(&done, |w| summary(w, &done))?;
        if done.failed > 0 {
            output.next("Follow the advice for each failed unit.");
        } else if done.passed > 0 {
            output.next(&format!(
                "Print labels with `touchmark label print --reel {} --out labels.pdf`, and account for every chip with \
                 `touchmark reconcile`.",
                quoted(&done.reel)
            ));
        }
    }
    Ok(if done.is_done() { Exit::Done } else { Exit::Rejected })
}

/// What a run came to, for one that ends in the middle.
struct SoFar {
    /// Its units, where the answer is one document.
    units: Option<Vec<Json>>,
    passed: u64,
    others: u64,
}

impl SoFar {
    fn count(&mut self, result: &UnitResult) {
        *(if result.result == ChipResult::Passed { &mut self.passed } else { &mut self.others }) += 1;
        if let Some(units) = &mut self.units {
            units.extend(serde_json::to_value(result));
        }
    }

    fn end(self, failure: Failure) -> Failure {
        if self.passed + self.others == 0 {
            return failure;
        }
        let (passed, others) = (many(i128::from(self.passed), "unit"), many(i128::from(self.others), "other chip"));
        failure.after(
            format!("Before that, {passed} passed, and {others} did not. What was done is in the book."),
            self.units.map(|units| ("units", units.into())),
        )
    }
}

/// Writes to standard output at once: whoever reads it acts on each unit as it comes.
fn at_once(write: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> io::Result<()> {
    let mut out = io::stdout().lock();
    write(&mut out)?;
    out.flush()
}

/// One object of many.
fn json_line(value: &impl Serialize) -> io::Result<()> {
    at_once(|w| {
        serde_json::to_writer(&mut *w, value)?;
        writeln!(w)
    })
}

fn refused_scan(w: &mut dyn Write, refused: &RefusedScan) -> io::Result<()> {
    writeln!(w, "Scan refused: {}", refused.message)?;
    refused.advice.iter().try_for_each(|advice| writeln!(w, "    next: {advice}"))
}

fn summary(w: &mut dyn Write, done: &Provisioned) -> io::Result<()> {
    write!(w, "Station {}, reel {}: {} passed, {} failed", done.station, done.reel, done.passed, done.failed)?;
    if done.refused > 0 {
        write!(w, ", {} refused before a unit was begun", done.refused)?;
    }
    if done.verified > 0 {
        write!(w, ", {} verified that passed before", done.verified)?;
    }
    if done.other_reels > 0 {
        write!(w, ", {} of other reels skipped", many(i128::from(done.other_reels), "chip"))?;
    }
    writeln!(w)?;
    done.why.iter().try_for_each(|why| writeln!(w, "{why}"))?;
    done.next.iter().try_for_each(|next| writeln!(w, "  next: {next}"))
}

/// Runs `challenge`.
pub fn run_challenge(args: ChallengeArgs, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let site = place.open()?;
    let mut source = args.chips.open()?;
    let done = challenge::challenge_by(&site, source.as_mut(), args.chip.as_ref(), &args.trust_set)?;
    let accepted = !done.is_empty() && done.iter().all(|c| c.verdict == "accepted");
    let verdict = if accepted { "accepted" } else { "rejected" };
    output.show(&json!({ "verdict": verdict, "chips": done }), |w| {
        for c in &done {
            let identity =
                format!("{} {}", c.vendor_id.as_deref().unwrap_or("----"), c.product_id.as_deref().unwrap_or("----"));
            writeln!(w, "{}  chip {}  {identity}", c.verdict, c.chip_id)?;
            c.scrapped.iter().try_for_each(|scrapped| writeln!(w, "    SCRAPPED: {scrapped}"))?;
            if let Some(trouble) = &c.trouble {
                writeln!(w, "    {trouble}")?;
            }
            for f in c.findings.iter().filter(|f| f.severity != Severity::Note) {
                writeln!(w, "    {} {}: {}", f.severity, f.rule, f.found)?;
            }
        }
        let all: Vec<_> = done.iter().map(|c| (c.chip_id.as_str(), c.trust_sets.as_slice())).collect();
        super::trust_set::matrix(w, &all)?;
        writeln!(w, "{} of {} chips accepted", done.iter().filter(|c| c.verdict == "accepted").count(), done.len())
    })?;
    Ok(if accepted { Exit::Done } else { Exit::Rejected })
}
