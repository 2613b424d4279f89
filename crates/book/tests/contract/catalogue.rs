//! The book itself, and what stands in it before any chip arrives.

use std::sync::{Arc, Mutex};

use book::ids::{AuthorityName, DeclarationName, ProductName, SiteId};
use book::{
    AddError, BeginError, Blame, Book, BookError, DeclarationOrigin, Head, Location, Mark, NewAuthority,
    NewDeclaration, NewProduct, OpenOptions, Purpose, Role, SerialWish,
};

use crate::support::*;

pub fn a_book_is_made_once_and_opened_often(engine: &Engine<'_>) {
    let place = engine.place();
    let missing = Book::open(&place.location, &options(&place)).expect_err("nothing there");
    assert!(matches!(missing, BookError::Missing { .. }), "{missing}");
    let book = Book::create(&place.location, &site_id(), "line 2", &by()).expect("made");
    assert_eq!(book.site().name, "line 2");
    assert_eq!(book.site().created, at(0));
    let again = Book::create(&place.location, &site_id(), "line 2", &by()).expect_err("there already");
    assert!(matches!(again, BookError::Exists { .. }), "{again}");
    assert_eq!(again.blame(), Blame::Usage);
    let opened = Book::open(&place.location, &options(&place)).expect("opens while it is in use");
    assert_eq!(opened.site(), book.site());
    assert_eq!(opened.location().to_string(), place.location.to_string());
    let other = OpenOptions { site: Some(SiteId::new("another").expect("an id")), ..options(&place) };
    let refused = Book::open(&place.location, &other).expect_err("another site's");
    assert!(matches!(refused, BookError::NotOurs { .. }), "{refused}");
    assert!(!refused.advice().is_empty());
    assert_eq!(book.head().expect("a head").size, 1);
    #[cfg(unix)]
    if let Some(file) = place.location.as_file() {
        use std::os::unix::fs::PermissionsExt;
        for name in ["book.sqlite", "book.sqlite-wal"] {
            let mode = std::fs::metadata(file.with_file_name(name)).expect("a file").permissions().mode();
            assert_eq!(mode & 0o777, 0o600, "{name}");
        }
    }
}

pub fn what_is_no_book_is_refused(engine: &Engine<'_>) {
    let place = engine.place();
    engine.raw(&place).attempt("CREATE TABLE recipes (name TEXT)").expect("a table");
    for refused in [
        Book::open(&place.location, &options(&place)).expect_err("no book"),
        Book::create(&place.location, &site_id(), "x", &by()).expect_err("no room for a book"),
    ] {
        assert!(matches!(refused, BookError::NotOurs { .. }), "{refused}");
    }
    engine.raw(&place).attempt("SELECT name FROM recipes").expect("left as it was");
    if let Some(file) = place.location.as_file() {
        let text = file.with_file_name("letter.txt");
        std::fs::write(&text, "Dear Sir or Madam, ".repeat(100)).expect("written");
        let refused = Book::open(&Location::file(&text), &options(&place)).expect_err("no database");
        assert!(matches!(&refused, BookError::NotOurs { place, .. } if place.contains("letter.txt")), "{refused}");
    }
    // A later program's book.
    let site = engine.site();
    engine.raw(&site.place).force("INSERT INTO book_version (version, name, applied) VALUES (99, 'later', 0)");
    let newer = Book::open(&site.place.location, &options(&site.place)).expect_err("too new");
    assert!(matches!(newer, BookError::Newer { found: 99, .. }), "{newer}");
}

pub fn products(engine: &Engine<'_>) {
    let Site { book, place: _place } = engine.site();
    assert_eq!(book.product(&product().name).expect("asks"), None);
    book.add_product(&product(), &by()).expect("added");
    let damper = NewProduct { name: ProductName::new("Tern Damper").expect("a name"), ..product() };
    book.add_product(&damper, &by()).expect("added");
    let twice = book.add_product(&product(), &by()).expect_err("taken");
    assert!(matches!(twice, AddError::NameTaken { .. }), "{twice}");
    assert_eq!(book.product(&product().name).expect("asks").expect("there").facts, product());
    let names: Vec<_> = book.products().expect("asks").into_iter().map(|p| p.facts.name.to_string()).collect();
    assert_eq!(names, ["Tern Damper", "Tern Vent"]);
    assert_eq!(book.head().expect("a head").size, 3, "what was refused left no entry");
}

