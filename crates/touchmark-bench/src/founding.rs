//! A site as a measurement needs it, made by the acts that a person would ask for.

use std::error::Error;
use std::path::Path;

use custody::{Passphrase, WorkFactor};
use site::product::Description;
use site::{NewBook, Site, Who, authority, declaration, product};
use standard::ids::{ProductId, VendorId};

/// Name of the PAI.
pub const PAI: &str = "I";
/// Name of the product.
pub const PRODUCT: &str = "Tern Vent";

/// The passphrase of everything in it.
pub fn passphrase() -> Result<Passphrase, Box<dyn Error>> {
    Ok(Passphrase::new("bench".to_owned())?)
}

/// A site with its authorities, a declaration and a product, and nothing on the line.
pub fn founded(dir: &Path, book: Option<&str>) -> Result<Site, Box<dyn Error>> {
    let who = Who::new("bench")?;
    let (site, _) = Site::create(dir, NewBook { location: book, password_file: None }, "bench", None, &who)?;
    let passphrase = passphrase()?;
    let (vendor, product_id) = (VendorId::new(0xFFF2)?, ProductId::new(0x8A21)?);
    for (name, role, issuer) in [("P", book::Role::Paa, None), (PAI, book::Role::Pai, Some("P"))] {
        let raise = authority::Raise {
            name,
            role,
            vendor: Some(vendor),
            product: None,
            issuer,
            years: None,
            key: None,
            unlock: &passphrase,
            work: WorkFactor::WORTHLESS,
        };
        authority::raise(&site, &raise, &who)?;
    }
    let make = declaration::Make {
        name: None,
        vendor,
        products: vec![product_id],
        device_type: 0x0202,
        certificate_id: None,
        origin: None,
        authorities: Vec::new(),
        passphrase: &passphrase,
        work: WorkFactor::WORTHLESS,
    };
    declaration::make(&site, &make, &who)?;
    let description = Description {
        vendor_name: Some("Tern & Hollow".into()),
        factory_record: true,
        ..Description::new(&vendor.to_string(), &product_id.to_string(), 0x0202, "ble")
    };
    product::add(&site, PRODUCT, &description, &who)?;
    Ok(site)
}
