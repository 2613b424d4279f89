//! PKCS #11 URIs (RFC 7512).
//!
//! Taken: the path attributes `token manufacturer serial model object id type
//! slot-id slot-description slot-manufacturer library-description
//! library-manufacturer library-version`, the query attributes `pin-source
//! module-path module-name`. A `pin-value` is refused: what stands on a command
//! line is read by every user of the machine. So is any attribute that is not
//! of the RFC, since one that is passed over could name another token than was
//! meant.

use std::fmt;
use std::path::{Path, PathBuf};
use std::str::FromStr;

use percent_encoding::percent_decode_str;

/// A PKCS #11 URI, taken apart. `Display` gives it as it was typed.
#[derive(Clone, PartialEq, Eq)]
pub struct TokenUri {
    text: String,
    /// Attribute and decoded value, each attribute once.
    attributes: Vec<(&'static str, Vec<u8>)>,
}

/// Why a text is no such URI. None of these quotes a PIN.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum UriError {
    /// Does not begin with `pkcs11:`, or is longer than it may be.
    #[error("a PKCS #11 URI begins with pkcs11: and has at most {LONGEST} characters")]
    Form,
    /// Not `name=value`.
    #[error("{0:?} in the PKCS #11 URI is not an attribute with its value")]
    Attribute(String),
    /// Not of RFC 7512, or on the wrong side of the question mark.
    #[error("{0:?} is not an attribute that a PKCS #11 URI may have there")]
    Unknown(String),
    /// Twice.
    #[error("the PKCS #11 URI names {0} twice")]
    Twice(&'static str),
    /// A value that can't be.
    #[error("the value of {0} in the PKCS #11 URI can't be used")]
    Value(&'static str),
    /// A PIN stands in the URI.
    #[error("a PKCS #11 URI with a pin-value is refused: other users can read the command line")]
    PinValue,
}

const LONGEST: usize = 4096;
const PATH: &[&str] = &[
    "token",
    "manufacturer",
    "serial",
    "model",
    "object",
    "id",
    "type",
    "slot-id",
    "slot-description",
    "slot-manufacturer",
    "library-description",
    "library-manufacturer",
    "library-version",
];
const QUERY: &[&str] = &["pin-source", "module-path", "module-name"];

impl UriError {
    /// What to do next.
    pub fn advice(&self) -> &'static str {
        match self {
            Self::PinValue => "Put the PIN into a file and name it by pin-source=file:PATH.",
            _ => "Write it as pkcs11:token=NAME;object=NAME?module-path=FILE&pin-source=file:FILE (RFC 7512).",
        }
    }
}

impl FromStr for TokenUri {
    type Err = UriError;

    fn from_str(text: &str) -> Result<Self, UriError> {
        let rest = text.strip_prefix("pkcs11:").filter(|_| text.len() <= LONGEST).ok_or(UriError::Form)?;
        // RFC 7512 §2.3: ';' parts the path's attributes, '&' the query's.
        let (path, query) = rest.split_once('?').unwrap_or((rest, ""));
        let mut attributes = Vec::new();
        for (part, known) in path.split(';').map(|p| (p, PATH)).chain(query.split('&').map(|q| (q, QUERY))) {
            if part.is_empty() {
                continue;
            }
            // Before anything of it is quoted.
            if rest.contains("pin-value") {
                return Err(UriError::PinValue);
            }
            let (name, value) =
                part.split_once('=').ok_or_else(|| UriError::Attribute(part.chars().take(60).collect()))?;
            let name = known.iter().find(|known| **known == name);
            let name = name.ok_or_else(|| UriError::Unknown(part.chars().take(60).collect()))?;
            if attributes.iter().any(|(other, _)| other == name) {
                return Err(UriError::Twice(name));
            }
            attributes.push((*name, decoded(name, value)?));
        }
        Ok(Self { text: text.to_owned(), attributes })
    }
}

/// The octets of a value, checked for what its attribute allows.
fn decoded(name: &'static str, value: &str) -> Result<Vec<u8>, UriError> {
    let bad = || UriError::Value(name);
    // A '%' that begins no escape is a mistake, and not a '%'.
    let escapes = value.split('%').skip(1);
    if escapes.into_iter().any(|rest| !rest.as_bytes().get(..2).is_some_and(|d| d.iter().all(u8::is_ascii_hexdigit))) {
        return Err(bad());
    }
    let octets: Vec<u8> = percent_decode_str(value).collect();
    let text = std::str::from_utf8(&octets);
    let sound = match name {
        "id" => !octets.is_empty(),
        "slot-id" => text.is_ok_and(|text| text.parse::<u64>().is_ok()),
        "type" => matches!(text, Ok("private" | "public" | "cert" | "data" | "secret-key")),
        "pin-source" => text.is_ok_and(|text| !text.is_empty() && !text.starts_with('|')),
        _ => text.is_ok_and(|text| !text.is_empty() && !text.contains('\0')),
    };
    if sound { Ok(octets) } else { Err(bad()) }
}

impl TokenUri {
    fn octets(&self, name: &str) -> Option<&[u8]> {
        self.attributes.iter().find(|(known, _)| *known == name).map(|(_, value)| value.as_slice())
    }

