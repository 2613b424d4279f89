//! Orders: what an outside authority needs to issue certificates for a reel.

mod asked;

use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

pub use asked::{Asked, Row, asked};
use aws_lc_rs::digest::{SHA256, digest};
use base::trouble::Trouble;
use book::ids::ChipId;
use book::{Places, Reel};
use chip::{Chip, ChipSource};
use serde::Serialize;
use serde_json::json;
use site::revoked::RevokedPais;
use site::{Site, Who, product};
use standard::ids::{ProductId, VendorId};
use standard::key::{PublicKey, SignError, Signer};
use standard::name::NameBuilder;
use standard::signature::der_from_raw;
use standard::{pem, request};
use tempfile::NamedTempFile;

use crate::delivery::dac_identity;
use crate::reel;

/// An order that was written.
#[derive(Debug, Serialize)]
pub struct Written {
    pub reel: String,
    /// Its number, as `A/1`: what `report --order` takes.
    pub order: String,
    pub file: String,
    /// `csv`, `json` or `requests`.
    pub format: &'static str,
    /// Vendor ID that the certificates must say: the product's, or that of the origin which its declaration names.
    pub vendor_id: String,
    /// Product ID that they must say.
    pub product_id: String,
    pub chips: u64,
    /// SHA-256 of the file, for the authority to compare.
    pub sha256: String,
}

/// Chips read from the book at once.
const PAGE: u32 = 5_000;

/// Writes what an authority needs for every chip of a reel that has no
/// credential: chip id, the VID and PID that its certificate must say, and public key. JSON where the file's name
/// ends in `.json`, else CSV.
///
/// - `again`: whether chips that were ordered already, and got no certificate yet, are ordered once more.
///
/// # Errors
///
/// [`Trouble`]; an existing file is never replaced.
pub fn write(site: &Site, reel: &str, out: &Path, again: bool, who: &Who) -> Result<Written, Trouble> {
    draft(site, reel, out, again)?.settle(site, who)
}

/// The same, not in its place yet and in no book.
///
/// # Errors
///
/// As [`write()`].
pub fn draft(site: &Site, reel: &str, out: &Path, again: bool) -> Result<Draft, Trouble> {
    let reel = reel::get(site, reel)?;
    let product = product::get(site, reel.facts.product.as_str())?;
    if out.exists() {
        return Err(Trouble::usage(
            format!("{} already exists", out.display()),
            "Give another name; nothing was written.",
        ));
    }
    let identity = dac_identity(site, &product)?;
    let (vendor, id) = (identity.0.to_string(), identity.1.to_string());
    let as_json = out.extension().is_some_and(|e| e.eq_ignore_ascii_case("json"));
    let dir = out.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let partial = NamedTempFile::new_in(dir).map_err(|e| Trouble::file(dir, e))?;
    let mut w = BufWriter::new(File::create(partial.path()).map_err(|e| Trouble::file(out, e))?);
    let io = |e| Trouble::file(out, e);
    let mut places = Vec::new();
    if as_json {
        let head = json!({ "reel": reel.facts.reel.as_str(), "product": product.facts.name.as_str(), "vendor_id": vendor, "product_id": id });
        write!(w, "{{\"order\":{head},\"chips\":[").map_err(io)?;
    } else {
        writeln!(w, "chip_id,vendor_id,product_id,public_key").map_err(io)?;
    }
    let mut after = -1;
    loop {
        let page = site.book.chips_without(&reel.facts.reel, after, PAGE)?;
        for chip in &page.items {
            let key = hex::encode(&chip.public_key);
            let id_text: &ChipId = &chip.chip_id;
            if as_json {
                let comma = if places.is_empty() { "" } else { "," };
                let row =
                    json!({ "chip_id": id_text.as_str(), "vendor_id": vendor, "product_id": id, "public_key": key });
                write!(w, "{comma}\n{row}").map_err(io)?;
            } else {
                writeln!(w, "{},{vendor},{id},{key}", id_text.as_str()).map_err(io)?;
            }
            places.push(chip.position);
        }
        match page.next {
            Some(next) => after = next,
            None => break,
        }
    }
    if as_json {
        writeln!(w, "\n]}}").map_err(io)?;
    }
    w.flush().map_err(io)?;
    drop(w);
    if places.is_empty() {
        if let Some(what) = RevokedPais::of_reel(site, &reel.facts.reel)?.words().first() {
            return Err(Trouble::refused(
                format!("every chip of reel {} has its credential, but {what}", reel.facts.reel),
                "Withdraw the delivery of that PAI while no unit depends on it (`touchmark delivery withdraw ID`), then order \
                 again. Nothing was written.",
            ));
        }
        return Err(Trouble::refused(
            format!("every chip of reel {} has its credential; nothing to order", reel.facts.reel),
            "See `touchmark reel show`. Nothing was written.",
        ));
    }
    let format = if as_json { "json" } else { "csv" };
    Draft::of(site, reel, (partial, format), (places, identity), out, again)
}

