//! Rules on what arrives, reels and deliveries, and on the orders between them. Ours: no standard gives them,
//! common practice of receiving inspection does.

super::rules! {
    REEL:
    REEL_FORMAT = "reel.format", Error, "RFC 4180; RFC 8259";
        "A manifest of chips: CSV with a line that names the columns, JSON, or one public key or certificate for each chip.";
        "Ask the chip maker for the original manifest; this copy may be cut off.";
    REEL_COLUMN = "reel.column", Error, "common practice, no source";
        "Every line gives a chip id in hexadecimal digits and a public key.";
        "Ask the chip maker for the missing values.";
    REEL_KEY = "reel.key", Error, "RFC 5480 §2.2; SP 800-56A 5.6.2.3.4";
        "The public key is a point of the curve P-256, in hex, base 64, PEM or DER.";
        "No certificate can be issued for it. Ask the chip maker; set the chip aside.";
    REEL_DUPLICATE_CHIP = "reel.duplicate-chip", Error, "common practice, no source";
        "A chip id appears once, on the reel and at the site.";
        "Ask the chip maker which of the two is right.";
    REEL_DUPLICATE_KEY = "reel.duplicate-key", Error, "common practice, no source";
        "A public key belongs to one chip, on the reel and at the site.";
        "Two chips with one key are clones, and neither proves anything. Stop and ask the chip maker.";
    REEL_ID_LENGTH = "reel.id-length", Warning, "common practice, no source";
        "The chip ids of a reel have the same number of digits.";
        "A digit may be lost, as where a spreadsheet drops the zeros in front. Compare the id with the chip maker's file or the chip itself. If it is wrong, withdraw the reel and receive the right manifest.";
    REEL_FROM_CERTIFICATES = "reel.from-certificates", Warning, "common practice, no source";
        "The chips' keys come from the chip maker, and the certificates are checked against them.";
        "The check of keys against the chip maker's manifest is void: each certificate of this delivery will match. Compare the reel with the chip maker's manifest before you use it.";
}

