//! A report on a line whose troubles were planted: it must find them, and no others.

#![cfg(test)]

use base::course::Course;
use book::ids::{Actor, AuthorityName, ChipId, DeliveryId, ProductName, ReelId, StationName, UnitSerial};
use book::{
    AuthorityOrigin, Begin, By, DeliveryOrigin, DeliveryVerdict, Finish, NewAuthority, NewChip, NewCredential,
    NewDelivery, NewProduct, NewProof, NewReel, Next, Outcome, Purpose, Role, SerialWish, Step,
};
use decide::plan::Past;
use report::{Request, Scope, page, report};
use serde_json::json;
use site::{NewBook, Site, Who};
use tempfile::TempDir;
use time::macros::{datetime, offset};
use time::{Duration, OffsetDateTime};

/// Monday's first shift.
const BEGIN: OffsetDateTime = datetime!(2026-03-02 06:00 UTC);
const HOURS: i64 = 30;
/// The hour in which station S2's fixture is loose.
const BAD_HOUR: i64 = 17;

struct Line {
    site: Site,
    _dir: TempDir,
}

fn at(second: i64) -> OffsetDateTime {
    BEGIN + Duration::seconds(second)
}

fn by(station: &str, second: i64) -> By {
    By::station(Actor::new("operator").unwrap(), StationName::new(station).unwrap(), at(second))
}

fn key(n: u32) -> [u8; 65] {
    let mut key = [0; 65];
    key[0] = 4;
    key[1..5].copy_from_slice(&n.to_be_bytes());
    key
}

fn chip_id(n: u32) -> ChipId {
    ChipId::new(&format!("01A0{n:014X}")).unwrap()
}

fn authority(name: &str, role: Role, issuer: Option<&str>) -> NewAuthority {
    NewAuthority {
        name: AuthorityName::new(name).unwrap(),
        role,
        origin: AuthorityOrigin::Adopted,
        purpose: Purpose::Test,
        certificate: name.as_bytes().to_vec(),
        subject_key_id: vec![name.len() as u8; 20],
        issuer: issuer.map(|i| AuthorityName::new(i).unwrap()),
        key_reference: None,
        trusted: role == Role::Paa,
        not_after: None,
    }
}

impl Line {
    /// Product, and reels A and B of 500 chips with their credentials; A's answer an order.
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let who = Who::new("engineer").unwrap();
        let (site, _) =
            Site::create(&dir.path().join("site"), NewBook::default(), "Tern & Hollow, line 2", None, &who).unwrap();
        let person = || By::person(Actor::new("engineer").unwrap(), at(-86_400));
        let product = NewProduct {
            name: ProductName::new("Tern Vent").unwrap(),
            purpose: Purpose::Test,
            vendor_id: 0xFFF2,
            product_id: 0x8A21,
            device_type: 0x0202,
            reach: "ble".into(),
            flow: "standard".into(),
            settings: json!({}),
            objects: json!([]),
        };
        site.book.add_product(&product, &person()).unwrap();
        site.book.add_authority(&authority("PAA", Role::Paa, None), &person()).unwrap();
        for (reel, numbers) in [("A", 0..500), ("B", 500..1000u32)] {
            let id = ReelId::new(reel).unwrap();
            let new = NewReel {
                reel: id.clone(),
                product: product.name.clone(),
                source_name: "manifest.csv".into(),
                source_digest: [reel.as_bytes()[0]; 32],
            };
            let chips = numbers.clone().map(|n| Ok(NewChip { chip_id: chip_id(n), public_key: key(n) }));
            site.book.receive_reel(&new, chips, &person()).unwrap();
            if reel == "A" {
                site.book.record_order(&id, "order-a.csv", &[7; 32], &book::Places::of(1..=500), &person()).unwrap();
            }
            let pai = authority("PAI of reels", Role::Pai, Some("PAA"));
            let delivery = NewDelivery {
                delivery: DeliveryId::new(&format!("D-{reel}")).unwrap(),
                reel: id,
                origin: DeliveryOrigin::Received,
                source_name: "delivery.zip".into(),
                content_digest: [reel.as_bytes()[0]; 32],
                verdict: DeliveryVerdict::Accepted,
                certificates_read: 500,
                report: json!({}),
                authorities: vec![pai.clone()],
            };
            let credentials = numbers.map(|n| {
                Ok(NewCredential {
                    public_key: key(n),
                    authority: pai.name.clone(),
                    issuer_key_id: pai.subject_key_id.clone(),
                    serial: n.to_be_bytes().to_vec(),
                    not_after: None,
                    certificate: n.to_be_bytes().to_vec(),
                })
            });
            site.book.store_delivery(&delivery, credentials, &person()).unwrap();
        }
        Self { site, _dir: dir }
    }

    /// One attempt at a chip; how long it took and how it ended.
    fn attempt(&self, n: u32, station: &str, second: i64, fault: Option<(&str, Next)>) {
        let serial = UnitSerial::new(&format!("TV-{n:06}")).unwrap();
        let begun = self
            .site
            .book
            .begin_attempt(&Begin::new(&chip_id(n), SerialWish::IfNew(&serial), &by(station, second)))
            .unwrap();
        let step = |name: &str, ms: i64, result: &str| Step {
            name: name.into(),
            started_us: 0,
            duration_us: ms * 1000,
            result: result.into(),
            detail: None,
        };
        let mut nonce = [0; 32];
        nonce[..4].copy_from_slice(&n.to_be_bytes());
        let proof = NewProof {
            nonce,
            challenge: vec![1; 16],
            elements: vec![2; 100],
            signature: vec![3; 64],
            dac: n.to_be_bytes().to_vec(),
            pai: b"PAI of reels".to_vec(),
            declaration: None,
            objects: Vec::new(),
            report: json!({}),
            at: at(second + 20),
        };
        let (outcome, last) = match fault {
            None => (Outcome::Passed(&proof), step("prove", 68 + i64::from(n % 7), "done")),
            Some((cause, next)) => (Outcome::Failed { cause, detail: "", next }, step("prove", 900, cause)),
        };
        let steps = [step("write dac", 40 + i64::from(n % 3), "done"), last];
        let finish =
            Finish { unit: &serial, attempt: begun.attempt, steps: &steps, outcome, by: &by(station, second + 20) };
        self.site.book.finish_attempt(&finish).unwrap();
    }
}

