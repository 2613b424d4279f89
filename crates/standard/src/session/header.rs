//! The message header, which every datagram begins with (Core Spec 4.4.1).

/// Octets of the largest payload of a UDP datagram that any link carries: 1280
/// less IPv6's and UDP's headers (RFC 8200 §5, RFC 768).
pub const MAX_DATAGRAM: usize = 1232;

/// Octets of the fields that are always there.
const FIXED: usize = 8;

/// Message flags: a source node ID follows.
const SOURCE: u8 = 1 << 2;
/// Security flags: the header is obscured.
const PRIVACY: u8 = 1 << 7;
/// Security flags: a control message.
const CONTROL: u8 = 1 << 6;
/// Security flags: message extensions follow the header.
const EXTENSIONS: u8 = 1 << 5;

/// What a message header says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Header {
    /// The session ID that the receiver chose; 0 where the session is unsecured.
    pub session: u16,
    pub counter: u32,
    /// Node ID of the sender, as on an unsecured session from its initiator.
    pub source: Option<u64>,
    /// Node ID of the receiver, as on an unsecured session to its initiator.
    pub destination: Option<u64>,
}

/// Why a datagram is none for us: it is dropped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum HeaderFault {
    #[error("a datagram of {0} bytes, shorter than its header")]
    Short(usize),
    #[error("a datagram of {0} bytes, more than {MAX_DATAGRAM}")]
    Long(usize),
    #[error("a message of version {0}")]
    Version(u8),
    /// To a group, of a control protocol or with an obscured header: nothing that a first meeting has.
    #[error("a message that no first meeting has, with security flags {0:02x} and flags {1:02x}")]
    Kind(u8, u8),
}

/// A datagram, its header read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Datagram<'a> {
    pub header: Header,
    /// The header as it was sent: what a seal binds (associated data).
    pub head: &'a [u8],
    /// What follows: a message, or one that is sealed.
    pub body: &'a [u8],
}

impl<'a> Datagram<'a> {
    /// Reads the header; `data` is one datagram's payload.
    ///
    /// # Errors
    ///
    /// [`HeaderFault`] where it is none for a first meeting.
    pub fn read(data: &'a [u8]) -> Result<Self, HeaderFault> {
        let short = HeaderFault::Short(data.len());
        if data.len() > MAX_DATAGRAM {
            return Err(HeaderFault::Long(data.len()));
        }
        let (fixed, mut rest) = data.split_first_chunk::<FIXED>().ok_or(short)?;
        let [flags, s0, s1, security, c0, c1, c2, c3] = *fixed;
        if flags >> 4 != 0 {
            return Err(HeaderFault::Version(flags >> 4));
        }
        // Destinations: 0 none, 1 a node, 2 a group; session types: 0 unicast, 1 group.
        if security & (PRIVACY | CONTROL | 3) != 0 || flags & 3 > 1 {
            return Err(HeaderFault::Kind(security, flags));
        }
        let mut node = |there: bool| -> Result<Option<u64>, HeaderFault> {
            if !there {
                return Ok(None);
            }
            let (id, after) = rest.split_first_chunk::<8>().ok_or(short)?;
            rest = after;
            Ok(Some(u64::from_le_bytes(*id)))
        };
        let source = node(flags & SOURCE != 0)?;
        let destination = node(flags & 3 == 1)?;
        if security & EXTENSIONS != 0 {
            // Passed over: their length in 2 octets, then they.
            let (length, after) = rest.split_first_chunk::<2>().ok_or(short)?;
            rest = after.get(usize::from(u16::from_le_bytes(*length))..).ok_or(short)?;
        }
        let header = Header {
            session: u16::from_le_bytes([s0, s1]),
            counter: u32::from_le_bytes([c0, c1, c2, c3]),
            source,
            destination,
        };
        Ok(Self { header, head: &data[..data.len() - rest.len()], body: rest })
    }

    /// The security flags as sent.
    pub(super) fn security(&self) -> u8 {
        self.head[3]
    }
}

impl Header {
    /// Writes the header.
    pub fn encode(&self) -> Vec<u8> {
        let flags = if self.source.is_some() { SOURCE } else { 0 } | u8::from(self.destination.is_some());
        let mut out = Vec::with_capacity(MAX_DATAGRAM);
        out.push(flags);
        out.extend(self.session.to_le_bytes());
        out.push(0);
        out.extend(self.counter.to_le_bytes());
        for node in [self.source, self.destination].into_iter().flatten() {
            out.extend(node.to_le_bytes());
        }
        out
    }
}
