//! One chip in a token. Calls block as long as the module does.

use cryptoki::error::{Error, RvError};
use cryptoki::mechanism::Mechanism;
use cryptoki::object::{Attribute, AttributeType, CertificateType, KeyType, ObjectClass, ObjectHandle};
use cryptoki::session::Session;
use custody::token::{Token, point_of};
use standard::key::PublicKey;
use x509_cert::Certificate;
use x509_cert::der::{Decode, Encode};

use super::{Key, meaning};
use crate::{Abilities, Chip, ChipError, ChipId, Doing, Identity, LONGEST_MESSAGE, ObjectName, State};

/// The most octets of one object: PKCS #11 tells no limit, and what tokens take
/// as data is seldom less.
const OBJECT_LIMIT: usize = 8_192;

/// A key pair in a token, and its objects.
pub(super) struct TokenChip {
    session: Session,
    part: String,
    key: Key,
}

impl TokenChip {
    pub(super) fn new(session: Session, token: &Token, key: Key) -> Self {
        let part = if token.model.is_empty() { "PKCS #11 token".to_owned() } else { token.model.clone() };
        Self { session, part, key }
    }

    fn chip(&self) -> ChipId {
        self.key.chip.clone()
    }

    fn failed(&self, doing: Doing) -> impl Fn(Error) -> ChipError + '_ {
        move |error| meaning(&self.key.chip, doing.clone(), &error)
    }

    fn application(&self) -> Attribute {
        Attribute::Application(format!("touchmark {}", self.key.chip).into_bytes())
    }

    /// The token's objects that are this chip's, of one name or of all.
    fn objects(&self, name: Option<&ObjectName>) -> Result<Vec<ObjectHandle>, Error> {
        let label = |name: &ObjectName| Attribute::Label(name.as_str().as_bytes().to_vec());
        let mut data = vec![Attribute::Class(ObjectClass::DATA), self.application()];
        data.extend(name.map(label));
        let mut found = self.session.find_objects(&data)?;
        for certificate in [ObjectName::DAC, ObjectName::PAI] {
            if name.is_none_or(|name| *name == certificate) {
                let template = [
                    Attribute::Class(ObjectClass::CERTIFICATE),
                    Attribute::Id(self.key.id.clone()),
                    label(&certificate),
                ];
                found.extend(self.session.find_objects(&template)?);
            }
        }
        Ok(found)
    }

    fn value(&self, object: ObjectHandle) -> Result<Vec<u8>, Error> {
        let found = self.session.get_attributes(object, &[AttributeType::Value])?;
        let value = found.into_iter().find_map(|a| if let Attribute::Value(octets) = a { Some(octets) } else { None });
        Ok(value.unwrap_or_default())
    }

    /// What makes an object of these octets.
    fn template(&self, name: &ObjectName, octets: &[u8]) -> Vec<Attribute> {
        let mut template = vec![
            Attribute::Token(true),
            Attribute::Label(name.as_str().as_bytes().to_vec()),
            Attribute::Value(octets.to_vec()),
        ];
        let certificate = [ObjectName::DAC, ObjectName::PAI].contains(name).then(|| named(octets)).flatten();
        if let Some([subject, issuer, serial]) = certificate {
            template.extend([
                Attribute::Class(ObjectClass::CERTIFICATE),
                Attribute::CertificateType(CertificateType::X_509),
                Attribute::Private(false),
                Attribute::Id(self.key.id.clone()),
                Attribute::Subject(subject),
                Attribute::Issuer(issuer),
                Attribute::SerialNumber(serial),
            ]);
        } else {
            let public = [ObjectName::DAC, ObjectName::PAI, ObjectName::DECLARATION].contains(name);
            template.extend([Attribute::Class(ObjectClass::DATA), Attribute::Private(!public), self.application()]);
        }
        template
    }
}

/// Subject, issuer and serial number of a certificate, DER, as tokens want them.
fn named(octets: &[u8]) -> Option<[Vec<u8>; 3]> {
    let certificate = Certificate::from_der(octets).ok()?;
    let certificate = certificate.tbs_certificate();
    Some([
        certificate.subject().to_der().ok()?,
        certificate.issuer().to_der().ok()?,
        certificate.serial_number().to_der().ok()?,
    ])
}

