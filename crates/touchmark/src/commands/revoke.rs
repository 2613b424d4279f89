//! `touchmark revoke` and `touchmark revocation`.

use std::io::{self, Write};
use std::path::PathBuf;

use answer::revocation;
use answer::revocation::{Ask, CAUTION, Issue, Issued, ListView, Plan, Progress, RequestView};
use answer::scrap::{Disposal, Revoke, SpentCredential};
use base::Trouble;
use base::trouble::About as _;
use clap::{ArgGroup, Args, Subcommand};
use serde_json::json;
use site::access;
use site::access::Standing;
use site::words::UnitState;

use super::at_site::{PassphraseArgs, PasswordArgs, Place};
use super::impact;
use super::words::many;
use crate::output::{Exit, Failure, Output};

/// Revoke certificates of an authority of this site, after showing what is affected
///
/// Writes an RFC 5280 list of every certificate of that issuer that was ever
/// revoked, numbered and dated, and a distribution-point record beside it. For
/// production, a second person must confirm; if the site has accounts, both prove
/// with their password that they are the person in --by. If the authority's key is
/// elsewhere, writes the request to send it instead. A revocation cannot be undone.
#[derive(Debug, Args)]
#[command(group(ArgGroup::new("what").required(true).multiple(true)
    .args(["unit", "credential", "authority", "confirm", "withdraw", "renew"])))]
pub struct RevokeArgs {
    /// Units whose DACs to revoke
    #[arg(long, value_name = "UNIT", num_args = 1.., conflicts_with_all = ["confirm", "withdraw", "renew"])]
    unit: Vec<String>,
    /// Serial numbers of DACs, in hex
    #[arg(long, value_name = "SERIAL", num_args = 1.., conflicts_with_all = ["confirm", "withdraw", "renew"])]
    credential: Vec<String>,
    /// A PAI, listed by its PAA
    #[arg(long, visible_alias = "pai", value_name = "PAI", conflicts_with_all = ["confirm", "withdraw", "renew"])]
    authority: Vec<String>,
    /// Reason of RFC 5280: unspecified, key-compromise, ca-compromise, affiliation-changed,
    /// superseded, cessation-of-operation, privilege-withdrawn
    #[arg(long, value_name = "REASON", required_unless_present_any = ["confirm", "withdraw", "renew"], conflicts_with_all = ["confirm", "withdraw", "renew"])]
    reason: Option<String>,
    /// Note on what happened, kept with the record
    #[arg(long, value_name = "TEXT", conflicts_with_all = ["confirm", "withdraw", "renew"])]
    note: Option<String>,
    /// Confirm a request that another person made
    #[arg(long, value_name = "NUMBER", conflicts_with_all = ["withdraw", "renew"])]
    confirm: Option<i64>,
    /// Withdraw a pending request
    #[arg(long, value_name = "NUMBER", conflicts_with = "renew")]
    withdraw: Option<i64>,
    /// Issue an authority's list again, before the last one expires
    #[arg(long, value_name = "NAME")]
    renew: Option<String>,
    /// The list to write: in PEM and DER where its name ends in .pem, else in DER; for an authority elsewhere the
    /// request to send, as JSON
    #[arg(long, value_name = "FILE", required_unless_present_any = ["dry_run", "withdraw"])]
    out: Option<PathBuf>,
    /// Show what is affected, and change nothing
    #[arg(long)]
    dry_run: bool,
    /// Days until the next list is due; default: revocation.days of the site
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=3650))]
    days: Option<u32>,
    /// Address where verifiers will find the list; default: revocation.url of the site
    #[arg(long, value_name = "URL")]
    url: Option<String>,
    /// Label of the distribution point
    #[arg(long, value_name = "TEXT")]
    label: Option<String>,
    #[command(flatten)]
    passphrase: PassphraseArgs,
    #[command(flatten)]
    password: PasswordArgs,
}

/// What becomes of the certificate of something that is scrapped.
#[derive(Debug, Args)]
pub struct DisposalArgs {
    /// Also ask for the revocation of the certificate; without this it is kept. Reasons are those of `revoke`
    #[arg(long, value_name = "REASON", num_args = 0..=1, require_equals = true,
        default_missing_value = "cessation-of-operation")]
    revoke: Option<String>,
    #[command(flatten)]
    password: PasswordArgs,
}

