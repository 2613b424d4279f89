//! What would stop working if a certificate were revoked.

use std::collections::{BTreeMap, BTreeSet};

use base::trouble::Trouble;
use book::ids::AuthorityName;
use book::{Credential, CredentialState, Role, UnitState};
use serde::Serialize;
use site::Site;
use site::revoked::RevokedHere;
use standard::certificate::Certificate;

use super::Impact;

/// The certificate that was asked about.
pub(super) enum Asked {
    /// PAIs or PAAs of this site: several where one key was asked about that has several certificates.
    Authorities(Vec<AuthorityName>),
    /// A DAC, by its serial number and, where it is told, its issuer's key identifier.
    Credential(Vec<u8>, Option<Vec<u8>>),
}

/// Credentials of a reel that could no longer be given to a chip.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Stock {
    pub reel: String,
    pub delivery: String,
    pub authority: String,
    /// Credentials that no unit has yet.
    pub available: i64,
}

/// What would stop working.
#[derive(Debug, Clone, Serialize)]
pub struct WouldStop {
    /// The certificate, in words.
    pub certificate: String,
    /// When and why it was revoked, where it is; then all that follows has come about.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub revoked: Option<String>,
    /// Who would have to list it as revoked.
    pub listed_by: Option<String>,
    /// PAIs that would go with it.
    pub authorities: Vec<String>,
    /// Units that left the line with an accepted proof and would be refused.
    pub units_refused: u64,
    /// Units on the line that could not pass.
    pub units_stopped: u64,
    /// Credentials not used yet that would be worth nothing, by reel.
    pub stock: Vec<Stock>,
    /// Credentials by where they stand.
    pub credentials: BTreeMap<CredentialState, i64>,
    /// The same in sentences.
    pub sentences: Vec<String>,
}

fn plural(n: u64, one: &str, many: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{n} {many}") }
}

impl WouldStop {
    /// The certificate, and whether the sentences say what a revocation would do or has done.
    pub fn heading(&self) -> String {
        match &self.revoked {
            Some(_) => format!("This certificate is revoked: {}", self.certificate),
            None => format!("If this certificate were revoked: {}", self.certificate),
        }
    }
}

fn units(out: &mut WouldStop, counted: &Impact) {
    let state = |state| counted.with_it.get(&state).copied().unwrap_or(0);
    out.units_refused = state(UnitState::Passed) + state(UnitState::Returned);
    out.units_stopped = state(UnitState::Open) + state(UnitState::Failed);
    let is_revoked = out.revoked.is_some();
    if out.units_refused > 0 {
        let are = match (is_revoked, out.units_refused) {
            (false, _) => "would be",
            (true, 1) => "is",
            (true, _) => "are",
        };
        out.sentences.push(format!(
            "{} with an accepted proof {are} refused by every verifier that fetches the list, whenever it is commissioned again. What a controller does with a unit that is already on its network is up to its ecosystem.",
            plural(out.units_refused, "unit", "units")
        ));
    }
    if out.units_stopped > 0 {
        let units = plural(out.units_stopped, "unit", "units");
        out.sentences.push(if is_revoked {
            format!("{units} still on the line can't pass: scrap chip and unit.")
        } else {
            format!("{units} still on the line could not pass: chip and unit would have to be scrapped.")
        });
    }
    if counted.earlier_boards > 0 {
        let units = plural(counted.earlier_boards, "unit", "units");
        let change = if is_revoked { "nothing changes there" } else { "that would change nothing" };
        out.sentences.push(format!("{units} had it on a board that was swapped, and went on with another: {change}."));
    }
    if state(UnitState::Scrapped) > 0 {
        let units = plural(state(UnitState::Scrapped), "unit", "units");
        let change = if is_revoked { "scrapped: nothing changes there" } else { "would change nothing: scrapped" };
        out.sentences.push(format!("{units} {change}."));
    }
}

fn stock(out: &mut WouldStop) {
    let lost: i64 = out.stock.iter().map(|s| s.available).sum();
    if lost > 0 {
        let reels = out.stock.iter().map(|s| &s.reel).collect::<BTreeSet<_>>().len() as u64;
        let (could, would_be) = if out.revoked.is_some() { ("can't", "are") } else { ("could not", "would be") };
        out.sentences.push(format!(
            "{} in stock, on {}, {could} be used: a chip accepts one credential only, so new chips {would_be} needed with certificates of another intermediate.",
            plural(u64::try_from(lost).unwrap_or(0), "credential", "credentials"),
            plural(reels, "reel", "reels")
        ));
    }
}