/// An order that was written before.
#[derive(Debug, Serialize)]
pub struct Ordered {
    /// Its number, as `A/1`.
    pub order: String,
    pub chips: i64,
    pub file: String,
    /// When it was written.
    pub written: String,
}

/// The last order for a reel.
pub fn last(site: &Site, reel: &str) -> Result<Option<Ordered>, Trouble> {
    let reel = reel::get(site, reel)?.facts.reel;
    Ok(site.book.orders(&reel)?.pop().map(|order| Ordered {
        order: format!("{reel}/{}", order.number),
        chips: order.chips,
        file: order.file_name,
        written: base::times::time_text(order.written),
    }))
}

/// Orders named in one message.
const NAMED: usize = 3;

/// Whether an order went to an authority online: its file then is an address, and no file's name has a slash.
pub(crate) fn is_online(order: &book::OrderWritten) -> bool {
    order.file_name.contains("://")
}

/// Refuses an order for chips that an earlier one asked for and that got no certificate yet.
pub(crate) fn first_time(
    site: &Site,
    reel: &Reel,
    places: &[i64],
    counts: impl Fn(&book::OrderWritten) -> bool,
) -> Result<(), Trouble> {
    let mut orders = site.book.orders(&reel.facts.reel)?;
    orders.retain(counts);
    // Orders of older books do not say which chips they ask for: all that had none, then as now.
    let asked = |order: &book::OrderWritten, place: i64| order.places.as_ref().is_none_or(|p| p.holds(place));
    let twice = places.iter().filter(|place| orders.iter().any(|order| asked(order, **place))).count();
    if twice == 0 {
        return Ok(());
    }
    orders.retain(|order| places.iter().any(|place| asked(order, *place)));
    let mut named: Vec<String> = orders
        .iter()
        .rev()
        .take(NAMED)
        .map(|o| format!("{}/{} of {} ({})", reel.facts.reel, o.number, base::times::time_text(o.written), o.file_name))
        .collect();
    if orders.len() > NAMED {
        named.push(format!("{} older ones", orders.len() - NAMED));
    }
    Err(Trouble::usage(
        format!(
            "{twice} of {} chips were ordered already, and no certificate for them is here: see order {}",
            places.len(),
            named.join(", ")
        ),
        "Receive the delivery that answers it, or ask the authority where it is. Order again only if it was lost. \
         Nothing was written.",
    )
    .about("again"))
}

/// An order that is not in its place yet. Dropped, it leaves nothing.
pub struct Draft {
    partial: NamedTempFile,
    reel: Reel,
    out: PathBuf,
    format: &'static str,
    /// Places on the reel of the chips that it asks for.
    places: Vec<i64>,
    /// What the certificates must say.
    identity: (VendorId, ProductId),
}

impl Draft {
    fn of(
        site: &Site,
        reel: Reel,
        (partial, format): (NamedTempFile, &'static str),
        (places, identity): (Vec<i64>, (VendorId, ProductId)),
        out: &Path,
        again: bool,
    ) -> Result<Self, Trouble> {
        if !again {
            first_time(site, &reel, &places, |_| true)?;
        }
        Ok(Self { partial, reel, out: out.to_owned(), format, places, identity })
    }

    /// Where it can be read until it is in its place.
    pub fn path(&self) -> &Path {
        self.partial.path()
    }

    /// Where its place is.
    pub fn out(&self) -> &Path {
        &self.out
    }

    /// Puts it in its place and records it.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where something stands there, or the book refuses.
    pub fn settle(self, site: &Site, who: &Who) -> Result<Written, Trouble> {
        let Self { partial, reel, out, format, places, identity: (vendor, product) } = self;
        let octets = fs::read(partial.path()).map_err(|e| Trouble::file(&out, e))?;
        let mut content_digest = [0; 32];
        content_digest.copy_from_slice(digest(&SHA256, &octets).as_ref());
        partial.persist_noclobber(&out).map_err(|e| Trouble::file(&out, e.error))?;
        let chips = places.len() as u64;
        let places = Places::of(places);
        site.book.record_order(&reel.facts.reel, &reel::file_name(&out), &content_digest, &places, &who.by())?;
        let number = site.book.orders(&reel.facts.reel)?.last().map_or(0, |order| order.number);
        Ok(Written {
            reel: reel.facts.reel.to_string(),
            order: format!("{}/{number}", reel.facts.reel),
            file: out.display().to_string(),
            format,
            vendor_id: vendor.to_string(),
            product_id: product.to_string(),
            chips,
            sha256: hex::encode(content_digest),
        })
    }
}

/// A chip as whoever signs a request.
struct ChipSigner(Mutex<Box<dyn Chip>>, PublicKey);

impl Signer for ChipSigner {
    fn public_key(&self) -> PublicKey {
        self.1
    }

