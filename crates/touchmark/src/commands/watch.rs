//! `touchmark watch`.

use std::io::{self, Write};
use std::path::PathBuf;

use answer::watch;
use answer::watch::Watched;
use clap::Args;

use super::at_site::Place;
use super::words::many;
use crate::output::{Exit, Failure, Output};

/// List what expires, runs out or is due: certificates, lists, stock, passcodes, backups
///
/// Exits with 0 if nothing is due and 1 if something is, so a timer can send a notice.
#[derive(Debug, Args)]
pub struct WatchArgs {
    /// Days ahead; default: watch.days of the site
    #[arg(long, value_name = "N")]
    days: Option<u32>,
    /// Another certificate to watch, of TLS or of a token
    #[arg(long, value_name = "FILE")]
    certificate: Vec<PathBuf>,
    /// List everything that is watched
    #[arg(long)]
    all: bool,
}

fn line(w: &mut dyn Write, watched: &Watched) -> io::Result<()> {
    let at = watched.at.as_deref().map_or(String::new(), |at| format!(", {at}"));
    writeln!(w, "{}  {}: {}{at}", watched.name, watched.what, watched.when())?;
    if watched.due { writeln!(w, "    next: {}", watched.advice) } else { Ok(()) }
}

/// Runs the command.
pub fn run(args: &WatchArgs, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let site = place.open()?;
    let seen = watch::watch(&site, args.days, &args.certificate, &place.who()?)?;
    let all = args.all || output.is_verbose();
    output.show(&seen, |w| {
        seen.due.iter().try_for_each(|watched| line(w, watched))?;
        if all {
            seen.later.iter().try_for_each(|watched| line(w, watched))?;
        }
        match seen.due.len() {
            0 => writeln!(w, "Nothing is due within {}.", many(seen.days, "day")),
            n => writeln!(w, "Due until {}: {n} of {}.", seen.until, many(n + seen.later.len(), "watched item")),
        }
    })?;
    Ok(if seen.due.is_empty() { Exit::Done } else { Exit::Rejected })
}