impl DisposalArgs {
    /// Calls `act` with what is asked for.
    pub fn asking<T>(&self, act: impl FnOnce(Option<Revoke<'_>>) -> Result<T, Trouble>) -> Result<T, Trouble> {
        let password = |name: &str| self.password.of(name);
        let asked = self.revoke.as_deref().map(revocation::reason).transpose().about("revoke")?;
        act(asked.map(|reason| Revoke { reason, standing: Standing::Typed(&password) }))
    }
}

/// What became of a certificate, after "its certificate SERIAL is".
pub fn disposal_words(credential: &SpentCredential) -> String {
    match credential.request {
        Some(number) => format!("{}; request {number} to revoke it is pending", credential.state),
        None if credential.disposal == Disposal::Kept => {
            format!("{} and kept: it still holds outside", credential.state)
        }
        None => credential.state.to_string(),
    }
}

/// Who confirms a request that scrapping made.
pub fn confirm_words(number: i64, second_person: bool) -> String {
    if second_person {
        format!(
            "A second person checks it and confirms it with `touchmark --by NAME revoke --confirm {number} --out FILE`."
        )
    } else {
        format!("Confirm it with `touchmark revoke --confirm {number} --out FILE`, which issues the list.")
    }
}

/// List and adopt revocation lists, and show pending requests
#[derive(Debug, Subcommand)]
pub enum RevocationCommand {
    /// List requests that are pending or not answered, and the newest list of each issuer
    List,
    /// Show one request, and what it affects
    Show {
        /// Its number
        number: i64,
        /// Also write what is to be sent to the authority, once the request is confirmed
        #[arg(long, value_name = "FILE.json")]
        out: Option<PathBuf>,
    },
    /// Adopt an outside authority's list, which stations, labels and challenge then apply
    Adopt {
        /// List, DER or PEM
        file: PathBuf,
        /// Certificate of a list signer that the authority appointed
        #[arg(long, value_name = "FILE")]
        signer: Vec<PathBuf>,
    },
}

/// What two names are worth where nobody has an account.
const NAMES_ALONE: &str = "This site has no accounts, so anybody can type any name, and two names need not be two people. \
                           Add accounts with `touchmark serve`; then both people prove who they are.";

fn plan_words(w: &mut dyn Write, plan: &Plan) -> io::Result<()> {
    let test = if plan.purpose.is_test() { "  TEST" } else { "" };
    writeln!(w, "{} of {}{test}", many(plan.count, "certificate"), plan.issuer)?;
    for c in plan.certificates.iter().take(40) {
        match (&c.authority, &c.unit) {
            (Some(name), _) => writeln!(w, "  PAI {name}, serial number {}", c.serial)?,
            (None, Some(unit)) if c.earlier_board => {
                writeln!(w, "  an earlier board of unit {unit}  DAC {}", c.serial)?;
            }
            (None, Some(unit)) => {
                writeln!(w, "  unit {unit}, {}  DAC {}", c.unit_state.map_or("?", UnitState::word), c.serial)?
            }
            (None, None) => {
                writeln!(w, "  chip {}, no unit yet  DAC {}", c.chip_id.as_deref().unwrap_or("?"), c.serial)?;
            }
        }
    }
    if plan.count > 40 {
        writeln!(w, "  … and {} more", plan.count - 40)?;
    }
    for already in plan.already.iter().take(40) {
        writeln!(w, "  {already}; that stays as it is")?;
    }
    let units: Vec<_> = plan.units.iter().map(|(state, count)| format!("{count} {state}")).collect();
    writeln!(w, "Affected units: {}", if units.is_empty() { "none".into() } else { units.join(", ") })?;
    plan.would_stop.iter().try_for_each(|would| impact::consequences(w, would))
}

fn request_words(w: &mut dyn Write, r: &RequestView) -> io::Result<()> {
    writeln!(
        w,
        "Request {}: {} of {}, {}, requested by {} at {}: {}",
        r.request,
        many(r.certificates, "certificate"),
        r.issuer,
        r.reason,
        r.requested_by,
        r.requested,
        r.state
    )?;
    match (r.state, &r.answered) {
        (Progress::Sent, _) => {
            writeln!(w, "  Not answered yet: no list of {} that you adopted names all of them.", r.issuer)?
        }
        (_, Some(by)) => writeln!(w, "  Answered by list {}, adopted at {}.", by.list, by.at)?,
        _ => {}
    }
    r.note.iter().try_for_each(|note| writeln!(w, "  {note}"))
}

fn issued_words(w: &mut dyn Write, issued: &Issued) -> io::Result<()> {
    let file = issued.file.as_deref().unwrap_or("the book");
    if issued.kind == "request" {
        writeln!(w, "The key of {} is not here. Wrote the request to send to it: {file}", issued.issuer)?;
        return writeln!(
            w,
            "It counts as sent and not answered until you adopt a list that names all its certificates: \
             touchmark revocation adopt FILE"
        );
    }
    writeln!(
        w,
        "Wrote list {} of {}, {}, next due {}, to {}",
        issued.number.as_deref().unwrap_or("?"),
        issued.issuer,
        many(issued.certificates, "certificate"),
        issued.next_update.as_deref().unwrap_or("?"),
        file
    )?;
    if let (Some(der), Some(point)) = (&issued.der, &issued.point) {
        writeln!(w, "  Distribution-point record: {point}")?;
        writeln!(w, "  Serve {der} over HTTP at the record's data_url, as it is: in DER (RFC 5280 §4.2.1.13).")?;
    }
    Ok(())
}

fn issued_next(issued: &Issued) -> &'static str {
    match issued.kind {
        "request" => {
            "Send it to the authority, and adopt the list that comes back with `touchmark revocation adopt FILE`."
        }
        _ => "Publish the list and its distribution-point record.",
    }
}

