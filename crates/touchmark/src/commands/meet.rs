//! `touchmark meet`.

use std::io::{self, Write};
use std::path::PathBuf;
use std::time::Duration;

use base::Trouble;
use base::finding_view::Severity;
use clap::{Args, Subcommand};
use line::meeting::{
    self, Announcements, LeftAs, Meeting, MeetingVerdict, Named, Rack, Way, World, lines, meet_one, meet_rack,
};
use zeroize::Zeroizing;

use super::at_site::{PassphraseArgs, Place};
use super::examine::now;
use super::words::many;
use crate::output::{Exit, Failure, Output};
use crate::watching::watched;

/// Meet a finished unit as a customer's home does, and give a verdict
///
/// Finds the unit by its code, opens a session with its passcode, reads what it
/// reports, takes its certificates and its attestation, judges everything, and
/// leaves the unit as it was: no fabric is joined and nothing is stored.
///
/// Inspect on an isolated network: the unit is opened with its real passcode.
/// The passcode is tried once; a unit closes after 20 wrong tries.
///
/// Exits with 0 if the unit is accepted, 1 if it is rejected, and 3 if it could
/// not be met. This verdict is no certification: only the alliance and its
/// accredited laboratories certify.
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct MeetArgs {
    #[command(subcommand)]
    command: Option<MeetCommand>,

    /// Code on the label: the text of the QR code, or the pairing code
    #[arg(long, value_name = "TEXT", conflicts_with_all = ["unit", "find", "rack"], required_unless_present_any = ["unit", "find", "rack"])]
    code: Option<String>,
    /// Unit of the site; its code is taken from the book
    #[arg(long, value_name = "SERIAL", conflicts_with_all = ["find", "rack"])]
    unit: Option<String>,
    /// List the units that announce themselves
    #[arg(long, conflicts_with = "rack")]
    find: bool,
    /// Meet many units: a code or serial number per line, then a space and HOST:PORT where that is known; "-" reads
    /// standard input
    #[arg(long, value_name = "FILE")]
    rack: Option<PathBuf>,
    /// Units of a rack that are met at the same time
    #[arg(long, value_name = "N", default_value_t = 32, value_parser = clap::value_parser!(u16).range(1..=1000), requires = "rack")]
    side_by_side: u16,
    /// Address of the unit, instead of looking for it
    #[arg(long, value_name = "HOST[:PORT]", conflicts_with_all = ["find", "rack"])]
    at: Option<String>,
    #[command(flatten)]
    way: WayArgs,
    /// Trusted PAA (file or directory); once given, only these are trusted
    #[arg(long, value_name = "PATH")]
    trust: Vec<PathBuf>,
    /// Certificate or public key that may sign declarations; once given, only these are trusted
    #[arg(long, value_name = "PATH")]
    signer: Vec<PathBuf>,
    /// Trust sets that must accept the unit; default: all are shown, and those of its product count
    #[arg(long, value_name = "NAME", num_args = 1..)]
    trust_set: Vec<String>,
    #[command(flatten)]
    passphrase: PassphraseArgs,
}

#[derive(Debug, Subcommand)]
enum MeetCommand {
    /// Check a program for --through: every promise of the protocol, against an echo on this machine
    Check(CheckArgs),
}

#[derive(Debug, Args)]
struct CheckArgs {
    /// The program, as command:PROGRAM
    #[arg(long, value_name = "command:PROGRAM", value_parser = program)]
    through: String,
    /// Address of the echo in the program's own terms; default: that of this machine's echo
    #[arg(long, value_name = "TEXT")]
    echo: Option<String>,
}

/// How units are reached.
#[derive(Debug, Args)]
struct WayArgs {
    /// Network interface on which units are looked for
    #[arg(long, value_name = "NAME")]
    interface: Option<String>,
    /// Program that carries the datagrams, such as a radio dongle's: command:PROGRAM (docs/meeting.md)
    #[arg(long, value_name = "command:PROGRAM", value_parser = program)]
    through: Option<String>,
    /// How long a unit is looked for, and how long each answer may take
    #[arg(long, value_name = "SECONDS", default_value = "10", value_parser = seconds)]
    timeout: Duration,
}

