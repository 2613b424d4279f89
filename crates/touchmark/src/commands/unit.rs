//! `touchmark unit` and `touchmark reconcile`.

use std::io::{self, Write};
use std::path::PathBuf;

use answer::account;
use answer::account::{Account, Share};
use answer::scrap::Disposal;
use clap::{Args, Subcommand};
use line::unit::{OfAttempt, OfBoard, OfMeeting, SentBack, ShownCertificate, Wanted, WholeUnit};
use line::{search, unit};
use site::words::{Next, UnitState};
use standard::name::printable;
use zeroize::Zeroizing;

use super::at_site::{PassphraseArgs, Place};
use super::label::read_line as scanned_line;
use super::revoke::{DisposalArgs, confirm_words, disposal_words};
use super::words::many;
use crate::output::{Exit, Failure, Output};

/// Show, find, scrap, return, swap and refurbish units
#[derive(Debug, Subcommand)]
pub enum UnitCommand {
    /// List units
    List(ListArgs),
    /// Show a unit's whole story
    Show(ShowArgs),
    /// Find units by code, serial number, chip id or credential
    ///
    /// Takes QR text or a manual pairing code of a unit's label; its serial number, chip ID or the serial number of
    /// its credential, in any letter case, or the beginning of one; or the last four or more characters of its
    /// serial number. Lists the first fifty that match, and says if there are more.
    Find(FindArgs),
    /// Scrap a unit and its chip
    ///
    /// Its credential counts as spent, and its certificate is never used again. The certificate is kept and still holds
    /// outside; with --revoke, its revocation is asked for in the same act, which `revoke --confirm` settles: for
    /// production by a second person. If only the board is bad, use `touchmark unit swap`.
    Scrap(ScrapArgs),
    /// Record the return of a passed unit
    Return(ReasonArgs),
    /// Take the board out of a unit, which then waits for its next one
    ///
    /// The chip is scrapped and its certificate counts as spent. The next board goes to a station: `provision` with the
    /// unit's serial number, or with none given, takes the unit up again. Its code is kept, so that its label stays right.
    Swap(SwapArgs),
    /// Make a unit ready for another owner: a new code on the same board
    ///
    /// Lists what its firmware must erase. The unit goes to a station again, which proves its identity once more and
    /// gives it the new code. A chip that was locked with its factory record inside can take none: swap the board.
    Refurbish(RefurbishArgs),
    /// Record who confirms that the firmware of a refurbished unit has erased what was its owner's
    Erased(ErasedArgs),
    /// Write a folder per unit: certificates, declaration, proof
    Write(WriteArgs),
}

#[derive(Args)]
pub struct FindArgs {
    /// Any of these; - reads it from standard input, which keeps a code out of the shell's history
    #[arg(value_name = "TEXT", allow_hyphen_values = true)]
    text: String,
    #[command(flatten)]
    passphrase: PassphraseArgs,
}

// The text may be a code, which gives a passcode away.
impl std::fmt::Debug for FindArgs {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Find")
    }
}

#[derive(Debug, Args)]
pub struct ListArgs {
    /// Units of this reel
    #[arg(long, value_name = "ID")]
    reel: Option<String>,
    /// Units in this state: open, passed, failed, scrapped, returned
    #[arg(long)]
    state: Option<String>,
    /// Units after this serial number
    #[arg(long, value_name = "UNIT")]
    after: Option<String>,
    /// Largest number of units
    #[arg(long, value_name = "N", default_value_t = 1000)]
    limit: u32,
}

#[derive(Debug, Args)]
pub struct ShowArgs {
    /// Serial number
    unit: String,
    /// Also show the passcode and the codes; this is recorded
    #[arg(long)]
    reveal: bool,
    #[command(flatten)]
    passphrase: PassphraseArgs,
}

#[derive(Debug, Args)]
pub struct ReasonArgs {
    /// Serial number
    unit: String,
    /// Reason, kept with the record
    #[arg(long)]
    reason: String,
    /// Even if an attempt is open at a station
    #[arg(long)]
    take_over: bool,
}

#[derive(Debug, Args)]
pub struct ScrapArgs {
    #[command(flatten)]
    unit: ReasonArgs,
    #[command(flatten)]
    disposal: DisposalArgs,
}

