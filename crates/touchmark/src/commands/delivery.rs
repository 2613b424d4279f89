//! `touchmark delivery`.

use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};

use base::finding_view::{InspectionFinding, Severity};
use base::quoted;
use clap::{Args, Subcommand};
use receive::delivery;
use receive::delivery::complaint::Complaint;
use receive::delivery::inspect::Checked;
use receive::delivery::{Counts, Received, ReceivedVerdict, Withdrawn, complaint};
use serde_json::json;
use standard::name::printable;
use zeroize::Zeroizing;

use super::at_site::{PassphraseArgs, Place, secret};
use crate::output::{Exit, Failure, Output};
use crate::watching::watched;

/// Receive deliveries of certificates, or issue them here
#[derive(Debug, Subcommand)]
pub enum DeliveryCommand {
    /// Receive a delivery: inspect it as a whole, and refuse it unless it is clean
    ///
    /// ZIP, tar (plain, gz, xz, zst), directory, PEM bundle or PKCS #7, nested in
    /// one another. Every certificate is judged by all rules and matched to its chip by
    /// public key. Nothing is extracted to disk.
    Receive(Receive),
    /// Issue a DAC for every chip of a reel that has none, with a development PAI
    Issue(Issue),
    /// List deliveries
    List,
    /// Show one delivery, refused or not, with its inspection's report
    Show {
        /// Its id
        id: String,
        /// Write what is wrong, entry by entry, for the authority: JSON where FILE ends in .json, else CSV
        #[arg(long, value_name = "FILE")]
        for_authority: Option<PathBuf>,
    },
    /// Withdraw a delivery before its first unit
    ///
    /// Its certificates can be received again. The log records the withdrawal.
    Withdraw {
        /// Its id
        id: String,
    },
}

