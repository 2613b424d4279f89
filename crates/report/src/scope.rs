//! What a report is on, as a filter of units.

use base::trouble::Trouble;
use book::ids::StationName;
use book::{Reel, UnitFilter};
use receive::reel;
use serde::Serialize;
use site::{Site, product};

use super::Request;

/// Of what.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Scope {
    /// Everything, within a period.
    Site,
    /// Units with chips of this reel.
    Reel(String),
    /// Units of this product.
    Product(String),
    /// Units with credentials that answered this order: its file's name, or `REEL/NUMBER`.
    Order(String),
}

/// An order, and what answered it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OrderFacts {
    /// Name of its file.
    pub file: String,
    /// SHA-256 of it.
    pub sha256: String,
    /// When it was written.
    pub written: String,
    /// Chips that it asked for.
    pub chips: i64,
    /// Deliveries that came after it and before the next: id, certificates taken.
    pub deliveries: Vec<(String, i64)>,
    /// Whether the report counts that delivery's units alone, rather than the whole reel's.
    pub by_delivery: bool,
}

/// A scope that was found.
pub(super) struct Found {
    pub filter: UnitFilter,
    pub subject: String,
    pub order: Option<OrderFacts>,
}

pub(super) fn find(site: &Site, request: &Request) -> Result<Found, Trouble> {
    let mut filter = UnitFilter { from: request.from, to: request.to, ..UnitFilter::default() };
    let mut order = None;
    let mut subject = match &request.scope {
        Scope::Site => "all units".to_owned(),
        Scope::Reel(id) => {
            let reel = reel::get(site, id)?;
            filter.reel = Some(reel.facts.reel.clone());
            format!("reel {}, {}", reel.facts.reel, reel.facts.product)
        }
        Scope::Product(name) => {
            let found = product::get(site, name)?;
            filter.product = Some(found.facts.name.clone());
            found.facts.name.to_string()
        }
        Scope::Order(name) => {
            let (reel, facts, delivery) = order_of(site, name)?;
            filter.reel = Some(reel.facts.reel.clone());
            filter.delivery = delivery;
            let subject = format!("order {}, reel {}, {}", facts.file, reel.facts.reel, reel.facts.product);
            order = Some(facts);
            subject
        }
    };
    if let Some(station) = &request.station {
        let station = StationName::new(station)?;
        let here = UnitFilter { station: Some(station.clone()), ..UnitFilter::default() };
        if site.book.count_units(&here)? == 0 {
            return Err(Trouble::usage(
                format!("no unit was ever worked on at station {station}"),
                "Check the name; `touchmark report --last-week` lists stations.",
            ));
        }
        subject = format!("{subject}, station {station}");
        filter.station = Some(station);
    }
    Ok(Found { filter, subject, order })
}

/// All orders of the site, as `REEL/NUMBER`, with the name of each one's file.
pub fn orders(site: &Site) -> Result<Vec<(String, String)>, Trouble> {
    let mut out = Vec::new();
    for reel in site.book.reels()? {
        let orders = site.book.orders(&reel.facts.reel)?;
        out.extend(
            orders.into_iter().enumerate().map(|(n, o)| (format!("{}/{}", reel.facts.reel, n + 1), o.file_name)),
        );
    }
    Ok(out)
}

type OrderFound = (Reel, OrderFacts, Option<book::ids::DeliveryId>);

fn order_of(site: &Site, name: &str) -> Result<OrderFound, Trouble> {
    let mut found = Vec::new();
    for reel in site.book.reels()? {
        let orders = site.book.orders(&reel.facts.reel)?;
        for (index, order) in orders.iter().enumerate() {
            let numbered = format!("{}/{}", reel.facts.reel, index + 1);
            if order.file_name == name || numbered == name {
                let next = orders.get(index + 1).map(|o| o.written);
                found.push((reel.clone(), numbered, order.clone(), next));
            }
        }
    }
    let (reel, _, order, next) = match found.as_slice() {
        [one] => one.clone(),
        [] => {
            return Err(Trouble::usage(
                format!("there is no order {name}"),
                "Give the name of the order's file, or REEL/NUMBER, such as A/1 for the first order of reel A.",
            ));
        }
        several => {
            let all: Vec<&str> = several.iter().map(|(_, numbered, ..)| numbered.as_str()).collect();
            return Err(Trouble::usage(
                format!("{} orders have a file {name}", several.len()),
                format!("Give one of {} instead.", all.join(", ")),
            ));
        }
    };
    let deliveries: Vec<_> = site
        .book
        .deliveries(Some(&reel.facts.reel))?
        .into_iter()
        .filter(|d| d.received >= order.written && next.is_none_or(|next| d.received < next))
        .collect();
    let one = (deliveries.len() == 1).then(|| deliveries[0].delivery.clone());
    let facts = OrderFacts {
        file: order.file_name.clone(),
        sha256: hex::encode(order.content_digest),
        written: base::times::time_text(order.written),
        chips: order.chips,
        deliveries: deliveries.iter().map(|d| (d.delivery.to_string(), d.certificates_accepted)).collect(),
        by_delivery: one.is_some(),
    };
    Ok((reel, facts, one))
}
