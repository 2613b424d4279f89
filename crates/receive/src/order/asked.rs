//! What an order asks for, read from its file and held against the book.

use std::collections::HashMap;
use std::convert::Infallible;
use std::fs::File;
use std::io::Read as _;
use std::path::Path;

use base::course::Course;
use base::findings::{About, Findings, SharedFinding};
use base::trouble::Trouble;
use book::ids::ChipId;
use book::{Chip, Product, Reel};
use serde::Deserialize;
use site::{Site, product};
use standard::detect::{Item, detect};
use standard::ids::{ProductId, VendorId};
use standard::key::PublicKey;
use standard::verdict::catalogue::intake::{ORDER_CHIP, ORDER_PRODUCT, REEL_COLUMN, REEL_DUPLICATE_KEY, REEL_FORMAT};
use standard::verdict::{Device, Finding, Report, judge_request};

use crate::delivery::dac_identity;
use crate::reel;
use crate::reel::manifest::{self, ColumnMap};

/// The largest order that is read, in bytes: beyond a million chips.
const LARGEST: u64 = 512 << 20;
/// Chips that are not on the order's reel and are looked for on others, at most.
const ELSEWHERE: usize = 500;

/// A chip that an order asks a certificate for.
#[derive(Debug, Clone)]
pub struct Row {
    /// Hex digits in upper case.
    pub chip: String,
    pub key: PublicKey,
    /// What its certificate is to say.
    pub identity: (VendorId, ProductId),
    /// Its place on the reel, from 1; none where it is not on it.
    pub place: Option<u32>,
}

/// What an order asks for.
#[derive(Debug, Default)]
pub struct Asked {
    /// The chips whose certificates could be issued.
    pub rows: Vec<Row>,
    /// Lines or requests read.
    pub read: u64,
    /// The reel of its first chip that is in the book.
    pub reel: Option<Reel>,
    /// That reel's product.
    pub product: Option<Product>,
    /// What is wrong with it.
    pub findings: Vec<SharedFinding>,
}

/// Lines as far as they can be read, before the book is asked.
#[derive(Default)]
struct Lines {
    rows: Vec<(String, Row)>,
    read: u64,
    /// The product that the order names.
    product: Option<String>,
    told: Vec<SharedFinding>,
}

/// Reads an order as [`super::write()`] or [`super::draft_requests`] wrote it, and holds it against the book.
///
/// # Errors
///
/// [`Trouble`] where the file can't be read as an order at all, or the book gave no answer. What is wrong with single
/// lines is in [`Asked::findings`].
pub fn asked(site: &Site, path: &Path, course: &Course) -> Result<Asked, Trouble> {
    let mut octets = Vec::new();
    let file = File::open(path).map_err(|e| Trouble::file(path, e))?;
    file.take(LARGEST + 1).read_to_end(&mut octets).map_err(|e| Trouble::file(path, e))?;
    if octets.len() as u64 > LARGEST {
        return Err(Trouble::usage(
            format!("{} is larger than {} MiB, so it is no order", path.display(), LARGEST >> 20),
            "Give the file that `touchmark order write` wrote.",
        ));
    }
    let requests = octets.first() == Some(&0x30) || memchr::memmem::find(&octets, b"-----BEGIN ").is_some();
    let mut findings = Findings::default();
    let lines = if requests { requested(path, &octets, &mut findings)? } else { listed(path, &octets, course)? };
    against_book(site, lines, findings)
}

/// PKCS #10 requests, each judged by the rules on requests.
fn requested(path: &Path, octets: &[u8], findings: &mut Findings) -> Result<Lines, Trouble> {
    let items = detect(octets).map_err(|e| {
        Trouble::usage(format!("{}: {e}", path.display()), "Give the file that `touchmark order write` wrote.")
    })?;
    let mut lines = Lines { read: items.len() as u64, ..Lines::default() };
    let mut seen: HashMap<[u8; 65], usize> = HashMap::new();
    for (number, item) in items.into_iter().enumerate() {
        let subject = format!("request {}", number + 1);
        let mut tell = |which: u32, finding: Finding| {
            findings.tell((0, number as u64, which), || subject.clone(), About::Nothing, finding);
        };
        let Item::Request(request) = item else {
            tell(0, Finding::new(&REEL_FORMAT, "something else than a certification request"));
            continue;
        };
        let mut report = Report::new();
        judge_request(&request, &Device::default(), &mut report);
        (1..).zip(report.into_findings()).for_each(|(which, finding)| tell(which, finding));
        let identity = &request.subject.identity;
        let Some(identity) = identity.vendor().zip(identity.product()) else {
            tell(0, Finding::new(&REEL_COLUMN, "no vendor and product ID in the request's subject"));
            continue;
        };
        let Ok(key) = request.key.key else { continue };
        if let Some(before) = seen.insert(*key.point(), number + 1) {
            tell(0, Finding::new(&REEL_DUPLICATE_KEY, format!("the key of request {before}")));
            continue;
        }
        lines.rows.push((subject, Row { chip: String::new(), key, identity, place: None }));
    }
    Ok(lines)
}

