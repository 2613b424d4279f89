//! Who may use the pages and the API: accounts, sign-in, sessions, tokens.
//!
//! Passwords are hashed with Argon2id (RFC 9106 §4, second recommended option:
//! 64 MiB, 3 passes, 4 lanes). A badge's code must be found without a name, so
//! all badges of a site share one salt; their digest is Argon2id as well.
//! Tokens and session cookies are 32 random octets, of which the book keeps
//! SHA-256: nobody can guess one, so nothing slower is needed.
//!
//! [`Company`] signs people in at their company's provider instead: `provider`
//! has the protocol, `company` who may come in and as whom.
//!
//! Every sign-in, taken or refused, every change of an account and every token
//! is an entry of the log.

mod company;
mod enrolment;
mod gate;
mod provider;
pub mod sealing;
mod secret;
mod standing;

use base::times::time_text;
use base::trouble::{About, Trouble};
use book::ids::Actor;
pub use book::ids::Actor as Name;
use book::{AccountRole, NewAccount, NewApiToken, SignedInBy, Subject};
pub use book::{AccountRole as Role, Session, SignedInBy as Means};
pub use company::{Answer, Begin, Company};
pub use enrolment::{Doors, program_password};
pub use gate::{Gate, Pace};
pub use sealing::{Resealed, reseal};
pub use secret::{csrf_of, digest, draw_token};
use serde::Serialize;
use serde_json::json;
pub use standing::{AskPassword, Standing};
use time::{Duration, OffsetDateTime};
use zeroize::Zeroizing;

use crate::{Site, Who};

/// A shift with its handovers; a station's session must not end in the middle of one.
const OPERATOR: Duration = Duration::hours(12);
/// Idle time after which a session that can change things ends.
const IDLE: Duration = Duration::hours(1);
/// The shortest password; NIST SP 800-63B-4 §3.1.1.2 asks 15 where it stands alone
/// and takes any characters. The rate limit and the closed network make up for the rest.
const PASSWORD: std::ops::RangeInclusive<usize> = 12..=256;
/// A badge's code, as a scanner types it.
const BADGE: std::ops::RangeInclusive<usize> = 8..=64;
/// Bits that a new badge's code must be able to hold: one that can be tried out is none.
const BADGE_BITS: f64 = 64.0;
/// The longest life of a token.
const TOKEN_DAYS: std::ops::RangeInclusive<i64> = 1..=3660;

/// An account as it is told.
#[derive(Debug, Clone, Serialize)]
pub struct AccountView {
    pub name: String,
    /// `operator`, `engineer`, `auditor`.
    pub role: &'static str,
    /// Whether there is a password.
    pub password: bool,
    /// Whether there is a badge.
    pub badge: bool,
    /// Whether the person signs in with the company's account.
    pub company: bool,
    /// Whether it is closed.
    pub closed: bool,
    /// When it changed last.
    pub changed: String,
    /// The last entry of the log that tells of it.
    pub entry: i64,
}

/// A token as it is told.
#[derive(Debug, Clone, Serialize)]
pub struct TokenView {
    pub name: String,
    /// `operator`, `engineer`, `auditor`.
    pub role: &'static str,
    pub given_by: String,
    pub expires: String,
    /// Whether it holds no more.
    pub ended: bool,
}

/// What is wanted of an account.
#[derive(Default)]
pub struct Wish<'a> {
    pub name: &'a str,
    /// `operator`, `engineer`, `auditor`.
    pub role: &'a str,
    /// A password, where one is given.
    pub password: Option<&'a str>,
    /// A badge's code, where one is given.
    pub badge: Option<&'a str>,
    /// Takes the badge away.
    pub no_badge: bool,
}

/// A session that has just begun.
pub struct Begun {
    /// What the browser keeps.
    pub token: Zeroizing<String>,
    /// What it stands for.
    pub session: Session,
}

fn role(word: &str) -> Result<AccountRole, Trouble> {
    AccountRole::from_word(word)
        .ok_or_else(|| Trouble::usage(format!("{word:?} is not a role"), "Choose operator, engineer or auditor."))
}

