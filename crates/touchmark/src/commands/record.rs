//! `touchmark record`: a unit's factory record made and shown.

use std::fmt;
use std::io::{self, Write};
use std::path::PathBuf;

use line::chosen::Which;
use line::record::{BookRecords, HexFile, ImageFile, RecordFiles, RecordInput, ShownRecord, make_from_book};
use site::record_place::RecordFormat;

use super::at_site::{PassphraseArgs, Place};
use crate::commands::words::{many, row};
use crate::output::{Exit, Failure, Output};
use crate::watching::watched;

/// Make a unit's factory record, or show one
#[derive(Debug, clap::Args)]
pub struct RecordArgs {
    #[command(subcommand)]
    act: Act,
}

#[derive(Debug, clap::Subcommand)]
enum Act {
    /// Make the factory records that firmware reads, for units of the book or from values
    ///
    /// Units of the book (UNIT…, --reel or --all; they must have passed) get a file each in the directory --out,
    /// or one archive there with --bundle, and beside it index.csv: unit, chip ID, file, address, size, SHA-256.
    /// Writes all of it or nothing, and the log records it. Form, address and size default to those of the
    /// product.
    ///
    /// Without units, the record is made from values. They come from a description in TOML or JSON, from options, or from
    /// both; an option wins. The passcode is never an option: it comes from the
    /// description, a file or `TOUCHMARK_PASSCODE`, to derive the verifier or to
    /// check the one given. The record holds it only with --with-passcode.
    Make(Box<Make>),
    /// Show the record in a file: CBOR, image of a flash region, Intel HEX
    Show(Show),
}

#[derive(clap::Args)]
#[command(group(clap::ArgGroup::new("of_book").args(["units", "reel", "all"])))]
#[command(group(clap::ArgGroup::new("addressed").args(["hex", "out"])))]
#[command(group(clap::ArgGroup::new("sized").args(["image", "out"])))]
struct Make {
    /// Units of the site's book
    #[arg(value_name = "UNIT", requires = "out")]
    units: Vec<String>,
    /// Units of this reel that passed
    #[arg(long, value_name = "ID", requires = "out")]
    reel: Option<String>,
    /// All units that passed
    #[arg(long, requires = "out")]
    all: bool,
    /// Directory for the records of units of the book, new or empty
    #[arg(long, value_name = "DIR", requires = "of_book", conflicts_with_all = ["from", "cbor", "image", "hex"])]
    out: Option<PathBuf>,
    /// Form of the records of units of the book: cbor, hex or image; default: the product's form, then cbor
    #[arg(long, value_name = "FORMAT", requires = "out")]
    format: Option<RecordFormat>,
    /// Write one archive instead of one file per unit
    #[arg(long, requires = "out")]
    bundle: bool,
    #[command(flatten)]
    passphrase: PassphraseArgs,
    /// Description in TOML or JSON; keys are the names of these options with _ for -
    #[arg(long, value_name = "FILE")]
    from: Option<PathBuf>,
    /// Serial number, at most 32 bytes
    #[arg(long, value_name = "TEXT")]
    serial_number: Option<String>,
    /// Vendor ID, such as FFF2
    #[arg(long, value_name = "VID", visible_alias = "vendor")]
    vendor_id: Option<String>,
    /// Vendor name, at most 32 bytes
    #[arg(long, value_name = "TEXT")]
    vendor_name: Option<String>,
    /// Product ID, such as 8A21
    #[arg(long, value_name = "PID", visible_alias = "product")]
    product_id: Option<String>,
    /// Product name, at most 32 bytes
    #[arg(long, value_name = "TEXT")]
    product_name: Option<String>,
    /// Hardware version, 0 to 65535
    #[arg(long, value_name = "N")]
    hardware_version: Option<String>,
    /// Hardware version as text, at most 64 bytes
    #[arg(long, value_name = "TEXT")]
    hardware_version_text: Option<String>,
    /// Manufacturing date, such as 2026-11-25
    #[arg(long, value_name = "DATE")]
    manufactured: Option<String>,
    /// Discriminator, 0 to 4095
    #[arg(long, value_name = "N")]
    discriminator: Option<String>,
    /// Salt, 16 to 32 bytes in hex; default: random, unless a verifier is given
    #[arg(long, value_name = "HEX")]
    salt: Option<String>,
    /// Iteration count, 1000 to 100000
    #[arg(long, value_name = "N")]
    iterations: Option<String>,
    /// Verifier, in hex or base 64; default: derived from the passcode
    #[arg(long, value_name = "HEX")]
    verifier: Option<String>,
    /// Unique value of the rotating id, 16 to 64 bytes in hex; default: random
    #[arg(long, value_name = "HEX")]
    rotating_id: Option<String>,
    /// File with the passcode in its first line
    #[arg(long, value_name = "FILE")]
    passcode_file: Option<PathBuf>,
    /// Include the passcode in the record, for a device that shows it itself
    #[arg(long)]
    with_passcode: bool,
    /// DAC, if the secure element does not hold it
    #[arg(long, value_name = "FILE")]
    dac: Option<PathBuf>,
    /// PAI, if the secure element does not hold it
    #[arg(long, value_name = "FILE")]
    pai: Option<PathBuf>,
    /// Certification declaration, if the secure element does not hold it
    #[arg(long, value_name = "FILE")]
    declaration: Option<PathBuf>,
    /// Write the record as CBOR
    #[arg(long, value_name = "FILE")]
    cbor: Option<PathBuf>,
    /// Write an image of a flash region: the record, then 0xFF
    #[arg(long, value_name = "FILE", requires = "region")]
    image: Option<PathBuf>,
    /// Bytes of the flash region, decimal or hex after 0x
    #[arg(long, value_name = "BYTES", visible_alias = "size", requires = "sized", value_parser = number)]
    region: Option<u32>,
    /// Write Intel HEX
    #[arg(long, value_name = "FILE", requires = "address")]
    hex: Option<PathBuf>,
    /// Address of the record, decimal or hex after 0x
    #[arg(long, value_name = "ADDRESS", requires = "addressed", value_parser = number)]
    address: Option<u32>,
}

