//! A report as a document; and the parts of it that other documents take too.

use base::trouble::Trouble;
use book::ids::ReelId;
use book::{ChipState, UnitFilter, UnitState};
use decide::part::page::time_words;
use decide::plan::page::percent;
use print::chart::{self, ControlPoint, Fate, Interval, Spread, WIDE, grouped};
use print::paper::{Block, Document, Plate, Size, Table};
use site::Site;
use standard::certificate::Certificate;
use standard::moment::NO_END;

use super::count::Share;
use super::{Report, Worst};

/// A share with its interval: `97.0 % (95.1 to 98.2)`.
pub fn share_words(share: &Share) -> String {
    match (share.share, share.interval) {
        (Some(value), Some(range)) => {
            format!("{} ({:.1} to {:.1})", percent(value), range.low * 100.0, range.high * 100.0)
        }
        _ => "none yet".into(),
    }
}

fn short(share: &Share) -> String {
    share.share.map_or("–".into(), percent)
}

/// Yields in words and figures.
pub fn yield_blocks(report: &Report) -> Vec<Block> {
    let y = &report.yields;
    let [passed, failed, scrapped, open, returned] = y.units;
    let [good, bad, interrupted] = y.attempts;
    let row = |what: &str, share: &Share| {
        vec![
            what.to_owned(),
            grouped(share.good),
            grouped(share.all),
            short(share),
            share.interval.map_or("–".into(), |r| percent(r.low)),
            share.interval.map_or("–".into(), |r| percent(r.high)),
        ]
    };
    vec![
        Block::Heading("Yields".into()),
        Block::Table(Table::new(
            &["yield", "good", "of", "share", "from", "to"],
            vec![
                row("first pass: at the first attempt", &y.first_pass),
                row("final: of units begun", &y.last),
                row("attempts", &Share::of(good, good + bad)),
            ],
        )),
        Block::Quiet(format!(
            "From and to: 95 % interval (Wilson). Units: {} passed, {} returned, {} scrapped, {} failed and {} open; the final yield counts all of them. {} attempts were interrupted and count on neither side.",
            grouped(passed),
            grouped(returned),
            grouped(scrapped),
            grouped(failed),
            grouped(open),
            grouped(interrupted)
        )),
    ]
}

/// Failures by cause with the running share.
pub fn cause_blocks(report: &Report) -> Vec<Block> {
    let mut out = vec![Block::Heading("Why attempts failed".into())];
    if report.causes.is_empty() {
        out.push(Block::Words("No attempt failed.".into()));
        return out;
    }
    // Beyond a dozen causes the tail is one bar.
    const DRAWN: usize = 12;
    let mut drawn: Vec<chart::Cause> =
        report.causes.iter().take(DRAWN).map(|c| chart::Cause { name: c.cause.clone(), count: c.failures }).collect();
    let rest: u64 = report.causes.iter().skip(DRAWN).map(|c| c.failures).sum();
    if rest > 0 {
        drawn.push(chart::Cause { name: format!("{} more", report.causes.len() - DRAWN), count: rest });
    }
    let rows = report
        .causes
        .iter()
        .map(|c| {
            vec![c.cause.clone(), grouped(c.failures), grouped(c.scrapped), percent(c.share), percent(c.running_share)]
        })
        .collect();
    out.push(Block::Chart(chart::causes(
        &drawn,
        "Failures by cause, most frequent first, with the running share",
        WIDE,
    )));
    out.push(Block::Table(Table::new(&["cause", "failures", "unit given up", "share", "running share"], rows)));
    out.push(Block::Quiet("A unit may fail more than once before it passes or is scrapped.".into()));
    out
}

/// How long each step takes.
pub fn step_blocks(report: &Report) -> Vec<Block> {
    let mut out = vec![Block::Heading("Where the time goes".into())];
    if report.steps.is_empty() {
        out.push(Block::Words("No step was timed.".into()));
        return out;
    }
    let spreads: Vec<Spread> = report
        .steps
        .iter()
        .map(|s| Spread {
            name: s.name.clone(),
            low: s.p05_ms,
            median: s.median_ms,
            high: s.p95_ms,
            longest: s.longest_ms,
            words: format!("{}, {:.0} % of all", time_words(s.median_ms), s.share_of_time * 100.0),
        })
        .collect();
    let rows = report
        .steps
        .iter()
        .map(|s| {
            let ms = |v: f64| format!("{v:.1}");
            vec![
                s.name.clone(),
                grouped(s.done.all),
                short(&s.done),
                ms(s.p05_ms),
                ms(s.median_ms),
                ms(s.p95_ms),
                ms(s.longest_ms),
                ms(s.mean_ms),
            ]
        })
        .collect();
    out.push(Block::Chart(chart::spreads(&spreads, "Time of each step", WIDE)));
    out.push(Block::Quiet(
        "Bar: 5th to 95th percentile; notch: the median; line: to the longest. For a simulated part, its simulated time counts.".into(),
    ));
    out.push(Block::Table(Table::new(
        &["step", "times", "done", "5 % ms", "median ms", "95 % ms", "longest ms", "mean ms"],
        rows,
    )));
    out
}

