//! A program that writes to a book: for tests that kill it, and for measuring.
//!
//! `station BOOK new CHIPS` makes a site with a reel and a delivery of so many
//! made-up chips and says how long each took; `station BOOK provision STATION
//! REEL` passes every unit of a reel that has not passed, and says so of each;
//! `station BOOK plain STATION FIRST COUNT` passes so many chips that nobody
//! touched, and says how long it took; `station BOOK verify` verifies.
//! BOOK is `sqlite:FILE` or `postgres://…`.

use std::error::Error;
use std::io::Write;
use std::path::Path;
use std::time::Instant;

use book::ids::{Actor, AuthorityName, ChipId, DeliveryId, ProductName, ReelId, SiteId, StationName, UnitSerial};
use book::{
    AuthorityOrigin, Begin, BeginError, Book, By, ChipState, DeliveryOrigin, DeliveryVerdict, Finish, Location,
    NewAuthority, NewChip, NewCredential, NewDelivery, NewProduct, NewProof, NewReel, OpenOptions, Outcome, Purpose,
    Role, SerialWish, Step,
};
use sha2::{Digest, Sha256};
use time::OffsetDateTime;

type Told<T> = Result<T, Box<dyn Error + Send + Sync>>;

fn chip(n: u32) -> Told<NewChip> {
    let digest = Sha256::digest(n.to_be_bytes());
    let mut public_key = [4; 65];
    public_key[1..33].copy_from_slice(&digest);
    public_key[33..].copy_from_slice(&digest);
    Ok(NewChip { chip_id: ChipId::new(&format!("01A0{n:014X}"))?, public_key })
}

fn certificate(public_key: &[u8]) -> Vec<u8> {
    public_key.iter().copied().cycle().take(496).collect()
}

fn authority() -> Told<NewAuthority> {
    Ok(NewAuthority {
        name: AuthorityName::new("Quarry Lane PAI 1")?,
        role: Role::Pai,
        origin: AuthorityOrigin::Delivered,
        purpose: Purpose::Test,
        certificate: vec![0x30; 470],
        subject_key_id: vec![0xA1; 20],
        issuer: None,
        key_reference: None,
        trusted: false,
        not_after: None,
    })
}

fn by(station: Option<&str>) -> Told<By> {
    let station = station.map(StationName::new).transpose()?;
    Ok(By { actor: Actor::new("operator")?, station, at: OffsetDateTime::now_utc() })
}

fn open(location: &Location) -> Told<Book> {
    let options = OpenOptions { backups: ".".into(), site: None, at: OffsetDateTime::now_utc() };
    Ok(Book::open(location, &options)?)
}

fn new(location: &Location, chips: u32, out: &mut dyn Write) -> Told<()> {
    let by = by(None)?;
    let book = Book::create(location, &SiteId::new("measured")?, "measured", &by)?;
    let product = NewProduct {
        name: ProductName::new("Tern Vent")?,
        purpose: Purpose::Test,
        vendor_id: 0xFFF2,
        product_id: 0x8A21,
        device_type: 0x0202,
        reach: "ble".into(),
        flow: "standard".into(),
        settings: serde_json::json!({}),
        objects: serde_json::json!([]),
    };
    book.add_product(&product, &by)?;
    let reel = ReelId::new("REEL-A")?;
    let manifest = NewReel {
        reel: reel.clone(),
        product: product.name,
        source_name: "manifest.csv".into(),
        source_digest: [1; 32],
    };
    let made: Vec<NewChip> = (0..chips).map(chip).collect::<Told<_>>()?;
    let since = Instant::now();
    book.receive_reel(&manifest, made.iter().cloned().map(Ok), &by)?;
    let rate = f64::from(chips) / since.elapsed().as_secs_f64();
    writeln!(out, "reel: {chips} chips, {rate:.0} a second")?;
    let delivery = NewDelivery {
        delivery: DeliveryId::new("D-1")?,
        reel,
        origin: DeliveryOrigin::Received,
        source_name: "delivery.zip".into(),
        content_digest: [2; 32],
        verdict: DeliveryVerdict::Accepted,
        certificates_read: chips.into(),
        report: serde_json::json!({}),
        authorities: vec![authority()?],
    };
    let pai = authority()?.name;
    let credentials = made.iter().map(|chip| {
        Ok(NewCredential {
            public_key: chip.public_key,
            authority: pai.clone(),
            issuer_key_id: vec![0xA1; 20],
            serial: chip.public_key[1..21].to_vec(),
            not_after: None,
            certificate: certificate(&chip.public_key),
        })
    });
    let since = Instant::now();
    book.store_delivery(&delivery, credentials, &by)?;
    let rate = f64::from(chips) / since.elapsed().as_secs_f64();
    writeln!(out, "delivery: {chips} credentials, {rate:.0} a second")?;
    Ok(())
}

