//! What holds for all input: nothing panics, what is written is read, and no change to anything
//! signed is ever accepted.

#![cfg(test)]

use std::sync::{Arc, LazyLock};

use proptest::prelude::*;
use standard::certificate::{Certificate, Profile};
use standard::declaration::{Content, Declaration};
use standard::detect::{Item, detect};
use standard::exchange::{Elements, Proof};
use standard::ids::{ProductId, VendorId};
use standard::moment::NO_END;
use standard::request::Request;
use standard::revocation::RevocationList;
use standard::specimen::{Identity, Specimen, all};
use standard::tlv::{self, Container, Reader, Tag, Value, Writer};
use standard::verdict::{
    Context, Device, Pool, Report, Severity, SignerKey, judge_certificate, judge_declaration, judge_exchange,
    judge_list, judge_pairing, judge_request,
};

static SETS: LazyLock<Vec<Specimen>> = LazyLock::new(|| {
    let identity = Identity {
        vendor: VendorId::new(0xFFF2).unwrap(),
        product: ProductId::new(0x8A21).unwrap(),
        now: "2026-03-01T12:00:00Z".parse().unwrap(),
    };
    all(&identity).unwrap()
});

fn valid(name: &str) -> &'static [u8] {
    let set = SETS.iter().find(|s| s.folder() == "valid").unwrap();
    &set.files.iter().find(|f| f.name == name).unwrap().octets
}

/// Every parser, and every judge of what it gives.
fn everything(octets: &[u8]) {
    let mut report = Report::new();
    for item in detect(octets).unwrap_or_default() {
        match item {
            Item::Certificate(c) => judge_all(&c, &mut report),
            Item::Declaration(d) => judge_declaration(&d, &[], &mut report),
            Item::Request(r) => judge_request(&r, &Device::default(), &mut report),
            Item::List(l) => {
                judge_list(&l, &Pool::default(), &[], false, NO_END, &mut report);
            }
            Item::Exchange(p) => {
                judge_exchange(&p, None, &[], &mut report);
            }
            Item::BrokenCertificate(..) | Item::PublicKey(_) | Item::FactoryRecord(_) => {}
        }
    }
    if let Ok(c) = Certificate::read(octets) {
        judge_all(&Arc::new(c), &mut report);
    }
    if let Ok(content) = Content::read(octets) {
        judge_pairing(&content, &Device::default(), None, None, &mut report);
    }
    let _ = (Request::read(octets), RevocationList::read(octets), Declaration::read(octets), Proof::read(octets));
    let _ = (tlv::whole(octets), Elements::read(octets));
    for finding in report.into_findings() {
        assert!(!finding.found.is_empty() && !finding.required.is_empty(), "{}", finding.rule.name);
    }
}

fn judge_all(certificate: &Arc<Certificate>, report: &mut Report) {
    for profile in [Profile::Dac, Profile::Pai, Profile::Paa] {
        judge_certificate(certificate, profile, report);
    }
    let pool = Pool::new(vec![(Arc::clone(certificate), Profile::Paa, true)]);
    pool.judge_dac(certificate, &Context::default());
    pool.judge_authority(0, &Context::default());
}

fn specimen() -> impl Strategy<Value = Vec<u8>> {
    let all: Vec<_> = SETS.iter().flat_map(|s| s.files.iter().map(|f| f.octets.clone())).collect();
    proptest::sample::select(all)
}

/// A file of some set with a few octets put in, left out or changed, cut or doubled.
fn mutated() -> impl Strategy<Value = Vec<u8>> {
    let change = (any::<prop::sample::Index>(), any::<u8>(), 0..5u8);
    (specimen(), prop::collection::vec(change, 1..6)).prop_map(|(mut octets, changes)| {
        for (index, octet, how) in changes {
            if octets.is_empty() {
                break;
            }
            let at = index.index(octets.len());
            match how {
                0 => octets[at] = octet,
                1 => octets.insert(at, octet),
                2 => drop(octets.remove(at)),
                3 => octets.truncate(at),
                _ => octets.extend_from_within(at..),
            }
        }
        octets
    })
}

#[derive(Debug, Clone)]
enum Leaf {
    Unsigned(u64),
    Signed(i64),
    Bool(bool),
    Null,
    Text(String),
    Octets(Vec<u8>),
    Inside(Container, Vec<(Tag, Leaf)>),
}

fn tag() -> impl Strategy<Value = Tag> {
    prop_oneof![
        any::<u8>().prop_map(Tag::Context),
        any::<u32>().prop_map(Tag::Common),
        any::<u32>().prop_map(Tag::Implicit),
        (any::<u16>(), any::<u16>(), any::<u32>()).prop_map(|(vendor, profile, tag)| Tag::Full {
            vendor,
            profile,
            tag
        }),
    ]
}

