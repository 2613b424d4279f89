//! Accounts, sessions, tokens, kept answers, stations.

use book::ids::{Actor, FirmwareVersion, StationName};
use book::{
    AccountError, AccountRole, Blame, CompanySubject, NewAccount, NewApiToken, Repeated, SignedInBy, StationSetup,
    Subject, Verification,
};
use time::Duration;

use crate::support::*;

fn person(name: &str, role: AccountRole, badge: Option<u8>) -> NewAccount {
    NewAccount {
        name: Actor::new(name).expect("a name"),
        role,
        password: (role != AccountRole::Operator).then(|| "$argon2id$…".into()),
        badge: badge.map(|b| [b; 32]),
    }
}

fn acting(name: &str) -> book::By {
    book::By::person(Actor::new(name).expect("a name"), at(1))
}

pub fn accounts(engine: &Engine<'_>) {
    let Site { book, place: _place } = engine.site();
    assert!(book.accounts().expect("asks").is_empty());
    book.add_account(&person("ada", AccountRole::Engineer, None), true, &acting("ada")).expect("the first");
    let late =
        book.add_account(&person("bob", AccountRole::Engineer, None), true, &acting("bob")).expect_err("not first");
    assert!(matches!(late, AccountError::NameTaken { .. }), "{late}");
    book.add_account(&person("olga", AccountRole::Operator, Some(7)), false, &acting("ada")).expect("added");
    let twice = book.add_account(&person("olga", AccountRole::Operator, None), false, &acting("ada"));
    assert!(twice.is_err(), "neither password nor badge, and the name is taken");
    let same =
        book.add_account(&person("otto", AccountRole::Operator, Some(7)), false, &acting("ada")).expect_err("badge");
    assert!(matches!(same, AccountError::BadgeTaken), "{same}");
    assert_eq!(book.account_of_badge(&[7; 32]).expect("asks").expect("there").name.as_str(), "olga");
    assert!(book.account_of_badge(&[8; 32]).expect("asks").is_none());
    let names: Vec<_> = book.accounts().expect("asks").into_iter().map(|a| a.name.to_string()).collect();
    assert_eq!(names, ["ada", "olga"]);

    let last = book.close_account(&Actor::new("ada").expect("a name"), &acting("ada")).expect_err("the last engineer");
    assert!(matches!(last, AccountError::LastEngineer { .. }) && last.blame() == Blame::Refused, "{last}");
    let down =
        book.change_account(&person("ada", AccountRole::Auditor, None), false, &acting("ada")).expect_err("as well");
    assert!(matches!(down, AccountError::LastEngineer { .. }), "{down}");
    let nobody = book.close_account(&Actor::new("eve").expect("a name"), &acting("ada")).expect_err("nobody");
    assert!(matches!(nobody, AccountError::Unknown { .. }) && nobody.blame() == Blame::Usage, "{nobody}");

    // A new badge; then none; a session ends with each change.
    book.begin_session(&[1; 32], SignedInBy::Badge, at(100), &acting("olga")).expect("begun");
    book.change_account(&person("olga", AccountRole::Operator, Some(9)), false, &acting("ada")).expect("changed");
    assert!(book.session(&[1; 32], at(2)).expect("asks").is_none());
    assert!(book.account_of_badge(&[7; 32]).expect("asks").is_none());
    let mut with_password = person("olga", AccountRole::Operator, None);
    with_password.password = Some("$argon2id$other".into());
    book.change_account(&with_password, true, &acting("ada")).expect("changed");
    let olga = book.account(&with_password.name).expect("asks").expect("there");
    assert!(!olga.has_badge && olga.password.as_deref() == Some("$argon2id$other"));
    assert!(!format!("{olga:?}{with_password:?}").contains("argon2"), "no hash in debug text");

    book.close_account(&with_password.name, &acting("ada")).expect("closed");
    book.close_account(&with_password.name, &acting("ada")).expect("again");
    let closed = book.change_account(&with_password, false, &acting("ada")).expect_err("closed");
    assert!(matches!(closed, AccountError::Closed { .. }), "{closed}");
    let acts: Vec<_> = book
        .entries_about(&Subject::Other("account", "olga".into()))
        .expect("asks")
        .into_iter()
        .map(|e| e.act)
        .collect();
    assert_eq!(acts, ["account.add", "session.begin", "account.change", "account.change", "account.close"]);
    let whole: Verification = book.verify(None).expect("verifies");
    assert!(whole.intact(), "{:?}", whole.damages);
}