fn account(site: &Site, wish: &Wish<'_>) -> Result<NewAccount, Trouble> {
    let (name, role) = (Actor::new(wish.name).about("name")?, role(wish.role).about("role")?);
    let password = wish.password.filter(|p| !p.is_empty());
    if let Some(password) = password {
        if !PASSWORD.contains(&password.chars().count()) {
            return Err(Trouble::usage(
                "a password has 12 to 256 characters",
                "Use a sentence: length protects better than special characters.",
            )
            .about("password"));
        }
        if password.to_lowercase().contains(&wish.name.to_lowercase()) && wish.name.chars().count() > 3 {
            return Err(
                Trouble::usage("the password contains the person's name", "Choose another one.").about("password")
            );
        }
    }
    let badge = wish.badge.map(str::trim).filter(|b| !b.is_empty());
    if let Some(badge) = badge {
        if role != AccountRole::Operator {
            return Err(Trouble::usage("only operators sign in with a badge", "Give a password.").about("badge"));
        }
        if !BADGE.contains(&badge.chars().count()) {
            return Err(Trouble::usage(
                "a badge's code has 8 to 64 characters",
                "Use badges with a long random code: anybody who can read one can copy it.",
            )
            .about("badge"));
        }
    }
    if let Some(badge) = badge
        && bits(badge) < BADGE_BITS
    {
        return Err(Trouble::usage(
            format!("a badge's code of {} characters like these can be guessed", badge.chars().count()),
            "Use badges with a random code of 64 bits or more: 16 hexadecimal digits, 13 letters and digits, or 20 digits.",
        )
        .about("badge"));
    }
    Ok(NewAccount {
        name,
        role,
        password: password.map(secret::hash_password).transpose()?,
        badge: badge.map(|b| secret::badge_digest(site, b)).transpose()?,
    })
}

/// The most bits that a code of these characters can hold, by the kinds of characters that it has.
fn bits(code: &str) -> f64 {
    let has = |kind: fn(&char) -> bool| code.chars().any(|c| kind(&c));
    let hexadecimal = code.chars().all(|c| c.is_ascii_hexdigit() || matches!(c, '-' | ':' | ' '));
    let letters = |size: u32| if hexadecimal { 6 } else { size };
    let mut symbols = 0;
    for (there, size) in [
        (has(char::is_ascii_digit), 10),
        (has(char::is_ascii_uppercase), letters(26)),
        (has(char::is_ascii_lowercase), letters(26)),
    ] {
        symbols += if there { size } else { 0 };
    }
    let counted = code.chars().filter(char::is_ascii_alphanumeric).count();
    counted as f64 * f64::from(symbols.max(1)).log2()
}

/// Whether the site has any account.
pub fn has_accounts(site: &Site) -> Result<bool, Trouble> {
    Ok(!site.book.accounts()?.is_empty())
}

/// All accounts, by name.
pub fn accounts(site: &Site) -> Result<Vec<AccountView>, Trouble> {
    let view = |a: book::Account| AccountView {
        name: a.name.to_string(),
        role: a.role.word(),
        password: a.password.is_some(),
        badge: a.has_badge,
        company: a.company,
        closed: a.closed,
        changed: time_text(a.changed),
        entry: a.entry.0,
    };
    Ok(site.book.accounts()?.into_iter().map(view).collect())
}

/// Adds an account.
///
/// # Errors
///
/// [`Trouble`] for a name in use, a short password, or neither password nor badge.
pub fn add(site: &Site, wish: &Wish<'_>, who: &Who) -> Result<(), Trouble> {
    let new = account(site, wish)?;
    if new.password.is_none() && new.badge.is_none() {
        return Err(Trouble::usage(
            format!("{} would have no way to sign in", new.name),
            "Give a password, or for an operator a badge.",
        )
        .about("password"));
    }
    site.book.add_account(&new, false, &who.by()).about("name")?;
    Ok(())
}

/// Makes the first account of a site, an engineer's, and signs the person in.
///
/// # Errors
///
/// [`Trouble`] where the site has accounts by now.
pub fn first(site: &Site, name: &str, password: &str, clock: fn() -> OffsetDateTime) -> Result<Begun, Trouble> {
    let wish = Wish { name, role: Role::Engineer.word(), password: Some(password), ..Wish::default() };
    let new = account(site, &wish)?;
    if new.password.is_none() {
        return Err(Trouble::usage("no password was given", "Give one of 12 characters or more.").about("password"));
    }
    let who = Who { actor: new.name.clone(), clock };
    site.book.add_account(&new, true, &who.by())?;
    begin(site, &new.name, new.role, SignedInBy::Link, clock)
}