#[derive(Deserialize)]
struct Json {
    #[serde(default)]
    order: Head,
    chips: Vec<JsonRow>,
}

#[derive(Deserialize, Default)]
struct Head {
    product: Option<String>,
    vendor_id: Option<String>,
    product_id: Option<String>,
}

#[derive(Deserialize)]
struct JsonRow {
    chip_id: String,
    vendor_id: Option<String>,
    product_id: Option<String>,
}

/// What each chip id of an order is to be certified as: vendor and product ID as they are written.
type Identities = HashMap<String, (String, String)>;

/// A table or JSON: keys by the reader of manifests, which finds what is unusable or comes twice.
fn listed(path: &Path, octets: &[u8], course: &Course) -> Result<Lines, Trouble> {
    let manifest = manifest::read(path, &ColumnMap::default(), course)?;
    let mut lines = Lines { read: manifest.read, told: manifest.findings, ..Lines::default() };
    let is_json = octets.iter().find(|o| !o.is_ascii_whitespace()) == Some(&b'{');
    let mut identities = if is_json {
        let read: Json = serde_json::from_slice(octets).map_err(|e| {
            Trouble::usage(
                format!("{} is no order in JSON: {e}", path.display()),
                "Give the file that `touchmark order write` wrote.",
            )
        })?;
        lines.product = read.order.product;
        let (vendor, product) = (read.order.vendor_id, read.order.product_id);
        let of = |own: Option<String>, all: &Option<String>| own.or_else(|| all.clone()).unwrap_or_default();
        let row = |row: JsonRow| (id(&row.chip_id), (of(row.vendor_id, &vendor), of(row.product_id, &product)));
        read.chips.into_iter().map(row).collect()
    } else {
        table(octets)
    };
    for row in manifest.chips {
        let (vendor, product) = identities.remove(&row.chip_id).unwrap_or_default();
        let subject = format!("line {}", row.line);
        match vendor.trim().parse().ok().zip(product.trim().parse().ok()) {
            Some(identity) => {
                lines.rows.push((subject, Row { chip: row.chip_id, key: row.key, identity, place: None }));
            }
            None => {
                let found = format!("vendor ID {vendor:?} and product ID {product:?}");
                let finding = Finding::new(&REEL_COLUMN, found)
                    .requiring("Every line of an order gives a vendor ID and a product ID, each four hex digits.")
                    .advising("Write the order again with `touchmark order write`.");
                lines.told.push(SharedFinding { subject, chip_id: Some(row.chip_id), count: 1, finding });
            }
        }
    }
    Ok(lines)
}

fn id(text: &str) -> String {
    manifest::chip_id(text).unwrap_or_default()
}

fn table(octets: &[u8]) -> Identities {
    let mut reader = csv::ReaderBuilder::new().flexible(true).from_reader(octets);
    let Ok(head) = reader.headers().cloned() else { return Identities::new() };
    let at = |name: &str| head.iter().position(|column| column.trim().eq_ignore_ascii_case(name));
    let (Some(chip), Some(vendor), Some(product)) = (at("chip_id"), at("vendor_id"), at("product_id")) else {
        return Identities::new();
    };
    let cell = |row: &csv::StringRecord, at: usize| row.get(at).unwrap_or_default().to_owned();
    let rows = reader.records().filter_map(Result::ok);
    rows.map(|row| (id(&cell(&row, chip)), (cell(&row, vendor), cell(&row, product)))).collect()
}

/// What the book has of a chip of the order's reel.
struct Held {
    place: u32,
    served: bool,
    scrapped: bool,
}