fn leaf() -> impl Strategy<Value = Leaf> {
    let flat = prop_oneof![
        any::<u64>().prop_map(Leaf::Unsigned),
        any::<u16>().prop_map(|n| Leaf::Unsigned(n.into())),
        any::<i64>().prop_map(Leaf::Signed),
        any::<i8>().prop_map(|n| Leaf::Signed(n.into())),
        any::<bool>().prop_map(Leaf::Bool),
        Just(Leaf::Null),
        ".{0,40}".prop_map(Leaf::Text),
        prop::collection::vec(any::<u8>(), 0..300).prop_map(Leaf::Octets),
    ];
    flat.prop_recursive(6, 40, 6, |inner| {
        let members = prop::collection::vec((tag(), inner), 0..6);
        (0..3u8, members).prop_map(|(kind, mut members)| {
            let container = [Container::Structure, Container::Array, Container::List][usize::from(kind)];
            // An array's members have no tags (Appendix A).
            if container == Container::Array {
                members.iter_mut().for_each(|(tag, _)| *tag = Tag::Anonymous);
            }
            Leaf::Inside(container, members)
        })
    })
}

fn write(w: &mut Writer, tag: Tag, leaf: &Leaf) {
    match leaf {
        Leaf::Unsigned(n) => drop(w.unsigned(tag, *n)),
        Leaf::Signed(n) => drop(w.signed(tag, *n)),
        Leaf::Bool(b) => drop(w.bool(tag, *b)),
        Leaf::Null => drop(w.null(tag)),
        Leaf::Text(text) => drop(w.utf8(tag, text)),
        Leaf::Octets(octets) => drop(w.octets(tag, octets)),
        Leaf::Inside(container, members) => {
            w.open(tag, *container);
            members.iter().for_each(|(tag, member)| write(w, *tag, member));
            w.close();
        }
    }
}

fn same(reader: &mut Reader<'_>, tag: Tag, leaf: &Leaf) {
    let element = reader.next().unwrap().unwrap();
    assert_eq!(element.tag, tag);
    match (leaf, element.value) {
        (Leaf::Unsigned(n), Value::Unsigned(read)) => assert_eq!(*n, read),
        (Leaf::Signed(n), Value::Signed(read)) => assert_eq!(*n, read),
        (Leaf::Bool(b), Value::Bool(read)) => assert_eq!(*b, read),
        (Leaf::Null, Value::Null) => {}
        (Leaf::Text(text), Value::Utf8(read)) => assert_eq!(text, read),
        (Leaf::Octets(octets), Value::Octets(read)) => assert_eq!(octets, read),
        (Leaf::Inside(container, members), Value::Open(read)) => {
            assert_eq!(*container, read);
            members.iter().for_each(|(tag, member)| same(reader, *tag, member));
            assert_eq!(reader.next().unwrap().unwrap().value, Value::Close);
        }
        (leaf, read) => panic!("{leaf:?} was read as {read:?}"),
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(2000) })]

    #[test]
    fn random_octets_never_panic(octets in prop::collection::vec(any::<u8>(), 0..2000)) {
        everything(&octets);
    }

    #[test]
    fn mutated_files_never_panic(octets in mutated()) {
        everything(&octets);
    }

    #[test]
    fn what_is_written_is_read(leaf in leaf()) {
        let mut w = Writer::new();
        write(&mut w, Tag::Anonymous, &leaf);
        let octets = w.finish();
        prop_assert_eq!(tlv::whole(&octets), Ok(()));
        same(&mut Reader::new(&octets), Tag::Anonymous, &leaf);
    }
}

fn is_refused(findings: &[standard::verdict::Finding]) -> bool {
    findings.iter().any(|f| f.severity == Severity::Error)
}

fn certificate(name: &str) -> Certificate {
    Certificate::read(valid(name)).unwrap()
}

/// Each octet of `whole` with each bit turned, and with all of them.
fn neighbours(whole: &[u8]) -> impl Iterator<Item = (usize, Vec<u8>)> + '_ {
    (0..whole.len()).flat_map(move |at| {
        [0x01, 0x02, 0x04, 0x08, 0x10, 0x20, 0x40, 0x80, 0xFF].into_iter().map(move |bits| {
            let mut octets = whole.to_vec();
            octets[at] ^= bits;
            (at, octets)
        })
    })
}

