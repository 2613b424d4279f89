//! Factory records out of the book, for a flashing tool: one file a unit, or one archive of them,
//! and an index that says which file goes to which chip and where.
//!
//! All of it is there or nothing: it is made in a directory of its own, recorded in the log, and
//! only then takes its name.

use std::collections::BTreeMap;
use std::fs;
use std::io::{self, Write};
use std::path::Path;

use aws_lc_rs::digest::{SHA256, digest};
use base::advice::quoted;
use base::course::Course;
use base::sentence::Names;
use base::trouble::Trouble;
use book::ids::{ProductName, UnitSerial};
use book::{Subject, Unit, UnitState};
use custody::Passphrase;
use serde::Serialize;
use serde_json::json;
use site::product::Kept;
use site::record_place::{RecordFormat, RecordPlace};
use site::revoked::RevokedHere;
use site::{Site, Who, file_stem, product};
use standard::factory_record::FactoryRecord;
use standard::ids::{ProductId, VendorId};
use zeroize::Zeroizing;
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, DateTime, ZipWriter};

use super::error::RecordActError;
use super::of_unit::of_unit;
use crate::chosen::Which;

/// Units in one call: a record has some 400 bytes, so these are about 120 MB.
const MOST: usize = 300_000;
/// Units that an entry of the log names; of more it has the first and the last.
const IN_ENTRY: usize = 100;

/// The index beside the files.
const INDEX: &str = "index.csv";
/// The archive.
const BUNDLE: &str = "records.zip";

/// What is to be written.
#[derive(Debug)]
pub struct BookRecords<'a> {
    pub which: Which<'a>,
    /// A directory that is not there yet, or is empty.
    pub out: &'a Path,
    /// The form; the product's own where none is given, else CBOR.
    pub format: Option<RecordFormat>,
    /// Address of the record's first byte; the product's own where none is given, else 0.
    pub address: Option<u32>,
    /// Bytes of the flash region; the product's own where none is given, else 4096.
    pub size: Option<u32>,
    /// One archive in the place of one file a unit.
    pub bundle: bool,
}

/// One line of the index.
#[derive(Debug, Clone, Serialize)]
pub struct IndexLine {
    pub unit: String,
    pub chip_id: String,
    /// The file, beside the index.
    pub file: String,
    /// Address of the first byte in the flash, as 0x08030000.
    pub address: String,
    /// Bytes that go into the flash.
    pub size: usize,
    /// SHA-256 of the file.
    pub sha256: String,
}

/// What was written.
#[derive(Debug, Serialize)]
pub struct WrittenRecords {
    pub directory: String,
    pub index: String,
    /// The archive, where one was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bundle: Option<String>,
    pub records: Vec<IndexLine>,
    /// Units that passed and that have no passcode in the book any more.
    pub left_out: Vec<String>,
}

/// Writes the records of the units, readable by their owner alone, and records in the log that it did.
///
/// - `course`: counts units; it can be stopped until the entry is written.
///
/// # Errors
///
/// [`Trouble`] where a unit did not pass or is revoked, the passcode of one that was named was erased, or a record
/// does not fit; nothing is written then.
pub fn make_from_book(
    site: &Site,
    wanted: &BookRecords<'_>,
    passphrase: Option<&Passphrase>,
    who: &Who,
    course: &Course,
) -> Result<WrittenRecords, Trouble> {
    vacant(wanted.out)?;
    let left_out = look_over(site, &wanted.which, course)?;
    let parent = wanted.out.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let failed = |e| Trouble::file(wanted.out, e);
    fs::create_dir_all(parent).map_err(failed)?;
    let staging = tempfile::Builder::new().prefix(".touchmark-").tempdir_in(parent).map_err(failed)?;
    let mut maker = Maker {
        site,
        wanted,
        passphrase,
        products: BTreeMap::new(),
        sink: Sink::open(staging.path(), wanted.bundle).map_err(failed)?,
    };
    let mut records = Vec::new();
    wanted.which.each(site, Some(UnitState::Passed), course, &mut |unit| {
        if has_code(&unit) {
            records.push(maker.write(&unit)?);
        }
        Ok(())
    })?;
    if records.is_empty() {
        return Err(Trouble::refused(
            format!("of {}, none has passed, so there is no record to make", wanted.which.words()),
            "Check the reel or the time: `touchmark unit list` shows units and where they stand.",
        ));
    }
    let index = index(&records).map_err(failed)?;
    maker.sink.finish(&index).map_err(failed)?;
    write_private(&staging.path().join(INDEX), &index).map_err(failed)?;

    course.commit()?;
    note(site, wanted, &records, &index, who)?;
    // A directory takes the place of an empty one, and of nothing else.
    fs::rename(staging.path(), wanted.out).map_err(failed)?;
    let path = |name: &str| wanted.out.join(name).display().to_string();
    Ok(WrittenRecords {
        directory: wanted.out.display().to_string(),
        index: path(INDEX),
        bundle: wanted.bundle.then(|| path(BUNDLE)),
        records,
        left_out,
    })
}

