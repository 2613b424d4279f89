//! Labels from a file of units to files on disk, and what stops them.

#![cfg(test)]

use std::fs;
use std::path::{Path, PathBuf};

use base::course::Course;
use base::{Advise, Kind};
use line::label;
use line::label::{Defaults, Format, Job, PrintError, Printed, Units, UnitsError, complete};
use print::sheet::{Grid, Paper};
use print::{LabelData, Press, RunError};
use zeroize::Zeroizing;

/// Worked values, common practice in the trade: VID FFF1, so a test product.
const QR: &str = "MT:Y.K9042C00KA0648G00";
const MANUAL: &str = "3497-011-2332";

fn write(directory: &Path, name: &str, text: &str) -> PathBuf {
    let path = directory.join(name);
    fs::write(&path, text).expect("the folder takes a file");
    path
}

fn job(out: PathBuf) -> Job {
    Job {
        template: "device".into(),
        out,
        format: None,
        paper: None,
        grid: Grid::default(),
        press: Press::default(),
        copies: 1,
        carton: None,
    }
}

fn defaults() -> Defaults {
    Defaults { product: Some("Tern Vent".into()), vendor: Some("Tern & Hollow".into()), ..Defaults::default() }
}

fn units_of(text: &str) -> Result<Vec<LabelData>, UnitsError> {
    let directory = tempfile::tempdir().expect("a folder");
    Units::open(&write(directory.path(), "units", text), defaults())?.collect()
}

fn print_file(units: &Path, job: &Job) -> Result<Printed, PrintError> {
    label::print(job, Units::open(units, defaults())?, &Course::new(), || Ok(()))
}

#[test]
fn units_come_from_csv_and_from_ndjson() {
    let rows = [
        format!("unit,qr,manual\nTV-1,{QR},{MANUAL}\n"),
        format!("\u{FEFF}Unit;Manual;QR;Batch\r\n\r\nTV-1;34970112332;{QR};\"seven; or so\"\r\n"),
        format!("unit\tqr\tmanual\tserial\nTV-1\t{QR}\t{MANUAL}\t\n"),
        format!(
            "{{\"unit\":\"TV-1\",\"qr\":\"{QR}\",\"manual\":\"{MANUAL}\",\"product_id\":\"0x8000\",\"serial\":null}}\n"
        ),
    ];
    for text in rows {
        let units = units_of(&text).unwrap_or_else(|e| panic!("{text}: {e}"));
        let [unit] = units.as_slice() else { panic!("{text}") };
        assert_eq!((unit.unit.as_str(), unit.qr.as_str(), unit.serial.as_str()), ("TV-1", QR, "TV-1"), "{text}");
        assert_eq!((unit.vid.as_str(), unit.pid.as_str(), unit.test), ("FFF1", "8000", true), "{text}");
        assert_eq!(unit.product, "Tern Vent");
    }
}

#[test]
fn a_units_file_that_makes_no_sense_is_refused() {
    let header = "unit,qr,manual";
    let row = format!("TV-1,{QR},{MANUAL}");
    let long = "x".repeat(70_000);
    for (name, text, speaks_of) in [
        ("nothing", String::new(), "is empty"),
        ("no manual", format!("unit,qr\nTV-1,{QR}"), "no column manual"),
        ("twice", format!("{header},QR\n{row},x"), "column qr twice"),
        ("fields", format!("{header}\n{row},x"), "line 2: 4 fields"),
        ("no unit", format!("{header}\n,{QR},{MANUAL}"), "line 2: no unit"),
        ("unit again", format!("{header}\n{row}\n{row}"), "line 3: unit TV-1 again, first on line 2"),
        ("code again", format!("{header}\n{row}\nTV-2,{QR},{MANUAL}"), "the QR text of the unit on line 2"),
        ("no truth", format!("{header},test\n{row},maybe"), "neither true nor false"),
        ("not JSON", "{\"unit\":".into(), "not a JSON object"),
        ("nested", format!("{{\"unit\":\"a\",\"qr\":\"{QR}\",\"manual\":[]}}"), "the value of manual"),
        ("long", format!("{header}\n{long}"), "more than 65536"),
    ] {
        let error = units_of(&text).map(|_| ()).expect_err(name);
        assert!(error.to_string().contains(speaks_of), "{name}: {error}");
        assert!(error.advice().is_some() && !error.to_string().contains(&QR[3..]), "{name}");
    }
    let missing = Units::open(Path::new("/nowhere/units.csv"), defaults()).map(|_| ()).unwrap_err();
    assert_eq!(missing.kind(), Kind::Usage);
}

