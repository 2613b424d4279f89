//! Labels of units in the record book.

use base::course::Course;
use base::sentence::Names;
use base::trouble::Trouble;
use book::ids::UnitSerial;
use book::{LabelEvent, Subject, Unit, UnitState};
use custody::Passphrase;
use print::{LabelData, Press};
use serde_json::json;
use site::revoked::RevokedHere;
use site::{Site, Who, product};
use standard::moment::Moment;
use zeroize::Zeroizing;

use super::check::LabelCause;
use super::{Format, Job, PrintError, Printed, To, print_to};
use crate::chosen::Which;
use crate::unit::payload;
use crate::{chosen, unit};

/// Units recorded in one transaction: stations wait for the log no longer than that.
const AT_ONCE: usize = 100;

/// Labels of a PDF in memory, which has some kilobytes for each.
pub const MOST_IN_MEMORY: usize = 50_000;

/// What stands on a unit's label. Opens its passcode with the site key.
///
/// # Errors
///
/// [`Trouble`] where the passcode was erased, or the key is another site's.
pub(crate) fn of_unit(site: &Site, unit: &Unit, passphrase: Option<&Passphrase>) -> Result<LabelData, Trouble> {
    let payload = payload(site, unit, passphrase)?;
    let product = product::get(site, unit.product.as_str())?;
    let kept = product::kept(&product)?;
    let manual = payload
        .manual_code(payload.needs_long())
        .map_err(|e| Trouble::surroundings(e.to_string(), "Check the product's identifiers."))?;
    Ok(LabelData {
        unit: unit.serial.to_string(),
        qr: payload.qr_text().into(),
        manual: manual.digits().to_owned().into(),
        serial: unit.serial.to_string(),
        product: kept.product_name,
        // Without a name the line stays empty, as `product add` warns; nothing else stands in for it.
        vendor: kept.vendor_name.unwrap_or_else(|| " ".into()),
        vid: format!("{:04X}", product.facts.vendor_id),
        pid: format!("{:04X}", product.facts.product_id),
        test: product.facts.purpose == book::Purpose::Test,
        values: std::collections::BTreeMap::new(),
    })
}

/// Holds a scan against the label of a unit of the book, names the unit of this site whose label it is instead,
/// and records what came of it.
///
/// # Errors
///
/// [`Trouble`] where the unit has no label, or nothing was scanned.
pub fn check_of_book(
    site: &Site,
    unit: &str,
    scanned: &str,
    passphrase: Option<&Passphrase>,
    by: &book::By,
    now: Moment,
) -> Result<super::Checked, Trouble> {
    let serial = unit::typed(site, unit)?;
    let expected = chosen::named(site, &serial)?;
    // A returned unit still carries its label.
    let data = match expected.state {
        UnitState::Returned => of_unit(site, &expected, passphrase),
        _ => of_passed(site, &expected, passphrase),
    }?;
    let mut checked = super::check(scanned, &data, &[]).map_err(Trouble::of)?;
    if checked.is_match() && expected.state == UnitState::Returned {
        checked.advice =
            Some(format!("Unit {serial} was returned: see `touchmark unit show {serial}` before it is sold again."));
    }
    if checked.cause == Some(LabelCause::OtherCode) {
        let others = super::owners(site, scanned, passphrase, 2)?;
        if let Some(other) = others.iter().find(|other| other.as_str() != checked.unit) {
            checked.is_of(other.as_str());
        } else if expected.state == UnitState::Returned {
            checked.advice = Some(format!(
                "Put unit {serial} aside and call the engineer: it was returned, and its label can't be printed again."
            ));
        }
    }
    // A code in the wrong letters is the scanner's fault, and is told as that.
    if matches!(checked.cause, None | Some(LabelCause::OtherCode | LabelCause::OtherUnit))
        && let Some(what) = RevokedHere::of(site)?.of_chip(site, &expected.chip_id)?
    {
        checked.is_revoked(what);
    } else if checked.is_match() {
        let dac = site.book.chip_story(&expected.chip_id)?.and_then(|story| story.credential);
        let notice = dac.and_then(|dac| unit::not_current(&dac.certificate, now));
        checked.advice = checked.advice.take().or(notice);
    }
    let event = if checked.is_match() { LabelEvent::Checked } else { LabelEvent::Mismatched };
    site.book.record_label(&serial, event, by)?;
    Ok(checked)
}

