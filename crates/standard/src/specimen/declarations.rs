//! Specimens of the rules on a declaration.

use super::certificates::other_vendor;
use super::scene::Scene;
use super::{Row, row};
use crate::asn1::integer;
use crate::ids::ProductId;
use crate::tlv::{Container, Tag, Writer};
use crate::verdict::Severity;

/// What a specimen writes otherwise than the valid set.
struct Elements {
    format_version: u64,
    device_type: u64,
    certificate_id: &'static str,
    security_level: u64,
    certification_type: u64,
    origin_vendor: Option<u64>,
    origin_product: Option<u64>,
    authorities: Vec<Vec<u8>>,
    products: usize,
    extra: bool,
    swapped: bool,
}

impl Default for Elements {
    fn default() -> Self {
        Self {
            format_version: 1,
            device_type: 0x0202,
            certificate_id: "SPECIMEN-00000000-1",
            security_level: 0,
            certification_type: 0,
            origin_vendor: None,
            origin_product: None,
            authorities: Vec::new(),
            products: 1,
            extra: false,
            swapped: false,
        }
    }
}

/// Writes the content with those elements. The exchange carries it along.
fn write(scene: &mut Scene<'_>, e: &Elements) {
    let c = Tag::Context;
    let mut w = Writer::new();
    w.open(Tag::Anonymous, Container::Structure);
    w.unsigned(c(0), e.format_version).unsigned(c(1), scene.identity.vendor.get().into());
    w.open(c(2), Container::Array);
    for _ in 0..e.products {
        w.unsigned(Tag::Anonymous, scene.identity.product.get().into());
    }
    w.close();
    if e.swapped {
        w.utf8(c(4), e.certificate_id).unsigned(c(3), e.device_type);
    } else {
        w.unsigned(c(3), e.device_type).utf8(c(4), e.certificate_id);
    }
    w.unsigned(c(5), e.security_level).unsigned(c(6), 0).unsigned(c(7), 1).unsigned(c(8), e.certification_type);
    if let Some(vendor) = e.origin_vendor {
        w.unsigned(c(9), vendor);
    }
    if let Some(product) = e.origin_product {
        w.unsigned(c(10), product);
    }
    if !e.authorities.is_empty() {
        w.open(c(11), Container::Array);
        for id in &e.authorities {
            w.octets(Tag::Anonymous, id);
        }
        w.close();
    }
    if e.extra {
        w.unsigned(c(12), 1);
    }
    w.close();
    scene.content = Some(w.finish());
}

fn other(product: ProductId) -> ProductId {
    ProductId::new(product.get() ^ 1).unwrap_or(product)
}

pub(super) fn rows() -> Vec<Row> {
    vec![
        row("declaration.encoding", "", "Two bytes follow the declaration.", |s| {
            s.after_declaration = |der| [der, vec![0xCA, 0xFE]].concat();
        }),
        row("declaration.encoding", "content", "The content ends in the middle of an element.", |s| {
            s.content = s.declaration.encode().ok().map(|tlv| tlv[..tlv.len() - 3].to_vec());
        }),
        row("declaration.structure", "", "The signed data is of version 1.", |s| {
            s.signed = |data, _| data.version = integer(&[1]);
        }),
        row("declaration.structure", "certificate", "It carries the signer's certificate.", |s| {
            s.signed = |data, scene| {
                data.optional =
                    crate::asn1::context(0, true, &scene.pai.fields.sign(scene.pai.signer).unwrap_or_default());
            };
        }),
        row("declaration.structure", "content-type", "The content type is not id-data.", |s| {
            s.signed = |data, _| data.content_type = crate::asn1::oid(crate::oid::ID_SIGNED_DATA);
        }),
        row("declaration.signer", "", "Its signer is not trusted.", |s| s.declaration_signer = &s.keys.stranger),
        row("declaration.signature", "", "The signature is by another key than the named signer's.", |s| {
            s.declaration_signer = &s.keys.stranger;
            s.signed = |data, scene| data.signer_id = crate::asn1::context(0, false, &scene.keys.signer.key_id());
        }),
        row("declaration.elements", "", "It has an element 12.", |s| {
            write(s, &Elements { extra: true, ..Elements::default() })
        }),
        row("declaration.elements", "order", "Elements 3 and 4 are in the wrong order.", |s| {
            write(s, &Elements { swapped: true, ..Elements::default() });
        }),
        row("declaration.format-version", "", "format_version is 2.", |s| {
            write(s, &Elements { format_version: 2, ..Elements::default() });
        }),
        row("declaration.vendor-id", "", "It is for another vendor's device.", |s| {
            s.declaration.origin = Some((s.identity.vendor, s.identity.product));
            s.declaration.vendor = other_vendor(s.identity.vendor);
        }),
        row("declaration.product-list", "", "It does not name the product.", |s| {
            s.declaration.origin = Some((s.identity.vendor, s.identity.product));
            s.declaration.products = vec![other(s.identity.product)];
        }),
        row("declaration.product-list", "long", "It names 101 products.", |s| {
            write(s, &Elements { products: 101, ..Elements::default() });
            // So long a list does not fit an exchange.
            s.exchange = None;
        }),
        row("declaration.device-type", "", "The device type takes more than 32 bits.", |s| {
            write(s, &Elements { device_type: 0x1_0000_0202, ..Elements::default() });
        }),
        row("declaration.certificate-id", "", "The certificate id has 18 characters.", |s| {
            write(s, &Elements { certificate_id: "SPECIMEN-0000000-1", ..Elements::default() });
        }),
        row("declaration.security", "", "security_level is 1.", |s| {
            s.severity = Severity::Warning;
            write(s, &Elements { security_level: 1, ..Elements::default() });
        }),
        row("declaration.certification-type", "", "The certification type is 3.", |s| {
            write(s, &Elements { certification_type: 3, ..Elements::default() });
        }),
        row("declaration.origin", "", "dac_origin_vendor_id is present alone.", |s| {
            let vendor = s.identity.vendor.get().into();
            write(s, &Elements { origin_vendor: Some(vendor), ..Elements::default() });
        }),
        row("declaration.authority-list", "", "An entry of the list has 19 bytes.", |s| {
            let own = s.keys.paa.key_id().to_vec();
            write(s, &Elements { authorities: vec![own, vec![0x55; 19]], ..Elements::default() });
        }),
        row("declaration.dac-vendor", "", "The DAC's vendor is not the one of origin.", |s| {
            s.declaration.origin = Some((other_vendor(s.identity.vendor), s.identity.product));
        }),
        row("declaration.dac-product", "", "The DAC's product is not the one of origin.", |s| {
            s.declaration.origin = Some((s.identity.vendor, other(s.identity.product)));
        }),
        row("declaration.authority", "", "It allows other authorities only.", |s| {
            s.declaration.authorities = vec![s.keys.stranger.key_id()];
        }),
    ]
}
