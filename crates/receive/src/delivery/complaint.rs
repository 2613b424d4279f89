//! What is wrong with a delivery, entry by entry, as a file for the authority that sent it.

use std::borrow::Cow;
use std::collections::HashMap;
use std::path::Path;

use base::files::{Pending, Readers};
use base::findings::Fault;
use base::trouble::Trouble;
use serde::{Deserialize, Serialize};
use serde_json::json;
use standard::verdict::Finding;

use super::Counts;

/// What is wrong in one way, and on which entries: many share the first five.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Way {
    rule: String,
    severity: String,
    clause: String,
    required: String,
    on: Vec<Place>,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
struct Place {
    /// Nothing where no entry came.
    entry: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    serial: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    chip_id: Option<String>,
    /// The authority whose key it is, by its key identifier in hex.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    authority: Option<String>,
    found: String,
}

/// All that is wrong, as far as it is kept.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Faults {
    ways: Vec<Way>,
    /// Further ones, which are not kept.
    left_out: usize,
}

/// What a rule is broken on.
#[derive(Debug, Default, PartialEq, Eq)]
pub(super) struct Touched {
    /// Ids of chips.
    pub(super) chips: Vec<String>,
    /// Key identifiers of authorities, in hex.
    pub(super) authorities: Vec<String>,
}

impl Faults {
    pub(super) fn new(faults: Vec<Fault>, left_out: usize) -> Self {
        let mut ways: Vec<Way> = Vec::new();
        let mut places: HashMap<(&str, &str, Cow<'static, str>), usize> = HashMap::new();
        for Fault { subject: entry, serial, chip_id, authority, finding } in faults {
            let Finding { rule, severity, required, found, .. } = finding;
            let way = (rule.name, severity.word(), required);
            let at = *places.entry(way).or_insert_with_key(|way| {
                let (rule_name, severity, required) = (way.0.into(), way.1.into(), way.2.to_string());
                ways.push(Way { rule: rule_name, severity, required, clause: rule.clause.into(), on: Vec::new() });
                ways.len() - 1
            });
            ways[at].on.push(Place { entry, serial, chip_id, authority, found });
        }
        Self { ways, left_out }
    }

    /// What a rule is broken on.
    pub(super) fn of(&self, rule: &str) -> Touched {
        let places = self.ways.iter().filter(|way| way.rule == rule).flat_map(|way| &way.on);
        let mut touched = Touched::default();
        for place in places {
            touched.chips.extend(place.chip_id.clone());
            touched.authorities.extend(place.authority.clone());
        }
        touched
    }

    pub(super) fn is_empty(&self) -> bool {
        self.ways.is_empty() && self.left_out == 0
    }
}

/// What the file says of the delivery as a whole.
#[derive(Debug)]
pub struct Complaint<'a> {
    pub(super) reel: &'a str,
    pub(super) source: &'a str,
    pub(super) certificates: Counts,
    pub(super) faults: &'a Faults,
}

/// Refuses a name that is taken: nothing is written over.
///
/// # Errors
///
/// [`Trouble`] where there is something of that name.
pub fn is_free(out: &Path) -> Result<(), Trouble> {
    if out.exists() {
        return Err(Trouble::usage(
            format!("{} exists already", out.display()),
            "Give another name for the authority's file.",
        ));
    }
    Ok(())
}

impl Complaint<'_> {
    /// Writes the file: JSON where its name ends in `.json`, else CSV. Gives how many entries it lists.
    ///
    /// # Errors
    ///
    /// [`Trouble`]; an existing file is never replaced.
    pub fn write(&self, out: &Path) -> Result<usize, Trouble> {
        is_free(out)?;
        let mut rows: Vec<(&Place, &Way)> =
            self.faults.ways.iter().flat_map(|way| way.on.iter().map(move |place| (place, way))).collect();
        // By entry; chips that none came for at the end.
        rows.sort_by_key(|(place, _)| (place.entry.is_empty(), &place.entry, &place.chip_id));
        let as_json = out.extension().is_some_and(|e| e.eq_ignore_ascii_case("json"));
        let octets = if as_json { self.json(&rows) } else { self.csv(&rows)? };
        let mut pending = Pending::default();
        pending.add(out, &octets, Readers::Usual).map_err(Trouble::of)?;
        pending.place().map_err(Trouble::of)?;
        Ok(rows.len())
    }

    fn json(&self, rows: &[(&Place, &Way)]) -> Vec<u8> {
        let entry = |(place, way): &(&Place, &Way)| {
            json!({
                "entry": place.entry, "serial": place.serial, "chip_id": place.chip_id,
                "rule": way.rule, "severity": way.severity, "clause": way.clause,
                "required": way.required, "found": place.found,
            })
        };
        let all = json!({
            "reel": self.reel,
            "source": self.source,
            "certificates": self.certificates,
            "entries": rows.iter().map(entry).collect::<Vec<_>>(),
            "left_out": self.faults.left_out,
        });
        let mut octets = format!("{all:#}").into_bytes();
        octets.push(b'\n');
        octets
    }

    fn csv(&self, rows: &[(&Place, &Way)]) -> Result<Vec<u8>, Trouble> {
        let odd =
            |e: &dyn std::fmt::Display| Trouble::surroundings(format!("the file can't be made: {e}"), "Report this.");
        let mut csv = csv::Writer::from_writer(Vec::new());
        let mut row = |cells: [&str; 8]| csv.write_record(cells.map(harmless)).map_err(|e| odd(&e));
        row(["entry", "serial", "chip_id", "rule", "severity", "clause", "required", "found"])?;
        for (place, way) in rows {
            let text = |t: &Option<String>| t.clone().unwrap_or_default();
            let (serial, chip) = (text(&place.serial), text(&place.chip_id));
            row([&place.entry, &serial, &chip, &way.rule, &way.severity, &way.clause, &way.required, &place.found])?;
        }
        if self.faults.left_out > 0 {
            row(["", "", "", "", "", "", "", &format!("and {} more, which are not listed", self.faults.left_out)])?;
        }
        csv.into_inner().map_err(|e| odd(&e))
    }
}

/// A cell that no spreadsheet takes for a formula: names of entries come from outside. Common practice, no source.
fn harmless(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("'{text}") } else { text.to_owned() }
}
