//! Readers of crate `standard`.

use std::sync::{Arc, LazyLock};

use arbitrary::{Result as Drawn, Unstructured};
use standard::asn1::bit_string;
use standard::certificate::{Builder, Certificate, Profile, sign_tbs};
use standard::declaration::{Content, Declaration};
use standard::detect::{Item, detect};
use standard::exchange::{Elements, Proof};
use standard::factory_record::{self, FactoryRecord};
use standard::ids::{ProductId, VendorId};
use standard::interaction::{cluster, invoke, read, read_status_response};
use standard::key::{Signer as _, SoftwareKey};
use standard::moment::{Moment, NO_END};
use standard::name::NameBuilder;
use standard::onboarding::{self, OptionalData};
use standard::pase::messages;
use standard::passcode_verifier::{Iterations, PasscodeVerifier, Salt};
use standard::request::Request;
use standard::revocation::RevocationList;
use standard::session::{Datagram, Key, Message, StatusReport};
use standard::specimen::Identity;
use standard::tlv::{self, Container, Fields, Tag, Writer};
use standard::verdict::{
    Context, Device, Pool, Report, judge_certificate, judge_declaration, judge_exchange, judge_list, judge_request,
};

use super::Target;

/// All of them.
pub const TARGETS: &[Target] = &[
    ("detect", any_file),
    ("certificate", |data| _ = Certificate::read(data).map(judged)),
    ("request", |data| _ = Request::read(data)),
    ("list", |data| _ = RevocationList::read(data)),
    ("declaration", |data| _ = Declaration::read(data)),
    ("content", |data| _ = Content::read(data)),
    ("proof", |data| _ = Proof::read(data)),
    ("elements", |data| _ = Elements::read(data)),
    ("tlv", |data| _ = tlv::whole(data)),
    ("tlv_made", |data| _ = made_tlv(data)),
    ("signed", |data| _ = signed(data)),
    ("code", |data| code(&String::from_utf8_lossy(data))),
    ("code_made", |data| _ = made_code(data)),
    ("record", record),
    ("record_hex", record_in_hex),
    ("verifier", verifier),
    ("message", message),
    ("pase", pase),
    ("interaction", interaction),
];

/// A datagram, and what follows its header as if it were in the clear or sealed.
fn message(data: &[u8]) {
    let Ok(datagram) = Datagram::read(data) else { return };
    _ = Key::new([0x51; 16]).unseal(&datagram, 0);
    if let Ok(message) = Message::read(datagram.body) {
        assert_eq!(Message::read(&message.encode()), Ok(message), "a message is read as it was written");
        _ = StatusReport::read(message.payload);
    }
}

/// The payloads with which a session is opened.
fn pase(data: &[u8]) {
    if let Ok(request) = messages::ParamRequest::read(data) {
        assert_eq!(messages::ParamRequest::read(&request.encode()), Ok(request));
    }
    if let Ok(response) = messages::ParamResponse::read(data) {
        assert_eq!(messages::ParamResponse::read(&response.encode()), Ok(response));
    }
    _ = messages::read_pake1(data);
    _ = messages::read_pake2(data);
    _ = messages::read_pake3(data);
}

/// What is asked of a device, and its answers.
fn interaction(data: &[u8]) {
    use cluster::{commissioning, credentials};
    let fields = |fields: &Fields<'_>| {
        _ = commissioning::read_arm(fields);
        _ = commissioning::read_armed(fields);
        _ = credentials::read_nonce(fields);
        _ = credentials::read_chain(fields);
        _ = credentials::read_certificate(fields);
        _ = credentials::read_signed(fields);
    };
    _ = read_status_response(data);
    _ = read::read_request(data);
    _ = read::ReportData::read(data);
    for request in invoke::read_request(data).unwrap_or_default() {
        request.fields.as_ref().map(fields);
    }
    for outcome in invoke::read_response(data).unwrap_or_default() {
        if let invoke::Outcome::Answered(_, answered) = &outcome {
            fields(answered);
        }
    }
    _ = credentials::read_csr_elements(data);
}

