//! Every route, asked by everybody: who may, and who is refused.
#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

mod finding;

use axum::Router;
use axum::body::Body;
use axum::http::{Method, Request, StatusCode, header};
use axum::response::Response;
use site::access::{Gate, Role, Wish};
use site::{Site, Who, access};
use tempfile::TempDir;
use time::OffsetDateTime;
use tokio::sync::watch;
use tower::ServiceExt;
use web::app::App;
use web::routes::{Need, Table, router};

const PASSWORD: &str = "a long enough password";

struct House {
    _folder: TempDir,
    app: App,
    router: Router,
    table: &'static Table,
    tokens: Vec<(Role, String)>,
    _close: watch::Sender<bool>,
}

fn house() -> House {
    let folder = TempDir::new().unwrap();
    let who = Who::new("Ada").unwrap();
    let (site, _) = Site::create(&folder.path().join("site"), site::NewBook::default(), "line 2", None, &who).unwrap();
    drop(access::first(&site, "Ada", PASSWORD, OffsetDateTime::now_utc).unwrap());
    for (name, role) in [("Olga", "operator"), ("Otto", "auditor")] {
        let wish = Wish { name, role, password: Some(PASSWORD), ..Wish::default() };
        access::add(&site, &wish, &who).unwrap();
    }
    let mut tokens = Vec::new();
    for role in Role::ALL {
        let token = access::give_token(&site, &format!("mes {role}"), role.word(), 1, &who).unwrap();
        tokens.push((*role, token.to_string()));
    }
    let (close, closing) = watch::channel(false);
    let app = App::new(site, false, closing).unwrap();
    let (router, table) = router(&app);
    House { _folder: folder, app, router, table, tokens, _close: close }
}

impl House {
    /// A fresh session of a role: cookie and form word.
    fn session(&self, role: Role) -> (String, String) {
        let name = match role {
            Role::Engineer => "Ada",
            Role::Operator => "Olga",
            Role::Auditor => "Otto",
        };
        let gate = Gate::default();
        let begun = access::sign_in(&self.app.site, &gate, name, PASSWORD, "test", OffsetDateTime::now_utc).unwrap();
        (format!("{}={}", web::guard::cookie_name(&self.app), *begun.token), access::csrf_of(&begun.token))
    }

    async fn ask(&self, request: Request<Body>) -> Response {
        self.router.clone().oneshot(request).await.unwrap()
    }
}

fn path(of: &str) -> String {
    of.split('/').map(|part| if part.starts_with('{') { "x" } else { part }).collect::<Vec<_>>().join("/")
}

fn request(method: &Method, path: &str) -> axum::http::request::Builder {
    Request::builder().method(method).uri(path).header("host", "line.example").header("sec-fetch-site", "same-origin")
}

