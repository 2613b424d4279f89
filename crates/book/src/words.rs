//! The states and kinds of the design, as they stand in the book and in JSON.

use crate::engine::Row;
use crate::error::BookError;

/// Words of the design as enums: in JSON, in the schema of the API and as text, from one list.
#[macro_export]
macro_rules! words {
    ($($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $word:literal),* $(,)? })*) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
        pub enum $name {
            $($(#[$vdoc])* #[serde(rename = $word)] $variant),*
        }

        impl $name {
            /// All of them, in the order in which they come.
            pub const ALL: &'static [Self] = &[$(Self::$variant),*];

            /// The word, as it stands in the book and in JSON.
            pub const fn word(self) -> &'static str {
                match self { $(Self::$variant => $word),* }
            }

            /// Reads the word.
            pub fn from_word(word: &str) -> Option<Self> {
                match word { $($word => Some(Self::$variant),)* _ => None }
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.pad(self.word())
            }
        }

        // By hand: the derive does not see a name that a macro gives.
        impl utoipa::PartialSchema for $name {
            fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
                utoipa::openapi::ObjectBuilder::new()
                    .schema_type(utoipa::openapi::schema::Type::String)
                    .enum_values(Some([$($word),*]))
                    .into()
            }
        }

        impl utoipa::ToSchema for $name {}
    )*};
}

/// Those that are read from rows.
macro_rules! in_rows {
    ($($name:ident)*) => {$(
        impl $name {
            pub(crate) fn read(row: &Row, column: usize) -> Result<Self, BookError> {
                let word = row.text(column)?;
                Self::from_word(&word).ok_or_else(|| {
                    BookError::damaged(format!(concat!("{:?} is no ", stringify!($name)), word))
                })
            }
        }
    )*};
}

words! {
    /// What identities are for; a product is one or the other, from birth.
    Purpose {
        /// Test vendors, development authorities, declarations of type 0.
        Test = "test",
        /// Devices that are sold.
        Production = "production",
    }
    /// What an authority is.
    Role {
        /// A root.
        Paa = "paa",
        /// An intermediate, which issues DACs.
        Pai = "pai",
    }
    /// How an authority came into the book.
    AuthorityOrigin {
        /// Made here; its key is in custody.
        Raised = "raised",
        /// Taken over from outside by name.
        Adopted = "adopted",
        /// Arrived with a delivery.
        Delivered = "delivered",
    }
    /// How a declaration came into the book.
    DeclarationOrigin {
        /// Made here.
        Made = "made",
        /// Issued outside.
        Adopted = "adopted",
    }
    /// Where a chip stands.
    ChipState {
        /// Untouched.
        Blank = "blank",
        /// Given to a unit: it may have been written to.
        Held = "held",
        /// Written, proven and locked.
        Provisioned = "provisioned",
        /// Of no further use.
        Scrapped = "scrapped",
    }
    /// How the certificates of a delivery came about.
    DeliveryOrigin {
        /// Sent by an outside authority.
        Received = "received",
        /// Issued here.
        Issued = "issued",
    }
    /// What became of a delivery. A refused one is not in the book.
    DeliveryVerdict {
        /// All of it was taken.
        Accepted = "accepted",
        /// The good part was taken, by the engineer's word.
        AcceptedInPart = "accepted-in-part",
    }
    /// Where a credential stands.
    CredentialState {
        /// Free for its chip.
        Available = "available",
        /// Its chip is held by a unit.
        Reserved = "reserved",
        /// On its chip, with a proof.
        Installed = "installed",
        /// Its chip was scrapped.
        Spent = "spent",
        /// Withdrawn.
        Revoked = "revoked",
    }
    /// Where a unit stands.
    UnitState {
        /// An attempt is under way, or was interrupted.
        Open = "open",
        /// Proven.
        Passed = "passed",
        /// Its last attempt failed; it may come again.
        Failed = "failed",
        /// Given up, its chip with it.
        Scrapped = "scrapped",
        /// Back from the customer.
        Returned = "returned",
    }
    /// How an attempt stands or ended.
    AttemptResult {
        /// Under way, or its station died.
        Open = "open",
        /// With a proof.
        Passed = "passed",
        /// With a cause.
        Failed = "failed",
        /// Its station never ended it.
        Interrupted = "interrupted",
    }
    /// What follows a failure.
    Next {
        /// The same chip goes onto a station again.
        Retry = "retry",
        /// The unit goes to repair first.
        Rework = "rework",
        /// The unit and its chip are given up.
        Scrap = "scrap",
    }
    /// Where a request for a revocation stands.
    RequestState {
        /// For whoever confirms it.
        Waiting = "waiting",
        /// Its certificates are revoked.
        Confirmed = "confirmed",
        /// Nothing came of it.
        Withdrawn = "withdrawn",
    }
    /// What a person, or a program in a person's name, may do.
    AccountRole {
        /// Works at stations.
        Operator = "operator",
        /// Does everything.
        Engineer = "engineer",
        /// Reads everything but passcodes, and changes nothing.
        Auditor = "auditor",
    }
    /// How somebody proved to be the person.
    SignedInBy {
        /// Name and password.
        Password = "password",
        /// A badge's code.
        Badge = "badge",
        /// The one-time link of a site without accounts.
        Link = "link",
        /// The company's own account, at its provider.
        Company = "company",
    }
    /// Why a unit goes back to the line.
    RenewalKind {
        /// For its next board: the one that it has is scrapped.
        Swap = "swap",
        /// For another owner: a new code on the same board, which is proven again.
        Refurbish = "refurbish",
    }
    /// The word on a finished unit that was met.
    MeetingVerdict {
        /// A home would take it.
        Accepted = "accepted",
        /// A home would refuse it.
        Rejected = "rejected",
        /// It was not met, or not to the end.
        Unreachable = "unreachable",
    }
    /// What units are packed in.
    PackKind {
        Carton = "carton",
        Pallet = "pallet",
        Shipment = "shipment",
    }
    /// What happened to a label.
    LabelEvent {
        /// Printed.
        Printed = "printed",
        /// Scanned, and it is the unit's.
        Checked = "checked",
        /// Scanned, and it is not the unit's.
        Mismatched = "mismatched",
    }
}

in_rows! { Purpose Role AuthorityOrigin DeclarationOrigin ChipState DeliveryOrigin DeliveryVerdict CredentialState UnitState AttemptResult Next RequestState AccountRole SignedInBy LabelEvent RenewalKind MeetingVerdict }

impl Purpose {
    /// Whether nothing of it may be sold.
    pub const fn is_test(self) -> bool {
        matches!(self, Self::Test)
    }
}
