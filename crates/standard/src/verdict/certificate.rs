//! The checks behind the rules on one certificate, in the catalogue's order.

use super::catalogue::{certificate::TABLE, chain::TEST_IDENTITY};
use super::{Finding, Report, Rule, Severity};
use crate::asn1::{Departure, whole_tlv};
use crate::certificate::{AuthorityKeyId, BasicConstraints, Certificate, Extension, KeyUsage, Profile};
use crate::ids::VendorId;
use crate::name::{Identity, Told};
use crate::oid;

/// Judges one certificate by itself, as a DAC, PAI or PAA.
pub fn judge_certificate(certificate: &Certificate, profile: Profile, report: &mut Report) {
    for row in TABLE {
        (row.check)(certificate, profile, row.of(profile), report);
    }
}

/// Notes a test vendor ID in the subject.
pub fn test_identity(certificate: &Certificate, report: &mut Report) {
    for told in &certificate.subject.identity.vendors {
        if let Told::Valid(vendor) = told
            && vendor.is_test()
        {
            report.found(&TEST_IDENTITY, format!("test vendor ID {vendor}"));
        }
    }
}

/// Departures and trailing octets of anything read by [`crate::asn1`].
pub(super) fn der_only(departures: &[Departure], trailing: usize, rule: &'static Rule, report: &mut Report) {
    for departure in departures.iter().take(8) {
        report.found(rule, format!("{} at byte {}", departure.what, departure.at));
    }
    if departures.len() > 8 {
        report.found(rule, format!("{} more parts that are not DER", departures.len() - 8));
    }
    if trailing > 0 {
        report.found(rule, format!("{trailing} byte{} after the end", if trailing == 1 { "" } else { "s" }));
    }
}

pub(super) fn encoding(c: &Certificate, _: Profile, rule: &'static Rule, report: &mut Report) {
    der_only(&c.departures, c.trailing, rule, report);
}

pub(super) fn size(c: &Certificate, _: Profile, rule: &'static Rule, report: &mut Report) {
    let octets = c.der().len() - c.trailing;
    if octets > 600 {
        report.found(rule, format!("{octets} bytes"));
    }
}

pub(super) fn version(c: &Certificate, _: Profile, rule: &'static Rule, report: &mut Report) {
    match c.version.map(|span| c.part(span)) {
        Some([2]) => {}
        None => report.found(rule, "no version, which means version 1"),
        Some([n]) if *n < 0x80 => report.found(rule, format!("the number {n}, which means version {}", n + 1)),
        Some(other) => report.found(rule, format!("the number {}", hex::encode(&other[..other.len().min(8)]))),
    }
}

pub(super) fn serial(c: &Certificate, _: Profile, rule: &'static Rule, report: &mut Report) {
    let octets = c.serial();
    if octets[0] >= 0x80 {
        report.found(rule, format!("{}, which is negative", shown(octets)));
    } else if octets.iter().all(|o| *o == 0) {
        report.found(rule, "zero");
    }
    if octets.len() > 20 {
        report.found(rule, format!("{} of {} bytes", shown(octets), octets.len()));
    }
}

/// Octets in hex, cut where they are long.
pub(super) fn shown(octets: &[u8]) -> String {
    if octets.len() <= 32 { hex::encode(octets) } else { format!("{}…", hex::encode(&octets[..32])) }
}

pub(super) fn signature_algorithm(c: &Certificate, _: Profile, rule: &'static Rule, report: &mut Report) {
    let (inner, outer) = (&c.inner_algorithm, &c.outer_algorithm);
    if !inner.is_ecdsa_sha256(c.der()) {
        report.found(rule, format!("{} inside the signed part", inner.words(c.der())));
    }
    if !outer.is_ecdsa_sha256(c.der()) {
        report.found(rule, format!("{} beside the signature", outer.words(c.der())));
    }
}

pub(super) fn public_key(c: &Certificate, _: Profile, rule: &'static Rule, report: &mut Report) {
    if let Err(fault) = &c.key.key {
        report.found(rule, fault.clone());
    }
}

