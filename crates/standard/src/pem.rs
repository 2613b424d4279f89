//! Textual encodings (RFC 7468).

/// One block: lines of 64 characters, LF.
pub fn encode(label: &str, der: &[u8]) -> String {
    pem_rfc7468::encode_string(label, pem_rfc7468::LineEnding::LF, der)
        // Only an invalid label or an overflow can fail; labels here are our own.
        .unwrap_or_default()
}