fn list_words(w: &mut dyn Write, l: &ListView) -> io::Result<()> {
    let next = l.next_update.as_deref().unwrap_or("never");
    let stale = if l.stale { "  STALE" } else { "" };
    writeln!(
        w,
        "{}  list {}, {}, {}, next due {next}{stale}",
        l.issuer,
        l.number,
        l.origin,
        many(l.certificates, "certificate")
    )
}

/// Runs `revoke`.
pub fn run(args: &RevokeArgs, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let site = place.open()?;
    let who = place.who()?;
    if let Some(number) = args.withdraw {
        let withdrawn = revocation::withdraw(&site, number, &who)?;
        output.show(&withdrawn, |w| request_words(w, &withdrawn))?;
        return Ok(Exit::Done);
    }
    let issue = Issue {
        out: args.out.as_deref(),
        days: args.days,
        url: args.url.as_deref(),
        label: args.label.as_deref(),
        unlock: &args.passphrase,
    };
    let password = |name: &str| args.password.of(name);
    let names_alone = !access::has_accounts(&site)?;
    if let Some(number) = args.confirm {
        if args.dry_run {
            return show(&site, number, output);
        }
        let confirmed = revocation::confirm(&site, number, &issue, &who, Standing::Typed(&password))?;
        output.show(&confirmed, |w| {
            request_words(w, &confirmed.request)?;
            writeln!(w, "Revoked now: {}", many(confirmed.revoked, "certificate"))?;
            if names_alone && !confirmed.request.purpose.is_test() {
                writeln!(w, "{NAMES_ALONE}")?;
            }
            issued_words(w, &confirmed.issued)
        })?;
        output.next(issued_next(&confirmed.issued));
        return Ok(Exit::Done);
    }
    if let Some(name) = &args.renew {
        let issued = revocation::renew(&site, name, &issue, &who)?;
        output.show(&issued, |w| issued_words(w, &issued))?;
        output.next(issued_next(&issued));
        return Ok(Exit::Done);
    }
    let ask = Ask {
        units: &args.unit,
        credentials: &args.credential,
        authorities: &args.authority,
        reason: revocation::reason(args.reason.as_deref().unwrap_or_default())?,
        note: args.note.as_deref(),
    };
    if args.dry_run {
        let plan = revocation::plan(&site, &ask)?;
        output.show(&json!({ "state": "dry-run", "plan": plan }), |w| {
            plan_words(w, &plan)?;
            writeln!(w, "Nothing was changed.")
        })?;
        return Ok(Exit::Done);
    }
    let done = revocation::revoke(&site, &ask, &issue, &who, Standing::Typed(&password))?;
    if output.tells() {
        let _ = writeln!(io::stderr(), "touchmark: {CAUTION}");
    }
    output.show(&done, |w| {
        plan_words(w, &done.plan)?;
        match &done.issued {
            Some(issued) => issued_words(w, issued),
            None => {
                request_words(w, &done.request)?;
                writeln!(w, "Nothing is revoked yet.")?;
                if names_alone {
                    writeln!(w, "{NAMES_ALONE}")?;
                }
                Ok(())
            }
        }
    })?;
    match &done.issued {
        Some(issued) => output.next(issued_next(issued)),
        None => output.next(&format!(
            "A second person checks it and confirms it with `touchmark --by NAME revoke --confirm {} --out FILE`.",
            done.request.request
        )),
    }
    Ok(Exit::Done)
}