/// Any file as `examine` reads it, judged too.
fn any_file(data: &[u8]) {
    let mut report = Report::new();
    for item in detect(data).unwrap_or_default() {
        match item {
            Item::Certificate(c) => {
                for profile in [Profile::Dac, Profile::Pai, Profile::Paa] {
                    judge_certificate(&c, profile, &mut report);
                }
            }
            Item::Declaration(d) => judge_declaration(&d, &[], &mut report),
            Item::Request(r) => judge_request(&r, &Device::default(), &mut report),
            Item::List(l) => drop(judge_list(&l, &Pool::default(), &[], false, NO_END, &mut report)),
            Item::Exchange(p) => drop(judge_exchange(&p, None, &[], &mut report)),
            Item::BrokenCertificate(..) | Item::PublicKey(_) | Item::FactoryRecord(_) => {}
        }
    }
}

/// A certificate, judged as its own chain.
fn judged(certificate: Certificate) {
    let c = Arc::new(certificate);
    let pool = Pool::new(vec![(Arc::clone(&c), Profile::Pai, false), (Arc::clone(&c), Profile::Paa, true)]);
    pool.judge_dac(&c, &Context::default());
    pool.judge_authority(0, &Context::default());
    pool.judge_authority(1, &Context::default());
}

/// A part of an encoding in DER.
enum Node {
    Leaf(u8, Vec<u8>),
    Tree(u8, Vec<Node>),
}

impl Node {
    /// Takes well-formed DER of short identifiers apart; what else there is stays a leaf.
    fn all(mut octets: &[u8]) -> Option<Vec<Self>> {
        let mut nodes = Vec::new();
        while let [tag, first, rest @ ..] = octets {
            let (length, rest) = match first {
                0..=0x7F => (usize::from(*first), rest),
                0x81 => (usize::from(*rest.first()?), &rest[1..]),
                0x82 => (usize::from(*rest.first()?) << 8 | usize::from(*rest.get(1)?), &rest[2..]),
                _ => return None,
            };
            let content = rest.get(..length)?;
            octets = &rest[length..];
            let members = if tag & 0x20 == 0 { None } else { Self::all(content) };
            nodes.push(members.map_or_else(|| Self::Leaf(*tag, content.to_vec()), |members| Self::Tree(*tag, members)));
        }
        octets.is_empty().then_some(nodes)
    }

    fn write(&self, out: &mut Vec<u8>) {
        let mut inner = Vec::new();
        let (tag, content) = match self {
            Self::Leaf(tag, content) => (tag, content),
            Self::Tree(tag, members) => {
                members.iter().for_each(|member| member.write(&mut inner));
                (tag, &inner)
            }
        };
        out.extend(standard::asn1::tlv(*tag, content));
    }

    fn count(&self) -> usize {
        if let Self::Tree(_, members) = self { 1 + members.iter().map(Self::count).sum::<usize>() } else { 1 }
    }

    /// Changes the part of this number, counted from itself and downwards.
    fn change(&mut self, mut number: usize, draw: &mut Unstructured<'_>) -> Drawn<()> {
        let (tag, members) = match self {
            Self::Leaf(tag, content) => {
                match draw.int_in_range(0..=3)? {
                    0 => *tag = draw.arbitrary()?,
                    1 => *content = draw.arbitrary()?,
                    2 => content.truncate(draw.int_in_range(0..=content.len())?),
                    _ if content.is_empty() => content.push(draw.arbitrary()?),
                    _ => {
                        let at = draw.choose_index(content.len())?;
                        content[at] = draw.arbitrary()?;
                    }
                }
                return Ok(());
            }
            Self::Tree(tag, members) => (tag, members),
        };
        if number > 0 {
            number -= 1;
            for member in members {
                let count = member.count();
                if number < count {
                    return member.change(number, draw);
                }
                number -= count;
            }
            return Ok(());
        }
        match draw.int_in_range(0..=4)? {
            0 => *tag = draw.arbitrary()?,
            1 if members.len() > 1 => {
                let (one, other) = (draw.choose_index(members.len())?, draw.choose_index(members.len())?);
                members.swap(one, other);
            }
            2 if !members.is_empty() => {
                members.remove(draw.choose_index(members.len())?);
            }
            3 if !members.is_empty() => {
                let mut again = Vec::new();
                members[draw.choose_index(members.len())?].write(&mut again);
                members.extend(Self::all(&again).unwrap_or_default());
            }
            _ => members.push(Self::Leaf(draw.arbitrary()?, draw.arbitrary()?)),
        }
        Ok(())
    }
}