fn every_words(seconds: i64) -> String {
    match seconds {
        604_800 => "week".into(),
        86_400 => "day".into(),
        3_600 => "hour".into(),
        60 => "minute".into(),
        s if s % 86_400 == 0 => format!("{} days", s / 86_400),
        s if s % 3_600 == 0 => format!("{} hours", s / 3_600),
        s => format!("{} minutes", s / 60),
    }
}

/// Change over time.
pub fn control_blocks(report: &Report) -> Vec<Block> {
    let control = &report.control;
    let mut out = vec![Block::Heading("Change over time".into())];
    if control.points.is_empty() {
        out.push(Block::Words("No attempt ended in this period.".into()));
        return out;
    }
    let points: Vec<ControlPoint> = control
        .points
        .iter()
        .map(|p| ControlPoint {
            name: p.name.clone(),
            share: p.share,
            limits: (p.limits.low, p.limits.high),
            out: p.out,
        })
        .collect();
    out.push(Block::Chart(chart::control(
        &points,
        control.average,
        "Share of attempts that failed, within control limits",
        WIDE,
    )));
    let every = every_words(control.every_seconds);
    out.push(Block::Words(match control.out {
        0 => format!("Share of attempts that failed, every {every}: none is outside its limits."),
        n => format!("Share of attempts that failed, every {every}: {n} of {} are outside their limits.", points.len()),
    }));
    out.push(Block::Quiet(
        "Limits: three standard deviations around the average; where fewer than ten failures or passes are expected, exact binomial quantiles of the same risk (0.135 % to each side).".into(),
    ));
    // On paper, those that matter: outside first, then the rest while they are few.
    const SHOWN: usize = 30;
    let all = control.points.len() <= SHOWN;
    let rows: Vec<Vec<String>> = control
        .points
        .iter()
        .filter(|p| all || p.out)
        .map(|p| {
            vec![
                p.shown.clone(),
                grouped(p.attempts),
                grouped(p.failed),
                percent(p.share),
                percent(p.limits.low),
                percent(p.limits.high),
                if p.out { "outside".into() } else { "inside".into() },
            ]
        })
        .collect();
    if !rows.is_empty() {
        out.push(Block::Table(
            Table::new(&["from", "attempts", "failed", "share", "lower limit", "upper limit", ""], rows)
                .with_words(&[6]),
        ));
    }
    out
}

/// Stations side by side.
pub fn station_blocks(report: &Report) -> Vec<Block> {
    let stations = &report.stations;
    let mut out = vec![Block::Heading("Stations".into())];
    if stations.stations.is_empty() {
        out.push(Block::Words("No station worked in this period.".into()));
        return out;
    }
    let total: (u64, u64) = stations.stations.iter().fold((0, 0), |(g, a), s| (g + s.passed.good, a + s.passed.all));
    let rows: Vec<Interval> = stations
        .stations
        .iter()
        .filter_map(|s| {
            let range = s.passed.interval?;
            Some(Interval {
                name: s.station.clone(),
                value: s.passed.share?,
                low: range.low,
                high: range.high,
                apart: s.apart,
                words: format!("{} of {}", grouped(s.passed.good), grouped(s.passed.all)),
            })
        })
        .collect();
    if stations.stations.len() > 1 {
        let average = total.0 as f64 / total.1.max(1) as f64;
        out.push(Block::Chart(chart::intervals(&rows, average, "Attempts that passed, by station", WIDE)));
    }
    let rows = stations
        .stations
        .iter()
        .map(|s| {
            let ratio = s.ratio.map_or("–".into(), |r| format!("{r:.2}"));
            let range = s.ratio_interval.map_or("–".into(), |r| format!("{:.2} to {:.2}", r.low, r.high));
            vec![
                s.station.clone(),
                grouped(s.passed.all),
                short(&s.passed),
                format!("{} / {:.1}", grouped(s.failed), s.expected),
                ratio,
                range,
                match (s.ratio, s.apart) {
                    (_, true) => "stands apart".into(),
                    (None, false) if s.expected <= 0.0 => "not comparable".into(),
                    (_, false) => "as expected".into(),
                },
                s.mean_ms.map_or("–".into(), time_words),
            ]
        })
        .collect();
    out.push(Block::Table(
        Table::new(&["station", "attempts", "passed", "failed / expected", "ratio", "95 %", "", "mean time"], rows)
            .with_words(&[6]),
    ));
    out.push(Block::Quiet(if stations.comparable {
        "Expected: failures that the station's own mix of products and reels would have had if stations made no difference. Ratio: its risk of failing by that of the others on the same products and reels (Mantel and Haenszel). Only work that ran at two stations or more is compared; the interval is widened for the number of stations.".into()
    } else {
        "No reel ran at two stations, so a difference may come from the reel: stations can't be compared fairly here.".to_owned()
    }));
    out
}

