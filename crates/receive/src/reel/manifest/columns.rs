//! Which columns hold chip id and key: found by name without regard to case, blanks and punctuation.

use std::borrow::Cow;
use std::str::FromStr;

use base::trouble::Trouble;

use super::super::key_text;
use super::chip_id;

/// Names of columns that one message shows, and characters of each.
const NAMED: usize = 12;
const SHOWN: usize = 40;

/// Which columns hold what.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ColumnMap {
    /// Column of the chip id.
    pub chip_id: String,
    /// Column of the public key.
    pub public_key: String,
    /// Whether somebody named a column: then one that is written so is meant, whatever others are called.
    pub named: bool,
}

impl Default for ColumnMap {
    fn default() -> Self {
        Self { chip_id: "chip_id".into(), public_key: "public_key".into(), named: false }
    }
}

impl FromStr for ColumnMap {
    type Err = String;

    /// `chip_id=COL,public_key=COL`, either of the two left out at will.
    fn from_str(text: &str) -> Result<Self, String> {
        let mut map = Self { named: true, ..Self::default() };
        for pair in text.split(',') {
            match pair.split_once('=').map(|(name, column)| (name.trim(), column.trim())) {
                Some((_, "")) => return Err(format!("{pair:?} names no column")),
                Some(("chip_id", column)) => map.chip_id = column.into(),
                Some(("public_key", column)) => map.public_key = column.into(),
                _ => return Err(format!("{pair:?} is neither chip_id=COLUMN nor public_key=COLUMN")),
            }
        }
        if map.chip_id == map.public_key {
            return Err(format!("chip id and public key can't both be in column {:?}", map.chip_id));
        }
        Ok(map)
    }
}

/// Where a name stands among those of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Place {
    At(usize),
    Nowhere,
    Several,
}

/// A name without what people write in different ways.
fn bare(name: &str) -> String {
    name.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

impl ColumnMap {
    /// The place of a name, without regard to case, blanks and punctuation, and to what stands in brackets behind it, as a
    /// unit does. Where somebody named it, one that is nearer to what was named comes before the others.
    pub(super) fn place<'n>(&self, names: impl Iterator<Item = &'n str> + Clone, wanted: &str) -> Place {
        let of = |same: &dyn Fn(&str) -> bool| {
            let mut found = names.clone().enumerate().filter(|(_, name)| same(name)).map(|(at, _)| at);
            match (found.next(), found.next()) {
                (Some(at), None) => Some(Place::At(at)),
                (Some(_), Some(_)) => Some(Place::Several),
                (None, _) => None,
            }
        };
        let bare_wanted = bare(wanted);
        let before_bracket = |name: &str| bare(name.split(['(', '[']).next().unwrap_or_default());
        let as_written = if self.named { of(&|name| name == wanted) } else { None };
        let alike = |name: &str| bare(name) == bare_wanted || before_bracket(name) == bare_wanted;
        as_written
            .or_else(|| of(&|name| self.named && !bare_wanted.is_empty() && bare(name) == bare_wanted))
            .or_else(|| of(&|name| !bare_wanted.is_empty() && alike(name)))
            .unwrap_or(Place::Nowhere)
    }
}

/// A cell as it was meant: a spreadsheet's `="…"`, and its apostrophe before a text, taken off.
pub(in crate::reel) fn cell(text: &str) -> Cow<'_, str> {
    let text = text.trim();
    match text.strip_prefix("=\"").and_then(|rest| rest.strip_suffix('"')) {
        Some(inner) if inner.contains("\"\"") => Cow::Owned(inner.replace("\"\"", "\"")),
        Some(inner) => Cow::Borrowed(inner.trim()),
        None => Cow::Borrowed(text.strip_prefix('\'').unwrap_or(text)),
    }
}

/// The columns of a file, where the two wanted are not among them: wrong usage, with what would be right where that
/// shows in the first row.
#[derive(Debug, Default)]
pub(in crate::reel) struct Unmatched {
    pub(super) names: Vec<String>,
    /// The cells of the first row below the names.
    pub(super) first: Vec<String>,
}

