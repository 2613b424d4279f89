//! PKCS #11 tokens as a source of chips: a token that is one chip, or a fixture
//! with many.
//!
//! Each P-256 private key in a token that the URI fits is a chip. Its id is the
//! key's `CKA_ID` where that has at least four octets; a shorter one (`01`, as
//! many tools give it) tells chips apart only within a token, so the token's
//! serial number is then the id. `object=` and `id=` in the URI narrow the keys.
//!
//! A chip's objects are the token's: `dac` and `pai` as certificates (`CKA_ID` of
//! the key, `CKA_LABEL` the name) where their content is a certificate, all else
//! as data (`CKA_APPLICATION` `touchmark ` and the chip's id, `CKA_LABEL` the
//! name). Data beyond `dac`, `pai` and `declaration` is private: it is read only
//! with the PIN. A PKCS #11 object can't be replaced in one step: the new one is
//! made before the old one goes, and two of one name are read as torn.
//!
//! PKCS #11 knows no lock against writing, no free room that tokens tell
//! reliably, and nothing of the bus.

mod chip;
mod patient;

use cryptoki::error::Error;
use cryptoki::object::{Attribute, AttributeType, KeyType, ObjectClass, ObjectHandle};
use cryptoki::session::Session;
use custody::Passphrase;
use custody::token::{Token, TokenError, TokenUri, Tokens};

use crate::hold;
use crate::{Chip, ChipError, ChipId, ChipSource, Doing};
use chip::TokenChip;
use patient::Patient;

/// The shortest `CKA_ID` that is a chip's id.
const SHORTEST_ID: usize = 4;

/// Tokens as a source.
#[derive(Debug)]
pub struct TokenSource {
    tokens: Tokens,
}

/// A key pair's private half, and whose it is.
struct Key {
    chip: ChipId,
    private: ObjectHandle,
    /// Its `CKA_ID`, which its public half shares.
    id: Vec<u8>,
}

impl TokenSource {
    /// Loads the URI's module. `pin` is used where the URI names no `pin-source`.
    ///
    /// # Errors
    ///
    /// [`ChipError::Token`] where the module does not load; [`ChipError::Pin`].
    pub fn open(uri: &TokenUri, pin: Option<&Passphrase>) -> Result<Self, ChipError> {
        let tokens = Tokens::open(uri, pin).map_err(|error| failed(&uri.to_string(), &error))?;
        Ok(Self { tokens })
    }

    fn failed(&self, error: &TokenError) -> ChipError {
        failed(&self.describe(), error)
    }

    fn keys(&self, token: &Token, session: &Session) -> Result<Vec<Key>, TokenError> {
        const DOING: &str = "looking for keys";
        let failed = |e: Error| TokenError::of(DOING, &e);
        let uri = self.tokens.uri();
        let mut template = vec![Attribute::Class(ObjectClass::PRIVATE_KEY), Attribute::KeyType(KeyType::EC)];
        template.extend(uri.object().map(|label| Attribute::Label(label.as_bytes().to_vec())));
        template.extend(uri.id().map(|id| Attribute::Id(id.to_vec())));
        let mut keys = Vec::new();
        for private in session.find_objects(&template).map_err(failed)? {
            let found = session.get_attributes(private, &[AttributeType::Id]).map_err(failed)?;
            let id = found.into_iter().find_map(|a| if let Attribute::Id(id) = a { Some(id) } else { None });
            let id = id.unwrap_or_default();
            let chip = chip_id(&id, &token.serial).ok_or_else(|| TokenError::Failed {
                doing: DOING,
                why: "a key has no CKA_ID of 4 to 32 bytes, and its token has no serial number".into(),
            })?;
            keys.push(Key { chip, private, id });
        }
        Ok(keys)
    }
}

/// A chip's id from its key's `CKA_ID`, or else from the token's serial number.
fn chip_id(key: &[u8], serial: &str) -> Option<ChipId> {
    if key.len() >= SHORTEST_ID {
        return ChipId::new(&hex::encode(key)).ok();
    }
    // Serial numbers are mostly hex digits; what is not is shown by its octets.
    ChipId::new(serial).or_else(|_| ChipId::new(&hex::encode(serial))).ok()
}

fn failed(source_name: &str, error: &TokenError) -> ChipError {
    let source_name = source_name.to_owned();
    match error {
        TokenError::NeedsPin { .. }
        | TokenError::WrongPin { .. }
        | TokenError::PinLocked { .. }
        | TokenError::PinFile(_) => ChipError::Pin { source_name, why: error.to_string() },
        _ => ChipError::Token { source_name, why: error.to_string(), advice: error.advice() },
    }
}

impl ChipSource for TokenSource {
    fn describe(&self) -> String {
        self.tokens.uri().to_string()
    }

    fn present(&mut self) -> Result<Vec<ChipId>, ChipError> {
        let mut chips = Vec::new();
        for token in self.tokens.present().map_err(|e| self.failed(&e))? {
            let keys = self.tokens.session(&token).and_then(|session| self.keys(&token, &session));
            match keys {
                Ok(keys) => chips.extend(keys.into_iter().map(|key| key.chip)),
                // Pulled out while it was asked: not present.
                Err(TokenError::Gone { .. }) => {}
                Err(error) => return Err(self.failed(&error)),
            }
        }
        chips.sort();
        match chips.windows(2).find(|pair| pair[0] == pair[1]) {
            Some(pair) => Err(ChipError::Driver {
                source_name: self.describe(),
                why: format!("two keys have the chip id {}: give each its own CKA_ID of four bytes or more", pair[0]),
            }),
            None => Ok(chips),
        }
    }

    fn open(&mut self, chip: &ChipId) -> Result<Box<dyn Chip>, ChipError> {
        let hold = hold::hold(&hold::of_this_machine(), chip)?;
        for token in self.tokens.present().map_err(|e| self.failed(&e))? {
            let session = match self.tokens.session(&token) {
                Err(TokenError::Gone { .. }) => continue,
                session => session.map_err(|e| self.failed(&e))?,
            };
            let keys = self.keys(&token, &session).map_err(|e| self.failed(&e))?;
            if let Some(key) = keys.into_iter().find(|key| key.chip == *chip) {
                let opened = TokenChip::new(session, &token, key);
                return Ok(Box::new(Patient::new(chip.clone(), Box::new(opened), hold)));
            }
        }
        Err(ChipError::Absent { chip: chip.clone(), source_name: self.describe() })
    }
}

/// What a module's error means for a chip.
fn meaning(chip: &ChipId, doing: Doing, error: &Error) -> ChipError {
    let chip = chip.clone();
    match TokenError::of("working with a chip", error) {
        TokenError::Gone { .. } => ChipError::Gone { chip, doing },
        TokenError::Failed { why, .. } => ChipError::Refused { chip, doing, reason: why },
        other => ChipError::Refused { chip, doing, reason: other.to_string() },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whose_id_it_is() {
        for (key, serial, expected) in [
            (&[0x51, 0x4c, 0x04, 0x17][..], "a1b2", Some("514C0417")),
            (&[1], "a1b2c3d4", Some("A1B2C3D4")),
            (&[], "A1B2C3D4", Some("A1B2C3D4")),
            (&[1], "SN-7", Some("534E2D37")),
            (&[1], "", None),
            (&[9; 33], "a1b2", None),
        ] {
            assert_eq!(chip_id(key, serial).as_ref().map(ChipId::as_str), expected, "{key:?} {serial}");
        }
    }
}
