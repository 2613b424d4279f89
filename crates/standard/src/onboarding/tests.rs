//! Codes as wholes: worked values, faults by rule, and what holds for all of them.

use proptest::prelude::*;

use super::*;
use crate::ids::{ProductId, VendorId};
use crate::tlv::{Container, Tag, Writer};
use crate::verdict::{Severity, Verdict};

/// Worked values, common practice in the trade. Recomputed outside by `tests/outside/codes.py`.
const QR: &str = "MT:Y.K9042C00KA0648G00";
const MANUAL: &str = "34970112332";

fn payload(vendor: u16, product: u16, flow: Flow, reach: u8, discriminator: u16, passcode: u32) -> Payload {
    Payload::new(
        (VendorId::new(vendor).ok(), ProductId::new(product).ok()),
        flow,
        Reach::from_bits(reach).unwrap(),
        Discriminator::new(discriminator).unwrap(),
        Passcode::new(passcode).unwrap(),
    )
    .unwrap()
}

fn worked() -> Payload {
    payload(0xFFF1, 0x8000, Flow::Standard, 0b10, 3840, 20_202_021)
}

/// Rules broken, with their weight: `!` error, `?` warning, none for a note.
fn faults(text: &str) -> Vec<String> {
    read(text)
        .findings
        .iter()
        .map(|located| {
            let weight = match located.finding.severity {
                Severity::Error => "!",
                Severity::Warning => "?",
                Severity::Note => "",
            };
            format!("{}{weight}", located.finding.rule.name.strip_prefix("code.").unwrap())
        })
        .collect()
}

/// The text of packed bits that are no valid payload.
fn packed(change: impl Fn(u128) -> u128) -> String {
    let mut octets = [0; 16];
    octets[..11].copy_from_slice(&worked().pack());
    let changed = change(u128::from_le_bytes(octets)).to_le_bytes();
    format!("MT:{}", base38_encode(&changed[..11]))
}

fn with_check(digits: &str) -> String {
    let values: Vec<u8> = digits.bytes().map(|b| b - b'0').collect();
    format!("{digits}{}", verhoeff::check_digit(&values))
}

fn long(first: u32, chunk: u32, high: u32, vendor: u32, product: u32) -> String {
    with_check(&format!("{first}{chunk:05}{high:04}{vendor:05}{product:05}"))
}

#[test]
fn worked_values() {
    let payload = worked();
    assert_eq!(payload.qr_text(), QR);
    let manual = payload.manual_code(false).unwrap();
    assert_eq!((manual.digits(), manual.printed().as_str()), (MANUAL, "3497-011-2332"));

    let reading = read(QR);
    assert_eq!((reading.form, faults(QR)), (Form::Qr, vec![]));
    assert_eq!(reading.accepted(), Some(vec![payload]));

    let reading = read(MANUAL);
    assert_eq!((reading.form, faults(MANUAL)), (Form::Manual, vec![]));
    let fields = &reading.payloads[0];
    assert_eq!((fields.short_discriminator, fields.passcode), (Some(15), Some(20_202_021)));
    assert_eq!((fields.discriminator, fields.vendor_id, fields.flow), (None, None, Some(0)));
}

#[test]
fn long_codes_carry_vendor_and_product() {
    for flow in [Flow::UserIntent, Flow::Custom] {
        let payload = payload(0xFFF1, 0x8000, flow, 0b10, 3840, 20_202_021);
        let manual = payload.manual_code(false).unwrap();
        assert_eq!(manual.digits(), with_check("74970112336552132768"));
        assert_eq!(manual.digits().len(), 21);
        assert_eq!(manual.printed().split('-').map(str::len).collect::<Vec<_>>(), [4, 3, 4, 4, 3, 3]);
        let reading = read(&manual.printed());
        assert_eq!(faults(&manual.printed()), [""; 0]);
        let fields = &reading.payloads[0];
        assert_eq!((fields.vendor_id, fields.product_id, fields.flow), (Some(0xFFF1), Some(0x8000), None));
    }
    assert!(worked().manual_code(true).unwrap().is_long());
    let untold = payload(0, 0, Flow::Standard, 0b10, 3840, 20_202_021);
    assert_eq!(untold.manual_code(true), Err(PayloadError::IdsNeeded));
    assert_eq!(untold.manual_code(false).unwrap().digits(), MANUAL);
}