    /// An attribute's text, as `token` or `serial`.
    pub fn text(&self, name: &str) -> Option<&str> {
        self.octets(name).and_then(|octets| std::str::from_utf8(octets).ok())
    }

    /// The object's `CKA_LABEL`.
    pub fn object(&self) -> Option<&str> {
        self.text("object")
    }

    /// The object's `CKA_ID`.
    pub fn id(&self) -> Option<&[u8]> {
        self.octets("id")
    }

    /// The same URI with this `CKA_ID`, where it names none.
    #[must_use]
    pub fn with_id(&self, id: &[u8]) -> Self {
        if self.id().is_some() || id.is_empty() {
            return self.clone();
        }
        let escaped: String = id.iter().map(|octet| format!("%{octet:02X}")).collect();
        let (path, query) = match self.text.split_once('?') {
            Some((path, query)) => (path, format!("?{query}")),
            None => (self.text.as_str(), String::new()),
        };
        let between = if path.ends_with(':') { "" } else { ";" };
        let mut attributes = self.attributes.clone();
        let at = attributes.iter().position(|(name, _)| QUERY.contains(name)).unwrap_or(attributes.len());
        attributes.insert(at, ("id", id.to_vec()));
        Self { text: format!("{path}{between}id={escaped}{query}"), attributes }
    }

    /// The slot's number.
    pub fn slot_id(&self) -> Option<u64> {
        self.text("slot-id")?.parse().ok()
    }

    /// The module's file.
    pub fn module_path(&self) -> Option<&Path> {
        self.text("module-path").map(Path::new)
    }

    /// The file that holds the PIN: `pin-source` as a path or a `file:` URI.
    pub fn pin_file(&self) -> Option<PathBuf> {
        let source = self.text("pin-source")?;
        let path = source.strip_prefix("file:").unwrap_or(source);
        Some(
            path.strip_prefix("//localhost/")
                .map_or_else(|| path.strip_prefix("//").unwrap_or(path).into(), |rest| Path::new("/").join(rest)),
        )
    }
}

impl fmt::Display for TokenUri {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

impl fmt::Debug for TokenUri {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "TokenUri({})", self.text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn uri(text: &str) -> TokenUri {
        text.parse().unwrap_or_else(|e| panic!("{text}: {e}"))
    }

