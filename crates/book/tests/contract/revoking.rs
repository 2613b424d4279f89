//! Revocations: asked for, confirmed by another person, listed.

use book::ids::{Actor, AuthorityName};
use book::{
    AccountRole, Book, By, CompanySubject, CredentialState, NewAuthority, PartialList, Purpose, RequestState,
    RevocationError, RevocationList, Role, Wanted,
};

use crate::support::*;

fn person(name: &str, second: i64) -> By {
    By::person(Actor::new(name).expect("a name"), at(second))
}

fn dac(n: u32) -> Wanted {
    Wanted { pai: false, serial: credential(n).serial }
}

fn state(book: &Book, n: u32) -> CredentialState {
    book.credential_for_key(&chip(n).public_key).expect("asks").expect("there").state
}

pub fn revocations(engine: &Engine<'_>) {
    let site = engine.site().stocked(8);
    site.provision(0, "S1");
    let book = &site.book;
    let (ada, ben) = (person("ada", 10), person("ben", 20));
    let known = book.knowledge().expect("asks");
    let (there, same) = book.chip_and_knowledge(&chip(1).chip_id).expect("asks");
    assert_eq!((there, same), (book.chip(&chip(1).chip_id).expect("asks"), known));
    let nobody = book::ids::ChipId::new("FFFF").expect("an id");
    assert_eq!(book.chip_and_knowledge(&nobody).expect("asks"), (None, known), "no chip, and all the same an answer");
    let request = book
        .request_revocation(&pai().name, 1, Some("key seen on a forum"), &[dac(0), dac(3)], &ada)
        .expect("requested");
    assert_eq!((request.number, request.certificates, request.state), (1, 2, RequestState::Waiting));
    assert_eq!((state(book, 0), state(book, 3)), (CredentialState::Installed, CredentialState::Available));
    assert!(book.revoked(&pai().name).expect("asks").is_empty(), "asking revokes nothing");
    assert_eq!(book.knowledge().expect("asks"), known, "and nobody need judge by anything else");
    assert_eq!(book.revocation_wanted(1).expect("asks"), [dac(0), dac(3)]);
    assert_eq!(book.revocation_requests(true, 10).expect("asks"), std::slice::from_ref(&request));

    // A test authority's may be confirmed by whoever asked.
    let (confirmed, count) = book.confirm_revocation(1, &ada).expect("confirmed");
    assert_eq!((confirmed.state, count), (RequestState::Confirmed, 2));
    assert_ne!(book.knowledge().expect("asks"), known, "stations learn of it");
    assert_eq!((state(book, 0), state(book, 3)), (CredentialState::Revoked, CredentialState::Revoked));
    let revoked = book.revoked(&pai().name).expect("asks");
    let told: Vec<_> = revoked.iter().map(|r| (r.certificate.serial.clone(), r.reason, r.at)).collect();
    assert_eq!(told, [(credential(0).serial, 1, at(10)), (credential(3).serial, 1, at(10))]);
    let story = book.story(&serial("TV-000000")).expect("asks").expect("there");
    assert_eq!(story.entries.last().expect("an entry").act, "credential.revoke", "the unit's story tells of it");
    let again = book.confirm_revocation(1, &ben).expect_err("settled");
    assert!(matches!(again, RevocationError::Settled { .. }), "{again}");

    // Once revoked stays revoked; asking an authority elsewhere for it again is refused with where it stands.
    let again = book.request_revocation(&pai().name, 4, None, &[dac(3), dac(4)], &ben).expect_err("asked before");
    assert!(matches!(again, RevocationError::AskedBefore { number: 1, .. }), "{again}");
    book.request_revocation(&pai().name, 4, None, &[dac(4)], &ben).expect("requested");
    assert_eq!(book.confirm_revocation(2, &ben).expect("confirmed").1, 1);
    assert_eq!(book.revoked(&pai().name).expect("asks").len(), 3);
    // Withdrawn: nothing is revoked.
    book.request_revocation(&pai().name, 0, None, &[dac(5)], &ben).expect("requested");
    let withdrawn = book.withdraw_revocation(3, &ben).expect("withdrawn");
    assert_eq!(withdrawn.state, RequestState::Withdrawn);
    assert!(book.confirm_revocation(3, &ada).is_err());
    assert_eq!(state(book, 5), CredentialState::Available);
    assert_eq!(book.revocation_requests(true, 10).expect("asks"), []);
    assert_eq!(book.revocation_requests(false, 10).expect("asks").len(), 3);

    // A PAI is revoked by its PAA, found by the INTEGER in its certificate.
    let serial = vec![0x41, 0x07];
    let made = NewAuthority {
        name: AuthorityName::new("Quarry Lane PAI 2").expect("a name"),
        certificate: [&b"certificate "[..], &[2, 2, 0x41, 0x07], b" of PAI 2"].concat(),
        subject_key_id: vec![0xA2; 20],
        ..pai()
    };
    book.add_authority(&made, &by()).expect("added");
    let wanted = Wanted { pai: true, serial };
    book.request_revocation(&paa().name, 2, None, std::slice::from_ref(&wanted), &ada).expect("requested");
    book.confirm_revocation(4, &ada).expect("confirmed");
    assert_eq!(book.revoked(&paa().name).expect("asks")[0].certificate, wanted);

    for (error, wanted, issuer) in [
        ("nothing", vec![], pai().name),
        ("not in the book", vec![dac(99)], pai().name),
        ("another issuer's", vec![dac(1)], paa().name),
        ("no PAI of it", vec![Wanted { pai: true, serial: vec![9] }], paa().name),
        ("nobody", vec![dac(1)], AuthorityName::new("Nobody").expect("a name")),
    ] {
        let refused = book.request_revocation(&issuer, 1, None, &wanted, &ada);
        assert!(refused.is_err(), "{error}");
    }
    assert!(matches!(book.confirm_revocation(99, &ada), Err(RevocationError::Unknown { number: 99 })));

    four_eyes(engine);

    let verified = book.verify(None).expect("verifies");
    assert!(verified.intact(), "{:?}", verified.damages);
    for sql in [
        "UPDATE revocation SET reason = 4",
        "DELETE FROM revocation",
        "UPDATE revocation_wanted SET number = 9 WHERE request = 3",
        "UPDATE revocation_request SET note = 'x' WHERE number = 1",
        "UPDATE revocation_request SET state = 'waiting', settled = NULL, settled_by = NULL WHERE number = 3",
        "INSERT INTO revocation SELECT issuer, issuer_key_id, 'dac', 1, 1, 3, 1 FROM credential, \
         (SELECT 'Quarry Lane PAI 1' AS issuer) a",
    ] {
        assert!(engine.raw(&site.place).attempt(sql).is_err(), "{sql}");
    }
    // What is changed behind the book's back is found, row by row.
    for (sql, table) in [
        ("UPDATE revocation SET reason = 4 WHERE reason = 2", "revocation"),
        ("UPDATE revocation_request SET note = 'x' WHERE number = 1", "revocation_request"),
        ("DELETE FROM revocation_wanted WHERE request = 1 AND number = 2", "revocation_wanted"),
        ("DELETE FROM revocation WHERE reason = 2", "revocation"),
    ] {
        engine.raw(&site.place).force(sql);
        let found = book.verify(None).expect("verifies").damages;
        assert!(found.iter().any(|d| d.table == table), "{sql}: {found:?}");
    }
}

