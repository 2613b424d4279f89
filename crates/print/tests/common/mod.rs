//! What the tests of labels share.
#![allow(dead_code, reason = "each test file uses a part of it")]

use print::{LabelData, LabelError, Press, Proven, Template, lay};
use zeroize::Zeroizing;

/// Worked values of the onboarding payload, common practice in the trade.
pub const QR: &str = "MT:Y.K9042C00KA0648G00";
/// The manual code of the same unit.
pub const MANUAL: &str = "34970112332";

/// A unit of the invented maker.
pub fn unit(test: bool) -> LabelData {
    LabelData {
        unit: "TV-0000382".into(),
        qr: Zeroizing::new(QR.into()),
        manual: Zeroizing::new(MANUAL.into()),
        serial: "TH26-0417-00382".into(),
        product: "Tern Vent".into(),
        vendor: "Tern & Hollow".into(),
        vid: "FFF1".into(),
        pid: "8000".into(),
        test,
        ..LabelData::default()
    }
}

/// A template of 40 by 25 mm around `inside`, with the usual places.
pub fn template_text(inside: &str) -> String {
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"40mm\" height=\"25mm\" viewBox=\"0 0 40 25\" \
         font-family=\"Atkinson Hyperlegible Next\" font-size=\"2\">\
         <rect id=\"qr\" x=\"1\" y=\"1\" width=\"15\" height=\"15\"/>\
         <text x=\"1\" y=\"24\">{{manual}}</text>{inside}</svg>"
    )
}

/// [`template_text`], read.
pub fn template(inside: &str) -> Template {
    Template::read("own.svg", &template_text(inside)).expect("the template is sound")
}

/// Lays out and proves.
pub fn label<'t>(template: &'t Template, data: &LabelData, press: &Press) -> Result<Proven<'t>, LabelError> {
    lay(template, data, press)?.prove()
}
