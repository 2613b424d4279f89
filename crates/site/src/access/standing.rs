//! How it is known that whoever acts is the person that they say they are.

use base::trouble::Trouble;
use book::{AccountRole, SignedInBy, Subject};
use serde_json::json;
use zeroize::Zeroizing;

use super::{refused, secret, wrong};
use crate::{Site, Who};

/// Gives the password of a person; the argument is their name.
pub type AskPassword<'a> = &'a dyn Fn(&str) -> Result<Zeroizing<String>, Trouble>;

/// How it is known who acts.
#[derive(Clone, Copy)]
pub enum Standing<'a> {
    /// By an account that signed in.
    SignedIn,
    /// By a name that was typed, which anybody can type; the password is asked for where it matters.
    Typed(AskPassword<'a>),
}

impl Standing<'_> {
    /// Makes sure that it is this person, an engineer of the site. A site without accounts
    /// has nothing to hold a name against: there a typed name is taken as it is.
    ///
    /// - `for_what`: what it is for, in the log's words.
    ///
    /// # Errors
    ///
    /// [`Trouble`]: no password, a wrong one, or no such engineer. A refusal is an entry of the log.
    pub fn prove(&self, site: &Site, who: &Who, for_what: &str) -> Result<(), Trouble> {
        let Self::Typed(ask) = self else { return Ok(()) };
        if !super::has_accounts(site)? {
            return Ok(());
        }
        let password = ask(who.actor.as_str())?;
        let known = site.book.account(&who.actor)?.filter(|a| !a.closed);
        let right = secret::is_password(&password, known.as_ref().and_then(|a| a.password.as_deref()))?;
        match &known {
            Some(account) if right && account.role == AccountRole::Engineer => {
                let subject = Subject::Other("account", account.name.to_string());
                site.book.note("person.prove", &subject, &json!({ "for": for_what }), &who.by())?;
                Ok(())
            }
            Some(account) if right => Err(Trouble::refused(
                format!("{} is an {} of this site", account.name, account.role.word()),
                "Only an engineer may do this. An engineer can change roles under People.",
            )),
            Some(account) if account.company => Err(Trouble::refused(
                format!("{} signs in with the company's account and has no password here", account.name),
                "Do this on the pages, signed in.",
            )),
            _ => {
                refused(site, known.as_ref().map(|a| &a.name), SignedInBy::Password, who.clock)?;
                Err(wrong())
            }
        }
    }
}