impl fmt::Debug for Make {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Make")
    }
}

#[derive(Debug, clap::Args)]
struct Show {
    /// File with a record
    file: PathBuf,
    /// Also show the verifier, the rotating id's value and the passcode
    #[arg(long)]
    reveal: bool,
}

fn number(typed: &str) -> Result<u32, String> {
    let hex = typed.strip_prefix("0x").or_else(|| typed.strip_prefix("0X"));
    let (digits, radix) = hex.map_or((typed, 10), |digits| (digits, 16));
    let plain = digits.chars().all(|c| c.is_digit(radix));
    let number = u32::from_str_radix(digits, radix).ok().filter(|_| plain);
    number.ok_or_else(|| "not a 32-bit number, decimal or hex after 0x".into())
}

/// Runs the command.
pub fn run(args: RecordArgs, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    match args.act {
        Act::Make(args) if args.out.is_some() => of_book(&args, place, output),
        Act::Make(args) => make(*args, output),
        Act::Show(args) => {
            let shown = line::record::show(&args.file, args.reveal)?;
            // A file is shown without a site too; a book that is there knows what the product is for.
            let shown = match place.open() {
                Ok(site) => shown.with_book(&site)?,
                Err(_) => shown,
            };
            output.show(&shown, |w| tell(w, &shown))?;
            Ok(Exit::Done)
        }
    }
}

fn of_book(args: &Make, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let site = place.open()?;
    let (passphrase, who) = (args.passphrase.for_site_key(&site)?, place.who()?);
    let wanted = BookRecords {
        which: match (&args.reel, args.all) {
            (Some(reel), _) => Which::Reel(reel),
            (None, true) => Which::All,
            (None, false) => Which::Units(&args.units),
        },
        out: args.out.as_deref().unwrap_or(std::path::Path::new("")),
        format: args.format,
        address: args.address,
        size: args.region,
        bundle: args.bundle,
    };
    let written =
        watched(output, "records", |course| make_from_book(&site, &wanted, passphrase.as_ref(), &who, course))?;
    output.show(&written, |w| {
        let what = written.bundle.as_ref().unwrap_or(&written.directory);
        writeln!(w, "Wrote {} to {what}", many(written.records.len() as i64, "factory record"))?;
        writeln!(w, "The index {} says which file goes to which chip, and where", written.index)?;
        if written.left_out.is_empty() {
            return Ok(());
        }
        let units = many(written.left_out.len() as i64, "unit");
        let names = written.left_out.join(", ");
        writeln!(w, "Left out, since the book has no passcode of it: {units} ({names})")
    })?;
    Ok(Exit::Done)
}

