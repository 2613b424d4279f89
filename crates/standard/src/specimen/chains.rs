//! The valid sets, and specimens of the rules across a chain.

use super::certificates::other_vendor;
use super::scene::{Scene, dac_name, pai_name, unknown_extension};
use super::{Row, Use, row};
use crate::asn1::{sequence, tag};
use crate::certificate::{Builder, ExtensionDer, Profile};
use crate::ids::ProductId;
use crate::key::Signer;
use crate::moment::{Moment, NO_END};
use crate::name::NameBuilder;
use crate::oid;
use crate::verdict::Severity;

const DAY: i64 = 86_400;

/// Variant, what is unusual, how it departs.
type Allowed = (&'static str, &'static str, fn(&mut Scene<'_>));

/// What the standard allows.
pub(super) const VALID: &[Allowed] = &[
    ("", "Everything is correct.", |_| {}),
    ("fallback-names", "Identifiers in the commonName, in every certificate.", |s| {
        let (vendor, product) = (s.identity.vendor, s.identity.product);
        s.rename(Profile::Pai, &NameBuilder::new().common_name(&format!("Specimen PAI Mvid:{vendor}")).build());
        let name = NameBuilder::new().common_name(&format!("Mpid:{product},Specimen,Mvid:{vendor}")).build();
        s.rename(Profile::Dac, &name);
    }),
    ("printable-string", "Identifiers as PrintableString.", |s| {
        let (vendor, product) = (s.identity.vendor.to_string(), s.identity.product.to_string());
        let name = dac_name()
            .attribute(oid::VENDOR_ID, tag::PRINTABLE_STRING, &vendor)
            .attribute(oid::PRODUCT_ID, tag::PRINTABLE_STRING, &product)
            .build();
        s.rename(Profile::Dac, &name);
    }),
    ("expired-pai", "The PAI has expired since it issued the DAC.", |s| {
        let now = s.identity.now;
        let times = |from: i64, to: i64| sequence(&[&now.plus(from * DAY).to_der(), &now.plus(to * DAY).to_der()]);
        s.pai.fields.validity = times(-365, -10);
        s.dac.fields.validity = times(-30, 3650);
    }),
    ("pai-for-one-product", "The PAI is for this product only.", |s| {
        let name = pai_name().vendor(s.identity.vendor).product(s.identity.product).build();
        s.rename(Profile::Pai, &name);
    }),
    ("extra-extensions", "Optional extensions, none of them critical.", |s| {
        for profile in [Profile::Dac, Profile::Pai, Profile::Paa] {
            let name = crate::asn1::tlv(0x82, b"specimen.example");
            let extra = ExtensionDer::any(oid::SUBJECT_ALT_NAME, false, &sequence(&[&name]));
            s.planned(profile).fields.extensions.extend([unknown_extension(false), extra]);
        }
    }),
    ("no-root-vendor", "The PAA has no vendor ID, no pathLenConstraint and no authorityKeyIdentifier.", |s| {
        s.rename(Profile::Paa, &super::scene::paa_name().build());
        s.paa.without(oid::AUTHORITY_KEY_ID);
        s.paa.replace(oid::BASIC_CONSTRAINTS, ExtensionDer::basic_constraints(true, None));
    }),
    ("dac-of-origin", "The DAC belongs to another vendor, as the declaration says.", |s| {
        let (vendor, product) = (other_vendor(s.identity.vendor), ProductId::new(0x1234));
        let Ok(product) = product else { return };
        s.declaration.origin = Some((vendor, product));
        s.rename(Profile::Paa, &super::scene::paa_name().build());
        s.rename(Profile::Pai, &pai_name().vendor(vendor).build());
        s.rename(Profile::Dac, &dac_name().vendor(vendor).product(product).build());
    }),
];

pub(super) fn rows() -> Vec<Row> {
    vec![
        row("dac.not-current", "", "The DAC has ended.", |s| {
            s.severity = Severity::Warning;
            let now = s.identity.now;
            s.dac.fields.validity = sequence(&[&now.plus(-30 * DAY).to_der(), &now.plus(-DAY).to_der()]);
        }),
        row("dac.not-current", "begins", "The DAC has not begun.", |s| {
            s.severity = Severity::Warning;
            let now = s.identity.now;
            s.dac.fields.validity = sequence(&[&now.plus(30 * DAY).to_der(), &NO_END.to_der()]);
        }),
        row("chain.same-key", "", "The DAC has its PAI's key.", |s| {
            s.severity = Severity::Warning;
            let pai = &s.keys.pai;
            s.dac.fields.key = crate::certificate::spki_der(&pai.public_key());
            s.dac.replace(oid::SUBJECT_KEY_ID, ExtensionDer::subject_key_id(&pai.key_id()));
            if let Some(exchange) = &mut s.exchange {
                exchange.signer = pai;
            }
        }),
        row("chain.same-key", "pai", "The PAI has its PAA's key.", |s| {
            s.severity = Severity::Warning;
            let paa = &s.keys.paa;
            s.pai.fields.key = crate::certificate::spki_der(&paa.public_key());
            s.pai.replace(oid::SUBJECT_KEY_ID, ExtensionDer::subject_key_id(&paa.key_id()));
            s.dac.replace(oid::AUTHORITY_KEY_ID, ExtensionDer::authority_key_id(&paa.key_id()));
            s.dac.signer = paa;
        }),
        row("chain.length", "", "The DAC is issued by the PAA itself.", |s| {
            s.left_out = vec![Profile::Pai];
            s.dac.fields.issuer.clone_from(&s.paa.fields.subject);
            s.dac.replace(oid::AUTHORITY_KEY_ID, ExtensionDer::authority_key_id(&s.keys.paa.key_id()));
            s.dac.signer = &s.keys.paa;
        }),
        row("chain.length", "long", "A second intermediate is between PAA and PAI.", |s| {
            let name = NameBuilder::new().common_name("Specimen Upper PAI").vendor(s.identity.vendor).build();
            let paa = (s.paa.fields.subject.clone(), s.keys.paa.key_id());
            let times = (s.identity.now.plus(-400 * DAY), NO_END);
            let upper =
                Builder::new(Profile::Pai, &[0x2D, 9], (&paa.0, &paa.1), &name, &s.keys.stranger.public_key(), times);
            if let Ok(der) = upper.sign(&s.keys.paa) {
                s.add("upper-pai.der", der, Use::Subject);
            }
            s.pai.fields.issuer = name;
            s.pai.replace(oid::AUTHORITY_KEY_ID, ExtensionDer::authority_key_id(&s.keys.stranger.key_id()));
            s.pai.signer = &s.keys.stranger;
        }),
        row("chain.complete", "", "The PAI is missing.", |s| s.left_out = vec![Profile::Pai]).with(&["chain.anchor"]),
        row("chain.issuer-name", "", "The DAC names another issuer than the PAI's subject.", |s| {
            s.dac.fields.issuer = NameBuilder::new().common_name("Specimen PAI 2").vendor(s.identity.vendor).build();
        }),
        row("chain.key-id", "", "The DAC's authorityKeyIdentifier is that of another key.", |s| {
            s.dac.replace(oid::AUTHORITY_KEY_ID, ExtensionDer::authority_key_id(&s.keys.stranger.key_id()));
        }),
        row("chain.signature", "", "The DAC is signed by another key than its PAI's.", |s| {
            s.dac.signer = &s.keys.stranger
        }),
        row("chain.signature", "pai", "The PAI is signed by another key than its PAA's.", |s| {
            s.pai.signer = &s.keys.stranger
        }),
        row("chain.signature", "paa", "The PAA is not signed by its own key.", |s| s.paa.signer = &s.keys.stranger),
        row("chain.validity", "", "The DAC's notBefore lies before its PAI's.", |s| {
            let from = s.identity.now.plus(-500 * DAY).to_der();
            s.dac.fields.validity = sequence(&[&from, &NO_END.to_der()]);
        }),
        row("chain.vendor-id", "", "The PAI is another vendor's.", |s| {
            s.rename(Profile::Paa, &super::scene::paa_name().build());
            let name = pai_name().vendor(other_vendor(s.identity.vendor)).build();
            s.rename(Profile::Pai, &name);
        }),
        row("chain.vendor-id", "paa", "The PAA is another vendor's.", |s| {
            let name = super::scene::paa_name().vendor(other_vendor(s.identity.vendor)).build();
            s.rename(Profile::Paa, &name);
        }),
        row("chain.product-id", "", "The PAI is for another product.", |s| {
            let other = ProductId::new(s.identity.product.get() ^ 1).unwrap_or(s.identity.product);
            let name = pai_name().vendor(s.identity.vendor).product(other).build();
            s.rename(Profile::Pai, &name);
        }),
        row("chain.anchor", "", "The PAA is not the trusted one.", |s| {
            s.paa.uses = Use::Subject;
            let name = NameBuilder::new().common_name("Specimen Trusted PAA").build();
            let id = s.keys.stranger.key_id();
            let times = (Moment::from_unix(s.identity.now.unix() - 730 * DAY), NO_END);
            let trusted =
                Builder::new(Profile::Paa, &[0x2D, 8], (&name, &id), &name, &s.keys.stranger.public_key(), times);
            if let Ok(der) = trusted.sign(&s.keys.stranger) {
                s.add("trusted-paa.der", der, Use::Trust);
            }
        }),
        row("chain.revoked", "", "The DAC is on its PAI's revocation list.", |s| {
            if let Ok(list) = s.list(&[&[0x2D, 3]]).sign(&s.keys.pai) {
                s.add("revoked.crl", list, Use::Revocations);
            }
        }),
        row("chain.test-identity", "", "The vendor ID is a test one.", |s| s.severity = Severity::Note),
    ]
}