impl Chip for TokenChip {
    fn identity(&mut self) -> Result<Identity, ChipError> {
        // Asked of the token: it may have been exchanged, and its handle be another's.
        let doing = Doing::Identifying;
        let found = self.session.get_attributes(self.key.private, &[AttributeType::Id]);
        let found = found.map_err(self.failed(doing.clone()))?;
        match found.into_iter().next() {
            Some(Attribute::Id(id)) if id == self.key.id => Ok(Identity { id: self.chip(), part: self.part.clone() }),
            _ => Err(ChipError::Swapped { expected: self.chip(), found: None }),
        }
    }

    fn public_key(&mut self) -> Result<PublicKey, ChipError> {
        let no_key = |reason: &str| ChipError::NoKey { chip: self.chip(), reason: reason.to_owned() };
        let template = [
            Attribute::Class(ObjectClass::PUBLIC_KEY),
            Attribute::KeyType(KeyType::EC),
            Attribute::Id(self.key.id.clone()),
        ];
        let found = self.session.find_objects(&template).map_err(self.failed(Doing::ReadingKey))?;
        let [public] = found[..] else {
            return Err(no_key(&format!("{} public keys share its CKA_ID; only one should", found.len())));
        };
        let point = self.session.get_attributes(public, &[AttributeType::EcPoint]);
        let point = point.map_err(self.failed(Doing::ReadingKey))?;
        let point = point.iter().find_map(|a| if let Attribute::EcPoint(point) = a { point_of(point) } else { None });
        point.ok_or_else(|| no_key("its CKA_EC_POINT is not a point on P-256"))
    }

    fn abilities(&mut self) -> Result<Abilities, ChipError> {
        Ok(Abilities {
            room_left: None,
            object_limit: OBJECT_LIMIT,
            objects: None,
            protected_bus: false,
            can_lock: false,
        })
    }

    fn state(&mut self) -> Result<State, ChipError> {
        let found = self.objects(None).map_err(self.failed(Doing::ReadingState))?;
        Ok(if found.is_empty() { State::Blank } else { State::HoldsObjects })
    }

    fn read(&mut self, object: &ObjectName) -> Result<Option<Vec<u8>>, ChipError> {
        let doing = Doing::Reading(object.clone());
        let found = self.objects(Some(object)).map_err(self.failed(doing.clone()))?;
        match found[..] {
            [] => Ok(None),
            [one] => {
                let value = self.value(one).map_err(self.failed(doing))?;
                Ok(Some(value).filter(|octets| !octets.is_empty()))
            }
            // The new one was made and the old one not removed: a write was cut.
            _ => Err(ChipError::Torn { chip: self.chip(), object: object.clone() }),
        }
    }

    fn write(&mut self, object: &ObjectName, octets: &[u8]) -> Result<(), ChipError> {
        let doing = Doing::Writing(object.clone());
        if octets.len() > OBJECT_LIMIT {
            let (chip, object) = (self.chip(), object.clone());
            return Err(ChipError::TooLarge { chip, object, octets: octets.len(), limit: OBJECT_LIMIT });
        }
        let old = self.objects(Some(object)).map_err(self.failed(doing.clone()))?;
        if !octets.is_empty() {
            self.session.create_object(&self.template(object, octets)).map_err(|error| match error {
                Error::Pkcs11(RvError::DeviceMemory, _) => {
                    ChipError::NoRoom { chip: self.chip(), object: object.clone(), octets: octets.len(), left: 0 }
                }
                other => self.failed(doing.clone())(other),
            })?;
        }
        // A crash here leaves two of one name, which reads as torn.
        for handle in old {
            self.session.destroy_object(handle).map_err(self.failed(doing.clone()))?;
        }
        Ok(())
    }

    fn sign(&mut self, message: &[u8]) -> Result<[u8; 64], ChipError> {
        if message.len() > LONGEST_MESSAGE {
            let (chip, octets) = (self.chip(), message.len());
            return Err(ChipError::MessageTooLong { chip, octets, limit: LONGEST_MESSAGE });
        }
        // Many tokens sign digests only, so the digest is made here.
        let digest = aws_lc_rs::digest::digest(&aws_lc_rs::digest::SHA256, message);
        let signature = self.session.sign(&Mechanism::Ecdsa, self.key.private, digest.as_ref());
        let signature = signature.map_err(self.failed(Doing::Signing))?;
        <[u8; 64]>::try_from(signature.as_slice()).map_err(|_| ChipError::Refused {
            chip: self.chip(),
            doing: Doing::Signing,
            reason: format!("its signature has {} bytes; one on P-256 has 64", signature.len()),
        })
    }

    fn lock(&mut self) -> Result<(), ChipError> {
        Err(ChipError::CannotLock { chip: self.chip() })
    }
}
