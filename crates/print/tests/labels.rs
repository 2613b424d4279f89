//! What one label is refused for, each rule alone.

#![cfg(test)]

mod common;

use common::{MANUAL, QR, label, template, unit};
use print::{LabelData, LabelError, Press, Template};
use zeroize::Zeroizing;

fn refusal(inside: &str, change: impl FnOnce(&mut LabelData, &mut Press)) -> LabelError {
    let template = template(inside);
    let (mut data, mut press) = (unit(false), Press::default());
    change(&mut data, &mut press);
    let error = label(&template, &data, &press).expect_err("refused");
    let words = format!("{error} {} {error:?}", error.advice());
    assert!(!words.contains(&QR[3..]) && !words.replace('-', "").contains(MANUAL), "a passcode leaks: {words}");
    error
}

#[test]
fn a_plain_label_is_proven_at_every_usual_resolution() {
    for name in ["device", "carton"] {
        let template = Template::built_in(name).unwrap();
        for dpi in [203, 300, 600] {
            let press = Press { dpi, ..Press::default() };
            let proven = label(&template, &unit(true), &press).unwrap_or_else(|e| panic!("{name}, {dpi}: {e}"));
            assert!(proven.module_mm() >= press.least_module_mm);
            let dots = proven.module_mm() / press.dot_mm();
            assert!((dots - proven.module_dots() as f32).abs() < 1e-3, "whole dots");
        }
    }
}

/// Some payloads look like a finder pattern somewhere; each of them still gets a label.
#[test]
fn no_payload_is_refused_for_what_it_looks_like() {
    let template = template("");
    let mut state = 0x2545_F491_4F6C_DD1D_u64;
    let mut character = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        char::from(b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-."[(state >> 33) as usize % 38])
    };
    for n in 0..1500 {
        let text: String = (0..19).map(|_| character()).collect();
        let data = LabelData { qr: Zeroizing::new(format!("MT:{text}")), ..unit(false) };
        let press = Press { dpi: [203, 300, 600][n % 3], ..Press::default() };
        label(&template, &data, &press).unwrap_or_else(|e| panic!("{n}: {e}"));
    }
}

#[test]
fn a_symbol_that_phones_can_not_read_is_refused() {
    // 22 characters: 33 modules with the quiet zone; 7 mm at 300 dpi hold 2 dots a module.
    let text = common::template_text("").replace("width=\"15\" height=\"15\"", "width=\"7\" height=\"7\"");
    let template = Template::read("own.svg", &text).unwrap();
    let error = label(&template, &unit(false), &Press::default()).unwrap_err();
    let LabelError::TooSmall { modules: 33, module_mm, least_mm, needed_mm, .. } = error else { panic!("{error}") };
    assert!(module_mm < least_mm && (needed_mm - 33.0 * 4.0 * 25.4 / 300.0).abs() < 1e-3, "{needed_mm}");
    // The limit is the user's to lower.
    let press = Press { least_module_mm: 0.15, ..Press::default() };
    assert_eq!(label(&template, &unit(false), &press).map(|l| l.module_dots()), Ok(2));
    // Down to two dots: with one, no limit helps.
    let press = Press { dpi: 150, least_module_mm: 0.05, ..press };
    assert!(matches!(label(&template, &unit(false), &press), Err(LabelError::TooSmall { .. })));
}

#[test]
fn a_module_is_a_whole_number_of_dots() {
    // 15 mm / 33 modules = 0.4545 mm: 3.63 dots at 203 dpi, 5.37 at 300, 10.74 at 600.
    let template = template("");
    for (dpi, dots) in [(203, 3), (300, 5), (600, 10)] {
        let press = Press { dpi, ..Press::default() };
        assert_eq!(label(&template, &unit(false), &press).unwrap().module_dots(), dots, "{dpi}");
    }
}

#[test]
fn the_quiet_zone_is_kept() {
    // At 300 dpi, 5 dots a module, the symbol and its quiet zone take 13.97 mm of the 15 in the middle.
    let touching = "<rect x=\"15.2\" y=\"5\" width=\"3\" height=\"1\"/>";
    assert!(matches!(refusal(touching, |_, _| ()), LabelError::QuietZone { x_mm, .. } if (x_mm - 15.2).abs() < 0.2));
    let beside = template("<rect x=\"15.7\" y=\"5\" width=\"3\" height=\"1\"/>");
    assert!(label(&beside, &unit(false), &Press::default()).is_ok());
    let hair = "<path d=\"M0 2H20\" stroke=\"#000\" stroke-width=\"0.05\"/>";
    assert!(matches!(refusal(hair, |_, _| ()), LabelError::QuietZone { .. }));
    // A line with values, whose length is not known before.
    let words = "<text x=\"40\" y=\"6\" text-anchor=\"end\">{product}</text>";
    let long = refusal(words, |data, _| data.product = "Tern Vent with a longer name".into());
    assert!(matches!(long, LabelError::QuietZone { .. }), "{long}");
}

#[test]
fn the_quiet_zone_is_kept_on_the_label() {
    let text = common::template_text("").replace("x=\"1\" y=\"1\" width=\"15\"", "x=\"-2\" y=\"1\" width=\"15\"");
    let template = Template::read("own.svg", &text).unwrap();
    assert_eq!(label(&template, &unit(false), &Press::default()).map(|_| ()), Err(LabelError::QuietZoneCut));
}