pub(super) fn validity(c: &Certificate, _: Profile, rule: &'static Rule, report: &mut Report) {
    for (name, time) in [("notBefore", &c.not_before), ("notAfter", &c.not_after)] {
        if let Some(fault) = &time.fault {
            report.found(rule, format!("{name} is {fault}"));
        }
    }
    if let (Some(from), Some(to)) = (c.not_before.moment, c.not_after.moment)
        && to < from
    {
        report.found(rule, format!("notBefore {from} is after notAfter {to}"));
    }
}

pub(super) fn subject(c: &Certificate, _: Profile, rule: &'static Rule, report: &mut Report) {
    if c.subject.attributes == 0 {
        report.found(rule, "an empty subject");
    }
    if let Some(fault) = &c.subject.fault {
        report.found(rule, fault.clone());
    }
    if c.unique_ids {
        let finding = Finding::new(rule, "an issuerUniqueID or subjectUniqueID").weighing(Severity::Warning);
        report.add(finding.requiring("No unique identifiers (RFC 5280 §4.1.2.8)."));
    }
    if let Some(long) = c.subject.common_name(c.der()).filter(|cn| cn.chars().count() > 64) {
        let finding = Finding::new(rule, format!("a commonName of {} characters", long.chars().count()));
        report.add(
            finding.weighing(Severity::Warning).requiring("A commonName of at most 64 characters (RFC 5280 A.1)."),
        );
    }
}

/// What may be told how often.
struct Told1<'a> {
    what: &'static str,
    at_least_one: bool,
    at_most: usize,
    by_attribute: bool,
    idle_text: bool,
    forms: Vec<Result<&'a dyn std::fmt::Display, Fault>>,
}

/// An ID that is told and is none.
enum Fault {
    Never(String),
    Malformed(String),
}

fn forms<T: std::fmt::Display>(told: &[Told<T>]) -> Vec<Result<&dyn std::fmt::Display, Fault>> {
    told.iter()
        .map(|form| match form {
            Told::Valid(id) => Ok(id as &dyn std::fmt::Display),
            Told::Never(number) => Err(Fault::Never(format!("{number:04X}, which no device carries"))),
            Told::Malformed(text) => Err(Fault::Malformed(format!("{text}, which is not four upper-case hex digits"))),
        })
        .collect()
}

impl Told1<'_> {
    fn check(&self, rule: &'static Rule, report: &mut Report) {
        let valid: Vec<_> = self.forms.iter().filter_map(|f| f.as_ref().ok()).collect();
        for fault in self.forms.iter().filter_map(|f| f.as_ref().err()) {
            let (Fault::Never(found) | Fault::Malformed(found)) = fault;
            let finding = Finding::new(rule, found.clone());
            // Beside a good one in the same text, a malformed one is not a marker but plain text.
            let harmless = !self.by_attribute && !valid.is_empty() && matches!(fault, Fault::Malformed(_));
            report.add(if harmless { finding.weighing(Severity::Note) } else { finding });
        }
        if valid.len() > self.at_most {
            let list: Vec<_> = valid.iter().map(ToString::to_string).collect();
            report.found(rule, format!("{} {}s: {}", valid.len(), self.what, list.join(", ")));
        }
        if self.forms.is_empty() && self.at_least_one {
            report.found(rule, format!("no {}", self.what));
        }
        if self.idle_text {
            let text = if self.what == "vendor ID" { "Mvid:" } else { "Mpid:" };
            let found = format!("\"{text}\" in a commonName with a dedicated attribute");
            report.add(
                Finding::new(rule, found)
                    .weighing(Severity::Note)
                    .requiring("In a name with a dedicated attribute, only attributes count.")
                    .advising("It is plain text here and does not count. Leave it out to avoid doubt."),
            );
        }
    }
}

fn vendors(identity: &Identity, at_least_one: bool) -> Told1<'_> {
    Told1 {
        what: "vendor ID",
        at_least_one,
        at_most: 1,
        by_attribute: identity.by_attribute,
        idle_text: identity.idle_vendor_text,
        forms: forms(&identity.vendors),
    }
}

fn products(identity: &Identity, at_least_one: bool, at_most: usize) -> Told1<'_> {
    Told1 {
        what: "product ID",
        at_least_one,
        at_most,
        by_attribute: identity.by_attribute,
        idle_text: identity.idle_product_text,
        forms: forms(&identity.products),
    }
}

