//! Rules on a certification declaration. Source: Core Spec 6.3, 6.2.3.1.

super::rules! {
    TABLE:
    ENCODING = "declaration.encoding", Error, "Core Spec 6.3.1; RFC 5652 §3";
        "CMS in DER, and in it one TLV structure, with nothing after either.";
        "A strict reader refuses it. Ask for the declaration as it was issued, as a binary file.";
    STRUCTURE = "declaration.structure", Error, "Core Spec 6.3.1; RFC 5652 §5";
        "Signed data of version 3 with one signer by key identifier, SHA-256, ecdsa-with-SHA256, no attributes, no certificates, no lists.";
        "A tool with other settings made it. Ask for one in the standard's profile.";
    SIGNER = "declaration.signer", Error, "Core Spec 6.3.1";
        "The signer is one that the verifier trusts.";
        "Get the signer's certificate through a separate, trusted channel and give it with --signer. A production signer differs from a test signer.";
    SIGNATURE = "declaration.signature", Error, "Core Spec 6.3.1; RFC 5652 §5.6";
        "The signature is the signer's over the content.";
        "It was changed, or another key signed it. Ask for the declaration as it was issued.";
    ELEMENTS = "declaration.elements", Error, "Core Spec 6.3.1";
        "Elements 0 to 8, then 9 and 10, then 11, each of its type, in this order, none repeated, no others.";
        "Devices and verifiers read it by position and tag. Ask for one that follows the standard.";
    FORMAT_VERSION = "declaration.format-version", Error, "Core Spec 6.3.1";
        "format_version is 1.";
        "Verifiers accept no other version. Ask for a declaration of format version 1.";
    VENDOR_ID = "declaration.vendor-id", Error, "Core Spec 6.3.1, 6.2.3.1";
        "vendor_id is a device's vendor ID, and the one this device reports.";
        "The declaration is for another vendor's device, or the device reports the wrong one. Check both.";
    PRODUCT_LIST = "declaration.product-list", Error, "Core Spec 6.3.1, 6.2.3.1";
        "product_id_array has 1 to 100 product IDs, and includes the one this device reports.";
        "The declaration does not cover this product. Ask for one that lists it.";
    DEVICE_TYPE = "declaration.device-type", Error, "Core Spec 6.3.1";
        "device_type_id is a device type of 32 bits.";
        "Ask for a declaration with the device type of the certified product.";
    CERTIFICATE_ID = "declaration.certificate-id", Error, "Core Spec 6.3.1";
        "certificate_id has exactly 19 bytes in UTF-8 and no control character.";
        "It is the number under which the product was certified. Ask for a declaration that has it.";
    SECURITY = "declaration.security", Warning, "Core Spec 6.3.1";
        "security_level and security_information are 0.";
        "They are reserved, and verifiers ignore them today. Ask whether this was intended.";
    CERTIFICATION_TYPE = "declaration.certification-type", Error, "Core Spec 6.3.1";
        "certification_type is 0 (development and test), 1 (provisional) or 2 (official).";
        "Ask for a declaration of a known type.";
    ORIGIN = "declaration.origin", Error, "Core Spec 6.3.1";
        "dac_origin_vendor_id and dac_origin_product_id are both present or both absent, each a value that a device may have.";
        "Ask for a declaration with both, or with neither.";
    AUTHORITY_LIST = "declaration.authority-list", Error, "Core Spec 6.3.1";
        "authorized_paa_list, if present, has 1 to 10 key identifiers of 20 bytes.";
        "Ask for a declaration with the subject key identifiers of the intended PAAs.";
    DAC_VENDOR = "declaration.dac-vendor", Error, "Core Spec 6.2.3.1";
        "The DAC's vendor ID is dac_origin_vendor_id or, without that, vendor_id.";
        "Declaration and certificate do not belong together. Check which of them belongs to this product.";
    DAC_PRODUCT = "declaration.dac-product", Error, "Core Spec 6.2.3.1";
        "The DAC's product ID is dac_origin_product_id or, without that, in product_id_array.";
        "Declaration and certificate do not belong together. Check which of them belongs to this product.";
    AUTHORITY = "declaration.authority", Error, "Core Spec 6.2.3.1";
        "authorized_paa_list, if present, has the key identifier of the chain's PAA.";
        "The declaration allows other authorities only. Use certificates from one of those, or ask for another declaration.";
}
