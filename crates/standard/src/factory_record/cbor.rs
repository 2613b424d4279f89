//! The map, field by field.

use std::collections::BTreeMap;

use minicbor::decode::Error as DecodeError;
use minicbor::{Decoder, Encoder};
use zeroize::Zeroizing;

use super::{FORM, FactoryRecord, Field, MAX_OCTETS, RecordError, RotatingId, date_text, read_date};
use crate::ids::{ProductId, VendorId};
use crate::onboarding::{Discriminator, Passcode};
use crate::passcode_verifier::{Iterations, PasscodeVerifier, Salt};

/// One value of the map.
enum Value<'a> {
    Number(u32),
    Text(&'a str),
    Octets(&'a [u8]),
}

/// Encodes a checked record. Keys ascend, numbers and lengths are in their
/// shortest form, which the encoder does by itself, and every length is
/// definite: RFC 8949 §4.2.1.
pub(super) fn encode(record: &FactoryRecord) -> Result<Zeroizing<Vec<u8>>, RecordError> {
    use Value::{Number, Octets, Text};
    let date = date_text(record.manufactured);
    let verifier = record.verifier.octets();
    let values = [
        (Field::Form, Some(Number(FORM.into()))),
        (Field::SerialNumber, Some(Text(&record.serial_number))),
        (Field::VendorId, Some(Number(record.vendor_id.get().into()))),
        (Field::VendorName, Some(Text(&record.vendor_name))),
        (Field::ProductId, Some(Number(record.product_id.get().into()))),
        (Field::ProductName, Some(Text(&record.product_name))),
        (Field::HardwareVersion, Some(Number(record.hardware_version.into()))),
        (Field::HardwareVersionText, record.hardware_version_text.as_deref().map(Text)),
        (Field::Manufactured, Some(Text(&date))),
        (Field::Discriminator, Some(Number(record.discriminator.get().into()))),
        (Field::Salt, Some(Octets(record.salt.octets()))),
        (Field::Iterations, Some(Number(record.iterations.get()))),
        (Field::Verifier, Some(Octets(&*verifier))),
        (Field::RotatingId, Some(Octets(record.rotating_id.octets()))),
        (Field::Dac, record.dac.as_deref().map(Octets)),
        (Field::Pai, record.pai.as_deref().map(Octets)),
        (Field::Declaration, record.declaration.as_deref().map(Octets)),
        (Field::Passcode, record.passcode.as_ref().map(|passcode| Number(passcode.get()))),
    ];
    let present = values.iter().filter(|(_, value)| value.is_some()).count();
    // With room for all, so that no half-written copy stays behind in memory.
    let mut octets = Zeroizing::new(Vec::with_capacity(MAX_OCTETS));
    let mut encoder = Encoder::new(&mut *octets);
    let mut put = || {
        encoder.map(present as u64)?;
        for (field, value) in &values {
            let Some(value) = value else { continue };
            encoder.u8(field.key())?;
            match value {
                Number(number) => encoder.u32(*number)?,
                Text(text) => encoder.str(text)?,
                Octets(octets) => encoder.bytes(octets)?,
            };
        }
        Ok::<(), minicbor::encode::Error<_>>(())
    };
    put().map_err(|error| RecordError::Cbor { at: 0, why: error.to_string() })?;
    Ok(octets)
}

/// Decodes a record at the start of `octets`; returns it with where it ends.
pub(super) fn decode(octets: &[u8]) -> Result<(FactoryRecord, usize), RecordError> {
    // No record is longer, whatever follows it.
    let octets = &octets[..octets.len().min(MAX_OCTETS)];
    let mut decoder = Decoder::new(octets);
    let fields = Fields::decode(&mut decoder)?;
    let end = decoder.position();
    let record = fields.record()?;
    // Equal records have one encoding: what differs from it was encoded otherwise.
    let canonical = record.encode()?;
    if canonical[..] != octets[..end] {
        let same = canonical.iter().zip(octets).take_while(|(a, b)| a == b).count();
        return Err(RecordError::NotDeterministic(same));
    }
    Ok((record, end))
}

/// The fields as they stand in the map.
struct Fields<'a>(BTreeMap<Field, Value<'a>>);

