//! What a rehearsal makes: the invented product, or a person's own, taken out of their site.
//!
//! The site is only read. The rehearsal has a site, a book and authorities of its own, and all of it is for test,
//! whatever the vendor ID.

use std::fs::{self, File};
use std::io::Read as _;
use std::path::{Path, PathBuf};

use base::trouble::Trouble;
use book::Purpose;
use site::product::{Description, FurtherObject};
use site::{Site, product};
use standard::ids::{ProductId, VendorId};

use super::{DEVICE_TYPE, PRODUCT, PRODUCT_ID, VENDOR};

/// Files of a folder with one per unit that a rehearsal takes as samples.
const SAMPLES: usize = 16;
/// The largest object of a chip that is read, in bytes.
const LARGEST: u64 = 1 << 20;
/// What stands for an object of which no sample is there.
const BLANK: [u8; 32] = [0; 32];

/// A product to rehearse.
#[derive(Debug, Clone)]
pub struct Own {
    pub(super) name: String,
    pub(super) site: String,
    pub(super) vendor: VendorId,
    pub(super) product: ProductId,
    pub(super) description: Description,
    pub(super) serial_start: String,
    /// Contents of its further objects: one for all units, or samples that the units take in turn.
    contents: Vec<Vec<Vec<u8>>>,
    /// Objects of which no sample was there.
    pub(super) blank: Vec<String>,
}

impl Own {
    /// The invented product.
    pub(super) fn invented() -> Result<Self, Trouble> {
        let odd = |e: &dyn std::fmt::Display| Trouble::usage(e.to_string(), "");
        let vendor = VendorId::new(VENDOR).map_err(|e| odd(&e))?;
        let product = ProductId::new(PRODUCT_ID).map_err(|e| odd(&e))?;
        let description = Description {
            vendor_name: Some("Tern & Hollow".into()),
            factory_record: true,
            ..Description::new(&vendor.to_string(), &product.to_string(), DEVICE_TYPE, "ble,ip")
        };
        Ok(Self {
            name: PRODUCT.into(),
            site: "Tern & Hollow".into(),
            vendor,
            product,
            description,
            serial_start: "TV-000001".into(),
            contents: Vec::new(),
            blank: Vec::new(),
        })
    }

    /// A product of a site, with the contents of its further objects.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where there is no such product, or a file of it can't be read.
    pub fn of(site: &Site, name: &str) -> Result<Self, Trouble> {
        let kept = product::get(site, name)?;
        let mut description = Description::of(&kept)?;
        description.purpose = Some(Purpose::Test.word().into());
        description.part =
            description.part.map(|part| Some(site.dir.join(&part)).filter(|p| p.exists()).unwrap_or(part));
        let odd = |e: &dyn std::fmt::Display| Trouble::surroundings(e.to_string(), "Verify the record book.");
        let (vendor, product) = (
            VendorId::new(kept.facts.vendor_id).map_err(|e| odd(&e))?,
            ProductId::new(kept.facts.product_id).map_err(|e| odd(&e))?,
        );
        let (mut contents, mut blank) = (Vec::new(), Vec::new());
        for object in &description.objects {
            let mut samples = match (&object.file, &object.per_unit) {
                (Some(file), _) => vec![content(&site.dir.join(file))?],
                (None, folder) => samples(&site.dir.join(folder.as_deref().unwrap_or(Path::new("."))))?,
            };
            if samples.is_empty() {
                blank.push(object.name.clone());
                samples.push(BLANK.to_vec());
            }
            contents.push(samples);
        }
        Ok(Self {
            name: kept.facts.name.to_string(),
            site: site.settings.site.name.clone(),
            vendor,
            product,
            description,
            serial_start: site
                .book
                .product_series(&kept.facts.name)?
                .map_or_else(|| "TV-000001".into(), |s| s.to_string()),
            contents,
            blank,
        })
    }

    /// Lays the files of further objects in the rehearsal's site, and says where they are.
    pub(super) fn lay_objects(&mut self, site: &Site, chips: &[chip::ChipId]) -> Result<(), Trouble> {
        for (object, contents) in self.description.objects.iter_mut().zip(&self.contents) {
            let at = PathBuf::from("objects").join(&object.name);
            let path = site.dir.join(&at);
            let write = |path: &Path, octets: &[u8]| fs::write(path, octets).map_err(|e| Trouble::file(path, e));
            let made = |folder: &Path| fs::create_dir_all(folder).map_err(|e| Trouble::file(folder, e));
            let one_for_all = object.file.is_some();
            *object = FurtherObject { name: object.name.clone(), file: None, per_unit: None };
            if one_for_all {
                made(&site.dir.join("objects"))?;
                write(&path, contents.first().map_or(&BLANK[..], Vec::as_slice))?;
                object.file = Some(at);
            } else {
                made(&path)?;
                for (chip, octets) in chips.iter().zip(contents.iter().cycle()) {
                    write(&path.join(chip.as_str()), octets)?;
                }
                object.per_unit = Some(at);
            }
        }
        Ok(())
    }
}

/// An object's octets.
pub(crate) fn content(path: &Path) -> Result<Vec<u8>, Trouble> {
    let mut octets = Vec::new();
    let file = File::open(path).map_err(|e| Trouble::file(path, e))?;
    file.take(LARGEST + 1).read_to_end(&mut octets).map_err(|e| Trouble::file(path, e))?;
    if octets.len() as u64 > LARGEST {
        return Err(Trouble::usage(
            format!("{} has more than {LARGEST} bytes; no chip holds that", path.display()),
            "Correct the product's objects.",
        ));
    }
    Ok(octets)
}

/// Some of the files of a folder, by name.
pub(crate) fn samples(folder: &Path) -> Result<Vec<Vec<u8>>, Trouble> {
    let entries = fs::read_dir(folder).map_err(|e| Trouble::file(folder, e))?;
    let mut paths: Vec<_> = entries.flatten().map(|e| e.path()).filter(|path| path.is_file()).collect();
    paths.sort();
    paths.truncate(SAMPLES);
    paths.iter().map(|path| content(path)).collect()
}