pub fn what_accounts_may_not_become(engine: &Engine<'_>) {
    let site = engine.site();
    site.book.add_account(&person("ada", AccountRole::Engineer, None), true, &acting("ada")).expect("the first");
    site.book.add_account(&person("olga", AccountRole::Operator, Some(7)), false, &acting("ada")).expect("added");
    let token = NewApiToken {
        name: Actor::new("mes").expect("a name"),
        token: [3; 32],
        role: AccountRole::Operator,
        expires: at(900),
    };
    site.book.add_api_token(&token, &acting("ada")).expect("given");
    site.book.close_account(&Actor::new("olga").expect("a name"), &acting("ada")).expect("closed");
    site.book.revoke_api_token(&token.name, &acting("ada")).expect("revoked");
    let mut raw = engine.raw(&site.place);
    for (rule, sql) in [
        ("a closed account stays so", "UPDATE account SET closed = 0, password = 'x' WHERE name = 'olga'"),
        ("an account keeps its name", "UPDATE account SET name = 'eve' WHERE name = 'ada'"),
        ("an account stays", "DELETE FROM account WHERE name = 'olga'"),
        ("a way to sign in", "UPDATE account SET password = NULL WHERE name = 'ada'"),
        ("badges are for operators", "UPDATE account SET badge = token FROM api_token WHERE account.name = 'ada'"),
        ("a revoked token stays so", "UPDATE api_token SET revoked = 0 WHERE name = 'mes'"),
        ("a token keeps its role", "UPDATE api_token SET role = 'engineer' WHERE name = 'mes'"),
        ("a token stays", "DELETE FROM api_token WHERE name = 'mes'"),
        ("roles are known ones", "UPDATE account SET role = 'root' WHERE name = 'ada'"),
    ] {
        assert!(raw.attempt(sql).is_err(), "not refused: {rule}: {sql}");
    }
    // What the rules allow and no act did is found by verifying.
    raw.attempt("UPDATE account SET role = 'auditor' WHERE name = 'ada'").expect("altered");
    let damages = site.book.verify(None).expect("verifies").damages;
    assert!(damages.iter().any(|d| d.table == "account" && d.key == "ada"), "{damages:?}");
}

