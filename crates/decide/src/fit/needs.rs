//! What a product asks of a secure element: objects at their largest, keys, the message to sign.
//!
//! Sizes are not typed in: the declaration and the factory record are made at
//! their largest by the same code that makes real ones, and counted.

use std::fs;
use std::path::Path;

use base::trouble::Trouble;
use serde::Serialize;
use site::{Site, declaration, product};
use standard::declaration::Fields;
use standard::declaration::signed::SignedDataBuilder;
use standard::exchange::{CHALLENGE, Elements, NONCE};
use standard::factory_record::{FactoryRecord, RotatingId};
use standard::ids::{ProductId, VendorId};
use standard::key::{PublicKey, SignError, Signer};
use standard::onboarding::Discriminator;
use standard::passcode_verifier::{Iterations, PasscodeVerifier, Salt};
use time::Date;

/// Most octets of a certificate (Core Spec 6.1).
pub const CERTIFICATE: u64 = 600;
/// Most octets of the attestation elements (Core Spec 11.18.4).
const ELEMENTS: usize = 900;
/// Most octets of a name in the factory record.
const NAME: usize = 32;

/// Homes that a device can join at the same time, at least (`SupportedFabrics`; from memory of the standard).
const FABRICS: u32 = 5;
/// A key that is being made for one more while the fail-safe is armed (from memory of the standard).
const PENDING: u32 = 1;

/// One object.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Need {
    /// Its name in the chip.
    pub name: String,
    /// Octets at their most.
    pub octets: u64,
    /// Where the number comes from.
    pub why: String,
}

/// What a product asks of a part.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Needs {
    /// The product; none where the standard's limits are taken.
    pub product: Option<String>,
    /// Whether it is a test product.
    pub test: bool,
    /// Objects in the order in which a station writes them.
    pub objects: Vec<Need>,
    /// Octets of what the chip signs: the elements and the challenge.
    pub message: u64,
    /// Whether chips are locked after they were proven.
    pub lock: bool,
    /// Operational keys at a time: one for each home, and a pending one.
    pub operational_keys: u32,
}

impl Needs {
    /// Objects as the time model takes them.
    pub fn sizes(&self) -> Vec<(String, u64)> {
        self.objects.iter().map(|n| (n.name.clone(), n.octets)).collect()
    }

    /// Octets of all objects.
    pub fn octets(&self) -> u64 {
        self.objects.iter().map(|n| n.octets).sum()
    }

    fn octets_of(&self, name: &str) -> u64 {
        self.objects.iter().find(|n| n.name == name).map_or(0, |n| n.octets)
    }

    /// Certificates and declaration, which a verifier asks for.
    pub fn chain(&self) -> [u64; 3] {
        ["dac", "pai", "declaration"].map(|name| self.octets_of(name))
    }

    /// A further object as people type it: `trust-anchor=900`.
    ///
    /// # Errors
    ///
    /// Where it is no name with octets, or the name is taken.
    pub fn add_typed(&mut self, text: &str) -> Result<(), Trouble> {
        let wrong = || {
            Trouble::usage(
                format!("{text:?} is not an object with its size"),
                "Write NAME=BYTES, such as trust-anchor=900, up to 1 GiB.",
            )
        };
        let (name, octets) = text.rsplit_once('=').ok_or_else(wrong)?;
        let octets: u64 = octets.trim().parse().map_err(|_| wrong())?;
        if octets > 1 << 30 {
            return Err(wrong());
        }
        self.add(name.trim(), octets)
    }

    /// A further object with so many octets.
    ///
    /// # Errors
    ///
    /// Where the name is taken or none.
    pub fn add(&mut self, name: &str, octets: u64) -> Result<(), Trouble> {
        if self.objects.iter().any(|n| n.name == name) {
            return Err(Trouble::usage(format!("the object {name} already exists"), "Give another name."));
        }
        chip::ObjectName::new(name).map_err(|e| {
            Trouble::usage(format!("{name:?} is not an object name: {e}"), "Use small letters, digits and hyphens.")
        })?;
        self.objects.push(Need { name: name.to_owned(), octets, why: "as stated".into() });
        Ok(())
    }
}

/// A signer whose signatures are as long as a P-256 signature gets in DER: 72 octets.
struct Longest(PublicKey);

impl Signer for Longest {
    fn public_key(&self) -> PublicKey {
        self.0
    }

    fn sign(&self, _: &[u8]) -> Result<Vec<u8>, SignError> {
        // r and s with their highest bit set: 33 octets each (X.690, 8.3).
        let mut integer = vec![0x02, 33, 0];
        integer.extend([0xFF; 32]);
        Ok([&[0x30, 70][..], &integer, &integer].concat())
    }
}

/// Coordinates of P-256's base point (SP 800-186, 3.2.1.3), as any point will do.
const POINT: &str = "046b17d1f2e12c4247f8bce6e563a440f277037d812deb33a0f4a13945d898c296\
                     4fe342e2fe1a7f9b8ee7eb4a7c0f9e162bce33576b315ececbb6406837bf51f5";

