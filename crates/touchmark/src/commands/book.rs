//! `touchmark book`: the record book itself.

use std::io::{self, Write};
use std::path::PathBuf;

use answer::keeping;
use answer::keeping::{How, Restored, Saved, SiteKeyState, Source, Verified};
use clap::{Args, Subcommand};
use custody::{Passphrase, WorkFactor};
use site::checkpoint::{Kept, Witnessed};
use site::{Site, access, checkpoint, head};

use super::at_site::{PassphraseArgs, Place};
use super::words::many;
use crate::output::{Exit, Failure, Output};
use crate::watching::watched;

/// Back up and restore the whole site; verify and move the record book
#[derive(Debug, Subcommand)]
pub enum BookCommand {
    /// Recompute the log and everything it vouches for, while stations run
    ///
    /// Lists what was altered, removed, added or reordered by table, key and
    /// entry, and exits with 1.
    Verify(Verify),
    /// Save the whole site as one file, while stations run
    ///
    /// Saves settings, keys as they are, the files that products write into chips, and the book. The file is a tar
    /// archive, readable only by you. If the site key has no passphrase, anybody with the file can read every
    /// passcode: --seal wraps the key under a passphrase inside the backup.
    Backup(Backup),
    /// Restore a site from its backup
    ///
    /// `book restore FILE --site DIR` with a new directory needs only the file, and the passphrase if the site key has
    /// one. In an existing site, it restores only what is missing. It never overwrites anything, and verifies the
    /// book before it is used.
    Restore(Restore),
    /// Move the book to another location, from SQLite to PostgreSQL or back
    ///
    /// Copies the book, compares it entry by entry and verifies it. Then closes the
    /// old book and changes the settings to the new one. Stations wait during the
    /// move and must be started again with the new settings.
    Move(Move),
    /// Sign the log's head, to keep outside the book
    Head(Head),
    /// Show the checkpoint, a signed note of how far the book has come, and where it is kept
    ///
    /// The note has the open form of transparency logs, so that other programs can check and countersign it.
    /// touchmark.toml names further files that it is kept in (checkpoint.keepers).
    Checkpoint(Checkpoint),
    /// Let a book go on that is older than its checkpoint, where no newer copy exists
    ///
    /// Entries that were made after it are lost. As after a restore, stations look at each chip before they begin it,
    /// and each series of serial numbers is confirmed before it is counted in again.
    AcceptLoss(AcceptLoss),
    /// Let accounts and tokens count as they stand, after the key that seals them was lost
    ///
    /// Every account, session, token and request to revoke is sealed with keys/access.key, so that whoever can
    /// only write to the book lets nobody in. Put a lost key back from a backup first; this is for when there is none.
    Reseal(Reseal),
}

#[derive(Debug, Args)]
pub struct Checkpoint {
    /// File to write the note to
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    #[command(flatten)]
    passphrase: PassphraseArgs,
}

#[derive(Debug, Args)]
pub struct AcceptLoss {
    /// What happened, kept with the record
    #[arg(long)]
    reason: String,
    #[command(flatten)]
    passphrase: PassphraseArgs,
}

#[derive(Debug, Args)]
pub struct Reseal {
    /// What happened, kept with the record
    #[arg(long)]
    reason: String,
}

#[derive(Debug, Args)]
pub struct Verify {
    /// Signed heads that were kept outside the book
    #[arg(long = "head", value_name = "FILE")]
    heads: Vec<PathBuf>,
}

#[derive(Debug, Args)]
pub struct Backup {
    /// File to write; must not exist yet
    #[arg(long, value_name = "FILE", required_unless_present = "file")]
    out: Option<PathBuf>,
    #[arg(hide = true, conflicts_with = "out")]
    file: Option<PathBuf>,
    /// Also verify the saved book
    #[arg(long)]
    verify: bool,
    /// Wrap the site key under a passphrase inside the backup; the site's own key stays as it is
    #[arg(long)]
    seal: bool,
    #[command(flatten)]
    passphrase: PassphraseArgs,
}

