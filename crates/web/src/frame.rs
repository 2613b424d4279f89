//! What stands around every page.

use works::access::{Means, Role};

use crate::app::App;
use crate::guard::Person;

/// What the layout needs.
pub struct Frame {
    /// The site's name.
    pub site: String,
    /// Who is signed in.
    pub person: Option<(String, Role)>,
    /// Whether by a password, so that it can be changed.
    pub password: bool,
    /// The word that forms carry.
    pub form: String,
    /// Which part of the site this is, for the navigation.
    pub at: &'static str,
    /// The assets' version.
    pub version: &'static str,
    /// The site's distance from UTC.
    offset: time::UtcOffset,
}

impl Frame {
    /// For a person, at a part of the site.
    pub fn new(app: &App, person: Option<&Person>, at: &'static str) -> Self {
        Self {
            site: app.site.settings.site.name.clone(),
            person: person.map(|p| (p.name.to_string(), p.role)),
            password: person.is_some_and(|p| p.means != Some(Means::Badge)),
            form: person.map_or_else(String::new, |p| p.form.clone()),
            at,
            version: crate::assets::version(),
            offset: works::floor::offset(&app.site).unwrap_or(time::UtcOffset::UTC),
        }
    }

    /// A time of the book by the site's clock, with its offset; what is none stays as it is.
    pub fn time(&self, text: &str) -> String {
        use time::format_description::well_known::Rfc3339;
        let format = time::macros::format_description!(
            "[year]-[month]-[day] [hour]:[minute]:[second] [offset_hour sign:mandatory]:[offset_minute]"
        );
        let read = time::OffsetDateTime::parse(text, &Rfc3339).ok();
        read.and_then(|at| at.to_offset(self.offset).format(&format).ok()).unwrap_or_else(|| text.to_owned())
    }

    /// Whether the person may change things.
    pub fn engineer(&self) -> bool {
        self.person.as_ref().is_some_and(|(_, role)| *role == Role::Engineer)
    }

    /// Parts of the site that the person may see: address, word.
    pub fn parts(&self) -> &'static [(&'static str, &'static str)] {
        match self.person.as_ref().map(|(_, role)| *role) {
            None => &[],
            Some(Role::Operator) => &[("/stations", "Stations"), ("/line", "Line")],
            Some(Role::Engineer | Role::Auditor) => &[
                ("/line", "Line"),
                ("/stations", "Stations"),
                ("/reels", "Reels"),
                ("/deliveries", "Deliveries"),
                ("/units", "Units"),
                ("/report", "Report"),
                ("/impact", "Impact"),
                ("/revocation", "Revocation"),
                ("/plan", "Plan"),
                ("/fit", "Fit"),
                ("/examine", "Examine"),
                ("/products", "Products"),
                ("/authorities", "Authorities"),
                ("/declarations", "Declarations"),
                ("/people", "People"),
                ("/log", "Log"),
            ],
        }
    }

    /// The role as a word.
    pub fn role(&self) -> &'static str {
        self.person.as_ref().map_or("", |(_, role)| role.word())
    }
}
