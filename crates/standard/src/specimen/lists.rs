//! Specimens of the rules on requests and revocation lists.

use super::scene::{Scene, compressed_spki, dac_name, unknown_extension};
use super::{Row, Use, row};
use crate::asn1::{self, integer, sequence};
use crate::certificate::{ExtensionDer, sign_tbs, spki_der};
use crate::key::{Signer, SoftwareKey};
use crate::moment::Moment;
use crate::name::NameBuilder;
use crate::oid;
use crate::revocation::ListBuilder;
use crate::verdict::Severity;

/// When the further entries were revoked: 2025-06-01.
const WHEN: i64 = 1_748_736_000;

/// A request with these parts, alone in its set.
fn request(s: &mut Scene<'_>, version: u8, name: Option<NameBuilder>, spki: Option<Vec<u8>>, stranger: bool) {
    let keys = s.keys;
    let name = name.unwrap_or_else(|| dac_name().vendor(s.identity.vendor).product(s.identity.product)).build();
    let spki = spki.unwrap_or_else(|| spki_der(&keys.dac.public_key()));
    let info = sequence(&[&integer(&[version]), &name, &spki, &asn1::context(0, true, &[])]);
    let algorithm = sequence(&[&asn1::oid(oid::ECDSA_SHA256)]);
    let signer: &SoftwareKey = if stranger { &keys.stranger } else { &keys.dac };
    s.only_extra();
    if let Ok(der) = sign_tbs(&info, &algorithm, signer) {
        s.add("request.csr", der, Use::Subject);
    }
}

/// A list by the PAI, changed by `depart`, beside a valid chain.
fn list(s: &mut Scene<'_>, stranger: bool, depart: fn(&mut ListBuilder)) {
    let mut list = s.list(&[&[0x7F, 0x01]]);
    depart(&mut list);
    let signer = if stranger { &s.keys.stranger } else { &s.keys.pai };
    if let Ok(der) = list.sign(signer) {
        s.add("list.crl", der, Use::Subject);
    }
}

/// issuingDistributionPoint with these parts.
fn scope(parts: &[&[u8]]) -> Vec<u8> {
    ExtensionDer::any(oid::ISSUING_DISTRIBUTION_POINT, true, &sequence(parts))
}

/// An entry with one extension.
fn entry(serial: u8, extension: &[u8]) -> Vec<u8> {
    sequence(&[&integer(&[serial, 1]), &Moment::from_unix(WHEN).to_der(), &sequence(&[extension])])
}

/// An entry about a certificate of an authority that is not in the set.
fn entry_of_another() -> Vec<u8> {
    let name = NameBuilder::new().common_name("Another PAI").build();
    let named = sequence(&[&asn1::context(4, true, &name)]);
    entry(0x7E, &ExtensionDer::any(oid::CERTIFICATE_ISSUER, true, &named))
}

pub(super) fn rows() -> Vec<Row> {
    vec![
        row("request.encoding", "", "The request is of version 2.", |s| request(s, 1, None, None, false)),
        row("request.signature", "", "The request is signed by another key than the one in it.", |s| {
            request(s, 0, None, None, true)
        }),
        row("request.public-key", "", "The public key is a compressed point.", |s| {
            let spki = compressed_spki(&s.keys.dac);
            request(s, 0, None, Some(spki), false);
        }),
        row("request.subject", "", "The subject has two vendor IDs.", |s| {
            let vendor = s.identity.vendor;
            let name = dac_name().vendor(vendor).vendor(vendor).product(s.identity.product);
            request(s, 0, Some(name), None, false);
        }),
        row("revocation.encoding", "", "The list is of version 1.", |s| list(s, false, |l| l.version = Vec::new())),
        row("revocation.signature", "", "The list is signed by another key than its issuer's.", |s| {
            list(s, true, |_| {})
        }),
        row("revocation.issuer", "", "The list has no authorityKeyIdentifier.", |s| {
            list(s, false, |l| {
                l.extensions.remove(0);
            });
        }),
        row("revocation.number", "", "The list has no cRLNumber.", |s| {
            list(s, false, |l| {
                l.extensions.remove(1);
            });
        }),
        row("revocation.number", "negative", "cRLNumber is negative.", |s| {
            list(s, false, |l| {
                l.extensions[1] = ExtensionDer::any(oid::CRL_NUMBER, false, &asn1::tlv(asn1::tag::INTEGER, &[0x81]));
            });
        }),
        row("revocation.dates", "", "The list has no nextUpdate.", |s| list(s, false, |l| l.next_update = Vec::new())),
        row("revocation.scope", "", "The PAI's list covers certificates of authorities alone.", |s| {
            list(s, false, |l| l.extensions.push(scope(&[&asn1::tlv(0x82, &[0xFF])])));
        }),
        row("revocation.scope", "reasons", "The list covers compromised keys alone.", |s| {
            list(s, false, |l| l.extensions.push(scope(&[&asn1::tlv(0x83, &[6, 0x40])])));
        }),
        row("revocation.scope", "another", "An entry names another authority in a list that is not indirect.", |s| {
            s.severity = Severity::Warning;
            list(s, false, |l| l.entries.push(entry_of_another()));
        }),
        row("revocation.scope", "indirect", "An entry of an indirect list names another authority.", |s| {
            s.severity = Severity::Note;
            list(s, false, |l| {
                l.extensions.push(scope(&[&asn1::tlv(0x84, &[0xFF])]));
                l.entries.push(entry_of_another());
            });
        }),
        row("revocation.delta", "", "The list holds changes alone.", |s| {
            list(s, false, |l| {
                l.extensions.push(ExtensionDer::any(oid::DELTA_CRL_INDICATOR, true, &integer(&[1])));
            });
        }),
        row("revocation.delta", "removal", "An entry of a complete list takes a certificate off again.", |s| {
            s.severity = Severity::Warning;
            list(s, false, |l| {
                let removed = ExtensionDer::any(oid::REASON_CODE, false, &asn1::tlv(0x0A, &[8]));
                l.entries.push(entry(0x7E, &removed));
            });
        }),
        row("revocation.critical-entry", "", "An entry carries an unknown extension that is critical.", |s| {
            list(s, false, |l| l.entries.push(entry(0x7E, &unknown_extension(true))));
        }),
    ]
}
