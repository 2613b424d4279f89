//! Specimens of the rules on one certificate, for each of the three kinds.

use super::scene::{Scene, compressed_spki, dac_name, paa_name, pai_name, unknown_extension};
use super::{Row, row};
use crate::asn1::{self, integer, sequence, tag};
use crate::certificate::{ExtensionDer, KeyUsage, Profile};
use crate::ids::{ProductId, VendorId};
use crate::name::NameBuilder;
use crate::oid;

/// What is done alike to any of the three.
struct Alike {
    names: [&'static str; 3],
    variant: &'static str,
    what: &'static str,
    depart: [fn(&mut Scene<'_>); 3],
}

macro_rules! alike {
    ($rule:literal, $variant:literal, $what:literal, $depart:expr) => {
        Alike {
            names: [concat!("dac.", $rule), concat!("pai.", $rule), concat!("paa.", $rule)],
            variant: $variant,
            what: $what,
            depart: [
                |scene| ($depart as fn(&mut Scene<'_>, Profile))(scene, Profile::Dac),
                |scene| ($depart as fn(&mut Scene<'_>, Profile))(scene, Profile::Pai),
                |scene| ($depart as fn(&mut Scene<'_>, Profile))(scene, Profile::Paa),
            ],
        }
    };
}

fn usage_of(profile: Profile) -> u16 {
    match profile {
        Profile::Dac => KeyUsage::DIGITAL_SIGNATURE,
        _ => KeyUsage::KEY_CERT_SIGN | KeyUsage::CRL_SIGN,
    }
}

fn constraints_of(profile: Profile) -> Vec<u8> {
    match profile {
        Profile::Dac => sequence(&[]),
        Profile::Pai => sequence(&[&asn1::boolean(true), &integer(&[0])]),
        Profile::Paa => sequence(&[&asn1::boolean(true), &integer(&[1])]),
    }
}

fn alike() -> Vec<Alike> {
    vec![
        alike!("encoding", "", "A BOOLEAN true is written as 01, not FF.", |scene, profile| {
            let usage = ExtensionDer::key_usage(usage_of(profile));
            let at = usage.windows(3).position(|w| w == [1, 1, 0xFF]).unwrap_or(0);
            let mut changed = usage;
            changed[at + 2] = 1;
            scene.planned(profile).replace(oid::KEY_USAGE, changed);
        }),
        alike!("encoding", "trailing", "Two bytes follow the certificate.", |scene, profile| {
            scene.planned(profile).after = |der| [der, vec![0xCA, 0xFE]].concat();
        }),
        alike!("encoding", "long-length", "A length is written in more bytes than needed.", |scene, profile| {
            let fields = &mut scene.planned(profile).fields;
            let content =
                asn1::whole_tlv(&fields.serial).map(|t| t.content.of(&fields.serial).to_vec()).unwrap_or_default();
            fields.serial = [vec![tag::INTEGER, 0x81, content.len() as u8], content].concat();
        }),
        alike!("size", "", "More than 600 bytes.", |scene, profile| {
            let long = asn1::tlv(0x82, "specimen.".repeat(30).trim_end_matches('.').as_bytes());
            let names = ExtensionDer::any(oid::SUBJECT_ALT_NAME, false, &sequence(&[&long]));
            scene.planned(profile).fields.extensions.push(names);
        }),
        alike!("version", "", "Version 2.", |scene, profile| {
            scene.planned(profile).fields.version = asn1::context(0, true, &integer(&[1]));
        }),
        alike!("serial", "", "The serial number is negative.", |scene, profile| {
            scene.planned(profile).fields.serial = asn1::tlv(tag::INTEGER, &[0xD5, 0x01]);
        }),
        alike!("serial", "zero", "The serial number is zero.", |scene, profile| {
            scene.planned(profile).fields.serial = integer(&[0]);
        }),
        alike!("serial", "long", "The serial number has 21 bytes.", |scene, profile| {
            scene.planned(profile).fields.serial = integer(&[0x55; 21]);
        }),
        alike!("signature-algorithm", "", "The algorithm is named with parameters NULL.", |scene, profile| {
            let algorithm = sequence(&[&asn1::oid(oid::ECDSA_SHA256), &asn1::null()]);
            let fields = &mut scene.planned(profile).fields;
            fields.inner_algorithm.clone_from(&algorithm);
            fields.outer_algorithm = algorithm;
        }),
        alike!(
            "signature-algorithm",
            "two",
            "The algorithm named outside differs from the one inside.",
            |scene, profile| {
                scene.planned(profile).fields.outer_algorithm = sequence(&[&asn1::oid(oid::ECDSA_SHA384)]);
            }
        ),
        alike!("public-key", "", "The public key is a compressed point.", |scene, profile| {
            let key = match profile {
                Profile::Dac => &scene.keys.dac,
                Profile::Pai => &scene.keys.pai,
                Profile::Paa => &scene.keys.paa,
            };
            scene.planned(profile).fields.key = compressed_spki(key);
        }),
        alike!("public-key", "off-curve", "The public key is not a point on the curve.", |scene, profile| {
            if let Some(last) = scene.planned(profile).fields.key.last_mut() {
                *last ^= 1;
            }
        }),
        alike!("validity", "", "notBefore is a GeneralizedTime before 2050.", |scene, profile| {
            let start = scene.identity.now.plus(match profile {
                Profile::Dac => -86_400,
                Profile::Pai => -365 * 86_400,
                Profile::Paa => -730 * 86_400,
            });
            let digits: String = start.to_string().chars().filter(char::is_ascii_digit).collect();
            let from = asn1::tlv(tag::GENERALIZED_TIME, format!("{digits}Z").as_bytes());
            let to = crate::moment::NO_END.to_der();
            scene.planned(profile).fields.validity = sequence(&[&from, &to]);
        }),
        alike!("basic-constraints", "", "basicConstraints is missing.", |scene, profile| {
            scene.planned(profile).without(oid::BASIC_CONSTRAINTS);
        }),
        alike!("basic-constraints", "not-critical", "basicConstraints is not critical.", |scene, profile| {
            let value = ExtensionDer::any(oid::BASIC_CONSTRAINTS, false, &constraints_of(profile));
            scene.planned(profile).replace(oid::BASIC_CONSTRAINTS, value);
        }),
        alike!("basic-constraints", "ca", "cA says the opposite of what the certificate is.", |scene, profile| {
            let ca = profile == Profile::Dac;
            scene.planned(profile).replace(oid::BASIC_CONSTRAINTS, ExtensionDer::basic_constraints(ca, None));
        }),
        alike!("basic-constraints", "path", "A wrong pathLenConstraint.", |scene, profile| {
            let value = match profile {
                Profile::Dac => ExtensionDer::any(oid::BASIC_CONSTRAINTS, true, &sequence(&[&integer(&[0])])),
                Profile::Pai => ExtensionDer::basic_constraints(true, None),
                Profile::Paa => ExtensionDer::basic_constraints(true, Some(2)),
            };
            scene.planned(profile).replace(oid::BASIC_CONSTRAINTS, value);
        }),
        alike!("key-usage", "", "keyUsage allows key agreement too.", |scene, profile| {
            let value = ExtensionDer::key_usage(usage_of(profile) | 1 << 4);
            scene.planned(profile).replace(oid::KEY_USAGE, value);
        }),
        alike!("key-usage", "missing", "keyUsage is missing.", |scene, profile| {
            scene.planned(profile).without(oid::KEY_USAGE);
        }),
        alike!("key-usage", "not-critical", "keyUsage is not critical.", |scene, profile| {
            let value = ExtensionDer::any(oid::KEY_USAGE, false, &ExtensionDer::named_bits(usage_of(profile)));
            scene.planned(profile).replace(oid::KEY_USAGE, value);
        }),
        alike!("subject-key-id", "", "subjectKeyIdentifier is missing.", |scene, profile| {
            scene.planned(profile).without(oid::SUBJECT_KEY_ID);
        }),
        alike!("authority-key-id", "critical", "authorityKeyIdentifier is marked critical.", |scene, profile| {
            let id = match profile {
                Profile::Dac => scene.keys.pai.key_id(),
                _ => scene.keys.paa.key_id(),
            };
            let value = sequence(&[&asn1::context(0, false, &id)]);
            scene
                .planned(profile)
                .replace(oid::AUTHORITY_KEY_ID, ExtensionDer::any(oid::AUTHORITY_KEY_ID, true, &value));
        }),
        alike!("extensions", "", "An unknown extension is critical.", |scene, profile| {
            scene.planned(profile).fields.extensions.push(unknown_extension(true));
        }),
        alike!("extensions", "twice", "An extension appears twice.", |scene, profile| {
            let fields = &mut scene.planned(profile).fields;
            let again = fields.extensions[0].clone();
            fields.extensions.push(again);
        }),
        alike!("extensions", "known-critical", "extendedKeyUsage is critical.", |scene, profile| {
            let client_auth = asn1::oid(&[0x2B, 6, 1, 5, 5, 7, 3, 2]);
            let value = ExtensionDer::any(oid::EXTENDED_KEY_USAGE, true, &sequence(&[&client_auth]));
            scene.planned(profile).fields.extensions.push(value);
        }),
    ]
}

/// A commonName that is not UTF-8.
fn garbled() -> Vec<u8> {
    let pair = sequence(&[&asn1::oid(oid::COMMON_NAME), &asn1::tlv(tag::UTF8_STRING, b"Specimen \xFF\xFE")]);
    asn1::set(&[&pair])
}

fn with_garbled(name: NameBuilder) -> Vec<u8> {
    let der = name.build();
    let content = asn1::whole_tlv(&der).map(|t| t.content.of(&der).to_vec()).unwrap_or_default();
    asn1::tlv(tag::SEQUENCE, &[garbled(), content].concat())
}

fn other_product(product: ProductId) -> ProductId {
    ProductId::new(product.get() ^ 1).unwrap_or(product)
}

/// Another test vendor ID.
pub(super) fn other_vendor(vendor: VendorId) -> VendorId {
    VendorId::new(if vendor.get() == 0xFFF4 { 0xFFF3 } else { 0xFFF4 }).unwrap_or(vendor)
}

fn names() -> Vec<Row> {
    vec![
        row("dac.subject", "", "A commonName is not UTF-8.", |s| {
            let name = with_garbled(NameBuilder::new().vendor(s.identity.vendor).product(s.identity.product));
            s.rename(Profile::Dac, &name);
        }),
        row("pai.subject", "", "A commonName is not UTF-8.", |s| {
            let name = with_garbled(NameBuilder::new().vendor(s.identity.vendor));
            s.rename(Profile::Pai, &name);
        })
        .with(&["dac.issuer"]),
        row("paa.subject", "", "A commonName is not UTF-8.", |s| {
            let name = with_garbled(NameBuilder::new().vendor(s.identity.vendor));
            s.rename(Profile::Paa, &name);
        })
        .with(&["pai.issuer"]),
        row("dac.vendor-id", "", "The subject has no vendor ID.", |s| {
            let name = dac_name().product(s.identity.product).build();
            s.rename(Profile::Dac, &name);
        }),
        row("dac.vendor-id", "lower-case", "The vendor ID is in lower case.", |s| {
            let text = s.identity.vendor.to_string().to_lowercase();
            let name =
                dac_name().attribute(oid::VENDOR_ID, tag::UTF8_STRING, &text).product(s.identity.product).build();
            s.rename(Profile::Dac, &name);
        }),
        row("dac.vendor-id", "twice", "The subject has two vendor IDs.", |s| {
            let name =
                dac_name().vendor(s.identity.vendor).vendor(s.identity.vendor).product(s.identity.product).build();
            s.rename(Profile::Dac, &name);
        }),
        row("dac.vendor-id", "fallback", "\"Mvid:\" is followed by three digits only.", |s| {
            let name =
                NameBuilder::new().common_name(&format!("Specimen Mvid:FF1 Mpid:{}", s.identity.product)).build();
            s.rename(Profile::Dac, &name);
        }),
        row("pai.vendor-id", "", "The subject has no vendor ID.", |s| s.rename(Profile::Pai, &pai_name().build()))
            .with(&["dac.issuer"]),
        row("paa.vendor-id", "", "The subject has two vendor IDs.", |s| {
            let name = paa_name().vendor(s.identity.vendor).vendor(other_vendor(s.identity.vendor)).build();
            s.rename(Profile::Paa, &name);
        })
        .with(&["pai.issuer"]),
        row("dac.product-id", "", "The subject has no product ID.", |s| {
            let name = dac_name().vendor(s.identity.vendor).build();
            s.rename(Profile::Dac, &name);
        }),
        row("dac.product-id", "fallback", "A blank is between \"Mpid:\" and its digits.", |s| {
            let (vendor, product) = (s.identity.vendor, s.identity.product);
            let name = NameBuilder::new().common_name(&format!("Specimen Mvid:{vendor} Mpid: {product}")).build();
            s.rename(Profile::Dac, &name);
        }),
        row("pai.product-id", "", "The subject has two product IDs.", |s| {
            let (vendor, product) = (s.identity.vendor, s.identity.product);
            let name = pai_name().vendor(vendor).product(product).product(other_product(product)).build();
            s.rename(Profile::Pai, &name);
        })
        .with(&["dac.issuer"]),
        row("paa.product-id", "", "A PAA's subject has a product ID.", |s| {
            let name = paa_name().vendor(s.identity.vendor).product(s.identity.product).build();
            s.rename(Profile::Paa, &name);
        }),
        row("dac.issuer", "", "The issuer's name has no vendor ID.", |s| s.dac.fields.issuer = pai_name().build())
            .with(&["chain.issuer-name"]),
        row("pai.issuer", "", "The issuer's name is empty.", |s| s.pai.fields.issuer = NameBuilder::new().build())
            .with(&["chain.issuer-name"]),
        row("paa.issuer", "", "The issuer is not the subject.", |s| {
            s.paa.fields.issuer = NameBuilder::new().common_name("Specimen Root of Another").build();
        }),
        row("dac.basic-constraints", "spelled", "cA FALSE is spelled out.", |s| {
            let value = ExtensionDer::any(oid::BASIC_CONSTRAINTS, true, &sequence(&[&asn1::boolean(false)]));
            s.dac.replace(oid::BASIC_CONSTRAINTS, value);
        }),
        row("dac.subject-key-id", "short", "subjectKeyIdentifier has 8 bytes.", |s| {
            s.dac.replace(oid::SUBJECT_KEY_ID, ExtensionDer::subject_key_id(&[0x40; 8]));
        }),
        row("dac.authority-key-id", "", "authorityKeyIdentifier is missing.", |s| s.dac.without(oid::AUTHORITY_KEY_ID)),
        row("pai.authority-key-id", "", "authorityKeyIdentifier is missing.", |s| s.pai.without(oid::AUTHORITY_KEY_ID)),
        row("paa.authority-key-id", "", "authorityKeyIdentifier is that of another key.", |s| {
            let other = s.keys.stranger.key_id();
            s.paa.replace(oid::AUTHORITY_KEY_ID, ExtensionDer::authority_key_id(&other));
        }),
    ]
}

pub(super) fn rows() -> Vec<Row> {
    let mut rows = Vec::new();
    for alike in alike() {
        for (rule, depart) in alike.names.into_iter().zip(alike.depart) {
            rows.push(row(rule, alike.variant, alike.what, depart));
        }
    }
    rows.extend(names());
    rows
}
