//! What triggers refuse since version 12: cartons.

use super::refusals::{Refusal, refuse};

/// Version 12: only a unit that passed is packed, and where it was packed stays known.
pub(super) const REFUSALS_12: &[Refusal] = &[
    refuse(
        "packed",
        "INSERT",
        "NOT EXISTS (SELECT 1 FROM unit u WHERE u.serial = NEW.unit AND u.state = 'passed')",
        "only a unit that passed is packed",
    ),
    refuse(
        "packed",
        "UPDATE",
        "NEW.unit <> OLD.unit OR NEW.entry <= OLD.entry OR (OLD.carton IS NOT NULL AND NEW.carton IS NOT NULL) \
         OR (NEW.carton IS NOT NULL AND NOT EXISTS \
         (SELECT 1 FROM unit u WHERE u.serial = NEW.unit AND u.state = 'passed'))",
        "a unit is taken out of its carton before it is packed again, and then only if it passed",
    ),
    refuse(
        "carton",
        "UPDATE",
        "NEW.carton <> OLD.carton OR NEW.product <> OLD.product OR NEW.began <> OLD.began OR NEW.mixed < OLD.mixed",
        "a carton keeps its name and its product",
    ),
];