/// A unit's label as SVG, its symbol read back first. It shows the passcode:
/// the showing is recorded before it happens.
///
/// - `why`: where it is shown.
///
/// # Errors
///
/// [`Trouble`] where the unit has no label, or one that would be refused.
pub fn svg(
    site: &Site,
    unit: &str,
    why: &str,
    passphrase: Option<&Passphrase>,
    by: &book::By,
) -> Result<Vec<u8>, Trouble> {
    let data = of_one(site, unit, passphrase)?;
    RevokedHere::of(site)?.refuse(site, &chosen::named(site, &UnitSerial::new(unit)?)?, "label")?;
    let subject = Subject::Unit(UnitSerial::new(unit)?);
    site.book.note("passcode.reveal", &subject, &json!({ "for": why }), by)?;
    let template = super::template("device").map_err(Trouble::of)?;
    let single = print::run::single(print::run::Single::Svg, &template, &data, &Press::default());
    Ok(single.map_err(|e| Trouble::of(PrintError::Run(e)))?.0)
}

/// Prints labels of the wanted units, and records of each that its label was printed, and by whom, before the
/// file is there: labels show passcodes.
///
/// - `course`: counts labels; it can be stopped until that is recorded.
///
/// # Errors
///
/// [`Trouble`] where a unit has no label, one is refused, or the file can't be written; then no file is there.
pub fn print_of_book(
    site: &Site,
    which: &Which<'_>,
    job: &Job,
    passphrase: Option<&Passphrase>,
    who: &Who,
    course: &Course,
) -> Result<Printed, Trouble> {
    let Gathered { data, left_out, check_failed } = gather(site, which, passphrase, course, usize::MAX)?;
    let passed_over = passed_over(site, which, job, &left_out, course)?;
    Ok(Printed { left_out, passed_over, check_failed, ..recorded(To::File, site, data, job, who, course)? })
}

/// The same as a PDF in memory, which no disk has seen. It holds at most [`MOST_IN_MEMORY`] labels.
///
/// # Errors
///
/// As [`print_of_book`], and where there are too many labels.
pub fn pdf_of_book(
    site: &Site,
    which: &Which<'_>,
    job: &Job,
    passphrase: Option<&Passphrase>,
    who: &Who,
    course: &Course,
) -> Result<(Printed, Zeroizing<Vec<u8>>), Trouble> {
    let most = MOST_IN_MEMORY / job.copies.max(1) as usize * job.carton.unwrap_or(1);
    let Gathered { data, left_out, check_failed } = gather(site, which, passphrase, course, most)?;
    let passed_over = passed_over(site, which, job, &left_out, course)?;
    let job = Job { format: Some(Format::Pdf), ..job.clone() };
    let mut octets = Zeroizing::new(Vec::new());
    let printed = recorded(To::Memory(&mut octets), site, data, &job, who, course)?;
    Ok((Printed { left_out, passed_over, check_failed, ..printed }, octets))
}

/// Units of a reel, a day or a site that lie in no carton, since they did not pass or have left. Cartons are filled in
/// the order of serial numbers, so that one that leaves later moves all that follow it by one place.
///
/// # Errors
///
/// [`Trouble`] where a unit that passed has no passcode: its place in a carton can't be left out unseen.
fn passed_over(
    site: &Site,
    which: &Which<'_>,
    job: &Job,
    left_out: &[String],
    course: &Course,
) -> Result<Vec<String>, Trouble> {
    let mut others = Vec::new();
    if job.carton.is_none() || matches!(which, Which::Units(_)) {
        return Ok(others);
    }
    if !left_out.is_empty() {
        return Err(Trouble::refused(
            format!(
                "these units passed and have no passcode in the book, so it can't be known what lies in which carton: {}",
                left_out.iter().collect::<Names>()
            ),
            "Name the units of each carton: `touchmark label print UNIT… --carton N`. Nothing was printed.",
        ));
    }
    which.each(site, None, course, &mut |unit| {
        if unit.state != UnitState::Passed {
            others.push(unit.serial.to_string());
        }
        Ok(())
    })?;
    if let (Which::Packed(packed), false) = (which, others.is_empty()) {
        return Err(Trouble::refused(
            format!(
                "units of {} {} came back or were scrapped: {}",
                packed.kind,
                packed.name,
                others.iter().collect::<Names>()
            ),
            "Take them out with `touchmark carton unpack`, then print its label. Nothing was printed.",
        ));
    }
    Ok(others)
}

/// Records that labels that were printed into memory go out to somebody: each time they do.
///
/// - `file`: what the file is called there.
/// - `what`: of which units, in words.
///
/// # Errors
///
/// [`Trouble`] where the book gave no answer; nothing is to be handed over then.
pub fn handed_over(site: &Site, file: &str, what: &str, labels: u64, who: &Who) -> Result<(), Trouble> {
    let body = json!({ "labels": labels, "what": what });
    site.book.note("label.hand-over", &Subject::Other("labels", file.to_owned()), &body, &who.by())?;
    Ok(())
}

