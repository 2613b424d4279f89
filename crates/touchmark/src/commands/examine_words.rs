//! An examination in words: the chain drawn, findings under each subject, one sentence.

use std::io::{self, Write};

use examine::Kind;
use examine::report::{Examination, Subject, id_digits};
use standard::ids::VendorId;
use standard::moment::Moment;
use standard::name::printable;
use standard::verdict::{Finding, Severity, Verdict};

/// How it is written.
#[derive(Debug, Clone, Copy)]
pub struct Style {
    /// Shapes and colour beside the words.
    pub shapes: bool,
    /// Notes and every subject too.
    pub verbose: bool,
}

const WIDTH: usize = 96;
/// A finding that stands alike on so many subjects is told once.
const TOLD_ONCE: usize = 3;
/// Subjects and findings shown before the rest is counted.
const SHOWN: usize = 20;

impl Style {
    fn verdict(self, verdict: Verdict) -> String {
        let (shape, colour, word) = match verdict {
            Verdict::Accepted => ("⬢", "32", "accepted"),
            Verdict::Rejected => ("▨", "31", "rejected"),
        };
        if self.shapes { format!("\u{1b}[1;{colour}m{shape} {word}\u{1b}[0m") } else { word.into() }
    }

    fn severity(self, severity: Severity) -> String {
        let (shape, colour) = match severity {
            Severity::Error => ("▨", "31"),
            Severity::Warning => ("△", "33"),
            Severity::Note => ("○", "2"),
        };
        let word = severity.word();
        if self.shapes { format!("\u{1b}[{colour}m{shape} {word:<7}\u{1b}[0m") } else { format!("{word:<7}") }
    }
}

/// Writes the whole answer.
pub fn write(w: &mut dyn Write, answer: &Examination, trust_given: bool, style: Style) -> io::Result<()> {
    draw_chains(w, answer, style)?;
    list_others(w, answer, style)?;
    write_findings(w, answer, style)?;
    writeln!(w)?;
    writeln!(w, "{}", sentence(answer, trust_given, style))
}

/// Chains that share their authorities are one drawing: root at the top.
struct Drawing<'a> {
    above: &'a [String],
    ends: Vec<&'a Subject>,
}

fn drawings(answer: &Examination) -> Vec<Drawing<'_>> {
    let mut drawings: Vec<Drawing<'_>> = Vec::new();
    let mut at = std::collections::HashMap::new();
    for subject in answer.subjects.iter().filter(|s| s.kind == Kind::Dac) {
        let index = *at.entry(&subject.above).or_insert_with(|| {
            drawings.push(Drawing { above: &subject.above, ends: Vec::new() });
            drawings.len() - 1
        });
        drawings[index].ends.push(subject);
    }
    // Authorities that no DAC here stands under are drawn by themselves.
    let covered: std::collections::HashSet<&str> = drawings.iter().flat_map(|d| d.above).map(String::as_str).collect();
    let mut alone: Vec<Drawing<'_>> = answer
        .subjects
        .iter()
        .filter(|s| s.kind == Kind::Pai && !covered.contains(&*s.name))
        .map(|s| Drawing { above: &s.above, ends: vec![s] })
        .collect();
    let under: std::collections::HashSet<String> = alone.iter().flat_map(|d| d.above.to_vec()).collect();
    alone.extend(
        answer
            .subjects
            .iter()
            .filter(|s| s.kind == Kind::Paa && !covered.contains(&*s.name) && !under.contains(&*s.name))
            .map(|s| Drawing { above: &[], ends: vec![s] }),
    );
    drawings.extend(alone);
    drawings
}

fn draw_chains(w: &mut dyn Write, answer: &Examination, style: Style) -> io::Result<()> {
    let by_name: std::collections::HashMap<&str, &Subject> = answer.subjects.iter().map(|s| (&*s.name, s)).collect();
    let all = drawings(answer);
    for drawing in all.iter().take(SHOWN) {
        for name in drawing.above.iter().rev() {
            match by_name.get(name.as_str()) {
                Some(subject) => plate(w, subject, style)?,
                None => plate_lines(w, "authority", &[printable(name)])?,
            }
            // The link below an authority is broken by what the next one says of it.
            let below = drawing
                .above
                .iter()
                .position(|n| n == name)
                .and_then(|i| i.checked_sub(1))
                .and_then(|i| by_name.get(drawing.above[i].as_str()).copied());
            link(w, below.or_else(|| single(&drawing.ends)))?;
        }
        match drawing.ends.as_slice() {
            [only] => {
                if drawing.above.is_empty() && only.kind != Kind::Paa {
                    missing(w, only)?;
                }
                plate(w, only, style)?;
            }
            many => several(w, many, style)?,
        }
        writeln!(w)?;
    }
    if all.len() > SHOWN {
        writeln!(w, "{} more chains.\n", all.len() - SHOWN)?;
    }
    Ok(())
}

