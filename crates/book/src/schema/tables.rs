//! The tables of the book, each declared once: what a digest of the log covers, what may become of a row, and who may
//! see it. Copies, triggers, verification, evidence and the plans' tests follow these declarations.
//!
//! The columns themselves stand in the version that brought the table, which is never edited. Columns under a digest
//! are frozen likewise: one more would change the digest of every old row, so that a new fact is a table of its own.

/// What may become of a row, from the version of the schema that brought the table.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Fate {
    /// It stands as it was written.
    Stands(i64),
    /// It changes, and never goes.
    Stays(i64),
    /// Nothing is refused.
    Free,
}

/// A table.
#[derive(Clone, Copy)]
pub(crate) struct Table {
    pub(crate) name: &'static str,
    pub(crate) fate: Fate,
    /// The columns under the digest, as SQL; none where the log does not vouch for each row.
    pub(crate) columns: &'static str,
    /// The key's columns, as SQL; a key's text joins them with `/`.
    pub(crate) key: &'static [&'static str],
    /// Which of the key's columns are numbers (`i`), texts (`t`), octets in hex (`b`).
    pub(crate) kinds: &'static [u8],
    /// Whether one key names several rows, in this order.
    pub(crate) several: bool,
    pub(crate) order: &'static str,
    /// What tells the last entry that vouches for a row, as SQL.
    pub(crate) entry: &'static str,
    /// Where its keys come in no order: the columns by which rows that are used one after the other lie
    /// side by side, a group and a place in it.
    pub(crate) near: Option<[&'static str; 2]>,
    /// Whether its rows may leave the house, in evidence.
    pub(crate) leaves: bool,
    /// Whether it grows with the units made: nothing that a station or a page asks reads it from end to end.
    #[cfg_attr(not(test), expect(dead_code, reason = "the plans' tests ask"))]
    pub(crate) grows: bool,
}

impl Table {
    const fn new(name: &'static str, fate: Fate) -> Self {
        let (columns, order, entry) = ("", "", "entry");
        let (key, kinds): (&[&str], &[u8]) = (&[], b"");
        Self { name, fate, columns, key, kinds, several: false, order, entry, near: None, leaves: false, grows: false }
    }

    /// The log vouches for the rows of each key.
    const fn vouched(self, key: &'static [&'static str], kinds: &'static [u8], columns: &'static str) -> Self {
        Self { key, kinds, columns, ..self }
    }

    /// A key names several rows; they have no entry of their own.
    const fn several(self, order: &'static str, entry: &'static str) -> Self {
        Self { several: true, order, entry, ..self }
    }

    const fn near(self, group: &'static str, place: &'static str) -> Self {
        Self { near: Some([group, place]), ..self }
    }

    const fn leaves(self) -> Self {
        Self { leaves: true, ..self }
    }

    const fn grows(self) -> Self {
        Self { grows: true, ..self }
    }

    pub(crate) const fn is_protected(&self) -> bool {
        !self.columns.is_empty()
    }
}

macro_rules! tables {
    ($($id:ident = $name:literal $fate:expr $(, $with:ident ($($what:expr),*))*;)*) => {
        $(pub(crate) const $id: Table = Table::new($name, $fate)$(.$with($($what),*))*;)*

        /// All of them in the order in which a copy fills them: each after those it points at, but for proofs, which
        /// come before units. Units point at proofs by a column that needs no index but for this; the other way round
        /// each proof would be searched for among all units.
        pub(crate) const TABLES: &[&Table] = &[$(&$id),*];
    };
}

use Fate::{Free, Stands, Stays};

