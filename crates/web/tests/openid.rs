//! Signing in with the company's account, held against a provider of another hand (`tests/outside/openid.py`).
#![allow(
    clippy::unwrap_used,
    clippy::print_stderr,
    reason = "a test stops at the first surprise, and a skipped one says so"
)]

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Instant;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{Request, StatusCode, header};
use axum::response::Response;
use site::access::{Answer, Gate, Means, Name, Role};
use site::{Site, Who, access};
use tempfile::TempDir;
use time::{Duration, OffsetDateTime};
use tokio::sync::watch;
use tower::ServiceExt;
use web::app::App;
use web::routes::router;

const PASSWORD: &str = "a long enough password";
const SECRET: &str = "a: secret/with+signs&more";
const AT: &str = "http://localhost:8080";

struct Provider {
    child: Child,
    issuer: String,
}

impl Drop for Provider {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// `TOUCHMARK_PYTHON`, or the local virtual environment's; without one, a run that counts fails.
fn provider() -> Option<Provider> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).ancestors().nth(2).unwrap();
    let python = std::env::var_os("TOUCHMARK_PYTHON").map_or_else(|| root.join(".venv/bin/python"), PathBuf::from);
    if !python.is_file() {
        assert!(std::env::var("CI").as_deref() != Ok("true"), "no Python interpreter at {}", python.display());
        eprintln!("SKIPPED: no Python interpreter at {}; ./check installs one", python.display());
        return None;
    }
    let back = format!("{AT}/sign-in/company/back");
    let mut child = Command::new(python)
        .arg("-B")
        .arg(root.join("tests/outside/openid.py"))
        .args(["--client", "touchmark", "--secret", SECRET, "--back", &back])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut issuer = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut issuer).unwrap();
    Some(Provider { child, issuer: issuer.trim().to_owned() })
}

/// A `GET` to the provider, as a browser makes it: status and the address that it leads to.
fn get(url: &str) -> (u16, Option<String>) {
    let (host, path) = url.strip_prefix("http://").unwrap().split_once('/').unwrap();
    let mut stream = TcpStream::connect(host).unwrap();
    write!(stream, "GET /{path} HTTP/1.0\r\nHost: {host}\r\n\r\n").unwrap();
    let mut said = String::new();
    stream.read_to_string(&mut said).unwrap();
    let status = said.split(' ').nth(1).unwrap().parse().unwrap();
    (status, said.lines().find_map(|line| line.strip_prefix("Location: ")).map(str::to_owned))
}

impl Provider {
    /// Who signs in next, and how the answer is spoiled.
    fn next_is(&self, query: &str) {
        assert_eq!(get(&format!("{}/as?{query}", self.issuer)).0, 200);
    }
}

struct House {
    _folder: TempDir,
    app: App,
    router: Router,
    _close: watch::Sender<bool>,
}

fn settings(issuer: &str) -> String {
    format!(
        "\n[pages.openid]\nissuer = \"{issuer}\"\nname = \"Tern & Hollow\"\nclient_id = \"touchmark\"\n\
         client_secret_file = \"keys/openid.secret\"\naddress = \"{AT}\"\n\
         [pages.openid.roles]\nengineers = \"engineer\"\n\"line 2\" = \"operator\"\nquality = \"auditor\"\n"
    )
}

/// A site with a local engineer `ada`, and the settings as given at its end.
fn site(folder: &TempDir, more: &str) -> Result<(App, watch::Sender<bool>), base::Trouble> {
    let dir = folder.path().join("site");
    if !dir.exists() {
        let who = Who::new("ada").unwrap();
        let (site, _) = Site::create(&dir, site::NewBook::default(), "line 2", None, &who).unwrap();
        drop(access::first(&site, "ada", PASSWORD, OffsetDateTime::now_utc).unwrap());
        std::fs::copy(dir.join("touchmark.toml"), folder.path().join("plain")).unwrap();
        std::fs::write(dir.join("keys/openid.secret"), format!("{SECRET}\n")).unwrap();
        std::fs::set_permissions(dir.join("keys/openid.secret"), PermissionsExt::from_mode(0o600)).unwrap();
    }
    let plain = std::fs::read_to_string(folder.path().join("plain")).unwrap();
    std::fs::write(dir.join("touchmark.toml"), plain + more).unwrap();
    let (close, closing) = watch::channel(false);
    App::new(Site::open(&dir)?, false, closing).map(|app| (app, close))
}

