//! The rule catalogue: one table a kind of subject, in the standard's order.
//!
//! Everything that names a rule draws on these tables: the checks, `examine
//! --rules`, the specimens, and the test that holds that each rule can break.

pub mod certificate;
pub mod chain;
pub mod declaration;
pub mod exchange;
pub mod intake;
pub mod meet;
pub mod request;
pub mod revocation;

pub(crate) mod code;
pub(crate) mod verifier;

use super::Rule;

/// Declares rules as statics and the table that holds them in order.
macro_rules! rules {
    ($table:ident: $($ident:ident = $name:literal, $severity:ident, $clause:literal;
        $required:literal; $advice:literal;)*) => {
        $(
            #[doc = concat!("`", $name, "`: ", $required)]
            pub static $ident: crate::verdict::Rule = crate::verdict::Rule {
                name: $name,
                clause: $clause,
                severity: crate::verdict::Severity::$severity,
                required: $required,
                advice: $advice,
            };
        )*
        /// The table, in the standard's order.
        pub static $table: &[&crate::verdict::Rule] = &[$(&$ident),*];
    };
}
pub(crate) use rules;

/// Every rule, in the catalogue's order.
pub fn all_rules() -> Vec<&'static Rule> {
    let mut all: Vec<&'static Rule> = Vec::with_capacity(96);
    all.extend(certificate::TABLE.iter().map(|row| &row.dac));
    all.extend(certificate::PRESENT);
    all.extend(certificate::TABLE.iter().map(|row| &row.pai));
    all.extend(certificate::TABLE.iter().map(|row| &row.paa));
    for table in [chain::TABLE, declaration::TABLE, exchange::TABLE] {
        all.extend(table);
    }
    all.extend(code::TABLE);
    all.extend(verifier::TABLE);
    for table in [request::TABLE, meet::TABLE, revocation::TABLE, intake::REEL, intake::ORDER, intake::DELIVERY] {
        all.extend(table);
    }
    all
}

/// The rule of that name.
pub fn rule(name: &str) -> Option<&'static Rule> {
    all_rules().into_iter().find(|rule| rule.name == name)
}
