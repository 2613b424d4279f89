//! Receiving a reel, against reading its manifest with the csv library alone.

use std::hint::black_box;
use std::path::{Path, PathBuf};

use base::course::Course;
use clap::Args;
use receive::reel;
use site::{Site, Who};

use super::bulk::{self, Failed, PRODUCT, REEL, Row, alone, timed, told};
use crate::Measured;

/// Receiving a reel, every key held against the curve, against reading its file
#[derive(Debug, Args)]
pub struct ReelsArgs {
    /// Chips on the reel; a tenth of it is measured too, for its memory
    #[arg(long, default_value_t = 100_000)]
    chips: usize,
    /// Where sites are made; else the directory for temporary files
    #[arg(long, value_name = "DIR")]
    at: Option<PathBuf>,
    /// The folder of a process of its own
    #[arg(long, num_args = 1, hide = true)]
    worker: Option<String>,
}

/// Measures.
pub fn run(args: &ReelsArgs) -> Result<Measured, String> {
    match &args.worker {
        Some(folder) => worker(Path::new(folder)),
        None => measure(args),
    }
    .map_err(|e| e.to_string())
}

fn worker(folder: &Path) -> Result<Measured, Failed> {
    let (site, who) = (Site::open(&folder.join("site"))?, Who::new("bench")?);
    let (map, course) = (reel::Options::default(), Course::new());
    let manifest = folder.join("manifest.csv");
    let (received, seconds) = timed(|| Ok(reel::receive(&site, &manifest, REEL, PRODUCT, &map, &who, &course)?))?;
    match received.verdict {
        reel::ManifestVerdict::Accepted => told(seconds),
        other => {
            let found = received.findings.first().map(|f| (f.finding.rule.clone(), f.finding.found.clone()));
            Err(format!("{other}: {found:?}").into())
        }
    }
}

fn prepare(folder: &Path, chips: usize) -> Result<(), Failed> {
    bulk::manifest(&folder.join("manifest.csv"), &bulk::keys(chips)?)?;
    bulk::site(&folder.join("site")).map(drop)
}

fn read(folder: &Path) -> Result<usize, Failed> {
    let mut reader = csv::Reader::from_path(folder.join("manifest.csv"))?;
    let (mut record, mut rows) = (csv::StringRecord::new(), 0);
    while reader.read_record(&mut record)? {
        black_box(&record);
        rows += 1;
    }
    Ok(rows)
}

fn measure(args: &ReelsArgs) -> Result<Measured, Failed> {
    let (tenth, whole) = (bulk::folder(args.at.as_ref())?, bulk::folder(args.at.as_ref())?);
    prepare(tenth.path(), (args.chips / 10).max(1))?;
    prepare(whole.path(), args.chips)?;
    let (rows, before) = timed(|| read(whole.path()))?;
    if rows != args.chips {
        return Err(format!("{rows} rows in the manifest").into());
    }
    let (seconds, mib) = alone("reels", &[&whole.path().display().to_string()])?;
    let after = timed(|| read(whole.path()))?.1;
    let (_, tenth) = alone("reels", &[&tenth.path().display().to_string()])?;
    let row = Row {
        what: "receiving a reel, stored durably",
        reference: "reading its file with the csv library",
        rate: args.chips as f64 / seconds,
        reference_rate: args.chips as f64 * 2.0 / (before + after),
        goal: None,
        memory: Some((mib, tenth)),
    };
    let words = vec![row.words(), format!("{} chips in {seconds:.1} s", args.chips)];
    let json = serde_json::json!({ "chips": args.chips, "seconds": seconds, "measured": [row.json()] });
    Ok(Measured { json, words })
}
