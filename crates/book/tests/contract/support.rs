//! What every case needs: a place for a book, a site in it, chips and credentials.

use std::path::Path;
use std::sync::atomic::{AtomicU32, Ordering};

use book::ids::{
    Actor, AttemptNumber, AuthorityName, ChipId, DeliveryId, ProductName, ReelId, SiteId, StationName, UnitSerial,
};
use book::{
    AuthorityOrigin, Begin, Begun, Book, By, DeliveryOrigin, DeliveryVerdict, Finish, Finished, Location, NewAuthority,
    NewChip, NewCredential, NewDelivery, NewProduct, NewProof, NewReel, Next, Onboarding, OpenOptions, Outcome,
    Purpose, ReadBack, Role, SerialWish, Step, Stop, Stored,
};
use serde_json::json;
use tempfile::TempDir;
use time::{Duration, OffsetDateTime};

use crate::server::Server;

/// Where the cases of one run find their books.
pub enum Engine<'a> {
    Sqlite,
    Postgresql(&'a Server),
}

/// A place for one book, empty at first.
pub struct Place {
    pub folder: TempDir,
    pub location: Location,
    /// The database's name on a server.
    pub database: Option<String>,
}

static PLACES: AtomicU32 = AtomicU32::new(0);

impl Engine<'_> {
    pub fn place(&self) -> Place {
        let folder = TempDir::new().expect("a folder");
        match self {
            Self::Sqlite => {
                let location = Location::file(folder.path().join("book.sqlite"));
                Place { folder, location, database: None }
            }
            Self::Postgresql(server) => {
                let name = format!("book_{}", PLACES.fetch_add(1, Ordering::Relaxed));
                server.database(&name);
                let location = Location::parse(&server.book_url(&name), Path::new(".")).expect("an address");
                Place { folder, location, database: Some(name) }
            }
        }
    }

    pub fn site(&self) -> Site {
        let place = self.place();
        let book = Book::create(&place.location, &site_id(), "Tern & Hollow, line 2", &by()).expect("a book");
        Site { book, place }
    }

    /// The same book once more, for a change that must not touch the first. No
    /// connection to the first may be open.
    pub fn twin(&self, of: &Place) -> Place {
        match self {
            Self::Sqlite => {
                let place = self.place();
                let (from, to) = (of.location.as_file().expect("a file"), place.location.as_file().expect("a file"));
                std::fs::copy(from, to).expect("copied");
                place
            }
            Self::Postgresql(server) => {
                let name = format!("book_{}", PLACES.fetch_add(1, Ordering::Relaxed));
                server.database_like(&name, of.database.as_deref().expect("a database"));
                let location = Location::parse(&server.book_url(&name), Path::new(".")).expect("an address");
                Place { folder: TempDir::new().expect("a folder"), location, database: Some(name) }
            }
        }
    }

    /// Done with a place.
    pub fn remove(&self, place: Place) {
        if let (Self::Postgresql(server), Some(name)) = (self, &place.database) {
            server.remove(name);
        }
    }

    /// The same engine's address of a place, for SQL behind the book's back.
    pub fn raw(&self, place: &Place) -> Raw {
        match self {
            Self::Sqlite => {
                let file = place.location.as_file().expect("a file");
                Raw::Sqlite(rusqlite::Connection::open(file).expect("the file opens"))
            }
            Self::Postgresql(server) => {
                let url = server.url(place.database.as_deref().expect("a database"));
                Raw::Postgresql(Box::new(postgres::Client::connect(&url, postgres::NoTls).expect("the server answers")))
            }
        }
    }
}

/// SQL behind the book's back.
pub enum Raw {
    Sqlite(rusqlite::Connection),
    Postgresql(Box<postgres::Client>),
}

impl Raw {
    /// Tries one statement; the database's refusal as text.
    pub fn attempt(&mut self, sql: &str) -> Result<(), String> {
        match self {
            Self::Sqlite(c) => {
                c.execute_batch("PRAGMA foreign_keys = ON").expect("a pragma");
                c.execute_batch(sql).map_err(|e| e.to_string())
            }
            Self::Postgresql(c) => {
                c.batch_execute(sql).map_err(|e| e.as_db_error().map_or(e.to_string(), |db| db.message().to_owned()))
            }
        }
    }

