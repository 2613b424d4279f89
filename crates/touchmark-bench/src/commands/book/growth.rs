//! How costs grow: the same figures for one book after another, kept as JSON for the
//! picture.

use std::error::Error;
use std::fs;
use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use super::{host, make, reads, whole};

/// Makes books of several sizes, measures each, and keeps the figures
#[derive(Debug, clap::Args)]
pub struct Growth {
    /// Units of each book
    #[arg(long, value_delimiter = ',', default_value = "10000,100000,1000000")]
    sizes: Vec<u64>,
    /// Directory for the books and the figures; a book that is there is taken as it is
    #[arg(long, default_value = "target/bench/growth")]
    dir: PathBuf,
    /// Questions of each kind
    #[arg(long, default_value_t = 400)]
    questions: u64,
    /// Units of a station's round
    #[arg(long, default_value_t = 100)]
    units: u64,
    /// MiB of cache while a book is filled
    #[arg(long, default_value_t = 1024)]
    cache_mib: u64,
    /// Leave out verifying and reconciling
    #[arg(long)]
    without_whole: bool,
    /// Keep the books
    #[arg(long)]
    keep: bool,
}

/// One size.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Size {
    pub units: u64,
    /// Octets of the book.
    pub octets: u64,
    /// Milliseconds of the middle question, asked again and for the first time: story, scan, line's page.
    pub story_ms: (f64, f64),
    /// A scan of a chip's id.
    pub scan_ms: (f64, f64),
    pub line_ms: (f64, f64),
    /// A station's host time a unit: on an empty book, and on this one with its indexes of keys in memory.
    pub host_ms: (f64, f64),
    /// Seconds of a read of all rows, of `book verify`, of `reconcile`.
    pub whole_seconds: Option<(f64, f64, f64)>,
}

pub fn run(args: &Growth) -> Result<crate::Measured, Box<dyn Error>> {
    fs::create_dir_all(&args.dir)?;
    let (mut words, mut rows) = (Vec::new(), Vec::new());
    for units in &args.sizes {
        let dir = args.dir.join(format!("units-{units}"));
        if !dir.exists() {
            let wish = make::Make {
                units: *units,
                dir: dir.clone(),
                per_reel: 5_000.min(*units),
                in_stock: 2,
                per_hour: 720,
                cache_mib: args.cache_mib,
                progress: true,
            };
            let made = make::make(&wish)?;
            crate::say(&format!("{units} units made in {:.0} s", made.seconds));
        }
        let whole = if args.without_whole { None } else { Some(whole::measure(&dir, 1)?) };
        let asked = reads::Asked::open(&dir)?;
        let times = reads::ask(&[&asked], args.questions)?.remove(0);
        drop(asked);
        let of = |question: &str| {
            let found = times.iter().find(|t| t.question == question);
            found.map_or((f64::NAN, f64::NAN), |t| (t.median_ms, t.first_ms))
        };
        host::warm(&dir)?;
        let size = Size {
            units: *units,
            octets: make::size(&dir)?,
            story_ms: of("story"),
            scan_ms: of("scan: chip id"),
            line_ms: of("line's page"),
            host_ms: host::measure(&dir, &args.dir, args.units, 3)?,
            whole_seconds: whole.map(|w| (w.all_rows_seconds, w.verify_seconds, w.reconcile_seconds)),
        };
        fs::write(args.dir.join(format!("growth-{units}.json")), serde_json::to_string_pretty(&size)?)?;
        if !args.keep {
            fs::remove_dir_all(&dir)?;
        }
        words.push(format!(
            "{:>9} units {:>7.2} GB; story {:.3} ms, scan {:.3}, line {:.2}; host {:.2} against {:.2} ms, ratio {:.2}; {}",
            size.units,
            size.octets as f64 / 1e9,
            size.story_ms.0,
            size.scan_ms.0,
            size.line_ms.0,
            size.host_ms.1,
            size.host_ms.0,
            size.host_ms.1 / size.host_ms.0,
            size.whole_seconds.map_or_else(
                || "not read whole".into(),
                |(all, verify, reconcile)| format!(
                    "all rows {all:.2} s, verify ratio {:.2}, reconcile ratio {:.2}",
                    verify / all,
                    reconcile / all
                )
            )
        ));
        crate::say(words.last().map_or("", String::as_str));
        rows.push(serde_json::to_value(&size)?);
    }
    Ok(crate::Measured { json: serde_json::json!({ "sizes": rows }), words })
}
