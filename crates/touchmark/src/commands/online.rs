//! `touchmark order enrol`: an authority that is asked online.

use std::io::{self, Write};
use std::path::PathBuf;

use base::{Trouble, quoted};
use clap::Args;
use enrol::est::Client;
use enrol::{Address, Credentials};
use receive::online::{self, Asking, Enrolled};
use zeroize::Zeroizing;

use super::at_site::{Place, secret};
use super::chip::Chips;
use super::delivery::finding;
use super::words::many;
use crate::output::{Exit, Failure, Output};
use crate::watching::watched;

/// Request a certificate for each connected chip of a reel online, and receive what the authority issues
///
/// Each chip signs its own request. The answers are inspected as a delivery before they are stored. If the run is
/// interrupted, run it again: what was answered is kept, and only the rest is requested.
#[derive(Debug, Args)]
#[command(name = "enrol")]
pub struct Enrol {
    /// The reel
    #[arg(long, value_name = "ID")]
    reel: String,
    #[command(flatten)]
    chips: Chips,
    /// Address of the authority: est+https://HOST:PORT/.well-known/est/LABEL; port and label may be left out
    #[arg(long, value_name = "URL")]
    to: String,
    #[command(flatten)]
    sign_in: SignIn,
    /// Request certificates also for chips that an order in a file asked for
    #[arg(long)]
    again: bool,
}

/// Who asks an authority, and which servers are trusted.
#[derive(Debug, Args)]
pub struct SignIn {
    /// PEM file with the root of the server's certificate; default: the roots of this system
    #[arg(long, value_name = "FILE")]
    ca: Option<PathBuf>,
    /// User name at the authority
    #[arg(long, value_name = "NAME", conflicts_with_all = ["certificate", "key"])]
    user: Option<String>,
    /// File with the password of the user in one line; default: TOUCHMARK_ENROL_PASSWORD
    #[arg(long, value_name = "FILE", requires = "user")]
    password_file: Option<PathBuf>,
    /// PEM file with the TLS client certificate and its chain
    #[arg(long, value_name = "FILE", requires = "key")]
    certificate: Option<PathBuf>,
    /// PEM file with the private key of the TLS client certificate
    #[arg(long, value_name = "FILE", requires = "certificate")]
    key: Option<PathBuf>,
}

impl SignIn {
    /// A client for the authority at this address, which has not asked it anything yet.
    pub fn client(&self, address: &Address) -> Result<Client, Failure> {
        let password = match &self.user {
            None => None,
            Some(user) => {
                let read = secret(self.password_file.as_deref(), "TOUCHMARK_ENROL_PASSWORD")?;
                let octets = read.ok_or_else(|| {
                    Trouble::usage(
                        format!("user {user} needs a password"),
                        "Give it by --password-file or TOUCHMARK_ENROL_PASSWORD.",
                    )
                })?;
                let text = std::str::from_utf8(&octets).map_err(|_| {
                    Trouble::usage("the password is not text in UTF-8", "Save the file as UTF-8, in one line.")
                })?;
                Some(Zeroizing::new(text.to_owned()))
            }
        };
        let credentials = Credentials {
            ca: self.ca.as_deref(),
            user: self.user.as_deref().zip(password.as_ref()),
            client: self.certificate.as_deref().zip(self.key.as_deref()),
        };
        Ok(Client::new(address, &credentials).map_err(Trouble::from)?)
    }
}

/// Runs the command.
pub fn run(args: &Enrol, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let address: Address = args.to.parse().map_err(|e: enrol::EnrolError| Trouble::from(e).about("to"))?;
    // Paths are the caller's own, and the site works in its directory.
    let authority = args.sign_in.client(&address)?;
    let site = place.open()?;
    let mut source = args.chips.open()?;
    let who = place.who()?;
    let asking = Asking { address: &address, authority: &authority, again: args.again };
    let done =
        watched(output, "requests", |course| online::enrol(&site, &args.reel, source.as_mut(), &asking, &who, course));
    let done = done
        .map_err(|trouble| super::reel::option_wanted(trouble, "again", "To request them online too, add --again."))?;
    output.show(&done, |w| words(w, &done))?;
    if done.issued > 0 {
        let reel = quoted(&done.reel);
        output
            .next(&format!("Provision units with `touchmark provision --reel {reel} --station NAME --chips SOURCE`."));
    }
    Ok(if done.refused + done.pending == 0 { Exit::Done } else { Exit::Rejected })
}

fn words(w: &mut dyn Write, done: &Enrolled) -> io::Result<()> {
    done.findings.iter().try_for_each(|f| finding(w, f))?;
    let asked = many(done.asked as u64, "certificate");
    writeln!(w, "Requested {asked} for reel {}: {} issued, {} refused", done.reel, done.issued, done.refused)?;
    if done.pending > 0 {
        let pending = many(done.pending as u64, "request");
        writeln!(w, "  pending   {pending}: the authority decides later. Run the same command again then.")?;
    }
    match &done.delivery {
        Some(delivery) => writeln!(w, "  delivery  {delivery}"),
        None => Ok(()),
    }
}