pub(super) fn vendor_id(c: &Certificate, profile: Profile, rule: &'static Rule, report: &mut Report) {
    vendors(&c.subject.identity, profile != Profile::Paa).check(rule, report);
}

pub(super) fn product_id(c: &Certificate, profile: Profile, rule: &'static Rule, report: &mut Report) {
    let (at_least_one, at_most) = match profile {
        Profile::Dac => (true, 1),
        Profile::Pai => (false, 1),
        Profile::Paa => (false, 0),
    };
    products(&c.subject.identity, at_least_one, at_most).check(rule, report);
}

pub(super) fn issuer(c: &Certificate, profile: Profile, rule: &'static Rule, report: &mut Report) {
    if profile == Profile::Paa {
        if !c.is_self_issued() {
            let found = c.issuer.display(c.der());
            let finding = Finding::new(rule, found)
                .requiring(format!("The issuer equals the subject, {}.", c.subject.display(c.der())));
            let same = c.issuer.folded(c.der()) == c.subject.folded(c.der());
            report.add(if same { finding.weighing(Severity::Warning) } else { finding });
        }
        return;
    }
    if c.issuer.attributes == 0 {
        report.found(rule, "an empty issuer");
        return;
    }
    if let Some(fault) = &c.issuer.fault {
        report.found(rule, fault.clone());
    }
    let identity = &c.issuer.identity;
    let mut quiet = vendors(identity, profile == Profile::Dac);
    quiet.idle_text = false;
    quiet.check(rule, report);
    if profile == Profile::Dac {
        let mut quiet = products(identity, false, 1);
        quiet.idle_text = false;
        quiet.check(rule, report);
    }
}

/// The extension's value by `read`, with findings where it is missing, malformed or of the wrong criticality.
fn known<T>(
    c: &Certificate,
    (kind, critical): (&[u8], bool),
    read: impl FnOnce(&[u8], &Extension) -> Result<T, String>,
    rule: &'static Rule,
    report: &mut Report,
) -> Option<T> {
    let Some(extension) = c.extensions.get(c.der(), kind) else {
        report.found(rule, "no such extension");
        return None;
    };
    if extension.critical != critical {
        report.found(rule, if critical { "not marked critical" } else { "marked critical" });
    }
    match read(c.der(), extension) {
        Ok(value) => Some(value),
        Err(fault) => {
            report.found(rule, fault);
            None
        }
    }
}

pub(super) fn basic_constraints(c: &Certificate, profile: Profile, rule: &'static Rule, report: &mut Report) {
    let Some(found) = known(c, (oid::BASIC_CONSTRAINTS, true), BasicConstraints::read, rule, report) else { return };
    let length = found.path_length.map_or_else(|| "no pathLenConstraint".into(), |n| format!("pathLenConstraint {n}"));
    if profile == Profile::Dac {
        if found.ca {
            report.found(rule, "cA is set");
        }
        if found.spelled_false {
            report.found(rule, "cA FALSE is spelled out; in DER a default is left out");
        }
        if found.path_length.is_some() {
            report.found(rule, length);
        }
        return;
    }
    if !found.ca {
        report.found(rule, "cA is not set");
    }
    let right = match profile {
        Profile::Pai => found.path_length == Some(0),
        _ => matches!(found.path_length, None | Some(1)),
    };
    if !right {
        report.found(rule, length);
    }
}

pub(super) fn key_usage(c: &Certificate, profile: Profile, rule: &'static Rule, report: &mut Report) {
    let Some(usage) = known(c, (oid::KEY_USAGE, true), KeyUsage::read, rule, report) else { return };
    let right = match profile {
        Profile::Dac => usage.0 == KeyUsage::DIGITAL_SIGNATURE,
        _ => {
            let needed = KeyUsage::KEY_CERT_SIGN | KeyUsage::CRL_SIGN;
            usage.has(needed) && usage.0 & !(needed | KeyUsage::DIGITAL_SIGNATURE) == 0
        }
    };
    if !right {
        report.found(rule, usage.words());
    }
}