/// The worst hour.
pub fn worst_blocks(worst: &Worst) -> Vec<Block> {
    let mut out = vec![Block::Heading(format!("The worst hour: {}", worst.words))];
    out.extend(worst.because.iter().cloned().map(Block::Words));
    let expected = |d: &super::worst::Different| d.expected.map_or("–".into(), |e| format!("{e:.1}"));
    let rows = worst
        .different
        .iter()
        .take(10)
        .map(|d| vec![format!("{} {}", d.kind, d.name), grouped(d.failures), expected(d)])
        .collect();
    out.push(Block::Table(Table::new(&["what was different", "failures", "expected"], rows)));
    out
}

/// Meetings of finished units.
fn meeting_blocks(report: &Report) -> Vec<Block> {
    let Some(met) = &report.meetings else { return Vec::new() };
    let mut out = vec![
        Block::Heading("Finished units that were met".into()),
        Block::Words(format!(
            "{} of {} were accepted, {}. {} gave no verdict. A meeting took {} on average, and {} at most.",
            grouped(met.accepted.good),
            grouped(met.accepted.all),
            share_words(&met.accepted),
            grouped(met.unreachable),
            time_words(met.mean_ms),
            time_words(met.longest_ms as f64)
        )),
    ];
    if !met.causes.is_empty() {
        let rows = met.causes.iter().map(|c| vec![c.rule.clone(), grouped(c.meetings), percent(c.share)]).collect();
        out.push(Block::Table(Table::new(&["rule that was broken first", "meetings", "share"], rows)));
    }
    out
}

fn stock_blocks(report: &Report) -> Vec<Block> {
    let Some(stock) = &report.stock else { return Vec::new() };
    let row = |what: &str, counts: &[i64]| {
        let mut row = vec![what.to_owned()];
        row.extend(counts.iter().map(|n| grouped(u64::try_from(*n).unwrap_or(0))));
        row
    };
    let [received, blank, held, provisioned, scrapped] = stock.chips;
    vec![
        Block::Heading("Where every chip and credential is".into()),
        Block::Columns(
            vec![Block::Table(Table::new(
                &["chips", "count"],
                [
                    ("received", received),
                    ("blank", blank),
                    ("held", held),
                    ("provisioned", provisioned),
                    ("scrapped", scrapped),
                ]
                .map(|(what, n)| row(what, &[n]))
                .to_vec(),
            ))],
            vec![Block::Table(Table::new(
                &["credentials", "count"],
                ["received", "available", "reserved", "installed", "spent", "revoked"]
                    .iter()
                    .zip(stock.credentials)
                    .map(|(what, n)| row(what, &[n]))
                    .collect(),
            ))],
        ),
    ]
}

fn order_blocks(report: &Report) -> Vec<Block> {
    let Some(order) = &report.order else { return Vec::new() };
    let deliveries: Vec<String> = order.deliveries.iter().map(|(id, n)| format!("{id} ({n} certificates)")).collect();
    vec![
        Block::Heading("The order".into()),
        Block::Words(format!(
            "{} asked for {} certificates on {}; SHA-256 `{}`. Answered by {}. {}",
            order.file,
            order.chips,
            order.written,
            order.sha256,
            if deliveries.is_empty() { "no delivery yet".into() } else { deliveries.join(", ") },
            if order.by_delivery {
                "This report counts the units with that delivery's credentials."
            } else {
                "This report counts the whole reel."
            }
        )),
    ]
}

/// The report as a document.
pub fn document(report: &Report) -> Document {
    let y = &report.yields;
    let mut blocks = vec![Block::Numbers(vec![
        (grouped(y.units[0] + y.units[4]), "units passed".into()),
        (short(&y.last), format!("final yield, of {} begun", grouped(y.last.all))),
        (short(&y.first_pass), "first-pass yield".into()),
        (grouped(y.attempts[1]), "failed attempts".into()),
        (grouped(y.units[2]), "units scrapped".into()),
    ])];
    if let Some(worst) = &report.worst_hour {
        blocks.extend(worst_blocks(worst));
    }
    blocks.extend(order_blocks(report));
    blocks.extend(yield_blocks(report));
    blocks.extend(control_blocks(report));
    blocks.extend(cause_blocks(report));
    blocks.extend(station_blocks(report));
    blocks.extend(step_blocks(report));
    blocks.extend(meeting_blocks(report));
    blocks.extend(stock_blocks(report));
    Document {
        title: format!("Provisioning of {}", report.subject),
        above: format!("{} · {}", report.site, report.period_words),
        test: report.test.then(|| "This report includes test products: do not ship them.".to_owned()),
        blocks,
        foot: foot(report),
        one_page: false,
        size: Size::A4,
    }
}