#[derive(Debug, Args)]
pub struct SwapArgs {
    #[command(flatten)]
    unit: ReasonArgs,
    /// Draw a new code with the next board; the label must be replaced then
    #[arg(long)]
    new_code: bool,
}

#[derive(Debug, Args)]
pub struct RefurbishArgs {
    /// Serial number
    unit: String,
    /// Reason, kept with the record
    #[arg(long)]
    reason: String,
    /// Who confirms that its firmware has erased what was its owner's, if that is done already
    #[arg(long, value_name = "NAME")]
    erased_by: Option<String>,
}

#[derive(Debug, Args)]
pub struct ErasedArgs {
    /// Serial number
    unit: String,
    /// Who confirms it
    #[arg(long, value_name = "NAME")]
    confirmed_by: String,
}

#[derive(Debug, Args)]
pub struct WriteArgs {
    /// Serial numbers
    #[arg(required_unless_present = "all")]
    units: Vec<String>,
    /// All units that passed, those that came back since among them
    #[arg(long, conflicts_with = "units")]
    all: bool,
    /// Directory to write into
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
}

/// Account for every credential and chip
#[derive(Debug, Args)]
pub struct ReconcileArgs {
    /// Only this reel
    #[arg(long, value_name = "ID")]
    reel: Option<String>,
}