fn single<'a>(ends: &[&'a Subject]) -> Option<&'a Subject> {
    match ends {
        [only] => Some(only),
        _ => None,
    }
}

/// Rules that say something of the step from a certificate to its issuer.
const JOINT: &[&str] = &[
    "chain.issuer-name",
    "chain.key-id",
    "chain.signature",
    "chain.validity",
    "chain.vendor-id",
    "chain.product-id",
    "chain.length",
    "chain.complete",
];

fn link(w: &mut dyn Write, below: Option<&Subject>) -> io::Result<()> {
    let broken: Vec<&str> = below
        .map(|s| s.findings.iter().filter(|f| f.severity == Severity::Error).map(|f| f.rule.name).collect())
        .unwrap_or_default();
    let broken: Vec<&str> = broken.into_iter().filter(|name| JOINT.contains(name)).collect();
    if broken.is_empty() { writeln!(w, "      ║") } else { writeln!(w, "      ╳  broken: {}", broken.join(", ")) }
}

fn missing(w: &mut dyn Write, end: &Subject) -> io::Result<()> {
    let issuer = if end.kind == Kind::Dac { "its PAI is not available" } else { "its PAA is not available" };
    writeln!(w, "      ┆  {issuer}")
}

fn day(moment: Moment) -> String {
    let mut text = moment.to_string();
    text.truncate(text.find('T').unwrap_or(text.len()));
    text
}

fn plate(w: &mut dyn Write, subject: &Subject, style: Style) -> io::Result<()> {
    let mut lines = Vec::new();
    lines.push(subject.title.as_deref().unwrap_or("can't be parsed").to_owned());
    let mut facts = Vec::new();
    if let Some(vendor) = subject.vendor_id {
        let id = u16::try_from(vendor).ok().and_then(|v| VendorId::new(v).ok());
        let test = if id.is_some_and(VendorId::is_test) { " TEST" } else { "" };
        facts.push(format!("VID {}{test}", id_digits(vendor)));
    }
    if let Some(product) = subject.product_id {
        facts.push(format!("PID {}", id_digits(product)));
    }
    if let Some(from) = subject.not_before {
        facts.push(format!("{} to {}", day(from), subject.not_after.map_or("no expiry".into(), day)));
    }
    if let Some(serial) = subject.serial_hex() {
        facts.push(format!("serial {serial}"));
    }
    if !facts.is_empty() {
        lines.push(facts.join(" · "));
    }
    let trusted = if subject.trusted || (subject.kind == Kind::Paa && subject.anchored) { ", trusted" } else { "" };
    let heading = format!(
        "{}  {}{trusted}: {}",
        subject.kind.word().to_uppercase(),
        printable(&subject.name),
        style.verdict(subject.verdict())
    );
    plate_lines(w, &heading, &lines)
}

fn plate_lines(w: &mut dyn Write, heading: &str, lines: &[String]) -> io::Result<()> {
    writeln!(w, "  ╓─ {heading}")?;
    for line in lines {
        for part in wrap(line, WIDTH - 4) {
            writeln!(w, "  ║  {part}")?;
        }
    }
    writeln!(w, "  ╙─")
}

fn several(w: &mut dyn Write, ends: &[&Subject], style: Style) -> io::Result<()> {
    let rejected: Vec<_> = ends.iter().filter(|s| s.verdict() == Verdict::Rejected).collect();
    let accepted = ends.len() - rejected.len();
    let heading = format!("{} {}s", ends.len(), ends[0].kind.word().to_uppercase());
    let mut lines = vec![format!("{accepted} {}", style.verdict(Verdict::Accepted))];
    if !rejected.is_empty() {
        lines.push(format!("{} {}:", rejected.len(), style.verdict(Verdict::Rejected)));
        for subject in rejected.iter().take(SHOWN) {
            let rules: Vec<_> =
                subject.findings.iter().filter(|f| f.severity == Severity::Error).map(|f| f.rule.name).collect();
            lines.push(format!("  {}: {}", printable(&subject.name), rules.join(", ")));
        }
        if rejected.len() > SHOWN {
            lines.push(format!("  and {} more", rejected.len() - SHOWN));
        }
    }
    plate_lines(w, &heading, &lines)
}