/// One row a fault: the text, and the rules that it breaks.
#[test]
fn faults_are_named_by_their_rule() {
    let extra = |octets: &[u8]| format!("MT:{}", base38_encode(&[&worked().pack(), octets].concat()));
    let body = &QR[3..];
    let short = |chunk: u32, high: u32| with_check(&format!("3{chunk:05}{high:04}"));
    let rows: &[(&str, String, &[&str])] = &[
        // The prefix.
        ("prefix in small letters", format!("mt:{body}"), &["prefix!"]),
        ("prefix half small", format!("Mt:{body}"), &["prefix!"]),
        ("another prefix", format!("CH:{body}"), &["prefix!"]),
        ("prefix missing", body.into(), &["prefix!"]),
        ("colon missing", format!("MT{body}"), &["prefix!"]),
        ("only the colon", format!(":{body}"), &["prefix!"]),
        ("a space before it", format!(" {QR}"), &["prefix!"]),
        ("another character for the colon", format!("MT;{body}"), &["prefix!"]),
        ("prefix twice", format!("{QR}*{QR}"), &["prefix!"]),
        ("all in small letters", QR.to_lowercase(), &["prefix!", "alphabet!"]),
        // The alphabet.
        ("body in small letters", format!("MT:{}", body.to_lowercase()), &["alphabet!"]),
        ("one small letter", QR.replace('K', "k"), &["alphabet!"]),
        ("a space inside", QR.replace("K9", "K 9"), &["alphabet!"]),
        ("a space after it", format!("{QR} "), &["alphabet!"]),
        ("a foreign character in place of another", QR.replace("C0", "C_"), &["alphabet!"]),
        ("a full-width digit", QR.replace('9', "９"), &["alphabet!"]),
        ("a group of more than 24 bits", QR.replace("Y.K90", "....."), &["alphabet!"]),
        ("a last group of more than 16 bits", QR.replace("8G00", "...."), &["alphabet!"]),
        // The length.
        ("nothing", String::new(), &["length!"]),
        ("a line ending alone", "\r\n".into(), &["length!"]),
        ("prefix alone", "MT:".into(), &["length!"]),
        ("one character fewer", QR[..21].into(), &["length!"]),
        ("two characters fewer", QR[..20].into(), &["length!"]),
        ("a group fewer", QR[..17].into(), &["length!"]),
        ("two characters more", format!("{QR}00"), &["length!"]),
        ("a character dropped inside", QR.replacen('K', "", 1), &["length!"]),
        ("nothing between separators", format!("{QR}**{body}"), &["length!"]),
        ("a separator at the end", format!("{QR}*"), &["length!"]),
        ("ten thousand characters", format!("MT:{}", "0".repeat(9_997)), &["length!"]),
        ("ten thousand digits", "3".repeat(10_000), &["length!"]),
        ("10 digits", MANUAL[..10].into(), &["length!"]),
        ("12 digits", format!("{MANUAL}0"), &["length!"]),
        ("20 digits", long(7, 49_701, 1233, 0xFFF1, 0x8000)[..20].into(), &["length!"]),
        ("22 digits", format!("{}0", long(7, 49_701, 1233, 0xFFF1, 0x8000)), &["length!"]),
        ("one digit", "3".into(), &["length!"]),
        ("hyphens alone", "---".into(), &["length!"]),
        ("11 digits that say 21", with_check("7497011233"), &["length!"]),
        ("21 digits that say 11", long(3, 49_701, 1233, 0xFFF1, 0x8000), &["length!"]),
        // The fields of a payload.
        ("version 1", packed(|p| p | 1), &["version!"]),
        ("version 7", packed(|p| p | 7), &["version!"]),
        ("padding", packed(|p| p | 1 << 84), &["padding!"]),
        ("all padding", packed(|p| p | 0xF << 84), &["padding!"]),
        ("vendor 0000", packed(|p| p & !(0xFFFF << 3)), &["vendor-id!"]),
        ("vendor FFF5", packed(|p| p ^ (0xFFF1 ^ 0xFFF5) << 3), &["vendor-id!"]),
        ("vendor FFFF", packed(|p| p | 0xFFFF << 3), &["vendor-id!"]),
        ("product 0000", packed(|p| p & !(0xFFFF << 19)), &[]),
        ("neither vendor nor product", packed(|p| p & !(0xFFFF_FFFF << 3)), &[]),
        ("product 0000 and custom flow", packed(|p| p & !(0xFFFF << 19) | 2 << 35), &["product-id?"]),
        ("flow 3", packed(|p| p | 3 << 35), &["flow!"]),
        ("reach bit 5", packed(|p| p | 0x20 << 37), &["reach!"]),
        ("reach bits 5 to 7", packed(|p| p | 0xE0 << 37), &["reach!"]),
        ("reach bits 3 and 4", packed(|p| p | 0x18 << 37), &[]),
        ("no reach", packed(|p| p & !(0xFF << 37)), &["reach?"]),
        ("passcode 0", packed(|p| p & !(0x7FF_FFFF << 57)), &["passcode!"]),
        ("passcode 11111111", packed(|p| p & !(0x7FF_FFFF << 57) | 11_111_111 << 57), &["passcode!"]),
        ("passcode 99999999", packed(|p| p & !(0x7FF_FFFF << 57) | 99_999_999 << 57), &["passcode!"]),
        ("passcode of 27 bits", packed(|p| p | 0x7FF_FFFF << 57), &["passcode!"]),
        ("two faults", packed(|p| p | 1 | 3 << 35), &["version!", "flow!"]),
        ("faults of a later payload", format!("{QR}*{}", &packed(|p| p | 1)[3..]), &["version!"]),
        // Further data.
        ("a structure", extra(&[0x15, 0x18]), &[]),
        ("another element", extra(&[0x04, 0x01]), &["extra?"]),
        ("no TLV", extra(&[0xFF, 0xFF, 0xFF]), &["extra!"]),
        ("a structure cut off", extra(&[0x15, 0x24, 0x00, 0x01]), &["extra!"]),
        ("something after the structure", extra(&[0x15, 0x18, 0x00]), &["extra!"]),
        ("one octet", extra(&[0x00]), &["extra!"]),
        // Manual codes.
        ("hyphens", "3497-011-2332".into(), &[]),
        ("spaces", " 3497 011 2332 ".into(), &[]),
        ("hyphens anywhere", "3-4970--11233-2".into(), &[]),
        ("a line ending", format!("{MANUAL}\n"), &[]),
        ("a letter", "3497O112332".into(), &["alphabet!"]),
        ("letters", "B497O1l2332".into(), &["alphabet!"]),
        ("a letter too many", "3497011x2332".into(), &["alphabet!"]),
        ("digits of another script", "34970112٣٣2".into(), &["alphabet!"]),
        ("full-width digits", "３４９７０１１２３３２".into(), &["alphabet!"]),
        ("dashes for hyphens", "3497–011–2332".into(), &["alphabet!"]),
        ("a first digit of 8", with_check("8497011233"), &["version!"]),
        ("a first digit of 9", with_check("9497011233"), &["version!"]),
        ("a first digit of 8, long", long(8, 49_701, 1233, 0xFFF1, 0x8000), &["version!"]),
        ("digits 2 to 6 above 16 bits", short(65_536, 1233), &["discriminator!"]),
        ("digits 2 to 6 all 9", short(99_999, 1233), &["discriminator!"]),
        ("passcode of 28 bits", short(0xC001, 9999), &["passcode!"]),
        ("passcode 0, typed", short(0xC000, 0), &["passcode!"]),
        ("passcode 12345678, typed", short(0xC000 | 12_345_678 & 0x3FFF, 12_345_678 >> 14), &["passcode!"]),
        ("vendor above 65535", long(7, 49_701, 1233, 65_536, 0x8000), &["vendor-id!"]),
        ("vendor 0000, typed", long(7, 49_701, 1233, 0, 0x8000), &["vendor-id!"]),
        ("vendor FFF5, typed", long(7, 49_701, 1233, 0xFFF5, 0x8000), &["vendor-id!"]),
        ("product above 65535", long(7, 49_701, 1233, 0xFFF1, 99_999), &["product-id!"]),
        ("product 0000, typed", long(7, 49_701, 1233, 0xFFF1, 0), &["product-id!"]),
        ("check digit", "34970112333".into(), &["check-digit!"]),
        ("a wrong digit", "34970212332".into(), &["check-digit!"]),
        ("neighbours swapped", "34907112332".into(), &["check-digit!"]),
        ("a first digit that says 21", "74970112332".into(), &["check-digit!", "length"]),
        ("a first digit of 9, mistyped", "94970112332".into(), &["check-digit!", "version"]),
    ];
    for (name, text, rules) in rows {
        assert_eq!(faults(text), *rules, "{name}: {text:.60}");
        let rejected = rules.iter().any(|rule| rule.ends_with('!'));
        assert_eq!(read(text).verdict() == Verdict::Rejected, rejected, "{name}");
    }
    let covered = |rule: &crate::verdict::Rule| {
        let alone = format!("{}!", rule.name.strip_prefix("code.").unwrap());
        rows.iter().any(|(_, _, rules)| *rules == [alone.as_str()])
    };
    for rule in crate::verdict::all_rules().into_iter().filter(|rule| rule.name.starts_with("code.")) {
        assert!(covered(rule), "no row breaks {} alone", rule.name);
    }
}