    fn sign(&self, message: &[u8]) -> Result<Vec<u8>, SignError> {
        let mut chip = self.0.lock().map_err(|_| SignError("the connection to the chip failed".into()))?;
        let raw = chip.sign(message).map_err(|e| SignError(e.to_string()))?;
        let der = der_from_raw(&raw).ok_or_else(|| SignError("the chip made no signature".into()))?;
        // That octets came back does not say that they are right.
        if self.1.verifies(message, &der) {
            Ok(der)
        } else {
            Err(SignError("the chip's signature does not belong to its key".into()))
        }
    }
}

/// A chip that is here, on the reel and without a credential.
pub(crate) struct Needy {
    pub(crate) id: chip::ChipId,
    /// As the book has it.
    pub(crate) chip: book::Chip,
}

/// How many chips of a source are on the reel, and those of them without a credential, in order.
pub(crate) fn needy(site: &Site, reel: &Reel, source: &mut dyn ChipSource) -> Result<(usize, Vec<Needy>), Trouble> {
    let (mut here, mut needy) = (0, Vec::new());
    for id in source.present()? {
        let Some(chip) = site.book.chip(&ChipId::new(id.as_str())?)?.filter(|c| c.reel == reel.facts.reel) else {
            continue;
        };
        here += 1;
        if site.book.credential_for_key(&chip.public_key)?.is_none() {
            needy.push(Needy { id, chip });
        }
    }
    Ok((here, needy))
}

/// The subject that a chip's request has.
pub(crate) fn subject(id: &chip::ChipId, (vendor, product): (VendorId, ProductId)) -> Vec<u8> {
    let tail: String = id.as_str().chars().rev().take(12).collect::<Vec<_>>().into_iter().rev().collect();
    NameBuilder::new().common_name(&tail).vendor(vendor).product(product).build()
}

/// A PKCS #10 request (RFC 2986) that a chip signs, DER.
///
/// # Errors
///
/// [`Trouble`] for a chip that does not sign for the manifest's key.
pub(crate) fn request_of(
    source: &mut dyn ChipSource,
    needy: &Needy,
    identity: (VendorId, ProductId),
) -> Result<Vec<u8>, Trouble> {
    let odd = |what: String| {
        Trouble::refused(format!("chip {}: {what}", needy.id), "Put the chip aside, and write the order again.")
    };
    let mut opened = source.open(&needy.id)?;
    let key = opened.public_key()?;
    if key.point().as_slice() != needy.chip.public_key {
        return Err(odd("its key differs from the one in the manifest".into()));
    }
    let signer = ChipSigner(Mutex::new(opened), key);
    request::build(&subject(&needy.id, identity), &signer).map_err(|e| odd(e.to_string()))
}

/// Writes a PKCS #10 request (RFC 2986) of each chip that is at hand, on the
/// reel and without a credential: one PEM block each, signed by the chip's own
/// key, so that the authority sees that the keys are held.
///
/// - `again`: as in [`write()`].
///
/// # Errors
///
/// [`Trouble`]; an existing file is never replaced, and a chip that does not
/// sign for the manifest's key refuses the whole order.
pub fn draft_requests(
    site: &Site,
    reel: &str,
    source: &mut dyn ChipSource,
    out: &Path,
    again: bool,
) -> Result<Draft, Trouble> {
    let reel = reel::get(site, reel)?;
    let product = product::get(site, reel.facts.product.as_str())?;
    if out.exists() {
        return Err(Trouble::usage(
            format!("{} already exists", out.display()),
            "Give another name; nothing was written.",
        ));
    }
    let identity = dac_identity(site, &product)?;
    let (mut text, mut places) = (String::new(), Vec::new());
    for needy in needy(site, &reel, source)?.1 {
        text.push_str(&pem::encode("CERTIFICATE REQUEST", &request_of(source, &needy, identity)?));
        places.push(needy.chip.position);
    }
    if places.is_empty() {
        return Err(Trouble::refused(
            format!("no chip of reel {} that needs a credential is available", reel.facts.reel),
            "Check --chips and `touchmark reel show`. Nothing was written.",
        ));
    }
    let dir = out.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut partial = NamedTempFile::new_in(dir).map_err(|e| Trouble::file(dir, e))?;
    partial.write_all(text.as_bytes()).map_err(|e| Trouble::file(out, e))?;
    Draft::of(site, reel, (partial, "requests"), (places, identity), out, again)
}
