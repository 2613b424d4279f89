//! What triggers refuse since version 11: who asks for certificates here, and how many they get.

use super::refusals::{Refusal, refuse};

/// Version 11: a quota grows by two people, and no more keys than it has are certified.
pub(super) const REFUSALS_11: &[Refusal] = &[
    refuse(
        "enrolment",
        "UPDATE",
        "NEW.path <> OLD.path OR NEW.product <> OLD.product OR NEW.issuer <> OLD.issuer OR NEW.purpose <> OLD.purpose \
         OR NEW.user_name <> OLD.user_name OR NEW.added <> OLD.added OR NEW.entry <= OLD.entry \
         OR (NEW.quota > OLD.quota AND (OLD.wanted IS NULL OR NEW.quota <> OLD.wanted OR NEW.quota_by = OLD.wanted_by))",
        "a higher quota is asked for by one person and allowed by another",
    ),
    refuse(
        "enrolled",
        "INSERT",
        "EXISTS (SELECT 1 FROM credential k WHERE k.public_key = NEW.public_key) OR NOT EXISTS \
         (SELECT 1 FROM enrolment e WHERE e.path = NEW.path AND e.issuer = NEW.authority AND NEW.number <= e.quota)",
        "a key has one certificate, and an enrolment no more than its quota",
    ),
];
