//! What all requests share.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use base::Trouble;
use line::desk::{Desks, View};
use site::access::{Company, Doors, Gate};
use site::keys::Unlock;
use site::{Site, Who, access};
use standard::key::Signer;
use time::OffsetDateTime;
use tokio::sync::{Semaphore, broadcast, watch};

use crate::answer::Oops;
use crate::api::once::Calls;
use crate::connections::Patience;
use crate::counts::Counts;
use crate::incoming::Incoming;
use crate::routes::Table;

/// Requests of other sites that are worked at a time: the book takes them one after the other anyway.
const ENROLLING: usize = 8;

/// Changes of stations kept for a page that is slow to read them.
const KEPT: usize = 256;

/// Opens keys while the server runs: by a passphrase from a file or the environment, or a token's `pin-source`.
#[derive(Clone)]
pub struct Opener(pub Arc<dyn Unlock + Send + Sync>);

impl std::fmt::Debug for Opener {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Opener")
    }
}

/// The site and everything that runs in it; cheap to clone.
#[derive(Clone)]
pub struct App(Arc<Inner>);

/// What [`App`] points at.
pub struct Inner {
    pub site: Arc<Site>,
    pub desks: Desks,
    /// Slows down who guesses.
    pub gate: Gate,
    /// Lets programs of other sites in.
    pub doors: Doors,
    /// How many of them are at work at a time.
    pub enrolling: Semaphore,
    /// Opens keys of issuers for them.
    pub unlock: OnceLock<Opener>,
    /// Those that are open, by the issuer's name.
    pub signers: Mutex<HashMap<String, Arc<dyn Signer>>>,
    /// The company's sign-in, where the settings have one.
    pub company: Option<Arc<Company>>,
    /// What people have brought in and is looked at.
    pub incoming: Incoming,
    /// How long requests may take to come, once that is set.
    pub patience: OnceLock<Patience>,
    /// Calls of programs that are being worked.
    pub calls: Calls,
    /// Whether requests come over TLS.
    pub tls: bool,
    /// The one-time word of a site without accounts.
    pub link: Mutex<Option<String>>,
    /// Each change of a station.
    pub views: broadcast::Sender<Arc<View>>,
    /// Turns true when the server is to stop.
    pub closing: watch::Receiver<bool>,
    /// What the watch said last, and when: it is asked at most once a minute.
    pub watched: Mutex<Option<(OffsetDateTime, String)>>,
    /// Counts by state, for collectors.
    pub counts: Counts,
    /// Set once the site has all that a line needs to begin.
    pub begun: OnceLock<()>,
    /// Every route, once there is a router; the navigation is drawn from it.
    pub table: OnceLock<&'static Table>,
    pub clock: fn() -> OffsetDateTime,
}

impl std::ops::Deref for App {
    type Target = Inner;
    fn deref(&self) -> &Inner {
        &self.0
    }
}

impl App {
    /// Opens the pages of a site. Its key must have been opened, where it is wrapped.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where the book gave no answer, the site key is still closed, or the company's sign-in can't be as it
    /// is set.
    pub fn new(site: Site, tls: bool, closing: watch::Receiver<bool>) -> Result<Self, Trouble> {
        site.key(None)?;
        let company = Company::of(&site, tls)?.map(Arc::new);
        let link = if access::has_accounts(&site)? { None } else { Some(access::draw_token()?.to_string()) };
        let site = Arc::new(site);
        let (views, _) = broadcast::channel(KEPT);
        let told = views.clone();
        // Nobody may be looking; that is no failure.
        let desks = Desks::new(Arc::clone(&site), None, Box::new(move |view| drop(told.send(Arc::new(view.clone())))));
        let incoming = Incoming::default();
        let clock = OffsetDateTime::now_utc;
        Ok(Self(Arc::new(Inner {
            site,
            desks,
            gate: Gate::default(),
            doors: Doors::default(),
            enrolling: Semaphore::new(ENROLLING),
            unlock: OnceLock::new(),
            signers: Mutex::default(),
            company,
            incoming,
            calls: Calls::default(),
            patience: OnceLock::new(),
            tls,
            link: Mutex::new(link),
            views,
            closing,
            watched: Mutex::new(None),
            counts: Counts::default(),
            begun: OnceLock::new(),
            table: OnceLock::new(),
            clock,
        })))
    }

    /// The one-time word by which the first account is made, while there is none.
    pub fn link(&self) -> Option<String> {
        self.link.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Calls the rooms on a thread that may block.
    ///
    /// # Errors
    ///
    /// What the rooms say, or that the thread died.
    pub async fn work<T: Send + 'static>(
        &self,
        act: impl FnOnce(&Self) -> Result<T, Trouble> + Send + 'static,
    ) -> Result<T, Oops> {
        let app = self.clone();
        match tokio::task::spawn_blocking(move || act(&app)).await {
            Ok(done) => done.map_err(Oops::from),
            Err(_) => {
                Err(Trouble::surroundings("the work stopped in the middle", "Try again, and report this.").into())
            }
        }
    }

    /// A person, by this server's clock.
    pub fn who(&self, person: &crate::guard::Person) -> Who {
        Who { actor: person.name.clone(), clock: self.clock }
    }
}
