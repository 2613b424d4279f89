//! `touchmark delivery`.

use std::io::{self, IsTerminal, Write};
use std::path::PathBuf;

use clap::{Args, Subcommand};
use serde_json::json;
use standard::verdict::Severity;
use works::delivery::{self, Received, Withdrawn};
use zeroize::Zeroizing;

use super::at_site::{PassphraseArgs, Place, secret};
use crate::output::{Exit, Failure, Output};
use crate::watching::watched;

/// Receive deliveries of certificates, or issue them here
#[derive(Debug, Subcommand)]
pub enum DeliveryCommand {
    /// Receive a delivery: inspected as a whole, refused unless clean
    ///
    /// ZIP, tar.gz, directory, PEM bundle or PKCS #7, nested in one another.
    /// Every certificate is judged by all rules and matched to its chip by
    /// public key. Nothing is extracted to disk.
    Receive(Receive),
    /// Issue a DAC for every chip of a reel that has none, from a development PAI
    Issue(Issue),
    /// List deliveries
    List,
    /// Show one delivery with its inspection's report
    Show {
        /// Its id
        id: String,
    },
    /// Take a delivery back before its first unit
    ///
    /// Its certificates can be received again. The log keeps what it was.
    Withdraw {
        /// Its id
        id: String,
    },
}

#[derive(Debug, Args)]
pub struct Receive {
    /// File or directory as it was sent
    path: PathBuf,
    /// The reel it is for
    #[arg(long, value_name = "ID")]
    reel: String,
    /// Keep the good part, and name the rest
    #[arg(long)]
    accept_part: bool,
    /// File whose one line is the archive's password; else TOUCHMARK_DELIVERY_PASSWORD, else a prompt on a terminal
    #[arg(long, value_name = "F")]
    password_file: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub struct Issue {
    /// The reel
    #[arg(long, value_name = "ID")]
    reel: String,
    /// The PAI that issues
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
            let receive = |password: Option<&Zeroizing<Vec<u8>>>| {
                watched(output, "certificates", |course| {
                    delivery::receive(&site, &args.path, &args.reel, args.accept_part, password, &who, course)
                })
            };
            let mut done = receive(password.as_ref())?;
            let locked = done.findings.iter().any(|f| f.finding.rule.name == "delivery.password");
            if locked && password.is_none() && io::stdin().is_terminal() {
                let typed =
                    rpassword::prompt_password("Password of the archive: ").map(Zeroizing::new).map_err(|e| {
                        Failure::surroundings(
                            format!("no password could be asked for: {e}"),
                            "Give it with --password-file.",
                        )
                    })?;
                done = receive(Some(&Zeroizing::new(typed.as_bytes().to_vec())))?;
            }
            let verbose = output.is_verbose();
            output.show(&done.json(), |w| words(w, &done, verbose))?;
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
            Ok(Exit::Done)
        }
        DeliveryCommand::List => {
            let list = delivery::list(&site)?;
            output.show(&json!({ "deliveries": list }), |w| {
                for d in &list {
                    writeln!(
                        w,
                        "{}  reel {}  {}  {} of {} certificates  {}",
                        d.delivery, d.reel, d.verdict, d.accepted, d.read, d.source
                    )?;
                }
                if list.is_empty() {
                    writeln!(w, "No delivery yet: touchmark delivery receive or issue.")
                } else {
                    Ok(())
                }
            })?;
            Ok(Exit::Done)
        }
        DeliveryCommand::Show { id } => {
            let d = delivery::show(&site, &id)?;
            output.show(&d, |w| {
                writeln!(
                    w,
                    "{}  reel {}  {}  {} of {} certificates",
                    d.delivery, d.reel, d.verdict, d.accepted, d.read
                )?;
                writeln!(w, "  from {} on {}", d.source, d.received)
            })?;
            Ok(Exit::Done)
        }
        DeliveryCommand::Withdraw { id } => {
            let done = delivery::withdraw(&site, &id, &place.who()?)?;
            output.show(&done, |w| {
                let Withdrawn { withdrawn, reel, certificates, authorities, entry } = &done;
                writeln!(w, "Withdrew delivery {withdrawn}: {certificates} certificates for reel {reel}")?;
                for name in authorities {
                    writeln!(w, "  with it   intermediate {name}, which had come with it")?;
                }
                writeln!(w, "  log       entry {entry} holds what it was")?;
                writeln!(w, "Next: touchmark delivery receive, or touchmark reel withdraw {reel}.")
            })?;
            Ok(Exit::Done)
        }
    }
}

fn words(w: &mut dyn Write, done: &Received, verbose: bool) -> io::Result<()> {
    for f in done.findings.iter().filter(|f| verbose || f.finding.severity != Severity::Note) {
        let count = if f.count > 1 { format!(" ({} alike)", f.count) } else { String::new() };
        writeln!(w, "{} {}{count}", f.finding.severity, f.finding.rule.name)?;
        let chip = f.chip_id.as_ref().map(|c| format!(", chip {c}")).unwrap_or_default();
        writeln!(w, "  on        {}{chip}", f.subject)?;
        writeln!(w, "  required  {}", f.finding.required)?;
        writeln!(w, "  found     {}", f.finding.found)?;
        writeln!(w, "  next      {}", f.finding.advice)?;
    }
    match done.verdict {
        "accepted" => writeln!(
            w,
            "Accepted: {} certificates for the {} chips of reel {}, as delivery {}",
            done.accepted,
            done.on_reel,
            done.reel,
            done.delivery.as_deref().unwrap_or("?")
        ),
        "accepted-in-part" => {
            writeln!(
                w,
                "Accepted in part: {} of {} certificates, as delivery {}",
                done.accepted,
                done.read,
                done.delivery.as_deref().unwrap_or("?")
            )?;
            writeln!(
                w,
                "Chips left without: {}",
                if done.without.is_empty() { "none".into() } else { done.without.join(", ") }
            )
        }
        "already-received" => writeln!(
            w,
            "This delivery was received before, as {}: nothing was added.",
            done.delivery.as_deref().unwrap_or("?")
        ),
        _ => {
            writeln!(w, "Refused: nothing of the delivery was stored.")?;
            writeln!(w, "Ask the authority to send it again, or keep the good part with --accept-part.")
        }
    }
}
