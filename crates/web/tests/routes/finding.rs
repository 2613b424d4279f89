//! The box that finds everything, the pages that it leads to, and the forms there: what nobody touched stays.

use line::chips::{self, Bench, FaultLevel, WhichChips};

use super::*;

/// The generator of P-256 (SEC 2, 2.4.2).
const POINT: &str = "046b17d1f2e12c4247f8bce6e563a440f277037d812deb33a0f4a13945d898c2964fe342e2fe1a7f9b8ee7eb4a7c0f9e162bce33576b315ececbb6406837bf51f5";

struct Desk {
    house: House,
    cookie: String,
    word: String,
    folder: TempDir,
}

impl Desk {
    async fn new() -> Self {
        let house = house();
        let (cookie, word) = house.session(Role::Engineer);
        let folder = TempDir::new().unwrap();
        let desk = Self { house, cookie, word, folder };
        let product = "name=Vent&vendor=FFF2&product=8A21&device_type=514&reach=ble&flow=standard";
        assert_eq!(desk.send("/products", product).await.0, StatusCode::SEE_OTHER);
        let site = &desk.house.app.site;
        let known = desk.folder.path().join("known.csv");
        std::fs::write(&known, format!("chip_id,public_key\nAB01,{POINT}\n")).unwrap();
        let drawn = desk.folder.path().join("drawn.csv");
        let (which, bench) = (WhichChips::Count(2), Bench::default());
        chips::simulate(&site.dir.join("chips"), &which, Some(7), FaultLevel::None, bench, Some(&drawn)).unwrap();
        for (reel, manifest) in [("R 1", known), ("R 2", drawn)] {
            let (options, who) = (receive::reel::Options::default(), Who::new("Ada").unwrap());
            let course = base::course::Course::new();
            let done = receive::reel::receive(site, &manifest, reel, "Vent", &options, &who, &course).unwrap();
            assert!(done.is_accepted());
        }
        desk
    }

    /// Status, where it leads, and the text.
    async fn send(&self, at: &str, typed: &str) -> (StatusCode, String) {
        let r = request(&Method::POST, at)
            .header("cookie", &self.cookie)
            .header("content-type", "application/x-www-form-urlencoded");
        let got = self.house.ask(r.body(Body::from(format!("form={}&{typed}", self.word))).unwrap()).await;
        (got.status(), text(got).await)
    }