/// Runs `unit`.
pub fn run(command: UnitCommand, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let site = place.open()?;
    let who = place.who()?;
    match command {
        UnitCommand::List(args) => {
            let wanted = Wanted {
                reel: args.reel.as_deref(),
                state: args.state.as_deref(),
                after: args.after.as_deref(),
                limit: args.limit,
            };
            let list = unit::list(&site, &wanted)?;
            output.show(&list, |w| {
                for u in &list.units {
                    let revoked = match (&u.revoked, u.check_failed) {
                        (Some(_), _) => "  REVOKED",
                        (None, true) => "  CHECK FAILED",
                        (None, false) => "",
                    };
                    let attempts = many(u.attempts, "attempt");
                    writeln!(w, "{}  {}  chip {}  {attempts}{revoked}", u.unit, u.state, u.chip_id)?;
                }
                match list.units.last() {
                    None => writeln!(w, "No such unit."),
                    Some(last) if list.more => writeln!(
                        w,
                        "More follow: these are the first {}. Go on with --after {}, or give a larger --limit.",
                        list.units.len(),
                        last.unit
                    ),
                    Some(_) => Ok(()),
                }
            })?;
        }
        UnitCommand::Show(args) => {
            let passphrase = if args.reveal { args.passphrase.for_site_key(&site)? } else { None };
            let reveal = args.reveal.then_some(passphrase.as_ref());
            let story = unit::show(&site, &args.unit, reveal, &who)?;
            output.show(&story, |w| tell(w, &story))?;
        }
        UnitCommand::Find(args) => {
            let text = Zeroizing::new(if args.text == "-" { scanned_line()? } else { args.text });
            let is_code = line::label::looks_like_code(&text);
            let passphrase = if is_code { args.passphrase.for_site_key(&site)? } else { None };
            let all = search::find(&site, &text, passphrase.as_ref())?;
            let found = &all.found;
            output.show(&all, |w| {
                for f in found {
                    let unit = f.unit.as_deref().map_or_else(
                        || "no unit yet".into(),
                        |u| format!("unit {u}, {}", f.state.map_or("", UnitState::word)),
                    );
                    writeln!(w, "chip {} of reel {}, {}: {unit}", f.chip_id, f.reel, f.chip)?;
                    f.revoked.iter().try_for_each(|what| writeln!(w, "  REVOKED: {what}"))?;
                    if f.code_replaced {
                        writeln!(
                            w,
                            "  CODE REPLACED: this is a code that it had before. Replace the label that has it."
                        )?;
                    }
                    if f.check_failed {
                        writeln!(w, "  CHECK FAILED: its last check at a station, see `touchmark unit show`")?;
                    }
                }
                if all.more {
                    writeln!(w, "More match: these are the first {}. Give more of the text.", found.len())?;
                }
                if found.is_empty() { writeln!(w, "{}", search::nothing_found(&text)) } else { Ok(()) }
            })?;
            if found.is_empty() {
                return Ok(Exit::Rejected);
            }
        }
        UnitCommand::Scrap(ScrapArgs { unit: of, disposal }) => {
            let done = disposal
                .asking(|revoke| answer::scrap::unit(&site, &of.unit, &of.reason, of.take_over, revoke, &who))?;
            let (unit, credential) = (&done.unit, done.credential.as_ref());
            let requested = credential.and_then(|c| Some((c.request?, c.second_person)));
            output.show(&done, |w| {
                match &unit.already {
                    Some(before) => {
                        let nothing = if requested.is_some() { "" } else { " Nothing was changed." };
                        writeln!(
                            w,
                            "Unit {} was already scrapped on {} by {}: {}.{nothing}",
                            unit.unit, before.at, before.by, before.reason
                        )?;
                    }
                    None => writeln!(w, "Scrapped unit {} with its chip {}", unit.unit, unit.chip_id)?,
                }
                credential
                    .iter()
                    .try_for_each(|c| writeln!(w, "Its certificate {} is {}.", c.serial, disposal_words(c)))
            })?;
            let labels = "Destroy its labels.";
            output.next(&match requested {
                Some((number, second)) => format!("{labels} {}", confirm_words(number, second)),
                None if credential.is_some_and(|c| c.disposal == Disposal::Kept) => format!(
                    "{labels} If the chip may get into other hands, have its certificate revoked with \
                     `touchmark revoke --unit`."
                ),
                None => labels.to_owned(),
            });
        }
        UnitCommand::Return(args) => {
            let done = unit::take_back(&site, &args.unit, &args.reason, &who)?;
            output.show(&done, |w| writeln!(w, "Recorded the return of unit {}", done.unit))?;
        }
        UnitCommand::Swap(SwapArgs { unit: of, new_code }) => {
            let done = unit::swap(&site, &of.unit, &of.reason, new_code, of.take_over, &who)?;
            output.show(&done, |w| {
                writeln!(w, "Unit {} waits for its next board; chip {} is scrapped", done.unit, done.chip_id)?;
                next_words(w, &done)
            })?;
        }
        UnitCommand::Refurbish(args) => {
            let done = unit::refurbish(&site, &args.unit, &args.reason, args.erased_by.as_deref(), &who)?;
            output.show(&done, |w| {
                writeln!(
                    w,
                    "Unit {} waits to be proven again; its firmware must erase what is its owner's:",
                    done.unit
                )?;
                done.erase.iter().try_for_each(|what| writeln!(w, "  erase     {what}"))?;
                next_words(w, &done)
            })?;
        }
        UnitCommand::Erased(args) => {
            let done = unit::erased(&site, &args.unit, &args.confirmed_by, &who)?;
            output.show(&done, |w| {
                writeln!(w, "Recorded that {} confirmed the erasure of unit {}", done.erased.confirmed_by, done.unit)
            })?;
        }
        UnitCommand::Write(args) => {
            let done = unit::write(&site, &args.units, args.all, &args.out)?;
            output.show(&done, |w| {
                writeln!(w, "Wrote {} to {}", many(done.units.len() as i64, "unit"), done.directory)?;
                if !done.revoked.is_empty() {
                    writeln!(w, "REVOKED: {}", done.revoked.join(", "))?;
                }
                if !done.check_failed.is_empty() {
                    let names = done.check_failed.join(", ");
                    writeln!(w, "CHECK FAILED, after they had passed: {names}. The files are of the time before.")?;
                }
                if done.without_proof.is_empty() {
                    Ok(())
                } else {
                    writeln!(w, "Without a proof, so no files: {}", done.without_proof.join(", "))
                }
            })?;
            if !done.without_proof.is_empty() {
                return Ok(Exit::Rejected);
            }
        }
    }
    Ok(Exit::Done)
}

fn next_words(w: &mut dyn Write, done: &SentBack) -> io::Result<()> {
    done.next.iter().try_for_each(|what| writeln!(w, "  next      {what}"))
}

