//! What reads the whole book: verifying it and accounting for it, against one
//! sequential read.
//!
//! The reference is every value of every row of every table, read once in the order
//! in which the tables lie, by one thread and with nothing computed
//! (`book::made_up::read_all`). Reading the file's octets without a database is told
//! beside it.

use std::error::Error;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::Instant;

use book::made_up::read_all;
use serde::Serialize;
use site::Site;

use crate::timing::median;

/// Verifying and reconciling a whole book against one sequential read of it
#[derive(Debug, clap::Args)]
pub struct Whole {
    /// Site of the book
    #[arg(long)]
    site: PathBuf,
    /// Rounds; the middle of each figure is told
    #[arg(long, default_value_t = 3)]
    rounds: u32,
}

/// Seconds of each, in one run and in turns.
#[derive(Debug, Clone, Serialize)]
pub struct Figures {
    pub units: i64,
    /// Octets of the file.
    pub octets: u64,
    /// Rows of all tables.
    pub rows: u64,
    /// The file's octets read.
    pub octets_read_seconds: f64,
    /// The reference: all values of all rows read.
    pub all_rows_seconds: f64,
    /// `book verify`.
    pub verify_seconds: f64,
    /// `reconcile`.
    pub reconcile_seconds: f64,
    /// `book verify` against the reference.
    pub verify_ratio: f64,
    /// `reconcile` against the reference.
    pub reconcile_ratio: f64,
}

fn octets_of(path: &Path) -> std::io::Result<u64> {
    let (mut file, mut buffer, mut all) = (File::open(path)?, vec![0; 1 << 20], 0);
    loop {
        match file.read(&mut buffer)? {
            0 => return Ok(all),
            n => all += n as u64,
        }
    }
}

/// Measures; a book that is not whole is an error.
pub fn measure(dir: &Path, rounds: u32) -> Result<Figures, Box<dyn Error>> {
    let site = Site::open(dir)?;
    let file = site.book.location().as_file().ok_or("the book is not a file")?.to_owned();
    let units = site.book.count_units(&book::UnitFilter::default())?;
    let (mut plain, mut all, mut verified, mut reconciled) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    let (mut octets, mut rows) = (0, 0);
    for _ in 0..rounds.max(1) {
        let begun = Instant::now();
        octets = octets_of(&file)?;
        plain.push(begun.elapsed().as_secs_f64());
        let begun = Instant::now();
        rows = read_all(&site.book)?;
        all.push(begun.elapsed().as_secs_f64());
        let begun = Instant::now();
        let said = site.book.verify(None)?;
        verified.push(begun.elapsed().as_secs_f64());
        if !said.intact() {
            return Err(format!("the book is not whole: {:?}", said.damages.first()).into());
        }
        let begun = Instant::now();
        let account = site.book.reconcile(None)?;
        reconciled.push(begun.elapsed().as_secs_f64());
        if (account.chips.unaccounted, account.credentials.unaccounted, account.double_use) != (0, 0, 0) {
            return Err(format!("the book does not add up: {account:?}").into());
        }
    }
    let (all, verified, reconciled) = (median(&all), median(&verified), median(&reconciled));
    Ok(Figures {
        units,
        octets,
        rows,
        octets_read_seconds: median(&plain),
        all_rows_seconds: all,
        verify_seconds: verified,
        reconcile_seconds: reconciled,
        verify_ratio: verified / all,
        reconcile_ratio: reconciled / all,
    })
}

pub fn run(args: &Whole) -> Result<crate::Measured, Box<dyn Error>> {
    let f = measure(&args.site, args.rounds)?;
    let words = vec![
        format!("{} units, {} rows, {} octets", f.units, f.rows, f.octets),
        format!("octets of the file read      {:>9.2} s", f.octets_read_seconds),
        format!("all rows read (reference)    {:>9.2} s", f.all_rows_seconds),
        format!("book verify                  {:>9.2} s, ratio {:.2}", f.verify_seconds, f.verify_ratio),
        format!("reconcile                    {:>9.2} s, ratio {:.2}", f.reconcile_seconds, f.reconcile_ratio),
    ];
    Ok(crate::Measured { json: serde_json::to_value(&f)?, words })
}
