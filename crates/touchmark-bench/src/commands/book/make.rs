//! A site whose book holds as many units as are wanted.
//!
//! Site, authorities, declaration and product are made by the acts of the rooms; the
//! line's months are then written by `book::made_up`, whose header says what is
//! made up and what is real.

use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::Instant;

use book::made_up::{Wish, fill};
use serde::Serialize;
use site::Site;
use time::OffsetDateTime;

use crate::founding;

/// A site with a large book
#[derive(Debug, Clone, clap::Args)]
pub struct Make {
    /// Units
    #[arg(long, default_value_t = 10_000)]
    pub units: u64,
    /// The site's directory, made here
    #[arg(long)]
    pub dir: PathBuf,
    /// Chips on a reel
    #[arg(long, default_value_t = 5_000)]
    pub per_reel: u64,
    /// Reels in stock, which no unit has taken from yet
    #[arg(long, default_value_t = 2)]
    pub in_stock: u64,
    /// Units an hour
    #[arg(long, default_value_t = 720)]
    pub per_hour: u64,
    /// MiB of cache while the book is filled; keys come in no order, so their indexes should fit
    #[arg(long, default_value_t = 1024)]
    pub cache_mib: u64,
    /// Say how far it is
    #[arg(long)]
    pub progress: bool,
}

/// What was made.
#[derive(Debug, Serialize)]
pub struct Made {
    pub dir: PathBuf,
    pub units: u64,
    /// Octets of the book's file.
    pub octets: u64,
    /// Seconds that filling took.
    pub seconds: f64,
    /// What the book says of it.
    pub filled: book::made_up::Made,
}

/// When the last attempt of a made-up line ended: the same in each book, so that the
/// same number of units has the same log, but for the site's own id and keys.
pub const END: OffsetDateTime = match OffsetDateTime::from_unix_timestamp(1_788_300_000) {
    Ok(at) => at,
    Err(_) => OffsetDateTime::UNIX_EPOCH,
};

/// Makes the site and fills its book.
pub fn make(args: &Make) -> Result<Made, Box<dyn Error>> {
    let site = founding::founded(&args.dir, None)?;
    let location = site.book.location().clone();
    let pai = site.book.authorities()?.into_iter().find(|a| a.facts.role == book::Role::Pai).ok_or("no PAI")?;
    let declaration = site.book.declarations()?.into_iter().next().ok_or("no declaration")?;
    let product = site.book.products()?.into_iter().next().ok_or("no product")?;
    drop(site);
    let wish = Wish {
        units: args.units,
        per_reel: args.per_reel,
        in_stock: args.in_stock,
        per_hour: args.per_hour,
        end: END,
        cache_kib: args.cache_mib * 1024,
        threads: std::thread::available_parallelism()?.get(),
        product: product.facts.name,
        authority: pai.facts.name,
        declaration: declaration.facts.name,
    };
    let begun = Instant::now();
    let mut said = Instant::now();
    let filled = fill(&location, wish, &mut |part, units| {
        if args.progress && said.elapsed().as_secs() >= 10 {
            said = Instant::now();
            crate::say(&format!("{part}: {units} units, {:.0} s", begun.elapsed().as_secs_f64()));
        }
    })?;
    let seconds = begun.elapsed().as_secs_f64();
    Ok(Made { dir: args.dir.clone(), units: args.units, octets: size(&args.dir)?, seconds, filled })
}

/// Octets of a site's book.
pub fn size(dir: &Path) -> Result<u64, Box<dyn Error>> {
    let site = Site::open(dir)?;
    let file = site.book.location().as_file().ok_or("the book is not a file")?.to_owned();
    drop(site);
    Ok(fs::metadata(file)?.len())
}

pub fn run(args: &Make) -> Result<crate::Measured, Box<dyn Error>> {
    let made = make(args)?;
    let mut words = vec![format!(
        "{} units, {} entries, {} bytes ({} a unit) in {:.1} s: {:.0} units a second",
        made.units,
        made.filled.entries,
        made.octets,
        made.octets / made.units.max(1),
        made.seconds,
        made.units as f64 / made.seconds
    )];
    words.extend(made.filled.parts.iter().map(|(part, seconds)| format!("{part:<12} {seconds:>8.1} s")));
    Ok(crate::Measured { json: serde_json::to_value(&made)?, words })
}