fn recorded(
    to: To<'_>,
    site: &Site,
    data: Vec<LabelData>,
    job: &Job,
    who: &Who,
    course: &Course,
) -> Result<Printed, Trouble> {
    let units = data.iter().map(|d| UnitSerial::new(&d.unit)).collect::<Result<Vec<_>, _>>()?;
    let settle = || {
        course.committing(units.len() as u64);
        if let Some(size) = job.carton {
            // The label of a carton is no unit's own, but it shows the passcodes of all that lie in it.
            for some in units.chunks(size.max(1)) {
                let names: Vec<&str> = some.iter().map(UnitSerial::as_str).collect();
                let carton = names.first().map_or_else(String::new, |first| format!("from {first}"));
                let subject = Subject::Other("carton", carton);
                site.book.note("label.carton", &subject, &json!({ "units": names }), &who.by())?;
                course.advance(some.len() as u64);
            }
            return Ok(());
        }
        for some in units.chunks(AT_ONCE) {
            site.book.record_labels(some, LabelEvent::Printed, &who.by())?;
            course.advance(some.len() as u64);
        }
        Ok(())
    };
    print_to(to, job, data.into_iter().map(Ok::<_, PrintError>), course, settle).map_err(|e| match e {
        PrintError::Stopped(stopped) => stopped.into(),
        PrintError::Record(trouble) => trouble,
        other => Trouble::of(other),
    })
}

/// What stands on the label of one unit.
///
/// # Errors
///
/// [`Trouble`] where there is no such unit, it has not passed, or it has no code any more.
pub fn of_one(site: &Site, unit: &str, passphrase: Option<&Passphrase>) -> Result<LabelData, Trouble> {
    of_passed(site, &chosen::named(site, &UnitSerial::new(unit)?)?, passphrase)
}

fn of_passed(site: &Site, unit: &Unit, passphrase: Option<&Passphrase>) -> Result<LabelData, Trouble> {
    if unit.state != UnitState::Passed {
        return Err(Trouble::refused(
            format!("unit {} is {}, but only a unit that passed gets a label", unit.serial, unit.state.word()),
            match unit.state {
                UnitState::Scrapped => "Destroy its labels: a scrapped unit is never sold.",
                UnitState::Returned => "A returned unit keeps its label and gets no other.",
                _ => "Provision it first.",
            },
        )
        .about("units"));
    }
    of_unit(site, unit, passphrase)
}

/// What goes on labels.
#[derive(Default)]
struct Gathered {
    data: Vec<LabelData>,
    /// Units without a passcode in the book.
    left_out: Vec<String>,
    /// Units whose last check at a station failed.
    check_failed: Vec<String>,
}

/// What stands on the labels of those of the units that passed, and which of them have no passcode in the book; who is
/// named must have both. A revoked one refuses all.
///
/// - `most`: units at most; more are refused as soon as they show.
fn gather(
    site: &Site,
    which: &Which<'_>,
    passphrase: Option<&Passphrase>,
    course: &Course,
    most: usize,
) -> Result<Gathered, Trouble> {
    let Gathered { mut data, mut left_out, mut check_failed } = Gathered::default();
    let (revoked_here, failed) = (RevokedHere::of(site)?, unit::checks_failed(site, None)?);
    which.each(site, Some(UnitState::Passed), course, &mut |unit| {
        if data.len() == most {
            return Err(Trouble::usage(
                format!("these are more than {most} units, but one PDF here has at most {MOST_IN_MEMORY} labels"),
                "Print them by reel or by day, or all at once with `touchmark label print`.",
            ));
        }
        revoked_here.refuse(site, &unit, "label")?;
        let has_code = unit.onboarding.as_ref().is_some_and(|data| data.passcode.is_some());
        if !has_code && !matches!(which, Which::Units(_)) {
            left_out.push(unit.serial.to_string());
            return Ok(());
        }
        data.push(of_passed(site, &unit, passphrase)?);
        if failed.contains(&unit.serial) {
            check_failed.push(unit.serial.to_string());
        }
        Ok(())
    })?;
    if data.is_empty() && !left_out.is_empty() {
        return Err(Trouble::refused(
            format!("no unit of these has a passcode in the book: {}", left_out.iter().collect::<Names>()),
            "They keep the labels that they have: a passcode that was erased, or that a unit was adopted without, can't be \
             printed again.",
        ));
    }
    if data.is_empty() {
        return Err(Trouble::refused(
            format!("of {}, none has passed, so there is no label to print", which.words()),
            "Check the reel or the time: `touchmark unit list` shows units and where they stand.",
        ));
    }
    Ok(Gathered { data, left_out, check_failed })
}
