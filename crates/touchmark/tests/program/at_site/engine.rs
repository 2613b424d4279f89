//! Which database keeps the book: the same tests run on each.

use std::path::Path;
use std::sync::atomic::{AtomicU32, Ordering};

#[allow(dead_code, clippy::print_stderr, reason = "shared with the book's contract; a skipped test must say so")]
#[path = "../../../../book/tests/contract/server.rs"]
pub mod server;

use server::Server;

/// A kind of book, with the server that it needs.
pub struct Engine {
    /// The server; none for a file.
    pub server: Option<Server>,
    made: AtomicU32,
}

impl Engine {
    /// A file in the site.
    pub fn sqlite() -> Option<Self> {
        Some(Self { server: None, made: AtomicU32::new(0) })
    }

    /// A server of this test alone; `None`, with a notice, where PostgreSQL is not installed.
    pub fn postgresql() -> Option<Self> {
        Some(Self { server: Some(Server::start()?), made: AtomicU32::new(0) })
    }

    /// The same, its data on a small disk.
    pub fn postgresql_on_small_disk(disk: &Path) -> Option<Self> {
        Some(Self { server: Some(Server::start_on_small_disk(disk)?), made: AtomicU32::new(0) })
    }

    /// The same, reached over TLS.
    #[allow(dead_code, reason = "most tests take the socket")]
    pub fn postgresql_over_tls() -> Option<Self> {
        Some(Self { server: Some(Server::start_over_tls()?), made: AtomicU32::new(0) })
    }

    /// Its name, for messages.
    pub fn name(&self) -> &'static str {
        if self.server.is_some() { "PostgreSQL" } else { "SQLite" }
    }

    /// Where a new, empty book goes, as `site new --book` takes it.
    pub fn place(&self) -> String {
        let number = self.made.fetch_add(1, Ordering::Relaxed);
        match &self.server {
            None => "sqlite:book.sqlite".into(),
            Some(server) => {
                let name = format!("book{number}");
                server.database(&name);
                server.book_url(&name)
            }
        }
    }
}

/// Makes a test of each function for each engine: `on_both_engines! { fn_a, fn_b }`.
#[allow(unused_macros, reason = "not every file of tests uses a book of its own choice")]
macro_rules! on_both_engines {
    ($($name:ident),* $(,)?) => {
        mod sqlite {
            $(#[test]
            fn $name() {
                crate::at_site::engine::Engine::sqlite().iter().for_each(super::$name);
            })*
        }
        mod postgresql {
            $(#[test]
            fn $name() {
                crate::at_site::engine::Engine::postgresql().iter().for_each(super::$name);
            })*
        }
    };
}