#[test]
fn codes_of_two_units_never_meet_on_a_label() {
    let unit = |qr: &str, manual: &str, vid: &str| LabelData {
        unit: "TV-1".into(),
        qr: Zeroizing::new(qr.into()),
        manual: Zeroizing::new(manual.into()),
        vid: vid.into(),
        ..LabelData::default()
    };
    for (data, speaks_of) in [
        (unit(QR, "34970112345", ""), "they differ in passcode"),
        (unit(QR, "30880112338", ""), "they differ in discriminator"),
        (unit(QR, "349701123", ""), "code.length"),
        (unit("MT:Y.K9042C00KA0648G0", MANUAL, ""), "the QR text breaks code.length"),
        (unit("https://example.invalid", MANUAL, ""), "the QR text breaks code."),
        (unit(QR, MANUAL, "FFF2"), "vid is FFF2, but its QR text says FFF1"),
        // Passcode 11111111 is one that everybody guesses; nothing with it is printed.
        (unit("MT:Y.K9042C00KMSP0Z800", MANUAL, ""), "the QR text breaks code.passcode"),
        (unit(QR, "34970112331", ""), "the manual code breaks code.check-digit"),
        (unit("", MANUAL, ""), "QR text is missing"),
        (unit(QR, "", ""), "manual code is missing"),
    ] {
        let error = complete(data, &defaults()).map(|_| ()).expect_err(speaks_of);
        assert!(error.to_string().contains(speaks_of), "{error}");
        assert_eq!(error.kind(), Kind::Refused);
    }
}

#[test]
fn a_file_appears_whole_or_not_at_all() {
    let directory = tempfile::tempdir().unwrap();
    let units = write(directory.path(), "units.csv", &format!("unit,qr,manual\nTV-1,{QR},{MANUAL}\n"));
    for name in ["a.pdf", "a.svg", "a.png"] {
        let out = directory.path().join(name);
        let printed = print_file(&units, &job(out.clone())).unwrap();
        assert_eq!((printed.labels, printed.decoded, printed.test), (1, 1, 1), "{name}");
        assert_eq!(Some(printed.format), name.split('.').nth(1));
        let before = fs::read(&out).unwrap();
        // A second run that fails leaves the first one's file alone, and nothing beside it.
        let bad = format!("unit,qr,manual,product\nTV-1,{QR},{MANUAL},{}\n", "long ".repeat(40));
        let bad = write(directory.path(), "bad.csv", &bad);
        let error = print_file(&bad, &job(out.clone())).unwrap_err();
        assert!(matches!(&error, PrintError::Run(RunError::Label { unit, .. }) if unit == "TV-1"), "{error}");
        assert_eq!((error.kind(), fs::read(&out).unwrap() == before), (Kind::Refused, true), "{name}");
    }
    let mut names: Vec<_> =
        fs::read_dir(directory.path()).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    assert_eq!(names, ["a.pdf", "a.png", "a.svg", "bad.csv", "units.csv"]);
}

#[test]
fn a_template_of_ones_own_must_carry_the_mark_for_test_products() {
    let directory = tempfile::tempdir().unwrap();
    let units = write(directory.path(), "units.csv", &format!("unit,qr,manual\nTV-1,{QR},{MANUAL}\n"));
    let svg = |inside: &str| {
        format!(
            "<svg xmlns='http://www.w3.org/2000/svg' width='40mm' height='20mm' viewBox='0 0 40 20'>\
             <rect id='qr' x='1' y='1' width='14' height='14'/>\
             <text x='1' y='19' font-size='2' font-family='Atkinson Hyperlegible Mono'>{{manual}}</text>{inside}</svg>"
        )
    };
    let own = write(directory.path(), "own.svg", &svg(""));
    let order = |template: &Path| Job {
        template: template.to_str().unwrap().into(),
        ..job(directory.path().join("labels.pdf"))
    };
    let error = print_file(&units, &order(&own)).unwrap_err();
    assert!(error.to_string().contains("TEST – NOT FOR SALE"), "{error}");
    assert!(error.advice().unwrap().contains("{test}") && !directory.path().join("labels.pdf").exists());
    let marked = write(
        directory.path(),
        "marked.svg",
        &svg("<text x='17' y='5' font-size='1.9' font-family='Atkinson Hyperlegible Next'>{test}</text>"),
    );
    assert_eq!(print_file(&units, &order(&marked)).unwrap().labels, 1);
    let scripted = write(directory.path(), "scripted.svg", &svg("<script/>"));
    let error = print_file(&units, &order(&scripted)).unwrap_err();
    assert_eq!((error.kind(), error.to_string().contains("script")), (Kind::Usage, true));
}