/// A DAC or PAI is signed throughout or must repeat what is signed, so no octet may be changed.
#[test]
fn no_changed_certificate_is_accepted_and_anchored() {
    let paa = Arc::new(certificate("paa.der"));
    let context = Context { trust_given: true, ..Context::default() };
    let pool = |pai: Certificate| {
        Pool::new(vec![(Arc::clone(&paa), Profile::Paa, true), (Arc::new(pai), Profile::Pai, false)])
    };
    let whole = pool(certificate("pai.der"));
    let judged = whole.judge_dac(&certificate("dac.der"), &context);
    assert!(judged.anchored && !is_refused(&judged.findings), "{:?}", judged.findings);
    let mut read = 0;
    for (at, octets) in neighbours(valid("dac.der")) {
        let Ok(dac) = Certificate::read(&octets) else { continue };
        read += 1;
        let judged = whole.judge_dac(&dac, &context);
        assert!(is_refused(&judged.findings) || !judged.anchored, "DAC with another octet {at}");
    }
    let dac = certificate("dac.der");
    for (at, octets) in neighbours(valid("pai.der")) {
        let Ok(pai) = Certificate::read(&octets) else { continue };
        read += 1;
        let pool = pool(pai);
        let (above, own) = (pool.judge_authority(1, &context), pool.judge_dac(&dac, &context));
        let refused = is_refused(&above.findings) || is_refused(&own.findings);
        assert!(refused || !own.anchored, "PAI with another octet {at}");
    }
    assert!(read > 4000, "only {read} changed ones were still certificates in shape");
}

/// A declaration's content is signed, and the rest of it is fixed by the profile.
#[test]
fn no_changed_declaration_is_accepted() {
    let signer = certificate("declaration-signer.der");
    let signers = [SignerKey {
        key_id: signer.subject_key_id().unwrap().to_vec(),
        key: *signer.public_key().unwrap(),
        trusted: true,
    }];
    let findings = |declaration: &Declaration| {
        let mut report = Report::new();
        judge_declaration(declaration, &signers, &mut report);
        report.into_findings()
    };
    let whole = Declaration::read(valid("declaration.der")).unwrap();
    assert!(!is_refused(&findings(&whole)), "{:?}", findings(&whole));
    for (at, octets) in neighbours(valid("declaration.der")) {
        let Ok(declaration) = Declaration::read(&octets) else { continue };
        assert!(is_refused(&findings(&declaration)), "declaration with another octet {at}");
    }
}

/// Elements, challenge, nonce and signature of an exchange hang together.
#[test]
fn no_changed_exchange_is_accepted() {
    let dac = certificate("dac.der");
    let declaration = Declaration::read(valid("declaration.der")).unwrap();
    let judge = |proof: &Proof| {
        let mut report = Report::new();
        judge_exchange(proof, Some(&dac), &[&declaration], &mut report);
        report.into_findings()
    };
    let whole = Proof::read(valid("proof.json")).unwrap();
    assert!(!is_refused(&judge(&whole)), "{:?}", judge(&whole));
    let parts: [fn(&mut Proof) -> &mut Vec<u8>; 4] = [
        |p| p.nonce.as_mut().unwrap(),
        |p| p.challenge.as_mut().unwrap(),
        |p| p.elements.as_mut().unwrap(),
        |p| p.signature.as_mut().unwrap(),
    ];
    for (part, select) in parts.into_iter().enumerate() {
        for at in 0..select(&mut whole.clone()).len() {
            for bits in [0x01, 0x80, 0xFF] {
                let mut proof = whole.clone();
                select(&mut proof)[at] ^= bits;
                assert!(is_refused(&judge(&proof)), "part {part} with another octet {at}");
            }
        }
    }
}

/// A signature is a BIT STRING of whole octets (X.690 §8.6.2.3 counts what is left of the last one;
/// an ECDSA signature, RFC 3279 §2.2.3, leaves nothing). One count of unused bits other than zero,
/// and a certificate, a request or a list is none.
#[test]
fn a_signature_that_leaves_bits_unused_is_refused() {
    type Reads = fn(&[u8]) -> bool;
    let kinds: [(&str, &str, Reads); 3] = [
        ("dac.der", "certificate", |der| Certificate::read(der).is_ok()),
        ("request.csr", "request", |der| Request::read(der).is_ok()),
        ("list.crl", "list", |der| RevocationList::read(der).is_ok()),
    ];
    for (file, kind, reads) in kinds {
        let files = SETS.iter().flat_map(|s| &s.files).filter(|f| f.name == file);
        let der = files.map(|f| f.octets.clone()).find(|der| reads(der));
        let mut der = der.unwrap_or_else(|| panic!("no specimen of a {kind} is read"));
        // The signature is the last element: its tag, its length, and the count of unused bits before its SEQUENCE.
        let at = (0..der.len() - 4)
            .rev()
            .find(|at| der[*at] == 0x03 && usize::from(der[at + 1]) == der.len() - at - 2 && der[at + 2] == 0)
            .unwrap_or_else(|| panic!("no BIT STRING ends the {kind}"));
        for unused in 1..=8 {
            der[at + 2] = unused;
            assert!(!reads(&der), "a {kind} whose signature leaves {unused} bits unused");
        }
        der[at + 2] = 0;
        assert!(reads(&der), "{kind}");
    }
}
