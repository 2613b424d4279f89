//! A form with a wrong value, given again: what was typed is kept, the message
//! stands beside the field that it is about, and the focus is there.
//!
//! One way for every form that [`crate::routes`] lists: the answer to a form that
//! failed is the page that holds it, drawn by its own handler with an [`Again`] at
//! hand, under the failure's status. Secrets are never kept, files can't be.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use axum::Router;
use axum::body::{Body, Bytes, to_bytes};
use axum::extract::{Form, FromRequest, FromRequestParts, MatchedPath, Query, Request, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, Uri, header, response};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use tower::ServiceExt as _;

use crate::answer::{Oops, Told, Worded, in_address, is_part};
use crate::guard::FORM;
use crate::routes::Table;

/// Inputs that are never given back.
const SECRETS: &[&str] = &["password", "passphrase", "old", "new", "badge", "code", "rack", "pin", "form"];
/// Values of one form that are kept.
const VALUES: usize = 100;
/// Octets of a page.
const PAGE: usize = 16 << 20;
/// Octets of one value that is kept.
const LONGEST: usize = 10_000;

/// A form that failed: what was typed, and what is wrong with it.
#[derive(Debug, Clone)]
pub struct Kept {
    pub form: &'static str,
    pub values: Vec<(String, String)>,
    pub message: String,
    pub advice: String,
    /// The field that it is about, where it is about one.
    pub field: Option<&'static str>,
    /// Whether files came, which can't be given back.
    pub files: bool,
}

/// A form to be given again, where there is one.
#[derive(Debug, Clone, Default)]
pub struct Again(pub Option<Arc<Kept>>);

impl<S: Send + Sync> FromRequestParts<S> for Again {
    type Rejection = std::convert::Infallible;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Self::Rejection> {
        Ok(parts.extensions.get::<Self>().cloned().unwrap_or_default())
    }
}

/// Values of a form as they come in, for the case that it has to be given again.
#[derive(Debug, Clone, Default)]
pub struct Typed {
    values: Arc<Mutex<Vec<(String, String)>>>,
    files: Arc<AtomicBool>,
}

impl Typed {
    /// Keeps a value, unless it is a secret or too long.
    pub fn keep(&self, name: &str, value: &str) {
        let mut kept = self.values.lock().unwrap_or_else(PoisonError::into_inner);
        if !SECRETS.contains(&name) && value.len() <= LONGEST && kept.len() < VALUES {
            kept.push((name.to_owned(), value.to_owned()));
        }
    }

    /// Notes that a file came.
    pub fn file_came(&self) {
        self.files.store(true, Ordering::Relaxed);
    }