/// Changes an account's role, password or badge; its sessions end.
///
/// # Errors
///
/// [`Trouble`] for one that is closed, or the last engineer's.
pub fn change(site: &Site, wish: &Wish<'_>, who: &Who) -> Result<(), Trouble> {
    let change = account(site, wish)?;
    let known = site.book.account(&change.name)?;
    if known.is_some_and(|k| {
        !k.company && k.password.is_none() && change.password.is_none() && change.role != Role::Operator
    }) {
        return Err(
            Trouble::usage(format!("{} has no password", change.name), "Give one with the new role.").about("password")
        );
    }
    site.book.change_account(&change, wish.no_badge, &who.by())?;
    Ok(())
}

/// Changes one's own password; all sessions end.
///
/// # Errors
///
/// [`Trouble`] where the old one is wrong.
pub fn change_own(site: &Site, gate: &Gate, old: &str, new: &str, who: &Who) -> Result<(), Trouble> {
    gate.pass(&format!("own password of {}", who.actor), Pace::ACCOUNT, (who.clock)())?;
    let known = site.book.account(&who.actor)?.filter(|a| !a.closed);
    let stored = known.as_ref().and_then(|a| a.password.as_deref());
    if !secret::is_password(old, stored)? {
        return Err(Trouble::refused("that is not your current password", "Type it again.").about("old"));
    }
    let word = known.as_ref().map_or("", |a| a.role.word());
    change(site, &Wish { name: who.actor.as_str(), role: word, password: Some(new), ..Wish::default() }, who)
        .map_err(|e| if e.input() == Some("password") { e.renamed("new") } else { e })
}

/// Closes an account for good.
///
/// # Errors
///
/// [`Trouble`] for the last engineer's.
pub fn close(site: &Site, name: &str, who: &Who) -> Result<(), Trouble> {
    Ok(site.book.close_account(&Actor::new(name)?, &who.by())?)
}

fn wrong() -> Trouble {
    Trouble::refused("name or password is wrong", "Try again, or have an engineer set a new password.")
}

fn begin(
    site: &Site,
    name: &Actor,
    role: AccountRole,
    means: SignedInBy,
    clock: fn() -> OffsetDateTime,
) -> Result<Begun, Trouble> {
    let token = draw_token()?;
    let who = Who { actor: name.clone(), clock };
    let by = who.by();
    let expires = by.at + life(role);
    site.book.begin_session(&digest(&token), means, expires, &by)?;
    Ok(Begun { token, session: Session { account: name.clone(), role, means, began: by.at, expires } })
}

fn life(role: AccountRole) -> Duration {
    if role == AccountRole::Operator { OPERATOR } else { IDLE }
}

/// Notes a refused sign-in. A name that nobody has is not repeated: people type
/// their password into the wrong field, and the log keeps what it is told.
fn refused(site: &Site, name: Option<&Actor>, means: SignedInBy, clock: fn() -> OffsetDateTime) -> Result<(), Trouble> {
    let actor = name.cloned().map_or_else(|| Actor::new("unknown"), Ok)?;
    let subject = Subject::Other("account", actor.to_string());
    let by = Who { actor, clock }.by();
    site.book.note("session.refused", &subject, &json!({ "means": means }), &by)?;
    Ok(())
}

/// Signs in by name and password.
///
/// - `peer`: where the request comes from; tries are counted by it, and by the name and it together, so that
///   nobody elsewhere can use up a person's tries.
///
/// # Errors
///
/// [`Trouble`]: the same for a wrong name, a wrong password and a closed account.
pub fn sign_in(
    site: &Site,
    gate: &Gate,
    name: &str,
    password: &str,
    peer: &str,
    clock: fn() -> OffsetDateTime,
) -> Result<Begun, Trouble> {
    let (now, name) = (clock(), name.trim());
    let account = format!("account {} from {peer}", name.to_lowercase());
    gate.pass(&format!("address {peer}"), Pace::ADDRESS, now)?;
    gate.pass(&account, Pace::ACCOUNT, now)?;
    let known = match Actor::new(name) {
        Ok(actor) => site.book.account(&actor)?.filter(|a| !a.closed),
        Err(_) => None,
    };
    let stored = known.as_ref().and_then(|a| a.password.as_deref());
    let right = secret::is_password(password, stored)?;
    match &known {
        Some(known) if right => {
            gate.forget(&account);
            begin(site, &known.name, known.role, SignedInBy::Password, clock)
        }
        _ => {
            refused(site, known.as_ref().map(|a| &a.name), SignedInBy::Password, clock)?;
            Err(wrong())
        }
    }
}

