//! A good set, open at every place where a specimen departs from it.

use super::{File, Use};
use crate::asn1::{self, sequence};
use crate::certificate::{Builder, ExtensionDer, Profile, spki_der};
use crate::declaration::content::Fields;
use crate::declaration::signed::SignedDataBuilder;
use crate::exchange::{CHALLENGE, Elements, NONCE, to_be_signed};
use crate::ids::{ProductId, VendorId};
use crate::key::{SignError, Signer, SoftwareKey};
use crate::moment::{Moment, NO_END};
use crate::name::NameBuilder;
use crate::oid;
use crate::revocation::ListBuilder;
use crate::signature::raw_from_der;
use crate::verdict::Severity;

/// Whose specimens they are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Identity {
    /// Vendor ID; one of the test ones.
    pub vendor: VendorId,
    pub product: ProductId,
    /// Time around which the certificates are made.
    pub now: Moment,
}

/// The keys of all sets.
#[derive(Debug)]
pub struct Keys {
    pub paa: SoftwareKey,
    pub pai: SoftwareKey,
    pub dac: SoftwareKey,
    pub signer: SoftwareKey,
    /// Somebody who has no part in the chain.
    pub stranger: SoftwareKey,
    dac_private: [u8; 32],
}

impl Keys {
    /// Fresh keys.
    ///
    /// # Errors
    ///
    /// [`SignError`] where the system gives no randomness.
    pub fn generate() -> Result<Self, SignError> {
        let mut dac_private = [0; 32];
        loop {
            aws_lc_rs::rand::fill(&mut dac_private)
                .map_err(|_| SignError("no randomness from the operating system".into()))?;
            // Zero and values beyond the order are refused; all but one in 2^32 pass.
            if SoftwareKey::from_private(&dac_private).is_ok() {
                break;
            }
        }
        Ok(Self {
            paa: SoftwareKey::generate()?,
            pai: SoftwareKey::generate()?,
            dac: SoftwareKey::from_private(&dac_private)?,
            signer: SoftwareKey::generate()?,
            stranger: SoftwareKey::generate()?,
            dac_private,
        })
    }
}

const DAY: i64 = 86_400;

/// A certificate to be made: its fields, who signs, what is done to it afterwards.
pub struct Planned<'k> {
    pub fields: Builder,
    pub signer: &'k SoftwareKey,
    pub after: fn(Vec<u8>) -> Vec<u8>,
    pub name: &'static str,
    pub uses: Use,
}

impl Planned<'_> {
    fn finish(&self) -> Result<File, SignError> {
        Ok(File { name: self.name, octets: (self.after)(self.fields.sign(self.signer)?), uses: self.uses })
    }

    /// Puts another extension in the place of the one of that kind.
    pub fn replace(&mut self, kind: &[u8], with: Vec<u8>) {
        let marker = asn1::oid(kind);
        for extension in &mut self.fields.extensions {
            let found = extension.get(2..).is_some_and(|rest| rest.starts_with(&marker));
            if found {
                extension.clone_from(&with);
            }
        }
        self.fields.extensions.retain(|e| !e.is_empty());
    }

    /// Leaves out the extension of that kind.
    pub fn without(&mut self, kind: &[u8]) {
        self.replace(kind, Vec::new());
    }
}

/// A set in the making.
pub struct Scene<'k> {
    pub keys: &'k Keys,
    pub identity: Identity,
    pub paa: Planned<'k>,
    pub pai: Planned<'k>,
    pub dac: Planned<'k>,
    /// Which of the three are left out of the set.
    pub left_out: Vec<Profile>,
    pub declaration: Fields,
    /// Takes the place of the declaration's content.
    pub content: Option<Vec<u8>>,
    pub signed: fn(&mut SignedDataBuilder, &Scene<'_>),
    pub declaration_signer: &'k SoftwareKey,
    pub after_declaration: fn(Vec<u8>) -> Vec<u8>,
    /// Whether the set has an exchange; specimens of other things leave it out where it would fall too.
    pub exchange: Option<ExchangePlan<'k>>,
    pub extra: Vec<File>,
    pub device_says: bool,
    pub severity: Severity,
}

/// Elements from a declaration and a nonce.
type MakeElements = fn(&[u8], &[u8; NONCE]) -> Vec<u8>;
/// A declaration for a scene.
type MakeDeclaration = fn(&Scene<'_>) -> Result<Vec<u8>, SignError>;

/// An exchange in the making.
pub struct ExchangePlan<'k> {
    pub firmware: Option<Vec<u8>>,
    /// Takes the place of the elements.
    pub elements: Option<MakeElements>,
    pub signer: &'k SoftwareKey,
    pub other_nonce: bool,
    /// Takes the place of the declaration within.
    pub declaration: Option<MakeDeclaration>,
}