#[test]
fn what_can_be_read_is_read() {
    let small = read(&format!("MT:{}", QR[3..].to_lowercase()));
    assert_eq!(small.payloads[0].payload(), Some(worked()));
    let spaced = read("MT:Y.K90 42C00 KA064 8G00");
    assert_eq!(spaced.payloads[0].payload(), Some(worked()));
    // The second group is unknown: vendor is known, discriminator is not.
    let spoilt = read("MT:Y.K904_C00KA0648G00");
    let fields = &spoilt.payloads[0];
    assert_eq!((fields.vendor_id, fields.discriminator), (Some(0xFFF1), None));
    // Cut off: what was whole is told.
    let cut = read(&QR[..QR.len() - 3]);
    assert_eq!((cut.payloads[0].discriminator, cut.payloads[0].passcode), (Some(3840), None));
    assert_eq!(read("mt:Y.K9042C00KA0648G00").payloads[0].payload(), Some(worked()));
    for text in ["Y.K9042C00KA0648G00", "MTY.K9042C00KA0648G00", "QR:Y.K9042C00KA0648G00"] {
        assert_eq!(read(text).payloads[0].payload(), Some(worked()), "{text}");
    }
}

#[test]
fn a_slip_is_explained() {
    let meant = |text: &str| -> Vec<(String, SlipKind)> {
        read(text).could_be.into_iter().map(|slip| (slip.digits, slip.kind)).collect()
    };
    let digit = meant("34970212332");
    assert!(digit.contains(&(MANUAL.into(), SlipKind::Digit { place: 6, meant: 1, found: Some(2) })), "{digit:?}");
    let swap = meant("34907112332");
    assert!(swap.contains(&(MANUAL.into(), SlipKind::Swap { place: 4 })), "{swap:?}");
    for (text, _) in digit.iter().chain(&swap) {
        assert_eq!(faults(text), [""; 0], "{text}");
    }
    // A letter in place of one digit leaves only one digit that fits.
    assert_eq!(meant("3497O112332"), [(MANUAL.into(), SlipKind::Digit { place: 5, meant: 0, found: None })]);
    // Said in the finding too.
    let advice = read("34907112332").findings[0].finding.advice.clone();
    assert!(advice.contains("34970112332 if digits 4 and 5 are swapped"), "{advice}");
}