/// One unit: the two commits of an attempt. `None` where it had passed before.
fn provision(book: &Book, station: &str, chip: &ChipId, unit: &UnitSerial) -> Told<Option<UnitSerial>> {
    let by = by(Some(station))?;
    let begun = book.begin_attempt(&Begin {
        onboard: &|_| {
            Ok(Some(book::Onboarding {
                discriminator: 3840,
                salt: vec![7; 32],
                iterations: 1000,
                verifier: vec![9; 97],
                passcode: Some(vec![5; 48]),
            }))
        },
        take_over: true,
        ..Begin::new(chip, SerialWish::IfNew(unit), &by)
    });
    let begun = match begun {
        Err(BeginError::AlreadyProvisioned { .. }) => return Ok(None),
        begun => begun?,
    };
    let proof = NewProof {
        nonce: Sha256::digest(format!("{unit} {} {}", begun.attempt, begun.entry)).into(),
        challenge: vec![0xC4; 16],
        elements: vec![0xE1; 320],
        signature: vec![0x51; 64],
        dac: begun.credential.certificate.clone(),
        pai: begun.authority.facts.certificate.clone(),
        declaration: Some(vec![0xCD; 240]),
        objects: Vec::new(),
        report: serde_json::json!({ "findings": [] }),
        at: OffsetDateTime::now_utc(),
    };
    let names = [
        "identify",
        "intention",
        "write DAC",
        "write PAI",
        "write declaration",
        "read back",
        "exchange",
        "judge",
        "lock",
    ];
    let steps: Vec<_> = (0..)
        .zip(names)
        .map(|(n, name)| Step {
            name: name.into(),
            started_us: n * 1000,
            duration_us: 900,
            result: "done".into(),
            detail: None,
        })
        .collect();
    let finish = Finish {
        unit: &begun.unit.serial,
        attempt: begun.attempt,
        steps: &steps,
        outcome: Outcome::Passed(&proof),
        by: &by,
    };
    Ok(Some(book.finish_attempt(&finish)?.unit.serial))
}

fn main() -> Told<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let Some((url, words)) = words.split_first() else { return Err("which book?".into()) };
    let location = Location::parse(url, Path::new("."))?;
    let mut out = std::io::stdout().lock();
    match words {
        ["new", chips] => new(&location, chips.parse()?, &mut out),
        ["provision", station, reel] => {
            let (book, reel, mut after) = (open(&location)?, ReelId::new(reel)?, 0);
            loop {
                let page = book.chips(&reel, after, 100)?;
                for chip in page.items.iter().filter(|c| c.state != ChipState::Provisioned) {
                    let unit = UnitSerial::new(&format!("TV-{:06}", chip.position))?;
                    if let Some(unit) = provision(&book, station, &chip.chip_id, &unit)? {
                        writeln!(out, "passed {unit}")?;
                    }
                }
                match page.next {
                    Some(next) => after = next,
                    None => return Ok(()),
                }
            }
        }
        ["plain", station, first, count] => {
            let (book, first, count): (_, u32, u32) = (open(&location)?, first.parse()?, count.parse()?);
            let since = Instant::now();
            for n in first..first + count {
                provision(&book, station, &chip(n)?.chip_id, &UnitSerial::new(&format!("TV-{n:08}"))?)?;
            }
            let each = since.elapsed().as_secs_f64() * 1000.0 / f64::from(count);
            writeln!(out, "{count} units at {station}: {each:.3} ms each")?;
            Ok(())
        }
        ["verify"] => {
            let book = open(&location)?;
            let since = Instant::now();
            let verified = book.verify(None)?;
            let (seconds, rows) = (since.elapsed().as_secs_f64(), verified.rows);
            writeln!(out, "{} entries, {rows} rows: {} damages, {seconds:.2} s", verified.entries, verified.total)?;
            let since = Instant::now();
            writeln!(out, "{:?}: {:.2} s", book.reconcile(None)?, since.elapsed().as_secs_f64())?;
            Ok(())
        }
        _ => Err("new CHIPS, provision STATION REEL, plain STATION FIRST COUNT, or verify".into()),
    }
}
