//! Calls that come twice: what the first was answered is kept for a day.

use base::trouble::Trouble;
use book::Repeated;
use time::{Duration, OffsetDateTime};

use crate::Site;
use crate::access::digest;

/// How long an answer is kept.
const KEPT: Duration = Duration::days(1);

/// What is known of a call.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Taken {
    /// It is the first of its key.
    First,
    /// The first is still at work, or died at it.
    Running,
    /// It was answered: HTTP status and body.
    Answered(u16, String),
    /// The key stands for another call.
    Other,
}

/// Takes a key for a call.
pub fn take(site: &Site, holder: &str, key: &str, request: &str, now: OffsetDateTime) -> Result<Taken, Trouble> {
    Ok(match site.book.take_idempotency_key(holder, key, &digest(request), now, now - KEPT)? {
        Repeated::First => Taken::First,
        Repeated::Running => Taken::Running,
        Repeated::Other => Taken::Other,
        Repeated::Answered { status, answer } => Taken::Answered(u16::try_from(status).unwrap_or(200), answer),
    })
}

/// Keeps the answer of a call.
pub fn keep(site: &Site, holder: &str, key: &str, status: u16, answer: &str) -> Result<(), Trouble> {
    Ok(site.book.keep_answer(holder, key, i64::from(status), answer)?)
}

/// Gives back the key of a call that changed nothing.
pub fn give_back(site: &Site, holder: &str, key: &str) -> Result<(), Trouble> {
    Ok(site.book.give_back_key(holder, key)?)
}