fn program(text: &str) -> Result<String, String> {
    let program = text.strip_prefix("command:").filter(|program| !program.trim().is_empty());
    program.map(str::to_owned).ok_or_else(|| "give command:PROGRAM".into())
}

fn seconds(text: &str) -> Result<Duration, String> {
    let seconds = text.parse::<f64>().ok().filter(|s| (0.1..=3600.0).contains(s));
    seconds.map(Duration::from_secs_f64).ok_or_else(|| "give seconds, 0.1 to 3600".into())
}

/// Runs the command.
pub fn run(args: MeetArgs, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    if let Some(MeetCommand::Check(check)) = &args.command {
        return run_check(check, output);
    }
    let WayArgs { interface, through, timeout } = args.way;
    let way = Way { interface, through, timeout };
    if args.find {
        let heard = meeting::announcements(&way)?;
        output.show(&heard, |w| announcements(w, &heard))?;
        return Ok(Exit::Done);
    }
    // A site that is named or found is used; with both kinds of trust given none is needed.
    let needs_one =
        args.unit.is_some() || !args.trust_set.is_empty() || args.trust.is_empty() || args.signer.is_empty();
    let site = match place.dir() {
        Ok(_) => Some(place.open()?),
        Err(failure) if args.unit.is_some() || place.site.is_some() => return Err(failure),
        Err(_) => None,
    };
    let passphrase =
        site.as_ref().filter(|_| needs_one).map(|site| args.passphrase.for_site_key(site)).transpose()?.flatten();
    let who = place.who()?;
    let load = || {
        World::load(
            site.as_ref().map(|site| (site, passphrase.as_ref(), &who)),
            (&args.trust, &args.signer),
            &args.trust_set,
            way.clone(),
            now(),
        )
    };
    if let Some(path) = &args.rack {
        let text =
            if path.as_os_str() == "-" { io::read_to_string(io::stdin()) } else { std::fs::read_to_string(path) };
        let list = lines(&Zeroizing::new(text.map_err(|e| Trouble::file(path, e))?))?;
        let world = load()?;
        let done = watched(output, "units", |course| meet_rack(&world, &list, args.side_by_side.into(), course))?;
        output.show(&done, |w| rack(w, &done))?;
        let recorded = all_recorded(done.units.iter().map(|unit| &unit.meeting), output);
        return Ok(match (done.rejected, done.unreachable) {
            (0, 0) if done.met == list.len() && recorded => Exit::Done,
            (0, _) => Exit::Unreachable,
            _ => Exit::Rejected,
        });
    }
    let named = match (args.code, args.unit) {
        (Some(code), _) => Named::Code(Zeroizing::new(code)),
        (None, Some(unit)) => Named::Unit(unit),
        (None, None) => return Err(Failure::usage("No unit is named.", "Give --code, --unit, --find or --rack.")),
    };
    let world = load()?;
    let tells = output.is_verbose() && output.tells();
    let met = meet_one(&world, &named, args.at.as_deref(), &|step| {
        if tells {
            let _ = writeln!(io::stderr(), "{}  {} ms", step.name, step.milliseconds);
        }
    })?;
    output.show(&met, |w| one(w, &met))?;
    if met.left == LeftAs::Uncertain {
        output.warn(&[
            "The unit may still be armed. It is as it was within a minute, or after you switch it off and on.",
        ]);
    }
    let recorded = all_recorded([&met], output);
    Ok(match met.verdict {
        MeetingVerdict::Accepted if !recorded => Exit::Unreachable,
        MeetingVerdict::Accepted => Exit::Done,
        MeetingVerdict::Rejected => Exit::Rejected,
        MeetingVerdict::Unreachable => Exit::Unreachable,
    })
}

