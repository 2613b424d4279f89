//! Rules across a chain. Source: Core Spec 6.2.3.1 over RFC 5280 §6.1.

super::rules! {
    TABLE:
    LENGTH = "chain.length", Error, "Core Spec 6.2.3.1";
        "Exactly three certificates: PAA, PAI, DAC.";
        "Verifiers accept no shorter and no longer chain. A PAI must issue the DAC, and a PAA the PAI.";
    COMPLETE = "chain.complete", Error, "RFC 5280 §6.1";
        "Every issuer up to the PAA is available.";
        "Give the missing certificate too. Ask the authority for the PAI that issued these.";
    ISSUER_NAME = "chain.issuer-name", Error, "RFC 5280 §6.1.3, §7.1";
        "The issuer's name equals the subject of the certificate that issued it, byte for byte.";
        "The names differ. Ask the authority under which certificate it issued this one.";
    KEY_ID = "chain.key-id", Error, "Core Spec 6.2.2.3; RFC 5280 §4.2.1.1";
        "authorityKeyIdentifier equals the issuer's subjectKeyIdentifier.";
        "It refers to another key. Ask the authority whether it sent the right PAI.";
    SIGNATURE = "chain.signature", Error, "RFC 5280 §6.1.3";
        "The signature is the issuer's.";
        "Somebody else signed it, or it was changed afterwards. Do not use it. Ask the authority through a channel that you trust.";
    VALIDITY = "chain.validity", Error, "Core Spec 6.2.3.1; RFC 5280 §6.1.3";
        "PAI and PAA are valid at the DAC's notBefore.";
        "The DAC was issued outside its issuer's validity. Ask the authority for one issued within it.";
    VENDOR_ID = "chain.vendor-id", Error, "Core Spec 6.2.3.1";
        "The DAC's vendor ID is the PAI's, and the PAA's where that has one; and the one the device reports.";
        "The chain is for another vendor. Check that the right PAI and the right order were used.";
    PRODUCT_ID = "chain.product-id", Error, "Core Spec 6.2.3.1";
        "The DAC's product ID is the PAI's where that has one, and the one the device reports.";
        "The chain is for another product. Check that the right PAI and the right order were used.";
    ANCHOR = "chain.anchor", Error, "Core Spec 6.2.3.1; RFC 5280 §6.1.1";
        "The chain ends at a PAA that is trusted.";
        "A PAA that came with the certificates proves nothing. Get it through a separate, trusted channel, compare it, and trust that one.";
    REVOKED = "chain.revoked", Error, "Core Spec 6.2.4; RFC 5280 §6.3";
        "No certificate of the chain is on its issuer's revocation list.";
        "Verifiers refuse it. Put the unit aside and ask the authority why it was revoked.";
    TEST_IDENTITY = "chain.test-identity", Note, "Core Spec 2.5.2";
        "Vendor IDs FFF1 to FFF4 are for testing only.";
        "Fine on the desk. Do not ship anything with this identity.";
    SAME_KEY = "chain.same-key", Warning, "Core Spec 6.2.2; NIST SP 800-57 part 1 §5.2";
        "Each certificate of a chain has a key of its own.";
        "Whoever holds that key can issue certificates. Ask the authority: one of the two was made for the wrong key.";
}