/// A unit's story in words.
fn tell(w: &mut dyn Write, u: &WholeUnit) -> io::Result<()> {
    let test = if u.purpose.is_test() { "  TEST" } else { "" };
    writeln!(w, "Unit {}  {}{test}", u.unit, u.state)?;
    if let Some(what) = &u.revoked {
        writeln!(w, "  REVOKED     {what}")?;
    }
    if let Some(r) = &u.revocation_requested {
        writeln!(w, "  revocation  request {} of {} by {} waits for a second person", r.request, r.at, r.by)?;
    }
    if let Some(a) = &u.adopted {
        writeln!(w, "  adopted     {} by {}, from its chip: the book did not have it", a.at, a.by)?;
    }
    if !u.waits_for.is_empty() {
        writeln!(w, "  WAITS       for its next attempt at a station: {}", u.waits_for.join(", "))?;
    }
    for r in &u.renewals {
        let (event, reason) = (r.event, printable(&r.reason));
        writeln!(w, "  {event:<11} {} by {}, chip {}, code {}: {reason}", r.at, r.by, r.chip_id, r.code)?;
        if let Some(erased) = &r.erased {
            writeln!(w, "  erased      confirmed by {}, recorded {}", erased.confirmed_by, erased.at)?;
        }
    }
    if u.boards.len() > 1 || !u.renewals.is_empty() {
        (1..).zip(&u.boards).try_for_each(|(number, board)| board_words(w, number, board))?;
    }
    for left in &u.left {
        writeln!(w, "  {:<11} {} by {}: {}", left.event, left.at, left.by, printable(&left.reason))?;
    }
    writeln!(w, "  product     {} {} {}", u.product, u.vendor_id, u.product_id)?;
    writeln!(w, "  chip        {}, {}", u.chip.chip_id, u.chip.state)?;
    writeln!(w, "  reel        {}, received {} as {}", u.reel.reel, u.reel.received, printable(&u.reel.source))?;
    if let Some(on) = &u.panel {
        writeln!(w, "  panel       {on}")?;
    }
    if let Some(packed) = &u.packed {
        let pallet = packed.pallet.iter().map(|name| format!(", pallet {name}"));
        let more: String = pallet.chain(packed.shipment.iter().map(|name| format!(", shipment {name}"))).collect();
        writeln!(w, "  carton      {}{more}, packed {} by {}", packed.carton, packed.at, packed.by)?;
    }
    if let Some(d) = &u.delivery {
        writeln!(w, "  delivery    {}, {}", d.delivery, printable(&d.source))?;
    }
    if let Some(c) = &u.credential {
        writeln!(w, "  credential  serial {}, {}", c.serial, c.state)?;
        c.reason.iter().try_for_each(|reason| writeln!(w, "    because   {}", printable(reason)))?;
        if let Some(dac) = &c.dac {
            writeln!(w, "    subject   {}", dac.subject)?;
            writeln!(w, "    issuer    {}", dac.issuer)?;
            let (from, to) = (dac.not_before.as_deref().unwrap_or("?"), dac.not_after.as_deref());
            writeln!(w, "    valid     {from} to {}", to.unwrap_or("no expiry"))?;
            dac.not_valid.iter().try_for_each(|not_valid| writeln!(w, "    NOT VALID now: {not_valid}"))?;
        }
    }
    u.attempts.iter().try_for_each(|attempt| attempt_words(w, attempt))?;
    for check in &u.checks {
        let (at, by, station) = (&check.at, &check.by, check.station.as_deref().unwrap_or("no station"));
        match &check.cause {
            None => writeln!(w, "  checked     {at} at {station} by {by}: still right")?,
            Some(cause) => writeln!(w, "  CHECKED     {at} at {station} by {by}: FAILED, {cause}")?,
        }
    }
    if let Some(proof) = &u.proof {
        writeln!(w, "  proof       {} in attempt {}, entry {} of the log", proof.at, proof.attempt, proof.entry)?;
        writeln!(w, "    nonce     {}", proof.nonce)?;
    }
    u.meetings.iter().try_for_each(|met| meeting_words(w, met))?;
    if let Some(onboarding) = &u.onboarding {
        match onboarding.passcode.as_str() {
            "erased" => writeln!(w, "  passcode    erased: its label can't be printed again")?,
            "not-in-book" => writeln!(w, "  passcode    not in this book: the label that it has stays right")?,
            _ => {}
        }
        if let (Some(qr), Some(manual)) = (&onboarding.qr, &onboarding.manual) {
            writeln!(w, "  code        {qr}  {manual}")?;
        }
    }
    u.labels.iter().try_for_each(|label| writeln!(w, "  label       {} {}", label.event, label.at))
}