/// A key, and signed parts of what it may sign: certificates of each profile, a request and a list.
static SIGNED: LazyLock<(SoftwareKey, Vec<Vec<u8>>)> = LazyLock::new(|| {
    let key = SoftwareKey::from_private(&[7; 32]).expect("a key");
    let name = NameBuilder::new().common_name("Fuzz Mvid:FFF2 Mpid:8A21").build();
    let issuer = (name.as_slice(), key.key_id());
    let mut parts: Vec<Vec<u8>> = [Profile::Dac, Profile::Pai, Profile::Paa]
        .into_iter()
        .map(|profile| {
            let times = (Moment::from_unix(1_700_000_000), NO_END);
            Builder::new(profile, &[1, 2, 3], (issuer.0, &issuer.1), &name, &key.public_key(), times).tbs()
        })
        .collect();
    let valid = standard::specimen::all(&Identity {
        vendor: VendorId::new(0xFFF2).expect("an ID"),
        product: ProductId::new(0x8A21).expect("an ID"),
        now: Moment::from_unix(1_700_000_000),
    })
    .expect("specimens")
    .into_iter()
    .take_while(|s| s.rule.is_none());
    for file in valid.flat_map(|specimen| specimen.files) {
        for item in detect(&file.octets).unwrap_or_default() {
            match item {
                Item::Request(r) => parts.push(first_member(r.der())),
                Item::List(l) => parts.push(first_member(l.der())),
                _ => {}
            }
        }
    }
    (key, parts)
});

/// The signed part of what is signed.
fn first_member(der: &[u8]) -> Vec<u8> {
    let mut out = Vec::new();
    if let Some([Node::Tree(_, members), ..]) = Node::all(der).as_deref() {
        members.first().iter().for_each(|first| first.write(&mut out));
    }
    out
}

/// What is signed as it should be, and broken in its fields.
fn signed(data: &[u8]) -> Drawn<()> {
    let mut draw = Unstructured::new(data);
    let (key, parts) = &*SIGNED;
    let part = draw.choose(parts)?;
    let Some(mut nodes) = Node::all(part) else { return Ok(()) };
    let Some(root) = nodes.first_mut() else { return Ok(()) };
    for _ in 0..draw.int_in_range(1..=4)? {
        let number = draw.choose_index(root.count())?;
        root.change(number, &mut draw)?;
    }
    let mut tbs = Vec::new();
    root.write(&mut tbs);
    let algorithm = first_algorithm();
    // Most of what is found needs no signature that holds: signing takes longer than all else.
    let der = if draw.ratio(1, 8)? {
        sign_tbs(&tbs, &algorithm, key).expect("a signature")
    } else {
        standard::asn1::sequence(&[&tbs, &algorithm, &bit_string(&[0x30, 6, 2, 1, 1, 2, 1, 1])])
    };
    any_file(&der);
    let _ = Certificate::read(&der).map(judged);
    Ok(())
}

/// ecdsa-with-SHA256 (RFC 5758 §3.2).
fn first_algorithm() -> Vec<u8> {
    vec![0x30, 10, 6, 8, 0x2A, 0x86, 0x48, 0xCE, 0x3D, 4, 3, 2]
}

/// A tag that a member of such a container may have (Core Spec, Appendix A.5).
fn tag(draw: &mut Unstructured<'_>, within: Container) -> Drawn<Tag> {
    Ok(match draw.int_in_range(0..=4)? {
        _ if within == Container::Array => Tag::Anonymous,
        0 if within == Container::List => Tag::Anonymous,
        1 => Tag::Common(draw.arbitrary()?),
        2 => Tag::Full { vendor: draw.arbitrary()?, profile: draw.arbitrary()?, tag: draw.arbitrary()? },
        _ => Tag::Context(draw.arbitrary()?),
    })
}

/// Elements in TLV, with no more containers open than may be.
fn elements(draw: &mut Unstructured<'_>, within: Container, depth: usize, out: &mut Writer) -> Drawn<()> {
    while !draw.is_empty() && draw.ratio(7, 8)? {
        let tag = tag(draw, within)?;
        match draw.int_in_range(0..=6)? {
            0 => out.unsigned(tag, draw.arbitrary()?),
            1 => out.signed(tag, draw.arbitrary()?),
            2 => out.bool(tag, draw.arbitrary()?),
            3 => out.utf8(tag, draw.arbitrary()?),
            4 => out.octets(tag, draw.arbitrary()?),
            5 if depth > 0 => {
                let inner = *draw.choose(&[Container::Structure, Container::Array, Container::List])?;
                out.open(tag, inner);
                elements(draw, inner, depth - 1, out)?;
                out.close()
            }
            _ => out.null(tag),
        };
    }
    Ok(())
}

