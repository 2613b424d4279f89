//! Questions over many units: which of them something touches, and how a whole site
//! did. The reference is a read of all rows of the tables that such a question needs.

use std::error::Error;
use std::path::PathBuf;
use std::time::Instant;

use answer::impact;
use answer::impact::Wanted;
use base::course::Course;
use book::made_up::Named;
use report::{self, Request, Scope};
use site::Site;
use time::Duration;

use super::make::END;
use super::reads::made_up;
use crate::founding::PAI;

/// Units touched by a reel, a PAI, a range of chips, a station, a period, or all; and a site's report
#[derive(Debug, clap::Args)]
pub struct Wide {
    /// Site of the book
    #[arg(long)]
    site: PathBuf,
    /// Leave out what reads the whole site: the PAI, the station, all, and the report
    #[arg(long)]
    narrow: bool,
}

pub fn run(args: &Wide) -> Result<crate::Measured, Box<dyn Error>> {
    let site = Site::open(&args.site)?;
    let (units, per_reel) = made_up(&site)?;
    let named = |number: u64| Named::of(number.min(units.saturating_sub(1)), per_reel);
    let (middle, first, last) = (named(units / 2), named(units / 3), named(units / 3 + 999));
    let mut asked = vec![
        ("impact: a reel", Wanted { reel: Some(&middle.reel), ..Wanted::default() }),
        ("impact: 1,000 chips", Wanted { chips: Some((&first.chip_id, &last.chip_id)), ..Wanted::default() }),
        ("impact: a delivery", Wanted { delivery: Some(&middle.delivery), ..Wanted::default() }),
        ("impact: a certificate", Wanted { credential: Some(&middle.certificate), ..Wanted::default() }),
        (
            "impact: the last day",
            Wanted { from: Some(END - Duration::DAY), to: Some(END + Duration::DAY), ..Wanted::default() },
        ),
    ];
    if !args.narrow {
        asked.push(("impact: a station", Wanted { station: Some("S1"), ..Wanted::default() }));
        asked.push(("impact: the PAI", Wanted { authority: Some(PAI), ..Wanted::default() }));
        let passed = Wanted { state: Some("passed"), ..Wanted::default() };
        asked.push(("impact: all that passed", passed));
    }
    let (mut words, mut rows) = (vec![format!("{units} units")], Vec::new());
    let mut tell = |what: &str, count: u64, seconds: f64, words: &mut Vec<String>| {
        crate::say(&format!("{what:<24} {count:>9} units {seconds:>9.3} s"));
        words.push(format!("{what:<24} {count:>9} units {seconds:>9.3} s"));
        rows.push(serde_json::json!({ "what": what, "units": count, "seconds": seconds }));
    };
    for (what, wanted) in &asked {
        let begun = Instant::now();
        let found = impact::impact(&site, wanted, &mut |_| Ok(()))?;
        if found.count == 0 {
            return Err(format!("{what}: nothing is touched").into());
        }
        tell(what, found.count, begun.elapsed().as_secs_f64(), &mut words);
    }
    if !args.narrow {
        let mut reports = vec![("report: a reel", Request::of(Scope::Reel(middle.reel.clone())))];
        reports
            .push(("report: the last week", Request { from: Some(END - Duration::WEEK), ..Request::of(Scope::Site) }));
        reports.push(("report: the whole site", Request::of(Scope::Site)));
        for (what, request) in reports {
            let begun = Instant::now();
            let made = report::report(&site, &request, END, &Course::new())?;
            tell(what, made.yields.units.iter().sum(), begun.elapsed().as_secs_f64(), &mut words);
        }
    }
    Ok(crate::Measured { json: serde_json::json!({ "units": units, "rows": rows }), words })
}