    /// Does it as someone who owns the database: no trigger and no link in the way.
    pub fn force(&mut self, sql: &str) {
        match self {
            Self::Sqlite(c) => {
                c.execute_batch("PRAGMA foreign_keys = OFF; PRAGMA ignore_check_constraints = ON").expect("pragmas");
                let triggers: Vec<(String, String)> = c
                    .prepare("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'")
                    .expect("a query")
                    .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
                    .expect("triggers")
                    .collect::<Result<_, _>>()
                    .expect("triggers");
                c.execute_batch("BEGIN").expect("begun");
                for (name, _) in &triggers {
                    c.execute_batch(&format!("DROP TRIGGER {name}")).expect("dropped");
                }
                c.execute_batch(sql).expect("tampered");
                for (_, text) in &triggers {
                    c.execute_batch(text).expect("made again");
                }
                c.execute_batch("COMMIT").expect("done");
            }
            Self::Postgresql(c) => {
                c.batch_execute("SET session_replication_role = replica").expect("a superuser");
                let checks = "SELECT format('ALTER TABLE %s DROP CONSTRAINT %I', conrelid::regclass, conname), \
                              format('ALTER TABLE %s ADD CONSTRAINT %I %s NOT VALID', conrelid::regclass, conname, \
                              pg_get_constraintdef(oid)) \
                              FROM pg_constraint WHERE contype = 'c' AND connamespace = 'public'::regnamespace";
                let checks = c.query(checks, &[]).expect("constraints");
                for row in &checks {
                    c.batch_execute(&row.get::<_, String>(0)).expect("dropped");
                }
                c.batch_execute(sql).expect("tampered");
                for row in &checks {
                    c.batch_execute(&row.get::<_, String>(1)).expect("made again");
                }
                // Made to look as if they had always been there.
                let valid = "UPDATE pg_constraint SET convalidated = true WHERE contype = 'c' AND NOT convalidated";
                c.batch_execute(valid).expect("a superuser");
                c.batch_execute("SET session_replication_role = DEFAULT").expect("a superuser");
            }
        }
    }

    /// Octets as a literal.
    pub fn octets(&self, octets: &[u8]) -> String {
        let digits: String = octets.iter().map(|b| format!("{b:02x}")).collect();
        match self {
            Self::Sqlite(_) => format!("X'{digits}'"),
            Self::Postgresql(_) => format!("'\\x{digits}'::bytea"),
        }
    }
}

/// A book with its place.
pub struct Site {
    pub book: Book,
    pub place: Place,
}

pub fn site_id() -> SiteId {
    SiteId::new("0d6f2a").expect("an id")
}

pub fn at(second: i64) -> OffsetDateTime {
    // 2026-03-02 06:00 UTC, a Monday's first shift.
    OffsetDateTime::from_unix_timestamp(1_772_431_200).expect("a time") + Duration::seconds(second)
}

pub fn by() -> By {
    By::person(Actor::new("engineer").expect("a name"), at(0))
}

pub fn on(station: &str, second: i64) -> By {
    By::station(Actor::new("operator").expect("a name"), StationName::new(station).expect("a name"), at(second))
}

pub fn options(place: &Place) -> OpenOptions {
    OpenOptions { backups: place.folder.path().to_owned(), site: None, at: at(0) }
}

pub fn open(place: &Place) -> Book {
    Book::open(&place.location, &options(place)).expect("opens")
}

pub fn reel_id(text: &str) -> ReelId {
    ReelId::new(text).expect("a reel")
}

pub fn serial(text: &str) -> UnitSerial {
    UnitSerial::new(text).expect("a serial number")
}

pub fn product() -> NewProduct {
    NewProduct {
        name: ProductName::new("Tern Vent").expect("a name"),
        purpose: Purpose::Test,
        vendor_id: 0xFFF2,
        product_id: 0x8A21,
        device_type: 0x0202,
        reach: "ble,ip".into(),
        flow: "standard".into(),
        settings: json!({ "iterations": 1000 }),
        objects: json!([]),
    }
}

pub fn paa() -> NewAuthority {
    NewAuthority {
        name: AuthorityName::new("Quarry Lane PAA").expect("a name"),
        role: Role::Paa,
        origin: AuthorityOrigin::Adopted,
        purpose: Purpose::Test,
        certificate: b"certificate of the PAA".to_vec(),
        subject_key_id: vec![0xAA; 20],
        issuer: None,
        key_reference: None,
        trusted: true,
        not_after: None,
    }
}