fn house(issuer: &str) -> House {
    let folder = TempDir::new().unwrap();
    let (app, close) = site(&folder, &settings(issuer)).unwrap();
    let (router, _) = router(&app);
    House { _folder: folder, app, router, _close: close }
}

async fn text(response: Response) -> String {
    String::from_utf8(to_bytes(response.into_body(), 1 << 20).await.unwrap().to_vec()).unwrap()
}

/// The value of the cookie that a response sets by this name.
fn set_cookie(response: &Response, name: &str) -> Option<String> {
    let all = response.headers().get_all(header::SET_COOKIE).iter();
    let mut all = all.filter_map(|v| v.to_str().unwrap().strip_prefix(&format!("{name}=")));
    all.find_map(|rest| rest.split(';').next()).filter(|value| !value.is_empty()).map(str::to_owned)
}

impl House {
    async fn get(&self, path: &str, cookies: &str) -> Response {
        let request = Request::builder().uri(path).header("host", "localhost:8080").header("cookie", cookies);
        self.router.clone().oneshot(request.body(Body::empty()).unwrap()).await.unwrap()
    }

    fn cookie(&self) -> String {
        web::guard::cookie_name(&self.app)
    }

    /// Begins: the provider's address and what the browser keeps.
    async fn begin(&self, next: &str) -> (String, String) {
        let response = self.get(&format!("/sign-in/company?next={next}"), "").await;
        assert_eq!(response.status(), StatusCode::SEE_OTHER, "{}", text(response).await);
        let name = format!("{}-company", self.cookie());
        let kept = set_cookie(&response, &name).unwrap();
        let line = response.headers()[header::SET_COOKIE].to_str().unwrap();
        assert!(line.contains("HttpOnly; SameSite=Lax") && line.contains("Max-Age=600"), "{line}");
        (response.headers()[header::LOCATION].to_str().unwrap().to_owned(), format!("{name}={kept}"))
    }

    /// The provider's part: where it sends the browser back to.
    fn led_back(url: &str) -> String {
        let (status, to) = get(url);
        assert_eq!(status, 302, "{url}");
        to.unwrap().strip_prefix(AT).unwrap().to_owned()
    }

    /// The whole way, as the browser of a person goes it: the answer of the pages, and what it is signed in as.
    async fn sign_in(&self, next: &str) -> (StatusCode, String, Option<String>) {
        let (url, kept) = self.begin(next).await;
        let response = self.get(&Self::led_back(&url), &kept).await;
        let session = set_cookie(&response, &self.cookie());
        (response.status(), text(response).await, session)
    }

    fn session(&self, token: &str) -> Option<access::Session> {
        access::session(&self.app.site, token, OffsetDateTime::now_utc()).unwrap()
    }

