//! Questions of the line and of a unit's page, on a small book and on a large one in
//! turns.
//!
//! Each is asked of units all over the book, twice. The first answer of a book that
//! does not fit into memory is the disk's, page by page; what the question itself costs
//! is in the second one, and the ratio is that of the middle ones of those. The 99 of
//! 100 that stay below the time told are of the first answers.

use std::error::Error;
use std::path::{Path, PathBuf};
use std::time::Instant;

use book::ids::{ChipId, ReelId, UnitSerial};
use book::made_up::Named;
use line::{floor, search, unit};
use serde::Serialize;
use site::Site;

use super::make::END;
use crate::commands::stations::ADDED;

/// A unit's story, a scan and the line's page, on a small book against a large one
#[derive(Debug, clap::Args)]
pub struct Reads {
    /// Site of the small book
    #[arg(long)]
    small: PathBuf,
    /// Site of the large book
    #[arg(long)]
    large: PathBuf,
    /// Questions of each kind
    #[arg(long, default_value_t = 400)]
    questions: u64,
}

/// How long one kind of question took.
#[derive(Debug, Clone, Serialize)]
pub struct Times {
    pub question: &'static str,
    /// Milliseconds of the middle one, asked again.
    pub median_ms: f64,
    /// Milliseconds of the middle one, asked for the first time.
    pub first_ms: f64,
    /// Milliseconds that 99 of 100 stay below, asked for the first time.
    pub p99_ms: f64,
}

impl Times {
    fn of(question: &'static str, mut first: Vec<f64>, mut again: Vec<f64>) -> Self {
        let at = |ms: &mut Vec<f64>, share: f64| {
            ms.sort_by(f64::total_cmp);
            let place = (ms.len().saturating_sub(1)) as f64 * share;
            ms.get(place.ceil() as usize).copied().unwrap_or(f64::NAN)
        };
        Self { question, median_ms: at(&mut again, 0.5), first_ms: at(&mut first, 0.5), p99_ms: at(&mut first, 0.99) }
    }
}

/// Units that were made up, and chips on each of their reels. Those that stations
/// added while they were measured are not counted.
pub fn made_up(site: &Site) -> Result<(u64, u64), Box<dyn Error>> {
    let first = Named::of(0, 1).reel;
    let per_reel = site.book.reel(&ReelId::new(&first)?)?.map_or(0, |r| r.chips);
    let mut units = site.book.count_units(&book::UnitFilter::default())?;
    for reel in site.book.reels()?.iter().filter(|r| r.facts.reel.as_str().starts_with(ADDED)) {
        let reel = Some(reel.facts.reel.clone());
        units -= site.book.count_units(&book::UnitFilter { reel, ..book::UnitFilter::default() })?;
    }
    match (u64::try_from(units)?, u64::try_from(per_reel)?) {
        (0, _) | (_, 0) => Err(format!("{} is no site of `book make`", site.dir.display()).into()),
        made => Ok(made),
    }
}

/// A site to ask, and how many units it has.
pub struct Asked {
    site: Site,
    units: u64,
    per_reel: u64,
}

impl Asked {
    /// Opens a site that `book make` made.
    pub fn open(dir: &Path) -> Result<Self, Box<dyn Error>> {
        let site = Site::open(dir)?;
        let (units, per_reel) = made_up(&site)?;
        Ok(Self { site, units, per_reel })
    }

    /// A unit's number, another one for each `n`, all over the book.
    fn draw(&self, n: u64) -> Named {
        Named::of((n.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 11) % self.units, self.per_reel)
    }

    fn ask(&self, question: &str, n: u64) -> Result<(), Box<dyn Error>> {
        let named = self.draw(n);
        let found = match question {
            "story" => self.site.book.story(&UnitSerial::new(&named.serial)?)?.is_some(),
            "scan: serial number" => self.only(&named.serial, &named)?,
            "scan: chip id" => self.only(&named.chip_id, &named)?,
            "scan: certificate" => self.only(&named.certificate, &named)?,
            "a chip's story" => self.site.book.chip_story(&ChipId::new(&named.chip_id)?)?.is_some(),
            "line's page" => floor::line(&self.site, END)?.stock.iter().any(|s| s.available > 0),
            "stock" => !self.site.book.stock()?.is_empty(),
            "units of a reel" => {
                let wanted = unit::Wanted { reel: Some(&named.reel), limit: 50, ..unit::Wanted::default() };
                !unit::list(&self.site, &wanted)?.units.is_empty()
            }
            "log's newest" => !self.site.book.entries(None, 50)?.items.is_empty(),
            other => return Err(format!("no question {other}").into()),
        };
        if found { Ok(()) } else { Err(format!("{question}: nothing found for {}", named.serial).into()) }
    }

    fn only(&self, text: &str, named: &Named) -> Result<bool, Box<dyn Error>> {
        let found = search::find(&self.site, text, None)?.found;
        Ok(found.len() == 1 && found.iter().all(|f| f.unit.as_deref() == Some(&named.serial)))
    }
}

/// All kinds of question.
pub const QUESTIONS: &[&str] = &[
    "story",
    "a chip's story",
    "scan: serial number",
    "scan: chip id",
    "scan: certificate",
    "line's page",
    "stock",
    "units of a reel",
    "log's newest",
];

/// Asks each site in turns.
pub fn ask(sites: &[&Asked], questions: u64) -> Result<Vec<Vec<Times>>, Box<dyn Error>> {
    let mut out: Vec<Vec<Times>> = sites.iter().map(|_| Vec::new()).collect();
    for question in QUESTIONS {
        let mut taken: Vec<[Vec<f64>; 2]> = sites.iter().map(|_| [Vec::new(), Vec::new()]).collect();
        for n in 0..questions {
            for turn in 0..2 {
                for (asked, taken) in sites.iter().zip(&mut taken) {
                    let begun = Instant::now();
                    asked.ask(question, n)?;
                    taken[turn].push(begun.elapsed().as_secs_f64() * 1000.0);
                }
            }
        }
        for (out, [first, again]) in out.iter_mut().zip(taken) {
            out.push(Times::of(question, first, again));
        }
    }
    Ok(out)
}

pub fn run(args: &Reads) -> Result<crate::Measured, Box<dyn Error>> {
    let (small, large) = (Asked::open(&args.small)?, Asked::open(&args.large)?);
    let answers = ask(&[&small, &large], args.questions)?;
    let [few, many] = answers.as_slice() else { return Err("two sites, two answers".into()) };
    let mut words = vec![
        format!("{} units against {}, {} questions each, in turns", large.units, small.units, args.questions),
        format!(
            "{:<22} {:>10} {:>10} {:>7} {:>14} {:>14} {:>12}",
            "question", "small ms", "large ms", "ratio", "first, small", "first, large", "p99, large"
        ),
    ];
    let mut rows = Vec::new();
    for (few, many) in few.iter().zip(many) {
        let ratio = many.median_ms / few.median_ms;
        words.push(format!(
            "{:<22} {:>10.3} {:>10.3} {:>7.2} {:>14.3} {:>14.3} {:>12.3}",
            few.question, few.median_ms, many.median_ms, ratio, few.first_ms, many.first_ms, many.p99_ms
        ));
        rows.push(serde_json::json!({ "question": few.question, "small": few, "large": many, "ratio": ratio }));
    }
    let json = serde_json::json!({
        "small_units": small.units, "large_units": large.units, "questions": args.questions, "rows": rows,
    });
    Ok(crate::Measured { json, words })
}
