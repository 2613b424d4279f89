//! Status reports (Core Spec 4.10.1, appendix D), from memory.

use super::protocol;

/// General codes.
pub mod general {
    pub const SUCCESS: u16 = 0;
    pub const FAILURE: u16 = 1;
    pub const BUSY: u16 = 8;
}

/// Protocol codes of the secure channel.
pub mod secure_channel {
    pub const SESSION_ESTABLISHED: u16 = 0;
    pub const NO_SHARED_ROOTS: u16 = 1;
    pub const INVALID_PARAMETER: u16 = 2;
    pub const CLOSE_SESSION: u16 = 3;
    pub const BUSY: u16 = 4;
}

/// What one side says of how it went.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StatusReport {
    pub general: u16,
    pub protocol: u32,
    pub code: u16,
    /// What more the code has, as the milliseconds to wait of a busy device.
    pub data: Vec<u8>,
}

/// Too short for a status report.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a status report of {0} bytes; it needs at least 8")]
pub struct StatusFault(pub usize);

impl StatusReport {
    /// One of the secure channel, without data.
    pub fn secure_channel(general: u16, code: u16) -> Self {
        Self { general, protocol: protocol::SECURE_CHANNEL, code, data: Vec::new() }
    }

    /// Reads a payload.
    ///
    /// # Errors
    ///
    /// [`StatusFault`] where it is too short.
    pub fn read(payload: &[u8]) -> Result<Self, StatusFault> {
        let (fixed, data) = payload.split_first_chunk::<8>().ok_or(StatusFault(payload.len()))?;
        let [g0, g1, p0, p1, p2, p3, c0, c1] = *fixed;
        Ok(Self {
            general: u16::from_le_bytes([g0, g1]),
            protocol: u32::from_le_bytes([p0, p1, p2, p3]),
            code: u16::from_le_bytes([c0, c1]),
            data: data.to_vec(),
        })
    }

    /// Writes the payload.
    pub fn encode(&self) -> Vec<u8> {
        let mut out = Vec::with_capacity(8 + self.data.len());
        out.extend(self.general.to_le_bytes());
        out.extend(self.protocol.to_le_bytes());
        out.extend(self.code.to_le_bytes());
        out.extend_from_slice(&self.data);
        out
    }

    /// Whether it is that of the secure channel.
    pub fn is(&self, general: u16, code: u16) -> bool {
        (self.general, self.protocol, self.code) == (general, protocol::SECURE_CHANNEL, code)
    }

    /// Whether the peer is busy with another, and for how many milliseconds where it says.
    pub fn busy(&self) -> Option<Option<u16>> {
        let is = self.general == general::BUSY
            || (self.protocol == protocol::SECURE_CHANNEL
                && self.general != general::SUCCESS
                && self.code == secure_channel::BUSY);
        is.then(|| self.data.first_chunk::<2>().map(|ms| u16::from_le_bytes(*ms)))
    }
}

impl std::fmt::Display for StatusReport {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "general code {}, protocol {:04X}, code {}", self.general, self.protocol, self.code)
    }
}
