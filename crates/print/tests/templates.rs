//! What a template may and may not hold: each refusal alone, beside what is accepted.

#![cfg(test)]

mod common;

use common::{QR, label, template, template_text, unit};
use print::{Press, Template};

/// Name, what stands inside the template, and what the refusal speaks of.
const REFUSED: &[(&str, &str, &str)] = &[
    ("script", "<script>alert(1)</script>", "script"),
    ("script of another namespace", "<x:script xmlns:x=\"urn:x\"/>", "script"),
    ("event handler", "<g onload=\"x()\"/>", "event handler"),
    ("event handler in capitals", "<g ONCLICK=\"x()\"/>", "event handler"),
    ("link", "<a href=\"#b\"><text>x</text></a>", "<a>"),
    (
        "picture from elsewhere",
        "<image href=\"https://example.invalid/a.png\" width=\"1\" height=\"1\"/>",
        "outside itself",
    ),
    ("picture from the disk", "<image href=\"/etc/hostname\" width=\"1\" height=\"1\"/>", "outside itself"),
    ("picture through xlink", "<image xmlns:l=\"http://www.w3.org/1999/xlink\" l:href=\"a.png\"/>", "outside itself"),
    ("use from elsewhere", "<use href=\"other.svg#a\"/>", "outside itself"),
    ("picture of another kind", "<image href=\"data:image/gif;base64,R0lGODlhAQABAAAAACw=\"/>", "outside itself"),
    ("broken picture", "<image href=\"data:image/png;base64,iVBORw0KGgo=\" width=\"1\" height=\"1\"/>", "picture"),
    (
        "script inside a picture",
        "<image width=\"1\" height=\"1\" href=\"data:image/svg+xml,%3Csvg xmlns='http://www.w3.org/2000/svg' width='1' height='1'%3E%3Cscript/%3E%3C/svg%3E\"/>",
        "SVG picture that has a script",
    ),
    ("style from elsewhere", "<style>@import 'x.css';</style>", "loads a style"),
    ("font from elsewhere", "<style>@font-face{font-family:x;src:url(#x)}</style>", "loads a style or a font"),
    ("fill from elsewhere", "<rect width=\"1\" height=\"1\" fill=\"url(x.svg#a)\"/>", "outside itself"),
    ("style attribute from elsewhere", "<rect width=\"1\" height=\"1\" style=\"fill:URL( 'x' )\"/>", "outside itself"),
    ("escape in a style", "<rect width=\"1\" height=\"1\" style=\"fill:u\\72l(x)\"/>", "escape"),
    ("foreign content", "<foreignObject width=\"9\" height=\"9\"/>", "foreign content"),
    ("page content", "<p xmlns=\"http://www.w3.org/1999/xhtml\">x</p>", "foreign content"),
    ("animation", "<animate attributeName=\"x\"/>", "<animate>"),
    ("processing instruction", "<?xml-stylesheet href=\"x.css\"?>", "processing instruction"),
    ("other base", "<g xml:base=\"https://example.invalid/\"/>", "attribute base"),
    ("second qr place", "<rect data-place=\"qr\" x=\"20\" y=\"1\" width=\"9\" height=\"9\"/>", "2 qr places"),
    ("qr as text", "<text x=\"20\" y=\"5\">{qr}</text>", "no text"),
    ("place as an element", "<rect data-place=\"serial\" width=\"1\" height=\"1\"/>", "data-place=\"serial\""),
    ("place in an attribute", "<text x=\"{serial}\" y=\"5\">x</text>", "place in the attribute x"),
    ("open brace", "<text x=\"20\" y=\"5\">{serial</text>", "without its }"),
    ("stray brace", "<text x=\"20\" y=\"5\">serial}</text>", "without its {"),
    ("place with a strange name", "<text x=\"20\" y=\"5\">{Serial No}</text>", "the place {Serial No}"),
    ("unknown font", "<text x=\"20\" y=\"5\" font-family=\"Some Grotesk\">x</text>", "\"Some Grotesk\""),
    ("slanted letters", "<text x=\"20\" y=\"5\" font-style=\"italic\">x</text>", "slanted"),
    ("stroked letters", "<text x=\"20\" y=\"5\" stroke=\"#000\">x</text>", "a stroke"),
    ("underlined letters", "<text x=\"20\" y=\"5\" text-decoration=\"underline\">x</text>", "a line under"),
    ("shifted letters", "<text x=\"20\" y=\"5\" dx=\"1\">x</text>", "dx, dy or rotate"),
    ("stretched letters", "<text x=\"20\" y=\"5\" textLength=\"9\">x</text>", "textLength"),
    ("other baseline", "<text x=\"20\" y=\"5\" dominant-baseline=\"middle\">x</text>", "moved baseline"),
    ("letters that no font has", "<text x=\"20\" y=\"5\">漢</text>", "U+6F22"),
    ("opacity", "<g opacity=\"0.5\"><rect x=\"30\" width=\"1\" height=\"1\"/></g>", "opacity"),
    ("see-through fill", "<rect x=\"30\" width=\"1\" height=\"1\" fill-opacity=\"0.5\"/>", "transparent"),
    (
        "gradient",
        "<linearGradient id=\"a\"><stop offset=\"0\"/><stop offset=\"1\" stop-color=\"#fff\"/></linearGradient><rect x=\"30\" width=\"1\" height=\"1\" fill=\"url(#a)\"/>",
        "gradient",
    ),
    ("id twice", "<g id=\"a\"/><g id=\"a\"/>", "twice"),
    ("condition of no kind", "<g data-if=\"sometimes\"/>", "data-if=\"sometimes\""),
    ("width on a group", "<g data-max-width=\"5\"/>", "data-max-width on a <g>"),
    ("width that is no number", "<text data-max-width=\"wide\" x=\"20\" y=\"5\">x</text>", "data-max-width=\"wide\""),
    (
        "place in a clip",
        "<clipPath id=\"c\"><rect width=\"9\" height=\"9\"/></clipPath><g clip-path=\"url(#c)\"><text>{serial}</text></g>",
        "clipped group",
    ),
    ("mark too small", "<text x=\"20\" y=\"5\" font-size=\"1\">{test}</text>", "capitals lower than"),
    ("mark in white on white", "<text x=\"19\" y=\"5\" fill=\"#fff\">{test}</text>", "contrast below"),
    (
        "mark that is covered",
        "<text x=\"19\" y=\"5\">{test}</text><rect x=\"18\" y=\"2\" width=\"22\" height=\"5\"/>",
        "contrast below",
    ),
    ("mark that sticks out", "<text x=\"30\" y=\"5\">{test}</text>", "extends beyond"),
    ("dashes beyond number", "<path d=\"M0 20H40\" stroke=\"#000\" stroke-dasharray=\"0.00001\"/>", "dashes shorter"),
];

