//! `touchmark impact`.

use std::io::{self, Write};
use std::path::PathBuf;

use answer::impact;
use answer::impact::{Format, Impact, UnitTouched, Wanted, WouldStop};
use clap::{Args, ValueEnum};
use time::OffsetDateTime;

use super::at_site::Place;
use super::carton::PackedArgs;
use super::words::many;
use crate::output::{Exit, Failure, Output};

/// Units told one by one on a terminal; a file takes all of them.
const SHOWN: u64 = 40;

/// List the units that something affects, and what would stop if it were revoked
///
/// If you give several conditions, all must hold. For a certificate (an
/// authority, a credential, a certificate), the answer also shows what would
/// stop working if that certificate were revoked. Nothing is changed.
#[derive(Debug, Args)]
pub struct ImpactArgs {
    /// Key: a chip's as 65 bytes in hex, an authority's key identifier, or a file
    #[arg(long, value_name = "KEY")]
    key: Option<String>,
    /// Serial number of a DAC, in hex
    #[arg(long, value_name = "SERIAL")]
    credential: Option<String>,
    /// Certificate in a file: DAC, PAI or PAA
    #[arg(long, value_name = "FILE")]
    certificate: Option<PathBuf>,
    /// PAI, or PAA for all its PAIs
    #[arg(long, visible_alias = "pai", value_name = "NAME")]
    authority: Option<String>,
    /// A delivery
    #[arg(long, value_name = "ID")]
    delivery: Option<String>,
    /// A reel
    #[arg(long, value_name = "ID")]
    reel: Option<String>,
    /// Chip ids, first and last included
    #[arg(long, value_name = "FIRST..LAST")]
    chips: Option<String>,
    /// A station
    #[arg(long, value_name = "NAME")]
    station: Option<String>,
    /// Units with an attempt at or after this time: 2026-03-01 or 2026-03-01T12:00:00Z
    #[arg(long, value_name = "TIME", value_parser = time)]
    from: Option<OffsetDateTime>,
    /// … and before this time
    #[arg(long, value_name = "TIME", value_parser = time)]
    to: Option<OffsetDateTime>,
    /// A product
    #[arg(long, value_name = "NAME")]
    product: Option<String>,
    /// Units in this state: open, passed, failed, scrapped, returned
    #[arg(long, value_name = "STATE")]
    state: Option<String>,
    /// Units with this firmware version, as their station recorded it last (`provision --firmware`)
    #[arg(long, value_name = "VERSION")]
    firmware: Option<String>,
    #[command(flatten)]
    packed: PackedArgs,
    /// Write all units to a file
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Format of that file; default: by its name
    #[arg(long, value_name = "FORMAT", requires = "out")]
    format: Option<FormatWord>,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum FormatWord {
    /// One line per unit
    Csv,
    /// One document
    Json,
}

/// A time on the command line.
pub fn time(text: &str) -> Result<OffsetDateTime, String> {
    impact::when(text).map_err(|e| e.to_string())
}

/// Runs the command.
pub fn run(args: &ImpactArgs, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let site = place.open()?;
    let chips = match &args.chips {
        None => None,
        Some(text) => Some(text.split_once("..").ok_or_else(|| {
            Failure::usage(format!("{text:?} is not a range of chips"), "Write FIRST..LAST, both included.")
        })?),
    };
    let wanted = Wanted {
        key: args.key.as_deref(),
        credential: args.credential.as_deref(),
        certificate: args.certificate.as_deref(),
        authority: args.authority.as_deref(),
        delivery: args.delivery.as_deref(),
        reel: args.reel.as_deref(),
        chips,
        station: args.station.as_deref(),
        from: args.from,
        to: args.to,
        product: args.product.as_deref(),
        state: args.state.as_deref(),
        firmware: args.firmware.as_deref(),
        packed: args.packed.of(&site)?,
    };
    if let Some(path) = &args.out {
        let format = args.format.map_or_else(
            || Format::of(path),
            |word| match word {
                FormatWord::Csv => Format::Csv,
                FormatWord::Json => Format::Json,
            },
        );
        let done = impact::export(&site, &wanted, path, format)?;
        output.show(&done, |w| {
            writeln!(w, "Wrote {} to {}", many(done.impact.count, "unit"), done.file)?;
            numbers(w, &done.impact)
        })?;
        return Ok(Exit::Done);
    }
    if output.is_json() {
        output.pour(&mut impact::document(&site, &wanted)?)?;
        return Ok(Exit::Done);
    }
    let mut shown: Vec<UnitTouched> = Vec::new();
    let most = if output.is_verbose() { u64::MAX } else { SHOWN };
    let mut seen = 0;
    let done = impact::impact(&site, &wanted, &mut |unit| {
        seen += 1;
        if seen <= most {
            shown.push(unit);
        }
        Ok(())
    })?;
    output.show(&done, |w| {
        for unit in &shown {
            let test = if unit.purpose.is_test() { "  TEST" } else { "" };
            let revoked = match (unit.revoked, unit.earlier_board) {
                (_, true) => "  on a board that was swapped",
                (true, _) => "  REVOKED",
                _ => "",
            };
            writeln!(
                w,
                "{}  {}  {}{test}  reel {}  chip {}  DAC {}{revoked}",
                unit.unit, unit.state, unit.product, unit.reel, unit.chip_id, unit.credential
            )?;
        }
        if done.count > shown.len() as u64 {
            writeln!(w, "… and {} more; --out FILE writes all of them", done.count - shown.len() as u64)?;
        }
        numbers(w, &done)
    })?;
    Ok(Exit::Done)
}

/// What is touched, in numbers and sentences.
pub fn numbers(w: &mut dyn Write, done: &Impact) -> io::Result<()> {
    let states: Vec<_> = done.states.iter().map(|(state, count)| format!("{count} {state}")).collect();
    let states = if states.is_empty() { String::new() } else { format!(": {}", states.join(", ")) };
    let are = if done.count == 1 { "is" } else { "are" };
    writeln!(w, "{} {are} affected{states}", many(done.count, "unit"))?;
    for (product, count) in &done.products {
        writeln!(w, "  {count} of {product}")?;
    }
    if let Some(firmware) = &done.firmware {
        let recorded = many(firmware.recorded, "unit");
        match firmware.not_recorded {
            0 => writeln!(w, "  firmware was recorded for every unit that was searched: {recorded}")?,
            none => writeln!(
                w,
                "  warning: no firmware was recorded for {}, so they are not covered; it was recorded for {recorded}",
                many(none, "unit")
            )?,
        }
    }
    done.would_stop.as_ref().map_or(Ok(()), |would| consequences(w, would))
}

/// What would stop working, in sentences.
pub fn consequences(w: &mut dyn Write, would: &WouldStop) -> io::Result<()> {
    writeln!(w, "{}", would.heading())?;
    would.revoked.iter().try_for_each(|revoked| writeln!(w, "  {revoked}"))?;
    if let Some(listed_by) = &would.listed_by {
        writeln!(w, "  listed by {listed_by}")?;
    }
    would.sentences.iter().try_for_each(|sentence| writeln!(w, "  - {sentence}"))
}