pub fn company_accounts(engine: &Engine<'_>) {
    let site = engine.site();
    let book = &site.book;
    let name = |text: &str| Actor::new(text).expect("a name");
    let at_company =
        |subject: &str| CompanySubject { issuer: "https://id.example".into(), subject: subject.to_owned() };
    let admit = |subject: &str, wished: &str, role| {
        book.admit_company(&at_company(subject), &name(wished), role, at(5)).map(|account| account.name.to_string())
    };
    book.add_account(&person("ada", AccountRole::Engineer, None), true, &acting("ada")).expect("the first");

    // The company's Ada is not the one who is here, and another Ada of the company is neither.
    assert_eq!(admit("1", "Ada", AccountRole::Engineer).expect("added"), "Ada (2)");
    assert_eq!(admit("2", "A DA", AccountRole::Auditor).expect("added"), "A DA (3)");
    assert_eq!(admit("1", "Ada", AccountRole::Engineer).expect("known"), "Ada (2)");
    assert_eq!(admit("1", "Renamed", AccountRole::Engineer).expect("known"), "Ada (2)", "the subject names a person");
    let elsewhere = CompanySubject { issuer: "https://other.example".into(), subject: "1".into() };
    let other = book.admit_company(&elsewhere, &name("Ben"), AccountRole::Operator, at(5)).expect("added");
    assert_eq!((other.name.as_str(), other.company, other.password), ("Ben", true, None), "the issuer as well");
    let known = book.account_of_subject(&at_company("1")).expect("asks").expect("there");
    assert_eq!((known.name.as_str(), known.role, known.closed), ("Ada (2)", AccountRole::Engineer, false));
    assert!(book.account_of_subject(&at_company("3")).expect("asks").is_none());
    assert!(!book.account(&name("ada")).expect("asks").expect("there").company);

    // The last engineer is the last one who needs no provider.
    let last = book.close_account(&name("ada"), &acting("ada")).expect_err("the last engineer with a password");
    assert!(matches!(last, AccountError::LastEngineer { .. }), "{last}");
    for change in [person("Ada (2)", AccountRole::Engineer, None), person("Ben", AccountRole::Operator, Some(7))] {
        let refused = book.change_account(&change, false, &acting("ada")).expect_err("the company's");
        assert!(matches!(refused, AccountError::OfCompany { .. }) && refused.blame() == Blame::Refused, "{refused}");
    }

    // Sessions end with another role, and not with the same one; and all of them end at once.
    let begin = |token| book.begin_session(&[token; 32], SignedInBy::Company, at(100), &acting("Ada (2)"));
    begin(1).expect("begun");
    admit("1", "Ada", AccountRole::Engineer).expect("the same role");
    assert!(book.session(&[1; 32], at(6)).expect("asks").is_some());
    admit("1", "Ada", AccountRole::Auditor).expect("another role");
    assert!(book.session(&[1; 32], at(6)).expect("asks").is_none());
    begin(2).expect("begun");
    begin(3).expect("begun");
    book.end_sessions(&name("Ada (2)"), &acting("Ada (2)")).expect("ended");
    let size = book.head().expect("a head").size;
    book.end_sessions(&name("Ada (2)"), &acting("Ada (2)")).expect("again");
    assert_eq!(book.head().expect("a head").size, size, "where there is none, nothing is said");
    assert!([2, 3].iter().all(|n| book.session(&[*n; 32], at(6)).expect("asks").is_none()));

    book.close_account(&name("Ada (2)"), &acting("ada")).expect("closed");
    let closed = admit("1", "Ada", AccountRole::Engineer).expect_err("closed");
    assert!(matches!(closed, AccountError::Closed { .. }), "{closed}");
    let acts: Vec<_> = book
        .entries_about(&Subject::Other("account", "Ada (2)".into()))
        .expect("asks")
        .into_iter()
        .map(|e| e.act)
        .collect();
    let begun = ["session.begin"; 2];
    assert_eq!(acts[..3], ["account.add", begun[0], "account.change"]);
    assert_eq!(acts[3..], [begun[0], begun[1], "session.end", "account.close"]);
    assert!(book.verify(None).expect("verifies").intact());

    book.begin_session(&[9; 32], SignedInBy::Password, at(100), &acting("ada")).expect("begun");
    let mut raw = engine.raw(&site.place);
    for (rule, sql) in [
        ("a company account gets no password", "UPDATE account SET password = 'x' WHERE name = 'Ben'"),
        ("nor a badge", "UPDATE account SET badge = token FROM session WHERE account.name = 'Ben'"),
        (
            "a local account is not the company's",
            "INSERT INTO account_subject VALUES ('ada', 'https://id.example', '9', 1)",
        ),
        ("a person is not another's", "UPDATE account_subject SET subject = '9' WHERE account = 'Ben'"),
        ("who a person is stays", "DELETE FROM account_subject WHERE account = 'Ben'"),
    ] {
        assert!(raw.attempt(sql).is_err(), "not refused: {rule}: {sql}");
    }
    // What no act did is found by verifying.
    raw.force("UPDATE account_subject SET subject = '9' WHERE account = 'Ben'");
    let damages = book.verify(None).expect("verifies").damages;
    assert!(damages.iter().any(|d| d.table == "account_subject" && d.key == "Ben"), "{damages:?}");
}

pub fn sessions(engine: &Engine<'_>) {
    let Site { book, place: _place } = engine.site();
    book.add_account(&person("ada", AccountRole::Engineer, None), true, &acting("ada")).expect("the first");
    book.begin_session(&[1; 32], SignedInBy::Password, at(60), &acting("ada")).expect("begun");
    let session = book.session(&[1; 32], at(59)).expect("asks").expect("there");
    assert_eq!(
        (session.account.as_str(), session.role, session.means, session.began),
        ("ada", AccountRole::Engineer, SignedInBy::Password, at(1))
    );
    assert!(book.session(&[1; 32], at(60)).expect("asks").is_none(), "it ended by itself");
    book.prolong_session(&[1; 32], at(120)).expect("prolonged");
    assert!(book.session(&[1; 32], at(100)).expect("asks").is_some());
    assert!(book.session(&[2; 32], at(1)).expect("asks").is_none());
    book.end_session(&[1; 32], &acting("ada")).expect("ended");
    let size = book.head().expect("a head").size;
    book.end_session(&[1; 32], &acting("ada")).expect("again");
    assert_eq!(book.head().expect("a head").size, size, "ending one that is gone is no entry");
    assert!(book.session(&[1; 32], at(2)).expect("asks").is_none());
    book.begin_session(&[4; 32], SignedInBy::Password, at(10), &acting("ada")).expect("begun");
    let stranger = book.begin_session(&[5; 32], SignedInBy::Password, at(10), &acting("nobody"));
    assert!(stranger.is_err(), "no session without an account");
    assert!(book.verify(None).expect("verifies").intact());
}