fn show(site: &site::Site, number: i64, output: &mut Output) -> Result<Exit, Failure> {
    let (request, plan) = revocation::show(site, number)?;
    output.show(&json!({ "request": request, "plan": plan }), |w| {
        request_words(w, &request)?;
        plan_words(w, &plan)
    })?;
    Ok(Exit::Done)
}

/// Runs `revocation`.
pub fn run_kept(command: RevocationCommand, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let site = place.open()?;
    let who = place.who()?;
    match command {
        RevocationCommand::List => {
            let all = revocation::list(&site, &who)?;
            output.show(&all, |w| {
                all.waiting.iter().chain(&all.sent).try_for_each(|r| request_words(w, r))?;
                all.lists.iter().try_for_each(|l| list_words(w, l))?;
                if all.waiting.is_empty() && all.sent.is_empty() && all.lists.is_empty() {
                    writeln!(w, "No list is kept, and no request is pending.")?;
                }
                Ok(())
            })?;
            Ok(Exit::Done)
        }
        RevocationCommand::Show { number, out } => {
            if let Some(out) = out {
                revocation::write_to_send(&site, number, &out)?;
            }
            show(&site, number, output)
        }
        RevocationCommand::Adopt { file, signer } => {
            let adopted = revocation::adopt(&site, &file, &signer, &who)?;
            output.show(&adopted, |w| {
                let issuer = adopted.issuer.as_deref().unwrap_or("no certificate of this site");
                writeln!(w, "{}  list of {issuer}, {}", adopted.verdict, many(adopted.certificates, "certificate"))?;
                for f in &adopted.findings {
                    writeln!(w, "  {} {}: {}", f.severity, f.rule, f.found)?;
                }
                for pai in &adopted.authorities {
                    let refused = if adopted.counts {
                        "every certificate below it is refused from now on, those of its units too"
                    } else {
                        "a newer list is kept that does not name it, so it still counts"
                    };
                    writeln!(w, "  PAI {pai} is on it: {refused}")?;
                }
                for known in &adopted.known_here {
                    let unit = known.unit.as_deref().map_or_else(|| "no unit".into(), |u| format!("unit {u}"));
                    writeln!(w, "  {unit}, chip {}  DAC {}", known.chip_id, known.serial)?;
                }
                let named = !adopted.known_here.is_empty() || (adopted.counts && !adopted.authorities.is_empty());
                if adopted.verdict == "rejected" && named {
                    writeln!(w, "The list is not kept. The certificates that it names are refused all the same.")?;
                }
                if adopted.revoked_now > 0 {
                    writeln!(w, "Revoked at this site by this list: {}", many(adopted.revoked_now, "credential"))?;
                }
                Ok(())
            })?;
            Ok(if adopted.verdict == "rejected" { Exit::Rejected } else { Exit::Done })
        }
    }
}
