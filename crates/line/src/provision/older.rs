//! A chip that is blank in the book and holds an identity all the same: the book is older than the chip, as after
//! the restore of a backup.
//!
//! A station looks for that before it begins a unit, and stops: what the book would give such a chip is not what
//! is printed on its label. An operator who takes the chip over has its own identity adopted into the book.

use base::trouble::Trouble;
use book::ids::{ChipId, UnitSerial};
use book::{ChipState, Next, Onboarding};
use chip::{ChipSource, ObjectName, State};
use standard::certificate::Certificate;
use standard::factory_record::FactoryRecord;

use super::line::Line;
use super::one::{engineer, open};
use crate::station::{BOOK_OLDER, CODE_LOST, Failure, Identity};
use crate::unit::{AdoptedFrom, passcode_label};

/// What a chip that holds an identity comes to, before anything is done about it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Older {
    /// Its unit is adopted with the serial number that it has.
    Adopted,
    /// It waits for a word, and its number may be any that the book believes free.
    Waits,
}

/// Whether the book is older than a chip, and what comes of that.
///
/// # Errors
///
/// As [`look`].
pub(super) fn older(line: &Line<'_>, id: &chip::ChipId, source: &mut dyn ChipSource) -> Result<Option<Older>, Trouble> {
    let Ok(Looked::Held(held)) = look(line, id, &ChipId::new(id.as_str())?, source)? else { return Ok(None) };
    Ok(match held.adopt(line, id) {
        Ok(adoption) => adoption.serial.map(|_| Older::Adopted),
        Err(failure) => stops_the_line(&failure.cause).then_some(Older::Waits),
    })
}

/// Whether a chip with this cause may have a serial number that the book believes free, so that none is used.
pub(super) fn stops_the_line(cause: &str) -> bool {
    cause == BOOK_OLDER || cause == CODE_LOST
}

/// What a chip that the book believes to be blank holds of a unit.
pub(super) struct Held {
    /// Serial number of its DAC in hex; none where the chip holds a factory record alone.
    dac: Option<String>,
    /// Its factory record as it lies there, and as it reads.
    record: Option<(Vec<u8>, FactoryRecord)>,
    locked: bool,
}

/// What a look at a chip showed.
pub(super) enum Looked {
    /// It is as blank as the book says, or is no longer blank in the book.
    Blank,
    /// It holds an identity.
    Held(Box<Held>),
    /// It gave no answer: what the first attempt fails with.
    Silent(Failure),
}

/// What of it goes into the book.
pub(super) struct Adoption {
    /// The serial number in its factory record, where it has one that reads.
    pub(super) serial: Option<UnitSerial>,
    /// The DAC's serial number in hex.
    pub(super) dac: Option<String>,
    held: Option<(Vec<u8>, FactoryRecord)>,
}

impl Adoption {
    /// Where its onboarding data come from.
    pub(super) fn from(&self) -> AdoptedFrom {
        if self.held.is_some() { AdoptedFrom::Record } else { AdoptedFrom::NewCode }
    }

    /// What the operator has to know once the unit passed.
    ///
    /// - `listed`: whether its number was given, and not counted.
    pub(super) fn notice(&self, serial: &UnitSerial, listed: bool) -> String {
        let keep = if listed { "" } else { " To keep the number on the housing, give it with --serials." };
        match self.held {
            Some(_) => format!(
                "Unit {serial} was adopted as its chip says; the label that it has stays right. If it was scrapped, returned \
                 or revoked after the backup, do that again: the book can't know it."
            ),
            None => format!(
                "This unit is now {serial} and has a new passcode. Its earlier number and code are no longer valid. Reprint the \
                 label; if its firmware holds a factory record, make and flash that again.{keep}"
            ),
        }
    }

    /// What the station does about it.
    pub(super) fn identity(&self) -> Identity {
        Identity::Adopted { record: self.held.as_ref().map(|(octets, _)| octets.clone()) }
    }

    /// The onboarding data of the factory record, as they are; none where new ones are to be drawn.
    pub(super) fn onboarding(&self, line: &Line<'_>, serial: &UnitSerial) -> Result<Option<Onboarding>, Trouble> {
        let Some((_, record)) = &self.held else { return Ok(None) };
        let key = line.site.key(line.passphrase)?;
        let seal = |passcode: &standard::onboarding::Passcode| {
            key.seal(&passcode_label(serial.as_str()), &*passcode.password()).map_err(Trouble::from)
        };
        Ok(Some(Onboarding {
            discriminator: record.discriminator.get(),
            salt: record.salt.octets().to_vec(),
            iterations: record.iterations.get(),
            verifier: record.verifier.octets().to_vec(),
            passcode: record.passcode.as_ref().map(seal).transpose()?,
        }))
    }
}

