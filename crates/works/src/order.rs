//! Orders: what an outside authority needs to issue certificates for a reel.

use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::Path;
use std::sync::Mutex;

use aws_lc_rs::digest::{SHA256, digest};
use book::Reel;
use book::ids::ChipId;
use chip::{Chip, ChipSource};
use serde::Serialize;
use serde_json::json;
use standard::ids::{ProductId, VendorId};
use standard::key::{PublicKey, SignError, Signer};
use standard::name::NameBuilder;
use standard::signature::der_from_raw;
use standard::{pem, request};
use tempfile::NamedTempFile;

use crate::delivery::dac_identity;
use crate::product;
use crate::reel;
use crate::site::{Site, Who};
use crate::trouble::Trouble;

/// An order that was written.
#[derive(Debug, Serialize)]
pub struct Written {
    /// The reel.
    pub reel: String,
    /// Its number, as `A/1`: what `report --order` takes.
    pub order: String,
    /// The file.
    pub file: String,
    /// `csv`, `json` or `requests`.
    pub format: &'static str,
    /// Vendor ID that the certificates must say: the product's, or that of the origin which its declaration names.
    pub vendor_id: String,
    /// Product ID that they must say.
    pub product_id: String,
    /// Chips in it.
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
/// # Errors
///
/// [`Trouble`]; an existing file is never replaced.
pub fn write(site: &Site, reel: &str, out: &Path, who: &Who) -> Result<Written, Trouble> {
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
    let mut count = 0;
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
                let comma = if count > 0 { "," } else { "" };
                let row =
                    json!({ "chip_id": id_text.as_str(), "vendor_id": vendor, "product_id": id, "public_key": key });
                write!(w, "{comma}\n{row}").map_err(io)?;
            } else {
                writeln!(w, "{},{vendor},{id},{key}", id_text.as_str()).map_err(io)?;
            }
            count += 1;
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
    if count == 0 {
        return Err(Trouble::refused(
            format!("every chip of reel {} has its credential; there is nothing to order", reel.facts.reel),
            "See `touchmark reel show`. Nothing was written.",
        ));
    }
    let format = if as_json { "json" } else { "csv" };
    settle(site, &reel, partial, out, (format, count, identity), who)
}

/// Puts a finished order in its place and records it.
fn settle(
    site: &Site,
    reel: &Reel,
    partial: NamedTempFile,
    out: &Path,
    (format, chips, (vendor, product)): (&'static str, u64, (VendorId, ProductId)),
    who: &Who,
) -> Result<Written, Trouble> {
    let octets = fs::read(partial.path()).map_err(|e| Trouble::file(out, e))?;
    let mut content_digest = [0; 32];
    content_digest.copy_from_slice(digest(&SHA256, &octets).as_ref());
    partial.persist_noclobber(out).map_err(|e| Trouble::file(out, e.error))?;
    let count = i64::try_from(chips).unwrap_or(i64::MAX);
    site.book.record_order(&reel.facts.reel, &reel::file_name(out), &content_digest, count, &who.by())?;
    let number = site.book.orders(&reel.facts.reel)?.len();
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

/// A chip as whoever signs a request.
struct ChipSigner(Mutex<Box<dyn Chip>>, PublicKey);

impl Signer for ChipSigner {
    fn public_key(&self) -> PublicKey {
        self.1
    }

    fn sign(&self, message: &[u8]) -> Result<Vec<u8>, SignError> {
        let mut chip = self.0.lock().map_err(|_| SignError("the chip's holder died".into()))?;
        let raw = chip.sign(message).map_err(|e| SignError(e.to_string()))?;
        let der = der_from_raw(&raw).ok_or_else(|| SignError("the chip gave no signature".into()))?;
        // That octets came back does not say that they are right.
        if self.1.verifies(message, &der) {
            Ok(der)
        } else {
            Err(SignError("the chip's signature is not its key's".into()))
        }
    }
}

/// Writes a PKCS #10 request (RFC 2986) of each chip that is at hand, on the
/// reel and without a credential: one PEM block each, signed by the chip's own
/// key, so that the authority sees that the keys are held.
///
/// # Errors
///
/// [`Trouble`]; an existing file is never replaced, and a chip that does not
/// sign for the manifest's key refuses the whole order.
pub fn write_requests(
    site: &Site,
    reel: &str,
    source: &mut dyn ChipSource,
    out: &Path,
    who: &Who,
) -> Result<Written, Trouble> {
    let reel = reel::get(site, reel)?;
    let product = product::get(site, reel.facts.product.as_str())?;
    if out.exists() {
        return Err(Trouble::usage(
            format!("{} already exists", out.display()),
            "Give another name; nothing was written.",
        ));
    }
    let (vendor, product_id) = dac_identity(site, &product)?;
    let mut text = String::new();
    let mut count = 0;
    for id in source.present()? {
        let Some(chip) = site.book.chip(&ChipId::new(id.as_str())?)?.filter(|c| c.reel == reel.facts.reel) else {
            continue;
        };
        if site.book.credential_for_key(&chip.public_key)?.is_some() {
            continue;
        }
        let odd = |what: String| {
            Trouble::refused(format!("chip {id}: {what}"), "Put the chip aside, and write the order again.")
        };
        let mut opened = source.open(&id)?;
        let key = opened.public_key()?;
        if key.point().as_slice() != chip.public_key {
            return Err(odd("its key is not the one that the manifest names".into()));
        }
        let tail: String = id.as_str().chars().rev().take(12).collect::<Vec<_>>().into_iter().rev().collect();
        let subject = NameBuilder::new().common_name(&tail).vendor(vendor).product(product_id).build();
        let der = request::build(&subject, &ChipSigner(Mutex::new(opened), key)).map_err(|e| odd(e.to_string()))?;
        text.push_str(&pem::encode("CERTIFICATE REQUEST", &der));
        count += 1;
    }
    if count == 0 {
        return Err(Trouble::refused(
            format!("no chip of reel {} that needs a credential is at hand", reel.facts.reel),
            "Look at --chips and at `touchmark reel show`. Nothing was written.",
        ));
    }
    let dir = out.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut partial = NamedTempFile::new_in(dir).map_err(|e| Trouble::file(dir, e))?;
    partial.write_all(text.as_bytes()).map_err(|e| Trouble::file(out, e))?;
    settle(site, &reel, partial, out, ("requests", count, (vendor, product_id)), who)
}
