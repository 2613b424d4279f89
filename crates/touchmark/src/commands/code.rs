//! `touchmark code`: onboarding codes made and read.

use std::io::{self, Read, Write};
use std::path::PathBuf;

use line::code::{MadeCode, OptionalView, ReadCode, ToldCode, TypedCode, TypedOptional};

use crate::commands::words::{finding_lines, row};
use crate::output::{Exit, Failure, Output};

/// Make onboarding codes, read them, or join several into one symbol
#[derive(Debug, clap::Args)]
pub struct Code {
    #[command(subcommand)]
    act: Act,
}

#[derive(Debug, clap::Subcommand)]
enum Act {
    /// Make the QR text and the manual code of a unit
    Make(Box<Make>),
    /// Read QR text or a manual code, and list its faults
    Read(ReadArgs),
    /// Join the QR texts of several units into one, for the carton of a multipack
    ///
    /// A phone that scans the symbol adds all units at once. The symbol holds at most 169 units, fewer if their
    /// codes carry optional data. With --svg or --png it is read back before it is written.
    Join(Join),
}

// Values are text here, because a value that breaks a rule is answered with
// the rule, and a passcode must not be quoted back by the argument parser.
#[derive(clap::Args)]
struct Make {
    /// Vendor ID, such as FFF2; 0000 for "not stated"
    #[arg(long, value_name = "VID", allow_hyphen_values = true)]
    vendor: String,
    /// Product ID, such as 8A21; 0000 for "not stated"
    #[arg(long, value_name = "PID", allow_hyphen_values = true)]
    product: String,
    /// Discriminator, 0 to 4095
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    discriminator: String,
    /// Passcode, 1 to 99999998
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    passcode: String,
    /// How a phone reaches the device, comma-separated: soft-ap, ble, ip, wifi-paf, nfc
    #[arg(long, value_name = "LIST", allow_hyphen_values = true)]
    reach: String,
    /// Commissioning flow: standard, user-intent, custom
    #[arg(long, value_name = "FLOW", default_value = "standard", allow_hyphen_values = true)]
    flow: String,
    /// Make a manual code of 21 digits even if 11 are enough
    #[arg(long)]
    long: bool,
    /// Optional: the unit's serial number in the QR code, 1 to 32 bytes
    #[arg(long, value_name = "TEXT", allow_hyphen_values = true)]
    serial_number: Option<String>,
    /// Optional: the serial number as an unsigned integer
    #[arg(long, value_name = "N", allow_hyphen_values = true, conflicts_with = "serial_number")]
    serial_integer: Option<String>,
    /// Optional: iteration count of the passcode verifier, 1000 to 100000
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    iterations: Option<String>,
    /// Optional: salt of the passcode verifier, 16 to 32 bytes in hex
    #[arg(long, value_name = "HEX", allow_hyphen_values = true)]
    salt: Option<String>,
    /// Optional: how many devices the code stands for, 1 to 255
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    devices: Option<String>,
    /// Optional: how long the device can be commissioned, in seconds, 1 to 65535
    #[arg(long, value_name = "SECONDS", allow_hyphen_values = true)]
    timeout: Option<String>,
    /// Optional: a value of the maker under a tag of 0x80 to 0xFF; digits are an integer, text:… is text
    #[arg(long, value_name = "TAG=VALUE", allow_hyphen_values = true)]
    maker_tag: Vec<String>,
    /// Optional data as one TLV structure in hex, instead of the options above
    #[arg(
        long, value_name = "HEX", default_value = "", hide_default_value = true,
        conflicts_with_all = ["serial_number", "serial_integer", "iterations", "salt", "devices", "timeout", "maker_tag"]
    )]
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
struct Join {
    /// QR texts (MT:…); - reads them from standard input, one per line
    #[arg(value_name = "TEXT", required = true)]
    texts: Vec<String>,
    /// Write the symbol as SVG
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Write the symbol as PNG
    #[arg(long, value_name = "FILE")]
    png: Option<PathBuf>,
}

impl std::fmt::Debug for Join {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Join")
    }
}

#[derive(clap::Args)]
struct ReadArgs {
    /// QR text (MT:…) or a manual code; - reads a line from standard input
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
        Act::Join(args) => join(args, output),
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
        optional: TypedOptional {
            serial_number: args.serial_number.as_deref(),
            serial_integer: args.serial_integer.as_deref(),
            iterations: args.iterations.as_deref(),
            salt: args.salt.as_deref(),
            devices: args.devices.as_deref(),
            timeout: args.timeout.as_deref(),
            maker: &args.maker_tag,
        },
        extra: &args.extra,
    };
    let made = line::code::make(&typed, args.svg.as_deref(), args.png.as_deref())?;
    output.warn(&made.warnings);
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
    tell_optional(w, made.optional.as_ref(), Some(&made.extra).filter(|extra| !extra.is_empty()))?;
    for path in [&args.svg, &args.png].into_iter().flatten() {
        row(w, "written", &path.display().to_string())?;
    }
    Ok(())
}

/// Most octets of standard input that `join` reads: more than a symbol holds.
const MOST_JOINED: u64 = 64 << 10;

fn join(args: Join, output: &mut Output) -> Result<Exit, Failure> {
    let mut texts = args.texts;
    if texts == ["-"] {
        let mut all = String::new();
        io::stdin().lock().take(MOST_JOINED).read_to_string(&mut all).map_err(|error| {
            Failure::usage(format!("standard input can't be read: {error}"), "Send one QR text a line.")
        })?;
        texts = all.lines().filter(|line| !line.trim().is_empty()).map(str::to_owned).collect();
    }
    let joined = line::code::join(&texts, args.svg.as_deref(), args.png.as_deref())?;
    output.warn(&joined.warnings);
    output.show(&joined, |w| {
        row(w, "QR text", &joined.qr)?;
        row(w, "payloads", &joined.payloads.to_string())?;
        row(w, "symbol", &format!("{0} by {0} modules", joined.modules))?;
        [&args.svg, &args.png].into_iter().flatten().try_for_each(|path| row(w, "written", &path.display().to_string()))
    })?;
    Ok(Exit::Done)
}

/// Optional data by name; as hex where it has no names.
fn tell_optional(w: &mut dyn Write, optional: Option<&OptionalView>, extra: Option<&String>) -> io::Result<()> {
    let rows = optional.map(OptionalView::rows).unwrap_or_default();
    match (rows.is_empty(), extra) {
        (true, Some(extra)) => row(w, "optional data", extra),
        _ => rows.iter().try_for_each(|(what, value)| row(w, what, value)),
    }
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
    let read = line::code::read(text);
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
        ("manual code", told.manual.as_ref().map(|manual| line::code::group(manual))),
    ];
    for (what, value) in rows {
        if let Some(value) = value {
            row(w, what, &value)?;
        }
    }
    tell_optional(w, told.optional.as_ref(), told.extra.as_ref())
}

/// An ID, and what it means where that is not plain.
fn id(id: &str, test: bool) -> String {
    match id {
        "0000" => format!("{id} (not stated)"),
        _ if test => format!("{id} (TEST)"),
        _ => id.to_owned(),
    }
}