/// Credentials of that serial number with their reels; two issuers may have given the same one.
pub fn credentials(site: &Site, serial: &[u8], issuer: Option<&[u8]>) -> Result<Vec<(String, Credential)>, Trouble> {
    let mut out = Vec::new();
    for found in site.book.find(&hex::encode(serial), 50)? {
        if found.credential.as_deref() != Some(serial) {
            continue;
        }
        let story = site.book.chip_story(&found.chip)?;
        if let Some(credential) = story.and_then(|s| s.credential)
            && credential.serial == serial
            && issuer.is_none_or(|issuer| issuer == credential.issuer_key_id)
        {
            out.push((found.reel.to_string(), credential));
        }
    }
    Ok(out)
}

/// Adds what would stop with an authority's certificate.
fn authority(site: &Site, name: &AuthorityName, out: &mut WouldStop) -> Result<(), Trouble> {
    let authority = site::authority::get(site, name.as_str())?;
    let role = authority.facts.role;
    let subject = Certificate::read(&authority.facts.certificate).map_or_else(
        |_| name.to_string(),
        |c| format!("{}, serial number {}", c.subject.display(c.der()), c.serial_hex()),
    );
    let between = if out.certificate.is_empty() { "" } else { "; " };
    out.certificate += &format!("{between}{} {name}: {subject}", role.word().to_uppercase());
    out.listed_by = out.listed_by.take().or_else(|| authority.facts.issuer.as_ref().map(ToString::to_string));
    match role {
        Role::Pai => out.authorities.push(name.to_string()),
        Role::Paa => {
            let all = site.book.authorities()?;
            let below = all.iter().filter(|a| a.facts.issuer.as_ref() == Some(name));
            out.authorities.extend(below.map(|a| a.facts.name.to_string()));
            out.sentences.push(
                "No list revokes a root: verifiers remove it from what they trust. The alliance decides that; ask it first."
                    .into(),
            );
            out.sentences.dedup();
        }
    }
    for issued in site.book.issued_by(name)? {
        *out.credentials.entry(issued.state).or_default() += issued.count;
        if issued.state == CredentialState::Available {
            out.stock.push(Stock {
                reel: issued.reel.to_string(),
                delivery: issued.delivery.to_string(),
                authority: issued.authority.to_string(),
                available: issued.count,
            });
        }
    }
    Ok(())
}

pub(super) fn of(site: &Site, asked: Asked, counted: &Impact) -> Result<WouldStop, Trouble> {
    let mut out = WouldStop {
        certificate: String::new(),
        revoked: None,
        listed_by: None,
        authorities: Vec::new(),
        units_refused: 0,
        units_stopped: 0,
        stock: Vec::new(),
        credentials: BTreeMap::new(),
        sentences: Vec::new(),
    };
    match asked {
        Asked::Credential(serial, issuer) => {
            out.certificate = format!("DAC, serial number {}", hex::encode(&serial));
            let found = credentials(site, &serial, issuer.as_deref())?;
            if found.is_empty() {
                return Err(Trouble::usage(
                    format!("there is no credential with serial number {}", hex::encode(&serial)),
                    "Look up the unit first: `touchmark unit show` shows the serial number of its DAC.",
                ));
            }
            let revoked_here = RevokedHere::of(site)?;
            for (reel, credential) in found {
                out.listed_by = Some(credential.authority.to_string());
                if out.revoked.is_none()
                    && let Some(chip) = site.book.chip_with_key(&credential.public_key)?
                {
                    out.revoked = revoked_here.of_chip(site, &chip.chip_id)?;
                }
                *out.credentials.entry(credential.state).or_default() += 1;
                if credential.state == CredentialState::Available {
                    out.stock.push(Stock {
                        reel,
                        delivery: credential.delivery.to_string(),
                        authority: credential.authority.to_string(),
                        available: 1,
                    });
                }
            }
        }
        Asked::Authorities(names) => {
            names.iter().try_for_each(|name| authority(site, name, &mut out))?;
            let revoked = names.iter().map(|name| Ok(site::authority::show(site, name.as_str())?.revoked));
            // What one certificate of a key stops, another of it may keep going.
            out.revoked = revoked.collect::<Result<Option<Vec<String>>, Trouble>>()?.map(|all| all.join("; "));
        }
    }
    units(&mut out, counted);
    stock(&mut out);
    if out.sentences.is_empty() {
        let stops = if out.revoked.is_some() { "stops" } else { "would stop" };
        out.sentences.push(format!("Nothing of this site {stops} working."));
    }
    Ok(out)
}
