//! The one client for servers outside: witnesses of the log, the company's sign-in. Nothing waits longer than
//! [`PATIENCE`] for an answer, and no redirect is followed: whom to ask is the settings' choice.

use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use ureq::tls::{PemItem, RootCerts, TlsConfig, parse_pem};

/// The longest that an answer is waited for.
pub const PATIENCE: Duration = Duration::from_secs(5);
/// The system's certificates, as Debian keeps them.
const OF_SYSTEM: &str = "/etc/ssl/certs/ca-certificates.crt";

/// A client for the server at `url`.
///
/// - `certificates`: PEM file, from the site's directory `dir`, with what the server's chain may end at; the system's
///   where none is given.
///
/// # Errors
///
/// Where that file can't be read.
pub fn agent(url: &str, certificates: Option<&Path>, dir: &Path) -> Result<ureq::Agent, String> {
    let config = ureq::Agent::config_builder().timeout_global(Some(PATIENCE)).http_status_as_error(false);
    let mut config = config.max_redirects(0);
    if url.starts_with("https:") {
        let path = certificates.map_or_else(|| OF_SYSTEM.into(), |path| dir.join(path));
        let pem = fs::read(&path).map_err(|e| format!("{}: {e}", path.display()))?;
        let certificates = parse_pem(&pem).filter_map(|item| match item {
            Ok(PemItem::Certificate(certificate)) => Some(certificate),
            _ => None,
        });
        let roots = RootCerts::Specific(Arc::new(certificates.collect()));
        let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
        let tls = TlsConfig::builder().root_certs(roots).unversioned_rustls_crypto_provider(provider).build();
        config = config.tls_config(tls);
    }
    Ok(config.build().new_agent())
}
