//! Why a certificate was revoked (RFC 5280 §5.3.1).

/// Why a certificate was revoked (RFC 5280 §5.3.1).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Reason {
    /// No reason told; left out of the list.
    Unspecified = 0,
    /// The subject's private key is known or suspected to be known to others.
    KeyCompromise = 1,
    /// The authority's is.
    CaCompromise = 2,
    /// The name or another field is no longer right.
    AffiliationChanged = 3,
    /// Another certificate has taken its place.
    Superseded = 4,
    /// No longer needed for what it was issued for.
    CessationOfOperation = 5,
    /// On hold; may come back.
    CertificateHold = 6,
    /// Comes back from a hold.
    RemoveFromCrl = 8,
    /// A privilege in it was withdrawn.
    PrivilegeWithdrawn = 9,
    /// An attribute authority's key is known to others.
    AaCompromise = 10,
}

impl Reason {
    /// All reasons with their names in RFC 5280 §5.3.1.
    pub const ALL: &[(Self, &str)] = &[
        (Self::Unspecified, "unspecified"),
        (Self::KeyCompromise, "keyCompromise"),
        (Self::CaCompromise, "cACompromise"),
        (Self::AffiliationChanged, "affiliationChanged"),
        (Self::Superseded, "superseded"),
        (Self::CessationOfOperation, "cessationOfOperation"),
        (Self::CertificateHold, "certificateHold"),
        (Self::RemoveFromCrl, "removeFromCRL"),
        (Self::PrivilegeWithdrawn, "privilegeWithdrawn"),
        (Self::AaCompromise, "aACompromise"),
    ];

    /// The reason of this number.
    pub fn from_number(number: u8) -> Option<Self> {
        Self::ALL.iter().find(|(reason, _)| *reason as u8 == number).map(|(reason, _)| *reason)
    }

    /// The reason of this name, as RFC 5280 writes it or in small letters with hyphens.
    pub fn from_name(name: &str) -> Option<Self> {
        let plain = |text: &str| text.chars().filter(|c| *c != '-').collect::<String>().to_ascii_lowercase();
        Self::ALL.iter().find(|(_, known)| plain(known) == plain(name)).map(|(reason, _)| *reason)
    }

    /// The name in RFC 5280 §5.3.1; numbers that it does not give have none.
    pub fn name_of(number: u8) -> Option<&'static str> {
        Self::ALL.iter().find(|(reason, _)| *reason as u8 == number).map(|(_, name)| *name)
    }
}
