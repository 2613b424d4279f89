//! The checks behind the rules on a declaration.

use super::catalogue::declaration as rules;
use super::certificate::{der_only, shown};
use super::{Finding, Report, Severity};
use crate::certificate::Certificate;
use crate::declaration::{Content, Declaration};
use crate::ids::{ProductId, VendorId};
use crate::key::PublicKey;

/// What the device says it is.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Device {
    /// Vendor ID, where told.
    pub vendor: Option<VendorId>,
    /// Product ID, where told.
    pub product: Option<ProductId>,
    /// Whether a declaration stands between device and DAC; then the two are
    /// compared with it and not with each other (Core Spec 6.2.3.1).
    pub by_declaration: bool,
}

/// Somebody who may have signed a declaration.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SignerKey {
    pub key_id: Vec<u8>,
    pub key: PublicKey,
    /// Whether declarations signed by it are trusted.
    pub trusted: bool,
}

/// Judges a declaration by itself: encoding, profile, signer, signature, content.
///
/// - `signers`: keys at hand; where none of them is trusted, none was named,
///   and an unknown signer weighs as a warning.
pub fn judge_declaration(declaration: &Declaration, signers: &[SignerKey], report: &mut Report) {
    der_only(&declaration.departures, declaration.trailing, &rules::ENCODING, report);
    if let Err(fault) = &declaration.fields {
        report.found(&rules::ENCODING, format!("its content is not TLV: {fault}"));
    }
    for fault in &declaration.structure {
        report.found(&rules::STRUCTURE, fault.clone());
    }
    signed(declaration, signers, report);
    if let Ok(content) = &declaration.fields {
        judge_content(content, report);
    }
}

fn signed(declaration: &Declaration, signers: &[SignerKey], report: &mut Report) {
    let named = declaration.signer_key_id();
    let by_name: Vec<_> = signers.iter().filter(|s| named == Some(s.key_id.as_slice())).collect();
    let trust_named = signers.iter().any(|s| s.trusted);
    let unknown = |found: String| {
        let finding = Finding::new(&rules::SIGNER, found);
        if trust_named { finding } else { finding.weighing(Severity::Warning) }
    };
    if by_name.is_empty() {
        let id = named.map_or_else(|| "no key identifier".into(), |id| format!("key identifier {}", shown(id)));
        match signers.iter().find(|s| s.trusted && declaration.is_signed_by(&s.key)) {
            // The profile's breach is told by `declaration.structure`.
            Some(_) if named.is_none() => {}
            Some(signer) => report.add(unknown(format!("{id}, though {} signed it", shown(&signer.key_id)))),
            None => report.add(unknown(format!("{id}, which is none of the given signers"))),
        }
        return;
    }
    if !by_name.iter().any(|s| s.trusted) {
        report.add(unknown(format!(
            "key identifier {}, which is given but not named as trusted",
            shown(named.unwrap_or_default())
        )));
    }
    if !by_name.iter().any(|s| declaration.is_signed_by(&s.key)) {
        report.found(&rules::SIGNATURE, "a signature that is not by the signer over this content");
    }
}

fn judge_content(content: &Content, report: &mut Report) {
    for fault in &content.faults {
        report.found(&rules::ELEMENTS, fault.clone());
    }
    if let Some(version) = content.format_version.filter(|v| *v != 1) {
        report.found(&rules::FORMAT_VERSION, version.to_string());
    }
    if let (Some(id), None) = (content.vendor_id, content.vendor()) {
        report.found(&rules::VENDOR_ID, format!("{id:04X}, which no device carries"));
    }
    if let Some(ids) = &content.product_id_array {
        if !(1..=100).contains(&content.product_count) {
            report.found(&rules::PRODUCT_LIST, format!("{} product IDs", content.product_count));
        }
        for id in ids.iter().filter(|id| **id == 0 || **id > 0xFFFF) {
            report.found(&rules::PRODUCT_LIST, format!("{id:04X}, which no device carries"));
        }
    }
    if let Some(kind) = content.device_type_id.filter(|t| *t > 0xFFFF_FFFF) {
        report.found(&rules::DEVICE_TYPE, format!("{kind:X}, more than 32 bits"));
    }
    if let Some(id) = &content.certificate_id {
        let start: String = id.chars().take(40).collect();
        if id.len() != 19 {
            report.found(&rules::CERTIFICATE_ID, format!("{start:?}, {} bytes in UTF-8", id.len()));
        }
        if id.chars().any(char::is_control) {
            report.found(&rules::CERTIFICATE_ID, format!("{start:?}, with a control character"));
        }
    }
    if let Some(level) = content.security_level.filter(|l| *l != 0) {
        report.found(&rules::SECURITY, format!("security_level {level}"));
    }
    if let Some(information) = content.security_information.filter(|i| *i != 0) {
        report.found(&rules::SECURITY, format!("security_information {information}"));
    }
    if let Some(number) = content.version_number.filter(|n| *n > 0xFFFF) {
        report.found(&rules::ELEMENTS, format!("element 7 version_number is {number}, more than 16 bits"));
    }
    for (name, value, bits) in
        [("5 security_level", content.security_level, 8), ("6 security_information", content.security_information, 16)]
    {
        if let Some(number) = value.filter(|n| *n >> bits != 0) {
            report.found(&rules::ELEMENTS, format!("element {name} is {number}, more than {bits} bits"));
        }
    }
    match content.certification_type {
        None => {}
        Some(2) => official(content, report),
        Some(0) => note(report, "0, development and test", "Fine on the desk. Do not ship anything with it."),
        Some(1) => note(report, "1, provisional", "Ask the alliance when the official one will be issued."),
        Some(other) => report.found(&rules::CERTIFICATION_TYPE, other.to_string()),
    }
    match (content.dac_origin_vendor_id, content.dac_origin_product_id) {
        (None, None) => {}
        (Some(vendor), Some(product)) => {
            if u16::try_from(vendor).ok().and_then(|v| VendorId::new(v).ok()).is_none() {
                report.found(&rules::ORIGIN, format!("dac_origin_vendor_id {vendor:04X}, which no device carries"));
            }
            if product == 0 || product > 0xFFFF {
                report.found(&rules::ORIGIN, format!("dac_origin_product_id {product:04X}, which no device carries"));
            }
        }
        (Some(_), None) => report.found(&rules::ORIGIN, "dac_origin_vendor_id alone"),
        (None, Some(_)) => report.found(&rules::ORIGIN, "dac_origin_product_id alone"),
    }
    if let Some(ids) = &content.authorized_paa_list {
        if !(1..=10).contains(&content.authority_count) {
            report.found(&rules::AUTHORITY_LIST, format!("{} entries", content.authority_count));
        }
        for id in ids.iter().filter(|id| id.len() != 20) {
            report.found(&rules::AUTHORITY_LIST, format!("an entry of {} bytes, {}", id.len(), shown(id)));
        }
    }
}

