//! Paper and grid as people type them.

use std::str::FromStr;

use print::sheet::Paper;

/// Paper: `a4`, `letter`, `roll`, or width and height in millimetres, as `100x150`.
///
/// # Errors
///
/// What is wanted instead.
pub fn paper(text: &str) -> Result<Paper, String> {
    match text.to_ascii_lowercase().as_str() {
        "a4" => Ok(Paper::A4),
        "letter" => Ok(Paper::Letter),
        "roll" => Ok(Paper::Roll),
        size => pair(size, 'x')
            .map(|(w, h)| Paper::Sheet(w, h))
            .ok_or_else(|| "a4, letter, roll, or a size such as 100x150".into()),
    }
}

/// Rows and columns, as `11x5`.
///
/// # Errors
///
/// What is wanted instead.
pub fn cells(text: &str) -> Result<(u32, u32), String> {
    pair(&text.to_ascii_lowercase(), 'x').ok_or_else(|| "rows and columns, such as 11x5".into())
}

/// Two lengths in millimetres, as `8,12`.
///
/// # Errors
///
/// What is wanted instead.
pub fn lengths(text: &str) -> Result<(f32, f32), String> {
    pair(text, ',').ok_or_else(|| "two lengths in mm, such as 8,12".into())
}

fn pair<T: FromStr>(text: &str, between: char) -> Option<(T, T)> {
    let (a, b) = text.split_once(between)?;
    Some((a.trim().parse().ok()?, b.trim().parse().ok()?))
}