#[test]
fn what_must_not_be_in_a_template_is_named_with_its_remedy() {
    for (name, inside, speaks_of) in REFUSED {
        let error = Template::read("own.svg", &template_text(inside)).expect_err(name);
        let message = error.to_string();
        assert!(message.contains(speaks_of), "{name}: {message}");
        assert!(message.starts_with("template own.svg: ") && error.advice.ends_with('.'), "{name}: {}", error.advice);
    }
}

const ACCEPTED: &[(&str, &str)] = &[
    ("places and braces", "<text x=\"20\" y=\"5\">{{ {serial} }}</text>"),
    (
        "notes of a drawing program",
        "<n:view xmlns:n=\"urn:notes\" n:zoom=\"2\"/><metadata><w:x xmlns:w=\"urn:w\"/></metadata>",
    ),
    ("styles of its own", "<style>.a{fill:#000}</style><rect class=\"a\" x=\"30\" y=\"10\" width=\"2\" height=\"2\"/>"),
    ("reuse of its own parts", "<defs><path id=\"p\" d=\"M0 0h2v2z\"/></defs><use href=\"#p\" x=\"30\" y=\"10\"/>"),
    (
        "clipped shapes",
        "<clipPath id=\"c\"><circle cx=\"32\" cy=\"12\" r=\"2\"/></clipPath><rect clip-path=\"url(#c)\" x=\"30\" y=\"10\" width=\"4\" height=\"4\"/>",
    ),
    ("unused gradients", "<defs><linearGradient id=\"g\"><stop offset=\"0\"/></linearGradient></defs>"),
    ("lines of one text", "<text x=\"20\" y=\"5\">{product}<tspan x=\"20\" y=\"8\">{serial}</tspan></text>"),
    ("generic families", "<text x=\"20\" y=\"5\" font-family=\"monospace\">{serial}</text>"),
    ("turned text", "<text transform=\"translate(38 20) rotate(-90)\">{serial}</text>"),
    (
        "an SVG picture",
        "<image x=\"30\" y=\"10\" width=\"4\" height=\"4\" href=\"data:image/svg+xml,%3Csvg xmlns='http://www.w3.org/2000/svg' width='4' height='4'%3E%3Crect width='4' height='4'/%3E%3C/svg%3E\"/>",
    ),
];