impl Unmatched {
    pub(super) fn trouble(&self, file: &str, map: &ColumnMap) -> Trouble {
        let names = || self.names.iter().map(String::as_str);
        let missing = |wanted: &str| match map.place(names(), wanted) {
            Place::At(_) => None,
            Place::Nowhere => Some(format!("no column {wanted:?}")),
            Place::Several => Some(format!("more than one column {wanted:?}")),
        };
        let (id, key) = (missing(&map.chip_id), missing(&map.public_key));
        let field = if id.is_some() { "chip_id" } else { "public_key" };
        let lacks: Vec<String> = [id, key].into_iter().flatten().collect();
        if names().any(is_key) {
            return Trouble::usage(
                format!("{file} has no line that names its columns: the first line is a chip already"),
                "Add a first line with the names, such as chip_id,public_key. Nothing was stored.",
            );
        }
        let mut shown: Vec<String> =
            names().take(NAMED).map(|n| format!("{:?}", n.chars().take(SHOWN).collect::<String>())).collect();
        if self.names.len() > NAMED {
            shown.push(format!("{} more", self.names.len() - NAMED));
        }
        let there =
            if shown.is_empty() { "it has none".into() } else { format!("its columns are {}", shown.join(", ")) };
        let message = format!("{file} has {}; {there}", lacks.join(" and "));
        let several =
            [&map.chip_id, &map.public_key].into_iter().find(|wanted| map.place(names(), wanted) == Place::Several);
        let advice = match self.guess() {
            _ if several.is_some_and(|wanted| names().filter(|name| *name == wanted.as_str()).count() == 1) => format!(
                "If the one written {:?} is right, name both columns (--map chip_id=COLUMN,public_key=COLUMN).",
                several.map_or("", String::as_str)
            ),
            _ if several.is_some() => format!(
                "Rename columns in a copy of the file, so that one alone is called {:?}, and receive the copy.",
                several.map_or("", String::as_str)
            ),
            Some((id, key)) => format!(
                "The first row suggests chip_id={id},public_key={key}: if that is right, name these columns (--map)."
            ),
            None => "Name the columns of chip id and public key (--map chip_id=COLUMN,public_key=COLUMN).".into(),
        };
        Trouble::usage(message, advice + " Nothing was stored.").about(field)
    }

    /// Which columns look like what is wanted.
    fn guess(&self) -> Option<(&str, &str)> {
        let plain = |name: &&String| !name.is_empty() && !name.contains([',', '=']);
        let column = |test: &dyn Fn(&str) -> bool| {
            self.names.iter().filter(plain).zip(&self.first).find(|(_, text)| test(text)).map(|(name, _)| name.as_str())
        };
        let key = column(&is_key)?;
        let id = column(&|text| !is_key(text) && chip_id(text).is_ok_and(|id| id.len() >= 8))?;
        Some((id, key))
    }
}

/// Whether a text is a public key as manifests write them.
pub(super) fn is_key(text: &str) -> bool {
    text.len() >= 44 && key_text::read(text).is_ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_found_however_they_are_written() {
        let found = |names: &[&str], wanted| ColumnMap::default().place(names.iter().copied(), wanted);
        for name in ["chip_id", "Chip ID", "chip-id", "CHIP_ID", "ChipId", " Chip.Id ", "Chip ID (hex)", "Chip\nID"] {
            assert_eq!(found(&["lot", name, "public_key"], "chip_id"), Place::At(1), "{name}");
        }
        assert_eq!(found(&["Schl\u{fc}ssel"], "SCHL\u{dc}SSEL"), Place::At(0));
        assert_eq!(found(&["chip", "id", "chipids"], "chip_id"), Place::Nowhere);
        assert_eq!(found(&["", "-"], "--"), Place::Nowhere);
        // Two of one meaning are not chosen from, but where somebody named one of them as it is written.
        assert_eq!(found(&["Chip ID", "chip_id"], "chip_id"), Place::Several);
        let named = ColumnMap { named: true, ..ColumnMap::default() };
        assert_eq!(named.place(["Chip ID", "chip_id"].into_iter(), "chip_id"), Place::At(1));
        assert_eq!(found(&["Chip ID", "chip-id"], "chip_id"), Place::Several);
        assert_eq!(found(&["chip_id", "chip_id"], "chip_id"), Place::Several);
    }

    #[test]
    fn what_a_spreadsheet_puts_around_a_text_is_taken_off() {
        for (written, meant) in [
            ("=\"0514\"", "0514"),
            (" =\"a\"\"b\" ", "a\"b"),
            ("'0514", "0514"),
            ("0514", "0514"),
            ("=\"", "=\""),
            ("", ""),
        ] {
            assert_eq!(cell(written), meant, "{written}");
        }
    }
}