impl<'a> Fields<'a> {
    fn decode(decoder: &mut Decoder<'a>) -> Result<Self, RecordError> {
        let count = at(decoder, Decoder::map)?;
        let count = count.ok_or(RecordError::NotDeterministic(0))?; // A map without a length
        let mut fields = BTreeMap::new();
        for _ in 0..count {
            let key = at(decoder, Decoder::u64)?;
            let field = Field::ALL.into_iter().find(|field| u64::from(field.key()) == key);
            let field = field.ok_or(RecordError::UnknownKey(key))?;
            if fields.last_key_value().is_some_and(|(last, _)| *last >= field) {
                return Err(RecordError::KeyOrder(key));
            }
            let value = match field {
                Field::Form
                | Field::VendorId
                | Field::ProductId
                | Field::HardwareVersion
                | Field::Discriminator
                | Field::Iterations
                | Field::Passcode => Value::Number(at(decoder, Decoder::u32)?),
                Field::SerialNumber
                | Field::VendorName
                | Field::ProductName
                | Field::HardwareVersionText
                | Field::Manufactured => Value::Text(at(decoder, Decoder::str)?),
                Field::Salt | Field::Verifier | Field::RotatingId | Field::Dac | Field::Pai | Field::Declaration => {
                    Value::Octets(at(decoder, Decoder::bytes)?)
                }
            };
            // The fields of another form may be others.
            if let (Field::Form, Value::Number(form)) = (field, &value)
                && *form != u32::from(FORM)
            {
                return Err(RecordError::Form(u8::try_from(*form).unwrap_or(u8::MAX)));
            }
            fields.insert(field, value);
        }
        Ok(Self(fields))
    }

    fn number(&self, field: Field) -> Option<u32> {
        self.0.get(&field).and_then(|value| if let Value::Number(number) = value { Some(*number) } else { None })
    }

    /// A number of 16 bits that every record has.
    fn short(&self, field: Field) -> Result<u16, RecordError> {
        let found = self.number(field).ok_or(RecordError::Missing(field))?;
        u16::try_from(found).map_err(|_| RecordError::Number { field, found })
    }

    fn text(&self, field: Field) -> Option<&'a str> {
        self.0.get(&field).and_then(|value| if let Value::Text(text) = value { Some(*text) } else { None })
    }

    fn octets(&self, field: Field) -> Option<&'a [u8]> {
        self.0.get(&field).and_then(|value| if let Value::Octets(octets) = value { Some(*octets) } else { None })
    }

    fn record(&self) -> Result<FactoryRecord, RecordError> {
        let text = |field| self.text(field).ok_or(RecordError::Missing(field));
        let octets = |field| self.octets(field).ok_or(RecordError::Missing(field));
        self.number(Field::Form).ok_or(RecordError::Missing(Field::Form))?;
        Ok(FactoryRecord {
            serial_number: text(Field::SerialNumber)?.to_owned(),
            vendor_id: VendorId::new(self.short(Field::VendorId)?)?,
            vendor_name: text(Field::VendorName)?.to_owned(),
            product_id: ProductId::new(self.short(Field::ProductId)?)?,
            product_name: text(Field::ProductName)?.to_owned(),
            hardware_version: self.short(Field::HardwareVersion)?,
            hardware_version_text: self.text(Field::HardwareVersionText).map(str::to_owned),
            manufactured: read_date(text(Field::Manufactured)?)?,
            discriminator: Discriminator::new(self.short(Field::Discriminator)?)?,
            salt: Salt::new(octets(Field::Salt)?)?,
            iterations: Iterations::new(
                self.number(Field::Iterations).ok_or(RecordError::Missing(Field::Iterations))?,
            )?,
            verifier: PasscodeVerifier::from_octets(octets(Field::Verifier)?)?,
            rotating_id: RotatingId::new(octets(Field::RotatingId)?)?,
            dac: self.octets(Field::Dac).map(<[u8]>::to_vec),
            pai: self.octets(Field::Pai).map(<[u8]>::to_vec),
            declaration: self.octets(Field::Declaration).map(<[u8]>::to_vec),
            passcode: self.number(Field::Passcode).map(Passcode::new).transpose()?,
        })
    }
}

/// Decodes one item; an error says where it began.
fn at<'a, T>(
    decoder: &mut Decoder<'a>,
    item: impl FnOnce(&mut Decoder<'a>) -> Result<T, DecodeError>,
) -> Result<T, RecordError> {
    let at = decoder.position();
    item(decoder).map_err(|error| {
        let why = if error.is_end_of_input() { "the record is cut off".into() } else { error.to_string() };
        RecordError::Cbor { at, why }
    })
}