/// Whether the book has all that belong into it; else it is said why not, each reason once.
fn all_recorded<'a>(meetings: impl IntoIterator<Item = &'a Meeting>, output: &mut Output) -> bool {
    let mut why: Vec<&str> = meetings.into_iter().filter_map(|met| met.not_recorded.as_deref()).collect();
    why.dedup();
    for why in &why {
        output.warn(&[&format!("The meeting is not in the book: {why}.")]);
    }
    why.is_empty()
}

fn announcements(w: &mut dyn Write, heard: &Announcements) -> io::Result<()> {
    for unit in &heard.units {
        let id = |id: &Option<String>| id.clone().unwrap_or_else(|| "----".into());
        let mode = if unit.commissioning_mode == 0 { "closed" } else { "open" };
        writeln!(
            w,
            "{}  discriminator {}  {} {}  {mode}  {}",
            unit.at,
            unit.discriminator,
            id(&unit.vendor_id),
            id(&unit.product_id),
            unit.instance
        )?;
    }
    writeln!(w, "{}", many(heard.units.len() as i128, "unit"))
}

fn title(met: &Meeting) -> String {
    let unit = met.unit.as_ref().map(|unit| format!("unit {} ({})", unit.serial, unit.state));
    let at = met.at.as_ref().map(|at| format!("at {at}"));
    let words: Vec<_> = [unit, at].into_iter().flatten().collect();
    if words.is_empty() { "not met".into() } else { words.join("  ") }
}

fn findings(w: &mut dyn Write, met: &Meeting) -> io::Result<()> {
    met.scrapped.iter().try_for_each(|scrapped| writeln!(w, "    SCRAPPED: {scrapped}"))?;
    for f in met.findings.iter().filter(|f| f.severity != Severity::Note) {
        writeln!(w, "    {} {}: {}", f.severity, f.rule, f.found)?;
        writeln!(w, "      required  {}", f.required)?;
        writeln!(w, "      next      {}", f.advice)?;
    }
    Ok(())
}

fn one(w: &mut dyn Write, met: &Meeting) -> io::Result<()> {
    writeln!(w, "{}  {}", met.verdict, title(met))?;
    if let Some(device) = &met.device {
        let text = |text: &Option<String>| text.clone().unwrap_or_else(|| "-".into());
        writeln!(
            w,
            "    {} {}  {} {}  serial number {}  firmware {}",
            text(&device.vendor_id),
            text(&device.product_id),
            text(&device.vendor_name),
            text(&device.product_name),
            text(&device.serial_number),
            text(&device.software_version_string)
        )?;
    }
    findings(w, met)?;
    super::trust_set::matrix(w, &[("unit", met.trust_sets.as_slice())])?;
    let left = match met.left {
        LeftAs::AsFound => "The unit is as it was.",
        LeftAs::Uncertain => "The unit may still be armed.",
    };
    writeln!(w, "{left}")
}

fn rack(w: &mut dyn Write, done: &Rack) -> io::Result<()> {
    for unit in &done.units {
        writeln!(w, "{}  line {}  {}", unit.meeting.verdict, unit.line, title(&unit.meeting))?;
        findings(w, &unit.meeting)?;
    }
    writeln!(
        w,
        "{} met: {} accepted, {} rejected, {} unreachable",
        many(done.met as i128, "unit"),
        done.accepted,
        done.rejected,
        done.unreachable
    )
}

fn run_check(args: &CheckArgs, output: &mut Output) -> Result<Exit, Failure> {
    let checked = meeting::check(&args.through, args.echo.as_deref())?;
    output.show(&checked, |w| {
        for tried in &checked.promises {
            let word = if tried.broken.is_some() { "broken" } else { "held" };
            writeln!(w, "{word:<7} {}  {}", tried.promise, tried.text)?;
            tried.broken.iter().try_for_each(|how| writeln!(w, "        {how}"))?;
        }
        Ok(())
    })?;
    Ok(if checked.kept { Exit::Done } else { Exit::Rejected })
}
