//! What the codes on a label say of the unit, as far as labels must know it.
//!
//! Core Spec 5.1.3 (packed payload, Base-38) and 5.1.4 (manual code): which
//! vendor and product, and whether QR text and manual code are of one unit. A
//! label with the manual code of another unit locks its owner out, and one of a
//! test product without its mark ends in a shop. Judging the codes themselves,
//! rule by rule, is the work of `standard`.

use zeroize::Zeroize;

/// Base-38, Core Spec 5.1.3.1.
const ALPHABET: &[u8; 38] = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-.";

/// One payload, unpacked. No `Debug`: it holds the passcode.
#[derive(Clone, PartialEq, Eq)]
pub(super) struct Payload {
    pub vendor_id: u16,
    pub product_id: u16,
    pub flow: u8,
    pub reach: u8,
    pub discriminator: u16,
    pub passcode: u32,
}

impl Drop for Payload {
    fn drop(&mut self) {
        self.passcode.zeroize();
    }
}

/// What a manual code tells.
pub(super) struct Manual {
    pub short_discriminator: u8,
    pub passcode: u32,
    pub vendor_id: Option<u16>,
    pub product_id: Option<u16>,
}

impl Drop for Manual {
    fn drop(&mut self) {
        self.passcode.zeroize();
    }
}

/// Unpacks each payload of a QR text; the error never holds any of it.
pub(super) fn unpack(qr: &str) -> Result<Vec<Payload>, &'static str> {
    let packed = qr.strip_prefix("MT:").ok_or("does not start with MT:")?;
    packed.split('*').map(|one| unpack_one(one.strip_prefix("MT:").unwrap_or(one))).collect()
}

fn unpack_one(text: &str) -> Result<Payload, &'static str> {
    let mut octets = zeroize::Zeroizing::new(Vec::with_capacity(text.len()));
    for group in text.as_bytes().chunks(5) {
        let count = match group.len() {
            5 => 3,
            4 => 2,
            2 => 1,
            _ => return Err("has a length that Base-38 does not give"),
        };
        let mut value: u32 = 0;
        for octet in group.iter().rev() {
            let digit = ALPHABET.iter().position(|a| a == octet).ok_or("holds a character outside Base-38")?;
            value = value * 38 + u32::try_from(digit).unwrap_or(0);
        }
        if value >> (8 * count) != 0 {
            return Err("holds a group that Base-38 does not give");
        }
        octets.extend(&value.to_le_bytes()[..count]);
    }
    let packed: &[u8] = octets.get(..11).ok_or("is too short for a payload")?;
    // 88 bits, the first one lowest.
    let bits = packed.iter().rev().fold(0u128, |bits, octet| bits << 8 | u128::from(*octet));
    let field = |from: u32, width: u32| u32::try_from(bits >> from & ((1 << width) - 1)).unwrap_or(0);
    let short = |from: u32, width: u32| u16::try_from(field(from, width)).unwrap_or(0);
    if field(0, 3) != 0 {
        return Err("has a version that is not 0");
    }
    Ok(Payload {
        vendor_id: short(3, 16),
        product_id: short(19, 16),
        flow: u8::try_from(field(35, 2)).unwrap_or(0),
        reach: u8::try_from(field(37, 8)).unwrap_or(0),
        discriminator: short(45, 12),
        passcode: field(57, 27),
    })
}

/// The digits of a manual code: hyphens and blanks between them are for people.
pub(super) fn digits(manual: &str) -> zeroize::Zeroizing<String> {
    zeroize::Zeroizing::new(manual.chars().filter(|c| !matches!(c, '-' | ' ')).collect())
}

