//! The first look at a template: what must not be in it, and what is marked in it.
//!
//! Everything here is settled on the XML, before any of it is resolved: a
//! script, a link to elsewhere or a bomb of references never reaches the next
//! stage. Element and attribute names are allowed by list, not forbidden by list.

use std::collections::{HashMap, HashSet};
use std::ops::Range;

use roxmltree::{Document, Node, NodeId};

use crate::error::TemplateError;

/// Largest template file, octets.
pub const LARGEST_FILE: usize = 1 << 20;
/// Most XML nodes.
const MOST_NODES: u32 = 50_000;
/// Most elements once every `use` is resolved.
const MOST_RESOLVED: u64 = 20_000;
/// Deepest nesting. The resolver recurses, so this bounds its stack.
const DEEPEST: usize = 64;
/// Largest picture in a data URI, octets of text.
const LARGEST_PICTURE: usize = 768 << 10;

const SVG: &str = "http://www.w3.org/2000/svg";
const XLINK: &str = "http://www.w3.org/1999/xlink";
const XHTML: &str = "http://www.w3.org/1999/xhtml";

/// Elements that a label may be drawn with. Gradients, patterns, masks, filters and markers may lie
/// unused in `defs`, where drawing programs leave them; using one is refused when it is resolved.
const ELEMENTS: &[&str] = &[
    "svg",
    "g",
    "defs",
    "symbol",
    "use",
    "path",
    "rect",
    "circle",
    "ellipse",
    "line",
    "polyline",
    "polygon",
    "text",
    "tspan",
    "title",
    "desc",
    "metadata",
    "style",
    "clipPath",
    "image",
    "linearGradient",
    "radialGradient",
    "stop",
    "pattern",
    "mask",
    "filter",
    "marker",
];

/// A template that holds nothing forbidden, with what was marked in it.
#[derive(Debug)]
pub struct Guarded {
    text: String,
    /// Id of the element that the symbol fills.
    pub qr: String,
    /// Widths and least sizes of texts, by id.
    pub fits: HashMap<String, Fit>,
    /// Ids to write into elements that had none: where, and what.
    insertions: Vec<(usize, String)>,
    /// Elements for one kind of product only: where, and whether for test products.
    conditional: Vec<(Range<usize>, bool)>,
}

/// How a text may shrink.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// `data-max-width`, template units.
    pub max_width: Option<f32>,
    /// `data-min-size`, mm.
    pub least_mm: Option<f32>,
}

impl Guarded {
    /// For a drawing of our own, which has no places.
    pub(super) fn without_places() -> Self {
        Self {
            text: String::new(),
            qr: String::new(),
            fits: HashMap::new(),
            insertions: Vec::new(),
            conditional: Vec::new(),
        }
    }

    /// The template's text for test products or for all others.
    pub fn variant(&self, test: bool) -> String {
        let mut cuts: Vec<(Range<usize>, &str)> =
            self.conditional.iter().filter(|(_, only_test)| *only_test != test).map(|(r, _)| (r.clone(), "")).collect();
        cuts.extend(self.insertions.iter().map(|(at, text)| (*at..*at, text.as_str())));
        cuts.sort_by_key(|(range, _)| (range.start, range.end));
        let mut out = String::with_capacity(self.text.len() + 256);
        let mut at = 0;
        for (range, text) in cuts {
            // An edit inside an element that is already cut away.
            if range.start < at {
                continue;
            }
            out.push_str(&self.text[at..range.start]);
            out.push_str(text);
            at = range.end;
        }
        out.push_str(&self.text[at..]);
        out
    }
}

/// Reads and checks a template.
///
/// # Errors
///
/// The first rule that it breaks, with the line it breaks it on.
pub fn guard(name: &str, text: &str) -> Result<Guarded, TemplateError> {
    let refuse = |what: String, advice: &str| TemplateError { name: name.into(), what, advice: advice.into() };
    if text.len() > LARGEST_FILE {
        return Err(refuse(
            format!("has {} bytes; the limit is {LARGEST_FILE}", text.len()),
            "Simplify its paths, or make its pictures smaller.",
        ));
    }
    let document = parse(text).map_err(|(what, advice)| refuse(what, advice))?;
    let mut walk = Walk::new(&document);
    walk.all().map_err(|(what, advice)| refuse(what, &advice))?;
    walk.finish(text).map_err(|(what, advice)| refuse(what, &advice))
}

/// Checks a picture that is itself SVG: the same rules, no places.
pub(super) fn guard_picture(text: &str) -> Result<(), String> {
    let document = parse(text).map_err(|(what, _)| what)?;
    let mut walk = Walk::new(&document);
    walk.picture = true;
    walk.all().map_err(|(what, _)| what)
}