/// Thirty hours, three stations, two reels. Reel B fails five times as often as A, and S1 has most of it.
/// S3 fails whatever it gets. In one hour S2 loses contact, twice with nearly every unit.
fn worked() -> Line {
    let line = Line::new();
    let mut rng = fastrand::Rng::with_seed(11);
    let (mut a, mut b) = (0, 500);
    for hour in 0..HOURS {
        for (index, station) in ["S1", "S2", "S3"].into_iter().enumerate() {
            for turn in 0..7 {
                let from_b = if station == "S1" { turn != 0 } else { turn == 0 };
                let n = if from_b { &mut b } else { &mut a };
                let second = hour * 3600 + turn * 400 + index as i64 * 60;
                let loose = hour == BAD_HOUR && station == "S2" && turn > 0;
                let share = if from_b { 0.10 } else { 0.02 } + if station == "S3" { 0.22 } else { 0.0 };
                let fault = if loose {
                    Some(("no-answer", Next::Retry))
                } else if rng.f64() < share {
                    Some(if rng.bool() { ("read-back-differs", Next::Retry) } else { ("refused", Next::Scrap) })
                } else {
                    None
                };
                line.attempt(*n, station, second, fault);
                if loose {
                    line.attempt(*n, station, second + 25, fault);
                }
                if matches!(fault, Some((_, Next::Retry))) {
                    line.attempt(*n, station, second + 30, None);
                }
                *n += 1;
            }
        }
    }
    line
}

