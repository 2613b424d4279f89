//! Other sites that ask for certificates, within a quota.

use book::ids::Actor;
use book::{By, DependsError, EnrolmentError, NewEnrolled, NewEnrolment, QuotaChange, Wanted};

use crate::support::*;

fn person(name: &str) -> By {
    By { actor: Actor::new(name).expect("a name"), ..by() }
}

fn wish(path: &str) -> NewEnrolment {
    NewEnrolment {
        path: path.into(),
        product: product().name,
        issuer: pai().name,
        purpose: pai().purpose,
        user: format!("user of {path}"),
        password: "a hash".into(),
        quota: 2,
    }
}

/// For the key of a chip that is on no reel here.
fn certified(n: u32) -> NewEnrolled {
    let new = credential(n);
    NewEnrolled {
        public_key: new.public_key,
        issuer_key_id: new.issuer_key_id,
        serial: new.serial,
        not_after: new.not_after,
        certificate: new.certificate,
        request: [7; 32],
    }
}

/// Who asks for certificates needs the issuer: it is not withdrawn, and the refusal says why.
pub fn an_issuer_with_an_enrolment_stays(engine: &Engine<'_>) {
    let site = engine.site().prepared();
    site.book.add_authority(&pai(), &by()).expect("a PAI");
    site.book.allow_enrolment(&wish("abroad"), &person("Ada")).expect("allowed");
    let refused = site.book.withdraw_authority(&pai().name, &by()).expect_err("somebody asks it");
    assert!(matches!(refused, DependsError::Depends { .. }), "{refused}");
    assert!(refused.to_string().contains("1 enrolment (abroad)"), "{refused}");
    assert!(site.book.authority(&pai().name).expect("asks").is_some());
}

pub fn enrolments(engine: &Engine<'_>) {
    let site = engine.site().stocked(3);
    let book = &site.book;
    book.seal_all(&[5; 32]).expect("sealed");
    book.seal_with(&[5; 32]);
    book.allow_enrolment(&wish("abroad"), &person("Ada")).expect("allowed");
    assert!(matches!(book.allow_enrolment(&wish("abroad"), &person("Ada")), Err(EnrolmentError::Taken { .. })));
    let issue = |path: &str, n: u32| book.issue_enrolled(path, &certified(n), &person("abroad"));
    let first = issue("abroad", 10).expect("issued");
    assert_eq!((first.number, first.authority.clone()), (1, pai().name));

    // A key has one certificate: the one that it got first, for the same enrolment alone.
    let other = NewEnrolled { serial: vec![9, 9], certificate: vec![1], ..certified(10) };
    let head = book.head().expect("a head");
    assert_eq!(book.issue_enrolled("abroad", &other, &by()).expect("the same"), first);
    assert_eq!(book.head().expect("a head"), head, "asking again is no entry");
    book.allow_enrolment(&wish("beyond"), &person("Ada")).expect("allowed");
    assert!(matches!(issue("beyond", 10), Err(EnrolmentError::KeyUsed)));
    assert!(matches!(issue("abroad", 0), Err(EnrolmentError::KeyUsed)), "a chip of this site");
    assert!(matches!(issue("nowhere", 11), Err(EnrolmentError::Unknown { .. })));
    assert_eq!(book.enrolled(&certified(10).public_key).expect("asks"), Some(first.clone()));
    assert_eq!(book.enrolled_as(&first.serial).expect("asks"), std::slice::from_ref(&first));

    // A quota grows by two people, and shrinks by one.
    issue("abroad", 11).expect("issued");
    assert!(matches!(issue("abroad", 12), Err(EnrolmentError::UsedUp { quota: 2, .. })));
    let change = |quota, by: &str| book.change_quota("abroad", quota, &person(by)).expect("changed");
    assert_eq!(change(2, "Ada"), QuotaChange::Same);
    assert_eq!([change(3, "Ada"), change(3, "ADA")], [QuotaChange::Waits; 2]);
    assert_eq!(change(4, "Ben"), QuotaChange::Waits, "another number is another wish");
    assert!(matches!(issue("abroad", 12), Err(EnrolmentError::UsedUp { .. })));
    assert_eq!(change(4, "Ada"), QuotaChange::Done);
    issue("abroad", 12).expect("issued");
    assert_eq!(change(1, "Ben"), QuotaChange::Done);
    let stands = book.enrolment("abroad").expect("asks").expect("there");
    assert_eq!((stands.quota, stands.issued, stands.wanted.clone()), (1, 3, None));
    assert_eq!(book.enrolments().expect("asks").len(), 2);
    assert_eq!(book.enrolment("nowhere").expect("asks"), None);

    // What was issued elsewhere is revoked here.
    let wanted = [Wanted { pai: false, serial: first.serial.clone() }];
    let request = book.request_revocation(&pai().name, 1, None, &wanted, &person("Ada")).expect("asked for");
    assert_eq!(book.confirm_revocation(request.number, &person("Ben")).expect("confirmed").1, 1);
    assert_eq!(book.revoked(&pai().name).expect("asks").len(), 1);
    let verified = book.verify(None).expect("verifies");
    assert!(verified.intact(), "{:?}", verified.damages);

    // The tables hold to it by themselves, and a row that another hand wrote lets nobody in.
    let mut raw = engine.raw(&site.place);
    for refused in [
        "UPDATE enrolment SET quota = 900, entry = entry + 1 WHERE path = 'beyond'",
        "UPDATE enrolled SET path = 'beyond' WHERE number = 1",
        "DELETE FROM enrolled WHERE number = 1",
        "DELETE FROM enrolment WHERE path = 'beyond'",
    ] {
        raw.attempt(refused).expect_err(refused);
    }
    raw.attempt("UPDATE enrolment SET password = 'mine', entry = entry + 1 WHERE path = 'beyond'").expect("altered");
    drop(raw);
    book.enrolment("beyond").expect_err("its seal is broken");
}