pub fn tokens_and_kept_answers(engine: &Engine<'_>) {
    let Site { book, place: _place } = engine.site();
    book.add_account(&person("ada", AccountRole::Engineer, None), true, &acting("ada")).expect("the first");
    let token = NewApiToken {
        name: Actor::new("mes").expect("a name"),
        token: [3; 32],
        role: AccountRole::Operator,
        expires: at(900),
    };
    book.add_api_token(&token, &acting("ada")).expect("given");
    assert!(matches!(book.add_api_token(&token, &acting("ada")), Err(AccountError::NameTaken { .. })));
    let held = book.api_token(&[3; 32], at(2)).expect("asks").expect("there");
    assert_eq!((held.name.as_str(), held.role, held.given_by.as_str()), ("mes", AccountRole::Operator, "ada"));
    assert!(book.api_token(&[3; 32], at(900)).expect("asks").is_none());
    book.revoke_api_token(&token.name, &acting("ada")).expect("revoked");
    book.revoke_api_token(&token.name, &acting("ada")).expect("again");
    assert!(book.api_token(&[3; 32], at(2)).expect("asks").is_none());
    assert!(book.api_tokens().expect("asks")[0].revoked);
    let unknown = book.revoke_api_token(&Actor::new("other").expect("a name"), &acting("ada")).expect_err("unknown");
    assert!(matches!(unknown, AccountError::Unknown { .. }), "{unknown}");

    let take = |key: &str, request: u8, now: i64| {
        book.take_idempotency_key("mes", key, &[request; 32], at(now), at(now) - Duration::seconds(100)).expect("asks")
    };
    assert_eq!(take("k1", 1, 1), Repeated::First);
    assert_eq!(take("k1", 1, 2), Repeated::Running);
    assert_eq!(take("k1", 2, 2), Repeated::Other);
    book.keep_answer("mes", "k1", 200, "{}").expect("kept");
    assert_eq!(take("k1", 1, 3), Repeated::Answered { status: 200, answer: "{}".into() });
    assert_eq!(take("k2", 1, 3), Repeated::First);
    book.give_back_key("mes", "k2").expect("given back");
    assert_eq!(take("k2", 1, 4), Repeated::First);
    assert_eq!(take("k1", 2, 200), Repeated::First, "an old key is forgotten");
    assert!(book.verify(None).expect("verifies").intact());
}

pub fn stations_and_the_tape(engine: &Engine<'_>) {
    let site = engine.site().stocked(6);
    let setup = StationSetup {
        station: StationName::new("S1").expect("a name"),
        reel: reel_id("REEL-A"),
        source: "simulated:chips".into(),
        serial_start: None,
        takt_ms: 12_000,
        per_hour: 250,
        check_label: true,
        firmware: Some(FirmwareVersion::new("1.4.0").expect("a version")),
    };
    site.book.set_station(&setup, &by()).expect("set up");
    let anew = StationSetup { takt_ms: 10_000, serial_start: Some("TV-000001".into()), ..setup.clone() };
    site.book.set_station(&anew, &by()).expect("set up anew");
    assert_eq!(site.book.station(&setup.station).expect("asks"), Some(anew.clone()));
    assert_eq!(site.book.stations().expect("asks"), std::slice::from_ref(&anew));
    let untold = StationSetup { firmware: None, ..anew.clone() };
    site.book.set_station(&untold, &by()).expect("set up anew");
    assert_eq!(site.book.station(&setup.station).expect("asks"), Some(untold));
    let lost = StationSetup { reel: reel_id("REEL-Z"), ..setup.clone() };
    assert!(matches!(site.book.set_station(&lost, &by()), Err(AccountError::Unknown { .. })));

    site.provision(0, "S1");
    site.provision(2, "S1");
    let tape = site.book.tape(&reel_id("REEL-A"), 1, 100).expect("asks");
    let units: Vec<_> = tape.iter().map(|c| (c.position, c.has_credential, c.unit.is_some())).collect();
    assert_eq!(units.len(), 6);
    assert_eq!(units[0], (1, true, true));
    assert_eq!(units[1], (2, true, false));
    assert_eq!(site.book.tape(&reel_id("REEL-A"), 3, 2).expect("asks").len(), 2);
    let (from, to) = (at(-10_000), at(10_000));
    assert!(site.book.last_attempt(&setup.station, from).expect("asks").is_some());
    assert!(site.book.last_attempt(&setup.station, to).expect("asks").is_none());
    assert!(site.book.verify(None).expect("verifies").intact());
}
