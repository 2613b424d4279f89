//! One box for everything: what a text that somebody typed or scanned names at this site.

use std::collections::BTreeSet;

use base::trouble::Trouble;
use book::PackKind;
use book::ids::{ChipId, DeliveryId, ReelId};
use custody::Passphrase;
use line::{label, search};
use receive::{delivery, reel};
use serde::Serialize;
use site::access;
use site::{Site, authority, declaration, trust};
use standard::verdict::all_rules;

book::words! {
    /// What was named.
    Noun {
        Unit = "unit",
        Chip = "chip",
        Carton = "carton",
        Shipment = "shipment",
        Reel = "reel",
        Order = "order",
        Delivery = "delivery",
        Station = "station",
        Product = "product",
        Authority = "authority",
        Declaration = "declaration",
        TrustSet = "trust set",
        Person = "person",
        Rule = "rule",
    }
}

/// Something that a text names.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Hit {
    pub noun: Noun,
    /// Its name.
    pub name: String,
    /// The reel, where it is a chip or an order.
    pub reel: Option<String>,
    /// The place of a chip on its reel, the number of an order.
    pub place: Option<i64>,
    /// What tells it from others of its kind.
    pub about: String,
}

/// What was found.
#[derive(Debug, Serialize)]
pub struct LookedUp {
    pub hits: Vec<Hit>,
    /// Whether more units or chips match.
    pub more: bool,
}

/// Names of a site that are few, each with what it is about.
fn names(site: &Site) -> Result<Vec<(Noun, String, String)>, Trouble> {
    let mut all = Vec::new();
    for s in site.book.stations()? {
        all.push((Noun::Station, s.station.to_string(), format!("reel {}", s.reel)));
    }
    for p in site.book.products()?.into_iter().map(|p| p.facts) {
        all.push((Noun::Product, p.name.to_string(), format!("{:04X} {:04X}", p.vendor_id, p.product_id)));
    }
    for a in authority::list(site)? {
        all.push((Noun::Authority, a.name, a.role.to_uppercase()));
    }
    for d in declaration::list(site)? {
        all.push((Noun::Declaration, d.name, format!("{} {}", d.vendor_id, d.product_ids.join(" "))));
    }
    for t in trust::list(site)? {
        all.push((Noun::TrustSet, t.name, t.declarations.join(", ")));
    }
    for a in access::accounts(site)? {
        all.push((Noun::Person, a.name, a.role.to_owned()));
    }
    all.extend(all_rules().into_iter().map(|r| (Noun::Rule, r.name.to_owned(), r.clause.to_owned())));
    Ok(all)
}

fn of_reels(site: &Site, text: &str) -> Result<Vec<Hit>, Trouble> {
    let mut hits = Vec::new();
    // Ids keep their letter case; most are upper case throughout, and people type them as they like.
    for id in BTreeSet::from([text.to_owned(), text.to_uppercase(), text.to_lowercase()]) {
        if let Ok(reel) = ReelId::new(&id)
            && let Some(reel) = site.book.reel(&reel)?
        {
            let (name, about) = (reel.facts.reel.to_string(), reel.facts.product.to_string());
            hits.push(Hit { noun: Noun::Reel, name, reel: None, place: None, about });
        }
        if let Ok(named) = DeliveryId::new(&id)
            && let Ok(shown) = delivery::show(site, named.as_str())
        {
            let about = format!("{} for reel {}", shown.verdict, shown.reel);
            hits.push(Hit { noun: Noun::Delivery, name: shown.delivery, reel: None, place: None, about });
        }
    }
    for packed in site.book.packs_named(text, 2)? {
        let (noun, about) = match packed.kind {
            PackKind::Carton => (Noun::Carton, "units that are packed together"),
            PackKind::Shipment => (Noun::Shipment, "cartons that go together"),
            PackKind::Pallet => continue,
        };
        let (name, about) = (packed.name.to_string(), about.to_owned());
        hits.push(Hit { noun, name, reel: None, place: None, about });
    }
    for (reel, order) in site.book.orders_named(text)? {
        let about = format!("order {} of reel {reel}", order.number);
        let (reel, place) = (Some(reel.to_string()), Some(order.number));
        hits.push(Hit { noun: Noun::Order, name: order.file_name, reel, place, about });
    }
    Ok(hits)
}

/// Looks a text up among all that has a name here: what is named in full, in any letter case; else units and chips by
/// their beginnings, ends and codes, and whatever else has the text in its name.
///
/// - `passphrase`: opens the site key where that is wrapped; a code alone needs it.
///
/// # Errors
///
/// [`Trouble`] where the book gave no answer, or the site key does not open.
pub fn look_up(site: &Site, text: &str, passphrase: Option<&Passphrase>) -> Result<LookedUp, Trouble> {
    let text = text.trim();
    let hit = |(noun, name, about): (Noun, String, String)| Hit { noun, name, reel: None, place: None, about };
    let code = label::looks_like_code(text);
    let (mut exact, mut within) = (Vec::new(), Vec::new());
    if !code {
        exact = of_reels(site, text)?;
        let wanted = text.to_lowercase();
        for named in names(site)? {
            let name = named.1.to_lowercase();
            if name == wanted {
                exact.push(hit(named));
            } else if name.contains(&wanted) {
                within.push(hit(named));
            }
        }
    }
    let found = search::find(site, text, passphrase)?;
    let mut units = Vec::new();
    for f in found.found {
        let is_it = [f.unit.as_deref(), Some(&*f.chip_id), f.credential.as_deref()];
        let is_it = code || is_it.into_iter().flatten().any(|name| name.eq_ignore_ascii_case(text));
        let hit = match f.unit {
            Some(unit) => {
                let about = format!("{}, chip {}", f.state.map_or("", book::UnitState::word), f.chip_id);
                Hit { noun: Noun::Unit, name: unit, reel: None, place: None, about }
            }
            None => {
                let place = site.book.chip(&ChipId::new(&f.chip_id)?)?.map(|chip| chip.position);
                let about = format!("{} on reel {}", f.chip.word(), f.reel);
                Hit { noun: Noun::Chip, name: f.chip_id, reel: Some(f.reel), place, about }
            }
        };
        if is_it { exact.push(hit) } else { units.push(hit) }
    }
    if !exact.is_empty() {
        exact.sort();
        exact.dedup();
        return Ok(LookedUp { hits: exact, more: false });
    }
    // Reels are looked through only where nothing else is meant.
    if units.is_empty() && !code {
        let wanted = text.to_lowercase();
        let like = reel::choices(site)?.into_iter().filter(|r| r.reel.to_lowercase().contains(&wanted));
        within.extend(like.map(|r| hit((Noun::Reel, r.reel, format!("{} chips", r.chips)))));
    }
    units.append(&mut within);
    Ok(LookedUp { hits: units, more: found.more })
}