fn against_book(site: &Site, lines: Lines, mut findings: Findings) -> Result<Asked, Trouble> {
    let chip_of = |row: &Row| -> Result<Option<Chip>, Trouble> {
        if let Some(chip) = site.book.chip_with_key(row.key.point())? {
            return Ok(Some(chip));
        }
        Ok(ChipId::new(&row.chip).ok().map(|id| site.book.chip(&id)).transpose()?.flatten())
    };
    let mut first = None;
    for (_, row) in lines.rows.iter().take(ELSEWHERE) {
        first = chip_of(row)?;
        if first.is_some() {
            break;
        }
    }
    let reel = first.map(|chip| reel::get(site, chip.reel.as_str())).transpose()?;
    let product = reel.as_ref().map(|reel| product::get(site, reel.facts.product.as_str())).transpose()?;
    let mut keys: HashMap<[u8; 65], Held> = HashMap::new();
    if let Some(reel) = &reel {
        site.book.chip_keys(&reel.facts.reel, |chip| {
            let place = u32::try_from(chip.position).unwrap_or(u32::MAX);
            keys.insert(chip.public_key, Held { place, served: chip.served, scrapped: chip.scrapped });
            Ok::<_, Trouble>(())
        })?;
    }
    let places: Vec<i64> =
        lines.rows.iter().filter_map(|(_, row)| keys.get(row.key.point())).map(|held| held.place.into()).collect();
    let ids: HashMap<i64, String> = match &reel {
        Some(reel) => {
            let at = site.book.chips_at(&reel.facts.reel, &places)?;
            at.into_iter().map(|(place, id, _)| (place, id.to_string())).collect()
        }
        None => HashMap::new(),
    };
    let wanted = product.as_ref().map(|product| dac_identity(site, product)).transpose()?;
    let (mut rows, mut strangers) = (Vec::with_capacity(lines.rows.len()), 0);
    for (turn, (subject, mut row)) in (0..).zip(lines.rows) {
        let own = keys.get(row.key.point());
        if let Some(held) = own {
            let known = ids.get(&i64::from(held.place)).cloned().unwrap_or_default();
            if row.chip.is_empty() {
                row.chip = known;
            } else if row.chip != known {
                let found = format!("chip {} with the key of chip {known}", row.chip);
                let whose = About::Id(row.chip.clone());
                findings.tell((1, turn, 0), || subject.clone(), whose, Finding::new(&ORDER_CHIP, found));
            }
            row.place = Some(held.place);
        }
        let whose = About::Id(row.chip.clone());
        let mut tell = |which: u32, finding: Finding| {
            findings.tell((1, turn, which), || subject.clone(), whose.clone(), finding);
        };
        match own {
            Some(held) if held.scrapped => tell(1, Finding::new(&ORDER_CHIP, "a chip that was scrapped")),
            Some(held) if held.served => tell(1, Finding::new(&ORDER_CHIP, "a chip that has its certificate")),
            Some(_) => {}
            None => {
                strangers += 1;
                let chip = if strangers <= ELSEWHERE { chip_of(&row)? } else { None };
                tell(1, stranger(site, &row, chip.as_ref(), product.as_ref())?);
            }
        }
        if let Some((vendor, id)) = wanted.filter(|wanted| *wanted != row.identity) {
            let found = format!("{} {}", row.identity.0, row.identity.1);
            tell(2, Finding::new(&ORDER_PRODUCT, found).requiring(format!("{vendor} {id}, as the product's are.")));
        }
        rows.push(row);
    }
    if let (Some(named), Some(product)) = (&lines.product, &product)
        && *named != product.facts.name.as_str()
    {
        let found = format!("product {named}; its chips are for product {}", product.facts.name);
        findings.tell((2, 0, 0), || "order".to_owned(), About::Nothing, Finding::new(&ORDER_PRODUCT, found));
    }
    if lines.read == 0 {
        findings.tell((2, 1, 0), || "order".to_owned(), About::Nothing, Finding::new(&REEL_FORMAT, "no chip at all"));
    }
    let Ok(told) = findings.told::<Infallible>(&|_| Ok(String::new()));
    Ok(Asked { rows, read: lines.read, reel, product, findings: [lines.told, told].concat() })
}

/// A key that is not on the order's reel.
fn stranger(site: &Site, row: &Row, chip: Option<&Chip>, product: Option<&Product>) -> Result<Finding, Trouble> {
    let Some(chip) = chip else { return Ok(Finding::new(&ORDER_CHIP, "a key of no chip at this site")) };
    if chip.public_key != row.key.point() {
        return Ok(Finding::new(&ORDER_CHIP, format!("chip {} with another key than the book has", chip.chip_id)));
    }
    let theirs = reel::get(site, chip.reel.as_str())?.facts.product;
    let rule = if product.is_some_and(|own| own.facts.name != theirs) { &ORDER_PRODUCT } else { &ORDER_CHIP };
    Ok(Finding::new(rule, format!("a chip of reel {}, which is for product {theirs}", chip.reel)))
}
