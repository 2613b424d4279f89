//! The checks behind the rules on a revocation list.

use std::sync::Arc;

use super::catalogue::revocation as rules;
use super::certificate::{der_only, shown};
use super::held::HeldList;
use super::pool::{MAX_CANDIDATES, Matching, Pool, SignatureState, Signed, signature_state};
use super::{Finding, Report, Severity};
use crate::certificate::{Certificate, KeyUsage, Profile};
use crate::moment::Moment;
use crate::oid;
use crate::revocation::{Reason, RevocationList};

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

/// Judges a list, and returns it ready to be used where its signature holds: also where something else is wrong with
/// it, since what it revokes stays revoked.
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
) -> Option<HeldList> {
    encoding(list, report);
    let covered = signed(list, pool, signers, trust_given, report);
    let covered = covered.map(|(index, signer)| (&pool.authorities()[index], signer));
    number(list, report);
    dates(list, now, report);
    scope(list, covered.as_ref().map(|(authority, _)| authority.profile), report);
    let held = covered
        .map(|(authority, signer)| HeldList::new(list, Arc::clone(&authority.certificate)).signed_by(signer.cloned()));
    if let Some(finding) = held.as_ref().and_then(|held| held.elsewhere(pool)) {
        report.add(finding);
    }
    delta(list, report);
    for (kind, count) in &list.critical {
        let entries = if *count == 1 { "1 entry".into() } else { format!("{count} entries") };
        report
            .found(&rules::CRITICAL_ENTRY, format!("{entries} with {} marked critical", oid::named(list.part(*kind))));
    }
    held
}

fn encoding(list: &RevocationList, report: &mut Report) {
    let rule = &rules::ENCODING;
    der_only(&list.departures, list.trailing, rule, report);
    if list.version.map(|v| list.part(v)) != Some(&[1]) {
        report.found(rule, "not version 2");
    }
    for extension in &list.extensions.0 {
        let kind = list.part(extension.kind);
        // These two have rules of their own.
        if extension.critical && kind != oid::ISSUING_DISTRIBUTION_POINT && kind != oid::DELTA_CRL_INDICATOR {
            report.found(rule, format!("{} marked critical", oid::named(kind)));
        }
    }
    if list.entries.iter().any(|entry| entry.reason == Some(Reason::Unspecified as u8)) {
        let finding = Finding::new(rule, "reasonCode unspecified written out");
        report.add(finding.weighing(Severity::Note).requiring("unspecified is left out (RFC 5280 §5.3.1)."));
    }
    if let Some(fault) = &list.unreadable_issuer {
        report.found(rule, format!("an entry's certificateIssuer that can't be read: {fault}"));
    }
}

/// What the list says that it covers, against what its authority issues.
fn scope(list: &RevocationList, profile: Option<Profile>, report: &mut Report) {
    let rule = &rules::SCOPE;
    let scope = match list.scope() {
        Ok(Some(scope)) => scope,
        Ok(None) => return,
        Err(fault) => {
            report.found(rule, format!("an issuing distribution point that can't be read: {fault}"));
            return;
        }
    };
    let only = [
        (scope.only_users, "onlyContainsUserCerts", Some(Profile::Paa)),
        (scope.only_authorities, "onlyContainsCACerts", Some(Profile::Pai)),
        (scope.only_attributes, "onlyContainsAttributeCerts", profile),
    ];
    if only.iter().filter(|(set, ..)| *set).count() > 1 {
        let names: Vec<_> = only.iter().filter(|(set, ..)| *set).map(|(_, name, _)| *name).collect();
        report.found(rule, format!("{}, of which a list has one at most", names.join(" and ")));
    } else if let Some((_, name, _)) = only.iter().find(|(set, _, leaves_out)| *set && *leaves_out == profile) {
        let whose = profile.map_or("its issuer", |profile| if profile == Profile::Paa { "a PAA" } else { "a PAI" });
        let finding = Finding::new(rule, format!("{name}, which leaves out what {whose} issues"));
        // What names others may still cover theirs: a PAA's indirect list the DACs below it.
        report.add(if scope.indirect { finding.weighing(Severity::Warning) } else { finding });
    }
    if let Some(reasons) = &scope.some_reasons {
        let names = if reasons.is_empty() { "none".into() } else { reasons.join(", ") };
        report.found(rule, format!("onlySomeReasons: {names}"));
    }
    if let Some(point) = &scope.point {
        let finding = Finding::new(rule, format!("the list of one distribution point, {point}"));
        report.add(
            finding
                .weighing(Severity::Note)
                .requiring("Known to be the one that covers the certificates being judged.")
                .advising("Its issuer may split its certificates among several lists. Ask whether it does."),
        );
    }
}

fn delta(list: &RevocationList, report: &mut Report) {
    let removed = list.entries.iter().filter(|entry| entry.removes()).count();
    let taken_off = match removed {
        0 => String::new(),
        1 => ", 1 entry takes a certificate off".into(),
        many => format!(", {many} entries take a certificate off"),
    };
    if list.is_delta() {
        report.found(&rules::DELTA, format!("changes since another list alone{taken_off}"));
    } else if removed > 0 {
        let finding = Finding::new(&rules::DELTA, format!("a complete list{taken_off} (removeFromCRL)"));
        report.add(
            finding
                .weighing(Severity::Warning)
                .advising("They are not counted as revoked. Ask the list's issuer what they are to say."),
        );
    }
}

/// Finds the issuer and checks the signature; the authority whose certificates the list covers, and whom it appointed.
fn signed<'s>(
    list: &RevocationList,
    pool: &Pool,
    signers: &'s [Arc<Certificate>],
    trust_given: bool,
    report: &mut Report,
) -> Option<(usize, Option<&'s Arc<Certificate>>)> {
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
            SignatureState::Good => Some((link.issuer, None)),
            SignatureState::Bad => {
                report.found(&rules::SIGNATURE, "a signature that is not by its issuer");
                None
            }
            SignatureState::Unchecked => None,
        };
    }
    let Some(signer) = appointed(list, &wanted, signers) else {
        let id = list.authority_key_id().map_or_else(|| "not stated".into(), shown);
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
        Some(link) if link.signature == SignatureState::Good => Some((link.issuer, Some(signer))),
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
        Some(octets) if octets.len() > 20 => report.found(rule, format!("{} bytes", octets.len())),
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