#[test]
fn planted_troubles_are_found() {
    let line = worked();
    let now = at(HOURS * 3600 + 60);
    let mut request = Request { worst_hour: true, ..Request::of(Scope::Site) };
    let told = report(&line.site, &request, now, &Course::new()).unwrap();

    let y = &told.yields;
    assert_eq!(y.first_pass.all, 630, "every unit's first attempt");
    assert_eq!(y.units.iter().sum::<u64>(), 630);
    assert_eq!(y.attempts[0], y.units[0], "each passed unit passed once");
    assert_eq!(y.last.good, 630 - y.units[2]);
    let causes: u64 = told.causes.iter().map(|c| c.failures).sum();
    assert_eq!(causes, y.attempts[1]);
    assert!((told.causes.last().unwrap().running_share - 1.0).abs() < 1e-12);
    assert!(told.causes.windows(2).all(|w| w[0].failures >= w[1].failures));

    let worst = told.worst_hour.as_ref().unwrap();
    assert_eq!(worst.begins, "2026-03-02T23:00:00Z", "{worst:?}");
    assert!(worst.stands_out && worst.by_chance < 1e-3 && worst.hours as i64 == HOURS, "{worst:?}");
    let first = |kind: &str| worst.different.iter().find(|d| d.kind == kind).map(|d| d.name.as_str());
    assert_eq!((first("cause"), first("station")), (Some("no-answer"), Some("S2")), "{worst:?}");

    let apart: Vec<_> =
        told.stations.stations.iter().map(|s| (s.station.as_str(), s.apart, s.ratio.unwrap() > 1.0)).collect();
    assert_eq!(apart[2], ("S3", true, true), "{:?}", told.stations);
    assert!(!apart[0].2, "S1 had the bad reel and is not worse for it: {:?}", told.stations);

    let prove = told.steps.iter().find(|s| s.name == "prove").unwrap();
    assert_eq!((prove.done.all, prove.done.good), (y.attempts[0] + y.attempts[1], y.attempts[0]));
    assert!((68.0..=74.0).contains(&prove.median_ms) && prove.longest_ms == 900.0, "{prove:?}");
    assert!(told.test && told.log.entries > 1_000 && told.log.root.len() == 64);

    // A control chart by the hour has the planted hour outside its limits, and few others.
    request.every = Some(Duration::HOUR);
    let hourly = report(&line.site, &request, now, &Course::new()).unwrap().control;
    assert_eq!(hourly.points.len() as i64, HOURS);
    let out: Vec<_> = hourly.points.iter().filter(|p| p.out).map(|p| p.begins.as_str()).collect();
    assert_eq!(out, ["2026-03-02T23:00:00Z"]);

    // Parts add up to the whole.
    let first_attempts =
        |request: &Request| report(&line.site, request, now, &Course::new()).unwrap().yields.first_pass.all;
    let reels = ["A", "B"].map(|r| first_attempts(&Request::of(Scope::Reel(r.into()))));
    assert_eq!(reels.iter().sum::<u64>(), 630);
    let order = report(&line.site, &Request::of(Scope::Order("A/1".into())), now, &Course::new()).unwrap();
    assert_eq!((order.yields.first_pass.all, order.order.as_ref().unwrap().by_delivery), (reels[0], true));
    assert_eq!(order.stock.as_ref().unwrap().chips[0], 500);
    let by_name = report(&line.site, &Request::of(Scope::Order("order-a.csv".into())), now, &Course::new()).unwrap();
    assert_eq!(by_name.yields, order.yields);
    assert_eq!(first_attempts(&Request::of(Scope::Product("Tern Vent".into()))), 630);
    let day =
        |zone, from| Request { from: Some(from), to: Some(from + Duration::DAY), zone, ..Request::of(Scope::Site) };
    let utc = first_attempts(&day(offset!(UTC), datetime!(2026-03-02 00:00 UTC)));
    assert_eq!(utc, 18 * 21, "06:00 to 24:00");
    let east = first_attempts(&day(offset!(+6), datetime!(2026-03-02 00:00 +6)));
    assert_eq!(east, 12 * 21, "of a day that ends at 18:00 UTC");

    // The past that a plan learns from.
    let past = Past::of_site(&line.site, Some("A"), None).unwrap();
    let a = report(&line.site, &Request::of(Scope::Reel("A".into())), now, &Course::new()).unwrap();
    assert_eq!((past.good, past.lost), (a.yields.last.good, a.yields.units[2]));
    assert!(past.attempts_per_chip.unwrap() > 1.0 && past.attempt_seconds.unwrap() > 0.1);

    pages(&told);
    refused(&line, now);
}

fn pages(told: &report::Report) {
    let document = page::document(told);
    let html = document.html();
    for word in ["no-answer", "stands apart", "The worst hour: 2026-03-02 23:00 to 00:00 UTC", "TEST", &told.log.root] {
        assert!(html.contains(word), "{word}");
    }
    assert!(!html.contains("NaN") && html.matches("<svg").count() >= 4);
    let (pdf, count) = document.pdf(Vec::new()).unwrap();
    assert!(pdf.starts_with(b"%PDF-1.7") && count >= 2, "{count} pages");
    if let Some(folder) = std::env::var_os("TOUCHMARK_KEEP_PAGES") {
        let folder = std::path::PathBuf::from(folder);
        std::fs::write(folder.join("report.html"), &html).unwrap();
        std::fs::write(folder.join("report.pdf"), &pdf).unwrap();
    }
}

fn refused(line: &Line, now: OffsetDateTime) {
    let wrong = |request: Request| report(&line.site, &request, now, &Course::new()).expect_err("refused").to_string();
    let site = || Request::of(Scope::Site);
    assert!(wrong(Request::of(Scope::Reel("Z".into()))).contains('Z'));
    assert!(wrong(Request::of(Scope::Product("Tern Damper".into()))).contains("Tern Damper"));
    assert!(wrong(Request::of(Scope::Order("other.csv".into()))).contains("other.csv"));
    assert!(wrong(Request { station: Some("S9".into()), ..site() }).contains("S9"));
    assert!(wrong(Request { from: Some(now), to: Some(now), ..site() }).contains("ends before"));
    assert!(wrong(Request { every: Some(Duration::SECOND), ..site() }).contains("intervals"));
    // A period without an attempt is a report too.
    let empty =
        report(&line.site, &Request { from: Some(now), worst_hour: true, ..site() }, now, &Course::new()).unwrap();
    assert_eq!((empty.yields.first_pass.all, empty.worst_hour.clone(), empty.control.points.len()), (0, None, 0));
    assert!(!page::document(&empty).html().contains("NaN"));
}
