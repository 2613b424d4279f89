//! Failures as a browser, a page's part, or a program is told of them.

use askama::Template;
use axum::body::{Body, to_bytes};
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{Html, IntoResponse, Redirect, Response};
use base::{Advise, Kind, Trouble};

use crate::app::App;
use crate::frame::Frame;
use crate::guard::Person;
use crate::on_page::filters;

/// Why there is no page.
pub enum Oops {
    /// What the rooms said.
    Trouble(Trouble),
    /// Nobody is signed in.
    SignIn,
    /// The person's role does not allow it.
    Forbidden(String),
    /// There is nothing under this address.
    Missing,
    /// Something else, with its status.
    Status(StatusCode, String, String),
}

impl From<Trouble> for Oops {
    fn from(trouble: Trouble) -> Self {
        Self::Trouble(trouble)
    }
}

/// A failure on its way out, not yet in the words of whoever asked.
#[derive(Clone)]
pub struct Told {
    kind: &'static str,
    pub message: String,
    pub advice: String,
    /// The input that it is about.
    pub field: Option<&'static str>,
    sign_in: bool,
    /// What was named is not here.
    absent: bool,
    /// Seconds after which it may be tried again.
    wait: Option<u32>,
}

impl Told {
    /// Whether the form can be mended and sent again; who may not send it gets no second one.
    pub fn is_of_the_form(&self, code: StatusCode) -> bool {
        !self.sign_in
            && (code.is_client_error() || code == StatusCode::SERVICE_UNAVAILABLE)
            && !matches!(code, StatusCode::FORBIDDEN | StatusCode::NOT_FOUND)
    }
}

/// Marks an answer that says in its own words what went wrong.
#[derive(Clone)]
pub struct Worded;

/// The HTTP status of whose move it is.
pub fn status(kind: Kind) -> StatusCode {
    match kind {
        Kind::Refused => StatusCode::UNPROCESSABLE_ENTITY,
        Kind::Usage => StatusCode::BAD_REQUEST,
        Kind::Surroundings => StatusCode::SERVICE_UNAVAILABLE,
    }
}

impl IntoResponse for Oops {
    fn into_response(self) -> Response {
        let (code, mut told) = match self {
            Self::Trouble(trouble) => {
                let advice = trouble.advice().unwrap_or_default();
                let (kind, message, field) = (trouble.kind().word(), trouble.to_string(), trouble.input());
                let (absent, wait) = (trouble.is_absent(), trouble.wait());
                let code = wait.map_or(status(trouble.kind()), |_| StatusCode::TOO_MANY_REQUESTS);
                (code, Told { kind, message, advice, field, sign_in: false, absent, wait })
            }
            Self::SignIn => (
                StatusCode::UNAUTHORIZED,
                Told {
                    kind: "unauthorized",
                    message: "nobody is signed in".into(),
                    advice: "Sign in, or send a valid token.".into(),
                    field: None,
                    sign_in: true,
                    absent: false,
                    wait: None,
                },
            ),
            Self::Forbidden(what) => (
                StatusCode::FORBIDDEN,
                Told {
                    kind: "forbidden",
                    message: what,
                    advice: "Ask an engineer of this site.".into(),
                    field: None,
                    sign_in: false,
                    absent: false,
                    wait: None,
                },
            ),
            Self::Missing => (
                StatusCode::NOT_FOUND,
                Told {
                    kind: "missing",
                    message: "there is nothing under this address".into(),
                    advice: "Check the address, or start from the first page.".into(),
                    field: None,
                    sign_in: false,
                    absent: false,
                    wait: None,
                },
            ),
            Self::Status(code, message, advice) => (
                code,
                Told { kind: "refused", message, advice, field: None, sign_in: false, absent: false, wait: None },
            ),
        };
        told.message = base::sentence(&told.message);
        let mut response = code.into_response();
        if let Some(wait) = told.wait {
            response.headers_mut().insert(header::RETRY_AFTER, wait.into());
        }
        response.extensions_mut().insert(told);
        response
    }
}

/// A page or a part of one.
pub fn page(template: &impl Template) -> Result<Response, Oops> {
    match template.render() {
        Ok(html) => Ok(Html(html).into_response()),
        Err(error) => Err(Trouble::surroundings(format!("the page can't be drawn: {error}"), "Report this.").into()),
    }
}

#[derive(Template)]
#[template(path = "below.html")]
struct BelowPage<'a> {
    frame: Frame,
    title: &'a str,
    part: String,
}

