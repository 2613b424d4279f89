//! What to do next, in the words of pages.
//!
//! Rooms name an act by its command, which is exact and the same everywhere. A page shows where the act stands on
//! pages instead; only an act that no page has keeps its command.

use std::borrow::Cow;

/// An act by its command, and where it stands: page, then the part of it.
const ACTS: &[(&str, &str)] = &[
    ("authority adopt", "Authorities › Adopt an outside one"),
    ("authority create", "Authorities › Create a development one"),
    ("authority list", "Authorities"),
    ("authority withdraw", "Authorities › Withdraw"),
    ("book verify", "Log › Verify the whole book"),
    ("carton list", "Cartons"),
    ("carton pack", "Cartons › the carton › Pack"),
    ("carton unpack", "Cartons › the carton › Take it out"),
    ("chip scrap", "Reels › its reel › Scrap a chip"),
    ("declaration adopt", "Declarations › Adopt one issued outside"),
    ("declaration make", "Declarations › Make a development one"),
    ("declaration", "Declarations"),
    ("delivery issue", "Reels › its reel › Or issue here, for tests"),
    ("delivery receive", "Deliveries › Receive a delivery"),
    ("delivery withdraw", "Deliveries › the delivery › Withdraw it"),
    ("delivery list", "Deliveries"),
    ("evidence", "Evidence"),
    ("examine", "Examine"),
    ("fit", "Fit"),
    ("impact", "Impact"),
    ("label print", "Labels › Print labels"),
    ("order write", "Reels › its reel › Download the order for an authority"),
    ("plan", "Plan"),
    ("product add", "Products › Add a product"),
    ("product list", "Products"),
    ("product show", "Products"),
    ("reel list", "Reels"),
    ("reel receive", "Reels › Receive a reel"),
    ("reel show", "Reels › the reel"),
    ("reel withdraw", "Reels › the reel › Withdraw it"),
    ("report", "Report"),
    ("revocation adopt", "Revocation › Adopt a list"),
    ("revocation list", "Revocation"),
    ("reel split", "Reels › its reel › Divide the reel"),
    ("reel assign", "Reels › its reel › Divide the reel"),
    ("revocation show", "Revocation"),
    ("revoke --renew", "Revocation › Issue a list again"),
    ("revoke", "Revocation › Revoke certificates"),
    ("unit erased", "Units › the unit › It was erased"),
    ("unit find", "Units"),
    ("unit list", "Units"),
    ("unit refurbish", "Units › the unit › Refurbish"),
    ("unit return", "Units › the unit › Record a return"),
    ("unit scrap", "Units › the unit › Scrap it"),
    ("unit show", "Units › the unit"),
    ("unit swap", "Units › the unit › Swap the board"),
];

/// Options, and the fields that take what they take.
const OPTIONS: &[(&str, &str)] = &[
    ("--purpose", "the purpose"),
    ("--vendor-name", "the field “Vendor name”"),
    ("--map chip_id=COLUMN,public_key=COLUMN", "“Its columns have other names”"),
    ("--map", "“Its columns have other names”"),
    ("--password-file, or in TOUCHMARK_DELIVERY_PASSWORD", "the field “Password”"),
    ("--serial-start", "the field “First serial number of a series”"),
    ("--years", "the years"),
];

/// The place of the act that a command begins with; the longest that is known.
fn place(command: &str) -> Option<&'static str> {
    let begins = |act: &str| command.strip_prefix(act).is_some_and(|rest| rest.is_empty() || rest.starts_with(' '));
    ACTS.iter().filter(|(act, _)| begins(act)).max_by_key(|(act, _)| act.len()).map(|(_, place)| *place)
}

/// A text of a room as a page shows it.
pub fn on_page(text: &str) -> Cow<'_, str> {
    let mut out = String::new();
    let mut rest = text;
    while let Some(at) = rest.find("`touchmark ") {
        let after = &rest[at + 1..];
        let Some(end) = after.find('`') else { break };
        let command = &after["touchmark ".len()..end];
        match place(command) {
            Some(place) => {
                let before = &rest[..at];
                out.push_str(before.strip_suffix("Run ").unwrap_or(before));
                out.push_str(if before.ends_with("Run ") { "Use " } else { "" });
                out.push_str(place);
            }
            None => out.push_str(&rest[..=at + 1 + end]),
        }
        rest = &after[end + 1..];
    }
    if out.is_empty() && !rest.contains("--") {
        return Cow::Borrowed(text);
    }
    out.push_str(rest);
    // What is left of commands keeps its options.
    let mut parts: Vec<Cow<'_, str>> = out.split('`').map(Cow::Borrowed).collect();
    for part in parts.iter_mut().step_by(2) {
        for (option, field) in OPTIONS {
            if part.contains(option) {
                *part = Cow::Owned(part.replace(option, field));
            }
        }
    }
    Cow::Owned(parts.join("`"))
}

/// For templates: `{{ text|on_page }}`.
pub mod filters {
    use std::fmt::Display;

    /// As [`super::on_page`].
    ///
    /// # Errors
    ///
    /// None; templates want a result.
    #[askama::filter_fn]
    pub fn on_page(text: impl Display, _: &dyn askama::Values) -> askama::Result<String> {
        Ok(super::on_page(&text.to_string()).into_owned())
    }
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::path::Path;

    use super::{ACTS, on_page};

    #[test]
    fn acts_are_named_by_their_place() {
        assert_eq!(on_page("Run `touchmark book verify`."), "Use Log › Verify the whole book.");
        assert_eq!(on_page("Print it with `touchmark label print TV-1`."), "Print it with Labels › Print labels.");
        assert_eq!(
            on_page("List it with `touchmark revoke --renew NAME`."),
            "List it with Revocation › Issue a list again."
        );
        assert_eq!(on_page("Give --purpose test."), "Give the purpose test.");
        let only = "Run `touchmark book restore BACKUP --site DIR`.";
        assert_eq!(on_page(only), only);
        assert_eq!(on_page("nothing of it"), "nothing of it");
    }

    /// A place leads astray once its page words it otherwise.
    #[test]
    fn every_place_stands_on_a_page() {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR"));
        let mut drawn = fs::read_to_string(folder.join("src/routes.rs")).expect("the routes");
        for entry in fs::read_dir(folder.join("templates")).expect("templates") {
            drawn += &fs::read_to_string(entry.expect("a template").path()).expect("a template");
        }
        for part in ACTS.iter().flat_map(|(_, place)| place.split(" › ")).filter(|p| p.starts_with(char::is_uppercase))
        {
            assert!(
                [format!(">{part}<"), format!("\"{part}\""), format!(">{part} <")].iter().any(|w| drawn.contains(w)),
                "{part} stands on no page"
            );
        }
    }
}
