//! `touchmark authority`.

use std::io::{self, IsTerminal, Write};
use std::path::PathBuf;

use base::{Trouble, quoted};
use book::{Purpose, Role};
use clap::{Args, Subcommand, ValueEnum};
use custody::WorkFactor;
use serde_json::json;
use site::authority::{AuthorityView, CAUTION, Raise, Request};
use site::{authority, declaration};
use standard::ids::{ProductId, VendorId};
use standard::verdict::Severity;

use super::at_site::{PassphraseArgs, Place};
use super::examine_words;
use crate::output::{Exit, Failure, Output};

/// Create development authorities, adopt outside ones, write requests
#[derive(Debug, Subcommand)]
pub enum AuthorityCommand {
    /// Create a development authority, with its key in custody here
    #[command(name = "create", alias = "raise")]
    Raise(RaiseArgs),
    /// Adopt an outside PAA or PAI after examining it; this site then trusts an adopted PAA
    ///
    /// Without --purpose, a root is for test, and an intermediate has the purpose of its
    /// root. A root with a real vendor ID needs --purpose.
    Adopt(AdoptArgs),
    /// Write a PKCS #10 request for an outside authority
    Request(RequestArgs),
    /// Withdraw an authority that nothing depends on, such as one adopted for the wrong purpose
    ///
    /// Its name and certificate can be used again. The log records the withdrawal; its key stays.
    Withdraw {
        /// Its name
        name: String,
    },
    /// List authorities
    List,
    /// Show one authority
    Show {
        /// Its name
        name: String,
    },
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum RoleWord {
    /// Root
    Paa,
    /// Intermediate, which issues DACs
    Pai,
}

#[derive(Debug, Args)]
pub struct RaiseArgs {
    /// Name, here and in its certificate
    name: String,
    /// Root or intermediate
    #[arg(long)]
    role: RoleWord,
    /// Vendor ID: FFF1 to FFF4, or your own for prototypes; required for a PAI
    #[arg(long, value_name = "VID")]
    vendor: Option<VendorId>,
    /// Product ID, for a PAI of one product
    #[arg(long, value_name = "PID")]
    product: Option<ProductId>,
    /// The PAA that issues a PAI
    #[arg(long, value_name = "NAME")]
    issuer: Option<String>,
    /// Years of validity; default: no expiry
    #[arg(long, value_name = "N")]
    years: Option<u32>,
    /// Key in a PKCS #11 token, used or created there: a pkcs11: URI (RFC 7512); default: a key file here
    // Read by us, not by the parser: it would repeat a PIN that it refuses.
    #[arg(long, value_name = "URI")]
    key: Option<String>,
    #[command(flatten)]
    passphrase: PassphraseArgs,
}

#[derive(Debug, Args)]
pub struct AdoptArgs {
    /// Certificates, in DER or PEM
    #[arg(required = true, value_name = "CERT")]
    files: Vec<PathBuf>,
    /// Purpose: test or production
    #[arg(long, value_name = "PURPOSE", value_parser = ["test", "production"])]
    purpose: Option<String>,
    /// The same as --purpose production, for devices that are sold
    #[arg(long, conflicts_with = "purpose")]
    production: bool,
    /// Name here; default: its commonName
    #[arg(long, value_name = "NAME")]
    name: Option<String>,
}

#[derive(Debug, Args)]
pub struct RequestArgs {
    /// Name of the authority or of a new key
    name: String,
    /// File to write
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// Vendor ID in the request
    #[arg(long, value_name = "VID")]
    vendor: Option<VendorId>,
    /// Product ID in the request
    #[arg(long, value_name = "PID")]
    product: Option<ProductId>,
    /// Key in a PKCS #11 token, used or created there: a pkcs11: URI (RFC 7512); default: a key file here
    #[arg(long, value_name = "URI")]
    key: Option<String>,
    #[command(flatten)]
    passphrase: PassphraseArgs,
}

/// Runs the command.
pub fn run(command: AuthorityCommand, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let site = place.open()?;
    let who = place.who()?;
    match command {
        AuthorityCommand::Raise(args) => {
            let raise = Raise {
                name: &args.name,
                role: match args.role {
                    RoleWord::Paa => Role::Paa,
                    RoleWord::Pai => Role::Pai,
                },
                vendor: args.vendor,
                product: args.product,
                issuer: args.issuer.as_deref(),
                years: args.years,
                key: args.key.as_deref(),
                unlock: &args.passphrase,
                work: WorkFactor::PRODUCTION,
            };
            let raised = authority::raise(&site, &raise, &who)?;
            let _ = writeln!(io::stderr(), "touchmark: {CAUTION}");
            output.show(&raised, |w| {
                writeln!(w, "Created the {} {}", raised.role.to_uppercase(), raised.name)?;
                words(w, &raised)
            })?;
            let has_declaration = !declaration::list(&site)?.is_empty();
            output.next(&match raised.role {
                "paa" => format!(
                    "Create its intermediate with `touchmark authority create NAME --role pai --vendor VID --issuer {}`.",
                    quoted(&raised.name)
                ),
                _ if has_declaration => "Receive a reel with `touchmark reel receive`, then issue its certificates.".into(),
                _ => "Make a declaration with `touchmark declaration make`.".into(),
            });
            Ok(Exit::Done)
        }
        AuthorityCommand::Adopt(args) => {
            let said = args.purpose.as_deref().and_then(Purpose::from_word);
            let said = said.or(args.production.then_some(Purpose::Production));
            let adopted = authority::adopt(&site, &args.files, args.name.as_deref(), said, &mut ask_purpose, &who)?;
            let accepted = !adopted.authorities.is_empty();
            let answer = json!({
                "verdict": if accepted { "accepted" } else { "rejected" },
                "authorities": adopted.authorities,
                "already": adopted.already,
                "warnings": adopted.warnings,
                "findings": serde_json::to_value(&adopted.examination).map(|v| v["findings"].clone()).unwrap_or_default(),
            });
            let style = examine_words::Style { shapes: output.is_styled(), verbose: false };
            output.warn(&adopted.warnings);
            output.show(&answer, |w| {
                if accepted {
                    for authority in &adopted.authorities {
                        let trusted = if authority.trusted { ", trusted here" } else { "" };
                        if adopted.already.contains(&authority.name) {
                            writeln!(w, "The {} {} was already adopted for {}{trusted}; nothing was changed", authority.role.to_uppercase(), authority.name, authority.purpose)?;
                            words(w, authority)?;
                            continue;
                        }
                        writeln!(w, "Adopted the {} {} for {}{trusted}", authority.role.to_uppercase(), authority.name, authority.purpose)?;
                        words(w, authority)?;
                    }
                    Ok(())
                } else {
                    examine_words::write(w, &adopted.examination, true, style)?;
                    let errors = adopted.examination.findings().filter(|(_, f)| f.severity == Severity::Error).count();
                    if errors == 0 {
                        writeln!(w, "Nothing was adopted: the chain does not end at a PAA that is trusted here. Adopt the PAA too.")
                    } else {
                        writeln!(w, "Nothing was adopted.")
                    }
                }
            })?;
            if accepted {
                output.next("Adopt the declaration with `touchmark declaration adopt`.");
            }
            Ok(if accepted { Exit::Done } else { Exit::Rejected })
        }
        AuthorityCommand::Withdraw { name } => {
            let done = authority::withdraw(&site, &name, &who)?;
            output.show(&done, |w| {
                writeln!(w, "Withdrew authority {}", done.withdrawn)?;
                if let Some(key) = &done.key {
                    writeln!(w, "  key  {key}, kept")?;
                }
                writeln!(w, "  log  entry {} holds what it was", done.entry)
            })?;
            output
                .next("Adopt it again with `touchmark authority adopt`, with --purpose test or --purpose production.");
            Ok(Exit::Done)
        }
        AuthorityCommand::Request(args) => {
            let request = Request {
                name: &args.name,
                vendor: args.vendor,
                product: args.product,
                key: args.key.as_deref(),
                out: &args.out,
                unlock: &args.passphrase,
                work: WorkFactor::PRODUCTION,
            };
            let written = authority::request(&site, &request)?;
            output.show(&written, |w| {
                writeln!(w, "Wrote the request for {} to {}", written.name, written.file)?;
                writeln!(w, "  key identifier  {}", written.subject_key_id)
            })?;
            output.next("Send it to the authority, and adopt the certificate that comes back.");
            Ok(Exit::Done)
        }
        AuthorityCommand::List => {
            let list = authority::list(&site)?;
            output.show(&json!({ "authorities": list }), |w| {
                for a in &list {
                    let trusted = if a.trusted { "  trusted" } else { "" };
                    let key = match (a.key_here, a.key_missing) {
                        (_, true) => "  key MISSING",
                        (true, _) => "  key here",
                        _ => "",
                    };
                    let revoked = if a.revoked.is_some() { "  REVOKED" } else { "" };
                    writeln!(
                        w,
                        "{}  {}  {}  {}{trusted}{key}{revoked}",
                        a.role.to_uppercase(),
                        a.name,
                        a.purpose,
                        a.vendor_id.as_deref().unwrap_or("no vendor")
                    )?;
                }
                if list.is_empty() { writeln!(w, "No authority yet: create or adopt one.") } else { Ok(()) }
            })?;
            Ok(Exit::Done)
        }
        AuthorityCommand::Show { name } => {
            let shown = authority::show(&site, &name)?;
            output.show(&shown, |w| {
                writeln!(w, "{} {}", shown.role.to_uppercase(), shown.name)?;
                words(w, &shown)
            })?;
            Ok(Exit::Done)
        }
    }
}

/// Asks at a terminal what a root is for, until the answer is one.
fn ask_purpose(question: &str) -> Result<Option<Purpose>, Trouble> {
    if !io::stdin().is_terminal() {
        return Ok(None);
    }
    let failed = |e: io::Error| {
        Trouble::surroundings(format!("the terminal gave no answer: {e}"), "Say it with --purpose test or production.")
    };
    loop {
        write!(io::stderr(), "{question}\nWhat is it for, test or production? ").map_err(failed)?;
        let mut answer = String::new();
        if io::stdin().read_line(&mut answer).map_err(failed)? == 0 {
            return Ok(None);
        }
        if let Some(purpose) = Purpose::from_word(answer.trim()) {
            return Ok(Some(purpose));
        }
    }
}

fn words(w: &mut dyn Write, a: &AuthorityView) -> io::Result<()> {
    writeln!(w, "  subject         {}", a.subject.as_deref().unwrap_or("unreadable"))?;
    writeln!(w, "  key identifier  {}", a.subject_key_id)?;
    writeln!(
        w,
        "  valid           {} to {}",
        a.not_before.as_deref().unwrap_or("?"),
        a.not_after.as_deref().unwrap_or("no expiry")
    )?;
    if let Some(when) = &a.revoked {
        writeln!(w, "  REVOKED         {when}")?;
    }
    if let Some(key) = &a.key {
        writeln!(w, "  key             {key}")?;
    }
    writeln!(w, "  for             {}", if a.purpose.is_test() { "TEST" } else { "production" })
}
