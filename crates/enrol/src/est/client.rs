//! The client's side.

use std::sync::Arc;
use std::time::Duration;

use base::http;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use standard::certificate::Certificate;
use ureq::http::{HeaderMap, Response, StatusCode, header};
use zeroize::Zeroizing;

use super::{REQUEST, attributes, body, certificates, unfold};
use crate::{Address, Credentials, EnrolError, Said};

/// How long an answer may take: an authority may sign in a token behind a queue.
const PATIENCE: Duration = Duration::from_secs(60);
/// Octets of an answer.
const LARGEST: u64 = 1 << 20;
/// Characters of a refusal.
const WORDS: usize = 2_000;
/// Where an authority names no time (RFC 7030 §4.2.3 wants one).
const SOON: u64 = 5;

/// A server, asked over one connection where it keeps that open.
pub struct Client {
    agent: ureq::Agent,
    url: String,
    authorization: Option<Zeroizing<String>>,
}

/// An answer, whatever its status.
struct Answer {
    status: StatusCode,
    headers: HeaderMap,
    body: Vec<u8>,
}

impl Client {
    /// Asks nothing yet.
    ///
    /// # Errors
    ///
    /// [`EnrolError::File`] for a certificate or key that can't be used.
    pub fn new(address: &Address, by: &Credentials<'_>) -> Result<Self, EnrolError> {
        let terms = http::Terms { certificates: by.ca, client: by.client, patience: PATIENCE };
        let agent = http::agent_on(&address.url, &terms)
            .map_err(|http::Unusable { path, why }| EnrolError::File { path, why })?;
        let authorization = by.user.map(|(name, password)| {
            let pair = Zeroizing::new(format!("{name}:{}", password.as_str()));
            Zeroizing::new(format!("Basic {}", STANDARD.encode(pair.as_bytes())))
        });
        Ok(Self { agent, url: address.url.clone(), authorization })
    }

    fn read(&self, came: Result<Response<ureq::Body>, ureq::Error>) -> Result<Answer, EnrolError> {
        let silent = |error: &ureq::Error| EnrolError::of_request(&self.url, error);
        let (parts, body) = came.map_err(|e| silent(&e))?.into_parts();
        let body = body.into_with_config().limit(LARGEST).read_to_vec().map_err(|e| silent(&e))?;
        if parts.status == StatusCode::UNAUTHORIZED {
            let why = words(&Answer { status: parts.status, headers: parts.headers, body });
            return Err(EnrolError::SignIn { url: self.url.clone(), why });
        }
        Ok(Answer { status: parts.status, headers: parts.headers, body })
    }

    fn get(&self, operation: &str) -> Result<Answer, EnrolError> {
        let mut request = self.agent.get(format!("{}/{operation}", self.url));
        if let Some(authorization) = &self.authorization {
            request = request.header(header::AUTHORIZATION, authorization.as_str());
        }
        self.read(request.call())
    }

    fn unusable(&self, what: impl Into<String>) -> EnrolError {
        EnrolError::Answer { url: self.url.clone(), what: what.into() }
    }

    /// The authority's certificates (RFC 7030 §4.1).
    ///
    /// # Errors
    ///
    /// [`EnrolError`].
    pub fn authorities(&self) -> Result<Vec<Arc<Certificate>>, EnrolError> {
        let answer = self.get("cacerts")?;
        match answer.status {
            StatusCode::OK => certificates(&answer.body).map_err(|why| self.unusable(format!("cacerts: {why}"))),
            StatusCode::NOT_FOUND => Err(EnrolError::Absent { url: self.url.clone(), why: words(&answer) }),
            _ => Err(self.unusable(format!("cacerts: {}", words(&answer)))),
        }
    }

    /// Whether requests of chips have what the authority wants in every one (RFC 7030 §4.5).
    ///
    /// # Errors
    ///
    /// [`EnrolError::Wants`] where they have not.
    pub fn check_wanted(&self) -> Result<(), EnrolError> {
        let answer = self.get("csrattrs")?;
        // It wants nothing, or does not say (§4.5.2).
        if answer.status == StatusCode::NO_CONTENT || answer.status == StatusCode::NOT_FOUND || answer.body.is_empty() {
            return Ok(());
        }
        if answer.status != StatusCode::OK {
            return Err(self.unusable(format!("csrattrs: {}", words(&answer))));
        }
        let der = unfold(&answer.body).ok_or_else(|| self.unusable("csrattrs: it is not base 64"))?;
        attributes::check(&der).map_err(|wanted| EnrolError::Wants { url: self.url.clone(), what: wanted.0 })
    }

    /// Asks for a certificate (RFC 7030 §4.2).
    ///
    /// - `request`: DER of a PKCS #10 request.
    ///
    /// # Errors
    ///
    /// [`EnrolError`] where no request would fare better; a refusal of this one is [`Said::Refused`].
    pub fn ask(&self, request: &[u8]) -> Result<Said, EnrolError> {
        let mut post = self.agent.post(format!("{}/simpleenroll", self.url)).header(header::CONTENT_TYPE, REQUEST);
        post = post.header("Content-Transfer-Encoding", "base64");
        if let Some(authorization) = &self.authorization {
            post = post.header(header::AUTHORIZATION, authorization.as_str());
        }
        let answer = self.read(post.send(body(request)))?;
        match answer.status {
            StatusCode::OK => certificates(&answer.body)
                .map(Said::Issued)
                .map_err(|why| self.unusable(format!("simpleenroll: {why}"))),
            StatusCode::ACCEPTED | StatusCode::SERVICE_UNAVAILABLE => Ok(Said::Later(after(&answer.headers))),
            status if status.is_client_error() => Ok(Said::Refused(words(&answer))),
            _ => Err(self.unusable(format!("simpleenroll: {}", words(&answer)))),
        }
    }
}

/// What the authority said, for people: its status and its text.
fn words(answer: &Answer) -> String {
    let text: String = String::from_utf8_lossy(&answer.body).trim().chars().take(WORDS).collect();
    let status = answer.status;
    if text.is_empty() { format!("HTTP {status}") } else { format!("HTTP {status}: {text}") }
}

/// When to ask again (RFC 9110 §10.2.3), seconds alone: a date would be by another's clock.
fn after(headers: &HeaderMap) -> Duration {
    let seconds = headers.get(header::RETRY_AFTER).and_then(|v| v.to_str().ok()).and_then(|v| v.trim().parse().ok());
    Duration::from_secs(seconds.unwrap_or(SOON))
}