fn meeting_words(w: &mut dyn Write, m: &OfMeeting) -> io::Result<()> {
    let place = m.place.as_deref().unwrap_or("nowhere");
    let cause = m.cause.as_ref().map_or_else(String::new, |cause| format!(", {cause}"));
    writeln!(w, "  met         {} at {place} by {}: {}{cause}, entry {} of the log", m.at, m.by, m.verdict, m.entry)?;
    if let Some(other) = m.certificate.filter(|shown| *shown != ShownCertificate::Own) {
        writeln!(
            w,
            "    showed    {}",
            if other == ShownCertificate::Other { "another certificate" } else { "an earlier board's certificate" }
        )?;
    }
    m.proof.iter().try_for_each(|proof| writeln!(w, "    nonce     {}", proof.nonce))
}

fn board_words(w: &mut dyn Write, number: usize, b: &OfBoard) -> io::Result<()> {
    let to = b.to.as_deref().map_or_else(|| "now".to_owned(), str::to_owned);
    writeln!(w, "  board {number}     chip {}, {}, from {} to {to}", b.chip_id, b.state, b.from)?;
    if let Some(c) = &b.credential {
        writeln!(w, "    credential  serial {}, {}, issued by {}", c.serial, c.state, c.issuer)?;
    }
    for proof in b.earlier_proofs.iter().chain(&b.proof) {
        writeln!(w, "    proof       {} in attempt {}, entry {} of the log", proof.at, proof.attempt, proof.entry)?;
    }
    Ok(())
}

fn attempt_words(w: &mut dyn Write, a: &OfAttempt) -> io::Result<()> {
    writeln!(w, "  attempt {} at {} on {}: {}", a.attempt, a.station, a.started, a.result)?;
    a.declaration.iter().try_for_each(|declaration| writeln!(w, "    declaration {declaration}"))?;
    a.facts.told().iter().try_for_each(|(name, text)| writeln!(w, "    {name} {text}"))?;
    if let Some(cause) = &a.cause {
        let (detail, next) = (a.detail.as_deref().unwrap_or_default(), a.next.map_or("", Next::word));
        writeln!(w, "    {cause}: {}  next: {next}", printable(detail))?;
    }
    #[expect(clippy::cast_precision_loss, reason = "microseconds of a step")]
    a.steps.iter().try_for_each(|step| {
        writeln!(w, "    {:<22} {:>9.1} ms  {}", step.step, step.microseconds as f64 / 1000.0, step.result)
    })
}

/// Runs `reconcile`.
pub fn run_reconcile(args: ReconcileArgs, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let site = place.open()?;
    let account = account::reconcile(&site, args.reel.as_deref())?;
    output.show(&account, |w| account_words(w, &account))?;
    Ok(if account.is_balanced() { Exit::Done } else { Exit::Rejected })
}

fn account_words(w: &mut dyn Write, account: &Account) -> io::Result<()> {
    let side = |shares: &[Share]| -> String {
        shares.iter().map(|s| format!("{} {}", s.what, s.count)).collect::<Vec<_>>().join(" + ")
    };
    for line in &account.account {
        writeln!(w, "{:<12} {} = {}", line.of, side(&line.left), side(&line.right))?;
        match line.difference {
            0 => {}
            n if n > 0 => writeln!(w, "{:<12} DIFFERENCE {n}: received, and not found", "")?,
            n => writeln!(w, "{:<12} DIFFERENCE {n}: found, and never received", "")?,
        }
    }
    let units = account.counts.units;
    writeln!(w, "{:<12} failed {}, scrapped {}, open {}", "other units", units.failed, units.scrapped, units.open)?;
    writeln!(w, "{:<12} {}", "used twice", account.counts.double_use)?;
    let log = match &account.log {
        log if log.older => "OLDER than its checkpoint",
        log if log.intact => "intact",
        _ => "DAMAGED",
    };
    writeln!(w, "{:<12} {} entries, {log}", "log", account.log.entries)?;
    account.notes.iter().try_for_each(|note| writeln!(w, "{note}"))?;
    if account.is_balanced() {
        return writeln!(w, "Balanced: every chip, credential and unit is accounted for.");
    }
    if account.log.older {
        return writeln!(
            w,
            "UNBALANCED. Entries are missing, so these numbers are those of an earlier day. Stop the stations and see \
             `touchmark book verify`."
        );
    }
    writeln!(w, "UNBALANCED. Run `touchmark book verify`: it names what was altered, by table, key and entry.")
}