type Broken = (String, String);

fn parse(text: &str) -> Result<Document<'_>, (String, &'static str)> {
    let options = roxmltree::ParsingOptions { nodes_limit: MOST_NODES, ..roxmltree::ParsingOptions::default() };
    Document::parse_with_options(text, options).map_err(|error| match error {
        roxmltree::Error::DtdDetected => {
            ("has a DOCTYPE".into(), "Delete the DOCTYPE line; SVG needs none, and entities are not read.")
        }
        roxmltree::Error::NodesLimitReached => {
            (format!("has more than {MOST_NODES} XML nodes"), "Simplify the drawing.")
        }
        other => (format!("is not well-formed XML: {other}"), "Open it in a drawing program and save it as plain SVG."),
    })
}

struct Walk<'d, 'i> {
    document: &'d Document<'i>,
    picture: bool,
    ids: HashMap<&'d str, Node<'d, 'i>>,
    qr: Vec<Node<'d, 'i>>,
    fits: Vec<(Node<'d, 'i>, Fit)>,
    conditional: Vec<(Range<usize>, bool)>,
}

impl<'d, 'i> Walk<'d, 'i> {
    fn new(document: &'d Document<'i>) -> Self {
        let (ids, qr, fits, conditional) = Default::default();
        Self { document, picture: false, ids, qr, fits, conditional }
    }

    fn line(&self, node: Node<'_, '_>) -> u32 {
        self.document.text_pos_at(node.range().start).row
    }

    fn all(&mut self) -> Result<(), Broken> {
        let document = self.document;
        let root = document.root_element();
        if root.tag_name().name() != "svg" || root.tag_name().namespace() != Some(SVG) {
            return Err((
                "is not SVG".into(),
                format!("Its root must be <svg xmlns=\"{SVG}\"> with width and height in mm."),
            ));
        }
        // Iterative, with the depth kept beside each node: nesting is bounded before anything recurses.
        let mut open = vec![(document.root(), 0)];
        while let Some((node, depth)) = open.pop() {
            if depth > DEEPEST {
                return Err((
                    format!("nests deeper than {DEEPEST} elements at line {}", self.line(node)),
                    "Ungroup the drawing.".into(),
                ));
            }
            if node.is_pi() {
                return Err((
                    format!("has a processing instruction at line {}", self.line(node)),
                    "Delete the <?…?> line; write styles into the file itself.".into(),
                ));
            }
            if node.is_element() && !self.element(node)? {
                continue;
            }
            open.extend(node.children().map(|child| (child, depth + 1)));
        }
        self.resolved()
    }

    /// Checks one element; false where its children are of no account.
    fn element(&mut self, node: Node<'d, 'i>) -> Result<bool, Broken> {
        let line = self.line(node);
        let tag = node.tag_name().name();
        let namespace = node.tag_name().namespace();
        if matches!(tag, "script" | "handler" | "listener") {
            return Err((format!("has a script at line {line}"), "Delete the script; a label only shows.".into()));
        }
        if tag == "foreignObject" || namespace == Some(XHTML) {
            return Err((format!("has foreign content (<{tag}>) at line {line}"), "Draw it with SVG elements.".into()));
        }
        self.attributes(node, line)?;
        if namespace != Some(SVG) {
            // Notes of drawing programs; nothing of them is drawn. Their children are checked all the same.
            return Ok(true);
        }
        if !ELEMENTS.contains(&tag) {
            return Err((
                format!("has <{tag}> at line {line}, which labels can't contain"),
                "Use shapes, paths, text and PNG pictures.".into(),
            ));
        }
        if tag == "style" {
            for text in node.descendants().filter(Node::is_text) {
                css(text.text().unwrap_or_default(), line)?;
            }
            return Ok(false);
        }
        if let Some(id) = node.attribute("id")
            && self.ids.insert(id, node).is_some()
        {
            return Err((
                format!("has the id \"{id}\" twice, again at line {line}"),
                "Give each element its own id.".into(),
            ));
        }
        if self.picture {
            return Ok(true);
        }
        self.marks(node, tag, line)?;
        Ok(true)
    }

