//! Parts side by side as a page.

use print::chart::{self, Bar, HALF, grouped};
use print::paper::{Block, Document, Size, Table};

use super::{Fit, PartFit};
use crate::part::Kind;
use crate::part::page::{clock_words, step_table, strip_of, time_words};

fn clock(at: &super::AtClock) -> String {
    format!("{}{}", clock_words(at.hertz), if at.protected { ", protected" } else { "" })
}

/// The table of parts: one row a thing, one column a part.
pub fn side_by_side(fit: &Fit) -> Table {
    let mut head = vec![String::new()];
    head.extend(fit.parts.iter().map(|p| p.name.clone()));
    let row = |what: &str, of: &dyn Fn(&PartFit) -> String| {
        let mut row = vec![what.to_owned()];
        row.extend(fit.parts.iter().map(of));
        row
    };
    let fastest = |p: &PartFit, f: &dyn Fn(&super::AtClock) -> String| p.clocks.first().map_or("–".into(), f);
    let protected = |p: &PartFit| {
        p.clocks.iter().find(|c| c.protected).map_or("no protected bus".into(), |c| {
            format!("{} (+{})", time_words(c.unit_ms), time_words(c.protection_ms))
        })
    };
    let rows = vec![
        row("everything fits", &|p| if p.fits { "yes".into() } else { "no".into() }),
        row("keys in", &|p| match p.kind {
            Kind::Discrete => "a separate part".into(),
            Kind::Microcontroller => "the microcontroller".into(),
        }),
        row("operational keys", &|p| match p.operational_keys {
            "part" => "in the part".into(),
            "wrapped" => "wrapped, in flash".into(),
            _ => "not known".into(),
        }),
        row("room, bytes", &|p| grouped(p.octets)),
        row("taken, bytes", &|p| grouped(p.taken_octets)),
        row("free, bytes", &|p| grouped(p.free_octets)),
        row("second identity", &|p| if p.second_identity.fits { "fits as well".into() } else { "no".into() }),
        row("fastest bus", &|p| fastest(p, &clock)),
        row("one unit", &|p| fastest(p, &|c| time_words(c.unit_ms))),
        row("of that, writing", &|p| fastest(p, &|c| time_words(c.write_ms))),
        row("reading back", &|p| fastest(p, &|c| time_words(c.read_back_ms))),
        row("proving", &|p| fastest(p, &|c| time_words(c.prove_ms))),
        row("with protected bus", &protected),
        row("slowest bus", &|p| {
            let slow = p.clocks.iter().rfind(|c| !c.protected);
            slow.map_or("–".into(), |c| format!("{} at {}", time_words(c.unit_ms), clock_words(c.hertz)))
        }),
        row("chip's part of a commissioning", &|p| {
            fastest(p, &|c| format!("{} ({:.1} %)", time_words(c.commissioning_ms), c.commissioning_share * 100.0))
        }),
        row("claims", &|p| {
            let claims: Vec<String> =
                p.claims.iter().map(|c| format!("{}, {}: {}", c.scheme, c.level, c.covers)).collect();
            if claims.is_empty() { "none".into() } else { claims.join("; ") }
        }),
    ];
    let columns: Vec<usize> = (1..=fit.parts.len()).collect();
    Table { head, rows, words: columns }
}

/// The page.
pub fn document(fit: &Fit, above: &str) -> Document {
    let names: Vec<&str> = fit.parts.iter().filter(|p| p.fits).map(|p| p.name.as_str()).collect();
    let product = fit.product.as_deref().unwrap_or("The largest that the standard allows");
    let title = match names.as_slice() {
        [] => format!("{product} fits on none of these parts"),
        [one] if fit.parts.len() == 1 => format!("{product} fits on {one}"),
        [first @ .., last] if !first.is_empty() => format!("{product} fits on {} and {last}", first.join(", ")),
        all => format!("{product} fits on {}", all.join(", ")),
    };
    let needs: Vec<Vec<String>> =
        fit.needs.objects.iter().map(|n| vec![n.name.clone(), grouped(n.octets), n.why.clone()]).collect();
    let mut blocks = vec![
        Block::Table(side_by_side(fit)),
        Block::Heading("What is needed".into()),
        Block::Table(Table::new(&["object", "octets", "where the number comes from"], needs).with_words(&[2])),
        Block::Quiet(format!(
            "{} bytes in total; the chip signs {} bytes.",
            grouped(fit.needs.octets()),
            fit.needs.message
        )),
    ];
    let bars = |of: fn(&PartFit) -> f64, words: &dyn Fn(f64) -> String| -> Vec<Bar> {
        fit.parts.iter().map(|p| Bar { name: p.name.clone(), value: of(p), words: words(of(p)) }).collect()
    };
    let unit = bars(|p| p.clocks.first().map_or(0.0, |c| c.unit_ms), &time_words);
    let taken = bars(|p| p.taken_octets as f64 / p.octets as f64, &|share| format!("{:.0} %", share * 100.0));
    blocks.push(Block::Columns(
        vec![
            Block::Heading("One unit, at the fastest bus".into()),
            Block::Chart(chart::bars(&unit, "Time of one unit on each part", HALF)),
        ],
        vec![
            Block::Heading("Room taken".into()),
            Block::Chart(chart::bars(&taken, "Share of the room that is taken", HALF)),
        ],
    ));
    for part in &fit.parts {
        blocks.push(Block::Heading(format!("{}: checks", part.name)));
        let rows: Vec<Vec<String>> = part
            .checks
            .iter()
            .map(|c| {
                let found = match &c.advice {
                    Some(advice) => format!("{}. {advice}", c.found),
                    None => c.found.clone(),
                };
                vec![c.what.clone(), c.verdict.into(), c.required.clone(), found]
            })
            .collect();
        blocks.push(Block::Table(Table::new(&["", "verdict", "asked", "the part"], rows).with_words(&[1, 2, 3])));
        let label = format!("{}: one unit, to scale", part.name);
        blocks.push(Block::Chart(strip_of(&part.steps, 0.0, &label)));
        blocks.push(Block::Table(step_table(&part.steps)));
    }
    blocks.push(Block::Heading("What the makers say about threats".into()));
    let mut head = vec!["threat".to_owned()];
    head.extend(fit.parts.iter().map(|p| p.name.clone()));
    let rows = fit
        .threats
        .iter()
        .map(|row| {
            let stated = if row.stated { " (stated)" } else { "" };
            let mut cells = vec![format!("{}{stated}: {}", row.threat, row.means)];
            cells.extend(row.answers.iter().map(|(_, answer, because)| {
                if because.is_empty() { (*answer).to_owned() } else { format!("{answer}: {because}") }
            }));
            cells
        })
        .collect();
    blocks.push(Block::Table(Table { head, rows, words: (1..=fit.parts.len()).collect() }));
    for argument in &fit.arguments {
        blocks.push(Block::Heading(format!("{} or {}", argument.discrete, argument.microcontroller)));
        for sentence in &argument.because {
            blocks.push(Block::Words(sentence.clone()));
        }
    }
    blocks.push(Block::Quiet(fit.assumptions.join(" ")));
    Document {
        title,
        above: above.to_owned(),
        test: fit.needs.test.then(|| "Test product: do not ship.".to_owned()),
        blocks,
        foot: vec![format!("Fit of {}", fit.product.as_deref().unwrap_or("the standard's limits")), above.to_owned()],
        one_page: false,
        size: Size::A4,
    }
}
