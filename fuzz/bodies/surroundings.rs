//! Readers of the crates around a chip: its driver and its files, keys at rest, label templates.

use std::str::FromStr as _;

use chip::{ChipId, ObjectName, Source};
use custody::token::TokenUri;
use custody::{KeyFile, NoteKey, Passphrase, SealedKey, SiteKey};
use print::Template;

use super::Target;
use super::file::Held;

/// All of them.
pub const TARGETS: &[Target] = &[
    ("driver", |data| _ = chip::command::is_answer(data, 7)),
    ("chip_keys", |data| _ = chip::simulated::read_keys(Held::of(data).path())),
    ("chip_names", chip_names),
    ("key_file", key_file),
    ("site_key", site_key),
    ("token_uri", |data| _ = TokenUri::from_str(&String::from_utf8_lossy(data))),
    ("template", template),
];

/// What names chips, objects and sources of chips.
fn chip_names(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    let _ = ChipId::new(&text);
    let _ = ObjectName::new(&text);
    let _ = Source::from_str(&text);
}

/// A key of anybody's tools, as it is adopted. A costly derivation is not made: its cost is in the file, and refused by
/// what reads it only beyond a bound.
fn key_file(data: &[u8]) {
    let file = Held::of(data);
    let _ = KeyFile::public_key(file.path());
    let _ = Passphrase::from_file(file.path());
}

/// Keys that the site keeps.
fn site_key(data: &[u8]) {
    let file = Held::of(data);
    let _ = SiteKey::is_wrapped(file.path());
    let _ = NoteKey::public_key(file.path());
    let _ = SealedKey::public_key(file.path());
    if let Ok(key) = SiteKey::open(file.path(), None) {
        let _ = key.unseal(b"fuzz", data);
    }
}

/// A label's template.
fn template(data: &[u8]) {
    let _ = Template::read("fuzz", &String::from_utf8_lossy(data));
}
