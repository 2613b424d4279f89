//! Why an authority was not asked, or gave no answer that can be used.

use std::path::PathBuf;

use base::advice::{Advise, Kind};

/// Asking failed as a whole. A refusal of one request is no error: see [`crate::Said`].
#[derive(Debug, thiserror::Error)]
pub enum EnrolError {
    /// What was typed is no address.
    #[error("{url} {what}")]
    Address { url: String, what: &'static str },
    /// A certificate or key for TLS can't be used.
    #[error("{}: {why}", path.display())]
    File { path: PathBuf, why: String },
    /// No connection, or no answer in time.
    #[error("the authority at {url} did not answer: {why}")]
    Silent { url: String, why: String },
    /// TLS: the server is not who it should be.
    #[error("the server at {url} is not trusted: {why}")]
    Distrusted { url: String, why: String },
    /// It does not know who asks.
    #[error("the authority at {url} did not accept the sign-in: {why}")]
    SignIn { url: String, why: String },
    /// There is no such service.
    #[error("there is no such service at {url}: {why}")]
    Absent { url: String, why: String },
    /// It wants of every request what none here has.
    #[error("the authority at {url} wants {what}")]
    Wants { url: String, what: String },
    /// What came is no answer of the protocol.
    #[error("the answer of the authority at {url} can't be used: {what}")]
    Answer { url: String, what: String },
}

impl Advise for EnrolError {
    fn kind(&self) -> Kind {
        match self {
            Self::Address { .. } | Self::File { .. } | Self::Absent { .. } => Kind::Usage,
            Self::SignIn { .. } | Self::Wants { .. } => Kind::Refused,
            Self::Silent { .. } | Self::Distrusted { .. } | Self::Answer { .. } => Kind::Surroundings,
        }
    }

    fn advice(&self) -> Option<String> {
        let advice = match self {
            Self::Address { .. } => "Give est+https://HOST[:PORT]/.well-known/est[/LABEL].",
            Self::File { .. } => "Give a PEM file that this user may read.",
            Self::Silent { .. } => {
                "Check the address and the network, then run the command again. What was answered is kept and is not \
                 requested again."
            }
            Self::Distrusted { .. } => {
                "Nothing was sent. Check the host name and the clock of this machine. If the server's root is not one of the \
                 system's, give its certificate, from a source you have verified, with --ca."
            }
            Self::SignIn { .. } => "Check the user and the password, or the client certificate, with the authority.",
            Self::Absent { .. } => "Check the address and the label after /.well-known/est with the authority.",
            Self::Wants { .. } => "Ask the authority for a profile for DACs: keys of P-256, signed with SHA-256.",
            Self::Answer { .. } => "Report it to the authority. What it answered before is kept.",
        };
        Some(advice.into())
    }
}

impl EnrolError {
    /// Of a request that got no answer.
    pub(crate) fn of_request(url: &str, error: &ureq::Error) -> Self {
        let url = url.to_owned();
        let rustls = match error {
            ureq::Error::Rustls(error) => Some(error),
            ureq::Error::Io(error) => error.get_ref().and_then(|inner| inner.downcast_ref::<rustls::Error>()),
            _ => None,
        };
        if let Some(error) = rustls {
            return Self::of_tls(url, error);
        }
        let why = match error {
            ureq::Error::Timeout(_) => "it took too long".to_owned(),
            ureq::Error::HostNotFound => "there is no host of this name".to_owned(),
            ureq::Error::Io(error) => error.to_string(),
            other => other.to_string(),
        };
        Self::Silent { url, why }
    }

    fn of_tls(url: String, error: &rustls::Error) -> Self {
        use rustls::{AlertDescription, CertificateError, Error};
        let why = match error {
            Error::InvalidCertificate(CertificateError::UnknownIssuer) => {
                "its certificate does not chain to a root that is trusted here".to_owned()
            }
            Error::InvalidCertificate(
                CertificateError::NotValidForName | CertificateError::NotValidForNameContext { .. },
            ) => "its certificate is for another host name".to_owned(),
            Error::InvalidCertificate(CertificateError::Expired | CertificateError::ExpiredContext { .. }) => {
                "its certificate is expired".to_owned()
            }
            // The server's word on who asks.
            Error::AlertReceived(
                alert @ (AlertDescription::CertificateRequired
                | AlertDescription::BadCertificate
                | AlertDescription::UnsupportedCertificate
                | AlertDescription::CertificateRevoked
                | AlertDescription::CertificateExpired
                | AlertDescription::CertificateUnknown
                | AlertDescription::UnknownCA
                | AlertDescription::AccessDenied),
            ) => return Self::SignIn { url, why: format!("TLS alert {alert:?}") },
            // What TLS 1.2 has for it has other causes too (RFC 5246 §7.4.6).
            Error::AlertReceived(AlertDescription::HandshakeFailure) => {
                let why = "the TLS handshake failed; it may want a client certificate".into();
                return Self::Silent { url, why };
            }
            Error::InvalidCertificate(_) | Error::NoCertificatesPresented => error.to_string(),
            _ => return Self::Silent { url, why: error.to_string() },
        };
        Self::Distrusted { url, why }
    }
}

impl From<EnrolError> for base::Trouble {
    fn from(error: EnrolError) -> Self {
        Self::of(error)
    }
}