#[test]
fn several_payloads_in_one_code() {
    let second = payload(0xFFF2, 0x8A21, Flow::Custom, 0b1_0110, 77, 31_415_926);
    let text = join(&[worked(), second.clone()]);
    assert_eq!(text, format!("{QR}*{}", &second.qr_text()[3..]));
    assert_eq!(read(&text).accepted(), Some(vec![worked(), second]));
    let findings = read(&format!("{QR}*{}", &packed(|p| p | 1)[3..])).findings;
    assert_eq!(findings[0].payload, Some(1));
}

#[test]
fn further_data_is_carried_through() {
    let mut writer = Writer::new();
    let c = Tag::Context;
    writer.open(Tag::Anonymous, Container::Structure).utf8(c(0), "TV-000017").unsigned(c(1), 1000).close();
    let extra = writer.finish();
    let payload = worked().with_extra(extra.clone()).unwrap();
    let reading = read(&payload.qr_text());
    assert_eq!(reading.payloads[0].extra.as_deref(), Some(&extra[..]));
    assert_eq!(reading.accepted(), Some(vec![payload]));

    assert_eq!(worked().with_extra(vec![0x04, 1]), Err(PayloadError::ExtraKind));
    assert!(matches!(worked().with_extra(vec![0x15]), Err(PayloadError::Extra(_))));
    let most = Payload::MAX_EXTRA;
    assert_eq!(worked().with_extra(vec![0; most + 1]), Err(PayloadError::ExtraSize(most + 1)));
    // A maker's text with a length of two octets.
    let mut largest = vec![0x15, 0x2D, 0x80, 0, 0];
    largest[3..5].copy_from_slice(&(most as u16 - 6).to_le_bytes());
    largest.resize(most - 1, 0);
    largest.push(0x18);
    let text = worked().with_extra(largest).unwrap().qr_text();
    assert!((3386..=3391).contains(&text.len()), "{}", text.len());
    assert_eq!(faults(&text), [""; 0]);
}

