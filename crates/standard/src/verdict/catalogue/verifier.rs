//! Rules of passcode verifiers.

use crate::verdict::{Rule, Severity};

const fn error(name: &'static str, clause: &'static str, required: &'static str, advice: &'static str) -> Rule {
    Rule { name, clause, severity: Severity::Error, required, advice }
}

/// What goes into the derivation, then what comes out.
pub(crate) const TABLE: &[Rule] = &[
    error(
        "verifier.iterations",
        "Core Spec 3.9",
        "The iteration count is 1000 to 100000.",
        "Phones refuse a device with fewer or more. Derive the verifier again within the bounds.",
    ),
    error(
        "verifier.salt",
        "Core Spec 3.9",
        "The salt has 16 to 32 bytes.",
        "Phones refuse a device with a shorter or longer one. Generate a random salt and derive the verifier again.",
    ),
    error(
        "verifier.point",
        "Core Spec 3.10; SP 800-56A 5.6.2.3.4",
        "A verifier is 97 bytes: w0 of 32, then L as an uncompressed point of the curve P-256.",
        "It was cut, mixed up or damaged. Get it from its source again, or derive it again.",
    ),
    error(
        "verifier.mismatch",
        "Core Spec 3.10",
        "w0 and L are those that the passcode, the salt and the iteration count give.",
        "The owner's code would not open this device: one of the values belongs to another unit. Derive the verifier again.",
    ),
];

pub(crate) const ITERATIONS: &Rule = &TABLE[0];
pub(crate) const SALT: &Rule = &TABLE[1];
pub(crate) const POINT: &Rule = &TABLE[2];
pub(crate) const MISMATCH: &Rule = &TABLE[3];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn short_names_point_at_their_rows() {
        for (rule, name) in [
            (ITERATIONS, "verifier.iterations"),
            (SALT, "verifier.salt"),
            (POINT, "verifier.point"),
            (MISMATCH, "verifier.mismatch"),
        ] {
            assert_eq!(rule.name, name);
        }
        assert_eq!(TABLE.len(), 4);
    }
}