pub(super) fn subject_key_id(c: &Certificate, _: Profile, rule: &'static Rule, report: &mut Report) {
    let read = crate::certificate::read_subject_key_id;
    let Some(id) = known(c, (oid::SUBJECT_KEY_ID, false), read, rule, report) else { return };
    if id.len() != 20 {
        report.found(rule, format!("{} bytes: {}", id.len(), shown(c.part(id))));
        return;
    }
    let usual = crate::key::sha1(c.part(c.key.bits));
    if c.part(id) != usual {
        report.add(
            Finding::new(rule, hex::encode(c.part(id)))
                .weighing(Severity::Note)
                .requiring(format!(
                    "Usually the SHA-1 of the public key, {} (RFC 5280 §4.2.1.2 method 1).",
                    hex::encode(usual)
                ))
                .advising("Another method is allowed. Nothing to do, unless somebody changed the key by mistake."),
        );
    }
}

pub(super) fn authority_key_id(c: &Certificate, profile: Profile, rule: &'static Rule, report: &mut Report) {
    if profile == Profile::Paa && c.extensions.get(c.der(), oid::AUTHORITY_KEY_ID).is_none() {
        let finding = Finding::new(rule, "no such extension").weighing(Severity::Warning);
        report.add(finding.advising(
            "RFC 5280 lets a self-signed certificate leave it out, but some verifiers of this standard may require it.",
        ));
        return;
    }
    let Some(id) = known(c, (oid::AUTHORITY_KEY_ID, false), AuthorityKeyId::read, rule, report) else { return };
    let Some(key_id) = id.key_id else {
        report.found(rule, "no key identifier in it");
        return;
    };
    let octets = c.part(key_id);
    if octets.is_empty() {
        report.found(rule, "an empty key identifier");
    } else if profile == Profile::Paa
        && let Some(own) = c.subject_key_id()
        && own != octets
    {
        let finding = Finding::new(rule, shown(octets));
        report.add(finding.requiring(format!("Its own subjectKeyIdentifier, {}.", shown(own))));
    }
}

/// Extensions that any of the three may carry, not critical.
const OPTIONAL: &[&[u8]] = &[
    oid::EXTENDED_KEY_USAGE,
    oid::SUBJECT_ALT_NAME,
    oid::AUTHORITY_INFO_ACCESS,
    oid::CERTIFICATE_POLICIES,
    oid::CRL_DISTRIBUTION_POINTS,
];
/// Extensions that have a rule of their own.
const RULED: &[&[u8]] = &[oid::BASIC_CONSTRAINTS, oid::KEY_USAGE, oid::SUBJECT_KEY_ID, oid::AUTHORITY_KEY_ID];

pub(super) fn extensions(c: &Certificate, _: Profile, rule: &'static Rule, report: &mut Report) {
    let all = &c.extensions.0;
    for (index, extension) in all.iter().enumerate() {
        let kind = c.part(extension.kind);
        if all[..index].iter().any(|other| c.part(other.kind) == kind) {
            report.found(rule, format!("{} a second time", oid::named(kind)));
            continue;
        }
        if RULED.contains(&kind) {
            continue;
        }
        if extension.critical {
            let known = if OPTIONAL.contains(&kind) { "" } else { "unknown " };
            report.found(rule, format!("{known}{} marked critical", oid::named(kind)));
        } else if OPTIONAL.contains(&kind) {
            // Each of the five is a SEQUENCE; what is in it is nothing to this standard.
            if whole_tlv(c.part(extension.value)).is_none_or(|tlv| tlv.tag != crate::asn1::tag::SEQUENCE) {
                report.found(rule, format!("{} with a value that is no SEQUENCE", oid::named(kind)));
            }
        } else {
            report.add(
                Finding::new(rule, format!("{}, not critical", oid::named(kind)))
                    .weighing(Severity::Note)
                    .advising("Verifiers ignore it. Nothing to do."),
            );
        }
    }
}

/// The vendor ID for messages.
pub(super) fn vendor_words(vendor: Option<VendorId>) -> String {
    vendor.map_or_else(|| "none".into(), |v| v.to_string())
}