/// Encoded by hand from Appendix A.7; tags and bounds of 5.1.5 from memory of the standard.
#[rustfmt::skip]
const ALL_NAMED: &[u8] = &[
    0x15,
    0x2C, 0x00, 0x04, b'T', b'V', b'-', b'7',
    0x25, 0x01, 0xE8, 0x03,
    0x30, 0x02, 0x10, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15,
    0x24, 0x03, 0x0C,
    0x25, 0x04, 0x84, 0x03,
    0x2C, 0x80, 0x01, b'x',
    0x20, 0xFF, 0xFE,
    0x18,
];

#[test]
fn optional_data_by_name() {
    let data = OptionalData {
        serial_number: Some(Plain::Text("TV-7".into())),
        iterations: Some(1000),
        salt: Some((0..16).collect()),
        devices: Some(12),
        timeout: Some(900),
        maker: [(0x80, Plain::Text("x".into())), (0xFF, Plain::Number(-2))].into(),
    };
    assert_eq!(data.encode().as_deref(), Ok(ALL_NAMED));
    assert_eq!(OptionalData::read(ALL_NAMED), (data.clone(), vec![]));
    let payload = worked().with_optional(&data).unwrap();
    assert_eq!(faults(&payload.qr_text()), [""; 0]);
    let reading = read(&payload.qr_text());
    assert_eq!(reading.payloads[0].optional().as_ref(), Some(&data));
    assert_eq!(reading.accepted(), Some(vec![payload]));
    assert_eq!(worked().with_optional(&OptionalData::default()).unwrap(), worked());
    let number = OptionalData { serial_number: Some(Plain::Number(u64::MAX.into())), ..OptionalData::default() };
    assert_eq!(OptionalData::read(&number.encode().unwrap()), (number, vec![]));
}

