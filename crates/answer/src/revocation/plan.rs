//! Who is touched by a revocation, before anything is done.

use std::collections::BTreeMap;

use base::trouble::{About, Trouble};
use book::ids::AuthorityName;
use book::{Asking, Credential, CredentialState, Enrolled, Purpose, RevocationRequest, Role, UnitState, Wanted};
use line::unit;
use serde::Serialize;
use site::{Site, authority};
use standard::certificate::Certificate;
use standard::revocation::Reason;

use crate::impact;
use crate::impact::{WouldStop, serial_octets};

/// What is to be revoked, and why. One list is of one issuer.
#[derive(Debug, Clone)]
pub struct Ask<'a> {
    /// Units, whose DACs are meant.
    pub units: &'a [String],
    /// Serial numbers of DACs, in hex.
    pub credentials: &'a [String],
    pub authorities: &'a [String],
    pub reason: Reason,
    /// What is written beside it, for those who ask years later.
    pub note: Option<&'a str>,
}

/// A certificate that would be revoked.
#[derive(Debug, Clone, Serialize)]
pub struct Certified {
    /// `dac` or `pai`.
    pub kind: &'static str,
    /// Serial number in hex.
    pub serial: String,
    /// The PAI's name, for one.
    pub authority: Option<String>,
    /// The unit that has it.
    pub unit: Option<String>,
    pub unit_state: Option<UnitState>,
    /// Whether it is on a board that was swapped, so that the unit has another one now.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub earlier_board: bool,
    /// The chip that it was made for.
    pub chip_id: Option<String>,
    /// Where the credential stands.
    pub credential: Option<CredentialState>,
}

impl Certified {
    /// One of which nothing more is known here.
    fn new(kind: &'static str, serial: &[u8]) -> Self {
        let serial = hex::encode(serial);
        let (authority, unit, unit_state, chip_id, credential) = (None, None, None, None, None);
        Self { kind, serial, authority, unit, unit_state, earlier_board: false, chip_id, credential }
    }
}

/// Who is touched.
#[derive(Debug, Clone, Serialize)]
pub struct Plan {
    /// The issuer, whose list it is.
    pub issuer: String,
    /// What it is for.
    pub purpose: Purpose,
    /// Whether a list can be signed here; else a request for the authority is written.
    pub key_here: bool,
    /// Whether a second person must confirm.
    pub second_person: bool,
    /// The certificates; the first thousand.
    pub certificates: Vec<Certified>,
    /// How many there are.
    pub count: u64,
    /// Those that are revoked already, with the reason that was given then, which stays.
    pub already: Vec<String>,
    /// Units touched, by where they stand.
    pub units: BTreeMap<UnitState, u64>,
    /// For each PAI: what would stop working.
    pub would_stop: Vec<WouldStop>,
    /// Certificates that are not revoked yet.
    #[serde(skip)]
    pub(super) new: u64,
    #[serde(skip)]
    pub(super) issuer_name: AuthorityName,
    #[serde(skip)]
    pub(super) wanted: Vec<Wanted>,
}

impl Plan {
    /// What the book is asked for by it.
    pub(crate) fn asking<'a>(&'a self, reason: Reason, note: Option<&'a str>) -> Asking<'a> {
        Asking { issuer: &self.issuer_name, reason: reason as u8, note, wanted: &self.wanted }
    }
}

/// Certificates told one by one.
const TOLD: usize = 1000;

fn dac(site: &Site, credential: &Credential) -> Result<(Certified, Option<UnitState>), Trouble> {
    let found = site.book.find(&hex::encode(&credential.serial), 50)?;
    let found = found.into_iter().find(|f| f.credential.as_deref() == Some(credential.serial.as_slice()));
    let unit = found.as_ref().and_then(|f| f.unit.clone());
    let unit_now = unit.as_ref().map(|(serial, _)| site.book.unit(serial)).transpose()?.flatten();
    // A board that was swapped takes nothing of its unit along.
    let has_it = unit_now.is_some_and(|unit| found.as_ref().is_some_and(|f| f.chip == unit.chip_id));
    let state = unit.as_ref().filter(|_| has_it).map(|(_, state)| *state);
    let told = Certified {
        unit_state: state,
        earlier_board: unit.is_some() && !has_it,
        unit: unit.map(|(serial, _)| serial.to_string()),
        chip_id: found.map(|f| f.chip.to_string()),
        credential: Some(credential.state),
        ..Certified::new("dac", &credential.serial)
    };
    Ok((told, state))
}