impl<'k> Scene<'k> {
    /// The good set.
    pub fn new(identity: &Identity, keys: &'k Keys) -> Self {
        let now = identity.now;
        let paa_name = paa_name().vendor(identity.vendor).build();
        let pai_name = pai_name().vendor(identity.vendor).build();
        let dac_name = dac_name().vendor(identity.vendor).product(identity.product).build();
        let paa_id = keys.paa.public_key().key_id();
        let pai_id = keys.pai.public_key().key_id();
        let planned =
            |profile, serial: &[u8], issuer: (&[u8], &[u8]), subject: &[u8], key: &SoftwareKey, from: i64, to| {
                Builder::new(profile, serial, issuer, subject, &key.public_key(), (now.plus(from * DAY), to))
            };
        let same = |der| der;
        Self {
            keys,
            identity: *identity,
            paa: Planned {
                fields: planned(Profile::Paa, &[0x2D, 1], (&paa_name, &paa_id), &paa_name, &keys.paa, -730, NO_END),
                signer: &keys.paa,
                after: same,
                name: "paa.der",
                uses: Use::Trust,
            },
            pai: Planned {
                fields: planned(Profile::Pai, &[0x2D, 2], (&paa_name, &paa_id), &pai_name, &keys.pai, -365, NO_END),
                signer: &keys.paa,
                after: same,
                name: "pai.der",
                uses: Use::Subject,
            },
            dac: Planned {
                fields: planned(Profile::Dac, &[0x2D, 3], (&pai_name, &pai_id), &dac_name, &keys.dac, -1, NO_END),
                signer: &keys.pai,
                after: same,
                name: "dac.der",
                uses: Use::Subject,
            },
            left_out: Vec::new(),
            declaration: Fields {
                vendor: identity.vendor,
                products: vec![identity.product],
                device_type: 0x0202,
                certificate_id: "SPECIMEN-00000000-1".into(),
                version_number: 1,
                certification_type: 0,
                origin: None,
                authorities: Vec::new(),
            },
            content: None,
            signed: |_, _| {},
            declaration_signer: &keys.signer,
            after_declaration: same,
            exchange: Some(ExchangePlan {
                firmware: None,
                elements: None,
                signer: &keys.dac,
                other_nonce: false,
                declaration: None,
            }),
            extra: Vec::new(),
            device_says: true,
            severity: Severity::Error,
        }
    }

