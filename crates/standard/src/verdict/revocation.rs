//! The checks behind the rules on a revocation list.

use std::collections::HashMap;
use std::sync::Arc;

use super::catalogue::revocation as rules;
use super::certificate::{der_only, shown};
use super::pool::{MAX_CANDIDATES, Matching, Pool, SignatureState, Signed, signature_state};
use super::{Finding, Report, Severity};
use crate::certificate::{Certificate, KeyUsage};
use crate::moment::Moment;
use crate::oid;
use crate::revocation::{Reason, RevocationList};

/// What a list that holds says, of one authority's certificates.
#[derive(Debug, Clone)]
pub struct RevokedSerials {
    issuer: usize,
    serials: Arc<HashMap<Vec<u8>, String>>,
}

impl RevokedSerials {
    /// What somebody who holds a list, or is the issuer, knows to be revoked.
    ///
    /// - `issuer`: index in the pool.
    /// - `serials`: content octets of each serial number, with when and why in words; shared, since
    ///   lists may be long and are asked for every unit.
    pub fn new(issuer: usize, serials: Arc<HashMap<Vec<u8>, String>>) -> Self {
        Self { issuer, serials }
    }

    /// Index in the pool of the authority whose certificates are meant.
    pub fn issuer(&self) -> usize {
        self.issuer
    }

    /// When and why the certificate of that serial number was revoked, in words.
    ///
    /// - `serial`: content octets of its INTEGER.
    pub fn lookup(&self, serial: &[u8]) -> Option<&str> {
        self.serials.get(serial).map(String::as_str)
    }
}

impl<'a> From<&'a RevocationList> for Signed<'a> {
    fn from(list: &'a RevocationList) -> Self {
        Self {
            der: list.der(),
            issuer: &list.issuer,
            authority_key_id: list.authority_key_id(),
            algorithms: [&list.outer_algorithm, &list.inner_algorithm],
            signed_part: list.signed_part(),
            signature: list.signature(),
        }
    }
}

/// Judges a list, and returns what it revokes where its signature holds.
///
/// - `pool`: the authorities at hand. `signers`: certificates that may be
///   list signers appointed by one of them.
/// - `trust_given`: whether an unknown issuer weighs as an error.
/// - `now`: the present, or the time asked for.
pub fn judge_list(
    list: &RevocationList,
    pool: &Pool,
    signers: &[Arc<Certificate>],
    trust_given: bool,
    now: Moment,
    report: &mut Report,
) -> Option<RevokedSerials> {
    encoding(list, report);
    let covered = signed(list, pool, signers, trust_given, report);
    number(list, report);
    dates(list, now, report);
    let issuer = covered?;
    Some(RevokedSerials::new(issuer, Arc::new(list.revoked())))
}

fn encoding(list: &RevocationList, report: &mut Report) {
    let rule = &rules::ENCODING;
    der_only(&list.departures, list.trailing, rule, report);
    if list.version.map(|v| list.part(v)) != Some(&[1]) {
        report.found(rule, "not version 2");
    }
    for extension in &list.extensions.0 {
        let kind = list.part(extension.kind);
        if extension.critical && kind != oid::ISSUING_DISTRIBUTION_POINT {
            report.found(rule, format!("{} marked critical", oid::named(kind)));
        }
    }
    if list.entries.iter().any(|entry| entry.reason == Some(Reason::Unspecified as u8)) {
        let finding = Finding::new(rule, "reasonCode unspecified written out");
        report.add(finding.weighing(Severity::Note).requiring("unspecified is left out (RFC 5280 §5.3.1)."));
    }
}

