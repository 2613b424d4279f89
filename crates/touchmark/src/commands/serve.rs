//! `touchmark serve`: the pages and the API.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::{Arc, mpsc};

use clap::Args;
use serde_json::json;
use web::serve::{Opener, Serve, run as serve};

use super::at_site::{PassphraseArgs, Place};
use crate::output::{Exit, Failure, Output};

/// Serve the pages and the API of a site until stopped
///
/// On a site without accounts, prints a one-time link that creates the first one. Listens
/// beyond this machine only with a certificate and accounts. Stopping waits for units in progress.
#[derive(Debug, Args)]
pub struct ServeArgs {
    /// Address and port; port 0 chooses a free one
    #[arg(long, value_name = "ADDR", default_value = "127.0.0.1:8080", env = "TOUCHMARK_LISTEN")]
    listen: SocketAddr,
    /// Certificate chain, PEM
    #[arg(long, value_name = "FILE", requires = "tls_key", env = "TOUCHMARK_TLS_CERTIFICATE")]
    tls_certificate: Option<PathBuf>,
    /// Its private key, PEM
    #[arg(long, value_name = "FILE", requires = "tls_certificate", env = "TOUCHMARK_TLS_KEY")]
    tls_key: Option<PathBuf>,
    #[command(flatten)]
    passphrase: PassphraseArgs,
}

/// Runs the command.
pub fn run(args: ServeArgs, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let site = place.open()?;
    let passphrase = args.passphrase.for_site_key(&site)?;
    site.key(passphrase.as_ref())?;
    drop(passphrase);
    let wanted = Serve {
        listen: args.listen,
        tls: args.tls_certificate.zip(args.tls_key),
        patience: Default::default(),
        unlock: Some(Opener(Arc::new(args.passphrase))),
    };
    let (told, heard) = mpsc::channel();
    let server = std::thread::spawn(move || serve(site, &wanted, move |started| drop(told.send(started.clone()))));
    // Nothing comes where the server could not start: its end says why.
    if let Ok(started) = heard.recv() {
        output.show(&json!({ "address": started.address, "first_account": started.first }), |w| {
            writeln!(w, "The pages are at {}", started.address)?;
            match &started.first {
                Some(link) => writeln!(
                    w,
                    "This site has no accounts. Create the first one, an engineer's, with this one-time link: {link}"
                ),
                None => Ok(()),
            }
        })?;
    }
    match server.join() {
        Ok(done) => done?,
        Err(_) => return Err(Failure::surroundings("the server crashed", "Start it again, and report this.")),
    }
    Ok(Exit::Done)
}
