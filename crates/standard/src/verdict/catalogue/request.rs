//! Rules on a certification request. Source: RFC 2986.

super::rules! {
    TABLE:
    ENCODING = "request.encoding", Error, "RFC 2986 §4";
        "One certification request of version 1 in DER and nothing after it.";
        "Make the request again; an authority would refuse this one.";
    SIGNATURE = "request.signature", Error, "RFC 2986 §4.2";
        "ecdsa-with-SHA256 by the key in the request.";
        "It does not prove that the requester has the key. Make it again with the chip present.";
    PUBLIC_KEY = "request.public-key", Error, "RFC 5480 §2.1.1, §2.2";
        "An id-ecPublicKey on prime256v1: an uncompressed point of the curve.";
        "No attestation certificate can be issued for this key. Make the request with a P-256 key.";
    SUBJECT = "request.subject", Error, "Core Spec 6.2.2.2";
        "At most one vendor ID and one product ID, well formed, and the requested ones.";
        "Make the request again with the product's identifiers.";
}
