//! The outside authority of a rehearsal: reads an order, sends a delivery.

use std::fs::{self, File};
use std::io::Write as _;
use std::path::Path;

use base::trouble::Trouble;
use custody::Passphrase;
use receive::delivery;
use site::authority::serial;
use site::{Site, Who, authority};
use standard::certificate::Certificate;
use standard::ids::{ProductId, VendorId};
use standard::key::PublicKey;
use standard::moment::NO_END;
use standard::pem;
use zip::write::SimpleFileOptions;

/// Issues what an order asks, and packs it as an authority would: certificates
/// named by serial number, the PAI, a note.
///
/// # Errors
///
/// [`Trouble`] where the order can't be read or the delivery not written.
pub(super) fn deliver(
    site: &Site,
    (issuer, product_name): (&str, &str),
    passphrase: &Passphrase,
    order: &Path,
    out: &Path,
    who: &Who,
) -> Result<(), Trouble> {
    let authority = authority::get(site, issuer)?;
    let signer = authority::signer(site, &authority, passphrase)?;
    let odd = |what: &dyn std::fmt::Display| {
        Trouble::surroundings(format!("the rehearsal's order can't be answered: {what}"), "Report this.")
    };
    let pai = Certificate::read(&authority.facts.certificate).map_err(|e| odd(&e))?;
    let text = fs::read_to_string(order).map_err(|e| Trouble::file(order, e))?;
    let file = File::create_new(out).map_err(|e| Trouble::file(out, e))?;
    let mut zip = zip::ZipWriter::new(file);
    let options = SimpleFileOptions::default();
    let mut add = |name: &str, octets: &[u8]| -> Result<(), Trouble> {
        zip.start_file(name, options).map_err(|e| odd(&e))?;
        zip.write_all(octets).map_err(|e| Trouble::file(out, e))
    };
    add("README.txt", b"Quarry Lane Test Authority (invented). FOR TESTING ONLY.\n")?;
    add("PAI.pem", pem::encode("CERTIFICATE", pai.der()).as_bytes())?;
    for line in text.lines().skip(1) {
        let fields: Vec<&str> = line.split(',').collect();
        let [chip, vendor, product, key] = fields.as_slice() else { return Err(odd(&"a line of other fields")) };
        let vendor: VendorId = vendor.parse().map_err(|e| odd(&e))?;
        let product: ProductId = product.parse().map_err(|e| odd(&e))?;
        let key = hex::decode(key).map_err(|e| odd(&e))?;
        let key = PublicKey::from_point(&key).map_err(|e| odd(&e))?;
        let serial = serial()?;
        let der = delivery::dac(&pai, &serial, (product_name, chip), (vendor, product), &key, (who.now(), NO_END))
            .sign(signer.as_ref())?;
        add(&format!("dacs/{}.der", hex::encode(serial)), &der)?;
    }
    zip.finish().map_err(|e| odd(&e))?;
    Ok(())
}
