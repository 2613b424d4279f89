//! Rows that say who a person is, changed by somebody who can write the book's tables and has no key.

use book::ids::{Actor, AuthorityName};
use book::{AccountRole, Book, BookError, CompanySubject, NewAccount, NewApiToken, SignedInBy, Wanted};

use crate::support::*;

const KEY: [u8; 32] = [3; 32];

fn name(text: &str) -> Actor {
    Actor::new(text).expect("a name")
}

fn acting(text: &str, second: i64) -> book::By {
    book::By::person(name(text), at(second))
}

fn person(text: &str, role: AccountRole, badge: Option<u8>) -> NewAccount {
    let password = (role != AccountRole::Operator).then(|| "$argon2id$…".into());
    NewAccount { name: name(text), role, password, badge: badge.map(|b| [b; 32]) }
}

fn at_company(subject: &str) -> CompanySubject {
    CompanySubject { issuer: "https://id.example".into(), subject: subject.into() }
}

/// A site with two engineers, an operator with a badge, a token, a session, a request.
fn peopled(engine: &Engine<'_>) -> Site {
    let site = engine.site().stocked(4);
    let book = &site.book;
    assert!(!book.has_seals().expect("asks"));
    book.seal_all(&KEY).expect("sealed");
    book.seal_with(&KEY);
    assert!(book.has_seals().expect("asks"));
    book.add_account(&person("ada", AccountRole::Engineer, None), true, &acting("ada", 1)).expect("the first");
    book.add_account(&person("ben", AccountRole::Engineer, None), false, &acting("ada", 2)).expect("added");
    book.add_account(&person("olga", AccountRole::Operator, Some(7)), false, &acting("ada", 3)).expect("added");
    book.admit_company(&at_company("cora-1"), &name("cora"), AccountRole::Auditor, at(3)).expect("admitted");
    for (program, token) in [("mes", 5), ("old", 6)] {
        let token =
            NewApiToken { name: name(program), token: [token; 32], role: AccountRole::Operator, expires: at(900) };
        book.add_api_token(&token, &acting("ada", 4)).expect("given");
    }
    book.begin_session(&[1; 32], SignedInBy::Password, at(600), &acting("ada", 5)).expect("begun");
    book.prolong_session(&[1; 32], at(700)).expect("prolonged");
    let wanted = [Wanted { pai: false, serial: credential(0).serial }];
    book.request_revocation(&pai().name, 1, None, &wanted, &acting("ada", 6)).expect("requested");
    site
}

/// Everybody is let in whom an act let in.
fn assert_sound(book: &Book) {
    assert_eq!(book.accounts().expect("asks").len(), 4);
    assert!(book.account_of_subject(&at_company("cora-1")).expect("asks").is_some());
    for person in ["ada", "ben", "olga"] {
        assert!(book.account(&name(person)).expect("asks").is_some());
    }
    assert!(book.account_of_badge(&[7; 32]).expect("asks").is_some());
    assert!(book.session(&[1; 32], at(650)).expect("asks").is_some());
    assert!(book.api_token(&[5; 32], at(50)).expect("asks").is_some());
    assert_eq!(book.revocation_requests(false, 10).expect("asks").len(), 1);
    let damages = book.verify(None).expect("verifies").damages;
    assert!(damages.is_empty(), "{damages:?}");
}

pub fn only_rows_of_acts_let_anybody_in(engine: &Engine<'_>) {
    type Use = fn(&Book) -> Result<bool, BookError>;
    let forged: [(&str, &str, Use); 10] = [
        (
            "a session that nobody began",
            "INSERT INTO session (token, account, means, began, expires) SELECT {2}, 'ben', means, began, expires FROM session",
            |book| Ok(book.session(&[2; 32], at(50))?.is_some()),
        ),
        (
            "a session with another's seal",
            "INSERT INTO session (token, account, means, began, expires) SELECT {2}, 'ben', means, began, expires FROM session; \
             INSERT INTO seal (kind, name, seal) SELECT kind, {2}, seal FROM seal WHERE kind = 'session'",
            |book| Ok(book.session(&[2; 32], at(50))?.is_some()),
        ),
        ("a session without an end", "UPDATE session SET expires = 4000000000000000", |book| {
            Ok(book.session(&[1; 32], at(5000))?.is_some())
        }),
        ("another password", "UPDATE account SET password = '$argon2id$mine' WHERE name = 'ben'", |book| {
            Ok(book.account(&Actor::new("ben").expect("a name"))?.is_some())
        }),
        ("another role, behind a session", "UPDATE account SET role = 'auditor' WHERE name = 'ada'", |book| {
            Ok(book.session(&[1; 32], at(50))?.is_some())
        }),
        (
            "a person more",
            "INSERT INTO account SELECT 'eve', role, password, badge, closed, added, changed, entry FROM account WHERE name = 'ben'",
            |book| Ok(!book.accounts()?.is_empty()),
        ),
        ("a person less", "DELETE FROM account WHERE name = 'ben'", |book| Ok(!book.accounts()?.is_empty())),
        ("a badge", "UPDATE account SET badge = {9} WHERE name = 'olga'", |book| {
            Ok(book.account_of_badge(&[9; 32])?.is_some())
        }),
        (
            "a person of the company whom an account does not belong to",
            "UPDATE account_subject SET subject = 'mine'",
            |book| Ok(book.account_of_subject(&at_company("mine"))?.is_some()),
        ),
        ("a token that may more", "UPDATE api_token SET role = 'engineer' WHERE name = 'mes'", |book| {
            Ok(book.api_token(&[5; 32], at(50))?.is_some())
        }),
    ];
    for (what, sql, ask) in forged {
        let site = peopled(engine);
        assert_sound(&site.book);
        let mut raw = engine.raw(&site.place);
        let sql = sql.replace("{2}", &raw.octets(&[2; 32])).replace("{9}", &raw.octets(&[9; 32]));
        raw.force(&sql);
        let answer = ask(&site.book);
        assert!(matches!(answer, Err(BookError::Unsealed { lost: false, .. })), "{what}: {answer:?}");
        let damages = site.book.verify(None).expect("verifies").damages;
        assert!(damages.iter().any(|d| d.found.contains("seal")), "{what}: {damages:?}");
        // Without the key, as a reader of the book alone, nobody can tell.
        assert!(ask(&open(&site.place)).is_ok(), "{what}");
    }
}

