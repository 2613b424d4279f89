//! The connection to a server under TLS, as its address asks for it.
//!
//! The parameters are those of libpq (PostgreSQL documentation §34.19): `sslmode`, `sslrootcert`, `sslcert`, `sslkey`.
//! `verify-full` checks the server's chain and name. `require` encrypts; with a root certificate it checks the chain
//! and not the name. `prefer`, which falls back to plain text, and saying nothing are for this machine alone.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use rustls::client::WebPkiServerVerifier;
use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{CryptoProvider, aws_lc_rs, verify_tls12_signature, verify_tls13_signature};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName, UnixTime};
use rustls::{CertificateError, ClientConfig, DigitallySignedStruct, Error, RootCertStore, SignatureScheme};
use tokio_postgres::Config;
use tokio_postgres::config::{Host, SslMode};
use tokio_postgres_rustls::MakeRustlsConnect;

/// Which checks the address asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Asked {
    /// Nothing was said, or `prefer`, or `allow`.
    Nothing,
    Disable,
    Require,
    VerifyFull,
}

/// What an address says of TLS.
#[derive(Debug, Clone)]
pub(crate) struct Tls {
    asked: Asked,
    root: Option<PathBuf>,
    client: Option<(PathBuf, PathBuf)>,
}

/// The parameters of an address that its library does not know, and the address without them.
///
/// - `base`: what relative paths start from.
///
/// # Errors
///
/// A sentence without its end: what is wrong.
pub(crate) fn split(url: &str, base: &Path) -> Result<(String, Tls), String> {
    let (before, query) = url.split_once('?').unwrap_or((url, ""));
    let (mut asked, mut root, mut certificate, mut key, mut rest) = (Asked::Nothing, None, None, None, Vec::new());
    for pair in query.split('&').filter(|p| !p.is_empty()) {
        let (name, value) = pair.split_once('=').unwrap_or((pair, ""));
        let path = || Some(base.join(&*percent_encoding::percent_decode_str(value).decode_utf8_lossy()));
        match name {
            "sslmode" => {
                asked = match value {
                    "disable" => Asked::Disable,
                    "allow" | "prefer" => Asked::Nothing,
                    "require" => Asked::Require,
                    "verify-full" => Asked::VerifyFull,
                    _ => return Err(format!("sslmode={value} is none of verify-full, require and disable")),
                }
            }
            "sslrootcert" => root = path(),
            "sslcert" => certificate = path(),
            "sslkey" => key = path(),
            _ => rest.push(pair),
        }
    }
    let client = match (certificate, key) {
        (Some(certificate), Some(key)) => Some((certificate, key)),
        (None, None) => None,
        _ => return Err("sslcert and sslkey go together".into()),
    };
    if asked == Asked::VerifyFull && root.is_none() {
        return Err(
            "sslmode=verify-full needs sslrootcert=FILE, the certificate that the server's chain ends at".into()
        );
    }
    if matches!(asked, Asked::Nothing | Asked::Disable) && (root.is_some() || client.is_some()) {
        return Err("certificates are given, but not sslmode=verify-full or sslmode=require".into());
    }
    let rest = if rest.is_empty() { before.to_owned() } else { format!("{before}?{}", rest.join("&")) };
    Ok((rest, Tls { asked, root, client }))
}

/// Whether all of a server's addresses are this machine's.
fn is_here(config: &Config) -> bool {
    // An address goes before the name that stands beside it.
    config.get_hostaddrs().iter().all(|ip| ip.to_canonical().is_loopback())
        && config.get_hosts().iter().all(|host| match host {
            Host::Tcp(name) => {
                name == "localhost" || name.parse::<std::net::IpAddr>().is_ok_and(|ip| ip.to_canonical().is_loopback())
            }
            #[cfg(unix)]
            Host::Unix(_) => true,
        })
}