#[test]
fn what_drawing_programs_write_is_accepted() {
    for (name, inside) in ACCEPTED {
        let template = Template::read("own.svg", &template_text(inside)).unwrap_or_else(|e| panic!("{name}: {e}"));
        label(&template, &unit(false), &Press::default()).unwrap_or_else(|e| panic!("{name}: {e}"));
    }
}

/// Whole files, not parts of one.
#[test]
fn what_is_no_template_is_refused() {
    let deep = format!("{}{}", "<g>".repeat(200), "</g>".repeat(200));
    let very_deep = "<g>".repeat(200_000);
    let wide = format!("<g>{}</g>", "<g/>".repeat(60_000));
    // Each level draws the one below ten times: 10^8 shapes from 90 elements.
    let mut bomb = String::from("<defs><path id=\"u0\" d=\"M0 0h1v1z\"/>");
    for level in 1..9 {
        let uses = format!("<use href=\"#u{}\"/>", level - 1).repeat(10);
        bomb += &format!("<g id=\"u{level}\">{uses}</g>");
    }
    bomb += "</defs><use href=\"#u8\"/>";
    let circle = "<g id=\"a\"><use href=\"#b\"/></g><g id=\"b\"><use href=\"#a\"/></g>";
    let text = |inside: &str| template_text(inside);
    let rows: &[(&str, String, &str)] = &[
        ("nothing", String::new(), "not well-formed"),
        ("not XML", "a label".into(), "not well-formed"),
        ("not closed", "<svg xmlns=\"http://www.w3.org/2000/svg\">".into(), "not well-formed"),
        ("page", "<html xmlns=\"http://www.w3.org/1999/xhtml\"/>".into(), "is not SVG"),
        ("no namespace", "<svg width=\"9mm\" height=\"9mm\"/>".into(), "is not SVG"),
        ("DOCTYPE", format!("<!DOCTYPE svg [<!ENTITY a \"b\">]>{}", text("")), "DOCTYPE"),
        ("pixels", text("").replace("40mm", "40px"), "width in millimetres"),
        ("too large", text("").replace("40mm", "900mm"), "900.0 by 25.0 mm"),
        ("no qr place", text("").replace("id=\"qr\"", "id=\"q\""), "no place for the QR symbol"),
        ("no manual code", text("").replace("{manual}", "code"), "no place {manual}"),
        ("qr place as a circle", text("").replace("<rect id=\"qr\"", "<circle r=\"3\" id=\"qr\""), "marks a <circle>"),
        ("qr place with a stroke", text("").replace("id=\"qr\"", "id=\"qr\" stroke=\"#000\""), "stroke"),
        ("qr place, rounded", text("").replace("id=\"qr\"", "id=\"qr\" rx=\"2\""), "rounded"),
        ("qr place, turned", text("").replace("id=\"qr\"", "id=\"qr\" transform=\"rotate(10)\""), "turned"),
        ("qr place, hidden", text("").replace("id=\"qr\"", "id=\"qr\" display=\"none\""), "shows no qr place"),
        ("qr place for test only", text("").replace("id=\"qr\"", "id=\"qr\" data-if=\"test\""), "shows no qr place"),
        ("qr place used again", text("<use href=\"#qr\" x=\"20\"/>"), "QR"),
        ("deep", text(&deep), "deeper than 64"),
        ("very deep", text(&very_deep), "more than 50000 XML nodes"),
        ("wide", text(&wide), "more than 50000 XML nodes"),
        ("bomb", text(&bomb), "more than 20000 elements"),
        ("circle", text(circle), "refers to itself"),
        ("too many octets", text(&format!("<!--{}-->", " ".repeat(1 << 20))), "the limit is 1048576"),
    ];
    for (name, svg, speaks_of) in rows {
        if *name == "qr place used again" {
            // A copy has no id of its own: it is drawn as the plain rectangle that it is.
            Template::read("own.svg", svg).unwrap();
            continue;
        }
        let error = Template::read("own.svg", svg).map(|_| ()).expect_err(name);
        assert!(error.to_string().contains(speaks_of), "{name}: {error}");
    }
}