/// For production a second person confirms, and the database holds to it.
fn four_eyes(engine: &Engine<'_>) {
    let site = engine.site();
    let root = NewAuthority { purpose: Purpose::Production, ..paa() };
    let made = NewAuthority {
        purpose: Purpose::Production,
        role: Role::Pai,
        certificate: [&b"certificate "[..], &[2, 2, 0x41, 0x07]].concat(),
        ..pai()
    };
    site.book.add_authority(&root, &by()).expect("added");
    site.book.add_authority(&made, &by()).expect("added");
    let (ada, ben) = (person("ada", 10), person("ben", 20));
    let wanted = [Wanted { pai: true, serial: vec![0x41, 0x07] }];
    let request = site.book.request_revocation(&root.name, 2, None, &wanted, &ada).expect("requested");
    for name in ["ada", "ADA", "A da"] {
        let alone = site.book.confirm_revocation(request.number, &person(name, 10)).expect_err("the same person");
        assert!(matches!(alone, RevocationError::SamePerson { .. }), "{name}: {alone}");
    }
    let again = || site.book.request_revocation(&root.name, 4, None, &wanted, &ben).expect_err("asked before");
    assert!(again().to_string().contains("which waits for a second person"), "{}", again());
    let sql = "UPDATE revocation_request SET state = 'confirmed', settled = 1, settled_by = 'ada'";
    assert!(engine.raw(&site.place).attempt(sql).is_err(), "the database refuses it too");
    assert!(site.book.revoked(&root.name).expect("asks").is_empty());
    // Ada may have an account at the company too, under whatever name.
    let other = CompanySubject { issuer: "https://id.example".into(), subject: "1".into() };
    let company = Actor::new("a.stone").expect("a name");
    site.book.admit_company(&other, &company, AccountRole::Engineer, at(1)).expect("added");
    let either = site.book.confirm_revocation(request.number, &person("a.stone", 10)).expect_err("maybe the same");
    assert!(matches!(either, RevocationError::MaybeSamePerson { .. }), "{either}");
    let sql = "UPDATE revocation_request SET state = 'confirmed', settled = 1, settled_by = 'a.stone'";
    assert!(engine.raw(&site.place).attempt(sql).is_err(), "the database refuses it too");
    let (confirmed, count) = site.book.confirm_revocation(request.number, &ben).expect("confirmed");
    assert_eq!(count, 1);
    assert_eq!(confirmed.settled.expect("settled").1.as_str(), "ben");
    // The key is elsewhere: it is sent and unanswered until a list says so.
    let sent = || site.book.revocations_sent().expect("asks").iter().map(|r| r.number).collect::<Vec<_>>();
    assert_eq!(sent(), [request.number]);
    assert!(again().to_string().contains("not answered yet"), "{}", again());
    for _ in 0..2 {
        site.book.answer_revocation(request.number, &[7], &by()).expect("answered");
    }
    assert_eq!((sent().len(), site.book.revocation_answers().expect("asks").len()), (0, 1));
    assert!(again().to_string().contains("has answered"), "{}", again());
    let acts: Vec<_> = site.book.entries(None, 10).expect("asks").items.into_iter().map(|e| (e.act, e.actor)).collect();
    for (act, actor) in [("revocation.request", "ada"), ("revocation.confirm", "ben"), ("authority.revoke", "ben")] {
        assert!(acts.iter().any(|(a, by)| a == act && by.as_str() == actor), "{act} by {actor}: {acts:?}");
    }
    assert!(site.book.verify(None).expect("verifies").intact());
}