/// The cause of a chip that has the key of another one in the book.
pub(super) const KEY_OF_ANOTHER: &str = "key-of-another";

/// Holds the key of a blank chip against the book. One that is another chip's there says that the manifest's ids and keys
/// don't belong together, as where one column was sorted without the other: such a chip is good, and is not scrapped.
fn own_key(
    line: &Line<'_>,
    id: &chip::ChipId,
    chip_id: &ChipId,
    chip: &mut dyn chip::Chip,
) -> Result<Result<(), Failure>, Trouble> {
    // What else is wrong with it is found, and told, in the attempt.
    let Ok(key) = chip.public_key() else { return Ok(Ok(())) };
    let Some(other) = line.site.book.chip_with_key(key.point())?.filter(|known| known.chip_id != *chip_id) else {
        return Ok(Ok(()));
    };
    if chip.identity().is_ok_and(|there| there.id != *id) {
        return Ok(Ok(()));
    }
    Ok(Err(Failure {
        cause: KEY_OF_ANOTHER.into(),
        detail: format!(
            "chip {id} has the key that the manifest gives for chip {} of reel {}; nothing was written, and no unit was begun",
            other.chip_id, other.reel
        ),
        advice: "Put it aside and call the engineer. The ids and keys of the manifest do not belong together, as where one \
                 column was sorted alone or a spreadsheet took digits off the ids: withdraw the reel with its deliveries, ask the chip maker for the manifest, and \
                 receive that. Once units of the reel have passed neither can be withdrawn: order other chips in the place of \
                 these. Where this is the only such chip, two chips answer with one key: use neither."
            .into(),
        next: Next::Rework,
    }))
}

/// Holds the key of a chip whose id is on no reel against the book: the manifest's id may have lost digits.
///
/// # Errors
///
/// The inner [`Failure`] says whose key it has there; nothing was written or reserved.
pub(super) fn by_key(
    line: &Line<'_>,
    id: &chip::ChipId,
    chip_id: &ChipId,
    source: &mut dyn ChipSource,
) -> Result<Result<(), Failure>, Trouble> {
    match source.open(id) {
        Ok(mut chip) => own_key(line, id, chip_id, chip.as_mut()),
        // What is wrong with it is found once its reel is here.
        Err(_) => Ok(Ok(())),
    }
}

/// Looks at a chip before a unit is begun for it.
///
/// # Errors
///
/// The inner [`Failure`] says why the chip must not be touched; nothing was written or reserved.
pub(super) fn look(
    line: &Line<'_>,
    id: &chip::ChipId,
    chip_id: &ChipId,
    source: &mut dyn ChipSource,
) -> Result<Result<Looked, Failure>, Trouble> {
    let opened = if line.restored { open(source, id) } else { source.open(id) };
    let there = match opened.and_then(|mut chip| Ok((chip.state()?, chip))) {
        Ok((State::Blank, mut chip)) => return Ok(own_key(line, id, chip_id, chip.as_mut())?.map(|()| Looked::Blank)),
        // Another station works on it or looks at it. The book says whose it is.
        Err(chip::ChipError::Held { .. }) if !line.restored => return Ok(Ok(Looked::Blank)),
        Ok(there) => Ok(there),
        Err(error) => Err(error),
    };
    // Asked only of chips that hold something, or don't answer: most are as blank as the book says.
    let Some(story) = line.site.book.chip_story(chip_id)? else { return Ok(Ok(Looked::Blank)) };
    let credential = story.credential.filter(|_| story.chip.state == ChipState::Blank && story.chip.reel == line.reel);
    let Some(credential) = credential else { return Ok(Ok(Looked::Blank)) };
    let (state, mut chip) = match there {
        Ok(there) => there,
        // In a restored book nobody knows what such a chip holds, so no unit is begun for it.
        Err(error) if line.restored => return Ok(Err(error.into())),
        Err(error) => return Ok(Ok(Looked::Silent(error.into()))),
    };
    let dac = match chip.read(&ObjectName::DAC) {
        Ok(Some(held)) if held == credential.certificate => Some(hex::encode(&credential.serial)),
        Ok(Some(held)) => return Ok(Err(another(id, &held, line.restored))),
        Ok(None) => None,
        // A write that was cut short left no identity.
        Err(chip::ChipError::Torn { .. } | chip::ChipError::NoSlot { .. }) => None,
        Err(error) if line.restored => return Ok(Err(error.into())),
        Err(error) => return Ok(Ok(Looked::Silent(error.into()))),
    };
    let record = chip
        .read(&ObjectName::FACTORY_RECORD)
        .ok()
        .flatten()
        .and_then(|octets| FactoryRecord::read(&octets).ok().map(|record| (octets, record)));
    if dac.is_none() && record.is_none() {
        return Ok(Ok(Looked::Blank));
    }
    Ok(Ok(Looked::Held(Box::new(Held { dac, record, locked: state == State::Locked }))))
}

