//! The payloads with which a session is opened (Core Spec 4.14.1.2, from memory).

use super::{CONFIRMATION, SHARE};
use crate::session::Intervals;
use crate::tlv::{Container, FieldError, Fields, Tag, Writer};

/// Octets of the randomness that either side sends.
pub const RANDOM: usize = 32;

/// The home asks for the parameters of the device's verifier.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ParamRequest {
    pub random: [u8; RANDOM],
    /// The session ID under which the home wants to be written to; not 0.
    pub session: u16,
    /// 0, the passcode on the label.
    pub passcode_id: u16,
    pub has_parameters: bool,
    pub intervals: Option<Intervals>,
}

/// The device answers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ParamResponse {
    /// The home's, sent back.
    pub initiator_random: [u8; RANDOM],
    pub random: [u8; RANDOM],
    /// The session ID under which the device wants to be written to.
    pub session: u16,
    pub parameters: Option<Parameters>,
    pub intervals: Option<Intervals>,
}

/// What the device's verifier was derived with, as it says: nothing is checked yet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Parameters {
    pub iterations: u32,
    pub salt: Vec<u8>,
}

fn message(fill: impl FnOnce(&mut Writer)) -> Vec<u8> {
    let mut writer = Writer::new();
    writer.open(Tag::Anonymous, Container::Structure);
    fill(&mut writer);
    writer.close();
    writer.finish()
}

fn write_intervals(writer: &mut Writer, intervals: Option<&Intervals>) {
    if let Some(intervals) = intervals {
        writer
            .open(Tag::Context(5), Container::Structure)
            .unsigned(Tag::Context(1), intervals.idle_ms.into())
            .unsigned(Tag::Context(2), intervals.active_ms.into())
            .unsigned(Tag::Context(3), intervals.threshold_ms.into())
            .close();
    }
}

fn read_intervals(fields: &Fields<'_>) -> Result<Option<Intervals>, FieldError> {
    let Some(field) = fields.optional(5, "session parameters") else { return Ok(None) };
    let (inner, usual) = (field.structure()?, Intervals::default());
    let number = |number, name, usual| inner.optional(number, name).map_or(Ok(usual), |field| field.unsigned());
    Ok(Some(Intervals {
        idle_ms: number(1, "idle interval", usual.idle_ms)?,
        active_ms: number(2, "active interval", usual.active_ms)?,
        threshold_ms: number(3, "active threshold", usual.threshold_ms)?,
    }))
}

impl ParamRequest {
    /// Writes the payload.
    pub fn encode(&self) -> Vec<u8> {
        message(|w| {
            w.octets(Tag::Context(1), &self.random)
                .unsigned(Tag::Context(2), self.session.into())
                .unsigned(Tag::Context(3), self.passcode_id.into())
                .bool(Tag::Context(4), self.has_parameters);
            write_intervals(w, self.intervals.as_ref());
        })
    }

    /// Reads a payload.
    ///
    /// # Errors
    ///
    /// [`FieldError`], the first fault.
    pub fn read(payload: &[u8]) -> Result<Self, FieldError> {
        let fields = Fields::of_structure(payload)?;
        Ok(Self {
            random: fields.field(1, "initiatorRandom").exactly()?,
            session: fields.field(2, "initiatorSessionId").unsigned()?,
            passcode_id: fields.field(3, "passcodeId").unsigned()?,
            has_parameters: fields.field(4, "hasPBKDFParameters").boolean()?,
            intervals: read_intervals(&fields)?,
        })
    }
}

impl ParamResponse {
    /// Writes the payload.
    pub fn encode(&self) -> Vec<u8> {
        message(|w| {
            w.octets(Tag::Context(1), &self.initiator_random)
                .octets(Tag::Context(2), &self.random)
                .unsigned(Tag::Context(3), self.session.into());
            if let Some(parameters) = &self.parameters {
                w.open(Tag::Context(4), Container::Structure)
                    .unsigned(Tag::Context(1), parameters.iterations.into())
                    .octets(Tag::Context(2), &parameters.salt)
                    .close();
            }
            write_intervals(w, self.intervals.as_ref());
        })
    }

    /// Reads a payload.
    ///
    /// # Errors
    ///
    /// [`FieldError`], the first fault.
    pub fn read(payload: &[u8]) -> Result<Self, FieldError> {
        let fields = Fields::of_structure(payload)?;
        let parameters = fields.optional(4, "pbkdf_parameters").map(|field| {
            let inner = field.structure()?;
            Ok::<_, FieldError>(Parameters {
                iterations: inner.field(1, "iterations").unsigned()?,
                salt: inner.field(2, "salt").octets()?.to_vec(),
            })
        });
        Ok(Self {
            initiator_random: fields.field(1, "initiatorRandom").exactly()?,
            random: fields.field(2, "responderRandom").exactly()?,
            session: fields.field(3, "responderSessionId").unsigned()?,
            parameters: parameters.transpose()?,
            intervals: read_intervals(&fields)?,
        })
    }
}

/// Pake1: the home's share.
pub fn pake1(share: &[u8; SHARE]) -> Vec<u8> {
    message(|w| {
        w.octets(Tag::Context(1), share);
    })
}

/// Reads Pake1; whether it is a point is for [`super::Verifier`] to say.
///
/// # Errors
///
/// [`FieldError`], the first fault.
pub fn read_pake1(payload: &[u8]) -> Result<Vec<u8>, FieldError> {
    Ok(Fields::of_structure(payload)?.field(1, "pA").octets()?.to_vec())
}

/// Pake2: the device's share and confirmation.
pub fn pake2(share: &[u8], confirmation: &[u8; CONFIRMATION]) -> Vec<u8> {
    message(|w| {
        w.octets(Tag::Context(1), share).octets(Tag::Context(2), confirmation);
    })
}

/// Reads Pake2: pB, then cB; whether pB is a point is for [`super::Prover`] to say.
///
/// # Errors
///
/// [`FieldError`], the first fault.
pub fn read_pake2(payload: &[u8]) -> Result<(Vec<u8>, [u8; CONFIRMATION]), FieldError> {
    let fields = Fields::of_structure(payload)?;
    Ok((fields.field(1, "pB").octets()?.to_vec(), fields.field(2, "cB").exactly()?))
}

/// Pake3: the home's confirmation.
pub fn pake3(confirmation: &[u8; CONFIRMATION]) -> Vec<u8> {
    message(|w| {
        w.octets(Tag::Context(1), confirmation);
    })
}

/// Reads Pake3.
///
/// # Errors
///
/// [`FieldError`], the first fault.
pub fn read_pake3(payload: &[u8]) -> Result<[u8; CONFIRMATION], FieldError> {
    Fields::of_structure(payload)?.field(1, "cA").exactly()
}