/// Takes a manual code apart, without judging its check digit.
pub(super) fn take_apart(manual: &str) -> Result<Manual, &'static str> {
    let digits = digits(manual);
    if !digits.bytes().all(|b| b.is_ascii_digit()) {
        return Err("holds something else than digits");
    }
    let number = |from: usize, to: usize| digits.get(from..to).and_then(|d| d.parse::<u32>().ok()).unwrap_or(0);
    let long = match digits.len() {
        11 => false,
        21 => true,
        _ => return Err("has neither 11 nor 21 digits"),
    };
    let (first, second, third) = (number(0, 1), number(1, 6), number(6, 10));
    let id = |from: usize| u16::try_from(number(from, from + 5)).map_err(|_| "holds an id above 65535");
    if first > 7 || (first >> 2 == 1) != long {
        return Err("has a first digit that does not go with its length");
    }
    Ok(Manual {
        short_discriminator: u8::try_from((first & 3) << 2 | second >> 14).map_err(|_| "is out of range")?,
        passcode: third << 14 | (second & 0x3FFF),
        vendor_id: if long { Some(id(10)?) } else { None },
        product_id: if long { Some(id(15)?) } else { None },
    })
}

/// Names what sets `b` apart from `a`.
pub(super) fn differences(a: &Payload, b: &Payload) -> Vec<&'static str> {
    let rows = [
        ("vendor id", a.vendor_id == b.vendor_id),
        ("product id", a.product_id == b.product_id),
        ("flow", a.flow == b.flow),
        ("reach", a.reach == b.reach),
        ("discriminator", a.discriminator == b.discriminator),
        ("passcode", a.passcode == b.passcode),
    ];
    rows.into_iter().filter(|(_, same)| !same).map(|(name, _)| name).collect()
}

/// [`differences`] between a payload and a manual code.
pub(super) fn differences_of_manual(payload: &Payload, manual: &Manual) -> Vec<&'static str> {
    let rows = [
        ("vendor id", manual.vendor_id.is_none_or(|id| id == payload.vendor_id)),
        ("product id", manual.product_id.is_none_or(|id| id == payload.product_id)),
        ("discriminator", u16::from(manual.short_discriminator) == payload.discriminator >> 8),
        ("passcode", manual.passcode == payload.passcode),
    ];
    rows.into_iter().filter(|(_, same)| !same).map(|(name, _)| name).collect()
}

/// Whether an id is one of the four test vendors, Core Spec 2.5.2.1.
pub(super) fn is_test_vendor(vendor_id: u16) -> bool {
    (0xFFF1..=0xFFF4).contains(&vendor_id)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked values, common practice in the trade: VID 0xFFF1, PID 0x8000, standard flow,
    /// Bluetooth LE, discriminator 3840, passcode 20202021.
    #[test]
    fn the_worked_values_are_read() {
        let payloads = unpack("MT:Y.K9042C00KA0648G00").unwrap_or_else(|why| panic!("{why}"));
        let [p] = payloads.as_slice() else { panic!("one payload") };
        assert_eq!((p.vendor_id, p.product_id, p.flow, p.reach), (0xFFF1, 0x8000, 0, 2));
        assert_eq!((p.discriminator, p.passcode), (3840, 20_202_021));
        let manual = take_apart("3497-011-2332").unwrap_or_else(|why| panic!("{why}"));
        assert_eq!((manual.short_discriminator, manual.passcode), (15, 20_202_021));
        assert!(differences_of_manual(p, &manual).is_empty());
        let other = take_apart("34970112340").unwrap_or_else(|why| panic!("{why}"));
        assert_eq!(differences_of_manual(p, &other), ["passcode"]);
    }

    #[test]
    fn what_is_no_code_is_refused() {
        for (text, why) in [
            ("", "does not start"),
            ("Y.K9042C00KA0648G00", "does not start"),
            ("MT:Y.K9042C00KA0648G0", "a length"),
            ("MT:Y.K9042C00KA0648G0_", "outside"),
            ("MT:y.k9042c00ka0648g00", "outside"),
            ("MT:.....042C00KA0648G00", "a group"),
            ("MT:Y.K90", "too short"),
            ("MT:", "too short"),
        ] {
            let error = unpack(text).err().unwrap_or_else(|| panic!("{text} is read"));
            assert!(error.contains(why), "{text}: {error}");
        }
        for text in ["", "3497011233", "349701123321", "3497011233x", "74970112332", "349701123320123456789"] {
            assert!(take_apart(text).is_err(), "{text}");
        }
    }
}
