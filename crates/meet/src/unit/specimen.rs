//! A specimen set as a unit: what is wrong with the set is wrong with the unit.

use std::path::Path;

use standard::certificate::Certificate;
use standard::exchange::Proof;
use standard::key::SoftwareKey;
use zeroize::Zeroizing;

use super::{Attester, SoftwareSigns};

/// What a set brings to a unit.
pub struct Set {
    pub dac: Vec<u8>,
    pub pai: Vec<u8>,
    pub attester: Attester,
    /// What the device says it is: as the set's index has it, else its DAC.
    pub vendor_id: Option<u16>,
    pub product_id: Option<u16>,
}

/// Why a set can't be played.
#[derive(Debug, thiserror::Error)]
pub enum SetError {
    #[error("{0} has no dac-key.pem, so it is no set of a device")]
    NoKey(String),
    #[error("{0} is not a private key of P-256 in PEM")]
    Key(String),
    /// A set of something else, as a code's or a request's.
    #[error("{0} has neither dac.der nor declaration.der, so there is nothing to play")]
    NoDevice(String),
}

impl Set {
    /// Reads a set of `specimen write`: a directory with `dac-key.pem` and what is there of `dac.der`, `pai.der`,
    /// `declaration.der` and `proof.json`.
    ///
    /// # Errors
    ///
    /// [`SetError`].
    pub fn read(dir: &Path) -> Result<Self, SetError> {
        let shown = dir.display().to_string();
        let file = |name: &str| std::fs::read(dir.join(name)).ok();
        let pem = Zeroizing::new(file("dac-key.pem").ok_or_else(|| SetError::NoKey(shown.clone()))?);
        let key = || private_key(&pem).ok_or_else(|| SetError::Key(format!("{shown}/dac-key.pem")));
        let (dac, declaration) = (file("dac.der"), file("declaration.der"));
        if dac.is_none() && declaration.is_none() {
            return Err(SetError::NoDevice(shown));
        }
        let own = key()?;
        let recorded = file("proof.json").and_then(|json| Proof::read(&json).ok());
        let attester = match recorded {
            Some(proof) => {
                let public = standard::key::Signer::public_key(&own);
                // A set whose exchange another key signed shows just that.
                let signs = if proof.is_signed_by(&public) {
                    own
                } else {
                    SoftwareKey::generate().map_err(|_| SetError::Key(shown))?
                };
                match (proof.elements, proof.nonce) {
                    (Ok(elements), Ok(nonce)) => Attester::recorded(elements, nonce, Box::new(SoftwareSigns(signs))),
                    _ => Attester::new(declaration.unwrap_or_default(), Box::new(SoftwareSigns(signs))),
                }
            }
            None => Attester::new(declaration.unwrap_or_default(), Box::new(SoftwareSigns(own))),
        };
        let dac = dac.unwrap_or_default();
        let (vendor, product) = indexed(dir).unwrap_or_else(|| {
            let identity = Certificate::read(&dac).ok().map(|c| c.subject.identity);
            let vendor = identity.as_ref().and_then(|i| i.vendor()).map(|id| id.get());
            (vendor, identity.as_ref().and_then(|i| i.product()).map(|id| id.get()))
        });
        Ok(Self { dac, pai: file("pai.der").unwrap_or_default(), attester, vendor_id: vendor, product_id: product })
    }
}

/// What the index beside the sets gives `examine` as what the device says it is.
fn indexed(dir: &Path) -> Option<(Option<u16>, Option<u16>)> {
    let folder = dir.canonicalize().ok()?;
    let index = std::fs::read(folder.parent()?.join("index.json")).ok()?;
    let index: serde_json::Value = serde_json::from_slice(&index).ok()?;
    let name = folder.file_name()?.to_str()?;
    let sets = index.get("specimens")?.as_array()?;
    // A set that is examined without them is of the same device.
    let own = sets.iter().find(|set| set.get("folder").is_some_and(|f| f == name));
    let id = |set: &serde_json::Value, option: &str| {
        let words = set.get("arguments")?.as_array()?;
        let at = words.iter().position(|word| word == option)?;
        u16::from_str_radix(words.get(at + 1)?.as_str()?, 16).ok()
    };
    let both = |set| Some((Some(id(set, "--vendor")?), Some(id(set, "--product")?)));
    own.and_then(both).or_else(|| sets.iter().find_map(both))
}

/// RFC 5915 in PEM (RFC 7468): version 1, then the private value.
pub fn private_key(pem: &[u8]) -> Option<SoftwareKey> {
    const BEFORE: [u8; 5] = [0x02, 0x01, 0x01, 0x04, 0x20];
    let (label, der) = pem_rfc7468::decode_vec(pem).ok()?;
    let der = Zeroizing::new(der);
    let (before, rest) = der.get(2..)?.split_first_chunk::<5>()?;
    let private = rest.first_chunk::<32>()?;
    (label == "EC PRIVATE KEY" && *before == BEFORE).then(|| SoftwareKey::from_private(private).ok())?
}
