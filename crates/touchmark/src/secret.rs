//! Asking a person for a secret: on a terminal, unseen, or not at all.

use std::io::{self, IsTerminal};

use base::Trouble;
use line::chips::{Passphrase, Source};
use standard::name::printable;

use crate::output::Failure;

/// What is typed after `words`; `None` where standard input is no terminal.
///
/// # Errors
///
/// Where the terminal can't be used.
fn ask(words: &str) -> Result<Option<String>, Trouble> {
    if !io::stdin().is_terminal() {
        return Ok(None);
    }
    let typed = rpassword::prompt_password(words);
    typed.map(Some).map_err(|e| {
        Trouble::surroundings(
            format!("nothing could be read from the terminal: {e}"),
            "Give a PIN with pin-source=file:PATH in the URI, a passphrase with --passphrase-file.",
        )
    })
}

/// The PIN of a token whose URI names no `pin-source`; `None` where nothing is
/// typed, or nobody can be asked.
///
/// # Errors
///
/// Where the terminal can't be used, or what is typed can be no PIN.
pub fn pin(source: &Source) -> Result<Option<Passphrase>, Failure> {
    if !source.asks_for_pin() {
        return Ok(None);
    }
    Ok(pin_of(None)?)
}

/// The PIN of a token, named where its name is known; `None` where nothing is
/// typed, or nobody can be asked.
///
/// # Errors
///
/// Where the terminal can't be used, or what is typed can be no PIN.
pub fn pin_of(token: Option<&str>) -> Result<Option<Passphrase>, Trouble> {
    let token = token.map(|name| format!(" {}", printable(name))).unwrap_or_default();
    match ask(&format!("PIN of the token{token} (press Enter if it has none): "))? {
        Some(typed) if !typed.is_empty() => Ok(Some(Passphrase::new(typed)?)),
        _ => Ok(None),
    }
}
