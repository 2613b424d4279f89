//! Units as a form chooses them: by name, a reel, a period, or all.

use base::Trouble;
use base::trouble::About as _;
use line::carton::{PackKind, PackName, PackedIn};
use line::chosen::Which;
use serde::Deserialize;
use site::clock::Zone;
use time::OffsetDateTime;

use super::given;
use super::report::moment;

/// The fields of a form that choose units.
#[derive(Debug, Clone, Default, Deserialize)]
pub struct Choice {
    /// Serial numbers, with blanks, commas or line ends between them.
    #[serde(default)]
    pub units: String,
    #[serde(default)]
    pub reel: String,
    /// Attempts that ended from then on.
    #[serde(default)]
    pub from: String,
    /// Attempts that ended before then.
    #[serde(default)]
    pub to: String,
    /// A carton.
    #[serde(default)]
    pub in_carton: String,
    /// A shipment.
    #[serde(default)]
    pub in_shipment: String,
    /// All of the site.
    pub all: Option<String>,
}

/// Units that are chosen.
#[derive(Debug, Clone)]
pub enum Chosen {
    /// These.
    Units(Vec<String>),
    /// Those of a reel.
    Reel(String),
    /// Those with an attempt that ended in this time.
    Period(Option<OffsetDateTime>, Option<OffsetDateTime>),
    /// Those in a carton or a shipment.
    Packed(PackedIn),
    /// All.
    All,
}

impl Choice {
    /// The units that are chosen.
    ///
    /// - `zone`: whose days count.
    ///
    /// # Errors
    ///
    /// Where none are, or in more than one way.
    pub fn read(&self, zone: Zone) -> Result<Chosen, Trouble> {
        let named = self.units.split([',', ';', '\n', '\r', '\t', ' ']).filter_map(given).map(str::to_owned);
        let named: Vec<String> = named.collect();
        let (from, to) = (moment(&self.from, "from", zone)?, moment(&self.to, "to", zone)?);
        let mut ways = Vec::new();
        if !named.is_empty() {
            ways.push(("units", Chosen::Units(named)));
        }
        if let Some(reel) = given(&self.reel) {
            ways.push(("reel", Chosen::Reel(reel.to_owned())));
        }
        if from.is_some() || to.is_some() {
            ways.push(("from", Chosen::Period(from, to)));
        }
        for (field, kind, name) in
            [("in_carton", PackKind::Carton, &self.in_carton), ("in_shipment", PackKind::Shipment, &self.in_shipment)]
        {
            if let Some(name) = given(name) {
                ways.push((field, Chosen::Packed(PackedIn { kind, name: PackName::new(name).about(field)? })));
            }
        }
        if self.all.is_some() {
            ways.push(("all", Chosen::All));
        }
        match (ways.pop(), ways.pop()) {
            (Some((_, Chosen::Period(Some(from), Some(to)))), None) if from >= to => {
                Err(Trouble::usage("the period ends before it begins", "Give a beginning before the end.").about("to"))
            }
            (Some((_, one)), None) => Ok(one),
            (Some(_), Some((field, _))) => Err(Trouble::usage(
                "units are chosen in more than one way",
                "Give serial numbers, or a reel, or a period, or tick all of them.",
            )
            .about(field)),
            (None, _) => Err(Trouble::usage(
                "no unit was chosen",
                "Give serial numbers, or a reel, or a period, or tick all of them.",
            )
            .about("units")),
        }
    }
}

impl Chosen {
    /// As the rooms have it.
    pub fn which(&self) -> Which<'_> {
        match self {
            Self::Units(units) => Which::Units(units),
            Self::Reel(reel) => Which::Reel(reel),
            Self::Period(from, to) => Which::Period(*from, *to),
            Self::Packed(packed) => Which::Packed(packed),
            Self::All => Which::All,
        }
    }

    /// A part of a file's name.
    pub fn short(&self) -> String {
        let text = match self {
            Self::Units(units) if units.len() == 1 => units.concat(),
            Self::Units(_) => "units".into(),
            Self::Reel(reel) => format!("reel-{reel}"),
            Self::Period(..) => "period".into(),
            Self::Packed(packed) => format!("{}-{}", packed.kind, packed.name),
            Self::All => "all".into(),
        };
        text.chars().filter(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '_')).take(60).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_way_of_choosing_and_no_other() {
        let read = |choice: Choice| choice.read(Zone::Fixed(time::UtcOffset::UTC)).map(|c| c.which().words());
        let of = |units: &str, reel: &str, from: &str, to: &str| Choice {
            units: units.into(),
            reel: reel.into(),
            from: from.into(),
            to: to.into(),
            ..Choice::default()
        };
        assert_eq!(read(of(" TV-1,\r\nTV-2\tTV-3;", "", "", "")).unwrap_or_default(), "3 units by name");
        assert_eq!(read(of("TV-1", "", "", "")).unwrap_or_default(), "unit TV-1");
        assert_eq!(read(of("", " A ", "", "")).unwrap_or_default(), "reel A");
        assert_eq!(
            read(of("", "", "2026-03-02", "")).unwrap_or_default(),
            "units with attempts from 2026-03-02T00:00:00Z to now"
        );
        assert_eq!(
            read(Choice { all: Some("on".into()), ..Choice::default() }).unwrap_or_default(),
            "all units of the site"
        );
        for (choice, field) in [
            (Choice::default(), "units"),
            (of("TV-1", "A", "", ""), "units"),
            (of("", "A", "2026-03-02", ""), "reel"),
            (of("", "", "2026-03-02", "2026-03-01"), "to"),
            (of("", "", "soon", ""), "from"),
            (Choice { all: Some("on".into()), ..of("", "", "", "2026-03-02") }, "from"),
        ] {
            let refused = read(choice.clone()).expect_err("is refused");
            assert_eq!(refused.input(), Some(field), "{choice:?}");
        }
        assert_eq!(Chosen::Reel("A/../b c".into()).short(), "reel-Abc");
    }
}
