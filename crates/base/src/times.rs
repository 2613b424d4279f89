//! Times as answers have them.

/// RFC 3339 in UTC, whole seconds.
pub fn time_text(at: time::OffsetDateTime) -> String {
    standard::moment::Moment::from_unix(at.unix_timestamp()).to_string()
}
