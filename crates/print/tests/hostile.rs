//! Values from anywhere never break a label: it is refused, or it is sound SVG
//! that says exactly the values and holds nothing else of theirs.

#![cfg(test)]

mod common;

use common::{label, template, unit};
use print::{LabelData, Press};
use proptest::prelude::*;

const EVIL: &[&str] = &[
    "<script>alert(1)</script>",
    "]]>",
    "\"/><svg onload=\"x()\"",
    "' onload='x()",
    "&lt;&#x41;&entity;",
    "{manual}",
    "{{serial}}",
    "<!--",
    "-->",
    "<?xml?>",
    "\u{0}",
    "\u{8}\u{1b}[2J",
    "\u{85}\u{2028}",
    "\u{202E}evil",
    "\u{FFFE}",
    "\u{FEFF}",
    "e\u{301}\u{301}\u{301}",
    "漢字",
    "😀",
    "",
    " ",
    "\t\r\n",
];

fn check(product: &str, serial: &str, own: &str) -> Result<(), TestCaseError> {
    let template = template(
        "<text x=\"18\" y=\"5\" data-max-width=\"21\" data-min-size=\"0.05\">{product}</text>\
         <text x=\"18\" y=\"9\" data-max-width=\"21\" data-min-size=\"0.05\">{serial}</text>\
         <text x=\"18\" y=\"13\" data-max-width=\"21\" data-min-size=\"0.05\">{own}</text>",
    );
    let mut data = LabelData { product: product.into(), serial: serial.into(), ..unit(false) };
    data.values.insert("own".into(), own.into());
    let Ok(proven) = label(&template, &data, &Press::default()) else { return Ok(()) };
    let svg = roxmltree::Document::parse(proven.svg()).map_err(|e| TestCaseError::fail(e.to_string()))?;
    let mut said = Vec::new();
    for node in svg.descendants().filter(roxmltree::Node::is_element) {
        let tag = node.tag_name().name();
        prop_assert!(matches!(tag, "svg" | "g" | "path"), "{}", tag);
        for attribute in node.attributes() {
            let known = [
                "width",
                "height",
                "viewBox",
                "role",
                "aria-label",
                "transform",
                "fill",
                "d",
                "id",
                "fill-rule",
                "shape-rendering",
            ];
            prop_assert!(known.contains(&attribute.name()), "{}", attribute.name());
            if attribute.name() == "aria-label" {
                said.push(attribute.value());
            }
        }
    }
    for value in [product, serial, own] {
        let inked = value.chars().any(|c| !c.is_whitespace());
        prop_assert!(!inked || said.contains(&value), "{:?} in {:?}", value, said);
    }
    Ok(())
}

#[test]
fn known_evils_never_break_a_label() {
    for evil in EVIL {
        for value in [(*evil).to_owned(), format!("a{evil}b"), evil.repeat(20), evil.repeat(5000)] {
            check(&value, "TH26-0417-00382", "x").unwrap();
            check("Tern Vent", "1", &value).unwrap();
        }
    }
    check("Tern Vent", &"S".repeat(10_000), "x").unwrap();
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn no_text_breaks_a_label(product in any::<String>(), serial in "[ -~]{0,60}", own in "[\\PC]{0,40}") {
        check(&product, &serial, &own)?;
    }

    #[test]
    fn no_file_breaks_the_reader_of_templates(
        parts in proptest::collection::vec(prop_oneof![
            Just("<g>"), Just("</g>"), Just("<text x='1' y='1'>"), Just("</text>"), Just("{serial}"), Just("{"), Just("<use href='#qr'/>"),
            Just("<rect id='a' width='3' height='NaN'/>"), Just("<path d='M0 0L1e38 1e38z' stroke='red'/>"), Just("<svg viewBox='0 0 0 0'>"),
            Just("</svg>"), Just("<style>*{fill:red}</style>"), Just("<clipPath id='c'><path d='M0 0h9v9z'/></clipPath>"),
            Just("<g clip-path='url(#c)'>"), Just("<g transform='scale(0)'>"), Just("<g transform='scale(1e30)'>"), Just("&amp;"),
            Just("<text font-size='1e9'>x</text>"), Just("<text font-size='-1' x='1' y='1'>{product}</text>"), Just("<tspan x='2' y='9'>"), Just("</tspan>"),
        ], 0..24),
    ) {
        let inside = parts.concat();
        if let Ok(template) = print::Template::read("own.svg", &common::template_text(&inside)) {
            // Refused or made, never a panic.
            let _ = label(&template, &unit(false), &Press::default());
        }
    }
}
