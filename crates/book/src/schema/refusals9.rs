//! What triggers refuse since version 9: units that outlive their boards, and reels that are divided.

use super::refusals::{Refusal, refuse};

/// Whether the attempt that begins is the first one after an entry that sent the unit back to the line for this.
macro_rules! renewed {
    ($what:literal) => {
        concat!(
            "(NEW.state = 'open' AND NEW.attempts = OLD.attempts + 1 AND EXISTS (SELECT 1 FROM renewal r \
             WHERE r.unit = OLD.serial AND r.attempts = OLD.attempts AND ",
            $what,
            "))"
        )
    };
}

macro_rules! sent_back {
    () => {
        "EXISTS (SELECT 1 FROM renewal r WHERE r.unit = OLD.serial AND r.entry = NEW.entry)"
    };
}

/// Version 9: refusals of before under their names, with what a swap, a refurbishment or the division of a reel may do.
/// A unit gets another board, another code or an open state only where an entry sent it back to the line.
pub(super) const REWRITTEN_9: &[(&str, Refusal)] = &[
    (
        "reel_rule_2",
        refuse(
            "reel",
            "UPDATE",
            "OLD.entry <> -1 AND (NEW.entry <= OLD.entry OR NEW.reel_id <> OLD.reel_id \
             OR NEW.source_name <> OLD.source_name OR NEW.source_digest <> OLD.source_digest \
             OR NEW.received <> OLD.received \
             OR (NEW.chips <> OLD.chips AND NOT EXISTS (SELECT 1 FROM reel_split s WHERE s.source = OLD.reel_id \
             AND s.entry = NEW.entry AND NEW.chips = OLD.chips - (s.last - s.first + 1))) \
             OR ((NEW.product <> OLD.product OR NEW.purpose <> OLD.purpose) AND EXISTS \
             (SELECT 1 FROM chip c WHERE c.reel = OLD.reel_id AND c.state <> 'blank')))",
            "a reel stands as it was received, but that it is divided, or goes to another product while it is untouched",
        ),
    ),
    (
        "chip_rule_4",
        refuse(
            "chip",
            "UPDATE",
            "NEW.chip_id <> OLD.chip_id OR NEW.public_key <> OLD.public_key \
             OR ((NEW.reel <> OLD.reel OR NEW.position <> OLD.position) AND (OLD.state <> 'blank' OR NOT EXISTS \
             (SELECT 1 FROM reel_split s WHERE s.reel = NEW.reel AND s.source = OLD.reel \
             AND OLD.position BETWEEN s.first AND s.last AND NEW.position = OLD.position - s.first + 1)))",
            "a chip keeps its id and its key, and its place on the reel until that is divided",
        ),
    ),
    (
        "chip_rule_7",
        refuse(
            "chip",
            "UPDATE",
            "NEW.state = 'provisioned' AND OLD.state <> 'provisioned' AND NOT EXISTS \
             (SELECT 1 FROM proof p WHERE p.public_key = NEW.public_key) AND NOT EXISTS \
             (SELECT 1 FROM later_proof p WHERE p.public_key = NEW.public_key)",
            "a chip is provisioned only with a stored proof",
        ),
    ),
    (
        "credential_rule_11",
        refuse(
            "credential",
            "UPDATE",
            "NEW.state = 'installed' AND OLD.state <> 'installed' AND NOT EXISTS \
             (SELECT 1 FROM proof p WHERE p.public_key = NEW.public_key) AND NOT EXISTS \
             (SELECT 1 FROM later_proof p WHERE p.public_key = NEW.public_key)",
            "a credential is installed only with a stored proof",
        ),
    ),
    (
        "unit_rule_13",
        refuse(
            "unit",
            "UPDATE",
            concat!(
                "NEW.serial <> OLD.serial OR NEW.product <> OLD.product OR NEW.began <> OLD.began \
                 OR ((NEW.reel <> OLD.reel OR NEW.chip_id <> OLD.chip_id) AND NOT ",
                renewed!("r.kind = 'swap'"),
                ") OR ((NEW.discriminator IS DISTINCT FROM OLD.discriminator OR NEW.salt IS DISTINCT FROM OLD.salt \
                 OR NEW.iterations IS DISTINCT FROM OLD.iterations OR NEW.verifier IS DISTINCT FROM OLD.verifier \
                 OR (NEW.passcode IS NOT NULL AND NEW.passcode IS DISTINCT FROM OLD.passcode)) AND NOT (",
                renewed!("r.new_code = 1"),
                " AND (OLD.verifier IS NULL OR EXISTS (SELECT 1 FROM earlier_code e WHERE e.unit = OLD.serial \
                 AND e.entry = NEW.entry AND e.verifier = OLD.verifier AND e.salt = OLD.salt)))) \
                 OR (OLD.proven IS NOT NULL AND NEW.proven IS DISTINCT FROM OLD.proven AND NOT ",
                sent_back!(),
                ")"
            ),
            "a unit keeps its chip, its onboarding data and its proof until an entry sends it back; a passcode can be erased",
        ),
    ),
    (
        "unit_rule_14",
        refuse(
            "unit",
            "UPDATE",
            concat!(
                "NEW.state <> OLD.state AND NOT (\
                 (OLD.state = 'open' AND NEW.state IN ('passed', 'failed', 'scrapped')) \
                 OR (OLD.state = 'failed' AND NEW.state IN ('open', 'scrapped')) \
                 OR (OLD.state = 'passed' AND NEW.state IN ('returned', 'scrapped')) \
                 OR (OLD.state = 'returned' AND NEW.state = 'scrapped') \
                 OR (OLD.state IN ('passed', 'scrapped', 'returned') AND NEW.state = 'open' AND NEW.proven IS NULL AND ",
                sent_back!(),
                "))"
            ),
            "a unit that passed or was scrapped opens again only where an entry sends it back",
        ),
    ),
];