fn several(issuers: &[AuthorityName]) -> Trouble {
    let names: Vec<_> = issuers.iter().map(ToString::to_string).collect();
    Trouble::usage(
        format!("these certificates have {} issuers: {}", names.len(), names.join(", ")),
        "A list has one issuer: revoke the certificates of each issuer separately.",
    )
}

/// Finds what is meant and whom it touches; changes nothing.
///
/// # Errors
///
/// [`Trouble`] where something is not here, or of several issuers.
pub fn plan(site: &Site, ask: &Ask<'_>) -> Result<Plan, Trouble> {
    let mut credentials: Vec<Credential> = Vec::new();
    // Issued to other sites.
    let mut elsewhere: Vec<Enrolled> = Vec::new();
    for name in ask.units {
        let story = unit::story(site, name).about("unit")?;
        credentials.push(story.origin.credential.ok_or_else(|| {
            Trouble::refused(format!("unit {name} has no credential"), "Run `touchmark book verify`.").about("unit")
        })?);
    }
    for text in ask.credentials {
        let serial = serial_octets(text).about("credential")?;
        let mut found = impact::credentials(site, &serial, None)?;
        if let ([], [one]) = (found.as_slice(), site.book.enrolled_as(&serial)?.as_slice()) {
            elsewhere.push(one.clone());
            continue;
        }
        match (found.pop(), found.is_empty()) {
            (Some((_, credential)), true) => credentials.push(credential),
            (Some(_), false) => {
                return Err(Trouble::usage(
                    format!("more than one issuer used serial number {text}"),
                    "Name the unit instead.",
                )
                .about("credential"));
            }
            (None, _) => {
                return Err(Trouble::usage(
                    format!("there is no credential with serial number {text}"),
                    "Look up the unit first: `touchmark unit show` shows the serial number of its DAC.",
                )
                .about("credential"));
            }
        }
    }
    let mut issuers: Vec<AuthorityName> = credentials.iter().map(|c| c.authority.clone()).collect();
    issuers.extend(elsewhere.iter().map(|e| e.authority.clone()));
    let mut pais = Vec::new();
    for name in ask.authorities {
        let found = authority::get(site, name).about("authority")?;
        if found.facts.role == Role::Paa {
            return Err(Trouble::refused(
                format!("{name} is a root, which no list revokes"),
                "Verifiers remove a root from what they trust: write to the alliance.",
            )
            .about("authority"));
        }
        let issuer = found.facts.issuer.clone().ok_or_else(|| {
            Trouble::refused(
                format!("the PAA that issued {name} is not at this site"),
                "Adopt it first with `touchmark authority adopt`.",
            )
        })?;
        issuers.push(issuer);
        pais.push(found);
    }
    issuers.sort();
    issuers.dedup();
    let issuer = match issuers.as_slice() {
        [one] => one.clone(),
        [] => return Err(Trouble::usage("nothing to revoke was named", "Name units, credentials or an authority.")),
        many => return Err(several(many)),
    };
    let mut wanted: Vec<Wanted> = credentials.iter().map(|c| Wanted { pai: false, serial: c.serial.clone() }).collect();
    wanted.extend(elsewhere.into_iter().map(|e| Wanted { pai: false, serial: e.serial }));
    for pai in &pais {
        let c = Certificate::read(&pai.facts.certificate).map_err(|e| {
            Trouble::surroundings(
                format!("the certificate of authority {} can't be read: {e}", pai.facts.name),
                "Run `touchmark book verify`.",
            )
        })?;
        wanted.push(Wanted { pai: true, serial: c.serial().to_vec() });
    }
    let mut seen = std::collections::HashSet::new();
    wanted.retain(|w| seen.insert(w.serial.clone()));
    of(site, issuer, wanted)
}