    /// Places, conditions and widths.
    fn marks(&mut self, node: Node<'d, 'i>, tag: &str, line: u32) -> Result<(), Broken> {
        if let Some(condition) = node.attribute("data-if") {
            let only_test = match condition {
                "test" => true,
                "production" => false,
                other => {
                    return Err((
                        format!("has data-if=\"{other}\" at line {line}"),
                        "Write data-if=\"test\" or data-if=\"production\".".into(),
                    ));
                }
            };
            self.conditional.push((node.range(), only_test));
        }
        match node.attribute("data-place") {
            None | Some("qr") => {}
            Some(other) => {
                return Err((
                    format!("has data-place=\"{other}\" at line {line}"),
                    format!("Only the symbol's place is an element; write {{{other}}} into a text."),
                ));
            }
        }
        if node.attribute("id") == Some("qr") || node.attribute("data-place") == Some("qr") {
            if tag != "rect" {
                return Err((
                    format!("marks a <{tag}> as the qr place at line {line}"),
                    "Mark a <rect>: the symbol fills its box.".into(),
                ));
            }
            self.qr.push(node);
        }
        let number = |name: &str| -> Result<Option<f32>, Broken> {
            let Some(value) = node.attribute(name) else { return Ok(None) };
            if tag != "text" {
                return Err((format!("has {name} on a <{tag}> at line {line}"), "Put it on the <text>.".into()));
            }
            match value.trim().parse::<f32>() {
                Ok(n) if n.is_finite() && n > 0.0 => Ok(Some(n)),
                _ => Err((format!("has {name}=\"{value}\" at line {line}"), "Write a number greater than 0.".into())),
            }
        };
        let fit = Fit { max_width: number("data-max-width")?, least_mm: number("data-min-size")? };
        if fit != (Fit { max_width: None, least_mm: None }) {
            self.fits.push((node, fit));
        }
        Ok(())
    }

    fn attributes(&self, node: Node<'_, '_>, line: u32) -> Result<(), Broken> {
        for attribute in node.attributes() {
            let (name, value) = (attribute.name(), attribute.value());
            if name.len() > 2 && name.as_bytes()[..2].eq_ignore_ascii_case(b"on") {
                return Err((
                    format!("has an event handler ({name}) at line {line}"),
                    "Delete the attribute; a label only shows.".into(),
                ));
            }
            if !matches!(attribute.namespace(), None | Some(SVG | XLINK | roxmltree::NS_XML_URI)) {
                continue;
            }
            if name == "base" || name == "src" {
                return Err((format!("has the attribute {name} at line {line}"), "Delete it.".into()));
            }
            if name == "href" {
                href(node.tag_name().name(), value, line)?;
                continue;
            }
            if name.starts_with("data-") {
                continue;
            }
            css(value, line)?;
            if !self.picture && !matches!(name, "d" | "id" | "class" | "label") && holds_place(value) {
                return Err((
                    format!("has a place in the attribute {name} at line {line}"),
                    "Put places only in the text of <text> and <tspan>.".into(),
                ));
            }
        }
        Ok(())
    }

    /// Bounds what the drawing becomes once each `use` is replaced by what it names.
    fn resolved(&self) -> Result<(), Broken> {
        let mut known = HashMap::new();
        let total = self.weight(self.document.root_element(), &mut known, &mut HashSet::new())?;
        if total > MOST_RESOLVED {
            return Err((
                format!("becomes more than {MOST_RESOLVED} elements once every <use> is resolved"),
                "Simplify the drawing.".into(),
            ));
        }
        Ok(())
    }

    fn weight(
        &self,
        node: Node<'d, 'i>,
        known: &mut HashMap<NodeId, u64>,
        path: &mut HashSet<NodeId>,
    ) -> Result<u64, Broken> {
        if let Some(weight) = known.get(&node.id()) {
            return Ok(*weight);
        }
        // Depth of nesting is bounded, but references may still lead around or far down.
        if !path.insert(node.id()) || path.len() > 4 * DEEPEST {
            return Err((
                format!("refers to itself, or through too many <use>, at line {}", self.line(node)),
                "Draw the part where it is needed instead of referring to it.".into(),
            ));
        }
        let mut total: u64 = 1;
        for child in node.children().filter(Node::is_element) {
            total = total.saturating_add(self.weight(child, known, path)?);
        }
        for attribute in node.attributes() {
            let target = if attribute.name() == "href" {
                attribute.value().trim().strip_prefix('#')
            } else {
                // clip-path, mask, marker, fill: each draws what it names once more.
                attribute
                    .value()
                    .split_once("url(")
                    .and_then(|(_, rest)| rest.trim_start_matches(['\'', '"', ' ']).strip_prefix('#'))
                    .map(|rest| rest.split([')', '\'', '"']).next().unwrap_or_default())
            };
            if let Some(target) = target.and_then(|id| self.ids.get(id)) {
                total = total.saturating_add(self.weight(*target, known, path)?);
            }
        }
        path.remove(&node.id());
        known.insert(node.id(), total);
        Ok(total)
    }

