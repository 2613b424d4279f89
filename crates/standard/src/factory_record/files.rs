//! The files that carry a record: CBOR alone, an image of a flash region,
//! Intel HEX.

use ihex::Record;
use zeroize::Zeroizing;

use super::cbor;
use super::{FactoryRecord, MAX_OCTETS, RecordError};

/// What erased flash holds.
const ERASED: u8 = 0xFF;

/// The largest region that is written or read: beyond any that holds one record.
pub(super) const MAX_REGION: usize = 16 << 20;

/// Octets of data on a line, as most tools write them.
const LINE: usize = 16;

/// Characters of the longest Intel HEX that is read: a record with a line for
/// every octet.
const MAX_HEX: usize = MAX_OCTETS * 16;

/// How a file carried a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Carrier {
    /// As CBOR alone.
    Cbor,
    /// As an image of a flash region.
    Image {
        /// Octets of the region.
        region: usize,
    },
    /// As Intel HEX.
    IntelHex {
        /// Address of its first octet.
        address: u32,
    },
}

impl FactoryRecord {
    /// An image of a flash region of so many octets: the record, then 0xFF.
    ///
    /// # Errors
    ///
    /// [`RecordError::Region`] where the record does not fit, and as [`FactoryRecord::encode`].
    pub fn image(&self, region: usize) -> Result<Zeroizing<Vec<u8>>, RecordError> {
        if region > MAX_REGION {
            return Err(RecordError::RegionTooLarge(region));
        }
        let record = self.encode()?;
        if record.len() > region {
            return Err(RecordError::Region { needs: record.len(), region });
        }
        let mut image = Zeroizing::new(Vec::with_capacity(region));
        image.extend_from_slice(&record);
        image.resize(region, ERASED);
        Ok(image)
    }

    /// Intel HEX with the record from `address` on, and nothing else.
    ///
    /// # Errors
    ///
    /// [`RecordError::Address`] where it would run past 32 bits, and as [`FactoryRecord::encode`].
    pub fn intel_hex(&self, address: u32) -> Result<Zeroizing<String>, RecordError> {
        let octets = self.encode()?;
        let past = || RecordError::Address(address);
        u32::try_from(octets.len() - 1).ok().and_then(|last| address.checked_add(last)).ok_or_else(past)?;
        let mut lines = Vec::new();
        let mut bank = None;
        let mut at = address;
        let mut rest = &octets[..];
        while !rest.is_empty() {
            let high = (at >> 16) as u16;
            if bank.replace(high) != Some(high) {
                lines.push(Record::ExtendedLinearAddress(high));
            }
            // A line ends with its bank of 64 Ki octets.
            let left = (0x1_0000 - (at & 0xFFFF)) as usize;
            let (value, after) = rest.split_at(rest.len().min(LINE).min(left));
            lines.push(Record::Data { offset: at as u16, value: value.to_vec() });
            at = at.wrapping_add(value.len() as u32);
            rest = after;
        }
        lines.push(Record::EndOfFile);
        let text = ihex::create_object_file_representation(&lines);
        let mut text = Zeroizing::new(text.map_err(|error| RecordError::IntelHex { line: 0, why: error.to_string() })?);
        if !text.ends_with('\n') {
            text.push('\n');
        }
        Ok(text)
    }
}

/// Reads a record from any of the files that carry one.
///
/// # Errors
///
/// [`RecordError`], the first fault.
pub fn read_any(file: &[u8]) -> Result<(FactoryRecord, Carrier), RecordError> {
    if file.first() == Some(&b':') {
        let (octets, address) = read_hex(file)?;
        return Ok((read_padded(&octets)?.0, Carrier::IntelHex { address }));
    }
    if file.len() > MAX_REGION {
        return Err(RecordError::RegionTooLarge(file.len()));
    }
    let (record, end) = read_padded(file)?;
    let carrier = if end == file.len() { Carrier::Cbor } else { Carrier::Image { region: file.len() } };
    Ok((record, carrier))
}

/// A record with nothing but erased flash after it, and where it ends.
fn read_padded(octets: &[u8]) -> Result<(FactoryRecord, usize), RecordError> {
    let (record, end) = cbor::decode(octets)?;
    match octets[end..].iter().position(|octet| *octet != ERASED) {
        None => Ok((record, end)),
        Some(at) => Err(RecordError::Trailing(end + at)),
    }
}

/// The octets in Intel HEX, which follow one another without a gap, and the
/// address of the first.
fn read_hex(file: &[u8]) -> Result<(Zeroizing<Vec<u8>>, u32), RecordError> {
    let fault = |line: usize, why: &str| RecordError::IntelHex { line, why: why.to_owned() };
    if file.len() > MAX_HEX {
        return Err(fault(1, &format!("{} bytes of text, more than any record takes", file.len())));
    }
    let text = std::str::from_utf8(file).map_err(|_| fault(1, "the file is not text"))?;
    let mut octets = Zeroizing::new(Vec::with_capacity(MAX_OCTETS));
    let mut base = 0_u32;
    let mut next: Option<u64> = None;
    let mut start = None;
    let mut ended = false;
    for (number, line) in text.lines().enumerate() {
        let number = number + 1;
        let line = line.trim_end();
        if ended && !line.is_empty() {
            return Err(fault(number, "something follows the end of the file"));
        }
        if line.is_empty() {
            continue;
        }
        match Record::from_record_string(line).map_err(|error| fault(number, &error.to_string()))? {
            Record::Data { offset, value } => {
                let at = u64::from(base) + u64::from(offset);
                if next.is_some_and(|next| next != at) {
                    return Err(fault(number, "the data does not continue where the line before ends"));
                }
                next = Some(at + value.len() as u64);
                start.get_or_insert(at);
                octets.extend_from_slice(&value);
                if octets.len() > MAX_REGION.min(MAX_HEX) {
                    return Err(RecordError::TooLarge(octets.len()));
                }
            }
            Record::ExtendedLinearAddress(high) => base = u32::from(high) << 16,
            Record::ExtendedSegmentAddress(segment) => base = u32::from(segment) << 4,
            Record::StartLinearAddress(_) | Record::StartSegmentAddress { .. } => {}
            Record::EndOfFile => ended = true,
        }
    }
    if !ended {
        return Err(fault(text.lines().count(), "the file ends without its last line"));
    }
    let start = start.ok_or_else(|| fault(1, "no data"))?;
    let address = u32::try_from(start).map_err(|_| fault(1, "the data is beyond 32 bits"))?;
    Ok((octets, address))
}