    async fn get(&self, at: &str) -> (StatusCode, String, String) {
        let r = request(&Method::GET, at).header("cookie", &self.cookie);
        let got = self.house.ask(r.body(Body::empty()).unwrap()).await;
        let to = got.headers().get(header::LOCATION).map_or("", |to| to.to_str().unwrap()).to_owned();
        (got.status(), to, text(got).await)
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn what_has_a_name_is_found_and_has_a_page() {
    let desk = Desk::new().await;
    for (asked, to) in [
        ("vent", "/products/Vent"),
        ("r+1", "/reels/R%201"),
        ("ab01", "/reels/R%201?from=1&to=11"),
        ("OLGA", "/people/Olga"),
        ("dac.key-usage", "/rules/dac.key-usage"),
    ] {
        let got = desk.get(&format!("/find?q={asked}")).await;
        assert_eq!((got.0, &*got.1), (StatusCode::SEE_OTHER, to), "{asked}: {}", got.2);
        assert_eq!(desk.get(to).await.0, StatusCode::OK, "{to}");
    }
    let several = desk.get("/find?q=R").await;
    assert_eq!(several.0, StatusCode::OK);
    assert!(several.2.contains("/reels/R%201") || several.2.contains("dac.revoked") || several.2.contains("/rules/"));
    let none = desk.get("/find?q=zebra").await;
    assert!(none.0 == StatusCode::OK && none.2.contains("Nothing found"), "{}", none.2);
    // A code holds a passcode: it is not written into the page.
    let code = desk.get("/find?q=MT:Y.K9042C00KA0648G00").await;
    assert!(code.0 == StatusCode::OK && !code.2.contains("K9042C00KA0648G00"), "{}", code.2);
    for page in ["/line", "/units", "/people/Olga", "/log"] {
        assert!(desk.get(page).await.2.contains("action=\"/find\""), "{page}");
    }
    // Whoever may not read what is found has no box.
    let (cookie, _) = desk.house.session(Role::Operator);
    let r = request(&Method::GET, "/line").header("cookie", &cookie).body(Body::empty()).unwrap();
    assert!(!text(desk.house.ask(r).await).await.contains("action=\"/find\""));
}

#[tokio::test(flavor = "multi_thread")]
async fn changing_an_account_changes_what_was_touched_and_shows_it() {
    let desk = Desk::new().await;
    let shown = || access::accounts(&desk.house.app.site).unwrap().into_iter().find(|a| a.name == "Otto").unwrap();
    let page = desk.get("/people/Otto").await.2;
    assert!(page.contains("value=\"auditor\" selected"), "filled with what is: {page}");
    // A new password alone.
    let form = format!("seen={}&role=auditor&password=another+long+password", shown().entry);
    let (status, told) = desk.send("/people/Otto/change", &form).await;
    assert_eq!(status, StatusCode::OK, "{told}");
    assert!(told.contains("Password") && told.contains("set anew") && !told.contains("<td>Role</td>"), "{told}");
    assert_eq!(shown().role, "auditor");
    // What was filled in before somebody else changed it is refused.
    let (status, told) = desk.send("/people/Otto/change", &form).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{told}");
    assert!(told.contains("Somebody else changed this"), "{told}");
    // Another role asks again, and is then shown old and new.
    let form = format!("seen={}&role=operator", shown().entry);
    let (status, told) = desk.send("/people/Otto/change", &form).await;
    assert_eq!(status, StatusCode::BAD_REQUEST);
    assert!(told.contains("name=\"sure\"") && told.contains("auditor now, and would be operator"), "{told}");
    assert_eq!(shown().role, "auditor", "nothing was changed");
    let (status, told) = desk.send("/people/Otto/change", &format!("{form}&sure=on")).await;
    assert!(status == StatusCode::OK && told.contains("<td>auditor</td><td><b>operator</b></td>"), "{told}");
    assert_eq!(shown().role, "operator");
}

#[tokio::test(flavor = "multi_thread")]
async fn changing_a_station_changes_what_was_touched_and_shows_it() {
    let desk = Desk::new().await;
    let first =
        "station=S1&reel=R+1&source=simulated%3Achips&serial_start=TV-000001&takt=12&per_hour=90&firmware=1.4.0";
    let added = desk.send("/stations", first).await;
    assert_eq!(added.0, StatusCode::SEE_OTHER, "{}", added.1);
    // Adding it again changes nothing.
    let again = desk.send("/stations", "station=S1&reel=R+2&source=simulated%3Achips").await;
    assert_eq!(again.0, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(again.1.contains("id=\"said-station-station\""), "{}", again.1);
    let shown = || line::floor::station(&desk.house.app.site, "S1").unwrap();
    assert_eq!(shown().reel, "R 1");
    let seen = || {
        let json = serde_json::to_string(&shown()).unwrap();
        json.bytes().map(|b| format!("%{b:02X}")).collect::<String>()
    };
    let page = desk.get("/stations/S1/about").await.2;
    for filled in ["value=\"R 1\" selected", "value=\"TV-000001\"", "value=\"12\"", "value=\"90\"", "value=\"1.4.0\""] {
        assert!(page.contains(filled), "{filled}: {page}");
    }
    let rest = "source=simulated%3Achips&serial_start=TV-000001&per_hour=90&firmware=1.4.0";
    let (status, told) = desk.send("/stations/S1/change", &format!("seen={}&reel=R+1&takt=15&{rest}", seen())).await;
    assert!(status == StatusCode::OK && told.contains("<td>12 s</td><td><b>15 s</b></td>"), "{told}");
    assert!(!told.contains("<td>Reel</td>"), "{told}");
    let moved = format!("seen={}&reel=R+2&takt=15&{rest}", seen());
    let (status, told) = desk.send("/stations/S1/change", &moved).await;
    assert!(status == StatusCode::BAD_REQUEST && told.contains("name=\"sure\""), "{told}");
    assert_eq!((shown().reel, shown().takt_seconds), ("R 1".into(), Some(15.0)), "nothing was changed");
    let (status, told) = desk.send("/stations/S1/change", &format!("{moved}&sure=on")).await;
    assert!(status == StatusCode::OK && told.contains("<td>R 1</td><td><b>R 2</b></td>"), "{told}");
}