pub fn authorities(engine: &Engine<'_>) {
    let Site { book, place: _place } = engine.site();
    let orphan = book.add_authority(&pai(), &by()).expect_err("its issuer is missing");
    assert!(matches!(orphan, AddError::Unknown { .. }), "{orphan}");
    book.add_authority(&paa(), &by()).expect("added");
    book.add_authority(&pai(), &by()).expect("added");
    let twice = book.add_authority(&NewAuthority { certificate: vec![1], ..paa() }, &by()).expect_err("name taken");
    assert!(matches!(twice, AddError::NameTaken { .. }), "{twice}");
    let same = NewAuthority { name: AuthorityName::new("Another").expect("a name"), ..paa() };
    let same = book.add_authority(&same, &by()).expect_err("certificate known");
    assert!(matches!(&same, AddError::Known { name, .. } if name == "Quarry Lane PAA"), "{same}");
    assert_eq!(book.authority(&pai().name).expect("asks").expect("there").facts, pai());
    assert_eq!(book.authority_with(&paa().certificate).expect("asks").expect("there").facts.name, paa().name);
    assert_eq!(book.authorities().expect("asks").len(), 2);
    book.set_trusted(&paa().name, false, &by()).expect("changed");
    book.set_trusted(&paa().name, false, &by()).expect("as it was");
    assert!(!book.authority(&paa().name).expect("asks").expect("there").facts.trusted);
    let refused = book.set_trusted(&pai().name, true, &by()).expect_err("a PAI is no root");
    assert!(matches!(refused, AddError::Book(BookError::Rule { .. })), "{refused}");
    assert_eq!(pai().role, Role::Pai);
    assert_eq!(book.head().expect("a head").size, 4);
}

pub fn declarations(engine: &Engine<'_>) {
    let Site { book, place: _place } = engine.site();
    let new = |name: &str, content: &[u8], product_ids: &[u16]| NewDeclaration {
        name: DeclarationName::new(name).expect("a name"),
        origin: DeclarationOrigin::Made,
        purpose: Purpose::Test,
        content: content.to_vec(),
        vendor_id: 0xFFF2,
        product_ids: product_ids.to_vec(),
        certification_type: 0,
        signer: Some(b"signer".to_vec()),
    };
    book.add_declaration(&new("first", b"one", &[0x8A21, 0x8A22]), &by()).expect("added");
    book.add_declaration(&new("second", b"two", &[0x8A22]), &by()).expect("added");
    let known = book.add_declaration(&new("third", b"one", &[1]), &by()).expect_err("content known");
    assert!(matches!(&known, AddError::Known { name, .. } if name == "first"), "{known}");
    let taken = book.add_declaration(&new("second", b"three", &[1]), &by()).expect_err("name taken");
    assert!(matches!(taken, AddError::NameTaken { .. }), "{taken}");
    let names = |vendor, product| -> Vec<String> {
        let found = book.declarations_for(vendor, product).expect("asks");
        found.into_iter().map(|d| d.facts.name.to_string()).collect()
    };
    assert_eq!(names(0xFFF2, 0x8A22), ["second", "first"]);
    assert_eq!(names(0xFFF2, 0x8A21), ["first"]);
    assert!(names(0xFFF1, 0x8A21).is_empty());
    let read = book.declaration(&DeclarationName::new("first").expect("a name")).expect("asks").expect("there");
    assert_eq!(read.facts, new("first", b"one", &[0x8A21, 0x8A22]));
    assert_eq!(book.declarations().expect("asks").len(), 2);
}

