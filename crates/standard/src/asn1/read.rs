//! Reading: tag, length, contents; departures noted on the way.

use super::tag;

/// How deep constructed encodings may lie in one another. Certificates need
/// about ten; deeper outside input is an attack or an accident.
const MAX_DEPTH: u8 = 24;

/// A stretch of the octets that were read, as offsets.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Span {
    pub start: u32,
    /// One past the last.
    pub end: u32,
}

impl Span {
    fn new(start: usize, end: usize) -> Self {
        // Inputs are bounded far below 4 GiB before they get here.
        Self { start: u32::try_from(start).unwrap_or(u32::MAX), end: u32::try_from(end).unwrap_or(u32::MAX) }
    }

    /// The octets; empty where the span lies outside `data`.
    pub fn of(self, data: &[u8]) -> &[u8] {
        data.get(self.start as usize..self.end as usize).unwrap_or_default()
    }

    /// Number of octets.
    pub fn len(self) -> usize {
        (self.end - self.start) as usize
    }

    /// Whether there are none.
    pub fn is_empty(self) -> bool {
        self.start == self.end
    }
}

/// A place where the encoding is BER but not DER.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Departure {
    /// Offset of the octet at fault.
    pub at: usize,
    pub what: &'static str,
}

/// The octets can't be told apart any further.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("{what} at byte {at}")]
pub struct Unreadable {
    /// Offset of the octet at fault.
    pub at: usize,
    /// What is wrong there.
    pub what: &'static str,
}

/// One encoding: identifier, length, contents.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Tlv {
    pub tag: u8,
    pub full: Span,
    pub content: Span,
}

/// Walks over the encodings in a stretch of octets.
#[derive(Debug)]
pub struct Walk<'a, 'n> {
    data: &'a [u8],
    at: usize,
    end: usize,
    depth: u8,
    departures: &'n mut Vec<Departure>,
}

impl<'a, 'n> Walk<'a, 'n> {
    /// Over all of `data`.
    pub fn new(data: &'a [u8], departures: &'n mut Vec<Departure>) -> Self {
        Self { data, at: 0, end: data.len(), depth: 0, departures }
    }

    /// Over a stretch of `data`; offsets stay those of `data`.
    pub fn within(data: &'a [u8], span: Span, departures: &'n mut Vec<Departure>) -> Self {
        Self { data, at: span.start as usize, end: (span.end as usize).min(data.len()), depth: 0, departures }
    }

