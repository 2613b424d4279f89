//! PKCS #11 tokens: found by a URI, entered with a PIN, their keys used where
//! they are.
//!
//! A module is loaded once in a process and stays. [`Tokens`] are those that a
//! [`TokenUri`] names; [`TokenKey`] is a signing key in one of them.

mod key;
mod uri;

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, OnceLock, PoisonError};

use cryptoki::context::{CInitializeArgs, CInitializeFlags, Pkcs11};
use cryptoki::error::{Error, RvError};
use cryptoki::session::{Session, UserType};
use cryptoki::slot::Slot;
use cryptoki::types::AuthPin;

pub use key::{TokenKey, point_of};
pub use uri::{TokenUri, UriError};

use crate::{Passphrase, PassphraseError};

/// Why a token did not do what it was asked.
#[derive(Debug, thiserror::Error)]
pub enum TokenError {
    /// The URI names no module.
    #[error("{uri} names no module")]
    NoModule { uri: TokenUri },
    /// The module does not load.
    #[error("the PKCS #11 module {} can't be loaded: {why}", .path.display())]
    Module {
        path: PathBuf,
        /// What the system or the module said.
        why: String,
    },
    /// No token fits the URI.
    #[error("no token matches {uri}")]
    NoToken { uri: TokenUri },
    /// Several things fit where one is needed.
    #[error("{uri} matches {count} {what}, but must match one")]
    Several { uri: TokenUri, count: usize, what: &'static str },
    /// No key fits the URI.
    #[error("no P-256 signing key matches {uri}")]
    NoKey { uri: TokenUri },
    /// A key of that name is there already.
    #[error("the token already has a key that matches {uri}")]
    KeyExists { uri: TokenUri },
    /// No PIN was given.
    #[error("token {token:?} needs a PIN, and none was given")]
    NeedsPin { token: String },
    /// The PIN is wrong. It is not tried again: tokens lock after a few.
    #[error("token {token:?} rejects the PIN{}", if *last { "; one attempt is left" } else { "" })]
    WrongPin {
        token: String,
        /// Whether the token says that one try is left.
        last: bool,
    },
    /// Too many wrong PINs.
    #[error("the PIN of token {token:?} is locked")]
    PinLocked { token: String },
    /// The PIN's file is not what it should be.
    #[error("the PIN's file: {0}")]
    PinFile(#[source] PassphraseError),
    /// It is not there any more.
    #[error("the token was removed while {doing}")]
    Gone {
        /// What was being done.
        doing: &'static str,
    },
    /// Anything else that it says.
    #[error("the token failed while {doing}: {why}")]
    Failed {
        /// What was being done.
        doing: &'static str,
        why: String,
    },
}

impl TokenError {
    /// What to do next.
    pub fn advice(&self) -> &'static str {
        match self {
            Self::NoModule { .. } => "Add ?module-path=FILE with the token maker's PKCS #11 library.",
            Self::Module { .. } => "Check the module's path, and that it is made for this machine.",
            Self::NoToken { .. } => "Check that the token is plugged in, and its name; other tools can list tokens.",
            Self::Several { .. } => "Make the URI more specific: serial=, slot-id=, object= or id=.",
            Self::NoKey { .. } => "Check object= and id= in the URI; only P-256 signing keys are accepted.",
            Self::KeyExists { .. } => "Choose another object= or id=, or use the existing key.",
            Self::NeedsPin { .. } => "Give it by the URI's pin-source=file:PATH, or run the command in a terminal.",
            Self::WrongPin { .. } => "Correct the PIN before trying again: a token locks after a few wrong ones.",
            Self::PinLocked { .. } => "Its security officer can unlock it.",
            Self::PinFile(error) => error.advice(),
            Self::Gone { .. } => "Plug it in again and start over.",
            Self::Failed { .. } => "Try again. If it fails again, ask the token's maker what it means.",
        }
    }

    /// What the library's error means, in general.
    pub fn of(doing: &'static str, error: &Error) -> Self {
        match error {
            Error::Pkcs11(
                RvError::DeviceRemoved
                | RvError::TokenNotPresent
                | RvError::TokenNotRecognized
                | RvError::SessionHandleInvalid
                | RvError::SessionClosed,
                _,
            ) => Self::Gone { doing },
            Error::Pkcs11(rv, function) => {
                Self::Failed { doing, why: format!("C_{function:?} returns {}", named(*rv)) }
            }
            other => Self::Failed { doing, why: other.to_string() },
        }
    }
}

/// A return value as the standard writes it, `CKR_DEVICE_ERROR`: what a token
/// maker's manual lists.
fn named(value: RvError) -> String {
    let mut name = String::from("CKR");
    for letter in format!("{value:?}").chars() {
        if letter.is_ascii_uppercase() {
            name.push('_');
        }
        name.push(letter.to_ascii_uppercase());
    }
    name
}

/// What a token says of itself.
#[derive(Debug, Clone)]
pub struct Token {
    slot: Slot,
    pub label: String,
    /// Its serial number, as its maker writes it.
    pub serial: String,
    /// Its model, or its maker where that is empty.
    pub model: String,
}

/// The tokens that a URI names.
pub struct Tokens {
    uri: TokenUri,
    module: Pkcs11,
    pin: Option<Passphrase>,
    refused: AtomicBool,
    /// One session a token that stays open: with the last one a process is logged
    /// out, and some tokens write to their memory at every login, where a power
    /// cut can harm them.
    kept: Mutex<HashMap<Slot, Session>>,
}

impl Tokens {
    /// Loads the URI's module. `pin` is used where the URI names no `pin-source`.
    ///
    /// # Errors
    ///
    /// [`TokenError::NoModule`], [`TokenError::Module`], [`TokenError::PinFile`].
    pub fn open(uri: &TokenUri, pin: Option<&Passphrase>) -> Result<Self, TokenError> {
        let path = uri.module_path().ok_or_else(|| TokenError::NoModule { uri: uri.clone() })?;
        let pin = match uri.pin_file() {
            Some(file) => Some(Passphrase::from_file(&file).map_err(TokenError::PinFile)?.passphrase),
            None => pin.cloned(),
        };
        Ok(Self { uri: uri.clone(), module: load(path)?, pin, refused: AtomicBool::new(false), kept: Mutex::default() })
    }

