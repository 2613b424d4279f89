//! What a declaration says: one TLV structure of twelve elements.

use crate::ids::{ProductId, VendorId};
use crate::tlv::{Container, Element, Reader, Tag, TlvError, Value, Writer};

/// Names of the elements, by tag (Core Spec 6.3.1).
pub const NAMES: [&str; 12] = [
    "format_version",
    "vendor_id",
    "product_id_array",
    "device_type_id",
    "certificate_id",
    "security_level",
    "security_information",
    "version_number",
    "certification_type",
    "dac_origin_vendor_id",
    "dac_origin_product_id",
    "authorized_paa_list",
];

/// Members of an array that are kept; the standard allows 100 and 10. Beyond
/// this they are only counted.
const KEPT: usize = 128;

/// The elements as read. An element that is missing or of another type is `None`.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Content {
    pub format_version: Option<u64>,
    pub vendor_id: Option<u64>,
    pub product_id_array: Option<Vec<u64>>,
    pub device_type_id: Option<u64>,
    pub certificate_id: Option<String>,
    pub security_level: Option<u64>,
    pub security_information: Option<u64>,
    pub version_number: Option<u64>,
    pub certification_type: Option<u64>,
    pub dac_origin_vendor_id: Option<u64>,
    pub dac_origin_product_id: Option<u64>,
    pub authorized_paa_list: Option<Vec<Vec<u8>>>,
    /// Number of entries in `product_id_array`, kept or not.
    pub product_count: usize,
    /// Number of entries in `authorized_paa_list`, kept or not.
    pub authority_count: usize,
    /// Elements that are missing, twice there, out of order, unknown or of another type.
    pub faults: Vec<String>,
}

impl Content {
    /// Reads the structure.
    ///
    /// # Errors
    ///
    /// [`TlvError`] where the octets are no TLV at all. Wrong elements are
    /// listed in [`Content::faults`].
    pub fn read(data: &[u8]) -> Result<Self, TlvError> {
        crate::tlv::whole(data)?;
        let mut out = Self::default();
        let mut reader = Reader::new(data);
        match reader.next()? {
            Some(Element { tag: Tag::Anonymous, value: Value::Open(Container::Structure), .. }) => {}
            Some(element) => {
                let is = element.value.kind();
                out.faults.push(format!("{is} with tag {} instead of an anonymous structure", element.tag));
                return Ok(out);
            }
            None => return Ok(out),
        }
        let mut last: Option<u8> = None;
        while let Some(element) = reader.next()? {
            if element.value == Value::Close {
                break;
            }
            let number = match element.tag {
                Tag::Context(number) if usize::from(number) < NAMES.len() => number,
                tag => {
                    out.fault(format!("an element with tag {tag}, which a declaration does not have"));
                    skip(&mut reader, &element)?;
                    continue;
                }
            };
            if let Some(before) = last.filter(|before| number <= *before) {
                let what = if number == before { "twice" } else { "out of order" };
                out.fault(format!("element {number} {} {what}", NAMES[usize::from(number)]));
            }
            last = Some(last.map_or(number, |l| l.max(number)));
            out.take(number, element, &mut reader)?;
        }
        let there = out.there();
        for (number, name) in NAMES.iter().enumerate().take(9) {
            if !there[number] && !out.faults.iter().any(|f| f.starts_with(&format!("element {number} "))) {
                out.fault(format!("element {number} {name} is missing"));
            }
        }
        Ok(out)
    }

    fn fault(&mut self, fault: String) {
        if self.faults.len() < 16 {
            self.faults.push(fault);
        }
    }

    fn there(&self) -> [bool; 9] {
        [
            self.format_version.is_some(),
            self.vendor_id.is_some(),
            self.product_id_array.is_some(),
            self.device_type_id.is_some(),
            self.certificate_id.is_some(),
            self.security_level.is_some(),
            self.security_information.is_some(),
            self.version_number.is_some(),
            self.certification_type.is_some(),
        ]
    }

    fn take(&mut self, number: u8, element: Element<'_>, reader: &mut Reader<'_>) -> Result<(), TlvError> {
        let name = NAMES[usize::from(number)];
        match (number, element.value) {
            (2, Value::Open(Container::Array)) => {
                let mut ids = Vec::new();
                let mut count = 0;
                loop {
                    match reader.next()?.map(|e| e.value) {
                        Some(Value::Unsigned(id)) => {
                            count += 1;
                            if ids.len() < KEPT {
                                ids.push(id);
                            }
                        }
                        Some(Value::Close) | None => break,
                        Some(other) => {
                            self.fault(format!("element 2 {name} holds {}", other.kind()));
                            if matches!(other, Value::Open(_)) {
                                reader.skip_container()?;
                            }
                        }
                    }
                }
                self.product_count = count;
                self.product_id_array = Some(ids);
            }
            (11, Value::Open(Container::Array)) => {
                let mut ids = Vec::new();
                let mut count = 0;
                loop {
                    match reader.next()?.map(|e| e.value) {
                        Some(Value::Octets(id)) => {
                            count += 1;
                            if ids.len() < KEPT {
                                ids.push(id.to_vec());
                            }
                        }
                        Some(Value::Close) | None => break,
                        Some(other) => {
                            self.fault(format!("element 11 {name} holds {}", other.kind()));
                            if matches!(other, Value::Open(_)) {
                                reader.skip_container()?;
                            }
                        }
                    }
                }
                self.authority_count = count;
                self.authorized_paa_list = Some(ids);
            }
            (4, Value::Utf8(text)) => self.certificate_id = Some(text.to_owned()),
            (0 | 1 | 3 | 5..=10, Value::Unsigned(value)) => {
                let field = match number {
                    0 => &mut self.format_version,
                    1 => &mut self.vendor_id,
                    3 => &mut self.device_type_id,
                    5 => &mut self.security_level,
                    6 => &mut self.security_information,
                    7 => &mut self.version_number,
                    8 => &mut self.certification_type,
                    9 => &mut self.dac_origin_vendor_id,
                    _ => &mut self.dac_origin_product_id,
                };
                *field = Some(value);
            }
            (_, value) => {
                let wanted = match number {
                    2 | 11 => "an array",
                    4 => "a UTF-8 string",
                    _ => "an unsigned integer",
                };
                self.fault(format!("element {number} {name} is {}, not {wanted}", value.kind()));
                skip(reader, &element)?;
            }
        }
        Ok(())
    }