pub fn trust_sets(engine: &Engine<'_>) {
    use book::ids::TrustSetName;
    let site = engine.site().prepared();
    let book = &site.book;
    let name = |text: &str| TrustSetName::new(text).expect("a name");
    let (north, south) = (name("North Hearth"), name("South Hearth"));
    let content = |official: bool| serde_json::json!({ "authorities": ["aa"], "official": official });
    assert_eq!(book.trust_set(&north).expect("asks"), None);
    assert_eq!(book.put_trust_set(&north, &content(true), &by()).expect("written"), 1);
    let before = book.head().expect("a head");
    assert_eq!(book.put_trust_set(&north, &content(true), &by()).expect("as it is"), 1);
    assert_eq!(book.head().expect("a head"), before, "what is so already is no entry");
    assert_eq!(book.put_trust_set(&north, &content(false), &by()).expect("written anew"), 2);
    assert_eq!(book.put_trust_set(&south, &content(true), &by()).expect("written"), 1);
    assert_eq!(book.trust_set(&north).expect("asks").expect("there").content, content(false));
    let names = || book.trust_sets().expect("asks").into_iter().map(|s| s.name.to_string()).collect::<Vec<_>>();
    assert_eq!(names(), ["North Hearth", "South Hearth"]);

    let product = product().name;
    assert!(book.product_trust(&product).expect("asks").is_empty());
    book.set_product_trust(&product, &[north.clone(), south.clone()], &by()).expect("named");
    assert_eq!(book.product_trust(&product).expect("asks"), [north.clone(), south.clone()]);
    let in_use = book.remove_trust_set(&north, &by()).expect_err("a product names it");
    assert!(matches!(in_use, AddError::InUse { .. }), "{in_use}");
    book.set_product_trust(&product, std::slice::from_ref(&south), &by()).expect("named anew");
    book.remove_trust_set(&north, &by()).expect("removed");
    assert_eq!(names(), ["South Hearth"]);
    assert!(book.trust_set(&north).expect("asks").is_none());
    for refused in [
        book.remove_trust_set(&north, &by()),
        book.set_product_trust(&product, std::slice::from_ref(&north), &by()),
        book.set_product_trust(&book::ids::ProductName::new("No such").expect("a name"), &[], &by()),
    ] {
        assert!(matches!(refused, Err(AddError::Unknown { .. })), "{refused:?}");
    }
    // It may come back, as the next of its versions.
    assert_eq!(book.put_trust_set(&north, &content(true), &by()).expect("back"), 4);
    book.set_product_trust(&product, &[], &by()).expect("none");
    assert!(book.product_trust(&product).expect("asks").is_empty());
    assert!(book.verify(None).expect("verifies").intact());
    for (sql, table) in [
        ("UPDATE trust_set SET removed = 1 WHERE name = 'South Hearth'", "trust_set"),
        ("UPDATE product_trust SET trust_sets = '[]' WHERE number = 2", "product_trust"),
    ] {
        assert!(engine.raw(&site.place).attempt(sql).is_err(), "{sql}");
        engine.raw(&site.place).force(sql);
        let found = book.verify(None).expect("verifies").damages;
        assert!(found.iter().any(|d| d.table == table), "{sql}: {found:?}");
    }
}

/// Which series a product's units get, how far it has come, and which other one is in use.
pub fn series_of_products(engine: &Engine<'_>) {
    let site = engine.site().stocked(6);
    let (book, product) = (&site.book, product().name);
    let (first, second) = (serial("HL-000001"), serial("HM-01"));
    assert_eq!(book.product_series(&product).expect("asks"), None);
    book.set_product_series(&product, Some(&first), &by()).expect("set");
    let before = book.head().expect("a head");
    book.set_product_series(&product, Some(&first), &by()).expect("as it is");
    assert_eq!(book.head().expect("a head"), before, "what is so already is no entry");
    assert_eq!(book.product_series(&product).expect("asks"), Some(first.clone()));
    let unknown = book.set_product_series(&book::ids::ProductName::new("No such").expect("a name"), None, &by());
    assert!(matches!(unknown, Err(AddError::Unknown { .. })), "{unknown:?}");

    let stand = |of: &book::ids::UnitSerial| {
        let stand = book.series_stand(of).expect("a series");
        (stand.next.map(|next| next.to_string()), stand.begun)
    };
    let other = |of: &book::ids::UnitSerial| {
        book.serial_of_another_series(&product, of).expect("a series").map(|serial| serial.to_string())
    };
    assert_eq!((stand(&first), other(&first)), ((Some("HL-000001".into()), false), None));
    // A number that somebody gave by hand is passed over.
    site.begin(0, SerialWish::Exactly(&serial("HL-000002")), &on("S1", 1)).expect("begun");
    site.begin(1, SerialWish::CountFrom(&first), &on("S1", 2)).expect("begun");
    assert_eq!((stand(&first), other(&first)), ((Some("HL-000003".into()), true), None));
    assert_eq!((stand(&second), other(&second)), ((Some("HM-01".into()), false), Some("HL-000002".into())));
    assert_eq!(stand(&serial("HL-000500")), (Some("HL-000500".into()), true), "the same series, further on");
    site.begin(2, SerialWish::Exactly(&serial("HM-99")), &on("S1", 3)).expect("begun");
    assert_eq!(stand(&serial("HM-99")), (None, false), "used up");
    assert!(matches!(book.series_stand(&serial("HL")), Err(BeginError::SeriesEnds { .. })));

    // Without a number a chip without a unit is refused, and one that has a unit goes on with it.
    let refused = site.begin(3, SerialWish::Nothing, &on("S1", 4)).expect_err("no number");
    assert!(matches!(refused, BeginError::NoSerial { .. }), "{refused}");
    assert!(site.begin(2, SerialWish::Nothing, &on("S1", 5)).expect("goes on").resumed);

    book.set_product_series(&product, None, &by()).expect("ended");
    assert_eq!(book.product_series(&product).expect("asks"), None);
    assert!(book.verify(None).expect("verifies").intact());
    let sql = "UPDATE product_series SET first = 'HX-1' WHERE number = 1";
    assert!(engine.raw(&site.place).attempt(sql).is_err(), "{sql}");
    engine.raw(&site.place).force(sql);
    let found = book.verify(None).expect("verifies").damages;
    assert!(found.iter().any(|d| d.table == "product_series"), "{found:?}");
}

