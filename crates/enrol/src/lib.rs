//! Asking an authority online, and what another site's requests look like: the protocols, without a book.

mod address;
mod error;
pub mod est;

pub use address::{Address, Protocol};
pub use error::EnrolError;

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use standard::certificate::Certificate;
use zeroize::Zeroizing;

/// Who asks, and what the server's TLS certificate must chain to.
#[derive(Debug, Clone, Copy, Default)]
pub struct Credentials<'a> {
    /// PEM file with the roots of the server; the system's where none is given.
    pub ca: Option<&'a Path>,
    /// Name and password for HTTP Basic (RFC 7617).
    pub user: Option<(&'a str, &'a Zeroizing<String>)>,
    /// PEM files with a TLS client certificate chain and its private key.
    pub client: Option<(&'a Path, &'a Path)>,
}

/// What an authority said to one request.
#[derive(Debug, Clone)]
pub enum Said {
    /// The certificate, and others that came with it.
    Issued(Vec<Arc<Certificate>>),
    /// Its refusal, word for word.
    Refused(String),
    /// Not decided yet: the same request again, after so long.
    Later(Duration),
}
