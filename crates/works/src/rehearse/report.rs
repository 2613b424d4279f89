//! The rehearsal's report: one HTML page that stands alone.
//!
//! Charts are SVG, labelled directly, each with its numbers in a table below.
//! States have a shape and a word, never colour alone.

use std::fmt::Write as _;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use book::ids::ReelId;
use book::{ChipState, UnitFilter, UnitState};
use print::fonts::Face;
use serde_json::Value;
use standard::certificate::Certificate;
use standard::moment::NO_END;
use time::OffsetDateTime;

use super::Rehearsed;
use crate::site::Site;
use crate::trouble::Trouble;

/// Text made safe for HTML and SVG.
fn safe(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c if c.is_control() => out.push('\u{FFFD}'),
            c => out.push(c),
        }
    }
    out
}

const STYLE: &str = "
:root{--ground:#faf7f0;--ink:#1b2330;--quiet:#4a5568;--struck:#0b655a;--broken:#a3231b;--heed:#7a4f00;--metal:#8a5a16;--line:#d8d2c4}
@media (prefers-color-scheme:dark){:root{--ground:#14181f;--ink:#e9e4d8;--quiet:#a9b2c0;--struck:#5fd0bd;--broken:#ff8f80;--heed:#e8b04a;--metal:#e8b04a;--line:#333a46}}
@media print{:root{--ground:#fff;--ink:#000;--quiet:#333;--struck:#000;--broken:#000;--heed:#000;--metal:#000;--line:#999}}
*{box-sizing:border-box}
body{background:var(--ground);color:var(--ink);font:16px/1.5 'Atkinson Hyperlegible Next','Atkinson Hyperlegible',system-ui,sans-serif;margin:0 auto;max-width:60rem;padding:2rem 1.25rem 4rem}
h1{font-size:1.9rem;margin:.2em 0;line-height:1.2}h2{font-size:1.25rem;margin:2.4em 0 .5em;border-top:2px solid var(--metal);padding-top:.5em}
p{max-width:44rem}.quiet{color:var(--quiet)}.mono,td.n,code{font-family:'Atkinson Hyperlegible Mono',ui-monospace,monospace;font-size:.92em}
.test{border:2px solid var(--heed);color:var(--heed);display:inline-block;font-weight:700;padding:.1em .6em}
.numbers{display:flex;flex-wrap:wrap;gap:1rem;margin:1.2rem 0}.numbers div{border:1px solid var(--line);padding:.6rem 1rem;min-width:9rem}
.numbers b{display:block;font-size:1.9rem;line-height:1.1}
table{border-collapse:collapse;margin:.8rem 0;font-size:.95rem}th,td{text-align:left;padding:.25rem .9rem .25rem 0;border-bottom:1px solid var(--line)}td.n,th.n{text-align:right}
svg{max-width:100%;height:auto;display:block;margin:.6rem 0}svg text{fill:var(--ink);font-family:inherit;font-size:13px}svg .q{fill:var(--quiet)}
.plate{border:2px solid var(--ink);padding:.7rem 1rem;max-width:44rem}.link{border-left:4px double var(--ink);height:1.6rem;margin-left:2rem}
.plate h3{margin:0;font-size:1.05rem}.plate p{margin:.3em 0}
";

/// The house's letters, embedded: a report is read where there is no internet.
fn fonts() -> String {
    let mut css = String::new();
    for (face, weight) in [(Face::Words, 400), (Face::WordsBold, 700), (Face::Codes, 400)] {
        let family = if face == Face::Codes { print::fonts::CODES } else { print::fonts::WORDS };
        let data = STANDARD.encode(face.file());
        let _ = write!(
            css,
            "@font-face{{font-family:'{family}';font-weight:{weight};src:url(data:font/ttf;base64,{data}) format('truetype')}}"
        );
    }
    css
}

/// Shapes of a chip's fate, 10 by 10 about the origin.
fn shape(state: ChipState) -> &'static str {
    match state {
        ChipState::Blank => r##"<circle r="1.8" fill="var(--quiet)"/>"##,
        ChipState::Held => {
            r##"<circle r="4" fill="none" stroke="var(--heed)" stroke-width="1.4"/><path d="M0-4A4 4 0 0 0 0 4Z" fill="var(--heed)"/>"##
        }
        ChipState::Provisioned => {
            r##"<path d="M-1.2-4.6L-4-3 -4 2.3 0 4.6 4 2.3 4-2.3 1.2-4 0-2Z" fill="var(--struck)"/>"##
        }
        ChipState::Scrapped => {
            r##"<circle r="4" fill="none" stroke="var(--broken)" stroke-width="1.4"/><path d="M-2.8-2.8L2.8 2.8M2.8-2.8L-2.8 2.8" stroke="var(--broken)" stroke-width="1.6"/>"##
        }
    }
}

/// Chips of a reel in order, on a tape that winds to and fro.
fn tape(site: &Site, reel: &ReelId) -> Result<(String, [u64; 4]), Trouble> {
    const ACROSS: usize = 60;
    const STEP: usize = 15;
    /// Beyond this a picture of single chips tells nothing more.
    const DRAWN: usize = 3_000;
    let mut states = Vec::new();
    let mut after = -1;
    loop {
        let page = site.book.chips(reel, after, 5_000)?;
        states.extend(page.items.iter().map(|c| (c.chip_id.to_string(), c.state)));
        match page.next {
            Some(next) => after = next,
            None => break,
        }
    }
    let order = [ChipState::Provisioned, ChipState::Blank, ChipState::Held, ChipState::Scrapped];
    let counts = order.map(|state| states.iter().filter(|(_, s)| *s == state).count() as u64);
    let drawn = states.len().min(DRAWN);
    let rows = drawn.div_ceil(ACROSS);
    let (width, height) = (ACROSS * STEP + 10, rows * STEP + 10);
    let mut svg = format!(r#"<svg viewBox="0 0 {width} {height}" role="img" aria-label="The reel, chip by chip">"#);
    for row in 0..rows {
        let y = row * STEP + 12;
        let _ = write!(svg, r#"<path d="M4 {y}H{}" stroke="var(--line)" stroke-width="11"/>"#, width - 4);
    }
    for (index, (chip, state)) in states.iter().take(drawn).enumerate() {
        let (row, column) = (index / ACROSS, index % ACROSS);
        // Every second row runs back, as a tape does.
        let column = if row % 2 == 0 { column } else { ACROSS - 1 - column };
        let _ = write!(
            svg,
            r#"<g transform="translate({} {})"><title>{} {}</title>{}</g>"#,
            column * STEP + 12,
            row * STEP + 12,
            safe(chip),
            state.word(),
            shape(*state)
        );
    }
    svg.push_str("</svg>");
    if states.len() > drawn {
        let _ = write!(svg, r#"<p class="quiet">The first {drawn} of {} chips are drawn.</p>"#, states.len());
    }
    Ok((svg, counts))
}

/// Horizontal bars with their values written at the end.
fn bars(rows: &[(String, f64, String)], label: &str) -> String {
    let most = rows.iter().map(|r| r.1).fold(f64::MIN_POSITIVE, f64::max);
    let height = rows.len() * 26 + 8;
    let mut svg = format!(r#"<svg viewBox="0 0 760 {height}" role="img" aria-label="{}">"#, safe(label));
    for (index, (name, value, words)) in rows.iter().enumerate() {
        let y = index * 26 + 4;
        let length = (value / most * 400.0).max(1.0);
        let _ = write!(
            svg,
            r#"<text x="190" y="{}" text-anchor="end">{}</text><rect x="200" y="{y}" width="{length:.1}" height="18" fill="var(--metal)"/><text class="q" x="{:.1}" y="{}">{}</text>"#,
            y + 14,
            safe(name),
            length + 208.0,
            y + 14,
            safe(words)
        );
    }
    svg.push_str("</svg>");
    svg
}

fn table(head: &[&str], rows: &[Vec<String>]) -> String {
    let class = |index: usize| if index == 0 { "" } else { r#" class="n""# };
    let mut out = String::from("<table><tr>");
    for (index, name) in head.iter().enumerate() {
        let _ = write!(out, "<th{}>{}</th>", class(index), safe(name));
    }
    out.push_str("</tr>");
    for row in rows {
        out.push_str("<tr>");
        for (index, cell) in row.iter().enumerate() {
            let _ = write!(out, "<td{}>{}</td>", class(index), safe(cell));
        }
        out.push_str("</tr>");
    }
    out.push_str("</table>");
    out
}

/// The page.
///
/// # Errors
///
/// [`Trouble`] where the book gave no answer.
pub(super) fn write(site: &Site, reel: &ReelId, done: &Rehearsed, counts: &Value) -> Result<String, Trouble> {
    let (from, to) = (OffsetDateTime::UNIX_EPOCH, OffsetDateTime::now_utc() + time::Duration::days(1));
    let mut page = format!(
        "<!doctype html><html lang=\"en\"><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width\"><title>Rehearsal of {}</title><style>{}{STYLE}</style><body>",
        safe(&site.settings.site.name),
        fonts()
    );
    let first = first_pass(site)?;
    let share = |part: u64, whole: u64| {
        if whole == 0 { "–".into() } else { format!("{:.1} %", part as f64 * 100.0 / whole as f64) }
    };
    let u = done.units;
    let _ = write!(
        page,
        "<p class=\"quiet\">{} · {}</p><h1>{} of {} units carry a proven identity</h1><p><span class=\"test\">TEST</span> A rehearsal on simulated chips with development authorities. Nothing here may be shipped; production follows the alliance's current certificate policy.</p>",
        safe(&site.settings.site.name),
        crate::reel::time_text(OffsetDateTime::now_utc()),
        u.passed,
        u.started
    );
    let _ = write!(
        page,
        "<div class=\"numbers\"><div><b>{}</b>passed</div><div><b>{}</b>scrapped</div><div><b>{}</b>passed at the first attempt</div><div><b>{}</b>unaccounted for</div></div>",
        u.passed,
        u.failed,
        share(first, u.started),
        done.credentials.unaccounted
    );
    page.push_str("<h2>What was done</h2><p>A site was made, with a root and an intermediate that issue device certificates for testing. A reel of chips came with its manifest, an order went out, a delivery came back and was inspected whole: every certificate by every rule, each matched to its chip by public key. Each unit's chip was then written and read back, made to sign a fresh nonce with the key it was born with, judged as a verifier would judge it, locked and recorded. Labels were printed only after their symbols had been read back.</p>");
    let c = done.credentials;
    page.push_str("<h2>Where every credential is</h2>");
    page.push_str(&table(
        &["credentials", "count"],
        &[
            vec!["received".into(), c.received.to_string()],
            vec!["installed, on their chips".into(), c.installed.to_string()],
            vec!["spent, their chips scrapped".into(), c.spent.to_string()],
            vec!["available".into(), c.available.to_string()],
            vec!["unaccounted for".into(), c.unaccounted.to_string()],
            vec!["used twice".into(), done.double_use.to_string()],
        ],
    ));
    let (picture, [provisioned, blank, held, scrapped]) = tape(site, reel)?;
    let _ = write!(
        page,
        "<h2>The reel, chip by chip</h2><p>Notched hexagon: provisioned ({provisioned}). Crossed dot: scrapped ({scrapped}). Half dot: held ({held}). Dot: blank ({blank}).</p>{picture}"
    );
    steps(site, from, to, &mut page)?;
    causes(site, from, to, &mut page)?;
    chain(site, &mut page)?;
    let log = &counts["log"];
    let _ = write!(
        page,
        "<h2>The log</h2><p>{} entries, {}. Every change is a leaf of a Merkle tree (RFC 9162); altering one shows.</p>",
        log["entries"],
        if log["intact"] == true { "intact" } else { "DAMAGED" }
    );
    let _ = writeln!(
        page,
        "<h2>Look further</h2><p>Units and their proofs lie in <code>evidence/</code>, labels in <code>labels.pdf</code>. In this directory, <code>touchmark unit show TV-000001</code> tells one unit's story; <code>touchmark examine evidence/TV-000001</code> judges its files. The same again: seed {}.</p></body></html>",
        done.seed
    );
    Ok(page)
}

fn first_pass(site: &Site) -> Result<u64, Trouble> {
    let filter = UnitFilter { state: Some(UnitState::Passed), ..UnitFilter::default() };
    let (mut first, mut after) = (0, None);
    loop {
        let page = site.book.units(&filter, after.as_ref(), 1000)?;
        first += page.items.iter().filter(|u| u.attempts == 1).count() as u64;
        match page.next {
            Some(next) => after = Some(next),
            None => return Ok(first),
        }
    }
}

fn steps(site: &Site, from: OffsetDateTime, to: OffsetDateTime, page: &mut String) -> Result<(), Trouble> {
    let steps = site.book.step_times(from, to)?;
    let mean = |total: i64, times: i64| total as f64 / 1000.0 / times.max(1) as f64;
    let mut rows: Vec<(String, f64, String)> = steps
        .iter()
        .map(|s| {
            let ms = mean(s.total_us, s.times);
            (s.name.clone(), ms, format!("{ms:.1} ms"))
        })
        .collect();
    rows.sort_by(|a, b| b.1.total_cmp(&a.1));
    page.push_str("<h2>Where the time goes</h2><p>Mean time of each step of a unit, the chip's own time included as the simulated part accounts for it.</p>");
    page.push_str(&bars(&rows, "Mean time of each step"));
    let lines: Vec<Vec<String>> = steps
        .iter()
        .map(|s| {
            vec![
                s.name.clone(),
                s.times.to_string(),
                format!("{:.1}", mean(s.total_us, s.times)),
                format!("{:.1}", s.longest_us as f64 / 1000.0),
            ]
        })
        .collect();
    page.push_str(&table(&["step", "times", "mean ms", "longest ms"], &lines));
    Ok(())
}

fn causes(site: &Site, from: OffsetDateTime, to: OffsetDateTime, page: &mut String) -> Result<(), Trouble> {
    let mut causes = site.book.count_causes(from, to)?;
    causes.sort_by_key(|c| std::cmp::Reverse(c.failures));
    page.push_str("<h2>Why attempts failed</h2>");
    let total: i64 = causes.iter().map(|c| c.failures).sum();
    if total == 0 {
        page.push_str("<p>No attempt failed.</p>");
        return Ok(());
    }
    let mut running = 0;
    let mut rows = Vec::new();
    let mut lines = Vec::new();
    for cause in &causes {
        running += cause.failures;
        let share = format!("{:.0} %", running as f64 * 100.0 / total as f64);
        rows.push((cause.cause.clone(), cause.failures as f64, format!("{}, running share {share}", cause.failures)));
        lines.push(vec![
            cause.cause.clone(),
            cause.failures.to_string(),
            cause.units.to_string(),
            cause.scrapped.to_string(),
            share,
        ]);
    }
    page.push_str("<p>Most frequent first, with the running share. A unit may fail more than once before it passes or is scrapped.</p>");
    page.push_str(&bars(&rows, "Failures by cause"));
    page.push_str(&table(&["cause", "failures", "units", "scrapped", "running share"], &lines));
    Ok(())
}

/// One unit's chain, explained.
fn chain(site: &Site, page: &mut String) -> Result<(), Trouble> {
    let filter = UnitFilter { state: Some(UnitState::Passed), ..UnitFilter::default() };
    let Some(unit) = site.book.units(&filter, None, 1)?.items.into_iter().next() else { return Ok(()) };
    let Some(story) = site.book.story(&unit.serial)? else { return Ok(()) };
    let Some(proof) = &story.proof else { return Ok(()) };
    let _ = write!(
        page,
        "<h2>One chain, explained</h2><p>Unit <span class=\"mono\">{}</span>, chip <span class=\"mono\">{}</span>.</p>",
        safe(unit.serial.as_str()),
        safe(unit.chip_id.as_str())
    );
    let mut plates: Vec<(&str, &str, Vec<u8>)> = Vec::new();
    for authority in story.origin.authorities.iter().rev() {
        let (name, words) = match authority.facts.role {
            book::Role::Paa => {
                ("PAA, the root", "A verifier trusts this certificate by itself. It got it by a way of its own.")
            }
            book::Role::Pai => (
                "PAI, the intermediate",
                "Issued by the root, for this vendor alone. Its key signed the device certificate; it can issue no further authorities.",
            ),
        };
        plates.push((name, words, authority.facts.certificate.clone()));
    }
    plates.push((
        "DAC, the device",
        "Issued for the key that this chip was born with. It names vendor and product, and may only sign.",
        proof.facts.dac.clone(),
    ));
    for (index, (name, words, der)) in plates.iter().enumerate() {
        let Ok(certificate) = Certificate::read(der) else { continue };
        if index > 0 {
            page.push_str("<div class=\"link\"></div>");
        }
        let end =
            certificate.not_after.moment.filter(|m| *m != NO_END).map_or_else(|| "no end".into(), |m| m.to_string());
        let _ = write!(
            page,
            "<div class=\"plate\"><h3>{}</h3><p>{}</p><p class=\"quiet mono\">{}<br>serial {}<br>key identifier {}<br>valid {} to {}</p></div>",
            safe(name),
            safe(words),
            safe(&certificate.subject.display(certificate.der())),
            certificate.serial_hex(),
            certificate.subject_key_id().map(hex::encode).unwrap_or_default(),
            certificate.not_before.moment.map(|m| m.to_string()).unwrap_or_default(),
            end
        );
    }
    Ok(())
}
