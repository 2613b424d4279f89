//! Numbers in SVG: short, and never in a locale's own way.

use std::fmt::Write as _;

/// Appends `value` with at most five decimals and without needless zeros.
pub fn push(out: &mut String, value: f32) {
    let value = if value.is_finite() { value } else { 0.0 };
    let start = out.len();
    // Writing to a String can't fail.
    let _ = write!(out, "{value:.5}");
    let kept = out[start..].trim_end_matches('0').trim_end_matches('.').len();
    out.truncate(start + kept);
    if matches!(&out[start..], "-0" | "-" | "") {
        out.truncate(start);
        out.push('0');
    }
}

/// [`push`] into a new string.
pub fn text(value: f32) -> String {
    let mut out = String::new();
    push(&mut out, value);
    out
}

#[cfg(test)]
mod tests {
    #[test]
    fn numbers_are_short() {
        for (value, written) in [
            (0.0, "0"),
            (-0.0, "0"),
            (1.5, "1.5"),
            (-0.000_001, "0"),
            (100.0, "100"),
            (0.339, "0.339"),
            (f32::NAN, "0"),
        ] {
            assert_eq!(super::text(value), written);
        }
    }
}
