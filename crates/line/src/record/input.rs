//! What a factory record is made from: a description in TOML or JSON, options
//! of the command line, or both.

use std::fmt;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use zeroize::Zeroizing;

use super::error::RecordActError;

/// A description beyond this is something else.
const MAX_DESCRIPTION: u64 = 64 << 10;

/// Values as they are typed; what is `None` is not given.
#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RecordInput {
    pub serial_number: Option<String>,
    /// Vendor ID, four hex digits.
    pub vendor_id: Option<String>,
    pub vendor_name: Option<String>,
    /// Product ID, four hex digits.
    pub product_id: Option<String>,
    pub product_name: Option<String>,
    pub hardware_version: Option<Number>,
    /// Hardware version as text.
    pub hardware_version_text: Option<String>,
    /// Manufacturing date, `2026-11-25` or `20261125`.
    pub manufactured: Option<String>,
    pub discriminator: Option<Number>,
    /// Salt in hex; drawn where neither it nor a verifier is given.
    pub salt: Option<String>,
    pub iterations: Option<Number>,
    /// Verifier in hex or base 64; derived from the passcode where it is not given.
    pub verifier: Option<String>,
    /// Rotating-id unique value in hex; drawn where it is not given.
    pub rotating_id: Option<String>,
    pub passcode: Option<Number>,
    /// Whether the record holds the passcode.
    #[serde(default)]
    pub with_passcode: bool,
    /// File of the DAC.
    pub dac: Option<PathBuf>,
    /// File of the PAI.
    pub pai: Option<PathBuf>,
    /// File of the declaration.
    pub declaration: Option<PathBuf>,
}

/// A number, as a number or as text. May be a passcode: wiped, and not shown by `Debug`.
#[derive(Clone, Deserialize)]
#[serde(from = "TypedNumber")]
pub struct Number(pub Zeroizing<String>);

#[derive(Deserialize)]
#[serde(untagged)]
enum TypedNumber {
    Number(u64),
    Text(String),
}

impl From<TypedNumber> for Number {
    fn from(typed: TypedNumber) -> Self {
        Self(Zeroizing::new(match typed {
            TypedNumber::Number(number) => number.to_string(),
            TypedNumber::Text(text) => text,
        }))
    }
}

impl From<String> for Number {
    fn from(text: String) -> Self {
        Self(Zeroizing::new(text))
    }
}

impl fmt::Debug for Number {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Number(hidden)")
    }
}

impl RecordInput {
    /// Reads a description. Files that it names are taken from its own directory.
    ///
    /// # Errors
    ///
    /// [`RecordActError::Read`], [`RecordActError::TooLarge`] and [`RecordActError::Description`].
    pub fn read(path: &Path) -> Result<Self, RecordActError> {
        let octets = read_file(path, MAX_DESCRIPTION)?;
        // A parser's own message may quote the line, and the line may be the passcode's.
        let wrong = |why: String| RecordActError::Description { path: path.to_owned(), why };
        let text = std::str::from_utf8(&octets).map_err(|_| wrong("it is not UTF-8".into()))?;
        let mut input: Self = if text.trim_start().starts_with('{') {
            serde_json::from_str(text)
                .map_err(|e| wrong(format!("line {}, column {}: {}", e.line(), e.column(), unknown_key(&e))))?
        } else {
            toml::from_str(text).map_err(|e| wrong(without_values(e.message(), e.span().map(|s| s.start), text)))?
        };
        let beside = path.parent().unwrap_or(Path::new(""));
        for file in [&mut input.dac, &mut input.pai, &mut input.declaration].into_iter().flatten() {
            *file = beside.join(&*file);
        }
        Ok(input)
    }

    /// The same, with what `typed` gives in the place of what stands here.
    #[must_use]
    pub fn overridden_by(self, typed: Self) -> Self {
        Self {
            serial_number: typed.serial_number.or(self.serial_number),
            vendor_id: typed.vendor_id.or(self.vendor_id),
            vendor_name: typed.vendor_name.or(self.vendor_name),
            product_id: typed.product_id.or(self.product_id),
            product_name: typed.product_name.or(self.product_name),
            hardware_version: typed.hardware_version.or(self.hardware_version),
            hardware_version_text: typed.hardware_version_text.or(self.hardware_version_text),
            manufactured: typed.manufactured.or(self.manufactured),
            discriminator: typed.discriminator.or(self.discriminator),
            salt: typed.salt.or(self.salt),
            iterations: typed.iterations.or(self.iterations),
            verifier: typed.verifier.or(self.verifier),
            rotating_id: typed.rotating_id.or(self.rotating_id),
            passcode: typed.passcode.or(self.passcode),
            with_passcode: typed.with_passcode || self.with_passcode,
            dac: typed.dac.or(self.dac),
            pai: typed.pai.or(self.pai),
            declaration: typed.declaration.or(self.declaration),
        }
    }
}

/// The passcode on the first line of a file.
///
/// # Errors
///
/// [`RecordActError::Read`] and [`RecordActError::TooLarge`]; what the line
/// says is read when the record is made.
pub fn read_passcode(path: &Path) -> Result<Number, RecordActError> {
    const LIMIT: u64 = 256;
    let octets = read_file(path, LIMIT)?;
    let line = octets.split(|octet| *octet == b'\n').next().unwrap_or_default();
    Ok(Number(Zeroizing::new(String::from_utf8_lossy(line.trim_ascii()).into_owned())))
}

/// What is wrong with the JSON, without a value out of it.
fn unknown_key(error: &serde_json::Error) -> String {
    match error.classify() {
        serde_json::error::Category::Data => key_in(&error.to_string()),
        _ => "it is not JSON".into(),
    }
}

/// What is wrong with the TOML and where, without a value out of it.
fn without_values(message: &str, at: Option<usize>, text: &str) -> String {
    let line = at.and_then(|at| text.get(..at)).map_or(1, |before| before.matches('\n').count() + 1);
    format!("line {line}: {}", key_in(message))
}

/// The first part of a message about an unknown key; any other is put plainly.
fn key_in(message: &str) -> String {
    match message.strip_prefix("unknown field ").and_then(|rest| rest.split('`').nth(1)) {
        Some(key) => format!("no record has the key {key:?}"),
        None => "a value has the wrong type, or a character is out of place".into(),
    }
}

/// Reads a file of at most `limit` octets; what is read is wiped after.
pub(super) fn read_file(path: &Path, limit: u64) -> Result<Zeroizing<Vec<u8>>, RecordActError> {
    let failed = |source| RecordActError::Read { path: path.to_owned(), source };
    let file = File::open(path).map_err(failed)?;
    let expected = file.metadata().map_or(0, |metadata| metadata.len()).min(limit);
    let mut octets = Zeroizing::new(Vec::with_capacity(expected as usize + 1));
    file.take(limit + 1).read_to_end(&mut octets).map_err(failed)?;
    if octets.len() as u64 > limit {
        return Err(RecordActError::TooLarge { path: path.to_owned(), limit });
    }
    Ok(octets)
}
