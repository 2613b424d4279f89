//! `touchmark enrolment`: other sites that ask for certificates here.

use std::io::{self, Write};
use std::path::PathBuf;

use base::Trouble;
use clap::{Args, Subcommand};
use receive::enrolment::{self, Allow, EnrolmentView};
use serde_json::json;
use site::access::Standing;
use zeroize::Zeroizing;

use super::at_site::{PasswordArgs, Place, secret};
use crate::output::{Exit, Failure, Output};

/// Let other sites request certificates here, over EST
#[derive(Debug, Subcommand)]
pub enum EnrolmentCommand {
    Allow(Box<AllowArgs>),
    /// List who may request certificates, and how many were issued
    List,
}

/// Allow a user to request certificates for a product, up to a number of keys
///
/// `touchmark serve` answers under the path that is printed. The same command with another quota changes it: a
/// higher one needs a second person, who gives the same command.
#[derive(Debug, Args)]
#[command(name = "allow")]
pub struct AllowArgs {
    /// The product
    #[arg(long, value_name = "NAME")]
    product: String,
    /// The PAI that issues; its key is at this site
    #[arg(long, value_name = "NAME")]
    issuer: String,
    /// Number of keys that may be certified
    #[arg(long, value_name = "N")]
    quota: u32,
    /// User name of the other site
    #[arg(long, value_name = "NAME")]
    user: String,
    /// File with the password of the user in one line; default: one is drawn and shown once
    #[arg(long, value_name = "FILE")]
    password_file: Option<PathBuf>,
    /// File with your own password at this site, where it has accounts; default: TOUCHMARK_PASSWORD, then a prompt
    #[arg(long, value_name = "FILE")]
    own_password_file: Option<PathBuf>,
}

/// Runs the command.
pub fn run(command: EnrolmentCommand, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    match command {
        EnrolmentCommand::Allow(args) => allow(*args, place, output),
        EnrolmentCommand::List => {
            let list = enrolment::list(&place.open()?)?;
            output.show(&json!({ "enrolments": list }), |w| {
                list.iter().try_for_each(|e| words(w, e))?;
                if list.is_empty() { writeln!(w, "No enrolments yet.") } else { Ok(()) }
            })?;
            Ok(Exit::Done)
        }
    }
}

fn allow(args: AllowArgs, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let password = match &args.password_file {
        None => None,
        Some(path) => match secret(Some(path), "")? {
            Some(octets) => Some(Zeroizing::new(String::from_utf8(octets.to_vec()).map_err(|_| {
                Trouble::usage("the password is not text in UTF-8", "Save the file as UTF-8, in one line.")
            })?)),
            None => None,
        },
    };
    let own = PasswordArgs::from_file(args.own_password_file);
    let ask = |name: &str| own.of(name);
    let site = place.open()?;
    let wish = Allow { product: args.product, issuer: args.issuer, quota: args.quota, user: args.user };
    let done = enrolment::allow(&site, &wish, password, &place.who()?, Standing::Typed(&ask))?;
    output.show(&done, |w| {
        writeln!(w, "{} may have {} keys certified, at {}", done.user, done.quota, done.path)?;
        if let Some(password) = &done.password {
            writeln!(w, "  password  {password}  (shown only now)")?;
        }
        match done.waiting {
            Some(quota) => writeln!(w, "  waiting   a quota of {quota}: a second person gives the same command"),
            None => Ok(()),
        }
    })?;
    Ok(Exit::Done)
}

fn words(w: &mut dyn Write, e: &EnrolmentView) -> io::Result<()> {
    writeln!(w, "{}  {} for {} by {}: {} of {} issued", e.name, e.user, e.product, e.issuer, e.issued, e.quota)?;
    match &e.waiting {
        Some((quota, by)) => writeln!(w, "  waiting   a quota of {quota}, requested by {by}"),
        None => Ok(()),
    }
}