/// What stands below a form once it was sent: a part of its page, or a page of its own where no script puts it there.
///
/// - `target`: the id of the place that takes it.
/// - `title`: the page's.
pub fn below(
    headers: &HeaderMap,
    frame: Frame,
    (code, target, title): (StatusCode, &'static str, &str),
    part: &impl Template,
) -> Result<Response, Oops> {
    let odd = |e| Trouble::surroundings(format!("the page can't be drawn: {e}"), "Report this.");
    let part = part.render().map_err(odd)?;
    let mut response =
        if is_part(headers) { Html(part).into_response() } else { page(&BelowPage { frame, title, part })? };
    *response.status_mut() = code;
    response.extensions_mut().insert(Worded);
    if code.is_client_error() {
        response.headers_mut().insert(HeaderName::from_static("hx-retarget"), HeaderValue::from_static(target));
    }
    Ok(response)
}

/// Leads on after something was done: a page's part is told by htmx's own header.
pub fn go(headers: &HeaderMap, to: &str) -> Response {
    if is_part(headers) {
        let mut response = StatusCode::NO_CONTENT.into_response();
        if let Ok(value) = HeaderValue::from_str(to) {
            response.headers_mut().insert(HeaderName::from_static("hx-redirect"), value);
        }
        return response;
    }
    Redirect::to(to).into_response()
}

/// Whether a part of a page was asked for.
pub fn is_part(headers: &HeaderMap) -> bool {
    headers.contains_key("hx-request")
}

#[derive(Template)]
#[template(path = "oops.html")]
struct OopsPage {
    frame: Frame,
    code: u16,
    message: String,
    advice: String,
}

#[derive(Template)]
#[template(path = "oops_part.html")]
struct OopsPart {
    message: String,
    advice: String,
}

/// Words a failure for whoever asked; failures of the framework too.
pub async fn dress(State(app): State<App>, request: Request, next: Next) -> Response {
    let path = request.uri().path().to_owned();
    let asked = request.uri().to_string();
    let json = path.starts_with("/api/") || path == "/metrics" || path == "/health";
    let part = is_part(request.headers());
    let reads = request.method().is_safe();
    let mut response = next.run(request).await;
    let code = response.status();
    let worded = response.extensions().get::<Worded>().is_some();
    if worded || !code.is_client_error() && !code.is_server_error() {
        return response;
    }
    let person = response.extensions_mut().remove::<Person>();
    let told = match response.extensions_mut().remove::<Told>() {
        Some(told) => told,
        // One that was worded already says so by its type.
        None if response.headers().get(header::CONTENT_TYPE).is_some_and(|t| t == "application/json") => {
            return response;
        }
        None => {
            let body = to_bytes(std::mem::take(response.body_mut()), 4096).await.unwrap_or_default();
            let said = String::from_utf8_lossy(&body).into_owned();
            let message = if said.trim().is_empty() {
                code.canonical_reason().unwrap_or("this can't be done").to_lowercase()
            } else {
                said
            };
            Told {
                kind: "usage",
                message: base::sentence(&message),
                advice: "Check what was sent.".into(),
                field: None,
                sign_in: false,
                absent: false,
                wait: None,
            }
        }
    };
    let kept: Vec<_> = [header::ALLOW, header::RETRY_AFTER]
        .into_iter()
        .filter_map(|name| Some((name.clone(), response.headers().get(name)?.clone())))
        .collect();
    let mut out = if json {
        // A page's form that names what is not here is a form to mend; a program asked for a thing.
        let code = if told.absent { StatusCode::NOT_FOUND } else { code };
        let document = serde_json::json!({ "error": {
            "kind": told.kind, "message": told.message, "advice": told.advice,
        }});
        let mut out = (code, axum::Json(document)).into_response();
        if code == StatusCode::UNAUTHORIZED {
            out.headers_mut().insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
        }
        out
    } else if told.sign_in {
        let to = if reads && !part { format!("/sign-in?next={}", in_address(&asked)) } else { "/sign-in".into() };
        if part {
            let mut out = StatusCode::UNAUTHORIZED.into_response();
            out.headers_mut().insert(HeaderName::from_static("hx-redirect"), HeaderValue::from_static("/sign-in"));
            out
        } else {
            Redirect::to(&to).into_response()
        }
    } else {
        let html = if part {
            OopsPart { message: told.message, advice: told.advice }.render()
        } else {
            let frame = Frame::new(&app, person.as_ref(), "");
            OopsPage { frame, code: code.as_u16(), message: told.message, advice: told.advice }.render()
        };
        (code, Html(html.unwrap_or_default())).into_response()
    };
    out.headers_mut().extend(kept);
    out
}

/// All that RFC 3986 reserves, section 2.3 has the rest: a serial number reads in an address as on its label.
const RESERVED: &percent_encoding::AsciiSet =
    &percent_encoding::NON_ALPHANUMERIC.remove(b'-').remove(b'.').remove(b'_').remove(b'~');

/// A name as part of an address.
pub fn in_address(text: &str) -> String {
    percent_encoding::utf8_percent_encode(text, RESERVED).to_string()
}

/// A file to keep, under a name.
pub fn download(kind: &'static str, name: &str, body: impl Into<Body>) -> Response {
    let plain = |c: char| if c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.') { c } else { '_' };
    let name: String = name.chars().map(plain).collect();
    let mut response = body.into().into_response();
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(kind));
    if let Ok(value) = HeaderValue::from_str(&format!("attachment; filename=\"{name}\"")) {
        headers.insert(header::CONTENT_DISPOSITION, value);
    }
    response
}

/// Headers that every answer carries.
pub async fn headers(State(app): State<App>, request: Request<Body>, next: Next) -> Response {
    const CSP: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; \
                       font-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; \
                       frame-ancestors 'none'";
    let mut response = next.run(request).await;
    let headers = response.headers_mut();
    let mut set = |name: &'static str, value: &'static str| {
        headers.entry(HeaderName::from_static(name)).or_insert(HeaderValue::from_static(value));
    };
    set("content-security-policy", CSP);
    set("x-content-type-options", "nosniff");
    set("x-frame-options", "DENY");
    set("referrer-policy", "same-origin");
    set("cross-origin-opener-policy", "same-origin");
    set("cross-origin-resource-policy", "same-origin");
    set("permissions-policy", "camera=(), microphone=(), geolocation=()");
    set("cache-control", "no-store");
    if app.tls {
        set("strict-transport-security", "max-age=31536000");
    }
    response
}
