//! The protocol header and the payload after it (Core Spec 4.4.3).

/// Protocol IDs of the standard's own vendor.
pub mod protocol {
    /// Secure channel (4.11).
    pub const SECURE_CHANNEL: u32 = 0x0000;
    /// Interaction model (chapter 8).
    pub const INTERACTION: u32 = 0x0001;
}

/// Opcodes of both protocols (4.11.1, 8.2.4).
pub mod opcode {
    pub const STANDALONE_ACK: u8 = 0x10;
    pub const PBKDF_REQUEST: u8 = 0x20;
    pub const PBKDF_RESPONSE: u8 = 0x21;
    pub const PAKE_1: u8 = 0x22;
    pub const PAKE_2: u8 = 0x23;
    pub const PAKE_3: u8 = 0x24;
    pub const STATUS_REPORT: u8 = 0x40;
    pub const STATUS_RESPONSE: u8 = 0x01;
    pub const READ_REQUEST: u8 = 0x02;
    pub const REPORT_DATA: u8 = 0x05;
    pub const INVOKE_REQUEST: u8 = 0x08;
    pub const INVOKE_RESPONSE: u8 = 0x09;
}

const INITIATOR: u8 = 1 << 0;
const ACKNOWLEDGES: u8 = 1 << 1;
const RELIABLE: u8 = 1 << 2;
const EXTENSIONS: u8 = 1 << 3;
const VENDOR: u8 = 1 << 4;

/// A message, its protocol header read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Message<'a> {
    /// Whether it comes from whoever began the exchange.
    pub initiator: bool,
    /// Whether it wants to be acknowledged.
    pub reliable: bool,
    /// The counter that it acknowledges.
    pub acknowledges: Option<u32>,
    pub opcode: u8,
    pub exchange: u16,
    /// Vendor ID in the high half, 0 for the standard's own; protocol ID in the low one.
    pub protocol: u32,
    pub payload: &'a [u8],
}

/// Octets that end inside a protocol header.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a message of {0} bytes that ends inside its protocol header")]
pub struct MessageFault(pub usize);

impl<'a> Message<'a> {
    /// Reads what follows a message header, in the clear.
    ///
    /// # Errors
    ///
    /// [`MessageFault`] where it is too short.
    pub fn read(data: &'a [u8]) -> Result<Self, MessageFault> {
        let short = MessageFault(data.len());
        let (fixed, mut rest) = data.split_first_chunk::<6>().ok_or(short)?;
        let [flags, opcode, e0, e1, p0, p1] = *fixed;
        let mut vendor = 0;
        if flags & VENDOR != 0 {
            let (id, after) = rest.split_first_chunk::<2>().ok_or(short)?;
            (vendor, rest) = (u16::from_le_bytes(*id), after);
        }
        let mut acknowledges = None;
        if flags & ACKNOWLEDGES != 0 {
            let (counter, after) = rest.split_first_chunk::<4>().ok_or(short)?;
            (acknowledges, rest) = (Some(u32::from_le_bytes(*counter)), after);
        }
        if flags & EXTENSIONS != 0 {
            // Passed over, as those of the message header are.
            let (length, after) = rest.split_first_chunk::<2>().ok_or(short)?;
            rest = after.get(usize::from(u16::from_le_bytes(*length))..).ok_or(short)?;
        }
        Ok(Self {
            initiator: flags & INITIATOR != 0,
            reliable: flags & RELIABLE != 0,
            acknowledges,
            opcode,
            exchange: u16::from_le_bytes([e0, e1]),
            protocol: u32::from(vendor) << 16 | u32::from(u16::from_le_bytes([p0, p1])),
            payload: rest,
        })
    }

    /// Writes protocol header and payload.
    pub fn encode(&self) -> Vec<u8> {
        let [p0, p1, v0, v1] = self.protocol.to_le_bytes();
        let vendor = [v0, v1];
        let flag = |set: bool, flag: u8| if set { flag } else { 0 };
        let flags = flag(self.initiator, INITIATOR)
            | flag(self.acknowledges.is_some(), ACKNOWLEDGES)
            | flag(self.reliable, RELIABLE)
            | flag(vendor != [0, 0], VENDOR);
        let mut out = Vec::with_capacity(self.payload.len() + 12);
        out.extend([flags, self.opcode]);
        out.extend(self.exchange.to_le_bytes());
        out.extend([p0, p1]);
        if vendor != [0, 0] {
            out.extend(vendor);
        }
        if let Some(counter) = self.acknowledges {
            out.extend(counter.to_le_bytes());
        }
        out.extend_from_slice(self.payload);
        out
    }

    /// Whether it is that message of that protocol.
    pub fn is(&self, protocol: u32, opcode: u8) -> bool {
        (self.protocol, self.opcode) == (protocol, opcode)
    }
}