    fn acts(&self, account: &str) -> Vec<String> {
        let entries = self.app.site.book.entries(None, 100).unwrap().items;
        entries.into_iter().filter(|e| e.actor.as_str() == account).map(|e| e.act).collect()
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn groups_give_the_role_at_each_sign_in() {
    let Some(provider) = provider() else { return };
    let house = house(&provider.issuer);
    let page = text(house.get("/sign-in?next=%2Freels", "").await).await;
    assert!(page.contains("Sign in with Tern &#38; Hollow"), "{page}");
    assert!(page.contains(&format!("href=\"{AT}/sign-in/company?next=%2Freels\"")), "{page}");

    provider.next_is("sub=17&preferred_username=grace&groups=canteen,engineers,quality");
    let (status, page, session) = house.sign_in("%2Freels%2FA").await;
    assert_eq!(status, StatusCode::OK, "{page}");
    assert!(page.contains("content=\"0; url=/reels/A\"") || page.contains("url=&#47;reels"), "{page}");
    let token = session.unwrap();
    let session = house.session(&token).unwrap();
    assert_eq!((session.account.as_str(), session.role, session.means), ("grace", Role::Engineer, Means::Company));
    let people = house.get("/people", &format!("{}={token}", house.cookie())).await;
    assert_eq!(people.status(), StatusCode::OK);
    assert!(text(people).await.contains("company account"));
    assert_eq!(house.acts("grace"), ["session.begin", "account.add"], "the newest first");

    // No address of another site, and no name that the request carries, leads anywhere.
    provider.next_is("sub=17&preferred_username=grace&groups=engineers");
    let (_, page, again) = house.sign_in("%2F%2Fevil.example").await;
    assert!(page.contains("0; url=/\""), "{page}");
    assert!(house.session(&token).is_some(), "the same role ends no session");

    // Another role ends what the old one opened; no role ends everything, and says what to ask for.
    provider.next_is("sub=17&preferred_username=grace&groups=quality,line 2".replace(' ', "%20").as_str());
    let (_, _, auditor) = house.sign_in("").await;
    assert_eq!(house.session(auditor.as_ref().unwrap()).unwrap().role, Role::Auditor);
    assert!(house.session(&token).is_none() && house.session(&again.unwrap()).is_none());
    for groups in ["&groups=", "&groups=canteen,Engineers", ""] {
        provider.next_is(&format!("sub=17&preferred_username=grace{groups}"));
        let (status, page, none) = house.sign_in("").await;
        assert_eq!((status, none), (StatusCode::UNPROCESSABLE_ENTITY, None), "{groups}");
        assert!(page.contains("none of your groups has a role here"), "{page}");
        assert!(page.contains("engineers (engineer), line 2 (operator), quality (auditor)"), "{page}");
        assert!(page.contains("By password"), "the local ways stay");
    }
    assert!(house.session(auditor.as_ref().unwrap()).is_none());
    assert!(house.acts("grace").iter().any(|act| act == "session.refused"));
    // Somebody who was never here gets no account by being refused.
    provider.next_is("sub=99&preferred_username=mallory&groups=canteen");
    house.sign_in("").await;
    assert!(house.app.site.book.account(&Name::new("mallory").unwrap()).unwrap().is_none());
    assert!(house.app.site.book.verify(None).unwrap().intact());
}

#[tokio::test(flavor = "multi_thread")]
async fn an_answer_that_cannot_be_believed_opens_nothing() {
    let Some(provider) = provider() else { return };
    let house = house(&provider.issuer);
    for (fault, why) in [
        ("signature", "ignature"),
        ("altered", "ignature"),
        ("audience", "audience"),
        ("audiences", "audience"),
        ("issuer", "issuer"),
        ("answer-issuer", "nother provider answered"),
        ("nonce", "nonce"),
        ("no-nonce", "nonce"),
        ("expired", "xpired"),
        ("to-come", "still to come"),
        ("alg-none", "ignature"),
        ("hs256-public-key", "ignature"),
        ("hs256-modulus", "ignature"),
        ("hs256-secret", "ignature"),
        ("unknown-key", "ignature"),
        ("another-kind-of-key", "ignature"),
        ("critical", "critical"),
        ("no-subject", "answer"),
        ("long-subject", "255"),
        ("no-token", "no ID token"),
        ("denied", "access_denied"),
    ] {
        provider.next_is(&format!("sub=17&preferred_username=grace&groups=engineers&fault={fault}"));
        let before = house.acts("unknown").len();
        let (status, page, session) = house.sign_in("").await;
        assert!(status.is_client_error() || status.is_server_error(), "{fault}: {status}");
        assert!(page.contains(why), "{fault}: {page}");
        assert_eq!(session, None, "{fault}");
        assert!(!page.contains("secret/"), "{fault} shows the secret");
        if status.is_client_error() {
            assert_eq!(house.acts("unknown").len(), before + 1, "{fault} is an entry");
        }
    }
    assert_eq!(access::accounts(&house.app.site).unwrap().len(), 1, "nobody was added");
    // The same with nothing wrong: the other kind of signature, and clocks a little apart.
    for good in ["", "es256", "just-expired", "fast-clock"] {
        provider.next_is(&format!("sub=17&preferred_username=grace&groups=engineers&fault={good}"));
        let (status, page, session) = house.sign_in("").await;
        assert!(status == StatusCode::OK && session.is_some(), "{good}: {page}");
    }
    for (fault, why) in [("metadata-issuer", "can&#39;t be trusted"), ("plain-endpoint", "not reached over TLS")] {
        provider.next_is(&format!("sub=17&fault={fault}"));
        let response = house.get("/sign-in/company", "").await;
        let (status, page) = if response.status() == StatusCode::SEE_OTHER {
            let (url, kept) = house.begin("").await;
            let back = house.get(&House::led_back(&url), &kept).await;
            (back.status(), text(back).await)
        } else {
            (response.status(), text(response).await)
        };
        assert!(!status.is_success() && page.contains(why), "{fault}: {status} {page}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_sign_in_counts_once_and_in_the_browser_that_began_it() {
    let Some(provider) = provider() else { return };
    let house = house(&provider.issuer);
    provider.next_is("sub=17&preferred_username=grace&groups=engineers");
    let begun_elsewhere = |status: StatusCode, page: &str| {
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(page.contains("not begun in this browser"), "{page}");
    };

    // Somebody else's state and code, in a browser that began nothing, or its own sign-in.
    let (_, other) = house.begin("").await;
    for cookies in ["", other.as_str()] {
        let (url, mine) = house.begin("").await;
        let back = House::led_back(&url);
        let response = house.get(&back, cookies).await;
        assert_eq!(set_cookie(&response, &house.cookie()), None);
        begun_elsewhere(response.status(), &text(response).await);
        // And with that it is used up.
        let response = house.get(&back, &mine).await;
        begun_elsewhere(response.status(), &text(response).await);
    }

    // The same answer twice, and its code with another state.
    let (url, kept) = house.begin("").await;
    let back = House::led_back(&url);
    let response = house.get(&back, &kept).await;
    assert_eq!(response.status(), StatusCode::OK);
    let gone =
        response.headers().get_all(header::SET_COOKIE).iter().any(|c| c.to_str().unwrap().ends_with("Max-Age=0"));
    assert!(gone, "the browser keeps nothing");
    let response = house.get(&back, &kept).await;
    begun_elsewhere(response.status(), &text(response).await);
    let code = back.split(['?', '&']).find(|part| part.starts_with("code=")).unwrap();
    let (url, kept) = house.begin("").await;
    let state = url.split(['?', '&']).find(|part| part.starts_with("state=")).unwrap();
    let response = house.get(&format!("/sign-in/company/back?{code}&{state}"), &kept).await;
    assert_eq!(response.status(), StatusCode::UNPROCESSABLE_ENTITY);
    assert!(text(response).await.contains("refused the sign-in: invalid_grant"));

    // A code of this provider for another sign-in of the same browser: its verifier does not fit.
    let ((first, _), (second, kept)) = (house.begin("").await, house.begin("").await);
    let stolen = House::led_back(&first);
    let code = stolen.split(['?', '&']).find(|part| part.starts_with("code=")).unwrap();
    let state = second.split(['?', '&']).find(|part| part.starts_with("state=")).unwrap();
    let response = house.get(&format!("/sign-in/company/back?{code}&{state}"), &kept).await;
    assert!(text(response).await.contains("invalid_grant"));

    // Ten minutes.
    let company = house.app.company.clone().unwrap();
    let later: fn() -> OffsetDateTime = || OffsetDateTime::now_utc() + Duration::minutes(11);
    let site = house.app.site.clone();
    let issuer = provider.issuer.clone();
    let late = tokio::task::spawn_blocking(move || {
        let begun = company.begin(&site, &Gate::default(), ("here", "/"), OffsetDateTime::now_utc).unwrap();
        let state = begun.to.split(['?', '&']).find_map(|part| part.strip_prefix("state=")).unwrap().to_owned();
        let browser = Some(begun.browser.to_string());
        let answer = Answer { state, code: Some("x".into()), error: None, iss: Some(issuer), browser };
        company.finish(&site, &Gate::default(), ("here", answer), later).map(drop).unwrap_err()
    });
    assert!(late.await.unwrap().to_string().contains("longer than ten minutes"));

    // Whoever asks again and again waits.
    let mut statuses = Vec::new();
    for _ in 0..41 {
        statuses.push(house.get("/sign-in/company/back?state=x&code=y", "").await.status());
    }
    assert_eq!(statuses.last(), Some(&StatusCode::TOO_MANY_REQUESTS));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_name_is_nobody() {
    let Some(provider) = provider() else { return };
    let house = house(&provider.issuer);
    let who = |token: &Option<String>| house.session(token.as_deref().unwrap()).unwrap().account.to_string();

    // The company's Ada, a second one, and the first one again under her new name.
    provider.next_is("sub=1&preferred_username=Ada&groups=engineers");
    assert_eq!(who(&house.sign_in("").await.2), "Ada (2)");
    provider.next_is("sub=2&preferred_username=Ada&groups=quality");
    assert_eq!(who(&house.sign_in("").await.2), "Ada (3)");
    provider.next_is("sub=1&preferred_username=countess&groups=engineers");
    assert_eq!(who(&house.sign_in("").await.2), "Ada (2)");
    let ada = house.app.site.book.account(&Name::new("ada").unwrap()).unwrap().unwrap();
    assert!(ada.password.is_some() && !ada.company, "the local account is as it was");
    let local = |name: &str| {
        access::sign_in(&house.app.site, &Gate::default(), name, PASSWORD, "here", OffsetDateTime::now_utc)
    };
    drop(local("ada").unwrap());
    assert!(local("Ada (2)").is_err(), "a company account has no password here");

    // Nor can her name be typed where a password proves who acts.
    let ask = |_: &str| Ok(zeroize::Zeroizing::new(PASSWORD.to_owned()));
    let refused = access::Standing::Typed(&ask)
        .prove(&house.app.site, &Who::new("Ada (2)").unwrap(), "a revocation")
        .expect_err("no password");
    assert!(refused.to_string().contains("company's account"), "{refused}");

    // Names that can't stand in the log; what stands there instead is the next best.
    for (name, stands) in [
        ("sub=4&preferred_username=ev%0Ail&email=g%40tern.example", "g@tern.example"),
        ("sub=5&preferred_username=%E2%80%AEevil", "5"),
    ] {
        provider.next_is(&format!("{name}&groups=engineers"));
        let account = who(&house.sign_in("").await.2);
        assert_eq!(account, stands);
    }

    // Who was closed here stays out, whatever the company says.
    let ada = Who::new("ada").unwrap();
    access::close(&house.app.site, "Ada (2)", &ada).unwrap();
    provider.next_is("sub=1&preferred_username=Ada&groups=engineers");
    let (status, page, none) = house.sign_in("").await;
    assert_eq!((status, none), (StatusCode::UNPROCESSABLE_ENTITY, None));
    assert!(page.contains("account Ada (2) is closed") || page.contains("Account Ada (2) is closed"), "{page}");

    // A session of the company's ends after a shift, used or not.
    provider.next_is("sub=2&preferred_username=Ada&groups=quality");
    let token = house.sign_in("").await.2.unwrap();
    let begun = OffsetDateTime::now_utc();
    let after = |minutes| access::session(&house.app.site, &token, begun + Duration::minutes(minutes)).unwrap();
    assert!((0..24).all(|n| after(n * 30).is_some()), "in use all the while");
    assert!(after(12 * 60 + 1).is_none());
}

#[tokio::test(flavor = "multi_thread")]
async fn without_the_provider_local_accounts_go_on() {
    let silent = TcpListener::bind("127.0.0.1:0").unwrap();
    let gone = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    for (at, most) in [(gone, 3.0), (silent.local_addr().unwrap(), 8.0)] {
        let house = house(&format!("http://{at}"));
        let since = Instant::now();
        let response = house.get("/sign-in/company?next=%2Freels", "").await;
        assert!(since.elapsed().as_secs_f64() < most, "{:?}", since.elapsed());
        assert_eq!(response.status(), StatusCode::SERVICE_UNAVAILABLE);
        let page = text(response).await;
        assert!(page.contains("Tern &#38; Hollow can&#39;t be reached"), "{page}");
        assert!(page.contains("Connection refused") || page.contains("no answer within 5 seconds"), "{page}");
        assert!(page.contains("By password") && page.contains("value=\"/reels\""), "{page}");
        let form = format!("name=ada&password={}&next=%2Freels", PASSWORD.replace(' ', "+"));
        let request = Request::post("/sign-in")
            .header("host", "localhost:8080")
            .header("content-type", "application/x-www-form-urlencoded");
        let entered = house.router.clone().oneshot(request.body(Body::from(form)).unwrap()).await.unwrap();
        assert_eq!(entered.headers()[header::LOCATION], "/reels");
    }
}

#[test]
fn settings_that_would_let_somebody_in_are_refused() {
    let folder = TempDir::new().unwrap();
    let good = settings("https://id.example");
    site(&folder, &good).expect("the settings as they should be; nothing is asked yet");
    for (from, to, says) in [
        ("https://id.example", "http://id.example", "https://"),
        ("\"engineer\"", "\"root\"", "not a role"),
        (AT, "http://line2.example", "https://"),
        (AT, "https://line2.example/pages", "scheme, name and port alone"),
        ("address =", "groups_claim =", "pages.hosts names no host"),
        ("name = \"Tern & Hollow\"", "name = \"\"", "empty"),
        ("client_id", "client_secret", "unknown field"),
    ] {
        let text = good.replace(from, to);
        assert_ne!(text, good);
        let refused = site(&folder, &text).map(drop).expect_err(to).to_string();
        assert!(refused.contains(says), "{to}: {refused}");
    }
    // Where names are set, the address has one of them; without an address, the first name is it.
    let plain = std::fs::read_to_string(folder.path().join("plain")).unwrap();
    std::fs::write(folder.path().join("plain"), plain.replace("hosts = []", "hosts = [\"line2.example\"]")).unwrap();
    let elsewhere = site(&folder, &good).map(drop).expect_err("another name").to_string();
    assert!(elsewhere.contains("localhost is not one of pages.hosts"), "{elsewhere}");
    let named = |address: &str| site(&folder, &good.replace(&format!("address = \"{AT}\"\n"), address));
    let (app, _close) = named("address = \"https://line2.example:8443\"\n").unwrap();
    assert_eq!(app.company.as_ref().unwrap().address(), "https://line2.example:8443");
    let plainly = named("").map(drop).expect_err("the name, without TLS").to_string();
    assert!(plainly.contains("http://line2.example: beyond this machine"), "{plainly}");
    let secret = folder.path().join("site/keys/openid.secret");
    std::fs::set_permissions(&secret, PermissionsExt::from_mode(0o640)).unwrap();
    let refused = site(&folder, &good).map(drop).expect_err("others can read it").to_string();
    assert!(refused.contains("mode 0640") && !refused.contains(SECRET), "{refused}");
}