/// A copy that was put back: it can be read, nothing is written to it, and it goes on once somebody accepts the loss.
pub fn a_book_that_goes_back_is_refused(engine: &Engine<'_>) {
    let site = engine.site();
    drop(site.book);
    let copy = engine.twin(&site.place);
    let book = open(&site.place);
    let told = Arc::new(Mutex::new(Vec::new()));
    let telling = Arc::clone(&told);
    let start = book.mark().expect("a mark");
    let kept = book.guard(&[start], Box::new(move |mark| telling.lock().expect("a list").push(*mark)));
    assert_eq!(kept.expect("asks"), None);
    book.add_product(&product(), &by()).expect("added");
    let mark = book.mark().expect("a mark");
    assert_eq!(told.lock().expect("a list").as_slice(), [mark]);
    // Another process writes meanwhile, and both go on.
    let other = open(&site.place);
    other.add_authority(&paa(), &by()).expect("added");
    book.add_authority(&pai(), &by()).expect("added");
    assert_eq!((mark.life, book.mark().expect("a mark").head.size), (0, mark.head.size + 2));

    let back = open(&copy);
    let older = back.guard(&[start, mark], Box::new(|_| ())).expect("asks").expect("it is older");
    assert_eq!((older.entries, older.mark, older.is_shorter()), (start.head.size, mark, true));
    let refused = back.add_product(&product(), &by()).expect_err("nothing is written");
    assert!(matches!(&refused, AddError::Book(BookError::Older(found)) if *found == older), "{refused}");
    assert!(refused.advice().contains("accept-loss"), "{}", refused.advice());
    assert_eq!((back.products().expect("read").len(), back.head().expect("read").size), (0, start.head.size));

    // One that went on by itself, and is now as long as the book was.
    let alone = open(&copy);
    alone.add_product(&NewProduct { product_id: 0x8A55, ..product() }, &by()).expect("nobody holds it back");
    let another = open(&copy).older_than(&mark).expect("asks").expect("another history");
    assert_eq!((another.entries, another.is_shorter()), (mark.head.size, false));

    assert!(matches!(back.goes_on(), Err(BookError::Older(found)) if found == older));
    // What somebody elsewhere knows counts as well.
    let elsewhere = open(&copy);
    assert_eq!(elsewhere.guard(&[], Box::new(|_| ())).expect("asks"), None);
    elsewhere.is_older(older);
    assert!(elsewhere.add_product(&product(), &by()).is_err() && elsewhere.older() == Some(older));

    let entry = back.accept_loss("the disk failed", &by()).expect("accepted").expect("an entry");
    assert_eq!(u64::try_from(entry.0).ok(), Some(mark.head.size));
    back.add_authority(&paa(), &by()).expect("it goes on");
    assert_eq!((back.older(), back.mark().expect("a mark").life), (None, 1));
    assert_eq!(back.older_than(&mark).expect("asks"), None, "a mark of before the loss counts no more");
    let next = back.mark().expect("a mark");
    assert!(open(&site.place).older_than(&next).expect("asks").is_some(), "nor does the lost book count beside it");
    assert_eq!(back.restoration().expect("asks").map(|r| r.entries), Some(mark.head.size));
    assert_eq!(back.accept_loss("again", &by()).expect("asks"), None, "nothing is lost");

    // The same copy once more: its life is another one than that of the copy that went on.
    let third = open(&copy);
    let lost = Mark { life: 1, head: Head { size: next.head.size + 9, ..next.head } };
    third.guard(&[mark, lost], Box::new(|_| ())).expect("asks").expect("it is older");
    third.accept_loss("the other disk failed", &by()).expect("accepted").expect("an entry");
    assert_eq!(third.mark().expect("a mark").life, 2);
    assert_eq!(open(&copy).mark().expect("a mark").life, 2);
    assert!(back.verify(None).expect("verified").intact());
}
