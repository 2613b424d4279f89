//! Writing a list.

use super::Reason;
use crate::asn1::{self, integer, sequence, tag};
use crate::certificate::{ExtensionDer, sign_tbs};
use crate::key::{SignError, Signer};
use crate::moment::Moment;
use crate::oid;

/// The fields of a list, each in DER, as [`crate::certificate::Builder`] has them for certificates.
#[derive(Debug, Clone)]
pub struct ListBuilder {
    /// INTEGER 1; empty for version 1.
    pub version: Vec<u8>,
    /// `AlgorithmIdentifier` inside the signed part.
    pub inner_algorithm: Vec<u8>,
    pub issuer: Vec<u8>,
    pub this_update: Vec<u8>,
    /// Time; empty to leave it out.
    pub next_update: Vec<u8>,
    pub entries: Vec<Vec<u8>>,
    pub extensions: Vec<Vec<u8>>,
}

impl ListBuilder {
    /// A list as the standard wants it.
    ///
    /// - `number`: cRLNumber, up to 20 octets (RFC 5280 §5.2.3).
    /// - `entries`: serial number (content octets), date, reason.
    pub fn new(
        (issuer, issuer_key_id): (&[u8], &[u8]),
        (this_update, next_update): (Moment, Moment),
        number: &[u8],
        entries: &[(&[u8], Moment, Reason)],
    ) -> Self {
        let entries = entries
            .iter()
            .map(|(serial, date, reason)| {
                let extension = match reason {
                    // RFC 5280 §5.3.1: left out rather than said to be unspecified.
                    Reason::Unspecified => Vec::new(),
                    reason => {
                        let code = asn1::tlv(0x0A, &[*reason as u8]);
                        sequence(&[&ExtensionDer::any(oid::REASON_CODE, false, &code)])
                    }
                };
                sequence(&[&asn1::tlv(tag::INTEGER, serial), &date.to_der(), &extension])
            })
            .collect();
        Self {
            version: integer(&[1]),
            inner_algorithm: sequence(&[&asn1::oid(oid::ECDSA_SHA256)]),
            issuer: issuer.to_vec(),
            this_update: this_update.to_der(),
            next_update: next_update.to_der(),
            entries,
            extensions: vec![
                ExtensionDer::authority_key_id(issuer_key_id),
                ExtensionDer::any(oid::CRL_NUMBER, false, &integer(number)),
            ],
        }
    }

    /// Signs, and returns the list in DER.
    ///
    /// # Errors
    ///
    /// [`SignError`] where the signer gave no signature.
    pub fn sign(&self, signer: &dyn Signer) -> Result<Vec<u8>, SignError> {
        // An empty list is left out, not written empty (RFC 5280 §5.1.2.6).
        let entries =
            if self.entries.is_empty() { Vec::new() } else { asn1::tlv(tag::SEQUENCE, &self.entries.concat()) };
        let extensions = if self.extensions.is_empty() {
            Vec::new()
        } else {
            asn1::context(0, true, &asn1::tlv(tag::SEQUENCE, &self.extensions.concat()))
        };
        let tbs = sequence(&[
            &self.version,
            &self.inner_algorithm,
            &self.issuer,
            &self.this_update,
            &self.next_update,
            &entries,
            &extensions,
        ]);
        sign_tbs(&tbs, &self.inner_algorithm, signer)
    }
}