    /// Into the contents of an encoding read before.
    ///
    /// # Errors
    ///
    /// Where encodings nest deeper than any certificate's do.
    pub fn enter<'s>(&'s mut self, tlv: &Tlv) -> Result<Walk<'a, 's>, Unreadable> {
        if self.depth == MAX_DEPTH {
            return Err(Unreadable { at: tlv.full.start as usize, what: "encodings nested too deeply" });
        }
        Ok(Walk {
            data: self.data,
            at: tlv.content.start as usize,
            end: tlv.content.end as usize,
            depth: self.depth + 1,
            departures: self.departures,
        })
    }

    /// Whether nothing is left.
    pub fn is_done(&self) -> bool {
        self.at >= self.end
    }

    /// Offset of what comes next.
    pub fn position(&self) -> usize {
        self.at
    }

    /// Notes a departure.
    pub fn depart(&mut self, at: usize, what: &'static str) {
        self.departures.push(Departure { at, what });
    }

    /// The identifier octet that comes next.
    pub fn peek(&self) -> Option<u8> {
        if self.is_done() { None } else { self.data.get(self.at).copied() }
    }

    fn octet(&mut self) -> Result<u8, Unreadable> {
        if self.is_done() {
            return Err(Unreadable { at: self.at, what: "the encoding ends early" });
        }
        let octet = self.data[self.at];
        self.at += 1;
        Ok(octet)
    }

    /// The next encoding, whatever it is.
    ///
    /// # Errors
    ///
    /// Where its length goes beyond what is there, or its form is not BER.
    #[expect(clippy::should_implement_trait, reason = "errors end the reading; an iterator would invite skipping them")]
    pub fn next(&mut self) -> Result<Tlv, Unreadable> {
        let start = self.at;
        let first = self.octet()?;
        if first & 0x1F == 0x1F {
            // High tag numbers: at most four more octets, far beyond any in use.
            let mut octets = 0;
            while self.octet()? & 0x80 != 0 {
                octets += 1;
                if octets == 4 {
                    return Err(Unreadable { at: start, what: "a tag number without end" });
                }
            }
        }
        let length_at = self.at;
        let length = match self.octet()? {
            short @ 0..=0x7F => usize::from(short),
            0x80 if first & 0x20 != 0 => return self.indefinite(first, start, length_at),
            0x80 => return Err(Unreadable { at: length_at, what: "an indefinite length on a primitive encoding" }),
            0xFF => return Err(Unreadable { at: length_at, what: "a reserved length byte" }),
            long => {
                let count = usize::from(long & 0x7F);
                let mut length = 0usize;
                for index in 0..count {
                    let octet = self.octet()?;
                    if index == 0 && octet == 0 {
                        self.depart(length_at, "a length in more bytes than needed");
                    }
                    length = length
                        .checked_mul(256)
                        .and_then(|l| l.checked_add(usize::from(octet)))
                        .ok_or(Unreadable { at: length_at, what: "a length beyond any memory" })?;
                }
                if length < 0x80 && self.departures.last().is_none_or(|d| d.at != length_at) {
                    self.depart(length_at, "a length in more bytes than needed");
                }
                length
            }
        };
        if length > self.end - self.at {
            return Err(Unreadable { at: length_at, what: "a length that goes beyond the end" });
        }
        let content = Span::new(self.at, self.at + length);
        self.at += length;
        if first == tag::OID && !is_whole_oid(content.of(self.data)) {
            self.depart(content.start as usize, "an object identifier that is not whole");
        }
        Ok(Tlv { tag: first, full: Span::new(start, self.at), content })
    }

    /// Contents up to the end-of-contents octets (X.690 §8.1.3.6).
    fn indefinite(&mut self, first: u8, start: usize, length_at: usize) -> Result<Tlv, Unreadable> {
        self.depart(length_at, "an indefinite length");
        if self.depth == MAX_DEPTH {
            return Err(Unreadable { at: start, what: "encodings nested too deeply" });
        }
        let from = self.at;
        let mut inner =
            Walk { data: self.data, at: from, end: self.end, depth: self.depth + 1, departures: self.departures };
        loop {
            if inner.data.get(inner.at..inner.end).is_some_and(|rest| rest.starts_with(&[0, 0])) {
                break;
            }
            inner.next()?;
        }
        let to = inner.at;
        self.at = to + 2;
        Ok(Tlv { tag: first, full: Span::new(start, self.at), content: Span::new(from, to) })
    }

    /// The octets of the next encoding, a signature's BIT STRING (RFC 5280
    /// section 4.1.1.3), without the octet that counts unused bits.
    ///
    /// # Errors
    ///
    /// Where it is no BIT STRING, or leaves bits unused.
    pub fn signature(&mut self) -> Result<Span, Unreadable> {
        let bits = self.expect(super::tag::BIT_STRING, "a signature was expected")?;
        match bits.content.of(self.data).first() {
            Some(0) => Ok(Span { start: bits.content.start + 1, end: bits.content.end }),
            _ => Err(Unreadable { at: bits.full.start as usize, what: "a signature that is not whole bytes" }),
        }
    }

    /// The next encoding, which must have this identifier octet.
    ///
    /// # Errors
    ///
    /// Where it has another, with `what` to say what was expected.
    pub fn expect(&mut self, tag: u8, what: &'static str) -> Result<Tlv, Unreadable> {
        let at = self.at;
        if self.peek() != Some(tag) {
            return Err(Unreadable { at, what });
        }
        self.next()
    }

    /// Expects that nothing is left.
    ///
    /// # Errors
    ///
    /// Where something is.
    pub fn finish(&self, what: &'static str) -> Result<(), Unreadable> {
        if self.is_done() { Ok(()) } else { Err(Unreadable { at: self.at, what }) }
    }

    /// An INTEGER's contents; notes a form longer than needed (X.690 §8.3.2).
    ///
    /// # Errors
    ///
    /// Where it is no INTEGER or has no contents.
    pub fn integer(&mut self, what: &'static str) -> Result<Span, Unreadable> {
        let tlv = self.expect(tag::INTEGER, what)?;
        let octets = tlv.content.of(self.data);
        match octets {
            [] => return Err(Unreadable { at: tlv.full.start as usize, what: "an INTEGER without contents" }),
            [0, next, ..] if *next < 0x80 => {
                self.depart(tlv.content.start as usize, "an INTEGER in more bytes than needed")
            }
            [0xFF, next, ..] if *next >= 0x80 => {
                self.depart(tlv.content.start as usize, "an INTEGER in more bytes than needed");
            }
            _ => {}
        }
        Ok(tlv.content)
    }

    /// A BOOLEAN; notes a true that is not 0xFF (X.690 §11.1).
    ///
    /// # Errors
    ///
    /// Where it is no BOOLEAN of one octet.
    pub fn boolean(&mut self, what: &'static str) -> Result<bool, Unreadable> {
        let tlv = self.expect(tag::BOOLEAN, what)?;
        match tlv.content.of(self.data) {
            [0] => Ok(false),
            [0xFF] => Ok(true),
            [_] => {
                self.depart(tlv.content.start as usize, "a BOOLEAN true that is not FF");
                Ok(true)
            }
            _ => Err(Unreadable { at: tlv.full.start as usize, what: "a BOOLEAN that is not one byte" }),
        }
    }

    /// Goes through everything below `tlv` and notes departures in it.
    ///
    /// # Errors
    ///
    /// Where contents of a constructed encoding are no encodings.
    pub fn sweep(&mut self, tlv: &Tlv) -> Result<(), Unreadable> {
        if tlv.tag & 0x20 != 0 {
            let mut inner = self.enter(tlv)?;
            while !inner.is_done() {
                let member = inner.next()?;
                inner.sweep(&member)?;
            }
        }
        Ok(())
    }
}

/// Whether each number in an OBJECT IDENTIFIER has an end and no needless
/// octet before it (X.690 §8.19.2).
fn is_whole_oid(content: &[u8]) -> bool {
    let mut begins = true;
    for octet in content {
        if begins && *octet == 0x80 {
            return false;
        }
        begins = octet & 0x80 == 0;
    }
    begins && !content.is_empty()
}

/// The one encoding that fills `data`, or `None` where it is no BER, does not
/// fill it or has octets after it.
pub fn whole_tlv(data: &[u8]) -> Option<Tlv> {
    let mut departures = Vec::new();
    let mut walk = Walk::new(data, &mut departures);
    let tlv = walk.next().ok()?;
    walk.is_done().then_some(tlv)
}
