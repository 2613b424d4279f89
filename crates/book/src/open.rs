//! Making a book, opening one, and bringing an older one up to date.

use std::path::PathBuf;
use std::sync::{Mutex, OnceLock};

use time::OffsetDateTime;

use crate::backup::save_before_upgrade;
use crate::by::{By, micros, moment};
use crate::engine::{Connection, Mode, params};
use crate::error::BookError;
use crate::ids::SiteId;
use crate::known::Known;
use crate::log::{Draft, Subject, rows};
use crate::schema::{self, Found, MIGRATIONS, Migration};
use crate::transaction::Tx;
use crate::{Book, Location};

/// The site that a book is of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Site {
    /// Made once, for as long as the site lives.
    pub site_id: SiteId,
    /// What people call it.
    pub name: String,
    /// When the book was begun.
    pub created: OffsetDateTime,
}

/// How a book is opened.
#[derive(Debug, Clone)]
pub struct OpenOptions {
    /// Where a book on a server is saved before an upgrade; one in a file is
    pub backups: PathBuf,
    /// The site that the book must be of, where it is known.
    pub site: Option<SiteId>,
    /// Now: the time noted with an upgrade.
    pub at: OffsetDateTime,
}

impl Book {
    /// Makes the book of a new site: the schema, the site's row and the log's first entry.
    ///
    /// # Errors
    ///
    /// [`BookError::Exists`] or [`BookError::NotOurs`] where something is there
    /// already; a failure on the way leaves nothing that counts as a book.
    pub fn create(location: &Location, site_id: &SiteId, name: &str, by: &By) -> Result<Self, BookError> {
        Self::create_with(location, site_id, name, by, MIGRATIONS)
    }

    pub(crate) fn create_with(
        location: &Location,
        site_id: &SiteId,
        name: &str,
        by: &By,
        migrations: &[Migration],
    ) -> Result<Self, BookError> {
        let mut c = location.connect(true)?;
        transact(&mut c, |c| {
            lay_empty(c, location, migrations, by.micros())?;
            let mut tx = Tx::new(c);
            tx.run("INSERT INTO log_head (one, size, peaks) VALUES (1, 0, $1)", params![&[0u8; 0][..]])?;
            let sequence = tx.next_sequence()?;
            tx.change_one(
                &rows::SITE,
                "INSERT INTO site (one, site_id, name, created, entry) VALUES (1, $1, $2, $3, $4)",
                params![site_id.as_str(), name, by.micros(), sequence],
            )?;
            let body = serde_json::json!({ "site": site_id, "name": name });
            tx.append(Draft::new("site.new", Subject::Site, body), by).map(drop)
        })?;
        Self::opened(location.clone(), c)
    }

    /// Opens a book. One of an older version is saved, then upgraded.
    ///
    /// # Errors
    ///
    /// [`BookError::Missing`], [`BookError::NotOurs`], [`BookError::Newer`] say
    /// what is there instead; [`BookError::NoBackup`] leaves an older book as it is.
    pub fn open(location: &Location, options: &OpenOptions) -> Result<Self, BookError> {
        Self::open_with(location, options, MIGRATIONS)
    }

    pub(crate) fn open_with(
        location: &Location,
        options: &OpenOptions,
        migrations: &[Migration],
    ) -> Result<Self, BookError> {
        let known = migrations.last().map_or(0, |m| m.version);
        let mut c = location.connect(false)?;
        let found = version(&mut c, location, known)?;
        if found < known && c.is_read_only()? {
            return Err(BookError::Unsettled {
                place: location.to_string(),
                why: format!(
                    "it has version {found}, and this program reads version {known}; it must be upgraded first"
                ),
            });
        }
        if found < known {
            save_before_upgrade(location, &mut c, migrations, found, known, &options.backups)
                .map_err(|source| BookError::NoBackup { version: known, source: Box::new(source) })?;
            transact(&mut c, |c| {
                lock_for_upgrade(c)?;
                // Another process may have upgraded it while this one saved it.
                let found = version(c, location, known)?;
                schema::migrate(c, migrations, found, micros(options.at))
            })?;
        }
        let book = Self::opened(location.clone(), c)?;
        match &options.site {
            Some(site) if *site != book.site.site_id => Err(BookError::NotOurs {
                place: location.to_string(),
                why: format!("it is the book of site {}, not of site {site}", book.site.site_id),
            }),
            _ => Ok(book),
        }
    }

    pub(crate) fn opened(location: Location, mut c: Connection) -> Result<Self, BookError> {
        let site = c
            .one("SELECT site_id, name, created FROM site", &[])?
            .ok_or_else(|| BookError::damaged("the book names no site"))?;
        let site = Site { site_id: SiteId::kept(site.text(0)?), name: site.text(1)?, created: moment(site.int(2)?)? };
        let book = Self {
            location,
            site,
            pool: Mutex::new(Vec::new()),
            gate: Mutex::new(()),
            known: Known::default(),
            guard: OnceLock::new(),
            seals: OnceLock::new(),
            tell_wait: OnceLock::new(),
        };
        book.give_back(c);
        Ok(book)
    }

    /// The site that the book is of.
    pub fn site(&self) -> &Site {
        &self.site
    }

    /// Where the book lies.
    pub fn location(&self) -> &Location {
        &self.location
    }
}

/// The version of the book at a place, refused where there is no usable one.
fn version(c: &mut Connection, location: &Location, known: i64) -> Result<i64, BookError> {
    let place = location.to_string();
    match schema::look(c)? {
        Found::Empty => Err(BookError::Missing { place }),
        Found::Other(why) => Err(BookError::NotOurs { place, why }),
        Found::Book(found) if found > known => Err(BookError::Newer { place, found, known }),
        Found::Book(found) => Ok(found),
    }
}

/// Lays the empty tables where nothing is. Inside a transaction.
pub(crate) fn lay_empty(
    c: &mut Connection,
    location: &Location,
    migrations: &[Migration],
    at: i64,
) -> Result<(), BookError> {
    lock_for_upgrade(c)?;
    let place = location.to_string();
    match schema::look(c)? {
        Found::Empty => {}
        Found::Book(_) => return Err(BookError::Exists { place }),
        Found::Other(why) => return Err(BookError::NotOurs { place, why }),
    }
    schema::lay(c)?;
    schema::migrate(c, migrations, 0, at)
}

/// Two processes must not lay or upgrade the same schema at once. On SQLite the
/// transaction itself sees to that.
fn lock_for_upgrade(c: &mut Connection) -> Result<(), BookError> {
    if c.is_sqlite() {
        return Ok(());
    }
    c.one(&format!("SELECT 1 FROM (SELECT pg_advisory_xact_lock({})) l", schema::APPLICATION_ID), &[]).map(drop)
}

/// Runs `act` in a transaction on a connection that is in no pool yet.
pub(crate) fn transact<T>(
    c: &mut Connection,
    act: impl FnOnce(&mut Connection) -> Result<T, BookError>,
) -> Result<T, BookError> {
    c.begin(Mode::Bulk)?;
    match act(c) {
        Ok(value) => {
            c.commit()?;
            Ok(value)
        }
        Err(error) => {
            // The first error is the one to tell; a lost connection rolls back by itself.
            c.rollback().unwrap_or_default();
            Err(error)
        }
    }
}
