//! Reels that are divided, or go to another product, while their chips are untouched.

use base::trouble::Trouble;
use book::ids::ReelId;
use serde::Serialize;
use site::{Site, Who, head, product};
use utoipa::ToSchema;

use super::{ReelView, get, view};

/// A reel that was split off another.
#[derive(Debug, Serialize, ToSchema)]
pub struct Split {
    /// The new reel.
    pub reel: ReelView,
    /// The reel that it was split off, as it is now.
    pub source: ReelView,
    /// The first of its chips' places there.
    pub from: i64,
    /// The last.
    pub to: i64,
    /// Certificates that came with it.
    pub certificates: i64,
}

/// A reel that went to another product.
#[derive(Debug, Serialize, ToSchema)]
pub struct Assigned {
    /// The reel.
    pub reel: ReelView,
    /// The product that it was for.
    pub was: String,
    /// Whether it was that product's before, so that nothing was changed.
    pub already: bool,
}

/// Makes a section of a reel a reel of its own, with the certificates of its chips: from place to place, from 1, both
/// included.
///
/// # Errors
///
/// [`Trouble`] where a place holds no untouched chip, or the new id is taken; nothing is changed then.
pub fn split(site: &Site, reel: &str, (from, to): (i64, i64), new: &str, who: &Who) -> Result<Split, Trouble> {
    let source = get(site, reel)?.facts.reel;
    let part = site.book.split_reel(&source, (from, to), &ReelId::new(new)?, &who.by())?;
    head::mark(site, who);
    let shown = |reel: &ReelId| view(site, &get(site, reel.as_str())?);
    Ok(Split { reel: shown(&part.reel)?, source: shown(&source)?, from, to, certificates: part.certificates })
}

/// Gives an untouched reel to another product. Where certificates came or were ordered, to one of the same identity.
///
/// # Errors
///
/// [`Trouble`] where a chip was used, or the certificates are for another identity; nothing is changed then.
pub fn assign(site: &Site, reel: &str, to: &str, who: &Who) -> Result<Assigned, Trouble> {
    let before = get(site, reel)?;
    let product = product::get(site, to)?.facts.name;
    let done = site.book.assign_reel(&before.facts.reel, &product, &who.by())?;
    head::mark(site, who);
    let reel = view(site, &get(site, before.facts.reel.as_str())?)?;
    Ok(Assigned { reel, was: before.facts.product.to_string(), already: done.is_none() })
}
