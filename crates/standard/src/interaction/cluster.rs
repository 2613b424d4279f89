//! The clusters that a first meeting uses, all on the root endpoint (Core Spec
//! 11.1, 11.10, 11.18; from memory).

use super::invoke::CommandPath;
use super::read::AttributePath;
use crate::tlv::{Container, FieldError, Fields, Tag, Writer};

/// The endpoint that every device has.
pub const ROOT: u16 = 0;

const fn command(cluster: u32, command: u32) -> CommandPath {
    CommandPath { endpoint: ROOT, cluster, command }
}

/// Basic information (11.1.5).
pub mod basic {
    use super::{AttributePath, ROOT};

    pub const CLUSTER: u32 = 0x0028;
    pub const VENDOR_NAME: u32 = 0x01;
    pub const VENDOR_ID: u32 = 0x02;
    pub const PRODUCT_NAME: u32 = 0x03;
    pub const PRODUCT_ID: u32 = 0x04;
    pub const HARDWARE_VERSION: u32 = 0x07;
    pub const SOFTWARE_VERSION: u32 = 0x09;
    pub const SOFTWARE_VERSION_STRING: u32 = 0x0A;
    /// The only one here that a device may be without.
    pub const SERIAL_NUMBER: u32 = 0x0F;

    /// What a home reads; nine paths a read is what every device takes.
    pub const ASKED: [u32; 8] = [
        VENDOR_NAME,
        VENDOR_ID,
        PRODUCT_NAME,
        PRODUCT_ID,
        HARDWARE_VERSION,
        SOFTWARE_VERSION,
        SOFTWARE_VERSION_STRING,
        SERIAL_NUMBER,
    ];

    /// Where an attribute is.
    pub const fn path(attribute: u32) -> AttributePath {
        AttributePath { endpoint: ROOT, cluster: CLUSTER, attribute }
    }
}

/// General commissioning (11.10.7).
pub mod commissioning {
    use super::{CommandPath, FieldError, Fields, Tag, Writer, command};

    pub const CLUSTER: u32 = 0x0030;
    pub const ARM_FAIL_SAFE: CommandPath = command(CLUSTER, 0x00);
    pub const ARM_FAIL_SAFE_RESPONSE: CommandPath = command(CLUSTER, 0x01);

    /// Writes the fields of `ArmFailSafe`: 0 seconds undo all.
    pub fn arm(writer: &mut Writer, seconds: u16, breadcrumb: u64) {
        writer.unsigned(Tag::Context(0), seconds.into()).unsigned(Tag::Context(1), breadcrumb);
    }

    /// Reads them: seconds.
    ///
    /// # Errors
    ///
    /// [`FieldError`], the first fault.
    pub fn read_arm(fields: &Fields<'_>) -> Result<u16, FieldError> {
        fields.field(1, "breadcrumb").unsigned::<u64>()?;
        fields.field(0, "expiry length").unsigned()
    }

    /// Writes the fields of `ArmFailSafeResponse`.
    pub fn armed(writer: &mut Writer, error: u8, text: &str) {
        writer.unsigned(Tag::Context(0), error.into()).utf8(Tag::Context(1), text);
    }

    /// Reads them: the error, and what the device says of it.
    ///
    /// # Errors
    ///
    /// [`FieldError`], the first fault.
    pub fn read_armed(fields: &Fields<'_>) -> Result<(u8, String), FieldError> {
        let text = fields.optional(1, "debug text").map_or(Ok(""), |text| text.text())?;
        Ok((fields.field(0, "error code").unsigned()?, text.to_owned()))
    }

    /// An error in words (11.10.5.1).
    pub fn words(error: u8) -> String {
        let words = match error {
            0 => "OK",
            1 => "a value out of range",
            2 => "invalid authentication",
            3 => "not commissioning",
            4 => "busy with another administrator",
            _ => return format!("error {error}"),
        };
        format!("error {error}, {words}")
    }
}

/// Operational credentials (11.18.6).
pub mod credentials {
    use super::{CommandPath, Container, FieldError, Fields, Tag, Writer, command};