/// Somebody else's word, and an older row with its own seal.
pub fn no_word_is_put_in_a_mouth(engine: &Engine<'_>) {
    let site = peopled(engine);
    let mut raw = engine.raw(&site.place);
    raw.force("UPDATE revocation_request SET requested_by = 'ben'");
    let confirmed = site.book.confirm_revocation(1, &acting("ada", 20)).expect_err("forged");
    assert!(confirmed.to_string().contains("revocation request 1"), "{confirmed}");
    assert!(matches!(site.book.revocation_requests(true, 9), Err(BookError::Unsealed { .. })));
    raw.force("UPDATE revocation_request SET requested_by = 'ada'");
    site.book.confirm_revocation(1, &acting("ada", 21)).expect("confirmed");
    assert!(!site.book.revoked(&AuthorityName::new(pai().name.as_str()).expect("a name")).expect("asks").is_empty());

    // A token that was revoked, and a password that was changed, come back with the seals that they had.
    raw.force("CREATE TABLE kept AS SELECT * FROM seal; CREATE TABLE person AS SELECT * FROM account");
    site.book.revoke_api_token(&name("old"), &acting("ada", 22)).expect("revoked");
    let mut other = person("ben", AccountRole::Engineer, None);
    other.password = Some("$argon2id$new".into());
    site.book.change_account(&other, false, &acting("ada", 23)).expect("changed");
    raw.force(
        "UPDATE seal SET seal = (SELECT k.seal FROM kept k WHERE k.kind = seal.kind AND k.name = seal.name) \
         WHERE kind IN ('account', 'api_token'); \
         UPDATE account SET password = (SELECT p.password FROM person p WHERE p.name = account.name), \
         changed = (SELECT p.changed FROM person p WHERE p.name = account.name), \
         entry = (SELECT p.entry FROM person p WHERE p.name = account.name); \
         UPDATE api_token SET revoked = 0, entry = (SELECT min(t.entry) FROM api_token t) + 1 WHERE name = 'old'; \
         DROP TABLE kept; DROP TABLE person",
    );
    let back = site.book.account(&name("ben"));
    assert!(matches!(back, Err(BookError::Unsealed { .. })), "{back:?}");
    let back = site.book.api_token(&[6; 32], at(50));
    assert!(matches!(back, Err(BookError::Unsealed { .. })), "{back:?}");
}

/// Without the key that sealed them nobody is let in; with a new one they count as they stand.
pub fn a_lost_key_lets_nobody_in(engine: &Engine<'_>) {
    let site = peopled(engine);
    let lost = open(&site.place);
    lost.seals_are_lost();
    for answer in [lost.accounts().map(drop), lost.session(&[1; 32], at(50)).map(drop)] {
        assert!(matches!(&answer, Err(BookError::Unsealed { lost: true, .. })), "{answer:?}");
    }
    // What is only shown is shown, to an auditor who may not read the key; nobody's word is taken.
    assert_eq!(lost.revocation_requests(false, 9).expect("shown").len(), 1);
    let confirmed = lost.confirm_revocation(1, &acting("ada", 20)).expect_err("nobody knows");
    assert!(confirmed.to_string().contains("access.key"), "{confirmed}");
    let other = open(&site.place);
    other.seal_with(&[4; 32]);
    assert!(matches!(other.accounts(), Err(BookError::Unsealed { lost: false, .. })));
    other.seal_all(&[4; 32]).expect("sealed");
    assert_sound(&other);
    assert!(matches!(site.book.accounts(), Err(BookError::Unsealed { .. })), "the old key seals nothing any more");
}
