//! `touchmark book`: the record book itself.

use std::io::{self, Write};
use std::path::PathBuf;

use clap::{Args, Subcommand};
use works::head;
use works::keeping::{self, Verified};

use super::at_site::{PassphraseArgs, Place};
use crate::output::{Exit, Failure, Output};
use crate::watching::watched;

/// Verify the record book, back it up, restore it, move it between engines
#[derive(Debug, Subcommand)]
pub enum BookCommand {
    /// Recompute the log and all that it vouches for, while stations run
    ///
    /// What was altered, removed, added or reordered is named by table, key and
    /// entry. Exit code 1 when something was.
    Verify(Verify),
    /// Save the book as one SQLite file, while stations run
    Backup(Backup),
    /// Put a saved book in the place of one that was lost
    ///
    /// The place must be empty. The book is verified there before it is used.
    Restore(Restore),
    /// Move the book to another place, from SQLite to PostgreSQL or back
    ///
    /// Copied, compared entry by entry and verified; then the old book is closed,
    /// and the settings name the new one. Stations wait meanwhile and must be
    /// started again with the new settings.
    Move(Move),
    /// Sign the log's head, to be kept outside the book
    Head(Head),
}

#[derive(Debug, Args)]
pub struct Verify {
    /// Signed heads that were kept outside the book
    #[arg(long = "head", value_name = "FILE")]
    heads: Vec<PathBuf>,
}

#[derive(Debug, Args)]
pub struct Backup {
    /// File to write; must not be there yet
    file: PathBuf,
    /// Verify the saved file too
    #[arg(long)]
    verify: bool,
}

#[derive(Debug, Args)]
pub struct Restore {
    /// The backup
    file: PathBuf,
    /// Where to: sqlite:FILE, or postgres://… without a password; else where the settings say
    #[arg(long, value_name = "URL")]
    to: Option<String>,
}

#[derive(Debug, Args)]
pub struct Move {
    /// Where to: sqlite:FILE, or postgres://… without a password
    #[arg(long, value_name = "URL")]
    to: String,
}

#[derive(Debug, Args)]
pub struct Head {
    /// File to write it to
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    #[command(flatten)]
    passphrase: PassphraseArgs,
}

/// Runs the command.
pub fn run(command: BookCommand, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    match command {
        BookCommand::Verify(args) => {
            let site = place.open()?;
            let said = watched(output, "rows", |course| keeping::verify(&site, &args.heads, course))?;
            output.show(&said, |w| words(w, &said))?;
            Ok(if said.is_intact() { Exit::Done } else { Exit::Rejected })
        }
        BookCommand::Backup(args) => {
            let (site, who) = (place.open()?, place.who()?);
            let saved =
                watched(output, "rows", |course| keeping::backup(&site, &args.file, args.verify, &who, course))?;
            output.show(&saved, |w| {
                writeln!(w, "Saved the book to {}", saved.backup)?;
                writeln!(w, "  {} entries, {} octets", saved.entries, saved.octets)?;
                if let Some(verified) = &saved.verified {
                    words(w, verified)?;
                }
                writeln!(w, "Keep it apart from the machine, and keys/site.key apart from it.")
            })?;
            Ok(if saved.verified.as_ref().is_none_or(Verified::is_intact) { Exit::Done } else { Exit::Rejected })
        }
        BookCommand::Restore(args) => {
            let (dir, who) = (place.dir()?, place.who()?);
            let placed =
                watched(output, "rows", |course| keeping::restore(&dir, &args.file, args.to.as_deref(), &who, course))?;
            output.show(&placed, |w| {
                writeln!(w, "Restored {} to {}", placed.from, placed.book)?;
                words(w, &placed.verified)?;
                writeln!(
                    w,
                    "What happened after the backup is not in it: put the chips of that time on a station again."
                )
            })?;
            Ok(Exit::Done)
        }
        BookCommand::Move(args) => {
            let (site, who) = (place.open()?, place.who()?);
            let placed = watched(output, "rows", |course| keeping::move_to(&site, &args.to, &who, course))?;
            output.show(&placed, |w| {
                writeln!(w, "Moved the book from {} to {}", placed.from, placed.book)?;
                words(w, &placed.verified)?;
                writeln!(w, "The old book is closed and stays where it is. Start the stations again.")
            })?;
            Ok(Exit::Done)
        }
        BookCommand::Head(args) => {
            let site = place.open()?;
            let passphrase = args.passphrase.for_site_key(&site)?;
            let signed = head::sign(&site, passphrase.as_ref(), &place.who()?)?;
            if let Some(path) = &args.out {
                head::write(&signed, path)?;
            }
            output.show(&signed, |w| {
                writeln!(w, "The log has {} entries", signed.entries)?;
                writeln!(w, "  root    {}", signed.root)?;
                writeln!(w, "  signed  {} by key {}", signed.at, signed.key_id)?;
                match &args.out {
                    Some(path) => writeln!(w, "Wrote it to {}. Keep it where the book is not.", path.display()),
                    None => Ok(()),
                }
            })?;
            Ok(Exit::Done)
        }
    }
}

fn words(w: &mut dyn Write, said: &Verified) -> io::Result<()> {
    if said.is_intact() {
        return writeln!(
            w,
            "The book at {} is intact: {} entries, {} rows, {} signed heads\n  root  {}",
            said.book, said.entries, said.rows, said.signed_heads, said.root
        );
    }
    writeln!(w, "The book at {} is damaged: {} things are not as its log says", said.book, said.damaged)?;
    for d in &said.damages {
        let entry = d.entry.map(|e| format!(", entry {e}")).unwrap_or_default();
        writeln!(w, "  {} {}{entry}: {}", d.table, d.key, d.found)?;
    }
    writeln!(w, "Stop the stations, keep this book as it is for whoever looks into it, and restore a backup.")
}
