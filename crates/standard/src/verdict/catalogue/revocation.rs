//! Rules on a revocation list. Source: Core Spec 6.2.4; RFC 5280 §5.

super::rules! {
    TABLE:
    ENCODING = "revocation.encoding", Error, "RFC 5280 §5.1";
        "One list of version 2 in DER, no unknown critical extension, and nothing after it.";
        "Verifiers ignore a list they can't read, so what it revokes stays in use. Download or issue it again.";
    SIGNATURE = "revocation.signature", Error, "Core Spec 6.2.4; RFC 5280 §6.3.3 (g)";
        "ecdsa-with-SHA256 by the issuer, with the same name inside and outside the signed part.";
        "Do not use it. Download the list again from where its issuer publishes it.";
    ISSUER = "revocation.issuer", Error, "Core Spec 6.2.4; RFC 5280 §6.3.3 (f)";
        "Issued by the PAI or PAA whose certificates it lists, or by a list signer that one of them appointed; it has authorityKeyIdentifier.";
        "Also give the certificate of the list's issuer.";
    NUMBER = "revocation.number", Error, "RFC 5280 §5.2.3";
        "cRLNumber is present, not critical, not negative, at most 20 bytes.";
        "Without it, it is unknown which of two lists is newer. Have it issued again.";
    DATES = "revocation.dates", Error, "RFC 5280 §5.1.2.4, §5.1.2.5";
        "thisUpdate is in the past and nextUpdate in the future.";
        "Download the current list.";
}