pub fn pai() -> NewAuthority {
    NewAuthority {
        name: AuthorityName::new("Quarry Lane PAI 1").expect("a name"),
        role: Role::Pai,
        origin: AuthorityOrigin::Delivered,
        certificate: b"certificate of the PAI".to_vec(),
        subject_key_id: vec![0xA1; 20],
        issuer: Some(paa().name),
        trusted: false,
        not_after: Some(at(86_400 * 3650)),
        ..paa()
    }
}

/// A chip like no other: its number stands in its id and in its key.
pub fn chip(n: u32) -> NewChip {
    let mut public_key = [0; 65];
    public_key[0] = 4;
    public_key[1..5].copy_from_slice(&n.to_be_bytes());
    public_key[5..9].copy_from_slice(&n.wrapping_mul(2_654_435_761).to_be_bytes());
    NewChip { chip_id: ChipId::new(&format!("01A0{n:014X}")).expect("an id"), public_key }
}

pub fn certificate(n: u32) -> Vec<u8> {
    format!("certificate {n}").into_bytes()
}

pub fn credential(n: u32) -> NewCredential {
    NewCredential {
        public_key: chip(n).public_key,
        authority: pai().name,
        issuer_key_id: vec![0xA1; 20],
        serial: [&[0x30], &n.to_be_bytes()[..]].concat(),
        not_after: None,
        certificate: certificate(n),
    }
}

pub fn new_reel(id: &str) -> NewReel {
    NewReel {
        reel: reel_id(id),
        product: product().name,
        source_name: "manifest.csv".into(),
        source_digest: [id.len() as u8; 32],
    }
}

pub fn delivery(id: &str, reel: &str) -> NewDelivery {
    let mut content_digest = [0; 32];
    content_digest[..id.len().min(32)].copy_from_slice(&id.as_bytes()[..id.len().min(32)]);
    NewDelivery {
        delivery: DeliveryId::new(id).expect("an id"),
        reel: reel_id(reel),
        origin: DeliveryOrigin::Received,
        source_name: "delivery.zip".into(),
        content_digest,
        verdict: DeliveryVerdict::Accepted,
        certificates_read: 0,
        report: json!({ "findings": [] }),
        authorities: vec![pai()],
    }
}

pub fn fine<T>(item: T) -> Result<T, Stop> {
    Ok(item)
}

pub fn onboarding() -> Onboarding {
    Onboarding {
        discriminator: 3840,
        salt: vec![7; 32],
        iterations: 1000,
        verifier: vec![9; 97],
        passcode: Some(vec![5; 48]),
    }
}

impl Site {
    /// Product and PAA.
    pub fn prepared(self) -> Self {
        self.book.add_product(&product(), &by()).expect("a product");
        self.book.add_authority(&paa(), &by()).expect("a PAA");
        self
    }

    /// Chips of these numbers on a reel, without credentials.
    pub fn reel(self, id: &str, numbers: std::ops::Range<u32>) -> Self {
        let received =
            self.book.receive_reel(&new_reel(id), numbers.clone().map(chip).map(fine), &by()).expect("a reel");
        assert_eq!(received.chips, i64::from(numbers.end - numbers.start));
        self
    }

    /// Credentials for chips of these numbers.
    pub fn delivered(self, id: &str, reel: &str, numbers: std::ops::Range<u32>) -> Self {
        let stored = self.book.store_delivery(&delivery(id, reel), numbers.clone().map(credential).map(fine), &by());
        assert!(
            matches!(stored.expect("stored"), Stored::New { accepted, .. } if accepted == i64::from(numbers.end - numbers.start))
        );
        self
    }

    /// Product, PAA, a reel of chips 0 to `n` with a credential each.
    pub fn stocked(self, n: u32) -> Self {
        self.prepared().reel("REEL-A", 0..n).delivered("D-1", "REEL-A", 0..n)
    }

    pub fn begin(&self, n: u32, wish: SerialWish<'_>, by: &By) -> Result<Begun, book::BeginError> {
        self.begin_with(n, wish, false, by)
    }

    pub fn begin_with(
        &self,
        n: u32,
        wish: SerialWish<'_>,
        take_over: bool,
        by: &By,
    ) -> Result<Begun, book::BeginError> {
        self.book.begin_attempt(&Begin {
            onboard: &|_| Ok(Some(onboarding())),
            take_over,
            ..Begin::new(&chip(n).chip_id, wish, by)
        })
    }

