//! A station's host time a unit: on a large book, and on an empty one, in turns.

use std::error::Error;
use std::path::{Path, PathBuf};

use site::Site;

use crate::commands::stations::host_ms;
use crate::founding::founded;
use crate::timing::median;

/// A station's host time a unit on a large book against an empty one
#[derive(Debug, clap::Args)]
pub struct Host {
    /// Site of the large book; the units are added to it
    #[arg(long)]
    large: PathBuf,
    /// Directory for the empty site; on the same disk
    #[arg(long, default_value = "target/bench")]
    dir: PathBuf,
    /// Units of each round
    #[arg(long, default_value_t = 100)]
    units: u64,
    /// Read the large book's indexes of keys first: a site that has worked for weeks has them in memory
    #[arg(long)]
    warm: bool,
    /// Rounds, each on the empty book and on the large one
    #[arg(long, default_value_t = 5)]
    rounds: u32,
}

/// Milliseconds a unit: empty, large; the middle of the rounds.
pub fn measure(large: &Path, dir: &Path, units: u64, rounds: u32) -> Result<(f64, f64), Box<dyn Error>> {
    std::fs::create_dir_all(dir)?;
    let folder = tempfile::TempDir::new_in(dir)?;
    let empty = folder.path().join("site");
    drop(founded(&empty, None)?);
    let (mut few, mut many) = (Vec::new(), Vec::new());
    for _ in 0..rounds.max(1) {
        few.push(host_ms(&empty, folder.path(), units)?);
        many.push(host_ms(large, folder.path(), units)?);
    }
    Ok((median(&few), median(&many)))
}

/// Brings a book's indexes of keys into memory.
pub fn warm(dir: &Path) -> Result<(), Box<dyn Error>> {
    let entries = book::made_up::read_indexes(&Site::open(dir)?.book)?;
    crate::say(&format!("{entries} entries of indexes read"));
    Ok(())
}

pub fn run(args: &Host) -> Result<crate::Measured, Box<dyn Error>> {
    if args.warm {
        warm(&args.large)?;
    }
    let (empty, large) = measure(&args.large, &args.dir, args.units, args.rounds)?;
    let ratio = large / empty;
    let words = vec![format!("host ms a unit: empty book {empty:.2}, large book {large:.2}, ratio {ratio:.2}")];
    let json = serde_json::json!({
        "empty_ms": empty, "large_ms": large, "ratio": ratio, "units": args.units, "warm": args.warm, "rounds": args.rounds,
    });
    Ok(crate::Measured { json, words })
}
