//! `touchmark examine`.

use std::path::PathBuf;
use std::time::{SystemTime, UNIX_EPOCH};

use clap::Args;
use clap::builder::PossibleValuesParser;
use examine::{Examination, Examine, Input, Kind, examine};
use serde::Serialize;
use site::trust::{SetVerdict, examine_against};
use standard::ids::{ProductId, VendorId};
use standard::moment::Moment;
use standard::verdict::{Device, Verdict, all_rules};

use super::at_site::Place;
use super::examine_words;
use crate::output::{Exit, Failure, Output};
use crate::watching::watched;

/// Identify files, and show whether a verifier will accept them
///
/// Reads certificates, requests, revocation lists, declarations and exchanges
/// in DER, PEM, PKCS #7 or JSON, and detects the kind from the contents.
/// Directories are read whole. Links certificates into chains and checks
/// everything that the given files allow. Explains every broken rule: what is
/// required, what was found, how to fix it.
///
/// This verdict is no certification: only the alliance and its accredited
/// laboratories certify.
#[derive(Debug, Args)]
pub struct ExamineArgs {
    /// Files and directories to examine
    #[arg(value_name = "FILE", required_unless_present = "rules")]
    files: Vec<PathBuf>,

    /// Kind of the one file, instead of detecting it
    #[arg(long = "as", value_name = "KIND", value_parser = PossibleValuesParser::new(kinds()))]
    kind: Option<String>,

    /// Trusted PAA (file or directory); once given, only these are trusted
    #[arg(long, value_name = "PATH")]
    trust: Vec<PathBuf>,

    /// Certificate or public key that may sign declarations
    #[arg(long, value_name = "PATH")]
    signer: Vec<PathBuf>,

    /// Vendor ID that the device reports, as FFF2 or 0xFFF2
    #[arg(long, value_name = "VID")]
    vendor: Option<VendorId>,

    /// Product ID that the device reports
    #[arg(long, value_name = "PID")]
    product: Option<ProductId>,

    /// Judge at this time instead of the DAC's notBefore, such as 2026-03-01T12:00:00Z
    #[arg(long, value_name = "TIME")]
    at: Option<Moment>,

    /// Revocation lists to apply (file or directory; a site's directory means the lists stored there)
    #[arg(long, value_name = "PATH")]
    revocations: Vec<PathBuf>,

    /// Also judge by trust sets of the site: all of them must accept it
    #[arg(long, value_name = "NAME", num_args = 1..)]
    trust_set: Vec<String>,

    /// List all rules, with clause and text
    #[arg(long)]
    rules: bool,
}

fn kinds() -> Vec<&'static str> {
    Kind::ALL.iter().filter(|(kind, _)| *kind != Kind::Unknown).map(|(_, word)| *word).collect()
}

/// The present, as the machine's clock has it.
pub fn now() -> Moment {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    Moment::from_unix(i64::try_from(since.as_secs()).unwrap_or(i64::MAX))
}

/// Runs the command.
pub fn run(args: ExamineArgs, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    if args.rules {
        return list_rules(output);
    }
    let kind = args.kind.and_then(|word| Kind::ALL.iter().find(|(_, w)| *w == word).map(|(kind, _)| *kind));
    let request = Examine {
        files: Input::at(args.files),
        kind,
        trust: Input::at(args.trust),
        signers: Input::at(args.signer),
        revocations: site::revoked::kept_by(&args.revocations)?,
        device: Device { vendor: args.vendor, product: args.product, by_declaration: false },
        at: args.at,
        most: None,
    };
    let site = if args.trust_set.is_empty() { None } else { Some(place.open()?) };
    let (answer, sets) = watched(output, "files and certificates", |course| {
        let answer = examine(&request, now(), course)?;
        let against = |site| examine_against(site, &args.trust_set, &request, now(), course);
        Ok::<_, Failure>((answer, site.as_ref().map(against).transpose()?))
    })?;
    let taken = sets.iter().flatten().all(SetVerdict::accepts);
    let exit = if answer.verdict == Verdict::Accepted && taken { Exit::Done } else { Exit::Rejected };
    if let Some(sets) = sets {
        let style = examine_words::Style { shapes: output.is_styled(), verbose: output.is_verbose() };
        let judged = Judged { examination: &answer, trust_sets: &sets };
        output.show(&judged, |w| {
            examine_words::write(w, &answer, !request.trust.is_empty(), style)?;
            super::trust_set::matrix(w, &[("given", &sets)])
        })?;
        return Ok(exit);
    }
    let style = examine_words::Style { shapes: output.is_styled(), verbose: output.is_verbose() };
    output.show(&answer, |w| examine_words::write(w, &answer, !request.trust.is_empty(), style))?;
    Ok(exit)
}

/// An examination, and what trust sets say.
#[derive(Serialize)]
struct Judged<'a> {
    #[serde(flatten)]
    examination: &'a Examination,
    trust_sets: &'a [SetVerdict],
}

#[derive(Serialize)]
struct RuleView {
    rule: &'static str,
    severity: &'static str,
    clause: &'static str,
    required: &'static str,
    advice: &'static str,
}

#[derive(Serialize)]
struct Rules {
    rules: Vec<RuleView>,
}

fn list_rules(output: &mut Output) -> Result<Exit, Failure> {
    let rules = all_rules()
        .into_iter()
        .map(|r| RuleView {
            rule: r.name,
            severity: r.severity.word(),
            clause: r.clause,
            required: r.required,
            advice: r.advice,
        })
        .collect();
    let answer = Rules { rules };
    output.show(&answer, |w| {
        for rule in &answer.rules {
            writeln!(w, "{}  {}  ({})", rule.rule, rule.severity, rule.clause)?;
            writeln!(w, "  required  {}", rule.required)?;
            writeln!(w, "  next      {}", rule.advice)?;
        }
        writeln!(w)?;
        writeln!(w, "{} rules. Clauses of the Core Spec are cited from memory.", answer.rules.len())
    })?;
    Ok(Exit::Done)
}
