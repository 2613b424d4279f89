//! `touchmark reel` and `touchmark order`.

use std::io::{self, Write};
use std::path::PathBuf;

use base::finding_view::{InspectionFinding, Severity};
use base::{Trouble, quoted};
use clap::{Args, Subcommand};
use receive::order::Written;
use receive::reel::manifest::ColumnMap;
use receive::reel::{ManifestVerdict, Options, ReelView};
use receive::{delivery, order, reel};
use rehearse::trial::{self, Outcome, Tried, TryOrder};
use serde_json::json;
use standard::name::printable;

use super::at_site::Place;
use super::chip::Chips;
use super::words::{many, row};
use crate::output::{Exit, Failure, Output};
use crate::watching::watched;

/// Receive, divide and assign reels of chips
#[derive(Debug, Subcommand)]
pub enum ReelCommand {
    /// Receive a reel from its manifest, all of it or nothing
    ///
    /// CSV of any delimiter, with or without titles above its header, in UTF-8,
    /// UTF-16 or Windows-1252; JSON; or one public key or certificate for each
    /// chip, in a directory or archive. Every key is checked on the curve.
    Receive(Receive),
    /// List reels
    List,
    /// Show one reel
    Show {
        /// Its id
        id: String,
    },
    /// Withdraw a reel that nothing depends on, such as one received for the wrong product
    ///
    /// Its id, and the ids and keys of its chips, can be used again. The log records the withdrawal.
    Withdraw {
        /// Its id
        id: String,
    },
    /// Make an untouched section of a reel a reel of its own
    ///
    /// Its chips take their certificates along and count places from 1. The rest keeps its places.
    Split(SplitArgs),
    /// Give an untouched reel to another product
    ///
    /// If certificates came or were ordered, the product must have the same vendor ID and product ID.
    Assign {
        /// Its id
        id: String,
        /// The product
        #[arg(long, value_name = "NAME")]
        product: String,
    },
}

#[derive(Debug, Args)]
pub struct SplitArgs {
    /// Id of the reel
    id: String,
    /// First place of the section, from 1
    #[arg(long, value_name = "PLACE")]
    from: i64,
    /// Last place of the section
    #[arg(long, value_name = "PLACE")]
    to: i64,
    /// Id for the new reel
    #[arg(long = "as", value_name = "ID")]
    new: String,
}

#[derive(Debug, Args)]
pub struct Receive {
    /// The manifest
    file: PathBuf,
    /// Id for the reel
    #[arg(long, value_name = "ID")]
    reel: String,
    /// Product that its chips are for
    #[arg(long, value_name = "NAME")]
    product: String,
    /// Columns of chip id and key: chip_id=COL,public_key=COL
    #[arg(long, value_name = "MAP")]
    map: Option<ColumnMap>,
    /// Make the reel of certificates that an authority issued, where there is no manifest of the chip maker's
    #[arg(long)]
    from_certificates: bool,
}

/// Order certificates from an outside authority: in a file, or online
#[derive(Debug, Subcommand)]
pub enum OrderCommand {
    /// Write chip id, VID, PID and public key of every chip without a credential
    ///
    /// The order is tried first, as with `order try`. Where its answer would be refused, nothing is written; otherwise the
    /// trial's report is written beside the order, as FILE.trial.json.
    Write(Write_),
    Enrol(Box<super::online::Enrol>),
    /// Try an order: what its answer would be, issued under keys that are not kept
    ///
    /// The answer is inspected as a delivery, held against the part's memory, written to a simulated chip by a station,
    /// and judged by the product's trust sets. Your site is not changed. Exits with 1 if the answer would be refused.
    Try(TryArgs),
}

#[derive(Debug, Args)]
pub struct TryArgs {
    /// The order that `order write` wrote
    file: PathBuf,
    #[command(flatten)]
    with: TryWith,
}

/// What an order is tried with.
#[derive(Debug, Args)]
struct TryWith {
    /// Part file, or the name of a built-in part; default: the part that the product names
    #[arg(long, value_name = "FILE")]
    part: Option<PathBuf>,
    /// Intermediate that will issue; default: the only one for the product's identity
    #[arg(long, value_name = "PAI")]
    issuer: Option<String>,
    /// Trust sets that must accept the units; default: the product's
    #[arg(long, value_name = "NAME", num_args = 1..)]
    trust_set: Vec<String>,
}

impl TryWith {
    fn request(&self) -> TryOrder<'_> {
        TryOrder { part: self.part.as_deref(), issuer: self.issuer.as_deref(), trust_sets: &self.trust_set }
    }
}

#[derive(Debug, Args)]
#[command(name = "write")]
pub struct Write_ {
    /// The reel
    #[arg(long, value_name = "ID")]
    reel: String,
    /// File to write: JSON if it ends in .json, otherwise CSV
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// Write PKCS #10 requests instead, signed by the chips of this source
    #[arg(long, value_name = "SOURCE")]
    chips: Option<String>,
    /// Order chips once more that were ordered already and have no certificate yet
    #[arg(long)]
    again: bool,
    /// Write the order without trying it
    #[arg(long, conflicts_with_all = ["part", "issuer", "trust_set"])]
    untried: bool,
    #[command(flatten)]
    with: TryWith,
}

