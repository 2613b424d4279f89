//! Records there and back, faults, and octets that must not change.

use proptest::prelude::*;

use super::*;

fn record() -> FactoryRecord {
    let salt = Salt::new(b"a salt of 16 oct").unwrap();
    let iterations = Iterations::new(1000).unwrap();
    FactoryRecord {
        serial_number: "TV-000017".into(),
        vendor_id: VendorId::new(0xFFF2).unwrap(),
        vendor_name: "Tern & Hollow".into(),
        product_id: ProductId::new(0x8A21).unwrap(),
        product_name: "Tern Vent".into(),
        hardware_version: 3,
        hardware_version_text: None,
        manufactured: read_date("20261125").unwrap(),
        discriminator: Discriminator::new(3840).unwrap(),
        verifier: PasscodeVerifier::derive(&Passcode::new(20_202_021).unwrap(), &salt, iterations).unwrap(),
        salt,
        iterations,
        rotating_id: RotatingId::new(b"sixteen octets..").unwrap(),
        dac: None,
        pai: None,
        declaration: None,
        passcode: None,
    }
}

fn full() -> FactoryRecord {
    FactoryRecord {
        hardware_version_text: Some("C2, ö".into()),
        dac: Some(vec![0x30; 600]),
        pai: Some(vec![0x30; 600]),
        declaration: Some(vec![0x30; 1024]),
        passcode: Passcode::new(20_202_021).ok(),
        ..record()
    }
}

/// The head of a record, spelt out by hand from RFC 8949 §3: firmware in the
/// field reads these octets, so they never change.
#[test]
fn octets_that_must_not_change() {
    let octets = record().encode().unwrap();
    let head = "ad 00 01 01 69 54562d303030303137 02 19fff2 03 6d 5465726e202620486f6c6c6f77 \
                04 198a21 05 69 5465726e2056656e74 06 03 08 68 3230323631313235 09 190f00 \
                0a 50 612073616c74206f66203136206f6374 0b 1903e8 0c 5861";
    let head = head.replace(' ', "");
    assert_eq!(hex::encode(&octets[..head.len() / 2]), head);
    assert_eq!(hex::encode(&octets[octets.len() - 18..]), format!("0d50{}", hex::encode("sixteen octets..")));
}

#[test]
fn every_file_reads_back() {
    for record in [record(), full()] {
        let octets = record.encode().unwrap();
        assert_eq!(FactoryRecord::read(&octets), Ok(record.clone()));
        assert_eq!(read_any(&octets), Ok((record.clone(), Carrier::Cbor)));
        let image = record.image(4096).unwrap();
        assert_eq!(image.len(), 4096);
        assert!(image[octets.len()..].iter().all(|octet| *octet == 0xFF));
        assert_eq!(read_any(&image), Ok((record.clone(), Carrier::Image { region: 4096 })));
        assert_eq!(record.image(octets.len()).unwrap()[..], octets[..]);
        // The second crosses a bank within a line, the third ends with the last address there is.
        for address in [0, 0x0803_FFF9, (u32::MAX - octets.len() as u32) + 1] {
            let text = record.intel_hex(address).unwrap();
            let read = read_any(text.as_bytes());
            assert_eq!(read, Ok((record.clone(), Carrier::IntelHex { address })), "{address:08X}");
            let dos = text.replace('\n', "\r\n");
            assert_eq!(read_any(dos.as_bytes()), read, "{address:08X}");
        }
        let past = (u32::MAX - octets.len() as u32) + 2;
        assert_eq!(record.intel_hex(past), Err(RecordError::Address(past)));
    }
}

#[test]
fn what_does_not_fit_is_refused() {
    let needs = record().encode().unwrap().len();
    assert_eq!(record().image(needs - 1), Err(RecordError::Region { needs, region: needs - 1 }));
    assert_eq!(record().image(usize::MAX), Err(RecordError::RegionTooLarge(usize::MAX)));
    let long = |set: fn(&mut FactoryRecord)| {
        let mut record = record();
        set(&mut record);
        record.encode().map(|_| ())
    };
    let size = |field, found, min, max| Err(RecordError::Size { field, found, min, max });
    assert_eq!(long(|r| r.serial_number = "7".repeat(33)), size(Field::SerialNumber, 33, 1, 32));
    assert_eq!(long(|r| r.vendor_name = "ö".repeat(17)), size(Field::VendorName, 34, 1, 32));
    assert_eq!(long(|r| r.product_name = String::new()), size(Field::ProductName, 0, 1, 32));
    assert_eq!(long(|r| r.hardware_version_text = Some("x".repeat(65))), size(Field::HardwareVersionText, 65, 1, 64));
    assert_eq!(long(|r| r.dac = Some(vec![0; 601])), size(Field::Dac, 601, 1, 600));
    assert_eq!(long(|r| r.declaration = Some(vec![])), size(Field::Declaration, 0, 1, 1024));
    assert_eq!(long(|r| r.product_name = "Tern\nVent".into()), Err(RecordError::Control(Field::ProductName)));
    assert!(RotatingId::new(&[0; 15]).is_err() && RotatingId::new(&[0; 65]).is_err());
}