#[derive(Debug, Args)]
pub struct Receive {
    /// File or directory as the authority sent it
    path: PathBuf,
    /// Reel that it is for
    #[arg(long, value_name = "ID")]
    reel: String,
    /// Store the good part, and list the rest
    #[arg(long)]
    accept_part: bool,
    /// File with the archive's password in one line; default: TOUCHMARK_DELIVERY_PASSWORD, then a prompt on a terminal
    #[arg(long, value_name = "F")]
    password_file: Option<PathBuf>,
    /// Write what is wrong, entry by entry, for the authority: JSON where FILE ends in .json, else CSV
    #[arg(long, value_name = "FILE")]
    for_authority: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub struct Issue {
    /// The reel
    #[arg(long, value_name = "ID")]
    reel: String,
    /// PAI that issues
    #[arg(long, value_name = "NAME")]
    issuer: String,
    #[command(flatten)]
    passphrase: PassphraseArgs,
}

/// Runs the command.
pub fn run(command: DeliveryCommand, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let site = place.open()?;
    match command {
        DeliveryCommand::Receive(args) => {
            let password = secret(args.password_file.as_deref(), "TOUCHMARK_DELIVERY_PASSWORD")?;
            let who = place.who()?;
            args.for_authority.as_deref().map_or(Ok(()), complaint::is_free)?;
            let receive = |password: Option<&Zeroizing<Vec<u8>>>| {
                watched(output, "certificates", |course| {
                    delivery::receive(&site, &args.path, &args.reel, args.accept_part, password, &who, course)
                })
            };
            let mut done = receive(password.as_ref())?;
            let locked = done.findings.iter().any(|f| f.finding.rule == "delivery.password");
            if locked && password.is_none() && io::stdin().is_terminal() {
                let typed =
                    rpassword::prompt_password("Password of the archive: ").map(Zeroizing::new).map_err(|e| {
                        Failure::surroundings(
                            format!("no password could be read: {e}"),
                            "Give it with --password-file.",
                        )
                    })?;
                done = receive(Some(&Zeroizing::new(typed.as_bytes().to_vec())))?;
            }
            let verbose = output.is_verbose();
            let written = write_for_authority(&done.complaint(), args.for_authority.as_deref())?;
            output.show(&done, |w| {
                words(w, &done, verbose)?;
                written.iter().try_for_each(|written| writeln!(w, "{written}"))
            })?;
            if done.is_accepted() {
                output.next(&provision(&done.reel));
            }
            Ok(if done.is_accepted() { Exit::Done } else { Exit::Rejected })
        }
        DeliveryCommand::Issue(args) => {
            let who = place.who()?;
            let issued = watched(output, "certificates", |course| {
                delivery::issue(&site, &args.reel, &args.issuer, &args.passphrase, &who, course)
            })?;
            output.show(&issued, |w| match &issued.delivery {
                Some(id) => writeln!(
                    w,
                    "Issued {} credentials for reel {} from {}, as delivery {id}",
                    issued.issued, issued.reel, issued.issuer
                ),
                None => writeln!(w, "Every chip of reel {} has its credential: nothing was issued.", issued.reel),
            })?;
            output.next(&provision(&issued.reel));
            Ok(Exit::Done)
        }
        DeliveryCommand::List => {
            let list = delivery::list(&site)?;
            let refused = delivery::refused(&site);
            output.show(&json!({ "deliveries": list, "refused": refused }), |w| {
                for d in &list {
                    writeln!(
                        w,
                        "{}  reel {}  {}  {}  {}",
                        d.delivery,
                        d.reel,
                        d.verdict,
                        counts(&d.certificates),
                        d.source
                    )?;
                }
                for d in &refused {
                    writeln!(w, "{}  reel {}  refused  {}  {}", d.delivery, d.reel, counts(&d.certificates), d.source)?;
                }
                if list.is_empty() && refused.is_empty() { writeln!(w, "No deliveries yet.") } else { Ok(()) }
            })?;
            Ok(Exit::Done)
        }
        DeliveryCommand::Show { id, for_authority } => {
            let d = delivery::show(&site, &id)?;
            let written = write_for_authority(&d.complaint(), for_authority.as_deref())?;
            output.show(&d, |w| {
                writeln!(w, "{}  reel {}  {}  {}", d.delivery, d.reel, d.verdict, counts(&d.certificates))?;
                writeln!(w, "  from {} on {}", d.source, d.received)?;
                d.report.iter().flat_map(|report| &report.findings).try_for_each(|f| finding(w, f))?;
                written.iter().try_for_each(|written| writeln!(w, "{written}"))
            })?;
            Ok(Exit::Done)
        }
        DeliveryCommand::Withdraw { id } => {
            let done = delivery::withdraw(&site, &id, &place.who()?)?;
            output.show(&done, |w| {
                let Withdrawn { withdrawn, reel, certificates, authorities, entry } = &done;
                let count = usize::try_from(*certificates).unwrap_or_default();
                writeln!(w, "Withdrew delivery {withdrawn}: {} for reel {reel}", self::certificates(count))?;
                for name in authorities {
                    writeln!(w, "  with it   intermediate {name}, which had come with it")?;
                }
                writeln!(w, "  log       entry {entry} holds what it was")
            })?;
            output.next(&format!(
                "Receive the right delivery with `touchmark delivery receive PATH --reel {0}`, or withdraw the reel with \
                 `touchmark reel withdraw {0}`.",
                quoted(&done.reel)
            ));
            Ok(Exit::Done)
        }
    }
}

/// Writes the file for the authority where one is wanted; what to say of it.
fn write_for_authority(complaint: &Complaint<'_>, out: Option<&Path>) -> Result<Option<String>, Failure> {
    let Some(out) = out else { return Ok(None) };
    let entries = complaint.write(out)?;
    let noun = if entries == 1 { "entry" } else { "entries" };
    Ok(Some(format!("For the authority: {} ({entries} {noun})", out.display())))
}

fn counts(c: &Counts) -> String {
    format!("{} good, {} faulty, {} missing; {} stored", c.good, c.faulty, c.missing, c.accepted)
}

/// A number with its noun.
fn certificates(count: usize) -> String {
    format!("{count} {}", if count == 1 { "certificate" } else { "certificates" })
}

/// A finding of an inspection.
pub fn finding(w: &mut dyn Write, f: &InspectionFinding) -> io::Result<()> {
    let InspectionFinding { finding, chip_id, count } = f;
    let times = if *count > 1 { format!(" ({count} times)") } else { String::new() };
    writeln!(w, "{} {}{times}", finding.severity, finding.rule)?;
    let chip = chip_id.as_deref().map(|chip| format!(", chip {}", printable(chip))).unwrap_or_default();
    writeln!(w, "  on        {}{chip}", printable(&finding.subject))?;
    writeln!(w, "  required  {}", printable(&finding.required))?;
    writeln!(w, "  found     {}", printable(&finding.found))?;
    writeln!(w, "  next      {}", printable(&finding.advice))
}

/// What comes next once chips have certificates.
fn provision(reel: &str) -> String {
    format!("Provision units with `touchmark provision --reel {} --station NAME --chips SOURCE`.", quoted(reel))
}

/// How many chips of the reel have a certificate now, and which have none.
fn reel_words(w: &mut dyn Write, done: &Received) -> io::Result<()> {
    if !done.chips.spent.is_empty() {
        writeln!(
            w,
            "{} came for chips that had been scrapped: kept, and counted as spent: {}",
            certificates(done.chips.spent.len()),
            done.chips.spent.join(", ")
        )?;
    }
    match done.chips.without.len() {
        0 => {
            writeln!(w, "Reel {}: each of its {} chips that is used has a certificate.", done.reel, done.chips.on_reel)
        }
        count => writeln!(
            w,
            "Reel {}: {count} of its {} chips {} without a certificate: {}",
            done.reel,
            done.chips.on_reel,
            if count == 1 { "is" } else { "are" },
            done.chips.without.join(", ")
        ),
    }
}

fn words(w: &mut dyn Write, done: &Received, verbose: bool) -> io::Result<()> {
    let shown = |f: &&InspectionFinding| verbose || f.finding.severity != Severity::Note;
    done.findings.iter().filter(shown).try_for_each(|f| finding(w, f))?;
    if let Some(checked) = &done.checksums {
        let Checked { lists, listed, matching, unlisted } = checked;
        let lists = if let [one] = lists.as_slice() { printable(one) } else { format!("{} lists", lists.len()) };
        writeln!(w, "Checksums: {matching} of {listed} files in {lists} match; {unlisted} not listed")?;
    }
    let c = done.certificates;
    let id = done.delivery.as_deref().unwrap_or("?");
    match done.verdict {
        ReceivedVerdict::Accepted => {
            writeln!(w, "Accepted: {}, as delivery {id}", certificates(c.accepted))?;
            reel_words(w, done)
        }
        ReceivedVerdict::AcceptedInPart => {
            writeln!(w, "Accepted in part: {} good, {} faulty, {} missing", c.good, c.faulty, c.missing)?;
            writeln!(w, "Stored {}, as delivery {id}", certificates(c.accepted))?;
            reel_words(w, done)
        }
        ReceivedVerdict::AlreadyReceived => {
            if done.also.is_empty() {
                writeln!(w, "This delivery was already received as {id}: nothing was added.")?;
            } else {
                let others = done.also.join(", ");
                writeln!(
                    w,
                    "All its certificates are here already, with deliveries {id}, {others}: nothing was added."
                )?;
            }
            reel_words(w, done)
        }
        ReceivedVerdict::Refused => {
            writeln!(w, "Refused: {} good, {} faulty, {} missing. Nothing was stored.", c.good, c.faulty, c.missing)?;
            let good = c.good - c.already;
            // The chip of a faulty certificate has one that came, and none that it can use.
            if done.has_good_part() && !done.chips.without.is_empty() {
                let (chip, left) =
                    (if done.chips.without.len() == 1 { "chip" } else { "chips" }, done.chips.without.join(", "));
                writeln!(
                    w,
                    "Without the faulty and the missing, {} {chip} would have none: {left}",
                    done.chips.without.len()
                )?;
            }
            if done.is_misplaced() && done.has_good_part() {
                writeln!(
                    w,
                    "The authority has nothing to put right. Keep the good {} with --accept-part, and receive the same \
                     file for the other reel too.",
                    certificates(good)
                )?;
            } else if done.is_misplaced() {
                writeln!(w, "The authority has nothing to put right: see above where it belongs.")?;
            } else if done.has_good_part() {
                writeln!(
                    w,
                    "Ask the authority to put it right, or keep the good {} with --accept-part.",
                    certificates(good)
                )?;
            } else {
                let here = match c.already {
                    0 => "None of it can be kept.".to_owned(),
                    n => format!("Already here: {}. Nothing else of it can be kept.", certificates(n)),
                };
                writeln!(
                    w,
                    "{here} Do what is said above; what is not for you to do, ask the authority to put right."
                )?;
            }
            match &done.delivery {
                Some(id) => writeln!(
                    w,
                    "Its report: touchmark delivery show {}; as a file for the authority: --for-authority FILE.",
                    quoted(id)
                ),
                None => writeln!(w, "Its report could not be kept; --for-authority FILE writes it to a file."),
            }
        }
    }
}