    /// RFC 7512 §3, its examples (without their line breaks), from memory.
    #[test]
    fn examples_of_the_rfc() {
        uri("pkcs11:");
        let found = uri("pkcs11:object=my-pubkey;type=public");
        assert_eq!((found.object(), found.text("type")), (Some("my-pubkey"), Some("public")));
        let found = uri("pkcs11:object=my-key;type=private?pin-source=file:/etc/token");
        assert_eq!(found.pin_file(), Some("/etc/token".into()));
        let found = uri("pkcs11:token=The%20Software%20PKCS%2311%20Softtoken;manufacturer=Snake%20Oil,%20Inc.;model=1.0;object=my-certificate;type=cert;id=%69%95%3E%5C%F4%BD%EC%91;serial=?pin-source=file:/etc/token_pin".replace(";serial=", "").as_str());
        assert_eq!(found.text("token"), Some("The Software PKCS#11 Softtoken"));
        assert_eq!(found.id(), Some(&[0x69, 0x95, 0x3e, 0x5c, 0xf4, 0xbd, 0xec, 0x91][..]));
        let found = uri("pkcs11:object=my-sign-key;type=private?module-name=mypkcs11");
        assert_eq!(found.text("module-name"), Some("mypkcs11"));
        let found = uri("pkcs11:object=my-sign-key;type=private?module-path=/mnt/libmypkcs11.so.1");
        assert_eq!(found.module_path(), Some(Path::new("/mnt/libmypkcs11.so.1")));
        let found = uri("pkcs11:slot-description=Sun%20Metaslot");
        assert_eq!(found.text("slot-description"), Some("Sun Metaslot"));
        assert_eq!(uri("pkcs11:slot-id=327").slot_id(), Some(327));
        assert_eq!(
            uri("pkcs11:token=A%20name%20with%20a%20substring%20%25%3B%20%2D%2F").text("token"),
            Some("A name with a substring %; -/")
        );
    }

    #[test]
    fn what_is_refused() {
        for (text, why) in [
            ("pkcs12:token=x", UriError::Form),
            ("pkcs11:token", UriError::Attribute("token".into())),
            ("pkcs11:colour=red", UriError::Unknown("colour=red".into())),
            ("pkcs11:x-vendor=1", UriError::Unknown("x-vendor=1".into())),
            ("pkcs11:pin-source=file:/p", UriError::Unknown("pin-source=file:/p".into())),
            ("pkcs11:token=a;token=b", UriError::Twice("token")),
            ("pkcs11:token=", UriError::Value("token")),
            ("pkcs11:token=%4", UriError::Value("token")),
            ("pkcs11:token=100%", UriError::Value("token")),
            ("pkcs11:token=%FF", UriError::Value("token")),
            ("pkcs11:slot-id=-1", UriError::Value("slot-id")),
            ("pkcs11:type=thing", UriError::Value("type")),
            ("pkcs11:token=a?pin-source=|pinpad", UriError::Value("pin-source")),
            ("pkcs11:token=a?pin-value=1234", UriError::PinValue),
            ("pkcs11:1234;token=a?pin-value=1234", UriError::PinValue),
            ("pkcs11:pin-value=1234", UriError::PinValue),
        ] {
            let refused = text.parse::<TokenUri>().unwrap_err();
            assert_eq!(refused, why, "{text}");
            assert!(!format!("{refused:?}{refused}").contains("1234"), "{text}");
        }
        assert_eq!(format!("pkcs11:token={}", "x".repeat(5_000)).parse::<TokenUri>(), Err(UriError::Form));
    }

    proptest! {
        #[test]
        fn any_text(text in ".{0,80}") {
            let _ = format!("pkcs11:{text}").parse::<TokenUri>();
        }

        /// Any label and id come back from their escapes.
        #[test]
        fn any_value(label in "[^\0]{1,20}", id in prop::collection::vec(any::<u8>(), 1..20)) {
            let escape = |octets: &[u8]| octets.iter().map(|b| format!("%{b:02X}")).collect::<String>();
            let text = format!("pkcs11:object={};id={}", escape(label.as_bytes()), escape(&id));
            let found = uri(&text);
            prop_assert_eq!(found.object(), Some(&*label));
            prop_assert_eq!(found.id(), Some(&id[..]));
            prop_assert_eq!(found.to_string(), text);
            let named = uri("pkcs11:token=a?module-path=/m").with_id(&id);
            prop_assert_eq!(&uri(&named.to_string()), &named);
            prop_assert_eq!((named.id(), named.module_path()), (Some(&id[..]), Some(Path::new("/m"))));
        }
    }
}
