//! Readers of the crates from `examine` to `answer`.

use std::str::FromStr as _;

use arbitrary::{Result as Drawn, Unstructured};
use base::course::Course;
use decide::part::Part;
use examine::intake::{self, Limits};
use examine::{Examine, Input, examine};
use line::label;
use line::label::{Defaults, Units};
use line::record::RecordInput;
use receive::delivery::chips::Chips;
use receive::delivery::exposed::Exposed;
use receive::delivery::inspect::{Expectation, inspect};
use receive::reel::manifest;
use receive::reel::manifest::ColumnMap;
use site::Settings;
use site::checkpoint::note::{Checkpoint, Note, Signature, Verifier};
use standard::ids::{ProductId, VendorId};
use standard::moment::Moment;

use super::Target;
use super::file::Held;

/// All of them.
pub const TARGETS: &[Target] = &[
    ("manifest", manifest),
    ("manifest_made", |data| _ = made_manifest(data)),
    ("units", |data| _ = Units::open(Held::of(data).path(), Defaults::default()).map(|units| units.count())),
    ("serials", |data| _ = line::provision::listed(data, "fuzz", None)),
    ("archive", archive),
    ("delivery", delivery),
    ("examine", examined),
    ("note", note),
    ("evidence", |data| _ = answer::evidence::check(Held::of(data).path(), Held::of(KEY.as_bytes()).path())),
    ("head", |data| _ = site::head::read(Held::of(data).path())),
    ("part", |data| _ = Part::parse("fuzz", &String::from_utf8_lossy(data))),
    ("product", |data| _ = site::product::read(Held::of(data).path())),
    ("record_input", |data| _ = RecordInput::read(Held::of(data).path())),
    ("settings", settings),
    ("typed", typed),
];

const NOW: i64 = 1_800_000_000;

/// A key that signs no pack (RFC 6979 A.2.5).
const KEY: &str = "-----BEGIN PUBLIC KEY-----\n\
    MFkwEwYHKoZIzj0CAQYIKoZIzj0DAQcDQgAEYP7UuiVanTHJYet0xjVtaMBJuJI7\n\
    Yfps5mliLmDyn7Z5A/4QCLi8m9J/R8GKYlhgGZgVtb9UGgvQ9nqpnW/ClaK5fg==\n-----END PUBLIC KEY-----\n";

fn manifest(data: &[u8]) {
    let _ = manifest::read(Held::of(data).path(), &ColumnMap::default(), &Course::new());
}

/// Points of keys, as manifests write them.
const POINTS: [&str; 2] = [
    "0460FED4BA255A9D31C961EB74C6356D68C049B8923B61FA6CE669622E60F29FB67903FE1008B8BC99A41AE9E95628BC64F2F1B20C2D7E9F5177A3C294D4462299",
    "046B17D1F2E12C4247F8BCE6E563A440F277037D812DEB33A0F4A13945D898C2964FE342E2FE1A7F9B8EE7EB4A7C0F9E162BCE33576B315ECECBB6406837BF51F5",
];

/// A table or JSON as spreadsheets and chip makers write them, in any encoding; whole, or with one octet changed.
fn made_manifest(data: &[u8]) -> Drawn<()> {
    let mut draw = Unstructured::new(data);
    let mut text = String::new();
    let rows = draw.int_in_range(1..=3)?;
    let (kind, crlf) = (draw.int_in_range(0..=5)?, draw.arbitrary()?);
    let end = if crlf { "\r\n" } else { "\n" };
    let between = [",", ";", "\t", "|"].get(kind);
    if let Some(between) = between {
        for _ in 0..draw.int_in_range(0..=2)? {
            text += &format!("{}{end}", draw.arbitrary::<&str>()?.replace(['\r', '\n', '"'], " "));
        }
        text += &format!("chip_id{between}public_key{between}note{end}");
    }
    for row in 0..rows {
        let (id, key) = (draw.arbitrary::<u32>()?, POINTS[row % POINTS.len()]);
        let note: String = draw.arbitrary::<&str>()?.chars().filter(|c| !c.is_control() && *c != '"').collect();
        let note = note.replace('\\', "/");
        text += &match between {
            Some(between) => format!("{id:08X}{between}{key}{between}\"{note}\"{end}"),
            None => format!(r#"{{"chip_id":"{id:08X}","public_key":"{key}","note":"{note}"}}{end}"#),
        };
    }
    if kind == 5 {
        text = format!("[{}]", text.trim_end().replace(end, ","));
    }
    let mut octets = match draw.int_in_range(0..=3)? {
        0 => text.into_bytes(),
        1 => [b"\xEF\xBB\xBF", text.as_bytes()].concat(),
        2 => text.encode_utf16().flat_map(u16::to_le_bytes).collect(),
        _ => [0xFEFF].into_iter().chain(text.encode_utf16()).flat_map(u16::to_be_bytes).collect(),
    };
    if draw.arbitrary()? {
        let at = draw.choose_index(octets.len())?;
        octets[at] = draw.arbitrary()?;
    }
    manifest(&octets);
    Ok(())
}

/// Archives in one another, up to bounds that an input of a few KiB can reach.
fn archive(data: &[u8]) {
    let limits = Limits { entry: 1 << 20, total: 4 << 20, entries: 200, ratio: 100, depth: 3 };
    let _ = intake::open(Held::of(data).path(), limits, None, &mut |_| Ok(()));
}

/// A delivery as it is inspected, to a reel without chips.
fn delivery(data: &[u8]) {
    let expectation = Expectation {
        chips: &Chips::default(),
        chip_ids: &|places| Ok(places.iter().map(u32::to_string).collect()),
        vendor: VendorId::new(0xFFF2).expect("an ID"),
        product: ProductId::new(0x8A21).expect("an ID"),
        production: false,
        anchors: &[],
        pais: &[],
        revoked: &site::revoked::Known::default(),
        exposed: &Exposed::default(),
        elsewhere: &|_| None,
        now: Moment::from_unix(NOW),
        known: &|_, _| None,
    };
    let _ = inspect(Held::of(data).path(), None, &expectation, &Course::new(), &mut |_| ());
}

fn examined(data: &[u8]) {
    let file = Held::of(data);
    let request = Examine { files: Input::at([file.path()]), ..Examine::default() };
    let _ = examine(&request, Moment::from_unix(NOW), &Course::new()).map(|answer| serde_json::to_string(&answer));
}

/// A signed note and its parts. What is read is written as it was.
fn note(data: &[u8]) {
    if let Ok(note) = Note::read(data) {
        assert_eq!(note.to_string().as_bytes(), data, "{note:?}");
        let _ = Checkpoint::read(&note.text);
    }
    let text = String::from_utf8_lossy(data);
    let _ = Signature::read(&text);
    let _ = Verifier::read(&text);
}

fn settings(data: &[u8]) {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("touchmark.toml"), data).expect("room");
    let _ = Settings::read(folder.path());
}

/// What people type into options and fields.
fn typed(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    let _ = ColumnMap::from_str(&text);
    let _ = Moment::from_str(&text);
    let _ = label::code_fault(&text);
    let _ = label::typed::paper(&text);
    let _ = label::typed::cells(&text);
    let _ = label::typed::lengths(&text);
    let _ = line::code::read(&text);
    let _ = answer::impact::when(&text);
    let _ = decide::plan::share(&text);
    let _ = decide::plan::step(&text);
    let _ = site::product::check_series(&text);
    let _ = receive::reel::key_text::read(&text);
    let _ = report::length(&text);
    let _ = base::sentence(&text);
}