/// Runs `reel`.
pub fn run(command: ReelCommand, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let site = place.open()?;
    match command {
        ReelCommand::Receive(args) => {
            let options = Options { columns: args.map.unwrap_or_default(), from_certificates: args.from_certificates };
            let who = place.who()?;
            let done = watched(output, "chips", |course| {
                reel::receive(&site, &args.file, &args.reel, &args.product, &options, &who, course)
                    .map_err(|t| option_wanted(t, "from_certificates", "To do so, add --from-certificates."))
            })?;
            output.show(&done, |w| {
                finding_words(w, &done.findings)?;
                match done.verdict {
                    ManifestVerdict::Accepted => {
                        writeln!(w, "Received reel {}: {} chips for {}", done.reel, done.chips.received, done.product)?;
                        // What the chip maker says in one of them may matter to whoever uses the chips.
                        if !done.unused_columns.is_empty() {
                            let names: Vec<String> = done.unused_columns.iter().map(|name| printable(name)).collect();
                            writeln!(w, "Not looked at: {}", names.join(", "))?;
                        }
                        Ok(())
                    }
                    ManifestVerdict::AlreadyReceived => {
                        writeln!(w, "Reel {} was already received with these chips: nothing was added.", done.reel)
                    }
                    ManifestVerdict::Refused => {
                        let errors = done.findings.iter().filter(|f| f.finding.severity == Severity::Error);
                        let errors = many(errors.map(|f| f.count).sum::<usize>() as u64, "error");
                        writeln!(w, "Refused: {errors}. No chip was stored.")
                    }
                }
            })?;
            if done.verdict == ManifestVerdict::Accepted {
                let reel = quoted(&done.reel);
                let order = format!("Write an order with `touchmark order write --reel {reel} --out FILE`");
                output.next(&match delivery::issuer_for(&site, &done.reel, who.now())? {
                    Some(pai) => format!(
                        "{order}, or issue certificates here with `touchmark delivery issue --reel {reel} --issuer {}`.",
                        quoted(&pai)
                    ),
                    None => format!("{order}."),
                });
            }
            Ok(if done.is_accepted() { Exit::Done } else { Exit::Rejected })
        }
        ReelCommand::List => {
            let list = reel::list(&site)?;
            output.show(&json!({ "reels": list }), |w| {
                list.iter().try_for_each(|r| words(w, r))?;
                if list.is_empty() { writeln!(w, "No reels yet.") } else { Ok(()) }
            })?;
            Ok(Exit::Done)
        }
        ReelCommand::Show { id } => {
            let shown = reel::show(&site, &id)?;
            output.warn(&shown.warnings);
            output.show(&shown, |w| words(w, &shown))?;
            Ok(Exit::Done)
        }
        ReelCommand::Split(args) => {
            let done = reel::split(&site, &args.id, (args.from, args.to), &args.new, &place.who()?)?;
            output.show(&done, |w| {
                let (chips, certificates) = (many(done.reel.chips, "chip"), many(done.certificates, "certificate"));
                writeln!(w, "Split reel {}: {chips} with {certificates}", done.reel.reel)?;
                words(w, &done.reel)?;
                words(w, &done.source)
            })?;
            output.next(&format!(
                "Label the section as reel {0}. Give it to another product with `touchmark reel assign {0} --product NAME`.",
                quoted(&done.reel.reel)
            ));
            Ok(Exit::Done)
        }
        ReelCommand::Assign { id, product } => {
            let done = reel::assign(&site, &id, &product, &place.who()?)?;
            output.show(&done, |w| match done.already {
                true => writeln!(w, "Reel {} is for {} already: nothing was changed.", done.reel.reel, done.was),
                false => {
                    writeln!(w, "Reel {} is for {} now, and was for {}", done.reel.reel, done.reel.product, done.was)
                }
            })?;
            Ok(Exit::Done)
        }
        ReelCommand::Withdraw { id } => {
            let done = reel::withdraw(&site, &id, &place.who()?)?;
            output.show(&done, |w| {
                writeln!(w, "Withdrew reel {}: {} chips for {}", done.withdrawn, done.chips, done.product)?;
                for order in &done.orders {
                    writeln!(w, "  void      order {order}: ask the authority not to answer it")?;
                }
                for station in &done.stations {
                    writeln!(w, "  station   {station} has no reel now: set it up again")?;
                }
                writeln!(w, "  log       entry {} holds what it was", done.entry)
            })?;
            output.next("Receive it for the right product with `touchmark reel receive`.");
            Ok(Exit::Done)
        }
    }
}