fn another(id: &chip::ChipId, held: &[u8], restored: bool) -> Failure {
    let lost = if restored {
        ". The book was restored or a loss was accepted, so it may be of a unit that passed in the time that is lost, by a \
         delivery that is lost too"
    } else {
        ""
    };
    let serial = Certificate::read(held).ok().map(|dac| format!(", serial number {},", hex::encode(dac.serial())));
    Failure {
        cause: "used-chip".into(),
        detail: format!(
            "chip {id} already holds a certificate{} that is not the one in the book for it; nothing was written{lost}",
            serial.unwrap_or_default()
        ),
        advice: if restored {
            "This chip has been used before. Put it aside and call the engineer, who receives the lost delivery again."
        } else {
            "This chip has been used before. Put it aside and call the engineer."
        }
        .into(),
        next: Next::Rework,
    }
}

impl Held {
    /// As people read it: the chip, its DAC and, where it can be read, its serial number.
    fn words(&self, id: &chip::ChipId) -> String {
        let dac = self.dac.as_ref().map(|serial| format!("its certificate, serial number {serial}"));
        let record = match &self.record {
            Some((_, record)) => format!("a factory record of unit {}", record.serial_number),
            None => "no factory record that can be read".into(),
        };
        let holds = dac.into_iter().chain([record]).collect::<Vec<_>>().join(", and ");
        format!(
            "chip {id} already holds {holds}, but no unit in the book has the chip: your book is older than this chip"
        )
    }

    /// What is adopted.
    ///
    /// - `new_code`: draw new onboarding data where the chip's own can't be read.
    ///
    /// # Errors
    ///
    /// [`Failure`] where the operator has to say more first, or nothing can be adopted; the chip was not touched.
    pub(super) fn adopt(self, line: &Line<'_>, id: &chip::ChipId) -> Result<Adoption, Failure> {
        let stop = |cause: &str, detail: String, advice: &str| {
            Err(Failure { cause: cause.into(), detail, advice: advice.into(), next: Next::Rework })
        };
        if !line.take_over {
            return stop(
                BOOK_OLDER,
                self.words(id),
                "Nothing was changed. Put the unit aside. An engineer adopts what is on the chip with \
                 `touchmark provision … --take-over`.",
            );
        }
        if let Some((_, record)) = &self.record {
            let ids = (Some(record.vendor_id), Some(record.product_id));
            if ids != (line.judge.device.vendor, line.judge.device.product) {
                return stop(
                    "other-product",
                    format!(
                        "the factory record on chip {id} is of vendor {} and product {}, and reel {} is for product {}",
                        record.vendor_id, record.product_id, line.reel, line.product
                    ),
                    "Nothing was changed. Put the chip aside and call the engineer.",
                );
            }
            let serial =
                UnitSerial::new(&record.serial_number).map_err(|e| engineer("factory-record", e.to_string()))?;
            return Ok(Adoption { serial: Some(serial), dac: self.dac, held: self.record });
        }
        if !line.new_code {
            return stop(
                CODE_LOST,
                format!("{}. Its passcode is in no book any more", self.words(id)),
                "Nothing was changed. Keep the unit aside. To give it a new passcode, run this again with \
                 `--take-over --new-code`, then reprint its label. It gets a new serial number too; to keep the one on \
                 its housing, name that in a list for --serials.",
            );
        }
        if line.kept.factory_record && self.locked {
            return stop(
                CODE_LOST,
                format!("{}. The chip is locked, so it can take no new passcode", self.words(id)),
                "Nothing was changed. Find the lost part of the book, or scrap the chip with `touchmark chip scrap`.",
            );
        }
        Ok(Adoption { serial: None, dac: self.dac, held: None })
    }
}