#[tokio::test(flavor = "multi_thread")]
async fn every_route_is_held_to_its_roles() {
    let house = house();
    assert!(house.table.all().len() > 70, "the list is whole");
    let mut asked = 0;
    let sessions: Vec<_> = Role::ALL.iter().map(|role| house.session(*role)).collect();
    let of = |role: Role, at: &str| {
        // These end the sign-in that they come with.
        if matches!(at, "/sign-out" | "/account") {
            return house.session(role);
        }
        Role::ALL.iter().position(|r| *r == role).map(|n| sessions[n].clone()).unwrap()
    };
    for (method, template, need) in house.table.all() {
        let at = path(template);
        let Need::Page(roles) = need else { continue };
        assert!(!roles.is_empty());
        let nobody = house.ask(request(method, &at).body(Body::empty()).unwrap()).await;
        assert_eq!(nobody.status(), StatusCode::SEE_OTHER, "{method} {at} by nobody");
        let to = nobody.headers()[header::LOCATION].to_str().unwrap();
        assert!(to.starts_with("/sign-in"), "{method} {at} by nobody leads to {to}");
        for role in Role::ALL {
            let (cookie, word) = of(*role, &at);
            let with_word = request(method, &at).header("cookie", &cookie).header("x-form", &word);
            let got = house.ask(with_word.body(Body::empty()).unwrap()).await.status();
            if roles.contains(role) {
                assert!(
                    got != StatusCode::FORBIDDEN && got != StatusCode::UNAUTHORIZED,
                    "{method} {at} by {role}: {got}"
                );
            } else {
                assert_eq!(got, StatusCode::FORBIDDEN, "{method} {at} by {role}");
            }
            asked += 1;
        }
        // A token opens no page, and a page's cookie without the form's word changes nothing.
        let token = format!("Bearer {}", house.tokens[0].1);
        let by_token =
            house.ask(request(method, &at).header("authorization", token).body(Body::empty()).unwrap()).await;
        assert_eq!(by_token.status(), StatusCode::SEE_OTHER, "{method} {at} by a token");
        if *method == Method::POST {
            let (cookie, word) = of(roles[0], &at);
            let without = request(method, &at).header("cookie", &cookie).body(Body::empty()).unwrap();
            assert_eq!(house.ask(without).await.status(), StatusCode::FORBIDDEN, "{at} without the word");
            let from_elsewhere = Request::builder()
                .method(method)
                .uri(&at)
                .header("host", "line.example")
                .header("sec-fetch-site", "cross-site")
                .header("cookie", &cookie)
                .header("x-form", &word);
            let got = house.ask(from_elsewhere.body(Body::empty()).unwrap()).await.status();
            assert_eq!(got, StatusCode::FORBIDDEN, "{at} from another site");
            let origin = Request::builder()
                .method(method)
                .uri(&at)
                .header("host", "line.example")
                .header("origin", "https://evil.example")
                .header("cookie", &cookie)
                .header("x-form", &word);
            let got = house.ask(origin.body(Body::empty()).unwrap()).await.status();
            assert_eq!(got, StatusCode::FORBIDDEN, "{at} with another origin");
        }
    }
    assert!(asked > 150, "{asked} were asked");
}

#[tokio::test(flavor = "multi_thread")]
async fn the_navigation_leads_everybody_to_all_their_pages_and_to_no_other() {
    let house = house();
    for role in Role::ALL {
        let (cookie, _) = house.session(*role);
        let mine: Vec<_> = house.table.parts().iter().filter(|p| p.roles.contains(role)).collect();
        assert!(!mine.is_empty(), "{role}");
        let mut reached = std::collections::BTreeSet::new();
        for part in &mine {
            let got =
                house.ask(request(&Method::GET, part.address).header("cookie", &cookie).body(Body::empty()).unwrap());
            let got = got.await;
            assert_eq!(got.status(), StatusCode::OK, "{} by {role}", part.address);
            let body = axum::body::to_bytes(got.into_body(), 1 << 24).await.unwrap();
            let html = String::from_utf8(body.to_vec()).unwrap();
            let header = html.split_once("<header>").unwrap().1.split_once("</header>").unwrap().0;
            let here = format!("<a href=\"{}\" aria-current=\"page\">{}</a>", part.address, part.word);
            assert_eq!(header.matches("aria-current=\"page\"").count(), 1, "{} by {role}", part.address);
            assert!(header.contains(&here), "{} by {role}: {header}", part.address);
            let named = header.split("<li><a href=\"").skip(1).filter_map(|l| l.split('"').next());
            reached.extend(named.map(str::to_owned));
        }
        let wanted = mine.iter().map(|p| p.address.to_owned()).collect();
        assert_eq!(reached, wanted, "{role}");
    }
}