#[test]
fn optional_data_out_of_bounds() {
    let text = |length: usize| [&[0x2C, 0x00, length as u8][..], &vec![b'a'; length]].concat();
    let salt = |length: usize| [&[0x30, 0x02, length as u8][..], &vec![7; length]].concat();
    for (name, member, weights) in [
        ("serial number of 32 bytes", text(32), &[][..]),
        ("serial number of 33 bytes", text(33), &["extra!"]),
        ("serial number of none", text(0), &["extra!"]),
        ("serial number as octets", vec![0x30, 0x00, 1, 65], &["extra!"]),
        ("serial number below 0", vec![0x20, 0x00, 0xFF], &["extra!"]),
        ("999 iterations", vec![0x25, 0x01, 0xE7, 0x03], &["extra!"]),
        ("100000 iterations", vec![0x26, 0x01, 0xA0, 0x86, 0x01, 0x00], &[]),
        ("100001 iterations", vec![0x26, 0x01, 0xA1, 0x86, 0x01, 0x00], &["extra!"]),
        ("salt of 15 bytes", salt(15), &["extra!"]),
        ("salt of 32 bytes", salt(32), &[]),
        ("salt of 33 bytes", salt(33), &["extra!"]),
        ("no device", vec![0x24, 0x03, 0], &["extra!"]),
        ("255 devices", vec![0x24, 0x03, 255], &[]),
        ("256 devices", vec![0x25, 0x03, 0, 1], &["extra!"]),
        ("a timeout of 0", vec![0x24, 0x04, 0], &["extra!"]),
        ("a timeout of 65536", vec![0x26, 0x04, 0, 0, 1, 0], &["extra!"]),
        ("a reserved tag", vec![0x24, 0x05, 0], &["extra"]),
        ("the last reserved tag", vec![0x24, 0x7F, 0], &["extra"]),
        ("a maker's truth", vec![0x29, 0x80], &["extra?"]),
        ("a maker's structure", vec![0x35, 0x80, 0x24, 0x01, 0x01, 0x18], &["extra?"]),
        ("a common tag", vec![0x44, 0x01, 0x00, 0x05], &["extra?"]),
        ("a tag twice", vec![0x24, 0x03, 1, 0x24, 0x03, 1], &["extra!"]),
    ] {
        let extra = [&[0x15][..], &member, &[0x18]].concat();
        let qr = format!("MT:{}", base38_encode(&[&worked().pack()[..], &extra].concat()));
        assert_eq!(faults(&qr), weights, "{name}");
        // What is made is never what reading calls an error.
        assert_eq!(worked().with_extra(extra).is_err(), weights.iter().any(|w| w.ends_with('!')), "{name}");
    }
    for maker in [0x00, 0x05, 0x7F] {
        let data = OptionalData { maker: [(maker, Plain::Number(1))].into(), ..OptionalData::default() };
        assert_eq!(data.encode(), Err(OptionalFault::NotMakers(maker)));
    }
}

#[test]
fn the_soft_access_point_is_a_warning() {
    let soft = payload(0xFFF1, 0x8000, Flow::Standard, 0b11, 3840, 20_202_021);
    assert_eq!(faults(&soft.qr_text()), ["reach?"]);
    assert_eq!(read(&soft.qr_text()).verdict(), Verdict::Accepted);
}

#[test]
fn secrets_stay_out_of_debug() {
    let secret = ["20202021", "34970112332"];
    let payload = worked();
    let manual = payload.manual_code(false).unwrap();
    let shown = format!("{payload:?} {manual:?} {:?}", read(QR).payloads);
    assert!(secret.iter().all(|secret| !shown.contains(secret)), "{shown}");
}