fn odd(what: impl std::fmt::Display) -> Trouble {
    Trouble::surroundings(
        format!("the largest encoding can't be made: {what}"),
        "Report this; it is a fault of this program.",
    )
}

/// Octets of the longest declaration: a hundred products, ten authorities, another
/// origin, every number at its widest, and the longest signature.
pub fn longest_declaration() -> Result<Vec<u8>, Trouble> {
    let vendor = VendorId::new(0xFFF1).map_err(odd)?;
    let ids = 0xFF00..0xFF64;
    let fields = Fields {
        vendor,
        products: ids.map(ProductId::new).collect::<Result<_, _>>().map_err(odd)?,
        device_type: u32::MAX,
        certificate_id: "X".repeat(19),
        version_number: u16::MAX,
        certification_type: 2,
        origin: Some((vendor, ProductId::new(0xFFFF).map_err(odd)?)),
        authorities: vec![[0xFF; 20]; 10],
    };
    let content = fields.encode().map_err(odd)?;
    let point = hex::decode(POINT).map_err(odd)?;
    let signer = Longest(PublicKey::from_point(&point).map_err(odd)?);
    SignedDataBuilder::new(&content, &[0xFF; 20]).sign(&signer).map_err(odd)
}

/// The longest factory record that a station writes, with these names or the longest ones.
pub fn longest_record(vendor_name: Option<&str>, product_name: Option<&str>) -> Result<Vec<u8>, Trouble> {
    let name = |given: Option<&str>| given.map_or_else(|| "X".repeat(NAME), |n| n.chars().take(NAME).collect());
    let salt = Salt::new(&[0xFF; 32]).map_err(odd)?;
    let point = hex::decode(POINT).map_err(odd)?;
    let record = FactoryRecord {
        serial_number: "X".repeat(NAME),
        vendor_id: VendorId::new(0xFFF1).map_err(odd)?,
        vendor_name: name(vendor_name),
        product_id: ProductId::new(0xFFFF).map_err(odd)?,
        product_name: name(product_name),
        hardware_version: u16::MAX,
        hardware_version_text: Some("X".repeat(64)),
        manufactured: Date::MIN.replace_year(2099).map_err(odd)?,
        discriminator: Discriminator::new(0xFFF).map_err(odd)?,
        salt,
        iterations: Iterations::new(100_000).map_err(odd)?,
        verifier: PasscodeVerifier::from_octets(&[&[0x01; 32][..], &point].concat()).map_err(odd)?,
        rotating_id: RotatingId::new(&[0xFF; RotatingId::MAX]).map_err(odd)?,
        dac: None,
        pai: None,
        declaration: None,
        passcode: None,
    };
    Ok(record.encode().map_err(odd)?.to_vec())
}

fn message(declaration: &[u8]) -> u64 {
    (Elements::encode(declaration, &[0xFF; NONCE], u32::MAX, None).len() + CHALLENGE) as u64
}

fn certificates() -> Vec<Need> {
    let limit = "the standard's limit (Core Spec 6.1)";
    [("dac", "device certificate"), ("pai", "intermediate")]
        .map(|(name, what)| Need { name: name.into(), octets: CERTIFICATE, why: format!("{what}: {limit}") })
        .into()
}

/// What the standard lets a product ask at most.
///
/// # Errors
///
/// None in practice; a fault of this program.
pub fn at_most() -> Result<Needs, Trouble> {
    let declaration = longest_declaration()?;
    let mut objects = certificates();
    objects.push(Need {
        name: "declaration".into(),
        octets: declaration.len() as u64,
        why: "100 products, 10 authorities, another origin, the longest signature".into(),
    });
    objects.push(Need {
        name: "factory-record".into(),
        octets: longest_record(None, None)?.len() as u64,
        why: "every field at its longest".into(),
    });
    let message = message(&declaration).min((ELEMENTS + CHALLENGE) as u64);
    Ok(Needs { product: None, test: false, objects, message, lock: true, operational_keys: FABRICS + PENDING })
}

/// What a product with this identity asks, that no site knows yet: a declaration of this
/// one product, and a factory record with every field at its longest.
///
/// # Errors
///
/// None in practice; a fault of this program.
pub fn of_identity(vendor: VendorId, product: ProductId) -> Result<Needs, Trouble> {
    let fields = Fields {
        vendor,
        products: vec![product],
        device_type: u32::MAX,
        certificate_id: "X".repeat(19),
        version_number: u16::MAX,
        certification_type: if vendor.is_test() { 0 } else { 2 },
        origin: None,
        authorities: Vec::new(),
    };
    let content = fields.encode().map_err(odd)?;
    let point = hex::decode(POINT).map_err(odd)?;
    let signer = Longest(PublicKey::from_point(&point).map_err(odd)?);
    let declaration = SignedDataBuilder::new(&content, &[0xFF; 20]).sign(&signer).map_err(odd)?;
    let mut objects = certificates();
    objects.push(Need {
        name: "declaration".into(),
        octets: declaration.len() as u64,
        why: "a declaration of this product alone, with the longest signature".into(),
    });
    objects.push(Need {
        name: "factory-record".into(),
        octets: longest_record(None, None)?.len() as u64,
        why: "every field at its longest".into(),
    });
    Ok(Needs {
        product: Some(format!("VID {vendor} PID {product}")),
        test: vendor.is_test(),
        objects,
        message: message(&declaration),
        lock: true,
        operational_keys: FABRICS + PENDING,
    })
}

