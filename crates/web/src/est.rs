//! EST for other sites (RFC 7030): what a program elsewhere asks under `/.well-known/est/NAME`.
//!
//! Who asks is known by HTTP Basic alone, and the connection is TLS wherever it leaves this machine (`serve`).

use std::sync::{Arc, PoisonError};

use axum::body::Bytes;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use base::{Advise, Kind, Trouble};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use book::Enrolment;
use enrol::est::{ATTRIBUTES, CERTIFICATES, body, certificates_only, own_attributes, unfold};
use receive::enrolment;
use site::{Who, authority};
use standard::key::Signer;
use zeroize::Zeroizing;

use crate::app::{App, Inner};
use crate::guard::Peer;

/// A failure in the words of EST: a status and plain text (RFC 7030 §4.2.3).
struct Refusal(StatusCode, String);

impl From<Trouble> for Refusal {
    fn from(trouble: Trouble) -> Self {
        let code = match trouble.kind() {
            _ if trouble.is_absent() => StatusCode::NOT_FOUND,
            _ if trouble.wait().is_some() => StatusCode::TOO_MANY_REQUESTS,
            Kind::Refused => StatusCode::FORBIDDEN,
            Kind::Usage => StatusCode::BAD_REQUEST,
            // Asking again later may help, but by no fault of the request: never "later" without somebody's help.
            Kind::Surroundings => StatusCode::INTERNAL_SERVER_ERROR,
        };
        let advice = trouble.advice().map(|advice| format!(" {advice}")).unwrap_or_default();
        Self(code, format!("{}{advice}\n", base::sentence(&trouble.to_string())))
    }
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        let mut response = (self.0, self.1).into_response();
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("text/plain; charset=utf-8"));
        if self.0 == StatusCode::UNAUTHORIZED {
            headers
                .insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Basic realm=\"est\", charset=\"UTF-8\""));
        }
        response.extensions_mut().insert(crate::answer::Worded);
        response
    }
}

/// User name and password (RFC 7617 §2).
fn basic(headers: &HeaderMap) -> Option<(String, Zeroizing<String>)> {
    let given = headers.get(header::AUTHORIZATION)?.to_str().ok()?;
    let (scheme, digits) = given.split_once(' ')?;
    let octets = scheme.eq_ignore_ascii_case("Basic").then(|| STANDARD.decode(digits.trim()))?.ok()?;
    let pair = Zeroizing::new(String::from_utf8(octets).ok()?);
    let (user, password) = pair.split_once(':')?;
    Some((user.to_owned(), Zeroizing::new(password.to_owned())))
}

/// Does work for whoever asks, once it is known who that is.
async fn answered(
    app: &App,
    (name, headers, peer): (String, HeaderMap, Peer),
    kind: &'static str,
    act: impl FnOnce(&Inner, &Enrolment) -> Result<Vec<u8>, Trouble> + Send + 'static,
) -> Result<Response, Refusal> {
    let Some((user, password)) = basic(&headers) else {
        return Err(Refusal(StatusCode::UNAUTHORIZED, "User name and password are required.\n".into()));
    };
    // Others wait here: each one at work has a connection to the book.
    let _turn = app.enrolling.acquire().await;
    let app = app.clone();
    let done = tokio::task::spawn_blocking(move || {
        let open = app.doors.open(&app.site, &app.gate, &name, (&user, &password), &peer.0, app.clock);
        let enrolment = open.map_err(|trouble| match trouble.kind() {
            Kind::Refused if trouble.wait().is_none() => {
                Refusal(StatusCode::UNAUTHORIZED, "The user name or the password is wrong.\n".into())
            }
            _ => trouble.into(),
        })?;
        act(&app, &enrolment).map_err(Refusal::from)
    });
    let der = done.await.unwrap_or_else(|_| {
        Err(Refusal(StatusCode::INTERNAL_SERVER_ERROR, "The work stopped in the middle. Send it again.\n".into()))
    })?;
    let mut response = body(&der).into_response();
    response.headers_mut().insert(header::CONTENT_TYPE, HeaderValue::from_static(kind));
    response.headers_mut().insert("content-transfer-encoding", HeaderValue::from_static("base64"));
    Ok(response)
}

/// `GET cacerts`: the issuer and what stands above it.
pub async fn authorities(State(app): State<App>, Path(name): Path<String>, headers: HeaderMap, peer: Peer) -> Response {
    answered(&app, (name, headers, peer), CERTIFICATES, |app, enrolment| {
        let all = enrolment::authorities(&app.site, enrolment)?;
        Ok(certificates_only(&all.iter().map(Vec::as_slice).collect::<Vec<_>>()))
    })
    .await
    .into_response()
}

/// `GET csrattrs`: keys of P-256, requests signed with SHA-256.
pub async fn attributes(State(app): State<App>, Path(name): Path<String>, headers: HeaderMap, peer: Peer) -> Response {
    answered(&app, (name, headers, peer), ATTRIBUTES, |_, _| Ok(own_attributes())).await.into_response()
}

/// `POST simpleenroll` and `simplereenroll`: the certificate for the key of a request, the same one each time.
pub async fn enroll(
    State(app): State<App>,
    Path(name): Path<String>,
    headers: HeaderMap,
    peer: Peer,
    request: Bytes,
) -> Response {
    answered(&app, (name, headers, peer), CERTIFICATES, move |app, enrolment| {
        let der = unfold(&request)
            .ok_or_else(|| Trouble::usage("the body is not base 64", "Send a PKCS #10 request, DER in base 64."))?;
        let signer = signer(app, enrolment)?;
        let who = Who { clock: app.clock, ..Who::new(&enrolment.user)? };
        Ok(certificates_only(&[&enrolment::issue(&app.site, enrolment, &der, signer.as_ref(), &who)?]))
    })
    .await
    .into_response()
}

/// The issuer's key, opened once.
fn signer(app: &Inner, enrolment: &Enrolment) -> Result<Arc<dyn Signer>, Trouble> {
    let mut open = app.signers.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(signer) = open.get(enrolment.issuer.as_str()) {
        return Ok(Arc::clone(signer));
    }
    let issuer = authority::get(&app.site, enrolment.issuer.as_str())?;
    let unlock = app.unlock.get().ok_or_else(|| {
        Trouble::surroundings("the key of the issuer is closed", "Start the server with a passphrase file.")
    })?;
    let signer: Arc<dyn Signer> = authority::signer(&app.site, &issuer, unlock.0.as_ref())?.into();
    open.insert(enrolment.issuer.to_string(), Arc::clone(&signer));
    Ok(signer)
}