/// What stands at the foot of each page: site, period, the log's head.
pub fn foot(report: &Report) -> Vec<String> {
    vec![
        report.site.clone(),
        report.period_words.clone(),
        format!("made {}", report.made),
        format!("log: {} entries, head {}", grouped(report.log.entries), report.log.root),
    ]
}

/// Chips of a reel in order, with how many are provisioned, blank, held, scrapped.
pub fn tape_blocks(site: &Site, reel: &ReelId) -> Result<Vec<Block>, Trouble> {
    /// Beyond this a picture of single chips tells nothing more.
    const DRAWN: usize = 3_000;
    let mut chips = Vec::new();
    let (mut after, mut total) = (-1, 0usize);
    let order = [ChipState::Provisioned, ChipState::Blank, ChipState::Held, ChipState::Scrapped];
    let mut counts = [0u64; 4];
    loop {
        let page = site.book.chips(reel, after, 5_000)?;
        for chip in &page.items {
            total += 1;
            if let Some(slot) = order.iter().position(|s| *s == chip.state) {
                counts[slot] += 1;
            }
            if chips.len() < DRAWN {
                let fate = match chip.state {
                    ChipState::Blank => Fate::Blank,
                    ChipState::Held => Fate::Held,
                    ChipState::Provisioned => Fate::Provisioned,
                    ChipState::Scrapped => Fate::Scrapped,
                };
                chips.push((chip.chip_id.to_string(), fate));
            }
        }
        match page.next {
            Some(next) => after = next,
            None => break,
        }
    }
    let [provisioned, blank, held, scrapped] = counts.map(grouped);
    let mut out = vec![
        Block::Heading("The reel, chip by chip".into()),
        Block::Words(format!(
            "Notched hexagon: provisioned ({provisioned}). Crossed dot: scrapped ({scrapped}). Half dot: held ({held}). Dot: blank ({blank})."
        )),
        Block::Chart(chart::tape(&chips, "The reel, chip by chip")),
    ];
    if total > chips.len() {
        out.push(Block::Quiet(format!("The first {} of {} chips are drawn.", chips.len(), total)));
    }
    Ok(out)
}

/// One passed unit's chain, explained; nothing where no unit passed.
pub fn chain_blocks(site: &Site) -> Result<Vec<Block>, Trouble> {
    let filter = UnitFilter { state: Some(UnitState::Passed), ..UnitFilter::default() };
    let Some(unit) = site.book.units(&filter, None, 1)?.items.into_iter().next() else { return Ok(Vec::new()) };
    let Some(story) = site.book.story(&unit.serial)? else { return Ok(Vec::new()) };
    let Some(proof) = &story.proof else { return Ok(Vec::new()) };
    let mut plates: Vec<(&str, &str, Vec<u8>)> = Vec::new();
    for authority in story.origin.authorities.iter().rev() {
        let (name, words) = match authority.facts.role {
            book::Role::Paa => (
                "PAA, the root",
                "A verifier trusts this certificate directly. It received it through a separate channel.",
            ),
            book::Role::Pai => (
                "PAI, the intermediate",
                "Issued by the root, for this vendor alone. Its key signed the device certificate; it can issue no further authorities.",
            ),
        };
        plates.push((name, words, authority.facts.certificate.clone()));
    }
    plates.push((
        "DAC, the device",
        "Issued for the key that was made in this chip. It names vendor and product, and may only sign.",
        proof.facts.dac.clone(),
    ));
    let plates = plates
        .into_iter()
        .filter_map(|(title, words, der)| {
            let certificate = Certificate::read(&der).ok()?;
            let end = certificate.not_after.moment.filter(|m| *m != NO_END);
            let begin = certificate.not_before.moment.map(|m| m.to_string()).unwrap_or_default();
            Some(Plate {
                title: title.to_owned(),
                words: words.to_owned(),
                codes: vec![
                    certificate.subject.display(certificate.der()),
                    format!("serial {}", certificate.serial_hex()),
                    format!("key identifier {}", certificate.subject_key_id().map(hex::encode).unwrap_or_default()),
                    format!("valid {begin} to {}", end.map_or_else(|| "no expiry".into(), |m| m.to_string())),
                ],
            })
        })
        .collect();
    Ok(vec![
        Block::Heading("One chain, explained".into()),
        Block::Words(format!("Unit `{}`, chip `{}`.", unit.serial, unit.chip_id)),
        Block::Plates(plates),
    ])
}