    /// The certificate of that kind.
    pub fn planned(&mut self, profile: Profile) -> &mut Planned<'k> {
        match profile {
            Profile::Dac => &mut self.dac,
            Profile::Pai => &mut self.pai,
            Profile::Paa => &mut self.paa,
        }
    }

    /// Gives a certificate another subject, and those it issues that issuer.
    pub fn rename(&mut self, profile: Profile, name: &[u8]) {
        self.planned(profile).fields.subject = name.to_vec();
        match profile {
            Profile::Dac => {}
            Profile::Pai => self.dac.fields.issuer = name.to_vec(),
            Profile::Paa => {
                self.paa.fields.issuer = name.to_vec();
                self.pai.fields.issuer = name.to_vec();
            }
        }
    }

    /// The declaration, signed.
    pub fn declaration_der(&self) -> Result<Vec<u8>, SignError> {
        let content = match &self.content {
            Some(content) => content.clone(),
            None => self.declaration.encode().map_err(|e| SignError(e.to_string()))?,
        };
        let mut signed = SignedDataBuilder::new(&content, &self.declaration_signer.public_key().key_id());
        (self.signed)(&mut signed, self);
        Ok((self.after_declaration)(signed.sign(self.declaration_signer)?))
    }

    /// A list by the PAI that lists the given serials.
    pub fn list(&self, serials: &[&[u8]]) -> ListBuilder {
        let now = self.identity.now;
        let entries: Vec<_> =
            serials.iter().map(|s| (*s, now.plus(-DAY), crate::revocation::Reason::KeyCompromise)).collect();
        ListBuilder::new(
            (&self.pai.fields.subject, &self.keys.pai.public_key().key_id()),
            (now.plus(-DAY), NO_END),
            &[1],
            &entries,
        )
    }

    /// Adds a file.
    pub fn add(&mut self, name: &'static str, octets: Vec<u8>, uses: Use) {
        self.extra.push(File { name, octets, uses });
    }

    /// Leaves out everything but the given extra files, as for requests.
    pub fn only_extra(&mut self) {
        self.left_out = vec![Profile::Dac, Profile::Pai, Profile::Paa];
        self.exchange = None;
    }

    /// Makes and signs everything.
    pub(super) fn finish(self) -> Result<Vec<File>, SignError> {
        let mut files = Vec::new();
        for (profile, planned) in [(Profile::Dac, &self.dac), (Profile::Pai, &self.pai), (Profile::Paa, &self.paa)] {
            if !self.left_out.contains(&profile) {
                files.push(planned.finish()?);
            }
        }
        if self.left_out.len() < 3 {
            let declaration = self.declaration_der()?;
            if let Some(plan) = &self.exchange {
                files.push(File { name: "proof.json", octets: self.proof(plan, &declaration)?, uses: Use::Subject });
            }
            files.push(File { name: "declaration.der", octets: declaration, uses: Use::Subject });
            files.push(File {
                name: "declaration-signer.der",
                octets: signer_certificate(self.keys, &self.identity)?,
                uses: Use::Signer,
            });
            files.push(File {
                name: "dac-key.pem",
                octets: private_key_pem(&self.keys.dac_private, &self.keys.dac),
                uses: Use::Beside,
            });
        }
        files.extend(self.extra);
        Ok(files)
    }

    fn proof(&self, plan: &ExchangePlan<'_>, declaration: &[u8]) -> Result<Vec<u8>, SignError> {
        let mut nonce = [0; NONCE];
        let mut challenge = [0; CHALLENGE];
        for octets in [nonce.as_mut_slice(), challenge.as_mut_slice()] {
            aws_lc_rs::rand::fill(octets).map_err(|_| SignError("no randomness from the operating system".into()))?;
        }
        let declaration = match plan.declaration {
            Some(other) => other(self)?,
            None => declaration.to_vec(),
        };
        let mut answered = nonce;
        if plan.other_nonce {
            answered[0] ^= 1;
        }
        let elements = match plan.elements {
            Some(elements) => elements(&declaration, &answered),
            None => Elements::encode(&declaration, &answered, 0, plan.firmware.as_deref()),
        };
        let der = plan.signer.sign(&to_be_signed(&elements, &challenge))?;
        let signature = raw_from_der(&der).ok_or_else(|| SignError("a signature that is no pair of numbers".into()))?;
        let proof = serde_json::json!({
            "unit": "SPECIMEN-1",
            "chip_id": "0000000000000001",
            "nonce": hex::encode(nonce),
            "challenge": hex::encode(challenge),
            "elements": hex::encode(elements),
            "signature": hex::encode(signature),
            "at": self.identity.now.to_string(),
        });
        Ok(format!("{proof:#}\n").into_bytes())
    }
}

/// Names of the set's certificates, without identifiers.
pub fn paa_name() -> NameBuilder {
    NameBuilder::new().organization("Quarry Lane Test Authority").common_name("Specimen PAA")
}

/// The PAI's.
pub fn pai_name() -> NameBuilder {
    NameBuilder::new().common_name("Specimen PAI")
}

/// The DAC's.
pub fn dac_name() -> NameBuilder {
    NameBuilder::new().common_name("Specimen DAC")
}

fn signer_certificate(keys: &Keys, identity: &Identity) -> Result<Vec<u8>, SignError> {
    let name = NameBuilder::new().common_name("Specimen Declaration Signer").build();
    let id = keys.signer.public_key().key_id();
    let times = (identity.now.plus(-730 * DAY), NO_END);
    Builder::new(Profile::Dac, &[0x2D, 4], (&name, &id), &name, &keys.signer.public_key(), times).sign(&keys.signer)
}

/// `ECPrivateKey` (RFC 5915 §3) in PEM.
fn private_key_pem(private: &[u8; 32], key: &SoftwareKey) -> Vec<u8> {
    let der = sequence(&[
        &asn1::integer(&[1]),
        &asn1::octet_string(private),
        &asn1::context(0, true, &asn1::oid(oid::PRIME256V1)),
        &asn1::context(1, true, &asn1::bit_string(key.public_key().point())),
    ]);
    crate::pem::encode("EC PRIVATE KEY", &der).into_bytes()
}

/// The key's `SubjectPublicKeyInfo` with a compressed point, which the standard does not allow.
pub fn compressed_spki(key: &SoftwareKey) -> Vec<u8> {
    let whole = spki_der(&key.public_key());
    let point = key.public_key();
    let mut compressed = vec![2 + (point.point()[64] & 1)];
    compressed.extend_from_slice(&point.point()[1..33]);
    sequence(&[&whole[2..23], &asn1::bit_string(&compressed)])
}

/// An extension that nobody knows (private enterprise number of RFC 5612, for examples).
pub fn unknown_extension(critical: bool) -> Vec<u8> {
    ExtensionDer::any(&[0x2B, 6, 1, 4, 1, 0x81, 0xFD, 0x59, 1], critical, &asn1::null())
}