#[test]
fn nothing_lies_over_the_symbol() {
    let over = "<circle cx=\"8.5\" cy=\"8.5\" r=\"1\" fill=\"#fff\"/>";
    assert!(matches!(refusal(over, |_, _| ()), LabelError::Covered { .. }));
    let picture = Template::read(
        "own.svg",
        &common::template_text("").replace("<rect id", "<rect x=\"7\" y=\"7\" width=\"2\" height=\"2\"/><rect id"),
    )
    .unwrap();
    assert!(matches!(label(&picture, &unit(false), &Press::default()), Err(LabelError::Covered { .. })));
}

#[test]
fn contrast_is_enough_and_dark_is_on_light() {
    let with = |fill: &str, ground: &str| {
        let text = common::template_text("").replace(
            "<rect id=\"qr\"",
            &format!("<rect width=\"17\" height=\"17\" fill=\"{ground}\"/><rect id=\"qr\" fill=\"{fill}\""),
        );
        let template = Template::read("own.svg", &text).unwrap();
        label(&template, &unit(false), &Press::default()).map(|_| ())
    };
    for (fill, ground) in [("#000", "#fff"), ("#1b2330", "#faf7f0"), ("#00005a", "#fff"), ("#000", "#ffe000")] {
        assert_eq!(with(fill, ground), Ok(()), "{fill} on {ground}");
    }
    for (fill, ground) in [("#888", "#fff"), ("#f00", "#fff"), ("#000", "#444")] {
        assert!(matches!(with(fill, ground), Err(LabelError::Contrast { .. })), "{fill} on {ground}");
    }
    assert_eq!(with("#fff", "#000"), Err(LabelError::Inverted));
}

#[test]
fn text_stays_on_the_label_and_apart() {
    let anywhere = "<text x=\"20\" y=\"5\">{product}</text><text x=\"20\" y=\"8\">{serial}</text>";
    assert!(matches!(
        refusal(anywhere, |d, _| d.product = "A product whose name is far too long".into()),
        LabelError::Outside { by_mm, .. } if by_mm > 1.0
    ));
    let close = "<text x=\"20\" y=\"5\">{product}</text><text x=\"20\" y=\"5.5\">{serial}</text>";
    assert!(matches!(refusal(close, |_, _| ()), LabelError::Overlap { .. }));
    let still = "<text x=\"20\" y=\"5\">{product}</text><text x=\"22\" y=\"5\">Serial</text>";
    assert!(matches!(refusal(still, |_, _| ()), LabelError::Overlap { .. }));
    let bounded = "<text x=\"20\" y=\"5\" data-max-width=\"19\">{product}</text>";
    assert!(matches!(
        refusal(bounded, |d, _| d.product = "A product whose name is far, far, far too long".into()),
        LabelError::TooLong { .. }
    ));
    let shrunk = template(bounded);
    let data = LabelData { product: "A product of some length".into(), ..unit(false) };
    assert!(label(&shrunk, &data, &Press::default()).is_ok());
}

#[test]
fn a_place_without_a_value_is_named_and_so_are_the_places_there_are() {
    let place = "<text x=\"20\" y=\"5\">{serail}</text>";
    let error = refusal(place, |_, _| ());
    assert_eq!(error, LabelError::NoValue { place: "serail".into() });
    assert!(error.advice().contains("serial"), "{}", error.advice());
    let own = template(place);
    let mut data = unit(false);
    data.values.insert("serail".into(), "batch 7".into());
    assert!(label(&own, &data, &Press::default()).unwrap().svg().contains("batch 7"));
    assert_eq!(
        refusal("<text x=\"20\" y=\"5\">{serial}</text>", |d, _| d.serial.clear()),
        LabelError::NoValue { place: "serial".into() }
    );
}

#[test]
fn a_test_product_needs_a_template_that_says_so() {
    assert_eq!(refusal("", |data, _| data.test = true), LabelError::NoTestMark);
}

#[test]
fn without_a_code_or_with_one_too_long_there_is_no_label() {
    assert_eq!(refusal("", |data, _| data.qr = Zeroizing::default()), LabelError::NoCode);
    let long = refusal("", |data, _| data.qr = Zeroizing::new(format!("MT:{}", "A".repeat(3389))));
    assert!(matches!(long, LabelError::Value { .. }), "{long}");
    let large = refusal("", |data, _| data.qr = Zeroizing::new(format!("MT:{}", "A".repeat(3000))));
    assert!(matches!(large, LabelError::TooSmall { .. }), "{large}");
}

#[test]
fn a_code_that_does_not_fit_is_not_shown() {
    let template =
        Template::read("own.svg", &common::template_text("").replace("x=\"1\" y=\"24\"", "x=\"35\" y=\"24\"")).unwrap();
    let error = label(&template, &unit(false), &Press::default()).unwrap_err();
    assert!(matches!(&error, LabelError::Outside { text, .. } if text == "{manual}"), "{error}");
    let device = Template::built_in("device").unwrap();
    let shown = format!("{:?}", label(&device, &unit(true), &Press::default()));
    assert!(!shown.contains("3497") && !shown.contains(&QR[3..]), "{shown}");
}

#[test]
fn a_png_says_its_resolution() {
    let template = Template::built_in("device").unwrap();
    let file = label(&template, &unit(true), &Press { dpi: 600, ..Press::default() }).unwrap().png().unwrap();
    let reader = png::Decoder::new(std::io::Cursor::new(file)).read_info().unwrap();
    let info = reader.info();
    // 36 by 22 mm at 600 dots an inch; 600 / 0.0254 dots a metre.
    assert_eq!((info.width, info.height), (851, 520));
    let per_metre = info.pixel_dims.map(|d| (d.xppu, d.unit));
    assert_eq!(per_metre, Some((23_622, png::Unit::Meter)));
}