/// A record's octets with a piece of hex replaced.
fn altered(from: &str, to: &str) -> Vec<u8> {
    let digits = hex::encode(&*record().encode().unwrap());
    assert_eq!(digits.matches(from).count(), 1, "{from}");
    hex::decode(digits.replace(from, to)).unwrap()
}

#[test]
fn faults_are_named() {
    let good = record().encode().unwrap().to_vec();
    let mut indefinite = good.clone();
    indefinite[0] = 0xBF;
    indefinite.push(0xFF);
    let mut off_curve = good.clone();
    let last_of_l = good.len() - 19; // Before the key and the 17 octets of the rotating id
    off_curve[last_of_l] ^= 1;
    type Row = (&'static str, Vec<u8>, fn(&RecordError) -> bool);
    let rows: Vec<Row> = vec![
        ("nothing", vec![], |e| matches!(e, RecordError::Cbor { at: 0, .. })),
        ("not a map", vec![0x80], |e| matches!(e, RecordError::Cbor { at: 0, .. })),
        ("a map without end", vec![0xBB, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF], |e| {
            matches!(e, RecordError::Cbor { .. })
        }),
        ("an empty map", vec![0xA0], |e| *e == RecordError::Missing(Field::Form)),
        ("cut off", good[..good.len() - 1].to_vec(), |e| matches!(e, RecordError::Cbor { .. })),
        ("something after it", [&good[..], &[0]].concat(), |e| matches!(e, RecordError::Trailing(_))),
        ("erased flash after it", [&good[..], &[0xFF]].concat(), |e| matches!(e, RecordError::Trailing(_))),
        ("a length in a longer form", altered("01695456", "0178095456"), |e| *e == RecordError::NotDeterministic(4)),
        ("a number in a longer form", altered("0603", "061803"), |e| matches!(e, RecordError::NotDeterministic(_))),
        ("a key in a longer form", altered("0603", "180603"), |e| matches!(e, RecordError::NotDeterministic(_))),
        ("an indefinite map", indefinite, |e| *e == RecordError::NotDeterministic(0)),
        ("an unknown key", altered("0603", "181203"), |e| *e == RecordError::UnknownKey(18)),
        ("a key twice", altered("0603", "0503"), |e| *e == RecordError::KeyOrder(5)),
        ("keys out of order", altered("0603", "0403"), |e| *e == RecordError::KeyOrder(4)),
        ("another form", altered("ad000101", "ad000201"), |e| *e == RecordError::Form(2)),
        ("a text for a number", altered("0603", "066133"), |e| matches!(e, RecordError::Cbor { .. })),
        ("no vendor's ID", altered("0219fff2", "0219fff5"), |e| matches!(e, RecordError::Id(_))),
        ("a discriminator of 13 bits", altered("09190f00", "09191000"), |e| matches!(e, RecordError::Value(_))),
        ("no day", altered("3230323631313235", "3230323631333235"), |e| *e == RecordError::Date),
        ("999 iterations", altered("0b1903e8", "0b1903e7"), |e| matches!(e, RecordError::Verifier(_))),
        ("a hardware version of 17 bits", altered("0603", "061a00010000"), |e| {
            matches!(e, RecordError::Number { field: Field::HardwareVersion, found: 0x1_0000 })
        }),
        ("a point off the curve", off_curve, |e| matches!(e, RecordError::Verifier(VerifierError::Point(_)))),
    ];
    for (name, octets, expected) in rows {
        match FactoryRecord::read(&octets) {
            Err(error) => assert!(expected(&error), "{name}: {error:?}"),
            Ok(_) => panic!("{name} was read"),
        }
    }
}

#[test]
fn faults_of_files_are_named() {
    let octets = record().encode().unwrap();
    let text = record().intel_hex(0x0800_F000).unwrap().to_string();
    let lines: Vec<&str> = text.lines().collect();
    let without = |index: usize| {
        let mut lines = lines.clone();
        lines.remove(index);
        lines.join("\n")
    };
    let at = |line: usize| move |e: &RecordError| matches!(e, RecordError::IntelHex { line: at, .. } if *at == line);
    type Expected = Box<dyn Fn(&RecordError) -> bool>;
    let rows: Vec<(&str, Vec<u8>, Expected)> = vec![
        ("a line left out", without(3).into(), Box::new(at(4))),
        ("a digit changed", text.replacen("FFF2", "FFF3", 1).into(), Box::new(at(3))),
        ("no last line", without(lines.len() - 1).into(), Box::new(at(lines.len() - 1))),
        ("something after the last line", format!("{text}{}\n", lines[1]).into(), Box::new(at(lines.len() + 1))),
        ("no data", ":00000001FF\n".into(), Box::new(at(1))),
        ("a colon alone", ":".into(), Box::new(at(1))),
        ("not text", vec![b':', 0xFF], Box::new(at(1))),
        ("too much text", vec![b':'; 1 << 20], Box::new(at(1))),
        (
            "something in the erased flash",
            [&octets[..], &[0xFF, 0xFF, 0x00]].concat(),
            Box::new(move |e| matches!(e, RecordError::Trailing(_))),
        ),
        ("erased flash alone", vec![0xFF; 4096], Box::new(|e| matches!(e, RecordError::Cbor { at: 0, .. }))),
    ];
    for (name, file, expected) in rows {
        match read_any(&file) {
            Err(error) => assert!(expected(&error), "{name}: {error:?}"),
            Ok(_) => panic!("{name} was read"),
        }
    }
}

#[test]
fn days() {
    for (text, read) in [
        ("20261125", true),
        ("20240229", true),
        ("00000101", true),
        ("20250229", false),
        ("20261301", false),
        ("2026112", false),
        ("2026-1-1", false),
        ("２０２６11", false),
    ] {
        let date = read_date(text);
        assert_eq!(date.is_ok(), read, "{text}");
        assert!(date.is_err() || date.is_ok_and(|date| date_text(date) == text), "{text}");
    }
}

#[test]
fn secrets_stay_out_of_debug() {
    let shown = format!("{:?}", full());
    for secret in ["20202021", "sixteen", &hex::encode(&record().rotating_id.octets()[..4])] {
        assert!(!shown.contains(secret), "{shown}");
    }
}

proptest! {
    #[test]
    fn any_octets_are_read(octets in proptest::collection::vec(any::<u8>(), 0..200)) {
        let _ = FactoryRecord::read(&octets);
        let _ = read_any(&octets);
    }

    /// Nothing that was changed in one place reads as anything but what it says.
    #[test]
    fn nearly_records_are_read(at: proptest::sample::Index, octet: u8) {
        let mut octets = full().encode().unwrap().to_vec();
        let at = at.index(octets.len());
        octets[at] = octet;
        if let Ok(read) = FactoryRecord::read(&octets) {
            prop_assert_eq!(&read.encode().unwrap()[..], &octets[..]);
        }
    }

    #[test]
    fn any_hex_is_read(text in ":[0-9A-F:\n]{0,200}") {
        let _ = read_any(text.as_bytes());
    }
}

/// What a chip gives back with a turned bit is the unit's own record; another passcode's is not.
#[test]
fn a_record_with_turned_bits_is_a_damaged_copy() {
    let own = record();
    let mut turned = own.clone();
    turned.serial_number = "TV-000016".into();
    assert!(turned.is_damaged_copy_of(&own), "a bit of the number");
    let mut octets = own.verifier.octets();
    octets[3] ^= 0x10;
    octets[20] ^= 0x01;
    turned.verifier = PasscodeVerifier::from_octets(&octets[..]).unwrap();
    assert!(turned.is_damaged_copy_of(&own));
    let mut other = own.clone();
    other.verifier = PasscodeVerifier::derive(&Passcode::new(20_202_022).unwrap(), &own.salt, own.iterations).unwrap();
    assert!(!other.is_damaged_copy_of(&own));
    other = own.clone();
    other.serial_number = "TV-0000170".into();
    assert!(!other.is_damaged_copy_of(&own));
}
