//! Requests to the pages and the API.

use std::sync::LazyLock;

use axum::Router;
use axum::body::Body;
use axum::http::{Method, Request};
use site::access::{Gate, Role};
use site::{NewBook, Site, Who, access};
use time::OffsetDateTime;
use tokio::runtime::Runtime;
use tokio::sync::watch;
use tower::ServiceExt as _;
use web::app::App;
use web::routes::{Table, router};

use super::Target;

/// All of them.
pub const TARGETS: &[Target] = &[("request_of_page", request)];

/// A site, its routes, and somebody who may use them all.
struct House {
    runtime: Runtime,
    router: Router,
    table: &'static Table,
    cookie: String,
    word: String,
    token: String,
    _folder: tempfile::TempDir,
    _close: watch::Sender<bool>,
}

static HOUSE: LazyLock<House> = LazyLock::new(|| {
    const PASSWORD: &str = "a long enough password";
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let _in = runtime.enter();
    let folder = tempfile::tempdir().expect("a folder");
    let who = Who::new("Ada").expect("a name");
    let (site, _) =
        Site::create(&folder.path().join("site"), NewBook::default(), "line 2", None, &who).expect("a site");
    let _ = access::first(&site, "Ada", PASSWORD, OffsetDateTime::now_utc).expect("an account");
    let token = access::give_token(&site, "mes", Role::Engineer.word(), 365, &who).expect("a token").to_string();
    let (close, closing) = watch::channel(false);
    let app = App::new(site, false, closing).expect("an app");
    let (router, table) = router(&app);
    let begun = access::sign_in(&app.site, &Gate::default(), "Ada", PASSWORD, "fuzz", OffsetDateTime::now_utc);
    let begun = begun.expect("signed in");
    let cookie = format!("{}={}", web::guard::cookie_name(&app), *begun.token);
    let word = access::csrf_of(&begun.token);
    drop(_in);
    House { runtime, router, table, cookie, word, token, _folder: folder, _close: close }
});

/// Route, how it is asked, and then address, cookies and body, apart by 0xFF.
fn request(data: &[u8]) {
    let [route, how, rest @ ..] = data else { return };
    let house = &*HOUSE;
    let (method, path, _) = &house.table.all()[usize::from(*route) % house.table.all().len()];
    // Signing out would leave nobody to ask.
    if matches!(*path, "/sign-out" | "/account") {
        return;
    }
    let mut parts = rest.split(|octet| *octet == 0xFF);
    let mut next = || parts.next().unwrap_or_default();
    let (address, cookies, body) = (String::from_utf8_lossy(next()).into_owned(), next(), next());
    let (given, query) = address.split_once('?').unwrap_or(("x", &address));
    let fill = |part: &str| if part.starts_with('{') { given.to_owned() } else { part.to_owned() };
    let path: Vec<String> = path.split('/').map(fill).collect();
    let mut asked = Request::builder()
        .method(if *method == Method::GET && how & 1 == 1 { &Method::HEAD } else { method })
        .uri(format!("{}?{query}", path.join("/")))
        .header("host", "line.example")
        .header("sec-fetch-site", "same-origin");
    if how & 2 == 0 {
        asked = asked.header("cookie", &house.cookie).header("x-form", &house.word);
    } else {
        asked = asked.header("cookie", cookies);
    }
    if how & 4 != 0 {
        asked = asked.header("authorization", format!("Bearer {}", house.token));
    }
    let kinds =
        ["application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "application/json", "text/plain"];
    asked = asked.header("content-type", kinds[usize::from(how >> 3) % kinds.len()]);
    let Ok(asked) = asked.body(Body::from(body.to_vec())) else { return };
    let answer = house.runtime.block_on(house.router.clone().oneshot(asked));
    let status = answer.expect("an answer").status();
    assert_ne!(status.as_u16(), 500, "{method} {}", path.join("/"));
}
