//! Specimens of the rules on requests and revocation lists.

use super::scene::{Scene, compressed_spki, dac_name};
use super::{Row, Use, row};
use crate::asn1::{self, integer, sequence};
use crate::certificate::{ExtensionDer, sign_tbs, spki_der};
use crate::key::{Signer, SoftwareKey};
use crate::name::NameBuilder;
use crate::oid;
use crate::revocation::ListBuilder;

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
    ]
}
