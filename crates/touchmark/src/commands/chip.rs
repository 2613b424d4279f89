//! `touchmark chip`: chips by themselves.

use std::path::PathBuf;

use base::{Trouble, quoted};
use clap::builder::PossibleValue;
use clap::{Args, Subcommand, ValueEnum};
use line::chips;
use line::chips::{Bench, ChipId, ChipSource, FaultLevel, OpenOptions, Part, Source, Timing, WhichChips};
use serde_json::json;

use super::at_site::Place;
use super::revoke::{DisposalArgs, confirm_words, disposal_words};
use crate::output::{Exit, Failure, Output};
use crate::secret;

/// Make simulated chips, list and check a source of chips, scrap blank chips
#[derive(Debug, Args)]
pub struct Chip {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Simulate(Simulate),
    List(List),
    Check(Check),
    Scrap(Scrap),
}

/// Scrap blank chips that will not be used: bent, lost, taken as samples
///
/// Each counts as scrapped with its reason, and its certificate as spent, so that the stock is correct. All are scrapped
/// or none. A chip of a unit is refused: scrap the unit, and its chip is scrapped with it. Certificates are kept; with
/// --revoke, the revocation of all of them is asked for in the same act.
#[derive(Debug, Args)]
struct Scrap {
    /// Ids of the chips
    #[arg(required = true, value_name = "CHIP_ID")]
    chips: Vec<book::ids::ChipId>,
    /// Reason, kept with the record
    #[arg(long)]
    reason: String,
    #[command(flatten)]
    disposal: DisposalArgs,
}

/// Make simulated chips, and the manifest that a chip maker would send
///
/// Each chip is a file. It contains its private key, or the key follows from the
/// seed: simulated chips are only for learning and testing. Existing files are
/// never replaced.
#[derive(Debug, Args)]
#[command(group = clap::ArgGroup::new("which").required(true).args(["count", "keys"]))]
struct Simulate {
    /// Folder to make them in
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Number of chips, with ids and keys from the seed
    #[arg(long, value_name = "N")]
    count: Option<usize>,
    /// Chips of an NDJSON file with chip_id and private_key
    #[arg(long, value_name = "FILE")]
    keys: Option<PathBuf>,
    /// Seed of ids, keys and faults; default: random, and printed
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
    /// Share of chips with faults
    #[arg(long, value_name = "LEVEL", default_value = "none")]
    faults: Faults,
    /// Write the manifest: CSV with chip_id and public_key
    #[arg(long, value_name = "FILE")]
    manifest: Option<PathBuf>,
    /// Name of the part
    #[arg(long, value_name = "NAME", default_value_t = Part::default().name)]
    part: String,
    /// Bytes for all objects of a chip
    #[arg(long, value_name = "BYTES", default_value_t = Part::default().room)]
    room: usize,
    /// Clock of the bus, in hertz
    #[arg(long, value_name = "HZ", default_value_t = Timing::default().bus_hz)]
    bus_hz: u32,
    /// Time to write one page of memory, in microseconds
    #[arg(long, value_name = "US", default_value_t = Timing::default().page_write_us)]
    page_write_us: u32,
    /// Time to sign, in microseconds
    #[arg(long, value_name = "US", default_value_t = Timing::default().sign_us)]
    sign_us: u32,
    /// Make calls take their real time instead of only counting it
    #[arg(long)]
    real_time: bool,
}

/// A level of faults, as typed.
#[derive(Debug, Clone, Copy)]
struct Faults(FaultLevel);

impl ValueEnum for Faults {
    fn value_variants<'a>() -> &'a [Self] {
        &[Self(FaultLevel::None), Self(FaultLevel::Usual), Self(FaultLevel::Harsh)]
    }

    fn to_possible_value(&self) -> Option<PossibleValue> {
        Some(match self.0 {
            FaultLevel::None => PossibleValue::new("none").help("No chip"),
            FaultLevel::Usual => PossibleValue::new("usual").help("About 1 in 30"),
            FaultLevel::Harsh => PossibleValue::new("harsh").help("About 2 in 5"),
        })
    }
}

/// List the chips of a source: id, part, state
#[derive(Debug, Args)]
struct List {
    #[command(flatten)]
    chips: Chips,
    /// List only ids, and open no chip
    #[arg(long)]
    ids: bool,
}

/// Check that a source keeps the contract of a chip
///
/// Tries each promise and reports it as kept, broken or not tried. Writes only to
/// a blank chip, and leaves it blank. Exits with 1 if a promise is broken.
#[derive(Debug, Args)]
struct Check {
    #[command(flatten)]
    chips: Chips,
    /// Chip to check; default: the first blank one
    #[arg(long, value_name = "ID")]
    chip: Option<ChipId>,
    /// Also check locking: the chip can never be written again
    #[arg(long)]
    lock: bool,
}

/// Where chips are found.
#[derive(Debug, Args)]
pub struct Chips {
    /// Source of chips: simulated:DIR, a PKCS #11 URI, or command:PROGRAM
    // Read by us, not by the parser: it would repeat a PIN that it refuses.
    #[arg(long, value_name = "SOURCE")]
    chips: String,
}

impl Chips {
    /// The source so typed.
    pub fn named(source: &str) -> Self {
        Self { chips: source.to_owned() }
    }

    /// The source.
    pub fn source(&self) -> Result<Source, Failure> {
        Ok(self.chips.parse::<Source>()?)
    }

