//! Programs of other sites that ask for certificates here: a user name and a password each.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};

use base::trouble::Trouble;
use book::{Enrolment, SignedInBy};
use time::OffsetDateTime;
use zeroize::Zeroizing;

use super::{Gate, Pace, digest, draw_token, refused, secret, wrong};
use crate::Site;

/// A password for a program, and its hash for the book: the one given, or one that is drawn.
///
/// # Errors
///
/// [`Trouble`] for an empty one.
pub fn program_password(given: Option<Zeroizing<String>>) -> Result<(Zeroizing<String>, String), Trouble> {
    let password = given.map_or_else(draw_token, Ok)?;
    if password.is_empty() {
        return Err(Trouble::usage("the password is empty", "Give a file with one line, or none to have one drawn."));
    }
    let hash = secret::hash_password(&password)?;
    Ok((password, hash))
}

/// Lets programs in by their passwords. One that was right is remembered by its digest, in memory: hashing it anew
/// for each certificate would cost more than signing.
#[derive(Debug, Default)]
pub struct Doors(Mutex<HashMap<String, (String, [u8; 32])>>);

impl Doors {
    /// The enrolment under `path`, for whoever has its user name and password.
    ///
    /// # Errors
    ///
    /// [`Trouble`]: no such enrolment, a wrong name or password, too many tries.
    pub fn open(
        &self,
        site: &Site,
        gate: &Gate,
        path: &str,
        (user, password): (&str, &str),
        peer: &str,
        clock: fn() -> OffsetDateTime,
    ) -> Result<Enrolment, Trouble> {
        let found = site.book.enrolment(path)?.ok_or_else(|| {
            Trouble::absent(format!("there is no enrolment {path}"), "Check the label after /.well-known/est.")
        })?;
        let given = digest(password);
        // One at a time: many that come at once with the same password are hashed once.
        let mut known = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let is_user = found.user == user;
        if is_user && known.get(path).is_some_and(|(hash, right)| *hash == found.password && *right == given) {
            return Ok(found);
        }
        let key = format!("enrolment {path} from {peer}");
        gate.pass(&format!("address {peer}"), Pace::ADDRESS, clock())?;
        gate.pass(&key, Pace::ACCOUNT, clock())?;
        if secret::is_password(password, Some(&found.password))? && is_user {
            gate.forget(&key);
            known.insert(path.to_owned(), (found.password.clone(), given));
            return Ok(found);
        }
        refused(site, None, SignedInBy::Password, clock)?;
        Err(wrong())
    }
}