    /// The URI.
    pub fn uri(&self) -> &TokenUri {
        &self.uri
    }

    /// The tokens present now that the URI fits, by slot.
    ///
    /// # Errors
    ///
    /// [`TokenError::Failed`] where the module can't be asked.
    pub fn present(&self) -> Result<Vec<Token>, TokenError> {
        const DOING: &str = "listing tokens";
        let failed = |e: Error| TokenError::of(DOING, &e);
        let mut tokens = Vec::new();
        for slot in self.module.get_slots_with_token().map_err(failed)? {
            // A token may be pulled out between the list and the question.
            let (Ok(token), Ok(about)) = (self.module.get_token_info(slot), self.module.get_slot_info(slot)) else {
                continue;
            };
            let fits = |name: &str, found: &str| self.uri.text(name).is_none_or(|wanted| wanted == found.trim_end());
            let fits = token.token_initialized()
                && fits("token", token.label())
                && fits("serial", token.serial_number())
                && fits("manufacturer", token.manufacturer_id())
                && fits("model", token.model())
                && fits("slot-description", about.slot_description())
                && fits("slot-manufacturer", about.manufacturer_id())
                && self.uri.slot_id().is_none_or(|wanted| wanted == slot.id());
            if fits {
                let model = match token.model().trim() {
                    "" => token.manufacturer_id().trim(),
                    model => model,
                };
                tokens.push(Token {
                    slot,
                    label: token.label().trim_end().to_owned(),
                    serial: token.serial_number().trim().to_owned(),
                    model: model.to_owned(),
                });
            }
        }
        Ok(tokens)
    }