#[derive(Debug, Args)]
pub struct Restore {
    /// The backup
    file: PathBuf,
    /// Location of the book: sqlite:FILE, or postgres://… without a password; default: the location in the settings of
    /// an existing site, or a file in a new directory
    #[arg(long, value_name = "URL", alias = "to")]
    book: Option<String>,
    /// File with the password of the book's server in one line
    #[arg(long, value_name = "FILE", requires = "book")]
    book_password_file: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub struct Move {
    /// Location: sqlite:FILE, or postgres://… without a password
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
            let site = Site::open(&place.dir()?).map_err(keeping::beyond_verifying)?;
            let said = watched(output, "rows", |course| keeping::verify(&site, &args.heads, course))?;
            output.show(&said, |w| words(w, &said))?;
            Ok(if said.is_intact() { Exit::Done } else { Exit::Rejected })
        }
        BookCommand::Backup(args) => back_up(&args, place, output),
        BookCommand::Restore(args) => restore(&args, place, output),
        BookCommand::Move(args) => {
            let (site, who) = (place.open()?, place.who()?);
            let placed = watched(output, "rows", |course| keeping::move_to(&site, &args.to, &who, course))?;
            output.show(&placed, |w| {
                writeln!(w, "Moved the book from {} to {}", placed.from, placed.book)?;
                words(w, &placed.verified)
            })?;
            output.next("Start the stations again. The old book is closed and stays in place.");
            Ok(Exit::Done)
        }
        BookCommand::Checkpoint(args) => {
            let site = place.open()?;
            let passphrase = args.passphrase.for_site_key(&site)?;
            site.key(passphrase.as_ref())?;
            let shown = checkpoint::show(&site)?;
            if let Some(path) = &args.out {
                base::put(path, shown.checkpoint.as_bytes())?;
            }
            output.show(&shown, |w| {
                write!(w, "{}", shown.checkpoint)?;
                shown.key.iter().try_for_each(|key| writeln!(w, "Its key, for those who check it: {key}"))?;
                kept_words(w, &shown.kept)?;
                witness_words(w, &shown.witnesses)?;
                args.out.iter().try_for_each(|path| writeln!(w, "Wrote it to {}", path.display()))
            })?;
            Ok(Exit::Done)
        }
        BookCommand::AcceptLoss(args) => {
            let (site, who) = (place.open()?, place.who()?);
            let passphrase = args.passphrase.for_site_key(&site)?;
            site.key(passphrase.as_ref())?;
            let accepted = checkpoint::accept_loss(&site, &args.reason, &who)?;
            output.show(&accepted, |w| {
                writeln!(
                    w,
                    "The book goes on from its {} entries; {} had been made. Entry {} says so",
                    accepted.entries, accepted.were, accepted.entry
                )?;
                writeln!(
                    w,
                    "What only the other copy has is lost to this book: units, labels, revocations, erased passcodes. Keep \
                     that copy if it turns up; no station may use it. Chips that know more than this book stop at a \
                     station with the cause book-older."
                )?;
                series_words(w, &accepted.series_to_confirm)
            })?;
            output.next(
                "Put every chip that was in work on a station again. `touchmark reconcile` shows what the book has.",
            );
            Ok(Exit::Done)
        }
        BookCommand::Reseal(args) => {
            let (site, who) = (place.open()?, place.who()?);
            let done = access::reseal(&site, &args.reason, &who)?;
            output.show(&done, |w| {
                writeln!(
                    w,
                    "{} and {} count as they stand in the book. Entry {} says so",
                    many(done.accounts as i64, "account"),
                    many(done.tokens as i64, "token"),
                    done.entry
                )?;
                writeln!(w, "  new key  {}", done.key)
            })?;
            output.next(
                "Look at the people under People: whoever should not be there is closed there. Then make a backup.",
            );
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
                args.out.iter().try_for_each(|path| writeln!(w, "Wrote it to {}", path.display()))
            })?;
            output.next(match &args.out {
                Some(_) => {
                    "Keep the file away from the book, and check the book with it: `touchmark book verify --head FILE`."
                }
                None => "Save a head outside the book from time to time with `touchmark book head --out FILE`.",
            });
            Ok(Exit::Done)
        }
    }
}