fn words(w: &mut dyn Write, r: &ReelView) -> io::Result<()> {
    let test = if r.purpose.is_test() { " TEST" } else { "" };
    writeln!(w, "{}  {}{test}: {} chips", r.reel, r.product, r.chips)?;
    writeln!(w, "  blank {}  held {}  provisioned {}  scrapped {}", r.blank, r.held, r.provisioned, r.scrapped)?;
    if r.without_credential > 0 {
        writeln!(w, "  without a credential: {}", r.without_credential)?;
    }
    Ok(())
}

/// A refusal that an option lifts, with that option named.
pub fn option_wanted(trouble: Trouble, input: &str, advice: &str) -> Failure {
    let wanted = trouble.input() == Some(input);
    let failure = Failure::from(trouble);
    if wanted { failure.advising(advice) } else { failure }
}

/// Runs `order`.
pub fn run_order(command: OrderCommand, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let site = place.open()?;
    let args = match command {
        OrderCommand::Write(args) => args,
        OrderCommand::Enrol(args) => return super::online::run(&args, place, output),
        OrderCommand::Try(args) => {
            let who = place.who()?;
            let tried = watched(output, "certificates", |course| {
                trial::try_order(&site, &args.file, &args.with.request(), &who, course).map_err(Failure::from)
            })?;
            return tell_trial(&tried, output);
        }
    };
    let draft = match &args.chips {
        None => order::draft(&site, &args.reel, &args.out, args.again),
        Some(source) => {
            let mut source = Chips::named(source).open()?;
            order::draft_requests(&site, &args.reel, source.as_mut(), &args.out, args.again)
        }
    };
    let draft = draft.map_err(|trouble| option_wanted(trouble, "again", "To order again, add --again."))?;
    let who = place.who()?;
    let written = if args.untried {
        let done = draft.settle(&site, &who)?;
        output.show(&done, |w| order_words(w, &done))?;
        done
    } else {
        let outcome = watched(output, "certificates", |course| {
            trial::write(&site, draft, &args.with.request(), &who, course).map_err(Failure::from)
        })?;
        match outcome {
            Outcome::Rejected(tried) => {
                let exit = tell_trial(&tried, output)?;
                output.next("Nothing was written. Fix what was found, or write the order without a trial (--untried).");
                return Ok(exit);
            }
            Outcome::Written(done) => {
                output.show(&done, |w| {
                    order_words(w, &done.order)?;
                    writeln!(w, "  tried     its answer would be accepted: {}", done.trial)?;
                    finding_words(w, &done.findings)
                })?;
                done.order
            }
        }
    };
    output.next(&format!(
        "Send it to the authority, and receive its delivery with `touchmark delivery receive PATH --reel {}`.",
        quoted(&written.reel)
    ));
    Ok(Exit::Done)
}

fn order_words(w: &mut dyn Write, done: &Written) -> io::Result<()> {
    writeln!(w, "Wrote order {} for {} chips of reel {} to {}", done.order, done.chips, done.reel, done.file)?;
    writeln!(w, "  identity  the certificates must say {} {}", done.vendor_id, done.product_id)?;
    writeln!(w, "  SHA-256   {}", done.sha256)
}

fn tell_trial(tried: &Tried, output: &mut Output) -> Result<Exit, Failure> {
    output.show(tried, |w| {
        writeln!(w, "{}: the answer to {} would be {}", tried.verdict, printable(&tried.order), tried.verdict)?;
        let known = |name: &Option<String>| name.clone().unwrap_or_else(|| "none known".into());
        let rows = [
            ("reel", known(&tried.reel)),
            ("product", known(&tried.product)),
            ("issuer", known(&tried.issuer)),
            ("part", known(&tried.part)),
            ("chips", format!("{}; certificates issued and inspected: {}", tried.chips, tried.issued)),
        ];
        rows.iter().try_for_each(|(label, value)| row(w, label, value))?;
        if let (Some(dac), Some(pai)) = (tried.dac_bytes, tried.pai_bytes) {
            row(w, "largest", &format!("DAC {dac} bytes, PAI {pai} bytes; the limit is 600 each"))?;
        }
        tried
            .trust_sets
            .iter()
            .try_for_each(|set| row(w, "trust set", &format!("{}: {}", set.trust_set, set.verdict)))?;
        finding_words(w, &tried.findings)
    })?;
    Ok(if tried.is_accepted() { Exit::Done } else { Exit::Rejected })
}

fn finding_words(w: &mut dyn Write, findings: &[InspectionFinding]) -> io::Result<()> {
    for f in findings {
        let count = if f.count > 1 { format!(" ({} times)", f.count) } else { String::new() };
        let (subject, found) = (printable(&f.finding.subject), printable(&f.finding.found));
        writeln!(w, "{subject}: {} {}{count}: {found}", f.finding.severity, f.finding.rule)?;
        writeln!(w, "  next  {}", f.finding.advice)?;
    }
    Ok(())
}
