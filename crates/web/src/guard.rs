//! Who asks, and whether they may: each request held against the list of routes.

use std::net::{IpAddr, SocketAddr};

use axum::body::{Body, Bytes, to_bytes};
use axum::extract::{ConnectInfo, FromRequestParts, MatchedPath, Request, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use site::access;
use site::access::{Means, Role};
use tokio_stream::StreamExt as _;

use crate::again::Again;
use crate::answer::Oops;
use crate::app::App;
use crate::connections::Connection;
use crate::routes::{Need, Table};

/// Octets of a form without files.
pub(crate) const FORM: usize = 256 << 10;

/// Octets of a form with files within which its first field ends.
const AHEAD: usize = 4096;

/// Who asks.
#[derive(Clone)]
pub struct Person {
    /// The person, or the program.
    pub name: Actor,
    /// What they may do.
    pub role: Role,
    /// How a person signed in; none for a program.
    pub means: Option<Means>,
    /// The word that this session's forms carry.
    pub form: String,
    /// What their browser's cookie holds.
    pub token: String,
    /// A form of theirs that is given again.
    pub again: Again,
}

impl Person {
    /// Whether the sign-in still stands, for what stays open beyond one answer.
    pub async fn stays(&self, app: &App) -> bool {
        let (token, role) = (self.token.clone(), self.role);
        app.work(move |app| access::stands(&app.site, &token, role, (app.clock)())).await.unwrap_or(false)
    }
}

/// A name in the log.
pub type Actor = site::access::Name;

/// Where a request comes from.
#[derive(Clone)]
pub struct Peer(pub String);

impl<S: Send + Sync> FromRequestParts<S> for Person {
    type Rejection = Oops;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Oops> {
        let again = parts.extensions.get::<Again>().cloned().unwrap_or_default();
        parts.extensions.get::<Self>().cloned().map(|p| Self { again, ..p }).ok_or(Oops::SignIn)
    }
}

impl<S: Send + Sync> FromRequestParts<S> for Peer {
    type Rejection = Oops;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Oops> {
        Ok(parts.extensions.get::<Self>().cloned().unwrap_or_else(|| Self("local".into())))
    }
}

impl Peer {
    /// Who asks: whoever connects, or whom a proxy names that the settings trust. A proxy adds the address that it saw
    /// at the end of the list, so that what stands before is the client's own word.
    fn of(app: &App, request: &Request) -> Option<IpAddr> {
        let settings = &app.site.settings.pages;
        let peer = request.extensions().get::<ConnectInfo<SocketAddr>>()?.0.ip().to_canonical();
        if !settings.proxies.contains(&peer) {
            return Some(peer);
        }
        let said = request.headers().get_all(settings.proxy_header.as_str());
        let listed: Vec<&str> =
            said.iter().filter_map(|v| v.to_str().ok()).flat_map(|v| v.split(',')).map(str::trim).collect();
        let mut seen = listed.iter().rev().map_while(|text| text.parse::<IpAddr>().ok());
        Some(seen.find(|ip| !settings.proxies.contains(ip)).unwrap_or(peer))
    }
}

/// A name that the pages are not known by may be another site's that leads here (DNS rebinding).
fn is_known_by(app: &App, request: &Request) -> bool {
    let hosts = &app.site.settings.pages.hosts;
    let asked = request.headers().get(header::HOST).and_then(|h| h.to_str().ok()).unwrap_or_default();
    let name =
        asked.rsplit_once(':').filter(|(_, port)| port.bytes().all(|b| b.is_ascii_digit())).map_or(asked, |p| p.0);
    hosts.is_empty() || hosts.iter().any(|host| host.eq_ignore_ascii_case(asked) || host.eq_ignore_ascii_case(name))
}

/// An address, or for IPv6 the network that one subscriber has.
pub(crate) fn network(ip: IpAddr) -> String {
    match ip {
        IpAddr::V6(v6) if v6.to_ipv4_mapped().is_none() => {
            let s = v6.segments();
            format!("{:x}:{:x}:{:x}:{:x}::", s[0], s[1], s[2], s[3])
        }
        other => other.to_string(),
    }
}

/// The cookie's name: the site's own, since browsers keep one set of cookies for all ports of a host; bound
/// to this host where TLS allows it.
pub fn cookie_name(app: &App) -> String {
    let id: String = app.site.settings.site.id.chars().filter(char::is_ascii_alphanumeric).take(8).collect();
    format!("{}touchmark-{id}", if app.tls { "__Host-" } else { "" })
}

/// A session's cookie, or the end of it.
pub fn cookie(app: &App, token: Option<&str>) -> String {
    let secure = if app.tls { "; Secure" } else { "" };
    let (value, age) = token.map_or(("", "; Max-Age=0"), |t| (t, ""));
    format!("{}={value}; Path=/; HttpOnly; SameSite=Strict{secure}{age}", cookie_name(app))
}

/// What a browser keeps while its person is at the company's provider, or the end of it. The provider's site leads the
/// browser back, so that a strict cookie would stay behind.
pub fn company_cookie(app: &App, value: Option<&str>) -> String {
    let secure = if app.tls { "; Secure" } else { "" };
    let (value, age) = value.map_or(("", 0), |value| (value, 600));
    format!("{}-company={value}; Path=/; HttpOnly; SameSite=Lax{secure}; Max-Age={age}", cookie_name(app))
}

/// What the browser kept.
pub fn company_cookie_of(app: &App, headers: &HeaderMap) -> Option<String> {
    cookie_of(headers, &format!("{}-company", cookie_name(app)))
}

fn cookie_of(headers: &HeaderMap, name: &str) -> Option<String> {
    headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|v| v.to_str().ok())
        .flat_map(|v| v.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .find(|(given, _)| *given == name)
        .map(|(_, value)| value.to_owned())
}

async fn by_cookie(app: &App, headers: &HeaderMap) -> Result<Option<Person>, Oops> {
    let Some(token) = cookie_of(headers, &cookie_name(app)).filter(|t| !t.is_empty() && t.len() < 200) else {
        return Ok(None);
    };
    let asked = token.clone();
    let session = app.work(move |app| access::session(&app.site, &asked, (app.clock)())).await?;
    Ok(session.map(|s| Person {
        name: s.account,
        role: s.role,
        means: Some(s.means),
        form: access::csrf_of(&token),
        token,
        again: Again::default(),
    }))
}

async fn by_token(app: &App, headers: &HeaderMap) -> Result<Option<Person>, Oops> {
    let given = headers.get(header::AUTHORIZATION).and_then(|v| v.to_str().ok());
    let Some(token) = given.and_then(|v| v.strip_prefix("Bearer ")).filter(|t| t.len() < 200) else { return Ok(None) };
    let token = token.trim().to_owned();
    let held = app.work(move |app| access::holder(&app.site, &token, (app.clock)())).await?;
    Ok(held.map(|(name, role)| Person {
        name,
        role,
        means: None,
        form: String::new(),
        token: String::new(),
        again: Again::default(),
    }))
}

/// The first field of a form with files, read ahead of the rest: our pages put their word there. The body is whole
/// again afterwards.
async fn first_field(body: Body) -> (Option<String>, Body) {
    let mut stream = body.into_data_stream();
    let mut seen = Vec::new();
    let mut failed = None;
    let word = loop {
        if let Some(word) = word_in(&seen) {
            break word;
        }
        if seen.len() > AHEAD {
            break None;
        }
        match stream.next().await {
            Some(Ok(chunk)) => seen.extend_from_slice(&chunk),
            Some(Err(e)) => {
                failed = Some(e);
                break None;
            }
            None => break None,
        }
    };
    let ahead = tokio_stream::iter([Ok(Bytes::from(seen))].into_iter().chain(failed.map(Err)));
    (word, Body::from_stream(ahead.chain(stream)))
}

/// The value of a first field `form`; `None` while more has to come, `Some(None)` where it is another one.
fn word_in(seen: &[u8]) -> Option<Option<String>> {
    let text = String::from_utf8_lossy(seen);
    let (head, rest) = text.split_once("\r\n\r\n")?;
    let named = head.to_ascii_lowercase().contains("name=\"form\"");
    let (value, _) = rest.split_once("\r\n")?;
    Some(named.then(|| value.to_owned()))
}

/// Another site's page must not act in a person's name: the browser says where
/// a request comes from, and the form carries a word that only our pages know.
async fn from_our_pages(request: Request, person: Option<&Person>) -> Result<Request, Oops> {
    let refused = || {
        Oops::Status(
            StatusCode::FORBIDDEN,
            "this did not come from a page of this site".into(),
            "Open the page again, then try again.".into(),
        )
    };
    let headers = request.headers();
    let text = |name: &str| headers.get(name).and_then(|v| v.to_str().ok());
    if text("sec-fetch-site").is_some_and(|site| site != "same-origin") {
        return Err(refused());
    }
    if let (Some(origin), Some(host)) = (text("origin"), text("host"))
        && origin.split_once("://").is_none_or(|(_, from)| from != host)
    {
        return Err(refused());
    }
    let Some(person) = person else { return Ok(request) };
    let said = text("x-form").map(str::to_owned);
    let is_form = text("content-type").is_some_and(|t| t.starts_with("application/x-www-form-urlencoded"));
    let has_files = text("content-type").is_some_and(|t| t.starts_with("multipart/form-data"));
    let (request, said) = match said {
        None if is_form => {
            let (parts, body) = request.into_parts();
            let body = to_bytes(body, FORM).await.map_err(|_| {
                Oops::Status(StatusCode::PAYLOAD_TOO_LARGE, "the form is too large".into(), "Send less.".into())
            })?;
            let said = body
                .split(|b| *b == b'&')
                .find_map(|pair| pair.strip_prefix(b"form="))
                .map(|v| String::from_utf8_lossy(v).into_owned());
            (Request::from_parts(parts, Body::from(body)), said)
        }
        None if has_files => {
            let (parts, body) = request.into_parts();
            let (said, body) = first_field(body).await;
            (Request::from_parts(parts, body), said)
        }
        said => (request, said),
    };
    if said.as_deref() == Some(person.form.as_str()) { Ok(request) } else { Err(refused()) }
}

/// Lets a request through, or says why not.
pub async fn guard(
    State((app, table)): State<(App, &'static Table)>,
    path: MatchedPath,
    mut request: Request,
    next: Next,
) -> Response {
    let method = if request.method() == Method::HEAD { Method::GET } else { request.method().clone() };
    // A method that no route has is the router's to answer; nothing runs then.
    let Some(need) = table.need(&method, path.as_str()) else { return next.run(request).await };
    if !is_known_by(&app, &request) {
        return Oops::Status(
            StatusCode::MISDIRECTED_REQUEST,
            "these pages are not known by the name in this address".into(),
            "Use a name from pages.hosts in the site's touchmark.toml, or add this one there.".into(),
        )
        .into_response();
    }
    if let Some(ip) = Peer::of(&app, &request) {
        request.extensions_mut().insert(Peer(network(ip)));
    }
    match allowed(&app, need, request).await {
        Ok((request, person)) => {
            let mut response = next.run(request).await;
            if response.status().is_client_error() || response.status().is_server_error() {
                person.map(|p| response.extensions_mut().insert(p));
            }
            response
        }
        Err((oops, person)) => {
            let mut response = oops.into_response();
            person.map(|p| response.extensions_mut().insert(p));
            response
        }
    }
}

/// Ends the body of a request with an error where its next piece takes too long, before anything waits for it.
pub async fn patience(State(app): State<App>, request: Request, next: Next) -> Response {
    let patience = app.patience.get().copied().unwrap_or_default().body;
    let timed = |body: Body| {
        Body::from_stream(body.into_data_stream().timeout(patience).map(|piece| match piece {
            Ok(piece) => piece.map_err(std::io::Error::other),
            Err(_) => Err(std::io::ErrorKind::TimedOut.into()),
        }))
    };
    let request = if request.method().is_safe() { request } else { request.map(timed) };
    next.run(request).await
}

type Refused = (Oops, Option<Person>);

async fn allowed(app: &App, need: Need, mut request: Request) -> Result<(Request, Option<Person>), Refused> {
    let changes = !request.method().is_safe();
    let person = match need {
        Need::Nobody => None,
        Need::Open | Need::Page(_) => by_cookie(app, request.headers()).await.map_err(|e| (e, None))?,
        Need::Api(_) => by_token(app, request.headers()).await.map_err(|e| (e, None))?,
    };
    let roles: Option<&[Role]> = match need {
        Need::Page(roles) | Need::Api(roles) => Some(roles),
        Need::Open | Need::Nobody => None,
    };
    match (&person, roles) {
        (_, None) => {}
        (None, Some(_)) => return Err((Oops::SignIn, None)),
        (Some(p), Some(roles)) if !roles.contains(&p.role) => {
            let what = format!("this is not for {}s", p.role.word());
            return Err((Oops::Forbidden(what), person));
        }
        (Some(_), Some(_)) => {}
    }
    if changes && matches!(need, Need::Open | Need::Page(_)) {
        // Whoever signs in anew sends no word of the sign-in that there still is.
        let session = person.as_ref().filter(|_| matches!(need, Need::Page(_)));
        request = from_our_pages(request, session).await.map_err(|e| (e, person.clone()))?;
    }
    if let Some(person) = &person {
        if let Some(connection) = request.extensions().get::<Connection>() {
            connection.known();
        }
        request.extensions_mut().insert(person.clone());
    }
    Ok((request, person))
}
