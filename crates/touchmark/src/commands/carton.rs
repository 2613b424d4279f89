//! `touchmark carton`.

use std::io::{self, Read as _, Write};
use std::path::PathBuf;

use base::Trouble;
use clap::{Args, Subcommand};
use line::carton::{self, CartonView, Pack, PackKind, PackedIn, Unpack};
use site::Site;
use zeroize::Zeroizing;

use super::at_site::{PassphraseArgs, Place};
use super::words::many;
use crate::output::{Exit, Failure, Output};

/// Octets of a list of units.
const LIST: u64 = 1 << 20;

/// Pack units into cartons, and show what is in a carton, on a pallet or in a shipment
#[derive(Debug, Subcommand)]
pub enum CartonCommand {
    /// Pack units that passed into a carton, all or none
    ///
    /// The first units make the carton. Units are named by serial number or by the code of their labels. Without units,
    /// --pallet and --shipment record where a carton is.
    Pack(PackArgs),
    /// Take units out of a carton
    Unpack(UnpackArgs),
    /// Show what is in a carton, on a pallet or in a shipment
    Show(ShowArgs),
    /// List cartons
    List(ListArgs),
}

/// Units, scanned or typed.
#[derive(Args)]
pub struct UnitsArgs {
    /// Serial numbers or label codes
    #[arg(value_name = "UNIT")]
    named: Vec<String>,
    /// File with one serial number or label code per line; - reads standard input
    #[arg(long, value_name = "FILE", conflicts_with = "named")]
    units: Option<PathBuf>,
    #[command(flatten)]
    passphrase: PassphraseArgs,
}

// A label's code gives a passcode away.
impl std::fmt::Debug for UnitsArgs {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Units")
    }
}

impl UnitsArgs {
    fn all(&self) -> Result<Vec<String>, Trouble> {
        let Some(path) = &self.units else { return Ok(self.named.clone()) };
        let mut text = Zeroizing::new(String::new());
        let read = if path.as_os_str() == "-" {
            io::stdin().take(LIST).read_to_string(&mut text)
        } else {
            std::fs::File::open(path).and_then(|file| file.take(LIST).read_to_string(&mut text))
        };
        read.map_err(|e| Trouble::file(path, e))?;
        Ok(text.lines().map(str::trim).filter(|line| !line.is_empty()).map(str::to_owned).collect())
    }

    fn passphrase(&self, site: &Site, units: &[String]) -> Result<Option<custody::Passphrase>, Failure> {
        let code = units.iter().any(|unit| line::label::looks_like_code(unit));
        if code { self.passphrase.for_site_key(site) } else { Ok(None) }
    }
}

#[derive(Debug, Args)]
pub struct PackArgs {
    /// Name of the carton
    carton: String,
    #[command(flatten)]
    units: UnitsArgs,
    /// Pallet that the carton is on
    #[arg(long, value_name = "NAME")]
    pallet: Option<String>,
    /// Shipment that the carton is in
    #[arg(long, value_name = "NAME")]
    shipment: Option<String>,
    /// Allow units of several products
    #[arg(long)]
    mixed: bool,
}

#[derive(Debug, Args)]
pub struct UnpackArgs {
    /// Name of the carton
    carton: String,
    #[command(flatten)]
    units: UnitsArgs,
}

#[derive(Debug, Args)]
pub struct ShowArgs {
    /// Name of a carton, a pallet or a shipment
    name: String,
    /// Which of them, where several have that name: carton, pallet or shipment
    #[arg(long, value_name = "KIND", value_parser = kind)]
    kind: Option<PackKind>,
}

fn kind(text: &str) -> Result<PackKind, String> {
    PackKind::from_word(text).ok_or_else(|| "choose carton, pallet or shipment".into())
}

#[derive(Debug, Args)]
pub struct ListArgs {
    /// Cartons on this pallet
    #[arg(long, value_name = "NAME", conflicts_with = "shipment")]
    pallet: Option<String>,
    /// Cartons in this shipment
    #[arg(long, value_name = "NAME")]
    shipment: Option<String>,
    /// Cartons after this one
    #[arg(long, value_name = "CARTON")]
    after: Option<String>,
    /// Largest number of cartons
    #[arg(long, value_name = "N", default_value_t = 1000)]
    limit: u32,
}