#[test]
fn test_products_and_others_see_their_own_parts() {
    let template = template(
        "<text data-if=\"production\" x=\"17\" y=\"5\">only {serial}</text><g data-if=\"test\"><text x=\"18\" y=\"5\">{test}</text></g>",
    );
    let press = Press::default();
    let shown = |test| label(&template, &unit(test), &press).unwrap().svg().to_owned();
    assert!(shown(true).contains("TEST – NOT FOR SALE") && !shown(true).contains("only TH26"));
    assert!(!shown(false).contains("NOT FOR SALE") && shown(false).contains("only TH26"));
}

#[test]
fn built_in_templates_carry_the_mark_and_every_usual_place() {
    for (name, _) in print::template::BUILT_IN.iter().filter(|(name, _)| *name != "multipack") {
        let template = Template::built_in(name).unwrap();
        for test in [false, true] {
            let svg = label(&template, &unit(test), &Press::default()).unwrap().svg().to_owned();
            assert_eq!(svg.contains("TEST – NOT FOR SALE"), test, "{name}");
            for words in ["3497-011-2332", "TH26-0417-00382", "Tern Vent", "Tern &amp; Hollow"] {
                assert!(svg.contains(words), "{name}: {words}");
            }
        }
    }
    assert!(Template::built_in("shoebox").is_none());
}

/// The label of a carton names its units and has no manual code, since it is no one unit's.
#[test]
fn a_multipack_has_a_symbol_for_all_its_units() {
    let template = Template::built_in("multipack").unwrap();
    let of = |payloads: usize, test| {
        let mut data = unit(test);
        data.manual = Default::default();
        data.qr = zeroize::Zeroizing::new(format!("MT:{}", vec![&QR[3..]; payloads].join("*")));
        for (name, value) in
            [("count", payloads.to_string()), ("first", "TV-000001".into()), ("last", "TV-000169".into())]
        {
            data.values.insert(name.into(), value);
        }
        data
    };
    // 169 payloads fill version 40, the largest there is (ISO/IEC 18004 table 7).
    for (payloads, test, dpi) in [(2, true, 203), (12, false, 300), (169, true, 203), (169, false, 300)] {
        let press = Press { dpi, ..Press::default() };
        let svg = label(&template, &of(payloads, test), &press)
            .unwrap_or_else(|e| panic!("{payloads}: {e}"))
            .svg()
            .to_owned();
        assert_eq!(svg.contains("TEST – NOT FOR SALE"), test);
        assert!(svg.contains(&payloads.to_string()) && svg.contains("TV-000001 – TV-000169"));
    }
    assert!(label(&template, &of(170, false), &Press::default()).is_err(), "more than a symbol holds");
    assert!(label(&template, &unit(false), &Press::default()).is_err(), "one unit is no multipack");
}
