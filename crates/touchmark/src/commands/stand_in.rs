//! `touchmark stand-in`.

use std::io::{self, Write as _};
use std::net::{Ipv4Addr, Ipv6Addr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use base::Trouble;
use clap::Args;
use clap::builder::PossibleValue;
use line::chips::ChipId;
use line::stand_in::{self, Announcement, Complaint, Fault, Label, StandIn, announce, bind};
use serde::Serialize;
use serde_json::json;
use signal_hook::consts::{SIGINT, SIGTERM};
use signal_hook::flag;

use super::at_site::{PassphraseArgs, Place};
use super::chip::Chips;
use crate::output::{Exit, Failure, Output};

/// Play a unit on the network, for homes to meet
///
/// From a unit of the site and its chip, from a factory record and a chip, or
/// from a specimen set of `specimen write`. Runs until it is stopped with Ctrl+C
/// or SIGTERM. Whatever a home does that is not by the standard is reported on
/// standard error. FOR TESTING: it lets in whoever knows the code.
#[derive(Debug, Args)]
#[command(group = clap::ArgGroup::new("played").required(true))]
pub struct StandInArgs {
    /// Unit of the site; needs --chips
    #[arg(long, value_name = "SERIAL", group = "played", requires = "chips")]
    unit: Option<String>,
    /// Factory record (CBOR, image or Intel HEX); needs --chips
    #[arg(long, value_name = "FILE", group = "played", requires = "chips")]
    record: Option<PathBuf>,
    /// One set of `specimen write`
    #[arg(long, value_name = "DIR", group = "played", conflicts_with = "chips")]
    specimen: Option<PathBuf>,
    /// Source of chips: simulated:DIR, a PKCS #11 URI, or command:PROGRAM
    #[arg(long, value_name = "SOURCE")]
    chips: Option<String>,
    /// Chip of the record; default: the only one present
    #[arg(long, value_name = "ID", requires = "record")]
    chip: Option<ChipId>,
    /// UDP port; 0 takes a free one
    #[arg(long, value_name = "N", default_value_t = 0)]
    port: u16,
    /// Announce the unit on the network (multicast DNS)
    #[arg(long)]
    announce: bool,
    /// Network interface for --announce; default: all
    #[arg(long, value_name = "NAME", requires = "announce")]
    interface: Option<String>,
    /// What is wrong with the unit
    #[arg(long, value_name = "NAME")]
    fault: Option<FaultArg>,
    /// Firmware version that the unit reports; default: the one recorded for the unit, else 1.0.0
    #[arg(long, value_name = "VERSION")]
    firmware: Option<String>,
    #[command(flatten)]
    passphrase: PassphraseArgs,
}

/// A fault as it is typed.
#[derive(Debug, Clone, Copy)]
struct FaultArg(Fault);

impl clap::ValueEnum for FaultArg {
    fn value_variants<'a>() -> &'a [Self] {
        static ALL: std::sync::LazyLock<Vec<FaultArg>> =
            std::sync::LazyLock::new(|| Fault::ALL.iter().copied().map(FaultArg).collect());
        &ALL
    }

    fn to_possible_value(&self) -> Option<PossibleValue> {
        let value = PossibleValue::new(self.0.name()).help(self.0.what());
        // A rule's whole name is taken for the fault that provokes it.
        let is_first = self.0.rule_name().strip_prefix("meet.") == Some(self.0.name());
        Some(if is_first { value.alias(self.0.rule_name()) } else { value })
    }
}

/// The first line of the answer.
#[derive(Serialize)]
struct Started<'a> {
    at: String,
    #[serde(flatten)]
    label: &'a Label,
}