    fn take(&self) -> Vec<(String, String)> {
        std::mem::take(&mut *self.values.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

/// A form of the list: who sends it, and the page that holds it.
#[derive(Debug, Clone, Copy)]
pub struct Held {
    /// How it is sent.
    pub method: &'static Method,
    pub path: &'static str,
    /// The page that holds it, with parameters at the same places as where it is sent to; or, with a `?` at its end, another page that is
    /// asked with what was typed.
    pub page: &'static str,
    pub id: &'static str,
}

/// The address of the page that holds a form.
fn page_of(held: &Held, sent: &Uri, typed: &[(String, String)]) -> Option<Uri> {
    if held.page.ends_with('?') {
        let pair = |(name, value): &(String, String)| format!("{}={}", in_address(name), in_address(value));
        return format!("{}{}", held.page, typed.iter().map(pair).collect::<Vec<_>>().join("&")).parse().ok();
    }
    let given =
        |(segment, sent): (&str, &str)| if segment.starts_with('{') { sent.to_owned() } else { segment.to_owned() };
    let segments = held.page.split('/').zip(sent.path().split('/').chain(std::iter::repeat("")));
    segments.map(given).collect::<Vec<_>>().join("/").parse().ok()
}

async fn read_form(typed: &Typed, body: Bytes) {
    let form = Request::post("/").header(header::CONTENT_TYPE, "application/x-www-form-urlencoded");
    let Ok(request) = form.body(Body::from(body)) else { return };
    if let Ok(Form(values)) = Form::<Vec<(String, String)>>::from_request(request, &()).await {
        values.iter().for_each(|(name, value)| typed.keep(name, value));
    }
}

/// The id of a field's message.
pub(crate) fn said_id(form: &str, field: &str) -> String {
    format!("id=\"said-{form}-{field}\"")
}

async fn draw(inner: &Router, page: &Uri, headers: &HeaderMap, kept: Kept) -> Option<(response::Parts, String)> {
    let mut ask = Request::get(page.clone()).extension(Again(Some(Arc::new(kept)))).body(Body::empty()).ok()?;
    headers.clone_into(ask.headers_mut());
    let Ok(response) = inner.clone().oneshot(ask).await;
    let (mut parts, body) = response.into_parts();
    if parts.status != StatusCode::OK {
        return None;
    }
    parts.headers.remove(header::CONTENT_LENGTH);
    let octets = to_bytes(body, PAGE).await.ok()?;
    Some((parts, String::from_utf8(octets.to_vec()).ok()?))
}

/// Lets a form through; where it fails, answers with its page and the form as it was typed.
pub async fn again(
    State((table, inner)): State<(&'static Table, Router)>,
    path: MatchedPath,
    request: Request,
    next: Next,
) -> Response {
    let Some(held) = table.form(request.method(), path.as_str()) else { return next.run(request).await };
    let (mut parts, mut body) = request.into_parts();
    let typed = Typed::default();
    let kind = parts.headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or_default();
    let files = kind.starts_with("multipart/form-data");
    if parts.method.is_safe() {
        if let Ok(Query(values)) = Query::<Vec<(String, String)>>::try_from_uri(&parts.uri) {
            values.iter().for_each(|(name, value)| typed.keep(name, value));
        }
    } else if files {
        parts.extensions.insert(typed.clone());
    } else {
        let Ok(octets) = to_bytes(body, FORM).await else {
            let told = Oops::Status(StatusCode::PAYLOAD_TOO_LARGE, "the form is too large".into(), "Send less.".into());
            return told.into_response();
        };
        read_form(&typed, octets.clone()).await;
        body = Body::from(octets);
    }
    let sent = parts.uri.clone();
    let mut headers = HeaderMap::new();
    for name in [header::COOKIE, header::HOST] {
        headers.extend(parts.headers.get(&name).map(|value| (name, value.clone())));
    }
    let part = is_part(&parts.headers);
    let failed = next.run(Request::from_parts(parts, body)).await;
    let Some(told) = failed.extensions().get::<Told>().filter(|t| t.is_of_the_form(failed.status())) else {
        return failed;
    };
    let values = typed.take();
    let page = page_of(held, &sent, &values).unwrap_or_default();
    let mut kept = Kept {
        form: held.id,
        values,
        message: told.message.clone(),
        advice: told.advice.clone(),
        field: told.field,
        files: typed.files.load(Ordering::Relaxed),
    };
    // A page that can't be drawn now, or that has no such form for this person: the failure is told alone. A field
    // that this form does not have, as an option of a command: it is told of the form as a whole.
    let mut drawn = draw(&inner, &page, &headers, kept.clone()).await;
    if drawn.as_ref().is_some_and(|(_, html)| kept.field.is_some_and(|f| !html.contains(&said_id(held.id, f)))) {
        kept.field = None;
        drawn = draw(&inner, &page, &headers, kept).await;
    }
    let form = format!("id=\"form-{}\"", held.id);
    let Some((parts, html)) = drawn.filter(|(_, html)| html.contains(&form)) else { return failed };
    let mut response = Response::from_parts(parts, Body::from(html));
    *response.status_mut() = failed.status();
    let wait = failed.headers().get(header::RETRY_AFTER).cloned();
    response.headers_mut().extend(wait.map(|wait| (header::RETRY_AFTER, wait)));
    response.extensions_mut().insert(Worded);
    if part {
        let headers = response.headers_mut();
        let form = HeaderValue::from_str(&format!("#form-{}", held.id)).ok();
        headers.extend(form.clone().map(|form| (HeaderName::from_static("hx-retarget"), form)));
        headers.extend(form.map(|form| (HeaderName::from_static("hx-reselect"), form)));
        headers.insert(HeaderName::from_static("hx-reswap"), HeaderValue::from_static("outerHTML"));
    }
    response
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::path::Path;

    use super::SECRETS;

    /// What a template draws as a secret, or types as a password, is never kept to be given back.
    #[test]
    fn every_secret_of_a_template_is_known_as_one() {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("templates");
        let mut drawn = Vec::new();
        for entry in fs::read_dir(folder).expect("templates") {
            let path = entry.expect("a template").path();
            let html = fs::read_to_string(&path).expect("a template");
            for after in html.split(".secret(\"").skip(1) {
                drawn.push((after.split('"').next().unwrap_or_default().to_owned(), path.clone()));
            }
            assert!(!html.contains("type=\"password\""), "{}: draw it as a secret", path.display());
        }
        assert!(drawn.len() > 10, "{drawn:?}");
        let unknown: Vec<_> = drawn.iter().filter(|(name, _)| !SECRETS.contains(&name.as_str())).collect();
        assert!(unknown.is_empty(), "{unknown:?}");
    }
}