/// Units by what they are packed in.
#[derive(Debug, Args)]
pub struct PackedArgs {
    /// Units in this carton
    #[arg(long, value_name = "NAME", conflicts_with_all = ["pallet", "shipment"])]
    carton: Option<String>,
    /// Units on this pallet
    #[arg(long, value_name = "NAME", conflicts_with = "shipment")]
    pallet: Option<String>,
    /// Units in this shipment
    #[arg(long, value_name = "NAME")]
    shipment: Option<String>,
}

impl PackedArgs {
    /// What they are packed in.
    pub fn of(&self, site: &Site) -> Result<Option<PackedIn>, Trouble> {
        let asked =
            [(PackKind::Carton, &self.carton), (PackKind::Pallet, &self.pallet), (PackKind::Shipment, &self.shipment)];
        let asked = asked.into_iter().find_map(|(kind, name)| Some((kind, name.as_deref()?)));
        asked.map(|(kind, name)| carton::named(site, name, Some(kind))).transpose()
    }
}

fn line(w: &mut dyn Write, c: &CartonView) -> io::Result<()> {
    let pallet = c.pallet.iter().map(|name| format!(", pallet {name}"));
    let shipment = c.shipment.iter().map(|name| format!(", shipment {name}"));
    let more: String = pallet.chain(shipment).collect();
    let mixed = if c.mixed { " and others" } else { "" };
    writeln!(w, "{}  {} of {}{mixed}{more}", c.carton, many(c.units, "unit"), c.product)
}

/// Runs `carton`.
pub fn run(command: CartonCommand, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let site = place.open()?;
    match command {
        CartonCommand::Pack(args) => {
            let units = args.units.all()?;
            if units.is_empty() && args.units.units.is_some() {
                return Err(Failure::usage(
                    "there is no unit in that list",
                    "Give one serial number or code per line.",
                ));
            }
            let passphrase = args.units.passphrase(&site, &units)?;
            let wanted = Pack { units, pallet: args.pallet, shipment: args.shipment, mixed: args.mixed };
            let done = carton::pack(&site, &args.carton, &wanted, passphrase.as_ref(), &place.who()?)?;
            output.show(&done, |w| {
                writeln!(w, "Packed {}", many(done.changed.len() as i64, "unit"))?;
                line(w, &done.carton)
            })?;
            output.next(&format!(
                "Print its label with `touchmark label print --packed {} --out FILE`.",
                base::quoted(&done.carton.carton)
            ));
        }
        CartonCommand::Unpack(args) => {
            let units = args.units.all()?;
            let passphrase = args.units.passphrase(&site, &units)?;
            let done = carton::unpack(&site, &args.carton, &Unpack { units }, passphrase.as_ref(), &place.who()?)?;
            output.show(&done, |w| {
                writeln!(w, "Took out {}", many(done.changed.len() as i64, "unit"))?;
                line(w, &done.carton)
            })?;
            output
                .next("Destroy the carton's label, and print it again: it has the codes of the units that were in it.");
        }
        CartonCommand::Show(args) => {
            let contents = carton::show(&site, &args.name, args.kind)?;
            output.show(&contents, |w| {
                writeln!(w, "{} {}", contents.kind, contents.name)?;
                contents.cartons.iter().try_for_each(|c| line(w, c))?;
                contents.states.iter().try_for_each(|(state, n)| writeln!(w, "  {state:<9} {n}"))?;
                for unit in &contents.units {
                    let revoked = if unit.revoked.is_some() { "  REVOKED" } else { "" };
                    writeln!(w, "  {}  {}{revoked}", unit.unit, unit.state)?;
                }
                Ok(())
            })?;
        }
        CartonCommand::List(args) => {
            let asked = PackedArgs { carton: None, pallet: args.pallet, shipment: args.shipment };
            let list = carton::list(&site, asked.of(&site)?.as_ref(), args.after.as_deref(), args.limit)?;
            output.show(&list, |w| {
                list.cartons.iter().try_for_each(|c| line(w, c))?;
                match list.cartons.last() {
                    None => writeln!(w, "No such carton."),
                    Some(last) if list.more => {
                        writeln!(w, "More follow. Go on with --after {}, or give a larger --limit.", last.carton)
                    }
                    Some(_) => Ok(()),
                }
            })?;
        }
    }
    Ok(Exit::Done)
}
