//! `touchmark site`.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use custody::WorkFactor;
use site::{NewBook, Site};

use super::at_site::{PassphraseArgs, Place};
use crate::output::{Exit, Failure, Output};

/// Create a site: a factory's directory, settings, keys and record book
#[derive(Debug, Subcommand)]
pub enum SiteCommand {
    /// Create a site
    ///
    /// Creates touchmark.toml, the record book and keys/. The site key protects
    /// secrets at rest; a passphrase from a file or the environment wraps it.
    New(New),
}

#[derive(Debug, Args)]
pub struct New {
    /// Directory to create it in
    dir: PathBuf,
    /// Location of the record book: sqlite:FILE, or postgres://… without a password
    #[arg(long, value_name = "URL")]
    book: Option<String>,
    /// File with the password of the book's server in one line
    #[arg(long, value_name = "FILE", requires = "book")]
    book_password_file: Option<PathBuf>,
    /// Name of the site, for reports
    #[arg(long, value_name = "NAME")]
    name: Option<String>,
    #[command(flatten)]
    passphrase: PassphraseArgs,
}

/// Runs the command.
pub fn run(command: SiteCommand, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let SiteCommand::New(args) = command;
    let whole = std::path::absolute(&args.dir).unwrap_or_else(|_| args.dir.clone());
    let named = args.name.or_else(|| whole.file_name().map(|n| n.to_string_lossy().into_owned()));
    let passphrase =
        if args.passphrase.is_given() { Some(args.passphrase.get("for the site key", true)?) } else { None };
    let wrap = passphrase.as_ref().map(|p| (p, WorkFactor::PRODUCTION));
    let book = NewBook { location: args.book.as_deref(), password_file: args.book_password_file.as_deref() };
    let name = named.unwrap_or_else(|| "site".into());
    let (_, told) = Site::create(&args.dir, book, &name, wrap, &place.who()?)?;
    output.show(&told, |w| {
        writeln!(w, "Created the site {name} in {}", told.site)?;
        writeln!(w, "  record book  {}", told.book)?;
        let key = if told.key_wrapped {
            "protected by the passphrase"
        } else {
            "in keys/site.key, readable only by you; keep a copy in a safe place"
        };
        writeln!(w, "  site key     {key}")
    })?;
    output
        .next("Create an authority with `touchmark authority create`, or adopt one with `touchmark authority adopt`.");
    Ok(Exit::Done)
}