/// Whom a request touches.
pub(super) fn of_request(site: &Site, request: &RevocationRequest) -> Result<Plan, Trouble> {
    of(site, request.issuer.clone(), site.book.revocation_wanted(request.number)?)
}

fn of(site: &Site, issuer_name: AuthorityName, wanted: Vec<Wanted>) -> Result<Plan, Trouble> {
    let issuer = authority::get(site, issuer_name.as_str())?;
    let mut out = Plan {
        issuer: issuer_name.to_string(),
        purpose: issuer.facts.purpose,
        key_here: issuer.facts.key_reference.is_some(),
        second_person: issuer.facts.purpose == book::Purpose::Production,
        certificates: Vec::new(),
        count: wanted.len() as u64,
        already: Vec::new(),
        units: BTreeMap::new(),
        would_stop: Vec::new(),
        new: 0,
        issuer_name,
        wanted: Vec::new(),
    };
    let revoked = site.book.revoked(&out.issuer_name)?;
    for one in &wanted {
        let before = revoked.iter().find(|r| r.certificate == *one);
        out.new += u64::from(before.is_none());
        if one.pai {
            let name = pai_of(site, &out.issuer_name, &one.serial)?;
            if let Some(before) = before {
                let reason = Reason::name_of(before.reason).unwrap_or("no reason is given");
                out.already.push(format!("PAI {name} is revoked already: {reason}"));
            }
            let question = impact::Wanted { authority: Some(&name), ..impact::Wanted::default() };
            let touched = impact::impact(site, &question, &mut |_| Ok(()))?;
            for (state, count) in &touched.states {
                *out.units.entry(*state).or_default() += count;
            }
            out.would_stop.extend(touched.would_stop);
            let certified = Certified::new("pai", &one.serial);
            out.certificates.push(Certified { authority: Some(name), ..certified });
            continue;
        }
        let found = site.book.credential(&issuer.facts.subject_key_id, &one.serial)?;
        if found.is_none() && site.book.enrolled_as(&one.serial)?.iter().any(|e| e.authority == out.issuer_name) {
            let serial = hex::encode(&one.serial);
            if let Some(before) = before.filter(|_| out.already.len() < TOLD) {
                let reason = Reason::name_of(before.reason).unwrap_or("no reason is given");
                out.already.push(format!("DAC {serial}, issued to another site, is revoked already: {reason}"));
            }
            if out.certificates.len() < TOLD {
                out.certificates.push(Certified::new("dac", &one.serial));
            }
            continue;
        }
        let found = found.ok_or_else(|| {
            Trouble::usage(
                format!("there is no credential with serial number {}", hex::encode(&one.serial)),
                "Look up the unit first.",
            )
        })?;
        if found.state == CredentialState::Revoked && out.already.len() < TOLD {
            let reason = found.reason.as_deref().unwrap_or("no reason is given");
            out.already.push(format!("DAC {} is revoked already: {reason}", hex::encode(&found.serial)));
        }
        let (told, state) = dac(site, &found)?;
        if let Some(state) = state {
            *out.units.entry(state).or_default() += 1;
        }
        if out.certificates.len() < TOLD {
            out.certificates.push(told);
        }
    }
    out.wanted = wanted;
    Ok(out)
}

/// The PAI of that issuer with this serial number.
pub(super) fn pai_of(site: &Site, issuer: &AuthorityName, serial: &[u8]) -> Result<String, Trouble> {
    site.book
        .authorities()?
        .into_iter()
        .find(|a| {
            a.facts.issuer.as_ref() == Some(issuer)
                && Certificate::read(&a.facts.certificate).is_ok_and(|c| c.serial() == serial)
        })
        .map(|a| a.facts.name.to_string())
        .ok_or_else(|| {
            Trouble::usage(
                format!("{issuer} issued no PAI with serial number {}", hex::encode(serial)),
                "See `touchmark authority list`.",
            )
        })
}