    /// The source, opened for work; a PIN that its URI leaves out is asked for.
    pub fn open(&self) -> Result<Box<dyn ChipSource>, Failure> {
        let source = self.source()?;
        let pin = secret::pin(&source)?;
        Ok(source.open(OpenOptions { pin: pin.as_ref(), ..OpenOptions::default() }).map_err(Trouble::from)?)
    }
}

/// Runs the command.
pub fn run(args: &Chip, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    match &args.command {
        Command::Simulate(args) => simulate(args, output),
        Command::List(args) => list(args, output),
        Command::Check(args) => check(args, output),
        Command::Scrap(args) => scrap(args, place, output),
    }
}

fn scrap(args: &Scrap, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let site = place.open()?;
    let who = place.who()?;
    let done = args.disposal.asking(|revoke| answer::scrap::chips(&site, &args.chips, &args.reason, revoke, &who))?;
    output.show(&json!({ "chips": done }), |w| {
        for chip in &done {
            let credential = match &chip.credential {
                Some(credential) => {
                    format!("its certificate {} is {}", credential.serial, disposal_words(credential))
                }
                None => "no certificate came for it".into(),
            };
            let reason = chip.reason.as_deref().unwrap_or("no reason is recorded");
            let requested = chip.credential.as_ref().is_some_and(|c| c.request.is_some());
            let is = if chip.already { "was already scrapped" } else { "is scrapped" };
            let nothing = if chip.already && !requested { " Nothing was changed." } else { "" };
            writeln!(w, "Chip {} of reel {} {is} ({reason}); {credential}.{nothing}", chip.chip_id, chip.reel)?;
        }
        Ok(())
    })?;
    if let Some((number, second)) =
        done.iter().filter_map(|chip| chip.credential.as_ref()).find_map(|c| Some((c.request?, c.second_person)))
    {
        output.next(&confirm_words(number, second));
    }
    Ok(Exit::Done)
}

fn simulate(args: &Simulate, output: &mut Output) -> Result<Exit, Failure> {
    let which = match (&args.count, &args.keys) {
        (_, Some(keys)) => WhichChips::Keys(keys),
        (count, None) => WhichChips::Count(count.unwrap_or(0)),
    };
    let default = Part::default();
    let bench = Bench {
        part: Part {
            name: args.part.clone(),
            room: args.room,
            object_limit: default.object_limit.min(args.room),
            ..default
        },
        timing: Timing {
            bus_hz: args.bus_hz,
            page_write_us: args.page_write_us,
            sign_us: args.sign_us,
            ..Timing::default()
        },
        real_time: args.real_time,
    };
    let made = chips::simulate(&args.out, &which, args.seed, args.faults.0, bench, args.manifest.as_deref())?;
    output.show(&made, |out| {
        writeln!(out, "Made {} simulated chips of part {}, seed {}.", made.chips, made.part, made.seed)?;
        if made.chips_with_faults > 0 {
            writeln!(out, "{} of them have faults.", made.chips_with_faults)?;
        }
        if let Some(manifest) = &made.manifest {
            writeln!(out, "Their manifest: {}", manifest.display())?;
        }
        Ok(())
    })?;
    output.next(&format!("Use them with `--chips {}`.", quoted(&made.source)));
    Ok(Exit::Done)
}

fn list(args: &List, output: &mut Output) -> Result<Exit, Failure> {
    let source = args.chips.source()?;
    let pin = secret::pin(&source)?;
    let found = chips::list(&source, OpenOptions { pin: pin.as_ref(), ..OpenOptions::default() }, args.ids)?;
    output.show(&found, |out| {
        let width = found.chips.iter().map(|chip| chip.chip_id.len()).max().unwrap_or(0);
        for chip in &found.chips {
            match (&chip.told, &chip.error) {
                (Some(told), _) => {
                    let state = told.state.replace('-', " ");
                    writeln!(out, "{:width$}  {state:13}  {}", chip.chip_id, told.part)?;
                }
                (None, Some(error)) => writeln!(out, "{:width$}  {error}", chip.chip_id)?,
                (None, None) => writeln!(out, "{}", chip.chip_id)?,
            }
        }
        match found.chips.len() {
            1 => writeln!(out, "1 chip in {}", found.source),
            n => writeln!(out, "{n} chips in {}", found.source),
        }
    })?;
    Ok(Exit::Done)
}

fn check(args: &Check, output: &mut Output) -> Result<Exit, Failure> {
    let source = args.chips.source()?;
    let pin = secret::pin(&source)?;
    let options = OpenOptions { pin: pin.as_ref(), ..OpenOptions::default() };
    let checked = chips::check(&source, options, args.chip.as_ref(), args.lock)?;
    output.show(&checked, |out| {
        writeln!(out, "Chip {} of {}", checked.chip_id.as_deref().unwrap_or("-"), checked.source)?;
        for tried in &checked.promises {
            writeln!(out, "{:9}  {:13}  {}", tried.outcome.replace('-', " "), tried.promise, tried.text)?;
            if let Some(detail) = &tried.detail {
                writeln!(out, "{:26}{detail}", "")?;
            }
        }
        match checked.promises.iter().filter(|tried| tried.outcome == "broken").count() {
            0 => writeln!(out, "No promise is broken."),
            1 => writeln!(out, "1 promise is broken."),
            n => writeln!(out, "{n} promises are broken."),
        }
    })?;
    Ok(if checked.kept { Exit::Done } else { Exit::Rejected })
}