pub fn revocation_lists(engine: &Engine<'_>) {
    let site = engine.site().stocked(2);
    let list = |issuer: AuthorityName, number: &[u8]| RevocationList {
        issuer,
        number: number.to_vec(),
        issued_here: true,
        this_update: at(0),
        next_update: Some(at(86_400)),
        certificates: 3,
        content: [b"list ", number].concat(),
        signer: None,
    };
    let add = |list: &RevocationList| site.book.add_revocation_list(list, &by());
    for number in [&[1][..], &[2], &[0xFF], &[1, 0]] {
        assert!(add(&list(pai().name, number)).expect("kept").is_some(), "{number:?}");
    }
    assert!(add(&list(pai().name, &[1, 0])).expect("kept").is_none(), "the same list again");
    for (case, old) in [
        ("older", list(pai().name, &[3])),
        (
            "the same number, other octets",
            RevocationList { certificates: 4, content: vec![1], ..list(pai().name, &[1, 0]) },
        ),
    ] {
        let refused = add(&old).expect_err(case);
        assert!(matches!(refused, RevocationError::OldList { .. }), "{case}: {refused}");
    }
    assert!(matches!(
        add(&list(AuthorityName::new("Nobody").expect("a name"), &[1])),
        Err(RevocationError::NoIssuer { .. })
    ));
    let signer = Some(b"whoever signed it".to_vec());
    let other = RevocationList { issued_here: false, next_update: None, signer, ..list(paa().name, &[7]) };
    add(&other).expect("kept");
    assert_eq!(site.book.revocation_lists().expect("asks"), [other, list(pai().name, &[1, 0])]);
    // A partial list stands beside them, once, until a complete one of its issuer is newer.
    let partial = |second| PartialList { issuer: pai().name, this_update: at(second), content: vec![9, 9] };
    assert!(site.book.add_partial_list(&partial(5), &by()).expect("kept"));
    assert!(!site.book.add_partial_list(&partial(5), &by()).expect("kept"), "the same list again");
    assert_eq!(site.book.partial_lists().expect("asks"), [partial(5)]);
    add(&RevocationList { this_update: at(6), ..list(pai().name, &[1, 1]) }).expect("kept");
    assert_eq!(site.book.partial_lists().expect("asks"), []);
    assert!(site.book.verify(None).expect("verifies").intact());
    engine.raw(&site.place).force("UPDATE revocation_list SET certificates = 9 WHERE certificates = 3");
    let found = site.book.verify(None).expect("verifies").damages;
    assert!(found.iter().any(|d| d.table == "revocation_list"), "{found:?}");
}