fn has_code(unit: &Unit) -> bool {
    unit.onboarding.as_ref().is_some_and(|data| data.passcode.is_some())
}

/// Nothing, or an empty directory.
fn vacant(out: &Path) -> Result<(), Trouble> {
    let taken = || Trouble::file(out, io::ErrorKind::AlreadyExists.into());
    match fs::read_dir(out) {
        Ok(mut entries) => entries.next().map_or(Ok(()), |_| Err(taken())),
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(()),
        Err(e) if e.kind() == io::ErrorKind::NotADirectory => Err(taken()),
        Err(e) => Err(Trouble::file(out, e)),
    }
}

/// Looks at all units before the first file: who did not pass, who is revoked, whose passcode is gone. The last are left
/// out, as labels leave them out, but for units that were named.
fn look_over(site: &Site, which: &Which<'_>, course: &Course) -> Result<Vec<String>, Trouble> {
    let (mut unfit, mut erased, mut count) = (Names::default(), Vec::new(), 0);
    let revoked_here = RevokedHere::of(site)?;
    which.each(site, Some(UnitState::Passed), course, &mut |unit| {
        count += 1;
        if count > MOST {
            return Err(Trouble::usage(
                format!("these are more than {MOST} units"),
                "Make their records reel by reel, with --reel.",
            ));
        }
        match unit.state {
            UnitState::Passed | UnitState::Returned => {
                revoked_here.refuse(site, &unit, "factory record")?;
                if !has_code(&unit) {
                    erased.push(unit.serial.to_string());
                }
            }
            state => unfit.add(format!("{} ({})", unit.serial, state.word())),
        }
        Ok(())
    })?;
    if unfit.count > 0 {
        return Err(Trouble::refused(
            format!("a factory record is made only of units that passed, and not of {unfit}; no record was written"),
            "Provision them first, or leave them out.",
        )
        .about("units"));
    }
    if !erased.is_empty() && (erased.len() == count || matches!(which, Which::Units(_))) {
        let erased = erased.iter().collect::<Names>();
        return Err(Trouble::refused(
            format!("the passcodes of these units were erased, or were never in this book: {erased}; no record was written"),
            "Leave these units out: a passcode that was erased, or that a unit was adopted without, can't be written again.",
        )
        .about("units"));
    }
    Ok(erased)
}

struct Maker<'a> {
    site: &'a Site,
    wanted: &'a BookRecords<'a>,
    passphrase: Option<&'a Passphrase>,
    products: BTreeMap<ProductName, (VendorId, ProductId, Kept)>,
    sink: Sink,
}

impl Maker<'_> {
    fn write(&mut self, unit: &Unit) -> Result<IndexLine, Trouble> {
        let odd = |e: &dyn std::fmt::Display| {
            Trouble::refused(
                format!("the factory record of unit {} can't be made: {e}", unit.serial),
                format!(
                    "No record was written. `touchmark product show {0}` shows what goes into it, and `touchmark product \
                     update {0} --vendor-name …` sets a name that is missing.",
                    quoted(unit.product.as_str())
                ),
            )
        };
        if !self.products.contains_key(&unit.product) {
            let product = product::get(self.site, unit.product.as_str())?;
            let vendor = VendorId::new(product.facts.vendor_id).map_err(|e| odd(&e))?;
            let id = ProductId::new(product.facts.product_id).map_err(|e| odd(&e))?;
            self.products.insert(unit.product.clone(), (vendor, id, product::kept(&product)?));
        }
        let (vendor, id, kept) = &self.products[&unit.product];
        let record = of_unit(unit, (*vendor, *id), kept, self.site.key(self.passphrase)?).map_err(|e| odd(&e))?;
        let encoded = record.encode().map_err(|e| odd(&e))?;
        self.as_in_chip(unit, &encoded)?;

        let own = kept.record.unwrap_or_else(|| RecordPlace::of(RecordFormat::Cbor));
        let place = RecordPlace {
            format: self.wanted.format.unwrap_or(own.format),
            address: self.wanted.address.unwrap_or(own.address),
            size: self.wanted.size.unwrap_or(own.size),
        };
        let (octets, size) = carried(&record, &encoded, place).map_err(Trouble::of)?;
        let file = format!("{}.{}", file_stem(unit.serial.as_str()), place.format.extension());
        self.sink.add(&file, &octets).map_err(|e| Trouble::file(self.wanted.out, e))?;
        Ok(IndexLine {
            unit: unit.serial.to_string(),
            chip_id: unit.chip_id.to_string(),
            file,
            address: format!("0x{:08X}", place.address),
            size,
            sha256: hex::encode(digest(&SHA256, &octets)),
        })
    }

    /// A unit whose chip holds a record must not get another one by another way.
    fn as_in_chip(&self, unit: &Unit, encoded: &[u8]) -> Result<(), Trouble> {
        let proof = self.site.book.proof(&unit.serial)?;
        let name = chip::ObjectName::FACTORY_RECORD;
        let there = proof.and_then(|p| p.facts.objects.into_iter().find(|o| o.name == name.as_str()));
        if there.is_none_or(|there| there.sha256.as_slice() == digest(&SHA256, encoded).as_ref()) {
            return Ok(());
        }
        Err(Trouble::refused(
            format!("the chip of unit {} holds another factory record than the book gives now", unit.serial),
            "Read the record from the chip, and leave this unit out; no record was written.",
        )
        .about("units"))
    }
}