super::rules! {
    DELIVERY:
    DELIVERY_FORMAT = "delivery.format", Error, "common practice, no source";
        "Every entry can be read: certificates in DER, PEM or PKCS #7, with notes and digests.";
        "Ask the authority for the entry again.";
    DELIVERY_PATH = "delivery.path", Error, "common practice, no source";
        "No entry's name leads out of the archive.";
        "No honest archive contains such a name. Do not open it with another program; ask the authority.";
    DELIVERY_SIZE = "delivery.size", Error, "common practice, no source";
        "Entries are as large as certificates are.";
        "Nothing was expanded. Ask the authority what it is.";
    DELIVERY_PASSWORD = "delivery.password", Error, "common practice, no source";
        "A protected archive opens with the password given.";
        "Ask the authority for the password, through another channel than the archive.";
    DELIVERY_CHECKSUM = "delivery.checksum", Error, "FIPS 180-4";
        "Every file that a list of SHA-256 checksums names is in the delivery, as it was when the list was made.";
        "It was lost or changed on the way, or the list is older than the file. Nothing of a changed file is kept. Ask the authority for the file again.";
    DELIVERY_PRIVATE_KEY = "delivery.private-key", Error, "common practice, no source";
        "A private key never leaves its chip, and no delivery holds one.";
        "The key is exposed: anybody on the way may have it. Never use its chip or a certificate for it, have the certificate revoked, and ask the authority how it came to have the key.";
    DELIVERY_INTERMEDIATE = "delivery.intermediate-not-current", Warning, "RFC 5280 §4.1.2.5";
        "The intermediate that comes with a delivery is valid now.";
        "Verifiers judge a chain at its DAC's notBefore and take it. Ask the authority whether it has issued this intermediate again, before its certificates go into units.";
    DELIVERY_INTERMEDIATE_AGAIN = "delivery.intermediate-again", Warning, "common practice, no source";
        "Certificates that are here already keep the intermediate that they came with.";
        "Their units get the certificate of the intermediate that is in the book. For this one, withdraw the delivery that brought them, before its first unit, with `touchmark delivery withdraw`, and receive this delivery then.";
    DELIVERY_LIST = "delivery.revocation-list", Warning, "RFC 5280 §5";
        "Certificates that the authority has revoked are not delivered.";
        "The list was not applied, and certificates of this delivery may be on it. Adopt it with `touchmark revocation adopt FILE`.";
    DELIVERY_OTHER_PRODUCT = "delivery.other-product", Error, "common practice, no source";
        "The reel is received for the product that its certificates are for.";
        "Receive the reel for the product that its certificates are for.";
    DELIVERY_OTHER_REEL = "delivery.other-reel", Error, "common practice, no source";
        "A delivery is for the reel that it is received for.";
        "Receive it for the reel that it belongs to.";
    DELIVERY_STRANGER = "delivery.stranger", Error, "common practice, no source";
        "Every DAC is for the key of a chip on the reel.";
        "It is for a chip of another reel, or for no chip of yours, or the reel's manifest was short. Compare the chips of the reel with the order; otherwise ask the authority which order it belongs to.";
    DELIVERY_GAP = "delivery.gap", Error, "common practice, no source";
        "Every chip of the reel has a DAC.";
        "Ask the authority for the missing ones.";
    DELIVERY_NOT_ISSUED = "delivery.not-issued", Error, "RFC 7030 §4.2.3";
        "An authority that is asked online answers each request with a certificate.";
        "These are the authority's own words. Resolve the reason with the authority, then run the command again: only the chips without a certificate are requested.";
    DELIVERY_DOUBLE = "delivery.double", Error, "common practice, no source";
        "A chip has one DAC.";
        "Ask the authority which one counts, and have the other revoked. Neither is kept.";
    DELIVERY_SERIAL = "delivery.serial", Error, "RFC 5280 §4.1.2.2";
        "A serial number appears once per issuer, in the delivery and at the site.";
        "A revocation list could not distinguish the two. Ask the authority to issue one of them again.";
    DELIVERY_KEY_REUSE = "delivery.key-reuse", Error, "common practice, no source";
        "A key has one credential at the site.";
        "The chip already has its DAC. Ask the authority why there is a second one.";
    DELIVERY_PRODUCT = "delivery.product", Error, "Core Spec 6.2.3.1";
        "The DAC's vendor and product IDs are the product's.";
        "It was issued for another product. Ask the authority which order it belongs to.";
    DELIVERY_AUTHORITY = "delivery.authority", Error, "common practice, no source";
        "A production product's chain ends at a PAA that was adopted for production, a test product's at any that is trusted.";
        "Withdraw the authority and adopt it again for production, or ask for certificates of the right one.";
}

super::rules! {
    ORDER:
    ORDER_CHIP = "order.chip", Error, "common practice, no source";
        "An order asks for chips of one reel, each with its key in the book and without a certificate.";
        "Write the order again with `touchmark order write`, and send that one.";
    ORDER_PRODUCT = "order.product", Error, "Core Spec 6.2.3.1";
        "An order asks for the identity that certificates of its chips' product must say.";
        "Write the order again with `touchmark order write`: the product or its declaration has changed, or the file is for another product.";
    ORDER_PART = "order.part", Error, "common practice, no source";
        "The product's part has room for what a station writes into it.";
        "Take another part, or another part file where this one is wrong, before you pay for certificates.";
    ORDER_STATION = "order.station", Error, "common practice, no source";
        "A station writes what was ordered into a chip, reads it back and proves it.";
        "No unit would pass. Fix the product's settings first.";
    ORDER_NOT_TRIED = "order.not-tried", Warning, "common practice, no source";
        "All that the answer to an order depends on is at the site before the order is sent.";
        "Adopt what is missing and try the order again, or receive the delivery without having tried it.";
}