/// Version 9: each board of a unit, and each time that one is proven again, has a proof of its own.
pub(super) const REFUSALS_9: &[Refusal] = &[
    refuse(
        "unit",
        "UPDATE",
        "NEW.state = 'passed' AND OLD.state <> 'passed' AND NOT EXISTS (SELECT 1 FROM chip c JOIN proof p \
         ON p.public_key = c.public_key WHERE c.chip_id = NEW.chip_id AND p.unit = NEW.serial \
         AND p.attempt = NEW.attempts) AND NOT EXISTS (SELECT 1 FROM chip c JOIN later_proof p \
         ON p.public_key = c.public_key WHERE c.chip_id = NEW.chip_id AND p.unit = NEW.serial \
         AND p.attempt = NEW.attempts)",
        "a unit passes with a proof of the board that it has, made in its last attempt",
    ),
    refuse(
        "unit",
        "INSERT",
        "EXISTS (SELECT 1 FROM renewal r WHERE r.chip_id = NEW.chip_id)",
        "a board that was swapped is never used again",
    ),
    refuse(
        "renewal",
        "INSERT",
        "NOT EXISTS (SELECT 1 FROM unit u JOIN chip c ON c.chip_id = u.chip_id WHERE u.serial = NEW.unit \
         AND u.chip_id = NEW.chip_id AND u.attempts = NEW.attempts AND u.state = NEW.was \
         AND c.state = CASE NEW.kind WHEN 'swap' THEN 'scrapped' ELSE 'provisioned' END) \
         OR EXISTS (SELECT 1 FROM attempt a WHERE a.unit = NEW.unit AND a.ended IS NULL) \
         OR (NEW.was = 'scrapped' AND NOT EXISTS (SELECT 1 FROM attempt a WHERE a.unit = NEW.unit \
         AND a.number = NEW.attempts AND a.next = 'scrap'))",
        "a unit goes back to the line as it stands: its swapped chip scrapped, its refurbished one proven, at no station",
    ),
    refuse("proof", "INSERT", "EXISTS (SELECT 1 FROM later_proof p WHERE p.nonce = NEW.nonce)", "a nonce is used once"),
    refuse(
        "later_proof",
        "INSERT",
        "EXISTS (SELECT 1 FROM proof p WHERE p.nonce = NEW.nonce) OR NOT EXISTS \
         (SELECT 1 FROM unit u JOIN chip c ON c.chip_id = u.chip_id \
         JOIN attempt a ON a.unit = u.serial AND a.number = NEW.attempt \
         WHERE u.serial = NEW.unit AND c.public_key = NEW.public_key AND c.state IN ('held', 'provisioned') \
         AND a.result = 'open')",
        "a proof is of the chip of its unit, in an open attempt, with a fresh nonce",
    ),
    refuse(
        "earlier_code",
        "UPDATE",
        "NEW.unit <> OLD.unit OR NEW.number <> OLD.number OR NEW.replaced <> OLD.replaced \
         OR NEW.discriminator <> OLD.discriminator OR NEW.salt <> OLD.salt OR NEW.iterations <> OLD.iterations \
         OR NEW.verifier <> OLD.verifier OR NEW.passcode IS NOT NULL OR NEW.entry <= OLD.entry",
        "an earlier code stands; its passcode can only be erased",
    ),
    refuse(
        "reel_split",
        "INSERT",
        "EXISTS (SELECT 1 FROM chip c WHERE c.reel = NEW.source AND c.position BETWEEN NEW.first AND NEW.last \
         AND c.state <> 'blank')",
        "only untouched chips go to another reel",
    ),
];