/// The file's octets, and how many of them go into the flash.
fn carried(
    record: &FactoryRecord,
    encoded: &Zeroizing<Vec<u8>>,
    place: RecordPlace,
) -> Result<(Zeroizing<Vec<u8>>, usize), RecordActError> {
    Ok(match place.format {
        RecordFormat::Cbor => (encoded.clone(), encoded.len()),
        RecordFormat::Hex => {
            let text = record.intel_hex(place.address)?;
            (Zeroizing::new(text.as_bytes().to_vec()), encoded.len())
        }
        RecordFormat::Image => {
            let image = record.image(place.size as usize)?;
            let size = image.len();
            (Zeroizing::new(image.to_vec()), size)
        }
    })
}

/// Where files go.
enum Sink {
    Directory(std::path::PathBuf),
    Archive(Box<ZipWriter<fs::File>>),
}

impl Sink {
    fn open(directory: &Path, bundle: bool) -> io::Result<Self> {
        if bundle {
            let file = private(&directory.join(BUNDLE))?;
            return Ok(Self::Archive(Box::new(ZipWriter::new(file))));
        }
        Ok(Self::Directory(directory.to_owned()))
    }

    fn add(&mut self, name: &str, octets: &[u8]) -> io::Result<()> {
        match self {
            Self::Directory(directory) => write_private(&directory.join(name), octets),
            Self::Archive(archive) => {
                let options = SimpleFileOptions::default()
                    .compression_method(CompressionMethod::Deflated)
                    .last_modified_time(DateTime::default())
                    .unix_permissions(0o600);
                archive.start_file(name, options)?;
                archive.write_all(octets)
            }
        }
    }

    /// Ends an archive, with the index in it.
    fn finish(mut self, index: &[u8]) -> io::Result<()> {
        if let Self::Archive(_) = self {
            self.add(INDEX, index)?;
        }
        match self {
            Self::Directory(_) => Ok(()),
            Self::Archive(archive) => archive.finish()?.sync_all(),
        }
    }
}

/// A new file for its owner alone.
fn private(path: &Path) -> io::Result<fs::File> {
    let mut options = fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options.open(path)
}

fn write_private(path: &Path, octets: &[u8]) -> io::Result<()> {
    private(path)?.write_all(octets)
}

fn index(records: &[IndexLine]) -> io::Result<Vec<u8>> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    for line in records {
        writer.serialize(line)?;
    }
    writer.into_inner().map_err(csv::IntoInnerError::into_error)
}

/// Records the act. The index's digest ties each unit and each file to it.
fn note(site: &Site, wanted: &BookRecords<'_>, records: &[IndexLine], index: &[u8], who: &Who) -> Result<(), Trouble> {
    let name = wanted.out.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let units: Vec<&str> = records.iter().map(|line| line.unit.as_str()).collect();
    let mut body = json!({
        "what": wanted.which.words(), "records": records.len(), "index_sha256": hex::encode(digest(&SHA256, index)),
    });
    if units.len() <= IN_ENTRY {
        body["units"] = json!(units);
    } else {
        (body["first"], body["last"]) = (json!(units.first()), json!(units.last()));
    }
    let subject = match units.as_slice() {
        [one] => Subject::Unit(UnitSerial::new(one)?),
        _ => Subject::Other("records", name),
    };
    site.book.note("record.make", &subject, &body, &who.by())?;
    Ok(())
}