fn back_up(args: &Backup, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let (site, who) = (place.open()?, place.who()?);
    let out = args
        .out
        .as_ref()
        .or(args.file.as_ref())
        .ok_or_else(|| Failure::usage("The backup has no file to go to.", "Give one with --out FILE."))?;
    let wants = args.seal || args.passphrase.names_file();
    let open = keeping::site_key_state(&site)? == SiteKeyState::Open;
    let passphrase =
        if wants && open { Some(args.passphrase.get("for the site key in the backup", true)?) } else { None };
    if passphrase.as_ref().is_some_and(Passphrase::is_short) {
        return Err(Failure::usage(
            "The passphrase for the site key in the backup has fewer than 8 characters.",
            "Choose a longer one. Whoever finds the file can try passphrases as fast as a machine can.",
        ));
    }
    let how = How { verify: args.verify, seal: passphrase.as_ref().map(|p| (p, WorkFactor::PRODUCTION)) };
    let saved = watched(output, "rows", |course| keeping::backup(&site, out, &how, &who, course))?;
    output.show(&saved, |w| saved_words(w, &saved))?;
    let whole = saved.missing.is_empty() && saved.site_key != SiteKeyState::Missing;
    Ok(if whole && saved.verified.as_ref().is_none_or(Verified::is_intact) { Exit::Done } else { Exit::Rejected })
}

fn saved_words(w: &mut dyn Write, saved: &Saved) -> io::Result<()> {
    writeln!(w, "Saved the whole site to {}", saved.backup)?;
    writeln!(w, "  {} bytes: the book and {} files", saved.octets, saved.files)?;
    writeln!(w, "  The book ends with entry {}; root {}", saved.entry, saved.root)?;
    if let Some(verified) = &saved.verified {
        words(w, verified)?;
    }
    for missing in &saved.missing {
        writeln!(w, "  Not found: {missing}")?;
    }
    for left_out in &saved.left_out {
        writeln!(w, "  Not in it: {}. {}", left_out.what, left_out.why)?;
    }
    writeln!(
        w,
        "{}",
        match saved.site_key {
            SiteKeyState::Sealed =>
                "The site key in it is wrapped by a passphrase. Keep the file on another machine, and the passphrase apart from it.",
            SiteKeyState::Open =>
                "WARNING: the site key in it is open, so the file is as secret as the site: whoever has it has every passcode. Keep it locked away, or make it again with --seal.",
            SiteKeyState::Missing => "WARNING: the site key is missing, so no passcode can be opened from this backup.",
        }
    )
}

fn restore(args: &Restore, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    // A new directory holds no site yet.
    let dir = match &place.site {
        Some(dir) => dir.clone(),
        None => place.dir().map_err(|failure| {
            failure
                .advised("Name the directory to restore into with --site DIR; it is created where it does not exist.")
        })?,
    };
    let who = place.who()?;
    let source =
        Source { file: &args.file, book: args.book.as_deref(), password_file: args.book_password_file.as_deref() };
    let restored = watched(output, "rows", |course| keeping::restore(&dir, &source, &who, course))?;
    output.show(&restored, |w| restored_words(w, &restored))?;
    Ok(Exit::Done)
}

fn restored_words(w: &mut dyn Write, restored: &Restored) -> io::Result<()> {
    let what = if restored.new { "the site" } else { "what was missing of the site" };
    writeln!(w, "Restored {what} {} in {} from {}", restored.name, restored.site, restored.from)?;
    for file in &restored.put_back {
        writeln!(w, "  {file}")?;
    }
    for file in &restored.kept {
        writeln!(w, "  {file} differs from the backup's and was left as it is")?;
    }
    for missing in &restored.missing {
        writeln!(w, "  Not in the backup, because it was not found: {missing}")?;
    }
    for left_out in &restored.left_out {
        writeln!(w, "  Not in the backup: {}. {}", left_out.what, left_out.why)?;
    }
    words(w, &restored.verified)?;
    if restored.book_kept {
        return writeln!(w, "That book was there already and goes on from the backup, so it is used as it is.");
    }
    for known in &restored.checkpoints {
        writeln!(
            w,
            "LOST: the checkpoint {} knows of {} entries. What was made after this backup is not in this book.",
            known.place, known.entries
        )?;
    }
    if let Some(ends) = &restored.ends {
        writeln!(
            w,
            "The backup ends with entry {} of {}. Passcodes and serial numbers that were used after that are not in it. Nor are\n\
             orders, deliveries, scrapped and returned units, revocations and erased passcodes of that time: do those again.",
            ends.entry, ends.local
        )?;
    }
    series_words(w, &restored.series_to_confirm)?;
    writeln!(
        w,
        "Units that passed after the backup stop at a station with the cause book-older. `provision … --take-over` adopts \
         them from their chips: where the factory record can be read, passcode data and serial number stay, and so does the \
         label."
    )?;
    writeln!(w, "Let no station go on with another copy of this book: credentials would be used twice.")
}

