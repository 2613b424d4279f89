//! `touchmark code`: onboarding codes made and read.

use std::io::{self, Read, Write};
use std::path::PathBuf;

use works::code::{MadeCode, ReadCode, ToldCode, TypedCode};

use crate::commands::words::{finding_lines, row};
use crate::output::{Exit, Failure, Output};

/// Make an onboarding code, or read one
#[derive(Debug, clap::Args)]
pub struct Code {
    #[command(subcommand)]
    act: Act,
}

#[derive(Debug, clap::Subcommand)]
enum Act {
    /// Make the QR text and the manual code of a unit
    Make(Box<Make>),
    /// Read QR text or a manual code, and say what is wrong with it
    Read(ReadArgs),
}

// Values are text here, because a value that breaks a rule is answered with
// the rule, and a passcode must not be quoted back by the argument parser.
#[derive(clap::Args)]
struct Make {
    /// Vendor ID, as FFF2; 0000 for "not told"
    #[arg(long, value_name = "VID", allow_hyphen_values = true)]
    vendor: String,
    /// Product ID, as 8A21; 0000 for "not told"
    #[arg(long, value_name = "PID", allow_hyphen_values = true)]
    product: String,
    /// Discriminator, 0 to 4095
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    discriminator: String,
    /// Passcode, 1 to 99999998
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    passcode: String,
    /// How the device is reached: soft-ap, ble, ip, wifi-paf, nfc, with commas between them
    #[arg(long, value_name = "LIST", allow_hyphen_values = true)]
    reach: String,
    /// Commissioning flow: standard, user-intent, custom
    #[arg(long, value_name = "FLOW", default_value = "standard", allow_hyphen_values = true)]
    flow: String,
    /// A manual code of 21 digits even where 11 are enough
    #[arg(long)]
    long: bool,
    /// Further data to carry: one TLV structure in hex
    #[arg(long, value_name = "HEX", default_value = "", hide_default_value = true)]
    extra: String,
    /// Write the symbol as SVG
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Write the symbol as PNG
    #[arg(long, value_name = "FILE")]
    png: Option<PathBuf>,
}

impl std::fmt::Debug for Make {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Make")
    }
}

#[derive(clap::Args)]
struct ReadArgs {
    /// QR text, as MT:…, or a manual code; - reads a line from standard input
    #[arg(value_name = "TEXT", allow_hyphen_values = true)]
    text: String,
}

impl std::fmt::Debug for ReadArgs {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Read")
    }
}

/// Runs the command.
pub fn run(args: Code, output: &mut Output) -> Result<Exit, Failure> {
    match args.act {
        Act::Make(args) => make(&args, output),
        Act::Read(args) => read(&args.text, output),
    }
}

fn make(args: &Make, output: &mut Output) -> Result<Exit, Failure> {
    let typed = TypedCode {
        vendor: &args.vendor,
        product: &args.product,
        discriminator: &args.discriminator,
        passcode: &args.passcode,
        reach: &args.reach,
        flow: &args.flow,
        long: args.long,
        extra: &args.extra,
    };
    let made = works::code::make(&typed, args.svg.as_deref(), args.png.as_deref())?;
    output.show(&made, |w| tell_made(w, &made, args))?;
    Ok(Exit::Done)
}

fn tell_made(w: &mut dyn Write, made: &MadeCode, args: &Make) -> io::Result<()> {
    row(w, "QR text", &made.qr)?;
    row(w, "manual code", &made.manual_printed)?;
    row(w, "vendor", &id(&made.vendor_id, made.test))?;
    row(w, "product", &id(&made.product_id, false))?;
    row(w, "flow", made.flow)?;
    row(w, "reach", &made.reach.join(", "))?;
    row(w, "discriminator", &made.discriminator.to_string())?;
    row(w, "passcode", &format!("{:08}", made.passcode))?;
    if !made.extra.is_empty() {
        row(w, "further data", &made.extra)?;
    }
    for path in [&args.svg, &args.png].into_iter().flatten() {
        row(w, "written", &path.display().to_string())?;
    }
    Ok(())
}

fn read(text: &str, output: &mut Output) -> Result<Exit, Failure> {
    let line;
    let text = if text == "-" {
        line = first_line(io::stdin().lock()).map_err(|error| {
            Failure::usage(format!("standard input can't be read: {error}"), "Send one code as one line of text.")
        })?;
        &line
    } else {
        text
    };
    let read = works::code::read(text);
    output.show(&read, |w| tell_read(w, &read))?;
    Ok(if read.verdict == "accepted" { Exit::Done } else { Exit::Rejected })
}

/// The first line, or as much of it as no code ever is.
fn first_line(input: impl Read) -> io::Result<String> {
    const LIMIT: u64 = 16 << 10;
    let mut octets = Vec::new();
    input.take(LIMIT).read_to_end(&mut octets)?;
    let line = octets.split(|octet| *octet == b'\n').next().unwrap_or_default();
    Ok(String::from_utf8_lossy(line).into_owned())
}

fn tell_read(w: &mut dyn Write, read: &ReadCode) -> io::Result<()> {
    let form = if read.form == "qr" { "QR text" } else { "manual code" };
    writeln!(w, "{form}, {}", read.verdict)?;
    let mut told = vec![(None, &read.told)];
    if !read.payloads.is_empty() {
        told = read.payloads.iter().enumerate().map(|(index, told)| (Some(index + 1), told)).collect();
    }
    for (number, told) in told {
        if let Some(number) = number {
            writeln!(w, "payload {number}")?;
        }
        tell_fields(w, told)?;
    }
    for finding in &read.findings {
        finding_lines(w, finding)?;
    }
    Ok(())
}

fn tell_fields(w: &mut dyn Write, told: &ToldCode) -> io::Result<()> {
    let test = told.test.unwrap_or(false);
    let rows = [
        ("vendor", told.vendor_id.as_ref().map(|vendor| id(vendor, test))),
        ("product", told.product_id.as_ref().map(|product| id(product, false))),
        ("flow", told.flow.map(str::to_owned)),
        ("reach", told.reach.as_ref().map(|reach| reach.join(", "))),
        ("discriminator", told.discriminator.map(|n| n.to_string())),
        ("short discriminator", told.short_discriminator.map(|n| n.to_string())),
        ("passcode", told.passcode.map(|n| format!("{n:08}"))),
        ("further data", told.extra.clone()),
        ("manual code", told.manual.as_ref().map(|manual| works::code::group(manual))),
    ];
    for (what, value) in rows {
        if let Some(value) = value {
            row(w, what, &value)?;
        }
    }
    Ok(())
}

/// An ID, and what it means where that is not plain.
fn id(id: &str, test: bool) -> String {
    match id {
        "0000" => format!("{id} (not told)"),
        _ if test => format!("{id} (TEST)"),
        _ => id.to_owned(),
    }
}