async fn text(response: Response) -> String {
    let body = axum::body::to_bytes(response.into_body(), 1 << 24).await.unwrap();
    String::from_utf8(body.to_vec()).unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_form_with_a_wrong_value_is_given_again_without_its_secrets() {
    let house = house();
    let (cookie, word) = house.session(Role::Engineer);
    let typed = format!("form={word}&name=Desk+%3Croot%3E&role=paa&vendor=FFF9&passphrase=a+secret+sentence");
    let send = |part: bool| {
        let mut r = request(&Method::POST, "/authorities/raise")
            .header("cookie", &cookie)
            .header("content-type", "application/x-www-form-urlencoded");
        if part {
            r = r.header("hx-request", "true");
        }
        r.body(Body::from(typed.clone())).unwrap()
    };
    for part in [false, true] {
        let got = house.ask(send(part)).await;
        assert_eq!(got.status(), StatusCode::BAD_REQUEST);
        let retarget = got.headers().get("hx-retarget").map(|v| v.to_str().unwrap().to_owned());
        assert_eq!(retarget.as_deref(), part.then_some("#form-raise"));
        let html = text(got).await;
        assert!(html.contains("value=\"Desk &#60;root&#62;\"") || html.contains("value=\"Desk &lt;root&gt;\""), "kept");
        let field = "name=\"vendor\" aria-invalid=\"true\" aria-describedby=\"said-raise-vendor\" autofocus";
        assert!(html.contains(field) && html.contains("id=\"said-raise-vendor\""), "the message is at its field");
        assert!(!html.contains("secret sentence"), "a secret comes back to nobody");
        assert_eq!(html.matches("aria-invalid").count(), 1);
    }
    // Whoever may not send it gets no form; a program gets its JSON.
    let (cookie, word) = house.session(Role::Auditor);
    let r = request(&Method::POST, "/authorities/raise").header("cookie", &cookie).header("x-form", &word);
    let got = house.ask(r.body(Body::empty()).unwrap()).await;
    assert_eq!(got.status(), StatusCode::FORBIDDEN);
    assert!(!text(got).await.contains("form-raise"));
}

/// A reel is withdrawn on its page, or a chip of it scrapped; then the reel stays.
#[tokio::test(flavor = "multi_thread")]
async fn a_reel_is_withdrawn_and_a_chip_scrapped_on_its_page() {
    let house = house();
    let (cookie, word) = house.session(Role::Engineer);
    let send = async |at: &str, typed: &str| {
        let r = request(&Method::POST, at)
            .header("cookie", &cookie)
            .header("content-type", "application/x-www-form-urlencoded");
        house.ask(r.body(Body::from(format!("form={word}&{typed}"))).unwrap()).await
    };
    let product = "name=Vent&vendor=FFF2&product=8A21&device_type=514&reach=ble&flow=standard";
    assert_eq!(send("/products", product).await.status(), StatusCode::SEE_OTHER);
    let folder = TempDir::new().unwrap();
    let manifest = folder.path().join("manifest.csv");
    // The generator of P-256 (SEC 2, 2.4.2).
    let point = "046b17d1f2e12c4247f8bce6e563a440f277037d812deb33a0f4a13945d898c2964fe342e2fe1a7f9b8ee7eb4a7c0f9e162bce33576b315ececbb6406837bf51f5";
    std::fs::write(&manifest, format!("chip_id,public_key\nAB01,{point}\n")).unwrap();
    let receive = || {
        let (options, who) = (receive::reel::Options::default(), Who::new("Ada").unwrap());
        let course = base::course::Course::new();
        receive::reel::receive(&house.app.site, &manifest, "R 1", "Vent", &options, &who, &course).unwrap()
    };
    assert!(receive().is_accepted());
    let page = async || {
        let asked = request(&Method::GET, "/reels/R%201").header("cookie", &cookie).body(Body::empty()).unwrap();
        text(house.ask(asked).await).await
    };
    assert!(page().await.contains("action=\"/reels/R%201/withdraw\""));
    let got = send("/reels/R%201/withdraw", "").await;
    assert_eq!((got.status(), &got.headers()["location"]), (StatusCode::SEE_OTHER, &"/reels".parse().unwrap()));
    assert!(receive::reel::show(&house.app.site, "R 1").is_err());

    assert!(receive().is_accepted());
    let wrong = send("/reels/R%201/scrap", "chip=AB02&reason=bent").await;
    let said = text(wrong).await;
    assert!(said.contains("id=\"said-scrap-chip\"") && said.contains("AB02"), "{said}");
    assert_eq!(send("/reels/R%201/scrap", "chip=ab01&reason=bent").await.status(), StatusCode::SEE_OTHER);
    assert_eq!(receive::reel::show(&house.app.site, "R 1").unwrap().scrapped, 1);
    assert!(!page().await.contains("/withdraw\""));
    assert_eq!(send("/reels/R%201/withdraw", "").await.status(), StatusCode::UNPROCESSABLE_ENTITY);
    for at in ["/authorities/withdraw", "/declarations/withdraw"] {
        assert_eq!(send(at, "name=nobody").await.status(), StatusCode::BAD_REQUEST, "{at}");
    }
}

/// What a product or an authority is for is chosen on the page too.
#[tokio::test(flavor = "multi_thread")]
async fn purpose_is_chosen() {
    let house = house();
    let (cookie, word) = house.session(Role::Engineer);
    for (name, chosen, wanted) in
        [("Prototype", "test", "test"), ("Sold", "production", "production"), ("As+is", "", "production")]
    {
        let typed = format!(
            "form={word}&name={name}&vendor=5A10&product=8A21&purpose={chosen}&device_type=514&reach=ble&flow=standard"
        );
        let r = request(&Method::POST, "/products")
            .header("cookie", &cookie)
            .header("content-type", "application/x-www-form-urlencoded");
        let got = house.ask(r.body(Body::from(typed)).unwrap()).await;
        assert_eq!(got.status(), StatusCode::SEE_OTHER, "{name}");
        let kept = site::product::show(&house.app.site, &name.replace('+', " ")).unwrap();
        assert_eq!((kept.purpose.word(), kept.vendor_name), (wanted, None), "{name}: never the site's name");
    }
    for at in ["/products", "/authorities"] {
        let page = house.ask(request(&Method::GET, at).header("cookie", &cookie).body(Body::empty()).unwrap()).await;
        assert!(text(page).await.contains("<select name=\"purpose\""), "{at}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_form_with_files_carries_its_word_without_a_script() {
    let house = house();
    let (cookie, word) = house.session(Role::Engineer);
    let send = |first: &str, word: &str| {
        let field = |name: &str, value: &str| {
            format!("--b\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n{value}\r\n")
        };
        let file =
            "--b\r\nContent-Disposition: form-data; name=\"file\"; filename=\"x.pem\"\r\n\r\nnothing\r\n--b--\r\n";
        let body = format!("{}{}{file}", field(first, word), field("name", "kept as typed"));
        // In small pieces, as a network brings it.
        let pieces: Vec<_> = body.into_bytes().chunks(7).map(|c| Ok::<_, std::io::Error>(c.to_vec())).collect();
        let r = request(&Method::POST, "/authorities/adopt")
            .header("cookie", &cookie)
            .header("content-type", "multipart/form-data; boundary=b");
        r.body(Body::from_stream(tokio_stream::iter(pieces))).unwrap()
    };
    let got = house.ask(send("form", &word)).await;
    assert_eq!(got.status(), StatusCode::BAD_REQUEST, "taken, and the file is no certificate");
    let html = text(got).await;
    assert!(html.contains("value=\"kept as typed\"") && html.contains("Choose the files again"), "{html}");
    for (first, said) in [("form", "another"), ("name", word.as_str()), ("file", word.as_str())] {
        assert_eq!(house.ask(send(first, said)).await.status(), StatusCode::FORBIDDEN, "{first} {said}");
    }
}

/// A field that has no end is refused once it is too long, and the rest of it is not read.
#[tokio::test(flavor = "multi_thread")]
async fn a_field_is_never_read_whole_before_its_limit() {
    let house = house();
    let (cookie, word) = house.session(Role::Engineer);
    let field = |name: &str| format!("--b\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n");
    let start = format!("{}{word}\r\n{}", field("form"), field("name")).into_bytes();
    let asked = std::sync::Arc::new(std::sync::atomic::AtomicUsize::new(0));
    let counted = std::sync::Arc::clone(&asked);
    let endless = std::iter::repeat_with(move || {
        counted.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
        vec![b'x'; 4096]
    });
    let pieces = std::iter::once(start).chain(endless.take(100_000)).map(Ok::<_, std::io::Error>);
    let r = request(&Method::POST, "/authorities/adopt")
        .header("cookie", &cookie)
        .header("content-type", "multipart/form-data; boundary=b");
    let got = house.ask(r.body(Body::from_stream(tokio_stream::iter(pieces))).unwrap()).await;
    assert_eq!(got.status(), StatusCode::BAD_REQUEST);
    assert!(text(got).await.contains("more than 10000 bytes"));
    assert!(asked.load(std::sync::atomic::Ordering::Relaxed) < 1_000, "{asked:?} pieces of 4 KiB were read");
}

#[tokio::test(flavor = "multi_thread")]
async fn the_api_takes_tokens_by_role() {
    let house = house();
    let (cookie, word) = house.session(Role::Engineer);
    for (method, template, need) in house.table.all() {
        let Need::Api(roles) = need else { continue };
        let at = path(template);
        let nobody = house.ask(request(method, &at).body(Body::empty()).unwrap()).await;
        assert_eq!(nobody.status(), StatusCode::UNAUTHORIZED, "{method} {at} by nobody");
        assert_eq!(nobody.headers()[header::CONTENT_TYPE], "application/json", "{at}");
        let by_cookie = request(method, &at).header("cookie", &cookie).header("x-form", &word);
        let got = house.ask(by_cookie.body(Body::empty()).unwrap()).await.status();
        assert_eq!(got, StatusCode::UNAUTHORIZED, "{method} {at} by a cookie");
        for (role, token) in &house.tokens {
            let bearer = request(method, &at).header("authorization", format!("Bearer {token}"));
            let got = house.ask(bearer.body(Body::empty()).unwrap()).await.status();
            assert_eq!(got == StatusCode::FORBIDDEN, !roles.contains(role), "{method} {at} by {role}: {got}");
            assert_ne!(got, StatusCode::UNAUTHORIZED, "{method} {at} by {role}");
        }
    }
}

/// What is named and is not here has the status that the document declares, and whole words in JSON.
#[tokio::test(flavor = "multi_thread")]
async fn the_api_says_404_of_what_is_not_here() {
    let house = house();
    let (_, token) = house.tokens.iter().find(|(role, _)| *role == Role::Engineer).unwrap();
    for (method, at, body) in [
        (Method::GET, "/api/v1/units/ZZ", ""),
        (Method::GET, "/api/v1/units?reel=ZZ", ""),
        (Method::GET, "/api/v1/reels/ZZ", ""),
        (Method::GET, "/api/v1/deliveries/ZZ", ""),
        (Method::GET, "/api/v1/revocation/lists/ZZ", ""),
        (Method::GET, "/api/v1/revocation/lists/ZZ/point", ""),
        (Method::POST, "/api/v1/units/ZZ/scrap", r#"{"reason":"dropped"}"#),
        (Method::POST, "/api/v1/units/ZZ/rework", r#"{"reason":"dropped"}"#),
        (Method::POST, "/api/v1/units/ZZ/swap", r#"{"reason":"dropped","new_code":true}"#),
        (Method::POST, "/api/v1/units/ZZ/refurbish", r#"{"reason":"sold again"}"#),
        (Method::POST, "/api/v1/units/ZZ/label-check", r#"{"scanned":"MT:X"}"#),
        (Method::POST, "/api/v1/stations/ZZ/units", "{}"),
        (Method::POST, "/api/v1/chips/0BAD/scrap", r#"{"reason":"bent lead"}"#),
        (Method::POST, "/api/v1/reels/ZZ/withdraw", ""),
        (Method::POST, "/api/v1/deliveries/ZZ/withdraw", ""),
        (Method::POST, "/api/v1/authorities/ZZ/withdraw", ""),
        (Method::POST, "/api/v1/declarations/ZZ/withdraw", ""),
    ] {
        let asked = request(&method, at).header("authorization", format!("Bearer {token}"));
        let answer = house.ask(asked.header("content-type", "application/json").body(Body::from(body)).unwrap()).await;
        let status = answer.status();
        let said = text(answer).await;
        assert_eq!(status, StatusCode::NOT_FOUND, "{at}: {said}");
        let told: serde_json::Value = serde_json::from_str(&said).unwrap();
        let words = ["kind", "message", "advice"].map(|key| told["error"][key].as_str().is_some_and(|t| !t.is_empty()));
        assert_eq!(words, [true; 3], "{at}: {told}");
    }
}

/// As version 3.1 of the document's own standard requires.
#[tokio::test(flavor = "multi_thread")]
async fn the_document_describes_every_response() {
    let house = house();
    let asked = request(&Method::GET, "/api/openapi.json").body(Body::empty()).unwrap();
    let document: serde_json::Value = serde_json::from_str(&text(house.ask(asked).await).await).unwrap();
    let mut seen = 0;
    for (at, item) in document["paths"].as_object().unwrap() {
        for operation in item.as_object().unwrap().values() {
            for (status, response) in operation["responses"].as_object().unwrap() {
                assert!(response["description"].as_str().is_some_and(|d| !d.is_empty()), "{at} {status}");
                assert_ne!(response["description"], "Another answer.", "{at} {status}");
                seen += 1;
            }
        }
    }
    assert!(seen > 100, "{seen} responses");
}

#[tokio::test(flavor = "multi_thread")]
async fn sessions_and_tokens_end() {
    let house = house();
    let who = Who::new("Ada").unwrap();
    let (cookie, word) = house.session(Role::Engineer);
    let ask = |cookie: &str| request(&Method::GET, "/reels").header("cookie", cookie).body(Body::empty()).unwrap();
    assert_eq!(house.ask(ask(&cookie)).await.status(), StatusCode::OK);
    let out = request(&Method::POST, "/sign-out").header("cookie", &cookie).header("x-form", &word);
    let out = house.ask(out.body(Body::empty()).unwrap()).await;
    assert!(out.headers()[header::SET_COOKIE].to_str().unwrap().contains("Max-Age=0"));
    assert_eq!(house.ask(ask(&cookie)).await.status(), StatusCode::SEE_OTHER, "signed out");
    let (cookie, _) = house.session(Role::Auditor);
    access::close(&house.app.site, "Otto", &who).unwrap();
    assert_eq!(house.ask(ask(&cookie)).await.status(), StatusCode::SEE_OTHER, "a closed account's sessions end");
    let later = || OffsetDateTime::now_utc() + time::Duration::hours(2);
    let (cookie, _) = house.session(Role::Engineer);
    let token = cookie.split_once('=').unwrap().1;
    assert!(access::session(&house.app.site, token, later()).unwrap().is_none(), "idle for two hours");
    let token = &house.tokens[1].1;
    let bearer = || {
        let r = request(&Method::GET, "/api/v1/site").header("authorization", format!("Bearer {token}"));
        r.body(Body::empty()).unwrap()
    };
    assert_eq!(house.ask(bearer()).await.status(), StatusCode::OK);
    access::revoke_token(&house.app.site, &format!("mes {}", house.tokens[1].0), &who).unwrap();
    assert_eq!(house.ask(bearer()).await.status(), StatusCode::UNAUTHORIZED, "revoked");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_call_sent_twice_is_done_once() {
    let house = house();
    let token = house.tokens.iter().find(|(role, _)| *role == Role::Engineer).map(|(_, t)| t.clone()).unwrap();
    let call = |key: &str, reason: &str| {
        request(&Method::POST, "/api/v1/units/TV-1/scrap")
            .header("authorization", format!("Bearer {token}"))
            .header("content-type", "application/json")
            .header("idempotency-key", key)
            .body(Body::from(format!("{{\"reason\":\"{reason}\"}}")))
            .unwrap()
    };
    // A refusal changes nothing, so its key stays free for another try.
    for _ in 0..2 {
        let got = house.ask(call("k1", "burnt")).await;
        assert_eq!(got.status(), StatusCode::NOT_FOUND);
        assert!(got.headers().get("idempotency-replayed").is_none());
    }
    let taken = site::repeat::take(&house.app.site, "mes engineer", "k2", "another call", OffsetDateTime::now_utc());
    assert_eq!(taken.unwrap(), site::repeat::Taken::First);
    let got = house.ask(call("k2", "burnt")).await;
    assert_eq!(got.status(), StatusCode::UNPROCESSABLE_ENTITY, "the key stands for another call");
}

#[tokio::test(flavor = "multi_thread")]
async fn one_can_sign_in_anew_while_signed_in_but_not_from_elsewhere() {
    let house = house();
    let (cookie, _) = house.session(Role::Operator);
    let form = || Body::from(format!("name=Ada&password={}", PASSWORD.replace(' ', "+")));
    let send = |site: &str| {
        Request::builder()
            .method(Method::POST)
            .uri("/sign-in")
            .header("host", "line.example")
            .header("sec-fetch-site", site)
            .header("content-type", "application/x-www-form-urlencoded")
            .header("cookie", &cookie)
            .body(form())
            .unwrap()
    };
    let got = house.ask(send("same-origin")).await;
    assert_eq!(got.status(), StatusCode::SEE_OTHER);
    assert_eq!(got.headers()[header::LOCATION], "/");
    assert!(got.headers().contains_key(header::SET_COOKIE));
    assert_eq!(house.ask(send("cross-site")).await.status(), StatusCode::FORBIDDEN);
}

#[tokio::test(flavor = "multi_thread")]
async fn headers_stand_on_every_answer() {
    let house = house();
    for at in ["/sign-in", "/nowhere", "/assets/touchmark.css", "/health", "/api/v1/site", "/reels"] {
        let got = house.ask(request(&Method::GET, at).body(Body::empty()).unwrap()).await;
        let headers = got.headers();
        assert!(headers["content-security-policy"].to_str().unwrap().starts_with("default-src 'none'"), "{at}");
        assert_eq!(headers["x-content-type-options"], "nosniff", "{at}");
        assert!(headers.contains_key("cache-control"), "{at}");
    }
    // Licences of the libraries are shown to anybody, since anybody may be given the program.
    let got = house.ask(request(&Method::GET, "/assets/licences.txt").body(Body::empty()).unwrap()).await;
    assert!(got.headers()["content-type"].to_str().unwrap().starts_with("text/plain"));
    let text = axum::body::to_bytes(got.into_body(), 4 << 20).await.unwrap();
    assert!(std::str::from_utf8(&text).unwrap().contains("aws-lc-rs "));
    let cookie = web::guard::cookie(&house.app, Some("t"));
    assert!(cookie.ends_with("=t; Path=/; HttpOnly; SameSite=Strict"), "{cookie}");
    let (_close, closing) = watch::channel(false);
    let behind_tls = App::new(Site::open(&house.app.site.dir).unwrap(), true, closing).unwrap();
    let cookie = web::guard::cookie(&behind_tls, Some("t"));
    assert!(cookie.starts_with("__Host-touchmark-") && cookie.ends_with("; SameSite=Strict; Secure"), "{cookie}");
    let (router, _) = router(&behind_tls);
    let got = router.oneshot(request(&Method::GET, "/sign-in").body(Body::empty()).unwrap()).await.unwrap();
    assert!(got.headers().contains_key("strict-transport-security"));
}

#[test]
fn strangers_are_kept_out() {
    let folder = TempDir::new().unwrap();
    let who = Who::new("Ada").unwrap();
    let dir = folder.path().join("site");
    drop(Site::create(&dir, site::NewBook::default(), "line 2", None, &who).unwrap());
    let listen = "0.0.0.0:0".parse().unwrap();
    let open = web::serve::Serve { listen, tls: None, patience: Default::default(), unlock: None };
    let refused = web::serve::run(Site::open(&dir).unwrap(), &open, |_| ()).unwrap_err();
    assert!(refused.to_string().contains("in the open"), "{refused}");
    let tls = Some((folder.path().join("chain.pem"), folder.path().join("key.pem")));
    let beyond = web::serve::Serve { listen, tls, patience: Default::default(), unlock: None };
    let refused = web::serve::run(Site::open(&dir).unwrap(), &beyond, |_| ()).unwrap_err();
    assert!(refused.to_string().contains("without accounts"), "{refused}");
}

/// The client goes away in the middle of a call: the act and its answer are kept, and a retry gets it, or waits for it.
#[tokio::test(flavor = "multi_thread")]
async fn an_answer_outlives_its_client() {
    let house = house();
    let person = web::guard::Person {
        name: web::guard::Actor::new("mes engineer").unwrap(),
        role: Role::Engineer,
        means: None,
        form: String::new(),
        token: String::new(),
        again: web::again::Again::default(),
    };
    let mut headers = axum::http::HeaderMap::new();
    headers.insert("idempotency-key", "k9".parse().unwrap());
    let (begun, mut seen) = tokio::sync::mpsc::unbounded_channel();
    let (go, gate) = std::sync::mpsc::channel::<()>();
    let call = |gate: Option<std::sync::mpsc::Receiver<()>>| {
        let (app, person, headers, begun) = (house.app.clone(), person.clone(), headers.clone(), begun.clone());
        async move {
            let act = move |_: &App| {
                begun.send(()).unwrap();
                if let Some(gate) = gate {
                    gate.recv().unwrap();
                }
                Ok(serde_json::json!({ "done": 1 }))
            };
            web::api::once::once(&app, &person, &headers, "a call".into(), act).await
        }
    };
    let first = tokio::spawn(call(Some(gate)));
    seen.recv().await.unwrap();
    first.abort();
    assert!(first.await.is_err(), "the client is gone");
    let retry = tokio::spawn(call(None));
    tokio::time::sleep(std::time::Duration::from_millis(50)).await;
    assert!(!retry.is_finished(), "it waits for the first");
    go.send(()).unwrap();
    let answered = retry.await.unwrap().ok().unwrap();
    assert_eq!(answered.headers()["idempotency-replayed"], "true");
    let body = axum::body::to_bytes(answered.into_body(), 1000).await.unwrap();
    assert_eq!(&body[..], br#"{"done":1}"#);
    assert!(seen.try_recv().is_err(), "it was done once");
}

/// A name that the pages are not known by, and a proxy's word.
#[tokio::test(flavor = "multi_thread")]
async fn names_and_proxies_are_those_of_the_settings() {
    let house = house();
    let file = house.app.site.dir.join("touchmark.toml");
    let settings = std::fs::read_to_string(&file).unwrap();
    let with = settings
        .replace("hosts = []", "hosts = [\"line2.example\", \"localhost:8443\"]")
        .replace("proxies = []", "proxies = [\"192.0.2.1\"]");
    assert_ne!(settings, with);
    std::fs::write(&file, with).unwrap();
    let (_close, closing) = watch::channel(false);
    let app = App::new(Site::open(&house.app.site.dir).unwrap(), false, closing).unwrap();
    let (router, _) = router(&app);
    let send = |host: &str, from: [u8; 4], said: Option<&str>| {
        let mut request = Request::builder().method(Method::POST).uri("/badge").header("host", host);
        if let Some(said) = said {
            request = request.header("x-forwarded-for", said);
        }
        let mut request = request
            .header("content-type", "application/x-www-form-urlencoded")
            // A badge is looked up in no time: a password's slow digest would let tries grow again.
            .body(Body::from("code=NOBODYS-BADGE"))
            .unwrap();
        request.extensions_mut().insert(axum::extract::ConnectInfo(std::net::SocketAddr::from((from, 4000))));
        router.clone().oneshot(request)
    };
    for (host, known) in [
        ("line2.example", true),
        ("LINE2.example:80", true),
        ("localhost:8443", true),
        ("localhost", false),
        ("x", false),
    ] {
        let got = send(host, [192, 0, 2, 9], None).await.unwrap().status();
        assert_eq!(got != StatusCode::MISDIRECTED_REQUEST, known, "{host}: {got}");
    }
    // One client guesses, through the proxy or claiming to be others; whoever else comes is not held up.
    for n in 0..9 {
        let got = send("line2.example", [192, 0, 2, 1], Some(&format!("10.0.0.{n}, 198.51.100.7"))).await.unwrap();
        assert_eq!(got.status() == StatusCode::TOO_MANY_REQUESTS, n == 8, "try {n}: {}", got.status());
        assert_eq!(got.headers().contains_key("retry-after"), n == 8);
    }
    let other = send("line2.example", [192, 0, 2, 1], Some("198.51.100.8")).await.unwrap();
    assert_ne!(other.status(), StatusCode::TOO_MANY_REQUESTS, "another client of the proxy");
    for n in 0..9 {
        let got = send("line2.example", [203, 0, 113, 5], Some(&format!("10.0.0.{n}"))).await.unwrap();
        assert_eq!(got.status() == StatusCode::TOO_MANY_REQUESTS, n == 8, "a stranger's word counts for nothing");
    }
}
