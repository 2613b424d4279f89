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
    SCOPE = "revocation.scope", Error, "RFC 5280 §5.2.5, §5.3.3";
        "It covers every certificate that its issuer issues, revoked for any reason. Entries of other issuers name them, and the list is then marked as indirect.";
        "A certificate that it does not cover may be revoked all the same. Get a list that covers all of them.";
    DELTA = "revocation.delta", Error, "RFC 5280 §5.2.4, §5.3.1";
        "A complete list; one of changes alone has deltaCRLIndicator, and only there an entry takes a certificate off again.";
        "Get the complete list. What this one revokes stays revoked; what it takes off stays revoked until a complete list leaves it out.";
    DROPPED = "revocation.dropped", Warning, "RFC 5280 §3.3";
        "A certificate that was revoked stays on the lists of its issuer until it has expired; only a hold is ever lifted.";
        "Ask the issuer whether it left them out on purpose. What this site has marked as revoked stays revoked; other units with these certificates are accepted again.";
    CRITICAL_ENTRY = "revocation.critical-entry", Error, "RFC 5280 §5.3";
        "No entry carries a critical extension that this program does not know.";
        "The list can't show that a certificate is good; what it revokes stays revoked. Ask its issuer for a list without that extension.";
}