/// Runs the command.
pub fn run(args: StandInArgs, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let fault = args.fault.map(|fault| fault.0);
    let firmware = args.firmware.as_deref();
    let chips = args.chips.as_deref().map(|source| Chips::named(source).open()).transpose()?;
    let ready = match (&args.unit, &args.record, &args.specimen, chips) {
        (Some(unit), _, _, Some(mut source)) => {
            let site = place.open()?;
            let passphrase = args.passphrase.for_site_key(&site)?;
            stand_in::of_unit(&site, unit, source.as_mut(), passphrase.as_ref(), fault, firmware)?
        }
        (_, Some(record), _, Some(mut source)) => {
            stand_in::of_record(record, source.as_mut(), args.chip.as_ref(), firmware)?
        }
        (_, _, Some(dir), _) => stand_in::of_specimen(dir, firmware)?,
        _ => return Err(Failure::usage("No chips are named.", "Give --chips with --unit or --record.")),
    };
    let socket = bind(args.port).map_err(|e| {
        Failure::surroundings(
            format!("UDP port {} can't be used: {e}", args.port),
            "Give another port, or 0 for a free one.",
        )
    })?;
    let bound = socket.local_addr().map_err(|e| Failure::surroundings(e.to_string(), "Try again."))?;
    let own: SocketAddr = match bound {
        SocketAddr::V6(_) => (Ipv6Addr::LOCALHOST, bound.port()).into(),
        SocketAddr::V4(_) => (Ipv4Addr::LOCALHOST, bound.port()).into(),
    };
    let label = ready.label.clone();
    let mut unit = StandIn::new(ready.played, fault);
    let mut announced = Vec::new();
    if args.announce {
        let told = Announcement {
            port: bound.port(),
            discriminator: label.discriminator ^ u16::from(fault == Some(Fault::NotFound)),
            open: unit.is_open(),
            vendor_id: label.vendor_id,
            product_id: label.product_id,
            device_type: ready.device_type,
        };
        let second = Announcement { port: bound.port().wrapping_sub(1).max(1), ..told };
        let both = [Some(told), (fault == Some(Fault::TwoAnswer)).then_some(second)];
        for one in both.into_iter().flatten() {
            announced.push(announce(&one, args.interface.as_deref()).map_err(|e| {
                Failure::surroundings(e.to_string(), "Check the network and --interface, or leave out --announce.")
            })?);
        }
    }
    let json = output.is_json();
    // Not as long work is stopped, with a word about it: standard error is for what homes do.
    let stop = Arc::new(AtomicBool::new(false));
    for signal in [SIGINT, SIGTERM] {
        flag::register(signal, Arc::clone(&stop))
            .map_err(|e| Failure::surroundings(format!("signals can't be heard: {e}"), "Try again."))?;
    }
    started(&Started { at: own.to_string(), label: &label }, output)?;
    let stopped = || stop.load(Ordering::Relaxed);
    let served = stand_in::serve(&mut unit, &socket, &stopped, &mut |complaint| tell(json, &complaint));
    drop(announced);
    served.map_err(|e| Failure::from(Trouble::surroundings(format!("the socket failed: {e}"), "Try again.")))?;
    Ok(Exit::Done)
}

/// Says where it is, at once: whoever started it waits for that line.
fn started(started: &Started<'_>, output: &Output) -> Result<(), Failure> {
    let mut out = io::stdout().lock();
    let written = if output.is_json() {
        serde_json::to_writer(&mut out, started).map_err(io::Error::from).and_then(|()| writeln!(out))
    } else {
        let code = |code: &Option<String>| code.clone().unwrap_or_else(|| "unknown".into());
        writeln!(
            out,
            "at {}  code {}  pairing code {}",
            started.at,
            code(&started.label.qr),
            code(&started.label.manual)
        )
    };
    written.and_then(|()| out.flush()).map_err(|e| {
        Failure::surroundings(format!("standard output can't be written: {e}"), "Check where the output goes.")
    })
}

/// What a home did that is not by the standard.
fn tell(json: bool, complaint: &Complaint) {
    let Complaint { from, clause, required, found } = complaint;
    let from = SocketAddr::new(from.ip().to_canonical(), from.port());
    let mut err = io::stderr().lock();
    let _ = if json {
        writeln!(err, "{}", json!({ "from": from.to_string(), "clause": clause, "required": required, "found": found }))
    } else {
        writeln!(err, "{from}: {found}. Required: {required} ({clause})")
    };
}