tables! {
    SITE = "site" Stands(1), vouched(&["one"], b"i", "site_id, name, created");
    PRODUCT = "product" Stands(1), vouched(
        &["name"],
        b"t",
        "name, purpose, vendor_id, product_id, device_type, reach, flow, settings, objects, added"
    ), leaves();
    AUTHORITY = "authority" Stays(1), vouched(
        &["name"],
        b"t",
        "name, role, origin, purpose, certificate, subject_key_id, issuer, key_reference, trusted, not_after, added"
    );
    DECLARATION = "declaration" Stands(1), vouched(
        &["name"],
        b"t",
        "name, origin, purpose, content, vendor_id, product_ids, certification_type, signer, added"
    ), leaves();
    REEL = "reel" Stays(1),
        vouched(&["reel_id"], b"t", "reel_id, product, purpose, source_name, source_digest, chips, received"), leaves();
    CHIP = "chip" Stays(1),
        vouched(&["chip_id"], b"t", "chip_id, state, reason"), near("reel", "position"), leaves(), grows();
    DELIVERY = "delivery" Stays(1), vouched(
        &["delivery_id"],
        b"t",
        "delivery_id, reel, purpose, origin, source_name, content_digest, verdict, certificates_read, \
         certificates_accepted, report, received"
    ), leaves();
    DELIVERY_AUTHORITY = "delivery_authority" Stands(1),
        vouched(&["delivery"], b"t", "delivery, authority, purpose"),
        several(
            "ORDER BY authority",
            "(SELECT d.entry FROM delivery d WHERE d.delivery_id = delivery_authority.delivery)"
        );
    CREDENTIAL = "credential" Stays(1),
        vouched(&["issuer_key_id", "serial"], b"bb", "issuer_key_id, serial, public_key, state, reason"),
        near("delivery", "position"), leaves(), grows();
    OCTETS = "octets" Stands(1), grows();
    PROOF = "proof" Stands(1), vouched(
        &["unit"],
        b"t",
        "unit, attempt, public_key, nonce, challenge, elements, signature, dac, pai, declaration, objects, verdict, \
         report, proven"
    ), leaves(), grows();
    // A unit's own row never leaves: it holds the verifier, from which a passcode of 27 bits can be found by trying.
    UNIT = "unit" Stays(1), vouched(
        &["serial"],
        b"t",
        "serial, product, reel, chip_id, state, reason, began, changed, attempts, proven, discriminator, salt, \
         iterations, verifier, passcode"
    ), grows();
    ATTEMPT = "attempt" Stays(1), vouched(
        &["unit", "number"],
        b"ti",
        "unit, number, station, actor, declaration, started, ended, result, cause, detail, next"
    ), leaves(), grows();
    // Steps come in with the end of their attempt, which is told of no more after it.
    STEP = "step" Stands(1),
        vouched(&["unit", "attempt"], b"ti", "unit, attempt, number, name, started, duration, result, detail"),
        several(
            "ORDER BY number",
            "(SELECT a.entry FROM attempt a WHERE a.unit = step.unit AND a.number = step.attempt)"
        ), leaves(), grows();
    LABEL = "label" Stands(1),
        vouched(&["unit", "number"], b"ti", "unit, number, event, at, actor"), leaves(), grows();
    ORDER = "order_written" Stands(1),
        vouched(&["reel", "number"], b"ti", "reel, number, file_name, content_digest, chips, written");
    SERIAL_SERIES = "serial_series" Free;
    ENTRY = "entry" Stands(1), grows();
    LOG_NODE = "log_node" Stands(1), grows();
    LOG_HEAD = "log_head" Stays(1);
    SIGNED_HEAD = "signed_head" Stands(1);
    REVOCATION_REQUEST = "revocation_request" Stays(3), vouched(
        &["number"],
        b"i",
        "number, issuer, purpose, reason, note, certificates, requested, requested_by, state, settled, settled_by"
    );
    // Wanted certificates come with their request's first entry; settling it tells of them again.
    REVOCATION_WANTED = "revocation_wanted" Stands(3),
        vouched(&["request"], b"i", "request, number, kind, serial"),
        several(
            "ORDER BY number",
            "(SELECT r.entry FROM revocation_request r WHERE r.number = revocation_wanted.request)"
        );
    REVOCATION = "revocation" Stands(3),
        vouched(&["issuer", "serial"], b"tb", "issuer, serial, kind, reason, revoked, request");
    REVOCATION_LIST = "revocation_list" Stands(3), vouched(
        &["issuer", "number"],
        b"tb",
        "issuer, number, origin, this_update, next_update, certificates, content, added"
    );
    TRUST_SET = "trust_set" Stands(3), vouched(&["name", "number"], b"ti", "name, number, removed, content, added");
    PRODUCT_TRUST = "product_trust" Stands(3),
        vouched(&["product", "number"], b"ti", "product, number, trust_sets, added");
    ACCOUNT = "account" Stays(4), vouched(&["name"], b"t", "name, role, password, badge, closed, added, changed");
    ACCOUNT_SUBJECT = "account_subject" Stands(7), vouched(&["account"], b"t", "account, issuer, subject");
    API_TOKEN = "api_token" Stays(4), vouched(&["name"], b"t", "name, token, role, given_by, added, expires, revoked");
    STATION_SETUP = "station_setup" Stays(4), vouched(
        &["station"],
        b"t",
        "station, reel, source, serial_start, takt_ms, per_hour, check_label, changed"
    );
    ATTEMPT_FIRMWARE = "attempt_firmware" Stands(5),
        vouched(&["unit", "attempt"], b"ti", "unit, attempt, version"), leaves(), grows();
    STATION_FIRMWARE = "station_firmware" Stays(5), vouched(&["station"], b"t", "station, version, changed");
    WITHDRAWN = "withdrawn" Stands(6),
        vouched(&["row_key", "row_table", "entry"], b"tti", "row_key, row_table, entry");
    ORDER_PLACES = "order_places" Free, vouched(&["reel", "number"], b"ti", "reel, number, places");
    REVOCATION_ANSWER = "revocation_answer" Stands(6), vouched(&["request"], b"i", "request, list_number, answered");
    REVOCATION_LIST_SIGNER = "revocation_list_signer" Stands(6),
        vouched(&["issuer", "number"], b"tb", "issuer, number, certificate");
    PRODUCT_SERIES = "product_series" Stands(6),
        vouched(&["product", "number"], b"ti", "product, number, first, added");
    REVOCATION_PARTIAL = "revocation_partial" Stands(6),
        vouched(&["issuer", "digest"], b"tb", "issuer, digest, this_update, content");
    RESTORED = "restored" Stands(6);
    SERIES_CONFIRMED = "series_confirmed" Stands(6);
    SEAL = "seal" Free;
    RENEWAL = "renewal" Stands(9), vouched(
        &["unit", "number"],
        b"ti",
        "unit, number, kind, chip_id, attempts, new_code, was, reason, at, actor"
    ), leaves(), grows();
    LATER_PROOF = "later_proof" Stands(9),
        vouched(&["unit", "attempt"], b"ti", PROOF.columns), leaves(), grows();
    // It holds a verifier, as a unit's own row does, and so never leaves.
    EARLIER_CODE = "earlier_code" Stays(9), vouched(
        &["unit", "number"],
        b"ti",
        "unit, number, replaced, discriminator, salt, iterations, verifier, passcode"
    ), grows();
    REEL_SPLIT = "reel_split" Stands(9),
        vouched(&["reel"], b"t", "reel, source, first, last, origin, shift, certificates"), leaves();
    MEETING = "meeting" Stands(10), vouched(
        &["unit", "number"],
        b"ti",
        "unit, number, verdict, cause, place, credential, dac, pai, nonce, challenge, elements, signature, report, took, \
         met, actor"
    ), leaves(), grows();
    ENROLMENT = "enrolment" Stays(11), vouched(
        &["path"],
        b"t",
        "path, product, issuer, purpose, user_name, password, quota, quota_by, wanted, wanted_by, added"
    );
    ENROLLED = "enrolled" Stands(11), vouched(
        &["public_key"],
        b"b",
        "public_key, path, number, authority, issuer_key_id, serial, not_after, certificate, request, issued"
    ), grows();
    ATTEMPT_PANEL = "attempt_panel" Stands(12),
        vouched(&["unit", "attempt"], b"ti", "unit, attempt, panel, place"), leaves(), grows();
    CARTON = "carton" Stays(12),
        vouched(&["carton"], b"t", "carton, product, mixed, pallet, shipment, began"), leaves(), grows();
    PACKED = "packed" Stays(12), vouched(&["unit"], b"t", "unit, carton, at, actor"), leaves(), grows();
}