    fn finish(self, text: &str) -> Result<Guarded, Broken> {
        let root = self.document.root_element();
        for side in ["width", "height"] {
            let millimetres = root.attribute(side).map(str::trim).filter(|v| v.ends_with("mm"));
            if millimetres.is_none() {
                return Err((
                    format!("does not give its {side} in millimetres"),
                    format!("Write {side}=\"…mm\" on the <svg>; the label is printed at that size."),
                ));
            }
        }
        let qr = match self.qr.as_slice() {
            [one] => *one,
            [] => {
                return Err((
                    "has no place for the QR symbol".into(),
                    "Draw a <rect> with id=\"qr\" where the symbol and its quiet zone go.".into(),
                ));
            }
            more => {
                return Err((
                    format!("has {} qr places, the second at line {}", more.len(), self.line(more[1])),
                    "Keep one.".into(),
                ));
            }
        };
        let mut insertions = Vec::new();
        let mut free = (0..).map(|n| format!("touchmark-{n}")).filter(|id| !self.ids.contains_key(id.as_str()));
        let mut id_of = |node: Node<'_, '_>| match node.attribute("id") {
            Some(id) => id.to_owned(),
            None => {
                let id = free.next().unwrap_or_default();
                // Right after the element's name: `<` and the name as written, prefix and all.
                let start = node.range().start;
                let name = text[start + 1..].find(|c: char| c.is_whitespace() || matches!(c, '/' | '>')).unwrap_or(0);
                insertions.push((start + 1 + name, format!(" id=\"{id}\"")));
                id
            }
        };
        let qr = id_of(qr);
        let fits = self.fits.iter().map(|(node, fit)| (id_of(*node), *fit)).collect();
        Ok(Guarded { text: text.to_owned(), qr, fits, insertions, conditional: self.conditional })
    }
}

/// Whether a value holds something like `{serial}`.
fn holds_place(value: &str) -> bool {
    value.split('{').skip(1).any(|rest| {
        rest.split_once('}').is_some_and(|(name, _)| !name.is_empty() && name.bytes().all(super::is_place_octet))
    })
}

fn href(tag: &str, value: &str, line: u32) -> Result<(), Broken> {
    let value = value.trim();
    if value.starts_with('#') {
        return Ok(());
    }
    let picture = value.get(..22).is_some_and(|start| start.eq_ignore_ascii_case("data:image/png;base64,"))
        || value.get(..19).is_some_and(|start| {
            start.eq_ignore_ascii_case("data:image/svg+xml;") || start.eq_ignore_ascii_case("data:image/svg+xml,")
        });
    if tag == "image" && picture {
        if value.len() > LARGEST_PICTURE {
            return Err((
                format!("has a picture of {} bytes at line {line}; the limit is {LARGEST_PICTURE}", value.len()),
                "Make the picture smaller.".into(),
            ));
        }
        return Ok(());
    }
    let shown: String = value.chars().take(40).collect();
    Err((
        format!("refers to something outside itself (\"{shown}\") at line {line}"),
        "Put what it refers to into the file; pictures as data:image/png;base64 or data:image/svg+xml.".into(),
    ))
}

/// Refuses styles that reach outside or hide what they say.
fn css(value: &str, line: u32) -> Result<(), Broken> {
    let plain = value.to_ascii_lowercase();
    let inside = "Refer to ids of the file itself only, as in url(#id).";
    if value.contains('\\') {
        return Err((
            format!("has an escape (\\) in a style at line {line}"),
            "Write the characters themselves.".into(),
        ));
    }
    if plain.contains("@import") || plain.contains("@font-face") || plain.contains("@namespace") {
        return Err((
            format!("loads a style or a font at line {line}"),
            "Labels use only the embedded fonts; write styles into the file.".into(),
        ));
    }
    if plain.contains("javascript:") || plain.contains("expression(") {
        return Err((format!("has a script in an attribute at line {line}"), "Delete it; a label only shows.".into()));
    }
    for rest in plain.split("url(").skip(1) {
        if !rest.trim_start_matches([' ', '\t', '\n', '\r', '\'', '"']).starts_with('#') {
            return Err((format!("refers to something outside itself in a style at line {line}"), inside.into()));
        }
    }
    for function in ["image(", "image-set(", "src("] {
        if plain.contains(function) {
            return Err((format!("refers to a picture in a style at line {line}"), inside.into()));
        }
    }
    Ok(())
}