#[test]
fn sheets_are_filled_in_order_and_copies_lie_together() {
    let directory = tempfile::tempdir().unwrap();
    // Passcodes 20202021 on and their payloads don't matter here; one unit, many copies.
    let units = write(directory.path(), "units.csv", &format!("unit,qr,manual\nTV-1,{QR},{MANUAL}\n"));
    let sheet = Job {
        paper: Some(Paper::A4),
        grid: Grid { cells: Some((2, 3)), skip: 4, ..Grid::default() },
        copies: 9,
        ..job(directory.path().join("labels.pdf"))
    };
    let printed = print_file(&units, &sheet).unwrap();
    // Six cells a page, four of the first left empty: 2 + 6 + 1.
    assert_eq!((printed.labels, printed.pages, printed.page_mm), (9, 3, Some([210.0, 297.0])));
    let roll = Job { copies: 2, ..job(directory.path().join("roll.pdf")) };
    let printed = print_file(&units, &roll).unwrap();
    assert_eq!((printed.pages, printed.page_mm), (2, Some([36.0, 22.0])));
}

#[test]
fn an_order_that_makes_no_sense_is_refused() {
    let directory = tempfile::tempdir().unwrap();
    let row = format!("TV-1,{QR},{MANUAL}\n");
    // The same payload with passcode 20202022 and discriminator 3841, packed for this test.
    let second = "TV-2,MT:Y.K90CEK010O0648G00,34970212338\n";
    let units = write(directory.path(), "units.csv", &format!("unit,qr,manual\n{row}"));
    let two = write(directory.path(), "two.csv", &format!("unit,qr,manual\n{row}{second}"));
    let empty = write(directory.path(), "empty.csv", "unit,qr,manual\n");
    let out = |name: &str| directory.path().join(name);
    let base = || job(out("labels.pdf"));
    for (name, units, job) in [
        ("not show a format", &units, job(out("labels"))),
        ("no unit", &empty, base()),
        ("resolution", &units, Job { press: Press { dpi: 10, ..Press::default() }, ..base() }),
        ("module", &units, Job { press: Press { least_module_mm: f32::NAN, ..Press::default() }, ..base() }),
        ("copies", &units, Job { copies: 0, ..base() }),
        ("sheet of pixels", &units, Job { paper: Some(Paper::A4), ..job(out("labels.png")) }),
        ("template", &units, Job { template: "nowhere.svg".into(), ..base() }),
        (
            "grid",
            &units,
            Job { paper: Some(Paper::A4), grid: Grid { cells: Some((90, 9)), ..Grid::default() }, ..base() },
        ),
        ("two in one picture", &two, job(out("labels.svg"))),
    ] {
        let error = print_file(units, &job).map(|_| ()).expect_err(name);
        assert_eq!(error.kind(), Kind::Usage, "{name}: {error}");
        assert!(error.advice().is_some(), "{name}");
    }
    let gone = Job { ..job(out("no/such/folder/labels.pdf")) };
    assert_eq!(print_file(&units, &gone).unwrap_err().kind(), Kind::Surroundings);
}

#[test]
fn many_single_labels_go_into_a_directory() {
    let directory = tempfile::tempdir().unwrap();
    let text = format!("unit,qr,manual\nTV/1,{QR},{MANUAL}\nTV-2,MT:Y.K90CEK010O0648G00,34970212338\n");
    let units = write(directory.path(), "units.csv", &text);
    let out = directory.path().join("labels");
    let order = Job { format: Some(Format::Svg), ..job(out.clone()) };
    assert_eq!(print_file(&units, &order).unwrap().labels, 2);
    let mut names: Vec<_> =
        fs::read_dir(&out).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    assert_eq!(names, ["TV%2F1.svg", "TV-2.svg"]);
}
