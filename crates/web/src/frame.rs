//! What stands around every page.

use site::access::{Means, Role};
use site::clock::Zone;
use site::{checkpoint, clock};

use crate::again::Again;
use crate::app::App;
use crate::form::Html;
use crate::guard::Person;
use crate::look::escaped;
use crate::routes::{Part, Stage};

/// A word of the navigation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Link {
    pub address: &'static str,
    pub word: &'static str,
    /// `page` on the page itself, `true` on its stage, else empty: the value of `aria-current`.
    pub current: &'static str,
}

/// What the layout needs.
pub struct Frame {
    pub site: String,
    /// Who is signed in.
    pub person: Option<(String, Role)>,
    /// Whether by a password, so that it can be changed.
    pub password: bool,
    /// The word that forms carry.
    pub form: String,
    /// Which part of the site this is, for the navigation.
    pub at: &'static str,
    pub version: &'static str,
    /// What is said on every page of a book that is older than its checkpoint.
    pub older: Option<String>,
    /// A form to be given again.
    pub again: Again,
    /// Pages that the person may open from anywhere.
    parts: Vec<Part>,
    /// The site's zone, and the moment of the page.
    zone: Zone,
    now: time::OffsetDateTime,
}

impl Frame {
    /// For a person, at a part of the site.
    pub fn new(app: &App, person: Option<&Person>, at: &'static str) -> Self {
        let all = app.table.get().map_or(&[][..], |table| table.parts());
        let parts =
            person.map_or_else(Vec::new, |p| all.iter().filter(|a| a.roles.contains(&p.role)).copied().collect());
        Self {
            again: person.map(|p| p.again.clone()).unwrap_or_default(),
            parts,
            older: person.and_then(|_| app.site.book.older()).map(|older| checkpoint::words(&older)),
            site: app.site.settings.site.name.clone(),
            person: person.map(|p| (p.name.to_string(), p.role)),
            password: person.is_some_and(|p| !matches!(p.means, Some(Means::Badge | Means::Company))),
            form: person.map_or_else(String::new, |p| p.form.clone()),
            at,
            version: crate::assets::version(),
            zone: clock::zone(&app.site).unwrap_or(Zone::Fixed(time::UtcOffset::UTC)),
            now: (app.clock)(),
        }
    }

    /// For somebody who is not signed in yet.
    pub fn door(app: &App, again: Again) -> Self {
        Self { again, ..Self::new(app, None, "") }
    }

    /// A time of the book by the site's clock, short; exact, with its offset, where one points at it. What is none stays
    /// as it is.
    pub fn time(&self, text: &str) -> Html {
        let Ok(at) = time::OffsetDateTime::parse(text, &time::format_description::well_known::Rfc3339) else {
            return Html(escaped(text));
        };
        let exact = time::macros::format_description!(
            "[year]-[month]-[day] [hour]:[minute]:[second] [offset_hour sign:mandatory]:[offset_minute]"
        );
        let exact = self.zone.here(at).format(&exact).unwrap_or_default();
        let (machine, short) = (escaped(text), clock::short(self.zone, at, self.now));
        Html(format!("<time datetime=\"{machine}\" title=\"{exact}\">{short}</time>"))
    }

    /// Whether the person may change things.
    pub fn engineer(&self) -> bool {
        self.person.as_ref().is_some_and(|(_, role)| *role == Role::Engineer)
    }

    /// Whether the person works at stations, and packs what comes from them.
    pub fn packs(&self) -> bool {
        self.person.as_ref().is_some_and(|(_, role)| *role != Role::Auditor)
    }

    /// Whether the person reads what the book holds, beyond the line.
    pub fn reads(&self) -> bool {
        self.person.as_ref().is_some_and(|(_, role)| *role != Role::Operator)
    }

    /// The navigation's first row. Who sees one stage alone needs no choice of stages: its pages stand there instead.
    pub fn stages(&self) -> Vec<Link> {
        let mut seen = Stage::ALL.into_iter().filter(|s| self.parts.iter().any(|p| p.stage == *s));
        if let (Some(only), None) = (seen.next(), seen.next()) {
            return self.pages_of(only);
        }
        let first = |stage| self.parts.iter().find(|p| p.stage == stage);
        let link = |stage: Stage, first: &Part| Link {
            address: first.address,
            word: stage.word(),
            current: match () {
                () if self.stage() != Some(stage) => "",
                () if self.at == first.address && self.pages_of(stage).len() == 1 => "page",
                () => "true",
            },
        };
        Stage::ALL.into_iter().filter_map(|stage| first(stage).map(|first| link(stage, first))).collect()
    }

    /// The second row: pages of the stage at hand, where there is more than one to choose from.
    pub fn pages(&self) -> Vec<Link> {
        let several = self.parts.iter().any(|p| Some(p.stage) != self.stage());
        let pages = self.stage().filter(|_| several).map(|stage| self.pages_of(stage)).unwrap_or_default();
        if pages.len() > 1 { pages } else { Vec::new() }
    }

    /// The stage at hand, as a word.
    pub fn stage_word(&self) -> &'static str {
        self.stage().map_or("", Stage::word)
    }

    fn stage(&self) -> Option<Stage> {
        self.parts.iter().find(|p| p.address == self.at).map(|p| p.stage)
    }

    fn pages_of(&self, stage: Stage) -> Vec<Link> {
        let of = self.parts.iter().filter(|p| p.stage == stage);
        of.map(|p| Link { address: p.address, word: p.word, current: if p.address == self.at { "page" } else { "" } })
            .collect()
    }

    /// The role as a word.
    pub fn role(&self) -> &'static str {
        self.person.as_ref().map_or("", |(_, role)| role.word())
    }
}