impl Tls {
    /// Sets what the client library must know, and refuses what would send the book's rows in the open.
    ///
    /// # Errors
    ///
    /// A sentence without its end: what is wrong.
    pub(crate) fn apply(&self, config: &mut Config) -> Result<(), String> {
        config.ssl_mode(match self.asked {
            Asked::Nothing if !is_here(config) => {
                return Err("the server is on another machine: add sslmode=verify-full and sslrootcert=FILE, or sslmode=disable \
                            where the connection is protected otherwise"
                    .into());
            }
            Asked::Nothing | Asked::Disable => SslMode::Disable,
            Asked::Require | Asked::VerifyFull => SslMode::Require,
        });
        Ok(())
    }

    /// The connector; `None` where the connection is in plain text.
    ///
    /// # Errors
    ///
    /// What is wrong with a file.
    pub(crate) fn connector(&self) -> Result<Option<MakeRustlsConnect>, std::io::Error> {
        if matches!(self.asked, Asked::Nothing | Asked::Disable) {
            return Ok(None);
        }
        let other = std::io::Error::other;
        let provider = Arc::new(aws_lc_rs::default_provider());
        let inner = match &self.root {
            None => None,
            Some(path) => {
                let mut roots = RootCertStore::empty();
                for certificate in CertificateDer::pem_file_iter(path).map_err(|e| unread(path, &e))? {
                    roots.add(certificate.map_err(|e| unread(path, &e))?).map_err(|e| unread(path, &e))?;
                }
                let roots = Arc::new(roots);
                Some(
                    WebPkiServerVerifier::builder_with_provider(roots, provider.clone())
                        .build()
                        .map_err(|e| unread(path, &e))?,
                )
            }
        };
        let builder = ClientConfig::builder_with_provider(provider.clone())
            .with_safe_default_protocol_versions()
            .map_err(other)?;
        let builder = match inner {
            Some(inner) if self.asked == Asked::VerifyFull => builder.with_webpki_verifier(inner),
            inner => builder.dangerous().with_custom_certificate_verifier(Arc::new(Lenient { inner, provider })),
        };
        let config = match &self.client {
            None => builder.with_no_client_auth(),
            Some((certificate, key)) => {
                let chain = CertificateDer::pem_file_iter(certificate)
                    .and_then(Iterator::collect::<Result<Vec<_>, _>>)
                    .map_err(|e| unread(certificate, &e))?;
                let private = PrivateKeyDer::from_pem_file(key).map_err(|e| unread(key, &e))?;
                builder.with_client_auth_cert(chain, private).map_err(other)?
            }
        };
        Ok(Some(MakeRustlsConnect::new(config)))
    }
}

fn unread(path: &Path, why: &dyn std::fmt::Display) -> std::io::Error {
    std::io::Error::other(format!("{}: {why}", path.display()))
}

/// What `require` asks: a chain to the root where one is given, and never a name.
#[derive(Debug)]
struct Lenient {
    inner: Option<Arc<WebPkiServerVerifier>>,
    provider: Arc<CryptoProvider>,
}

impl ServerCertVerifier for Lenient {
    fn verify_server_cert(
        &self,
        certificate: &CertificateDer<'_>,
        between: &[CertificateDer<'_>],
        name: &ServerName<'_>,
        ocsp: &[u8],
        now: UnixTime,
    ) -> Result<ServerCertVerified, Error> {
        match self.inner.as_ref().map(|inner| inner.verify_server_cert(certificate, between, name, ocsp, now)) {
            None
            | Some(Err(Error::InvalidCertificate(
                CertificateError::NotValidForName | CertificateError::NotValidForNameContext { .. },
            ))) => Ok(ServerCertVerified::assertion()),
            Some(judged) => judged,
        }
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        verify_tls12_signature(message, certificate, signed, &self.provider.signature_verification_algorithms)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        verify_tls13_signature(message, certificate, signed, &self.provider.signature_verification_algorithms)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.provider.signature_verification_algorithms.supported_schemes()
    }
}
