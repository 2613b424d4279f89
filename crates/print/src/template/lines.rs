//! Texts of a template, as lines with pieces.
//!
//! What a line of values can't keep (paths to follow, stretched or shifted
//! letters, fonts that are not embedded) is refused here, by the text it is in.

use usvg::Text;

use crate::art::Transform;
use crate::fonts::{CODES, Face, WORDS};
use crate::layout::{Anchor, LEAST_LETTERS_MM, LinePlan, Piece, SpanPlan};
use crate::template::compile::{Broken, NO_FAMILY, solid};
use crate::template::guard::Fit;
use crate::template::is_place_octet;

/// Turns one `<text>` into lines.
pub(super) fn lines(text: &Text, transform: Transform, fit: Fit) -> Result<Vec<LinePlan>, Broken> {
    let shown: String =
        text.chunks().iter().map(usvg::TextChunk::text).collect::<String>().trim().chars().take(40).collect();
    let refuse =
        |what: &str, advice: &str| -> Broken { (format!("has a text ({shown:?}) with {what}"), advice.into()) };
    if text.writing_mode() != usvg::WritingMode::LeftToRight {
        return Err(refuse("vertical writing", "Turn it with transform=\"rotate(…)\"."));
    }
    if text.dx().iter().chain(text.dy()).chain(text.rotate()).any(|v| *v != 0.0) {
        return Err(refuse("dx, dy or rotate", "Place each line with x and y."));
    }
    let mut lines = Vec::new();
    let mut y = 0.0;
    for chunk in text.chunks() {
        if !matches!(chunk.text_flow(), usvg::TextFlow::Linear) {
            return Err(refuse("a path to follow", "Write it on a straight line."));
        }
        let x = match chunk.x() {
            Some(x) => x,
            None if lines.is_empty() => 0.0,
            None => return Err(refuse("a tspan that has y and no x", "Give it both.")),
        };
        y = chunk.y().unwrap_or(y);
        let mut spans = Vec::new();
        for span in chunk.spans() {
            if !span.is_visible() {
                continue;
            }
            let words = chunk.text().get(span.start()..span.end()).unwrap_or_default();
            if let Some(plan) = span_plan(span, words, &refuse)? {
                spans.push(plan);
            }
        }
        if spans.is_empty() {
            continue;
        }
        let anchor = match chunk.anchor() {
            usvg::TextAnchor::Start => Anchor::Start,
            usvg::TextAnchor::Middle => Anchor::Middle,
            usvg::TextAnchor::End => Anchor::End,
        };
        lines.push(LinePlan {
            spans,
            at: (x, y),
            anchor,
            transform,
            max_width: fit.max_width,
            least_mm: fit.least_mm.unwrap_or(LEAST_LETTERS_MM),
        });
    }
    Ok(lines)
}

fn span_plan(
    span: &usvg::TextSpan,
    words: &str,
    refuse: &dyn Fn(&str, &str) -> Broken,
) -> Result<Option<SpanPlan>, Broken> {
    let decorated = [span.decoration().underline(), span.decoration().overline(), span.decoration().line_through()];
    let check = |wrong: bool, what: &str, advice: &str| if wrong { Err(refuse(what, advice)) } else { Ok(()) };
    check(span.stroke().is_some(), "a stroke", "Use the bold weight.")?;
    check(span.small_caps(), "small capitals", "Write capitals.")?;
    check(decorated.iter().any(Option::is_some), "a line under, over or through it", "Draw the line.")?;
    check(span.text_length().is_some(), "textLength", "Use data-max-width, which only shrinks text.")?;
    let shifted = span.baseline_shift().iter().any(|s| !matches!(s, usvg::BaselineShift::Baseline));
    let other_line =
        !matches!(span.dominant_baseline(), usvg::DominantBaseline::Auto | usvg::DominantBaseline::Alphabetic)
            || !matches!(
                span.alignment_baseline(),
                usvg::AlignmentBaseline::Auto | usvg::AlignmentBaseline::Baseline | usvg::AlignmentBaseline::Alphabetic
            );
    check(shifted || other_line, "a moved baseline", "Give y as the baseline of the letters.")?;
    let font = span.font();
    check(
        font.style() != usvg::FontStyle::Normal,
        "slanted letters",
        "The embedded fonts are upright; use the bold weight.",
    )?;
    check(font.stretch() != usvg::FontStretch::Normal, "narrow or wide letters", "Use data-max-width.")?;
    let family = font.families().first().map(|f| match f {
        usvg::FontFamily::Named(name) => name.clone(),
        usvg::FontFamily::Monospace => "monospace".into(),
        usvg::FontFamily::SansSerif => "sans-serif".into(),
        other => other.to_string(),
    });
    let family = family.filter(|f| f != NO_FAMILY);
    let known = format!("Use font-family=\"{WORDS}\" or \"{CODES}\"; labels use only the embedded fonts.");
    let Some(family) = family else {
        return Err(refuse("no font-family", &known));
    };
    let Some(face) = Face::find(&family, font.weight()) else {
        return Err(refuse(&format!("the font \"{family}\", which is not embedded"), &known));
    };
    let Some(fill) = span.fill() else { return Ok(None) };
    let pieces = pieces(words).map_err(|what| refuse(&what, "Write {name}; a brace itself is {{ or }}."))?;
    Ok(Some(SpanPlan {
        pieces,
        face,
        size: span.font_size().get(),
        color: solid(fill.paint(), fill.opacity().get())?,
        letter_spacing: span.letter_spacing(),
        word_spacing: span.word_spacing(),
        kerning: span.apply_kerning(),
    }))
}

/// Splits a text at its places. `{{` and `}}` stand for braces.
fn pieces(text: &str) -> Result<Vec<Piece>, String> {
    let mut pieces = Vec::new();
    let mut words = String::new();
    let mut rest = text;
    while let Some(at) = rest.find(['{', '}']) {
        words.push_str(&rest[..at]);
        let brace = &rest[at..=at];
        rest = &rest[at + 1..];
        if let Some(after) = rest.strip_prefix(brace) {
            words.push_str(brace);
            rest = after;
            continue;
        }
        if brace == "}" {
            return Err("a } without its {".into());
        }
        let Some((name, after)) = rest.split_once('}') else { return Err("a { without its }".into()) };
        if name == "qr" {
            return Err("{qr}, which is a <rect> with id=\"qr\" and no text".into());
        }
        if name.is_empty() || name.len() > 40 || !name.bytes().all(is_place_octet) {
            return Err(format!(
                "the place {{{name}}}, whose name has other characters than small letters, digits, - _ ."
            ));
        }
        if !words.is_empty() {
            pieces.push(Piece::Words(std::mem::take(&mut words)));
        }
        pieces.push(Piece::Place(name.to_owned()));
        rest = after;
    }
    words.push_str(rest);
    if !words.is_empty() {
        pieces.push(Piece::Words(words));
    }
    Ok(pieces)
}