fn words(w: &mut dyn Write, said: &Verified) -> io::Result<()> {
    if said.is_intact() {
        writeln!(
            w,
            "The book at {} is intact: {} entries, {} rows, {} signed heads\n  root  {}",
            said.book, said.entries, said.rows, said.signed_heads, said.root
        )?;
        kept_words(w, &said.checkpoints)?;
        witness_words(w, &said.witnesses)?;
        said.restored.iter().try_for_each(|restored| writeln!(w, "{restored}"))?;
        if said.is_unchecked() {
            writeln!(
                w,
                "No checkpoint or signed head was compared with it, so entries that are missing at its end would not show. \
                 Compare one that was kept elsewhere: `touchmark book verify --head FILE`."
            )?;
        }
        return missing_words(w, said);
    }
    let older = said.is_an_older_copy();
    if said.is_as_restored() {
        writeln!(w, "The book at {} lacks entries that a signed head covers", said.book)?;
    } else if older {
        writeln!(w, "The book at {} is older than what is known of it", said.book)?;
    } else {
        writeln!(w, "The book at {} is damaged: {} rows or entries differ from its log", said.book, said.damaged)?;
    }
    kept_words(w, &said.checkpoints)?;
    for d in &said.damages {
        let entry = d.entry.map(|e| format!(", entry {e}")).unwrap_or_default();
        writeln!(w, "  {} {}{entry}: {}", d.table, d.key, d.found)?;
    }
    if said.is_as_restored() {
        writeln!(
            w,
            "What is in the book is as it was written. Sign a new head and keep that instead: `touchmark book head --out FILE`. \
             Units that passed in the lost entries are adopted from their chips at a station: `provision … --take-over`."
        )?;
    } else if older {
        writeln!(
            w,
            "What is in the book agrees with its own log. Its end is missing, or it is a copy that went on by itself: what it \
             has that the other lacks can't be seen from here. Stop the stations and keep this one. Find the book or a later \
             backup with the missing entries. If there is none, let this one go on with `touchmark book accept-loss`, so that \
             no serial number is used twice."
        )?;
    } else {
        writeln!(w, "Stop the stations, keep this book unchanged for the investigation, and restore a backup.")?;
    }
    missing_words(w, said)
}

/// Series of which somebody has to say where they go on.
fn series_words(w: &mut dyn Write, series: &[String]) -> io::Result<()> {
    if series.is_empty() {
        return Ok(());
    }
    writeln!(
        w,
        "Before stations count serial numbers again, confirm each series. By this book, the next numbers are:"
    )?;
    series.iter().try_for_each(|next| writeln!(w, "  {next}"))?;
    writeln!(
        w,
        "  Find the last number that was used, on units, labels and printouts, and name the one after it:\n  \
         `touchmark product update NAME --serial-series FIRST`, or `provision … --serial-start FIRST`."
    )
}

/// Where the checkpoint is kept, and where that fails.
fn kept_words(w: &mut dyn Write, kept: &[Kept]) -> io::Result<()> {
    for place in kept {
        match (&place.trouble, place.entries) {
            (Some(trouble), _) => writeln!(w, "  CHECKPOINT {}: {trouble}", place.place)?,
            (None, entries) => writeln!(w, "  checkpoint {}: {} entries", place.place, entries.unwrap_or_default())?,
        }
    }
    Ok(())
}

/// Who countersigned the checkpoint, and who did not.
fn witness_words(w: &mut dyn Write, witnesses: &[Witnessed]) -> io::Result<()> {
    for said in witnesses {
        match &said.trouble {
            Some(trouble) => writeln!(w, "  WITNESS {}: {trouble}", said.witness)?,
            None => writeln!(
                w,
                "  witness {}: {} entries, {}",
                said.witness,
                said.entries.unwrap_or_default(),
                said.at.as_deref().unwrap_or_default()
            )?,
        }
    }
    Ok(())
}

/// A key that is missing is no damage, and is said as what it is.
fn missing_words(w: &mut dyn Write, said: &Verified) -> io::Result<()> {
    for key in &said.missing_keys {
        writeln!(w, "  {} is missing. {}\n    next: {}", key.file, key.means, key.advice)?;
    }
    Ok(())
}