fn note(report: &mut Report, found: &str, advice: &'static str) {
    report.add(Finding::new(&rules::CERTIFICATION_TYPE, found).weighing(Severity::Note).advising(advice));
}

/// An official declaration names no identities that are for testing.
fn official(content: &Content, report: &mut Report) {
    let ids = [("vendor_id", content.vendor_id), ("dac_origin_vendor_id", content.dac_origin_vendor_id)];
    for (name, id) in ids {
        let Some(id) = id.and_then(|id| VendorId::new(u16::try_from(id).ok()?).ok()).filter(|id| id.is_test()) else {
            continue;
        };
        let finding = Finding::new(&rules::CERTIFICATION_TYPE, format!("2, official, for the test {name} {id}"));
        report.add(
            finding
                .weighing(Severity::Warning)
                .requiring("An official declaration is for vendor IDs that the alliance assigned.")
                .advising("Ask whoever issued it: nothing with a test identity may be shipped."),
        );
    }
}

/// Judges a declaration against a device: what it says it is, its DAC, its PAA.
///
/// Each may be missing; then what needs it is passed over. Where the device
/// does not say what it is and the declaration names no other origin, its DAC
/// says it.
pub fn judge_pairing(
    content: &Content,
    device: &Device,
    dac: Option<&Certificate>,
    paa: Option<&Certificate>,
    report: &mut Report,
) {
    let identity = dac.map(|d| &d.subject.identity);
    let (dac_vendor, dac_product) = (identity.and_then(|i| i.vendor()), identity.and_then(|i| i.product()));
    let origin = content.dac_origin_vendor_id.is_some() || content.dac_origin_product_id.is_some();
    let by_dac = |told| if origin { None } else { told };
    let said = |told: bool| if told { "what the device reports" } else { "the device's, by its DAC" };

    if let (Some(required), Some(_), Some(found)) =
        (device.vendor.or_else(|| by_dac(dac_vendor)), content.vendor(), content.vendor_id)
        && u64::from(required.get()) != found
    {
        let whose = said(device.vendor.is_some());
        report.add(Finding::new(&rules::VENDOR_ID, format!("{found:04X}")).requiring(format!("{required}, {whose}.")));
    }
    let product = device.product.or(if origin { None } else { dac_product });
    if let (Some(required), Some(ids)) = (product, &content.product_id_array)
        && !content.names_product(required)
        && !ids.is_empty()
    {
        let whose = said(device.product.is_some());
        report.add(
            Finding::new(&rules::PRODUCT_LIST, listed(ids)).requiring(format!("{required} in the list: {whose}.")),
        );
    }

    let required = if origin { content.dac_origin_vendor_id } else { content.vendor_id };
    if let (Some(found), Some(required)) = (dac_vendor, required)
        && u64::from(found.get()) != required
    {
        let which = if origin { "dac_origin_vendor_id" } else { "vendor_id" };
        let finding = Finding::new(&rules::DAC_VENDOR, format!("{found} in the DAC"));
        report.add(finding.requiring(format!("{required:04X}, the declaration's {which}.")));
    }
    if let Some(found) = dac_product {
        let refused = if origin {
            content
                .dac_origin_product_id
                .filter(|r| *r != u64::from(found.get()))
                .map(|r| format!("{r:04X}, the declaration's dac_origin_product_id."))
        } else {
            content
                .product_id_array
                .as_ref()
                .filter(|ids| !ids.is_empty() && !content.names_product(found))
                .map(|ids| format!("One of {}, the declaration's product_id_array.", listed(ids)))
        };
        if let Some(required) = refused {
            report.add(Finding::new(&rules::DAC_PRODUCT, format!("{found} in the DAC")).requiring(required));
        }
    }
    if let (Some(ids), Some(paa)) = (&content.authorized_paa_list, paa)
        && let Some(own) = paa.subject_key_id()
        && !ids.is_empty()
        && !ids.iter().any(|id| id == own)
    {
        let list: Vec<_> = ids.iter().take(10).map(|id| shown(id)).collect();
        let finding = Finding::new(&rules::AUTHORITY, format!("{}, the chain's PAA", shown(own)));
        report.add(finding.requiring(format!("One of {}.", list.join(", "))));
    }
}

fn listed(ids: &[u64]) -> String {
    let mut words: Vec<_> = ids.iter().take(8).map(|id| format!("{id:04X}")).collect();
    if ids.len() > 8 {
        words.push(format!("{} more", ids.len() - 8));
    }
    words.join(", ")
}