    pub const CLUSTER: u32 = 0x003E;
    pub const ATTESTATION_REQUEST: CommandPath = command(CLUSTER, 0x00);
    pub const ATTESTATION_RESPONSE: CommandPath = command(CLUSTER, 0x01);
    pub const CHAIN_REQUEST: CommandPath = command(CLUSTER, 0x02);
    pub const CHAIN_RESPONSE: CommandPath = command(CLUSTER, 0x03);
    pub const CSR_REQUEST: CommandPath = command(CLUSTER, 0x04);
    pub const CSR_RESPONSE: CommandPath = command(CLUSTER, 0x05);

    /// Which certificate is asked for.
    #[derive(Debug, Clone, Copy, PartialEq, Eq)]
    pub enum Which {
        Dac = 1,
        Pai = 2,
    }

    /// Writes the one field of `AttestationRequest` and of `CSRRequest`.
    pub fn nonce(writer: &mut Writer, nonce: &[u8; 32]) {
        writer.octets(Tag::Context(0), nonce);
    }

    /// Reads it.
    ///
    /// # Errors
    ///
    /// [`FieldError`], the first fault.
    pub fn read_nonce(fields: &Fields<'_>) -> Result<[u8; 32], FieldError> {
        fields.field(0, "nonce").exactly()
    }

    /// Writes the field of `CertificateChainRequest`.
    pub fn chain(writer: &mut Writer, which: Which) {
        writer.unsigned(Tag::Context(0), which as u64);
    }

    /// Reads it; `None` for a certificate that there is none of.
    ///
    /// # Errors
    ///
    /// [`FieldError`], the first fault.
    pub fn read_chain(fields: &Fields<'_>) -> Result<Option<Which>, FieldError> {
        Ok(match fields.field(0, "certificate type").unsigned::<u64>()? {
            1 => Some(Which::Dac),
            2 => Some(Which::Pai),
            _ => None,
        })
    }

    /// Writes the field of `CertificateChainResponse`.
    pub fn certificate(writer: &mut Writer, der: &[u8]) {
        writer.octets(Tag::Context(0), der);
    }

    /// Reads it: one certificate, whatever it is.
    ///
    /// # Errors
    ///
    /// [`FieldError`], the first fault.
    pub fn read_certificate(fields: &Fields<'_>) -> Result<Vec<u8>, FieldError> {
        Ok(fields.field(0, "certificate").octets()?.to_vec())
    }

    /// Writes the fields of `AttestationResponse` and of `CSRResponse`.
    pub fn signed(writer: &mut Writer, elements: &[u8], signature: &[u8]) {
        writer.octets(Tag::Context(0), elements).octets(Tag::Context(1), signature);
    }

    /// Reads them: elements, and a signature of any size.
    ///
    /// # Errors
    ///
    /// [`FieldError`], the first fault.
    pub fn read_signed(fields: &Fields<'_>) -> Result<(Vec<u8>, Vec<u8>), FieldError> {
        Ok((fields.field(0, "elements").octets()?.to_vec(), fields.field(1, "signature").octets()?.to_vec()))
    }

    /// Writes the elements of a `CSRResponse`: a PKCS #10 request, and the nonce sent back.
    pub fn csr_elements(request: &[u8], nonce: &[u8; 32]) -> Vec<u8> {
        let mut writer = Writer::new();
        writer
            .open(Tag::Anonymous, Container::Structure)
            .octets(Tag::Context(1), request)
            .octets(Tag::Context(2), nonce)
            .close();
        writer.finish()
    }

    /// Reads them: request and nonce. Vendors may add elements of their own.
    ///
    /// # Errors
    ///
    /// [`FieldError`], the first fault.
    pub fn read_csr_elements(elements: &[u8]) -> Result<(&[u8], &[u8]), FieldError> {
        let fields = Fields::of_structure(elements)?;
        Ok((fields.field(1, "csr").octets()?, fields.field(2, "CSRNonce").octets()?))
    }
}
