//! Questions of the line and of a unit's page, on a small book and on a large one in
//! turns.

use std::error::Error;
use std::path::{Path, PathBuf};
use std::time::Instant;

use book::ids::{ChipId, UnitSerial};
use book::made_up::Named;
use serde::Serialize;
use works::site::Site;
use works::{floor, unit};

use super::make::END;

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
    /// What was asked.
    pub question: &'static str,
    /// Milliseconds of the middle one.
    pub median_ms: f64,
    /// Milliseconds that 99 of 100 stay below.
    pub p99_ms: f64,
}

impl Times {
    fn of(question: &'static str, mut ms: Vec<f64>) -> Self {
        ms.sort_by(f64::total_cmp);
        let at = |share: f64| {
            let place = (ms.len().saturating_sub(1)) as f64 * share;
            ms.get(place.ceil() as usize).copied().unwrap_or(f64::NAN)
        };
        Self { question, median_ms: at(0.5), p99_ms: at(0.99) }
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
        let units = u64::try_from(site.book.count_units(&book::UnitFilter::default())?)?;
        if units == 0 {
            return Err(format!("{} has no units", dir.display()).into());
        }
        let reels = site.book.reels()?;
        let per_reel = reels.first().map_or(1, |r| r.chips.unsigned_abs());
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
                !unit::list(&self.site, &wanted)?.is_empty()
            }
            "log's newest" => !self.site.book.entries(None, 50)?.items.is_empty(),
            other => return Err(format!("no question {other}").into()),
        };
        if found { Ok(()) } else { Err(format!("{question}: nothing found for {}", named.serial).into()) }
    }

    fn only(&self, text: &str, named: &Named) -> Result<bool, Box<dyn Error>> {
        let found = unit::find(&self.site, text)?;
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
        let mut taken: Vec<Vec<f64>> = sites.iter().map(|_| Vec::new()).collect();
        for n in 0..questions {
            for (asked, taken) in sites.iter().zip(&mut taken) {
                let begun = Instant::now();
                asked.ask(question, n)?;
                taken.push(begun.elapsed().as_secs_f64() * 1000.0);
            }
        }
        for (out, taken) in out.iter_mut().zip(taken) {
            out.push(Times::of(question, taken));
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
            "{:<22} {:>12} {:>12} {:>7} {:>10} {:>10}",
            "question", "small ms", "large ms", "ratio", "p99 small", "p99 large"
        ),
    ];
    let mut rows = Vec::new();
    for (few, many) in few.iter().zip(many) {
        let ratio = many.median_ms / few.median_ms;
        words.push(format!(
            "{:<22} {:>12.3} {:>12.3} {:>7.2} {:>10.3} {:>10.3}",
            few.question, few.median_ms, many.median_ms, ratio, few.p99_ms, many.p99_ms
        ));
        rows.push(serde_json::json!({ "question": few.question, "small": few, "large": many, "ratio": ratio }));
    }
    let json = serde_json::json!({
        "small_units": small.units, "large_units": large.units, "questions": args.questions, "rows": rows,
    });
    Ok(crate::Measured { json, words })
}