fn list_others(w: &mut dyn Write, answer: &Examination, style: Style) -> io::Result<()> {
    let chained = |kind| matches!(kind, Kind::Dac | Kind::Pai | Kind::Paa);
    let others: Vec<_> = answer.subjects.iter().filter(|s| !chained(s.kind)).collect();
    for subject in others.iter().take(if style.verbose { usize::MAX } else { 2 * SHOWN }) {
        let name = printable(&subject.name);
        let title = subject.title.as_ref().map(|t| format!(", {t}")).unwrap_or_default();
        match subject.kind {
            Kind::Unknown => writeln!(w, "  {name}: not a known kind, ignored")?,
            Kind::DeclarationSigner | Kind::ListSigner => {
                writeln!(w, "  {name}: {}{title}", subject.kind.word().replace('-', " "))?;
            }
            kind => {
                let verdict = style.verdict(subject.verdict());
                writeln!(w, "  {name}: {}{title}: {verdict}", kind.word().replace('-', " "))?;
            }
        }
    }
    Ok(())
}

fn write_findings(w: &mut dyn Write, answer: &Examination, style: Style) -> io::Result<()> {
    let wanted = |f: &Finding| style.verbose || f.severity != Severity::Note;
    let mut groups: Vec<(&Finding, Vec<&str>)> = Vec::new();
    let mut at = std::collections::HashMap::new();
    for (subject, finding) in answer.findings().filter(|(_, f)| wanted(f)) {
        let key = (finding.rule.name, finding.severity.word(), &*finding.required, &*finding.found);
        let index = *at.entry(key).or_insert_with(|| {
            groups.push((finding, Vec::new()));
            groups.len() - 1
        });
        groups[index].1.push(&subject.name);
    }
    let mut last: Option<String> = None;
    for (finding, names) in groups.iter().take(5 * SHOWN) {
        let heading = if names.len() <= TOLD_ONCE {
            names.join(", ")
        } else {
            format!("{} and {} more", names[..TOLD_ONCE].join(", "), names.len() - TOLD_ONCE)
        };
        if last.as_ref() != Some(&heading) {
            writeln!(w, "\n{}", printable(&heading))?;
        }
        last = Some(heading);
        writeln!(w, "  {} {}  ({})", style.severity(finding.severity), finding.rule.name, finding.rule.clause)?;
        field(w, "required", &finding.required)?;
        field(w, "found", &finding.found)?;
        if finding.severity != Severity::Note {
            field(w, "next", &finding.advice)?;
        }
    }
    if groups.len() > 5 * SHOWN {
        writeln!(w, "\n{} more findings; --json gives all.", groups.len() - 5 * SHOWN)?;
    }
    Ok(())
}

fn field(w: &mut dyn Write, name: &str, text: &str) -> io::Result<()> {
    for (index, part) in wrap(&printable(text), WIDTH - 14).into_iter().enumerate() {
        writeln!(w, "    {:<9} {part}", if index == 0 { name } else { "" })?;
    }
    Ok(())
}

/// Breaks at blanks; a word longer than the width stays whole, so that it copies.
fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split(' ') {
        let line = lines.len() - 1;
        let used = lines[line].chars().count();
        if used > 0 && used + 1 + word.chars().count() > width {
            lines.push(word.to_owned());
        } else {
            if used > 0 {
                lines[line].push(' ');
            }
            lines[line].push_str(word);
        }
    }
    lines
}

fn plural(count: usize, one: &str) -> String {
    if count == 1 { format!("1 {one}") } else { format!("{count} {one}s") }
}

fn sentence(answer: &Examination, trust_given: bool, style: Style) -> String {
    let counts = answer.counts();
    let judged = answer.subjects.iter().filter(|s| s.kind != Kind::Unknown).count();
    let rejected = answer.subjects.iter().filter(|s| s.verdict() == Verdict::Rejected).count();
    let word = style.verdict(answer.verdict);
    let also = match (counts.warnings, counts.notes) {
        (0, 0) => String::new(),
        (0, notes) => format!(" ({})", plural(notes, "note")),
        (warnings, 0) => format!(" ({})", plural(warnings, "warning")),
        (warnings, notes) => format!(" ({}, {})", plural(warnings, "warning"), plural(notes, "note")),
    };
    match answer.verdict {
        Verdict::Rejected => {
            format!("{word}: {} on {rejected} of {}{also}.", plural(counts.errors, "error"), plural(judged, "subject"))
        }
        Verdict::Accepted if answer.anchored => {
            format!(
                "{word}: {}, every chain ends at a trusted PAA, no rule is broken{also}.",
                plural(judged, "subject")
            )
        }
        Verdict::Accepted if trust_given => format!("{word}: {}, no rule is broken{also}.", plural(judged, "subject")),
        Verdict::Accepted => {
            format!("{word} in form: {}, no rule is broken; no trusted PAA was given{also}.", plural(judged, "subject"))
        }
    }
}
