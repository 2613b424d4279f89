use super::*;

fn elements(data: &[u8]) -> Result<Vec<(Tag, Value<'_>)>, TlvError> {
    let mut reader = Reader::new(data);
    let mut out = Vec::new();
    while let Some(element) = reader.next()? {
        out.push((element.tag, element.value));
    }
    Ok(out)
}

/// Legal forms. Source: Core Spec Appendix A.7 to A.11, from memory, as laid
/// out in STANDARD.md 4; the control octets are combined here.
#[test]
fn legal_forms_are_read() {
    let rows: &[(&str, &[u8], Tag, Value<'_>)] = &[
        ("signed, 1 octet", &[0x00, 0xEF], Tag::Anonymous, Value::Signed(-17)),
        ("signed, 2 octets", &[0x01, 0x2A, 0x00], Tag::Anonymous, Value::Signed(42)),
        ("signed, 4 octets", &[0x02, 0xFF, 0xFF, 0xFF, 0xFF], Tag::Anonymous, Value::Signed(-1)),
        ("signed, 8 octets", &[0x03, 0, 0, 0, 0, 0, 0, 0, 0x80], Tag::Anonymous, Value::Signed(i64::MIN)),
        ("unsigned, longer than needed", &[0x26, 7, 42, 0, 0, 0], Tag::Context(7), Value::Unsigned(42)),
        (
            "unsigned, 8 octets",
            &[0x07, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF],
            Tag::Anonymous,
            Value::Unsigned(u64::MAX),
        ),
        ("false", &[0x28, 1], Tag::Context(1), Value::Bool(false)),
        ("true, common profile, 2 octets", &[0x49, 1, 0], Tag::Common(1), Value::Bool(true)),
        ("null, common profile, 4 octets", &[0x74, 1, 0, 1, 0], Tag::Common(0x10001), Value::Null),
        ("null, implicit, 2 octets", &[0x94, 2, 0], Tag::Implicit(2), Value::Null),
        ("null, implicit, 4 octets", &[0xB4, 2, 0, 0, 0], Tag::Implicit(2), Value::Null),
        (
            "fully qualified, 6 octets",
            &[0xD4, 0xF2, 0xFF, 0xED, 0xDE, 0x01, 0x00],
            Tag::Full { vendor: 0xFFF2, profile: 0xDEED, tag: 1 },
            Value::Null,
        ),
        (
            "fully qualified, 8 octets",
            &[0xF4, 0xF2, 0xFF, 0xED, 0xDE, 0xAA, 0xFE, 0x55, 0xAA],
            Tag::Full { vendor: 0xFFF2, profile: 0xDEED, tag: 0xAA55_FEAA },
            Value::Null,
        ),
        ("single", &[0x0A, 0, 0, 0x80, 0x3F], Tag::Anonymous, Value::Float(1.0)),
        ("double", &[0x0B, 0, 0, 0, 0, 0, 0, 0xF0, 0x3F], Tag::Anonymous, Value::Double(1.0)),
        ("string, 1-octet length", b"\x0c\x02ok", Tag::Anonymous, Value::Utf8("ok")),
        ("string, 4-octet length", b"\x0e\x02\0\0\0ok", Tag::Anonymous, Value::Utf8("ok")),
        ("octets, 8-octet length", b"\x13\x01\0\0\0\0\0\0\0\xff", Tag::Anonymous, Value::Octets(&[0xFF])),
    ];
    for (name, data, tag, value) in rows {
        assert_eq!(elements(data), Ok(vec![(*tag, *value)]), "{name}");
        assert_eq!(whole(data), Ok(()), "{name}");
    }
}

#[test]
fn faults_are_named() {
    let deep: Vec<u8> = std::iter::repeat_n(0x17, 10_000).collect();
    let rows: &[(&str, &[u8], TlvFault)] = &[
        ("empty", &[], TlvFault::Truncated),
        ("tag missing", &[0x24], TlvFault::Truncated),
        ("value missing", &[0x24, 0], TlvFault::Truncated),
        ("string shorter than its length", b"\x0c\x05ok", TlvFault::Truncated),
        ("length beyond any memory", b"\x13\xff\xff\xff\xff\xff\xff\xff\xff", TlvFault::Truncated),
        ("reserved type", &[0x1F], TlvFault::Reserved(0x1F)),
        ("not UTF-8", b"\x0c\x01\xff", TlvFault::Utf8),
        ("end of nothing", &[0x18], TlvFault::StrayEnd),
        ("end with a tag", &[0x15, 0x38, 0x01], TlvFault::StrayEnd),
        ("never closed", &[0x15], TlvFault::Unclosed),
        ("tag in an array", &[0x16, 0x24, 0, 0, 0x18], TlvFault::TaggedInArray),
        ("no tag in a structure", &[0x15, 0x04, 0, 0x18], TlvFault::Untagged),
        ("octets after it", &[0x15, 0x18, 0x00], TlvFault::Trailing),
        ("ten thousand deep", &deep, TlvFault::Depth),
    ];
    for (name, data, fault) in rows {
        assert_eq!(whole(data).map_err(|e| e.fault), Err(*fault), "{name}");
    }
}

#[test]
fn the_shortest_form_is_written() {
    let c = Tag::Context;
    let mut writer = Writer::new();
    writer
        .open(Tag::Anonymous, Container::Structure)
        .unsigned(c(0), 0xFF)
        .unsigned(c(1), 0x100)
        .unsigned(c(2), 0x1_0000)
        .unsigned(c(3), 0x1_0000_0000)
        .signed(c(4), -128)
        .signed(c(5), 128)
        .bool(c(6), true)
        .null(Tag::Common(0x1_0000))
        .octets(Tag::Implicit(7), &[1])
        .utf8(Tag::Full { vendor: 1, profile: 2, tag: 3 }, "a")
        .close();
    let expected = "15 2400ff 25010001 260200000100 27030000000001000000 200480 21058000 2906 \
                    7400000100 90070001 01 cc010002000300 0161 18";
    assert_eq!(hex::encode(writer.finish()), expected.replace(' ', ""));
}