fn any_payload() -> impl Strategy<Value = Payload> {
    let allowed = (1_u32..=99_999_998).prop_filter("forbidden", |p| Passcode::new(*p).is_ok());
    (1_u16..=0xFFF4, 1_u16.., 0_u8..3, 0_u8..32, 0_u16..4096, allowed)
        .prop_map(|(v, p, flow, reach, d, passcode)| payload(v, p, Flow::from_bits(flow).unwrap(), reach, d, passcode))
}

proptest! {
    #[test]
    fn qr_text_reads_back(payload in any_payload()) {
        let text = payload.qr_text();
        prop_assert_eq!(text.len(), 22);
        let reading = read(&text);
        prop_assert_eq!(reading.verdict(), Verdict::Accepted);
        prop_assert_eq!(reading.accepted(), Some(vec![payload]));
    }

    #[test]
    fn manual_codes_read_back(payload in any_payload(), long: bool) {
        let manual = payload.manual_code(long).unwrap();
        let reading = read(&manual.printed());
        prop_assert!(reading.findings.is_empty(), "{:?}", reading.findings);
        let fields = &reading.payloads[0];
        prop_assert_eq!(fields.passcode, Some(payload.passcode.get()));
        prop_assert_eq!(fields.short_discriminator, Some(payload.discriminator.short()));
        let ids = manual.is_long().then(|| (payload.vendor().unwrap().get(), payload.product().unwrap().get()));
        prop_assert_eq!(fields.vendor_id.zip(fields.product_id), ids);
    }

    #[test]
    fn base_38_reads_back(octets in proptest::collection::vec(any::<u8>(), 0..200)) {
        prop_assert_eq!(base38_decode(&base38_encode(&octets)), Some(octets));
    }

    #[test]
    fn any_text_is_read(text in "\\PC{0,60}") {
        read(&text);
    }

    #[test]
    fn nearly_qr_text_is_read(text in "(MT:|mt:|)[0-9A-Za-z.*: -]{0,90}") {
        read(&text);
    }

    #[test]
    fn nearly_digits_are_read(text in "[0-9a٣ -]{0,30}") {
        read(&text);
    }
}

/// Every code that is one digit or one swap of neighbours away.
fn slipped(digits: &str) -> Vec<String> {
    let mut slipped = Vec::new();
    for at in 0..digits.len() {
        for digit in b'0'..=b'9' {
            let mut octets = digits.as_bytes().to_vec();
            octets[at] = digit;
            slipped.push(octets);
        }
        if at > 0 {
            let mut octets = digits.as_bytes().to_vec();
            octets.swap(at - 1, at);
            slipped.push(octets);
        }
    }
    slipped.retain(|octets| octets != digits.as_bytes());
    slipped.into_iter().map(|octets| String::from_utf8(octets).unwrap()).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]
    /// Verhoeff's promise: every change of one digit and every swap of unequal
    /// neighbours is found.
    #[test]
    fn every_slip_is_found(payload in any_payload(), long: bool) {
        let manual = payload.manual_code(long).unwrap();
        for text in slipped(manual.digits()) {
            let digits: Vec<u8> = text.bytes().map(|b| b - b'0').collect();
            prop_assert!(!verhoeff::holds(&digits), "{} from {}", text, manual.digits());
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]
    /// The code that was meant is among those named, and nothing else is called an error.
    #[test]
    fn every_slip_is_explained(payload in any_payload(), long: bool) {
        let manual = payload.manual_code(long).unwrap();
        let digits = manual.digits();
        for text in slipped(digits) {
            let reading = read(&text);
            let errors: Vec<_> = reading
                .findings
                .iter()
                .filter(|l| l.finding.severity == Severity::Error)
                .map(|l| l.finding.rule.name)
                .collect();
            prop_assert_eq!(errors, ["code.check-digit"], "{} from {}", text, digits);
            prop_assert!(reading.could_be.iter().any(|slip| slip.digits == digits), "{} from {}", text, digits);
        }
    }
}