fn make(args: Make, output: &mut Output) -> Result<Exit, Failure> {
    let described = args.from.as_deref().map(RecordInput::read).transpose()?.unwrap_or_default();
    let passcode = match &args.passcode_file {
        Some(path) => Some(line::record::read_passcode(path)?),
        None => std::env::var("TOUCHMARK_PASSCODE").ok().filter(|typed| !typed.is_empty()).map(Into::into),
    };
    let typed = RecordInput {
        serial_number: args.serial_number,
        vendor_id: args.vendor_id,
        vendor_name: args.vendor_name,
        product_id: args.product_id,
        product_name: args.product_name,
        hardware_version: args.hardware_version.map(Into::into),
        hardware_version_text: args.hardware_version_text,
        manufactured: args.manufactured,
        discriminator: args.discriminator.map(Into::into),
        salt: args.salt,
        iterations: args.iterations.map(Into::into),
        verifier: args.verifier,
        rotating_id: args.rotating_id,
        passcode,
        with_passcode: args.with_passcode,
        dac: args.dac,
        pai: args.pai,
        declaration: args.declaration,
    };
    let files = RecordFiles {
        cbor: args.cbor,
        image: args.image.zip(args.region).map(|(path, region)| ImageFile { path, region: region as usize }),
        hex: args.hex.zip(args.address).map(|(path, address)| HexFile { path, address }),
    };
    let made = line::record::make(&described.overridden_by(typed), &files)?;
    output.show(&made, |w| {
        tell(w, &made.record)?;
        row(w, "octets", &made.octets.to_string())?;
        made.files.iter().try_for_each(|file| row(w, "written", file))
    })?;
    Ok(Exit::Done)
}

fn tell(w: &mut dyn Write, shown: &ShownRecord) -> io::Result<()> {
    let test = if shown.test { " (TEST)" } else { "" };
    let octets = |hex: &Option<String>| hex.as_ref().map(|hex| format!("{} bytes", hex.len() / 2));
    let hidden = |secret: &Option<String>| Some(secret.clone().unwrap_or_else(|| "hidden".into()));
    let passcode = match (shown.holds_passcode, shown.passcode) {
        (false, _) => None,
        (true, None) => Some("hidden".into()),
        (true, Some(passcode)) => Some(format!("{passcode:08}")),
    };
    let version = match &shown.hardware_version_text {
        Some(text) => format!("{} ({text})", shown.hardware_version),
        None => shown.hardware_version.to_string(),
    };
    let rows = [
        ("serial number", Some(shown.serial_number.clone())),
        ("vendor", Some(format!("{} {}{test}", shown.vendor_id, shown.vendor_name))),
        ("product", Some(format!("{} {}{test}", shown.product_id, shown.product_name))),
        (
            "purpose",
            Some(match (shown.purpose, shown.purpose_from) {
                (Some(purpose), Some("book")) => format!("{purpose}, by the book"),
                (Some(purpose), _) => format!("{purpose}, by its vendor ID"),
                (None, _) => "unknown: the record does not say it, and no book here knows the product".into(),
            }),
        ),
        ("hardware version", Some(version)),
        ("manufactured", Some(shown.manufactured.clone())),
        ("discriminator", Some(shown.discriminator.to_string())),
        ("salt", Some(shown.salt.clone())),
        ("iterations", Some(shown.iterations.to_string())),
        ("verifier", hidden(&shown.verifier)),
        ("rotating id", hidden(&shown.rotating_id)),
        ("DAC", octets(&shown.dac)),
        ("PAI", octets(&shown.pai)),
        ("declaration", octets(&shown.declaration)),
        ("passcode", passcode),
        ("region", shown.region.map(|octets| format!("{octets} bytes"))),
        ("address", shown.address.clone()),
    ];
    rows.into_iter().filter_map(|(what, value)| Some((what, value?))).try_for_each(|(what, value)| row(w, what, &value))
}
