//! A report as HTML.

use std::fmt::Write as _;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;

use crate::fonts::{CODES, Face, WORDS};
use crate::paper::{Block, Document, Plate, Table, pieces};

/// Text made safe for HTML and SVG.
pub fn safe(text: &str) -> String {
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

/// The page's own style: colours, letters, paper.
const PAGE_STYLE: &str = "
:root{--ground:#faf7f0;--ink:#1b2330;--quiet:#4a5568;--struck:#0b655a;--broken:#a3231b;--heed:#7a4f00;--metal:#8a5a16;--line:#d8d2c4}
@media (prefers-color-scheme:dark){:root{--ground:#14181f;--ink:#e9e4d8;--quiet:#a9b2c0;--struck:#5fd0bd;--broken:#ff8f80;--heed:#e8b04a;--metal:#e8b04a;--line:#333a46}}
@media print{:root{--ground:#fff;--ink:#000;--quiet:#333;--struck:#000;--broken:#000;--heed:#000;--metal:#000;--line:#999}body{padding:0!important;font-size:11pt!important}h2{break-after:avoid}svg,tr,.plate,.numbers{break-inside:avoid}}
*{box-sizing:border-box}
body{background:var(--ground);color:var(--ink);font:16px/1.5 'Atkinson Hyperlegible Next','Atkinson Hyperlegible',system-ui,sans-serif;margin:0 auto;max-width:60rem;padding:2rem 1.25rem 4rem}
h1{font-size:1.9rem;margin:.2em 0;line-height:1.2}
footer{margin-top:3rem;border-top:1px solid var(--line);padding-top:.6rem;color:var(--quiet);font-size:.9rem;overflow-wrap:anywhere}
@media print{footer{display:none}}
";

/// The style of blocks, for pages that show a [`Document::fragment`]: it asks for the house's custom properties.
pub const BLOCK_STYLE: &str = "
h2{font-size:1.25rem;margin:2.2em 0 .5em;border-top:2px solid var(--metal);padding-top:.5em}
p{max-width:44rem}.quiet{color:var(--quiet)}code,td.n{font-family:'Atkinson Hyperlegible Mono',ui-monospace,monospace;font-size:.92em}
.test{border:2px solid var(--heed);color:var(--heed);display:inline-block;font-weight:700;padding:.1em .6em}
.numbers{display:flex;flex-wrap:wrap;gap:1rem;margin:1.2rem 0}.numbers div{border:1px solid var(--line);padding:.6rem 1rem;min-width:9rem}
.numbers b{display:block;font-size:1.9rem;line-height:1.1}
.wide{overflow-x:auto}table{border-collapse:collapse;margin:.8rem 0;font-size:.95rem}th,td{text-align:left;padding:.25rem .9rem .25rem 0;border-bottom:1px solid var(--line);vertical-align:top}td.n,th.n{text-align:right}
svg{width:100%;height:auto;display:block;margin:.6rem 0}
.columns{display:grid;grid-template-columns:repeat(auto-fit,minmax(20rem,1fr));gap:0 2rem}.columns h2{margin-top:1.2em}
.plate{border:2px solid var(--ink);padding:.7rem 1rem;max-width:44rem}.link{border-left:4px double var(--ink);height:1.6rem;margin-left:2rem}
.plate h3{margin:0;font-size:1.05rem}.plate p{margin:.3em 0;overflow-wrap:anywhere}
";

/// The house's letters, embedded: a report is read where there is no internet.
fn fonts() -> String {
    let mut css = String::new();
    for (face, weight) in [(Face::Words, 400), (Face::WordsBold, 700), (Face::Codes, 400)] {
        let family = if face == Face::Codes { CODES } else { WORDS };
        let data = STANDARD.encode(face.file());
        // Writing to a String can't fail, here and below.
        let _ = write!(
            css,
            "@font-face{{font-family:'{family}';font-weight:{weight};src:url(data:font/ttf;base64,{data}) format('truetype')}}"
        );
    }
    css
}

/// What stands at the foot of each printed page.
fn page_boxes(document: &Document) -> String {
    let escaped: String = document.foot.join("  ·  ").chars().fold(String::new(), |mut out, c| {
        match c {
            // CSS strings (CSS Syntax 3, 4.3.5); `<` could end the style element.
            '"' | '\\' | '<' | '\n' => {
                let _ = write!(out, "\\{:x} ", u32::from(c));
            }
            c if c.is_control() => {}
            c => out.push(c),
        }
        out
    });
    format!(
        "@page{{size:{};margin:16mm 16mm 18mm;@bottom-left{{content:\"{escaped}\";font:7.5pt 'Atkinson Hyperlegible Next',sans-serif;width:80%}}@bottom-right{{content:\"page \" counter(page) \" of \" counter(pages);font:7.5pt 'Atkinson Hyperlegible Next',sans-serif}}}}",
        document.size.css()
    )
}

fn inline(text: &str) -> String {
    pieces(text).fold(String::new(), |mut out, (code, piece)| {
        let piece = safe(piece);
        let _ = if code { write!(out, "<code>{piece}</code>") } else { write!(out, "{piece}") };
        out
    })
}

/// The whole page.
pub(super) fn page(document: &Document) -> String {
    let mut out = format!(
        "<!doctype html><html lang=\"en\"><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width\"><title>{}</title><style>{}{PAGE_STYLE}{BLOCK_STYLE}{}</style><body>",
        safe(&document.title),
        fonts(),
        page_boxes(document)
    );
    if !document.above.is_empty() {
        let _ = write!(out, "<p class=\"quiet\">{}</p>", inline(&document.above));
    }
    let _ = write!(out, "<h1>{}</h1>", inline(&document.title));
    if let Some(sentence) = &document.test {
        let _ = write!(out, "<p><span class=\"test\">TEST</span> {}</p>", inline(sentence));
    }
    out.push_str(&blocks(&document.blocks));
    if !document.foot.is_empty() {
        let _ = write!(out, "<footer>{}</footer>", inline(&document.foot.join(" · ")));
    }
    out.push_str("</body></html>\n");
    out
}

/// The blocks alone.
pub(super) fn blocks(blocks: &[Block]) -> String {
    let mut out = String::new();
    for block in blocks {
        let _ = match block {
            Block::Heading(text) => write!(out, "<h2>{}</h2>", inline(text)),
            Block::Words(text) => write!(out, "<p>{}</p>", inline(text)),
            Block::Quiet(text) => write!(out, "<p class=\"quiet\">{}</p>", inline(text)),
            Block::Numbers(numbers) => {
                out.push_str("<div class=\"numbers\">");
                for (number, what) in numbers {
                    let _ = write!(out, "<div><b>{}</b>{}</div>", safe(number), safe(what));
                }
                write!(out, "</div>")
            }
            Block::Table(table) => write!(out, "{}", rows(table)),
            Block::Chart(chart) => write!(out, "{}", chart.svg),
            Block::Plates(list) => write!(out, "{}", plates(list)),
            Block::Columns(left, right) => write!(
                out,
                "<div class=\"columns\"><div>{}</div><div>{}</div></div>",
                self::blocks(left),
                self::blocks(right)
            ),
        };
    }
    out
}

fn rows(table: &Table) -> String {
    let class = |column: usize| if table.is_left(column) { "" } else { " class=\"n\"" };
    let mut out = String::from("<div class=\"wide\"><table>");
    if table.has_head() {
        out.push_str("<thead><tr>");
        for (column, name) in table.head.iter().enumerate() {
            // A header cell without a word would be read out as nothing.
            if name.is_empty() {
                out.push_str("<td></td>");
                continue;
            }
            let _ = write!(out, "<th scope=\"col\"{}>{}</th>", class(column), safe(name));
        }
        out.push_str("</tr></thead>");
    }
    out.push_str("<tbody>");
    for row in &table.rows {
        out.push_str("<tr>");
        for (column, cell) in row.iter().enumerate() {
            let _ = write!(out, "<td{}>{}</td>", class(column), inline(cell));
        }
        out.push_str("</tr>");
    }
    out.push_str("</tbody></table></div>");
    out
}

fn plates(plates: &[Plate]) -> String {
    let mut out = String::new();
    for (index, plate) in plates.iter().enumerate() {
        if index > 0 {
            out.push_str("<div class=\"link\"></div>");
        }
        let codes: Vec<String> = plate.codes.iter().map(|c| safe(c)).collect();
        let _ = write!(
            out,
            "<div class=\"plate\"><h3>{}</h3><p>{}</p><p class=\"quiet\"><code>{}</code></p></div>",
            safe(&plate.title),
            inline(&plate.words),
            codes.join("<br>")
        );
    }
    out
}