    pub fn pass(
        &self,
        n: u32,
        unit: &UnitSerial,
        attempt: AttemptNumber,
        by: &By,
    ) -> Result<Finished, book::FinishError> {
        self.prove(n, n, unit, attempt, by)
    }

    /// The same with a nonce of another number: a chip that is proven once more.
    pub fn prove(
        &self,
        n: u32,
        nonce: u32,
        unit: &UnitSerial,
        attempt: AttemptNumber,
        by: &By,
    ) -> Result<Finished, book::FinishError> {
        let proof = NewProof { nonce: proof(nonce).nonce, ..proof(n) };
        let steps = steps();
        self.book.finish_attempt(&Finish { unit, attempt, steps: &steps, outcome: Outcome::Passed(&proof), by })
    }

    pub fn fail(
        &self,
        unit: &UnitSerial,
        attempt: AttemptNumber,
        next: Next,
        by: &By,
    ) -> Result<Finished, book::FinishError> {
        let outcome = Outcome::Failed { cause: "read-back.differs", detail: "octet 17 of the DAC", next };
        self.book.finish_attempt(&Finish { unit, attempt, steps: &steps(), outcome, by })
    }

    /// Chip `n` all the way, as unit `TV-n`.
    pub fn provision(&self, n: u32, station: &str) -> UnitSerial {
        let unit = serial(&format!("TV-{n:06}"));
        let begun = self.begin(n, SerialWish::IfNew(&unit), &on(station, i64::from(n))).expect("begun");
        self.pass(n, &begun.unit.serial, begun.attempt, &on(station, i64::from(n) + 1)).expect("passed");
        begun.unit.serial
    }

    /// The book, opened once more as another process would.
    pub fn again(&self) -> Book {
        open(&self.place)
    }
}

pub fn steps() -> Vec<Step> {
    ["identify", "write DAC", "read back"]
        .iter()
        .zip([0, 1_500, 90_000])
        .map(|(name, started_us)| Step {
            name: (*name).into(),
            started_us,
            duration_us: 1_200,
            result: "done".into(),
            detail: (started_us > 0).then(|| "496 octets".into()),
        })
        .collect()
}

pub fn proof(n: u32) -> NewProof {
    let mut nonce = [0x5A; 32];
    nonce[..4].copy_from_slice(&n.to_be_bytes());
    NewProof {
        nonce,
        challenge: vec![0xC4; 16],
        elements: vec![0xE1; 300],
        signature: vec![0x51; 64],
        dac: certificate(n),
        pai: pai().certificate,
        declaration: Some(b"declaration".to_vec()),
        objects: vec![ReadBack { name: "trust anchor".into(), sha256: [3; 32] }],
        report: json!({ "findings": [] }),
        at: at(i64::from(n)),
    }
}

/// Every kind of question for the units that something touches; each finds the first units of reel A.
pub fn touches() -> Vec<book::Touch> {
    use book::Touch;
    let all = Touch::default();
    vec![
        Touch { key: Some(chip(1).public_key.to_vec()), ..all.clone() },
        Touch { credential: Some(credential(1).serial), ..all.clone() },
        Touch {
            credential: Some(credential(1).serial),
            issuer_key_id: Some(credential(1).issuer_key_id),
            ..all.clone()
        },
        Touch { chips: Some((chip(0).chip_id, chip(2).chip_id)), ..all.clone() },
        Touch { delivery: Some(delivery("D-1", "REEL-A").delivery), ..all.clone() },
        Touch { reel: Some(reel_id("REEL-A")), ..all.clone() },
        Touch { authorities: vec![pai().name], ..all.clone() },
        Touch { authorities: vec![paa().name], ..all.clone() },
        Touch { authorities: vec![pai().name], reel: Some(reel_id("REEL-A")), ..all.clone() },
        Touch { station: on("S1", 0).station, ..all.clone() },
        Touch { station: on("S1", 0).station, from: Some(at(0)), to: Some(at(100)), ..all.clone() },
        Touch { from: Some(at(0)), to: Some(at(100)), reel: Some(reel_id("REEL-A")), ..all.clone() },
        Touch { from: Some(at(0)), ..all.clone() },
        Touch { product: Some(product().name), ..all.clone() },
        Touch { state: Some(book::UnitState::Passed), ..all },
    ]
}