/// Signs an operator in by a badge's code.
///
/// # Errors
///
/// [`Trouble`] for a badge that opens no account.
pub fn sign_in_by_badge(
    site: &Site,
    gate: &Gate,
    code: &str,
    peer: &str,
    clock: fn() -> OffsetDateTime,
) -> Result<Begun, Trouble> {
    let badges = format!("badges from {peer}");
    gate.pass(&format!("address {peer}"), Pace::ADDRESS, clock())?;
    gate.pass(&badges, Pace::ACCOUNT, clock())?;
    let code = code.trim();
    let account = if BADGE.contains(&code.chars().count()) {
        site.book.account_of_badge(&secret::badge_digest(site, code)?)?
    } else {
        None
    };
    match account.filter(|a| a.role == AccountRole::Operator) {
        Some(account) => {
            gate.forget(&badges);
            begin(site, &account.name, account.role, SignedInBy::Badge, clock)
        }
        None => {
            refused(site, None, SignedInBy::Badge, clock)?;
            Err(Trouble::refused("no account has this badge", "Scan it again, or call the engineer."))
        }
    }
}

/// What a cookie stands for; one that can change things goes on while it is used.
pub fn session(site: &Site, token: &str, now: OffsetDateTime) -> Result<Option<Session>, Trouble> {
    let key = digest(token);
    let Some(mut session) = site.book.session(&key, now)? else { return Ok(None) };
    // The company is asked again once a shift: a session in use must not outlive the groups that it stands on.
    let last = if session.means == SignedInBy::Company { session.began + OPERATOR } else { now + IDLE };
    let prolonged = last.min(now + IDLE);
    // Written only every few minutes: a page that asks often must not write often.
    if session.role != AccountRole::Operator && prolonged - session.expires > Duration::minutes(5) {
        session.expires = prolonged;
        site.book.prolong_session(&key, session.expires)?;
    }
    Ok(Some(session))
}

/// Whether a session still stands for this role. Unlike [`session`] it does not prolong it.
pub fn stands(site: &Site, token: &str, role: Role, now: OffsetDateTime) -> Result<bool, Trouble> {
    Ok(site.book.session(&digest(token), now)?.is_some_and(|s| s.role == role))
}

/// Signs out.
pub fn sign_out(site: &Site, token: &str, who: &Who) -> Result<(), Trouble> {
    Ok(site.book.end_session(&digest(token), &who.by())?)
}

/// Gives a token to a program; it is shown this once.
///
/// # Errors
///
/// [`Trouble`] for a name in use, or a life of no days or too many.
pub fn give_token(
    site: &Site,
    name: &str,
    role_word: &str,
    days: i64,
    who: &Who,
) -> Result<Zeroizing<String>, Trouble> {
    if !TOKEN_DAYS.contains(&days) {
        return Err(Trouble::usage("a token is valid for 1 to 3660 days", "Give fewer days.").about("days"));
    }
    let token = Zeroizing::new(format!("tm_{}", *draw_token()?));
    let by = who.by();
    let new = NewApiToken {
        name: Actor::new(name).about("name")?,
        token: digest(&token),
        role: role(role_word)?,
        expires: by.at + Duration::days(days),
    };
    site.book.add_api_token(&new, &by)?;
    Ok(token)
}

/// Revokes a token.
///
/// # Errors
///
/// [`Trouble`] where there is none of that name.
pub fn revoke_token(site: &Site, name: &str, who: &Who) -> Result<(), Trouble> {
    Ok(site.book.revoke_api_token(&Actor::new(name)?, &who.by())?)
}

/// All tokens, by name.
pub fn tokens(site: &Site, now: OffsetDateTime) -> Result<Vec<TokenView>, Trouble> {
    let view = |t: book::ApiToken| TokenView {
        name: t.name.to_string(),
        role: t.role.word(),
        given_by: t.given_by.to_string(),
        expires: time_text(t.expires),
        ended: t.revoked || t.expires <= now,
    };
    Ok(site.book.api_tokens()?.into_iter().map(view).collect())
}

/// Who holds a token, and what it may do.
pub fn holder(site: &Site, token: &str, now: OffsetDateTime) -> Result<Option<(Actor, Role)>, Trouble> {
    Ok(site.book.api_token(&digest(token), now)?.map(|t| (t.name, t.role)))
}
