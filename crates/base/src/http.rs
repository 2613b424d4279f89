//! The one client for servers outside: witnesses of the log, the company's sign-in, authorities that are asked online.
//! No redirect is followed: whom to ask is the settings' choice.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use ureq::tls::{Certificate, ClientCert, PemItem, RootCerts, TlsConfig, parse_pem};

/// The longest that most answers are waited for.
pub const PATIENCE: Duration = Duration::from_secs(5);
/// The system's certificates, as Debian keeps them.
const OF_SYSTEM: &str = "/etc/ssl/certs/ca-certificates.crt";

/// How a server is asked.
#[derive(Debug, Clone, Copy)]
pub struct Terms<'a> {
    /// PEM file with what the server's chain may end at; the system's where none is given.
    pub certificates: Option<&'a Path>,
    /// PEM files with this client's certificate chain and its private key.
    pub client: Option<(&'a Path, &'a Path)>,
    /// The longest that an answer is waited for.
    pub patience: Duration,
}

/// A file that was named for TLS can't be used.
#[derive(Debug)]
pub struct Unusable {
    pub path: PathBuf,
    pub why: String,
}

fn items(path: &Path) -> Result<Vec<PemItem<'static>>, Unusable> {
    let unusable = |why: String| Unusable { path: path.to_owned(), why };
    let pem = fs::read(path).map_err(|e| unusable(e.to_string()))?;
    Ok(parse_pem(&pem).filter_map(Result::ok).collect())
}

fn certificates(path: &Path) -> Result<Vec<Certificate<'static>>, Unusable> {
    let of = |item| match item {
        PemItem::Certificate(certificate) => Some(certificate),
        _ => None,
    };
    let all: Vec<_> = items(path)?.into_iter().filter_map(of).collect();
    let none = || Unusable { path: path.to_owned(), why: "it holds no certificate in PEM".into() };
    if all.is_empty() { Err(none()) } else { Ok(all) }
}

/// A client for the server at `url`, with the file of `certificates` from the site's directory `dir`.
///
/// # Errors
///
/// Where that file can't be used.
pub fn agent(url: &str, certificates: Option<&Path>, dir: &Path) -> Result<ureq::Agent, String> {
    let path = certificates.map(|path| dir.join(path));
    let terms = Terms { certificates: path.as_deref(), client: None, patience: PATIENCE };
    agent_on(url, &terms).map_err(|Unusable { path, why }| format!("{}: {why}", path.display()))
}

/// A client for the server at `url`, on these terms.
///
/// # Errors
///
/// [`Unusable`] where one of the files is.
pub fn agent_on(url: &str, terms: &Terms<'_>) -> Result<ureq::Agent, Unusable> {
    let config = ureq::Agent::config_builder().timeout_global(Some(terms.patience)).http_status_as_error(false);
    let mut config = config.max_redirects(0);
    if url.starts_with("https:") {
        let roots = certificates(terms.certificates.unwrap_or(Path::new(OF_SYSTEM)))?;
        let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
        let tls = TlsConfig::builder().root_certs(RootCerts::Specific(Arc::new(roots)));
        let tls = tls.client_cert(terms.client.map(|(chain, key)| client(chain, key)).transpose()?);
        config = config.tls_config(tls.unversioned_rustls_crypto_provider(provider).build());
    }
    Ok(config.build().new_agent())
}

/// A client's certificate and its key, which belong together: the TLS library takes that for granted.
fn client(chain: &Path, key: &Path) -> Result<ClientCert, Unusable> {
    use rustls::pki_types::pem::PemObject as _;
    let unusable = |why: String| Unusable { path: key.to_owned(), why };
    let certificates = certificates(chain)?;
    let private = rustls::pki_types::PrivateKeyDer::from_pem_file(key)
        .map_err(|_| unusable("it holds no private key in PEM that is not encrypted".into()))?;
    let chain = certificates.iter().map(|c| c.der().to_vec().into()).collect();
    let provider = rustls::crypto::aws_lc_rs::default_provider();
    rustls::sign::CertifiedKey::from_der(chain, private, &provider).map_err(|e| unusable(e.to_string()))?;
    let found = items(key)?.into_iter().find_map(|item| match item {
        PemItem::PrivateKey(key) => Some(key),
        _ => None,
    });
    let private = found.ok_or_else(|| unusable("it holds no private key in PEM that is not encrypted".into()))?;
    Ok(ClientCert::new_with_certs(&certificates, private))
}