    /// The one token that the URI fits.
    ///
    /// # Errors
    ///
    /// [`TokenError::NoToken`], [`TokenError::Several`].
    pub fn one(&self) -> Result<Token, TokenError> {
        let mut tokens = self.present()?;
        let count = tokens.len();
        match (tokens.pop(), count) {
            (Some(token), 1) => Ok(token),
            (None, _) => Err(TokenError::NoToken { uri: self.uri.clone() }),
            _ => Err(TokenError::Several { uri: self.uri.clone(), count, what: "tokens" }),
        }
    }

    /// Opens a session that may write, logged in where the token asks for it.
    ///
    /// # Errors
    ///
    /// [`TokenError::NeedsPin`], [`TokenError::WrongPin`] (after which no further
    /// try is made with this PIN), [`TokenError::PinLocked`], [`TokenError::Gone`].
    pub fn session(&self, token: &Token) -> Result<Session, TokenError> {
        const DOING: &str = "opening a session";
        let failed = |e: Error| TokenError::of(DOING, &e);
        let label = || token.label.clone();
        let session = self.module.open_rw_session(token.slot).map_err(failed)?;
        let about = self.module.get_token_info(token.slot).map_err(failed)?;
        if !about.login_required() {
            return Ok(session);
        }
        if self.refused.load(Ordering::Relaxed) {
            return Err(TokenError::WrongPin { token: label(), last: about.user_pin_final_try() });
        }
        let pin = self.pin.as_ref().map(|pin| AuthPin::from(pin.text().to_owned()));
        if pin.is_none() && !about.protected_authentication_path() {
            return Err(TokenError::NeedsPin { token: label() });
        }
        match session.login(UserType::User, pin.as_ref()) {
            // One login serves all sessions of a process.
            Err(Error::Pkcs11(RvError::UserAlreadyLoggedIn, _)) => Ok(session),
            Ok(()) => {
                if let Ok(more) = self.module.open_rw_session(token.slot) {
                    self.kept.lock().unwrap_or_else(PoisonError::into_inner).insert(token.slot, more);
                }
                Ok(session)
            }
            Err(Error::Pkcs11(RvError::PinIncorrect | RvError::PinLenRange | RvError::PinInvalid, _)) => {
                self.refused.store(true, Ordering::Relaxed);
                let last = self.module.get_token_info(token.slot).is_ok_and(|about| about.user_pin_final_try());
                Err(TokenError::WrongPin { token: label(), last })
            }
            Err(Error::Pkcs11(RvError::PinLocked, _)) => Err(TokenError::PinLocked { token: label() }),
            Err(other) => Err(failed(other)),
        }
    }
}

impl std::fmt::Debug for Tokens {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Tokens({})", self.uri)
    }
}

/// The module, loaded and initialised once in this process.
fn load(path: &Path) -> Result<Pkcs11, TokenError> {
    static LOADED: OnceLock<Mutex<HashMap<PathBuf, Pkcs11>>> = OnceLock::new();
    let failed = |why: String| TokenError::Module { path: path.to_owned(), why };
    let file = path.canonicalize().map_err(|e| failed(e.to_string()))?;
    let mut loaded = LOADED.get_or_init(Mutex::default).lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(module) = loaded.get(&file) {
        return Ok(module.clone());
    }
    let module = Pkcs11::new(&file).map_err(|e| failed(e.to_string()))?;
    match module.initialize(CInitializeArgs::new(CInitializeFlags::OS_LOCKING_OK)) {
        Ok(()) | Err(Error::Pkcs11(RvError::CryptokiAlreadyInitialized, _)) => {}
        Err(error) => return Err(failed(error.to_string())),
    }
    loaded.insert(file, module.clone());
    Ok(module)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// PKCS #11 3.1 §5.1 names them so.
    #[test]
    fn return_values_by_their_names() {
        assert_eq!(named(RvError::DeviceError), "CKR_DEVICE_ERROR");
        assert_eq!(named(RvError::FunctionFailed), "CKR_FUNCTION_FAILED");
        assert_eq!(named(RvError::PinIncorrect), "CKR_PIN_INCORRECT");
    }
}
