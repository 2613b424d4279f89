use super::cluster::{basic, commissioning, credentials};
use super::invoke::{self, Outcome};
use super::read::{self, Answer, ReportData};
use super::*;
use crate::tlv::Value;

/// Layouts of Core Spec 10.6 and 10.7, from memory, laid out by hand.
#[test]
fn messages_have_the_standard_s_layout() {
    assert_eq!(hex::encode(status_response(0)), "1524000024ff0b18");
    let request = read::request(&[basic::path(basic::VENDOR_ID)]);
    assert_eq!(hex::encode(&request), "1536001724020024032824040218182803".to_owned() + "24ff0b18");
    assert_eq!(read::read_request(&request), Ok(vec![basic::path(2)]));
    let arm = invoke::request(commissioning::ARM_FAIL_SAFE, |w| commissioning::arm(w, 60, 0));
    assert_eq!(
        hex::encode(arm),
        "15280028013602153700240000240130240200183501240".to_owned() + "03c2401001818" + "1824ff0b18"
    );
}

#[test]
fn what_one_side_writes_the_other_reads() {
    let arm = invoke::request(commissioning::ARM_FAIL_SAFE, |w| commissioning::arm(w, 300, 7));
    let commands = invoke::read_request(&arm).expect("an invoke request");
    assert_eq!(commands.len(), 1);
    assert_eq!(commands[0].path, commissioning::ARM_FAIL_SAFE);
    assert_eq!(commissioning::read_arm(commands[0].fields.as_ref().expect("fields")), Ok(300));

    let response = invoke::response(credentials::CHAIN_RESPONSE, |w| credentials::certificate(w, &[7; 600]));
    match invoke::read_response(&response).expect("a response").as_slice() {
        [Outcome::Answered(path, fields)] => {
            assert_eq!(*path, credentials::CHAIN_RESPONSE);
            assert_eq!(credentials::read_certificate(fields), Ok(vec![7; 600]));
        }
        other => panic!("{other:?}"),
    }
    let refused = invoke::status(credentials::CSR_REQUEST, status::FAIL_SAFE_REQUIRED);
    assert!(matches!(
        invoke::read_response(&refused).expect("a status").as_slice(),
        [Outcome::Status(credentials::CSR_REQUEST, 0xCA, None)]
    ));

    let answers = [
        (basic::path(basic::VENDOR_NAME), Answer::Text("Tern & Hollow".into())),
        (basic::path(basic::VENDOR_ID), Answer::Number(0xFFF2)),
        (basic::path(basic::SERIAL_NUMBER), Answer::Status(status::UNSUPPORTED_ATTRIBUTE)),
    ];
    for more in [true, false] {
        let written = read::report_data(&answers, more);
        let data = ReportData::read(&written).expect("a report");
        assert_eq!((data.more, data.suppress), (more, !more));
        let values: Vec<_> = data.reports.iter().map(|report| report.value).collect();
        assert_eq!(values, [Ok(Value::Utf8("Tern & Hollow")), Ok(Value::Unsigned(0xFFF2)), Err(0x86)]);
    }
    let elements = credentials::csr_elements(b"request", &[9; 32]);
    assert_eq!(credentials::read_csr_elements(&elements), Ok((&b"request"[..], &[9_u8; 32][..])));
}

/// What a later release adds is passed over; what is twice there is not.
#[test]
fn unknown_tags_are_passed_over() {
    let mut w = Writer::new();
    w.open(Tag::Anonymous, Container::Structure)
        .unsigned(Tag::Context(0), 0)
        .open(Tag::Context(77), Container::Structure)
        .utf8(Tag::Context(1), "later")
        .close()
        .unsigned(Tag::Context(0xFF), 99)
        .close();
    assert_eq!(read_status_response(&w.finish()), Ok(0));
    let mut w = Writer::new();
    w.open(Tag::Anonymous, Container::Structure).unsigned(Tag::Context(0), 0).unsigned(Tag::Context(0), 1).close();
    assert_eq!(read_status_response(&w.finish()), Err(FieldError::Twice(0)));
    assert!(matches!(read_status_response(&[0x15, 0x18]), Err(FieldError::Missing { number: 0, .. })));
    assert!(matches!(read_status_response(&[0x15, 0x28, 0, 0x18]), Err(FieldError::Kind { .. })));
    assert!(matches!(read_status_response(&[0x15, 0x25, 0, 0, 1, 0x18]), Err(FieldError::Bounds { .. })));
    assert!(matches!(read_status_response(&[0x16, 0x18]), Err(FieldError::Outside { .. })));
    assert!(matches!(read_status_response(&[0x15]), Err(FieldError::Tlv(_))));
}