/// Finds the issuer and checks the signature; the authority whose certificates the list covers.
fn signed(
    list: &RevocationList,
    pool: &Pool,
    signers: &[Arc<Certificate>],
    trust_given: bool,
    report: &mut Report,
) -> Option<usize> {
    for (algorithm, place) in [(&list.inner_algorithm, "inside"), (&list.outer_algorithm, "beside")] {
        if !algorithm.is_ecdsa_sha256(list.der()) {
            report.found(&rules::SIGNATURE, format!("{} {place} the signed part", algorithm.words(list.der())));
        }
    }
    if list.authority_key_id().is_none() {
        report.found(&rules::ISSUER, "no authorityKeyIdentifier");
    }
    let wanted = Signed::from(list);
    if let Some(link) = pool.link_signed(&wanted, None) {
        let issuer = &pool.authorities()[link.issuer].certificate;
        if link.name == Matching::Different {
            let finding = Finding::new(&rules::ISSUER, list.issuer.display(list.der()));
            report.add(finding.requiring(format!("The issuer's name, {}.", issuer.subject.display(issuer.der()))));
        }
        if link.key_id == Matching::Different {
            let finding = Finding::new(
                &rules::ISSUER,
                format!("key identifier {}", shown(list.authority_key_id().unwrap_or_default())),
            );
            report.add(
                finding.requiring(format!("The issuer's, {}.", shown(issuer.subject_key_id().unwrap_or_default()))),
            );
        }
        return match link.signature {
            SignatureState::Good => Some(link.issuer),
            SignatureState::Bad => {
                report.found(&rules::SIGNATURE, "a signature that is not by its issuer");
                None
            }
            SignatureState::Unchecked => None,
        };
    }
    let Some(signer) = appointed(list, &wanted, signers) else {
        let id = list.authority_key_id().map_or_else(|| "not told".into(), shown);
        let finding = Finding::new(
            &rules::ISSUER,
            format!("{}, key identifier {id}, which is not available", list.issuer.display(list.der())),
        );
        report.add(if trust_given { finding } else { finding.weighing(Severity::Warning) });
        return None;
    };
    let name = signer.subject.display(signer.der());
    if !signer.key_usage().is_some_and(|usage| usage.has(KeyUsage::CRL_SIGN)) {
        report.found(&rules::ISSUER, format!("{name}, whose keyUsage has no cRLSign"));
    }
    match signature_state(&wanted, signer.public_key(), None) {
        SignatureState::Good => {}
        _ => {
            report.found(&rules::SIGNATURE, format!("a signature that is not by {name}"));
            return None;
        }
    }
    match pool.link(signer) {
        Some(link) if link.signature == SignatureState::Good => Some(link.issuer),
        _ => {
            let finding =
                Finding::new(&rules::ISSUER, format!("{name}, which none of the given PAIs and PAAs appointed"));
            report.add(if trust_given { finding } else { finding.weighing(Severity::Warning) });
            None
        }
    }
}

/// Whoever signed a list among those that may have: one has its name or its key identifier. Of several,
/// such as one and the same signer with an older key, whose signature it is, then whose key identifier.
fn appointed<'a>(
    list: &RevocationList,
    wanted: &Signed<'_>,
    signers: &'a [Arc<Certificate>],
) -> Option<&'a Arc<Certificate>> {
    let matching = signers.iter().filter_map(|signer| {
        let has_name = signer.subject_der() == list.issuer_der();
        let has_id = signer.subject_key_id().is_some() && signer.subject_key_id() == list.authority_key_id();
        (has_name || has_id).then_some((signer, has_id))
    });
    let candidates: Vec<_> = matching.take(MAX_CANDIDATES).collect();
    if let [(only, _)] = *candidates {
        return Some(only);
    }
    let worth = |(signer, has_id): &(&Arc<Certificate>, bool)| {
        (signature_state(wanted, signer.public_key(), None) == SignatureState::Good, *has_id)
    };
    // The first of the best.
    candidates.into_iter().rev().max_by_key(worth).map(|(signer, _)| signer)
}

fn number(list: &RevocationList, report: &mut Report) {
    let rule = &rules::NUMBER;
    let Some(extension) = list.extensions.get(list.der(), oid::CRL_NUMBER) else {
        report.found(rule, "no cRLNumber");
        return;
    };
    if extension.critical {
        report.found(rule, "marked critical");
    }
    match list.number() {
        None => report.found(rule, "no INTEGER in it"),
        Some(octets) if octets[0] >= 0x80 => report.found(rule, format!("{}, which is negative", shown(octets))),
        Some(octets) if octets.len() > 20 => report.found(rule, format!("{} octets", octets.len())),
        Some(_) => {}
    }
}

fn dates(list: &RevocationList, now: Moment, report: &mut Report) {
    let rule = &rules::DATES;
    if let Some(fault) = &list.this_update.fault {
        report.found(rule, format!("thisUpdate is {fault}"));
    }
    let Some(next) = &list.next_update else {
        report.found(rule, "no nextUpdate");
        return;
    };
    if let Some(fault) = &next.fault {
        report.found(rule, format!("nextUpdate is {fault}"));
    }
    let (Some(this), Some(next)) = (list.this_update.moment, next.moment) else { return };
    if next < this {
        report.found(rule, format!("nextUpdate {next} is before thisUpdate {this}"));
    } else if next < now {
        let found = format!("nextUpdate {next} is past at {now}");
        report.add(
            Finding::new(rule, found)
                .weighing(Severity::Warning)
                .advising("The list is stale: download the current one. What it revokes stays revoked."),
        );
    } else if this > now {
        let found = format!("thisUpdate {this} is in the future at {now}");
        report.add(Finding::new(rule, found).weighing(Severity::Warning).advising("Check this machine's clock."));
    }
}
