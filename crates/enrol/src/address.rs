//! Where an authority is asked, as people type it.

use std::fmt;
use std::str::FromStr;

use crate::EnrolError;

/// How an authority is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Protocol {
    /// Enrollment over Secure Transport, RFC 7030.
    Est,
}

/// `est+https://host:port/.well-known/est[/label]`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Address {
    pub protocol: Protocol,
    /// The HTTP address, without the protocol's name and without a slash at its end.
    pub url: String,
}

/// Where EST lies on every server (RFC 7030 §3.2.2).
const EST: &str = "/.well-known/est";

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "est+{}", self.url)
    }
}

impl FromStr for Address {
    type Err = EnrolError;

    fn from_str(text: &str) -> Result<Self, EnrolError> {
        let odd = |what: &'static str| EnrolError::Address { url: text.chars().take(200).collect(), what };
        let (protocol, url) = text.split_once('+').ok_or_else(|| odd("does not name a protocol"))?;
        if protocol != "est" {
            return Err(odd("does not name a protocol that this program has"));
        }
        let Some(rest) = url.strip_prefix("https://") else {
            return Err(odd(if url.starts_with("http://") {
                "is not protected: EST is asked over TLS only (RFC 7030 §3.3)"
            } else {
                "is not an HTTPS address"
            }));
        };
        let rest = rest.trim_end_matches('/');
        let (host, path) = rest.find('/').map_or((rest, ""), |at| rest.split_at(at));
        if host.is_empty() || host.contains('@') || rest.contains(['?', '#', ' ']) {
            return Err(odd("is not an HTTPS address of host and path alone"));
        }
        // RFC 7030 §3.2.2: the well-known path, then an optional label, which is none of the operations' names.
        let label = match path {
            "" => "",
            path => path.strip_prefix(EST).ok_or_else(|| odd("does not lead to /.well-known/est"))?,
        };
        let is_label =
            |label: &str| !label.is_empty() && !label.contains('/') && !super::est::OPERATIONS.contains(&label);
        if !label.is_empty() && !label.strip_prefix('/').is_some_and(is_label) {
            return Err(odd("has more than one label after /.well-known/est, or the name of an operation"));
        }
        Ok(Self { protocol: Protocol::Est, url: format!("https://{host}{EST}{label}") })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_lead_to_the_well_known_path_over_tls_alone() {
        let url = |text: &str| text.parse::<Address>().map(|address| address.url).ok();
        let at = |rest: &str| Some(format!("https://ca.example{rest}"));
        assert_eq!(url("est+https://ca.example"), at("/.well-known/est"));
        assert_eq!(url("est+https://ca.example/.well-known/est/"), at("/.well-known/est"));
        assert_eq!(url("est+https://ca.example:8443/.well-known/est/tern"), at(":8443/.well-known/est/tern"));
        for wrong in [
            "https://ca.example",
            "est+http://ca.example/.well-known/est",
            "est+https://",
            "est+https://me@ca.example",
            "est+https://ca.example/est",
            "est+https://ca.example/.well-known/est/a/b",
            "est+https://ca.example/.well-known/est/simpleenroll",
            "est+https://ca.example/.well-known/established",
            "xyz+https://ca.example",
        ] {
            assert_eq!(url(wrong), None, "{wrong}");
        }
    }
}