    /// The vendor ID, where it is one that devices carry.
    pub fn vendor(&self) -> Option<VendorId> {
        self.vendor_id.and_then(|v| u16::try_from(v).ok()).and_then(|v| VendorId::new(v).ok())
    }

    /// Whether the product is among the declared ones.
    pub fn names_product(&self, product: ProductId) -> bool {
        self.product_id_array.as_ref().is_some_and(|ids| ids.contains(&u64::from(product.get())))
    }
}

fn skip(reader: &mut Reader<'_>, element: &Element<'_>) -> Result<(), TlvError> {
    if matches!(element.value, Value::Open(_)) { reader.skip_container() } else { Ok(()) }
}

/// The elements of a declaration to be made, within the standard's bounds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fields {
    /// Vendor ID of the device.
    pub vendor: VendorId,
    /// 1 to 100 product IDs.
    pub products: Vec<ProductId>,
    pub device_type: u32,
    /// Exactly 19 octets in UTF-8.
    pub certificate_id: String,
    /// `version_number`.
    pub version_number: u16,
    /// 0 development and test, 1 provisional, 2 official.
    pub certification_type: u8,
    /// Vendor and product ID in the DAC, where they differ from the device's.
    pub origin: Option<(VendorId, ProductId)>,
    /// Subject key identifiers of up to 10 PAAs; empty to leave the list out.
    pub authorities: Vec<[u8; 20]>,
}

/// A declaration's field is out of the standard's bounds (Core Spec 6.3.1).
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FieldsError {
    /// None, or more than a hundred.
    #[error("{0} product IDs; a declaration names 1 to 100")]
    Products(usize),
    /// Not 19 octets in UTF-8.
    #[error("The certificate id {0:?} has {1} bytes in UTF-8; it must have exactly 19")]
    CertificateId(String, usize),
    /// Holds a control character.
    #[error("The certificate id {0:?} has a control character")]
    ControlCharacter(String),
    /// Beyond official.
    #[error("certification type {0}; there are 0 development and test, 1 provisional, 2 official")]
    CertificationType(u8),
    /// Too many authorities.
    #[error("{0} authorities; a declaration names at most 10")]
    Authorities(usize),
}

impl Fields {
    /// The content in TLV, elements in the standard's order.
    ///
    /// # Errors
    ///
    /// The first field out of bounds.
    pub fn encode(&self) -> Result<Vec<u8>, FieldsError> {
        if self.products.is_empty() || self.products.len() > 100 {
            return Err(FieldsError::Products(self.products.len()));
        }
        if self.certificate_id.len() != 19 {
            return Err(FieldsError::CertificateId(self.certificate_id.clone(), self.certificate_id.len()));
        }
        if self.certificate_id.chars().any(char::is_control) {
            return Err(FieldsError::ControlCharacter(self.certificate_id.clone()));
        }
        if self.certification_type > 2 {
            return Err(FieldsError::CertificationType(self.certification_type));
        }
        if self.authorities.len() > 10 {
            return Err(FieldsError::Authorities(self.authorities.len()));
        }
        let c = Tag::Context;
        let mut w = Writer::new();
        w.open(Tag::Anonymous, Container::Structure);
        w.unsigned(c(0), 1).unsigned(c(1), self.vendor.get().into());
        w.open(c(2), Container::Array);
        for product in &self.products {
            // Two octets even where one would do: the standard's example has it so.
            w.raw(&[0x05]).raw(&product.get().to_le_bytes());
        }
        w.close();
        w.unsigned(c(3), self.device_type.into()).utf8(c(4), &self.certificate_id);
        w.unsigned(c(5), 0).unsigned(c(6), 0);
        w.unsigned(c(7), self.version_number.into()).unsigned(c(8), self.certification_type.into());
        if let Some((vendor, product)) = self.origin {
            w.unsigned(c(9), vendor.get().into()).unsigned(c(10), product.get().into());
        }
        if !self.authorities.is_empty() {
            w.open(c(11), Container::Array);
            for id in &self.authorities {
                w.octets(Tag::Anonymous, id);
            }
            w.close();
        }
        w.close();
        Ok(w.finish())
    }
}