/// TLV as it should be, or with one octet changed, to all that read it.
fn made_tlv(data: &[u8]) -> Drawn<()> {
    let mut draw = Unstructured::new(data);
    let broken: Option<(u16, u8)> = draw.arbitrary()?;
    let mut out = Writer::new();
    out.open(Tag::Anonymous, Container::Structure);
    elements(&mut draw, Container::Structure, 6, &mut out)?;
    out.close();
    let mut octets = out.finish();
    if let Some((at, with)) = broken {
        let at = usize::from(at) % octets.len();
        octets[at] = with;
    } else {
        tlv::whole(&octets).expect("what the writer wrote can be read");
    }
    let _ = tlv::whole(&octets);
    let _ = Content::read(&octets);
    let _ = Elements::read(&octets);
    let _ = OptionalData::read(&octets);
    Ok(())
}

/// An onboarding code. What is accepted says the same when it is written again.
fn code(text: &str) {
    let reading = onboarding::read(text);
    let Some(payloads) = reading.accepted() else { return };
    let again = onboarding::read(&onboarding::join(&payloads));
    assert_eq!(again.accepted().as_ref(), Some(&payloads), "{text:?}");
}

/// A QR payload of drawn bits and drawn further data, or some, joined.
fn made_code(data: &[u8]) -> Drawn<()> {
    let mut draw = Unstructured::new(data);
    let mut text = String::from("MT:");
    for part in 0..draw.int_in_range(1..=3)? {
        if part > 0 {
            text.push('*');
        }
        let mut octets: [u8; 11] = draw.arbitrary()?;
        // A version and padding that are none are all there is to say of a code.
        octets[0] &= 0xF8;
        octets[10] &= 0x0F;
        let mut octets = octets.to_vec();
        if draw.arbitrary()? {
            let mut out = Writer::new();
            out.open(Tag::Anonymous, Container::Structure);
            elements(&mut draw, Container::Structure, 3, &mut out)?;
            out.close();
            octets.extend(out.finish());
        }
        text += &onboarding::base38_encode(&octets);
    }
    if draw.arbitrary()? {
        text.truncate(draw.int_in_range(0..=text.len())?);
    }
    code(&text);
    Ok(())
}

/// A factory record in any of its files. What is read is written as the same.
fn record(data: &[u8]) {
    let Ok((record, _)) = factory_record::read_any(data) else { return };
    let octets = record.encode().expect("what was read can be written");
    assert_eq!(FactoryRecord::read(&octets).as_ref(), Ok(&record));
}

/// The same octets, in Intel HEX whose checksums hold, at a drawn place.
fn record_in_hex(data: &[u8]) {
    let [high, low, data @ ..] = data else { return };
    let mut text = format!(":02000004{high:02X}{low:02X}");
    text += &format!("{:02X}\n", 0_u8.wrapping_sub(2 + 4).wrapping_sub(*high).wrapping_sub(*low));
    for (line, octets) in (0_u16..).step_by(16).zip(data.chunks(16)) {
        let [a, b] = line.to_be_bytes();
        let sum = octets.iter().fold((octets.len() as u8).wrapping_add(a).wrapping_add(b), |s, o| s.wrapping_add(*o));
        text += &format!(":{:02X}{line:04X}00", octets.len());
        octets.iter().for_each(|o| text += &format!("{o:02X}"));
        text += &format!("{:02X}\n", 0_u8.wrapping_sub(sum));
    }
    record((text + ":00000001FF\n").as_bytes());
}

/// What a verifier is made of.
fn verifier(data: &[u8]) {
    let _ = Salt::new(data);
    let _ = PasscodeVerifier::from_octets(data);
    if let Some((count, rest)) = data.split_first_chunk() {
        let _ = Iterations::new(u32::from_le_bytes(*count));
        let (salt, rest) = rest.split_at(rest.len().min(16));
        // Deriving takes as long as its count says; the smallest shows all else.
        let _ = standard::passcode_verifier::check(20_202_021, salt, 1_000, rest);
    }
}