/// What a product of a site asks: its declaration as it is, its names, its further objects.
///
/// # Errors
///
/// [`Trouble`] where there is no such product, or an object's file can't be looked at.
pub fn of_product(site: &Site, name: &str) -> Result<Needs, Trouble> {
    let found = product::get(site, name)?;
    let kept = product::kept(&found)?;
    let facts = &found.facts;
    let (declaration, why) = match declaration::for_product(site, facts.vendor_id, facts.product_id, facts.purpose)? {
        Some(ready) => (ready.signed.der().to_vec(), "the product's declaration as it is".to_owned()),
        None => (longest_declaration()?, "no declaration yet: the longest possible one".to_owned()),
    };
    let mut objects = certificates();
    objects.push(Need { name: "declaration".into(), octets: declaration.len() as u64, why });
    if kept.factory_record {
        objects.push(Need {
            name: "factory-record".into(),
            octets: longest_record(kept.vendor_name.as_deref(), Some(&kept.product_name))?.len() as u64,
            why: "with the product's names, everything else at its longest".into(),
        });
    }
    for object in product::further(&found)? {
        let (octets, why) = if let Some(file) = &object.file {
            (size(&site.dir.join(file))?, format!("{}", file.display()))
        } else {
            let dir = site.dir.join(object.per_unit.as_deref().unwrap_or(Path::new(".")));
            (largest(&dir)?, format!("the largest file in {}", dir.display()))
        };
        objects.push(Need { name: object.name, octets, why });
    }
    Ok(Needs {
        product: Some(facts.name.to_string()),
        test: facts.purpose == book::Purpose::Test,
        objects,
        message: message(&declaration),
        lock: kept.lock,
        operational_keys: FABRICS + PENDING,
    })
}

fn size(path: &Path) -> Result<u64, Trouble> {
    Ok(fs::metadata(path).map_err(|e| Trouble::file(path, e))?.len())
}

fn largest(dir: &Path) -> Result<u64, Trouble> {
    let mut most = None;
    for entry in fs::read_dir(dir).map_err(|e| Trouble::file(dir, e))? {
        let entry = entry.map_err(|e| Trouble::file(dir, e))?;
        let facts = entry.metadata().map_err(|e| Trouble::file(&entry.path(), e))?;
        if facts.is_file() {
            most = most.max(Some(facts.len()));
        }
    }
    most.ok_or_else(|| {
        Trouble::usage(
            format!("{} contains no file, so the size of the object is unknown", dir.display()),
            "Put the units' files there, or give the size with --further NAME=BYTES.",
        )
    })
}

#[cfg(test)]
mod tests {
    use standard::declaration::Declaration;

    use super::*;

    /// The longest declaration is a declaration: our own reader takes it and finds all of it.
    #[test]
    fn the_longest_declaration_is_one() {
        let der = longest_declaration().unwrap();
        let read = Declaration::read(&der).unwrap();
        let content = read.fields.as_ref().unwrap();
        assert_eq!((content.product_count, content.authority_count), (100, 10));
        assert!(content.faults.is_empty(), "{:?}", content.faults);
        assert_eq!(read.signature().len(), 72);
        // It must go into the elements (at most 900 octets, Core Spec 11.18.4) with nonce and timestamp.
        assert!(message(&der) <= (ELEMENTS + CHALLENGE) as u64, "{}", der.len());
    }

    /// One product asks less than a hundred; the curve's message follows the declaration.
    #[test]
    fn an_identity_asks_for_its_own_declaration() {
        let asked = of_identity("FFF2".parse().unwrap(), "8A21".parse().unwrap()).unwrap();
        let most = at_most().unwrap();
        assert!(asked.test && asked.product.as_deref() == Some("VID FFF2 PID 8A21"));
        assert!(asked.octets_of("declaration") + 300 < most.octets_of("declaration"), "{asked:?}");
        assert!(asked.message < most.message);
        let mut more = asked.clone();
        more.add_typed("trust-anchor=900").unwrap();
        assert_eq!(more.octets(), asked.octets() + 900);
        for wrong in ["trust-anchor", "a=b", "=5", "trust-anchor=1", "x=9999999999"] {
            assert!(more.add_typed(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn names_count() {
        let longest = longest_record(None, None).unwrap().len();
        let short = longest_record(Some("T"), Some("V")).unwrap().len();
        // 31 octets less each, and a CBOR head of one octet instead of two (RFC 8949, 3).
        assert_eq!(longest - short, 2 * (31 + 1));
        assert!(longest > 300);
    }
}
