//! What is asked on the secure session, one question a function.

use std::fmt::Display;

use standard::interaction::cluster::{basic, commissioning, credentials};
use standard::interaction::invoke::{self, CommandPath, Outcome};
use standard::interaction::read::{self, ReportData};
use standard::interaction::{read_status_response, status, status_response};
use standard::session::{Message, opcode, protocol};
use standard::tlv::{FieldError, Fields, Value, Writer};
use standard::verdict::catalogue::meet as rules;
use standard::verdict::{Finding, Severity};

use super::Device;
use super::talk::{Failed, Talk, status_of, unexpected};

const INTERACTION: u32 = protocol::INTERACTION;
/// Parts of a report that are taken: one would do for nine attributes.
const MOST_PARTS: usize = 32;

fn reply(what: &str, found: impl Display) -> Finding {
    Finding::new(&rules::REPLY, format!("{what}: {found}"))
}

/// Another message than the one wanted: a status, mostly.
fn other(message: &Message<'_>, what: &str, wanted: &str) -> Finding {
    if message.is(INTERACTION, opcode::STATUS_RESPONSE) {
        let said = read_status_response(message.payload).map_or_else(|e| e.to_string(), status::words);
        return reply(what, said);
    }
    match status_of(message) {
        Some(Ok(report)) => reply(what, format!("a status report: {report}")),
        Some(Err(finding)) => finding,
        None => unexpected(message, wanted),
    }
}

/// Invokes one command and reads the command that answers.
fn invoke<T>(
    talk: &mut Talk<'_>,
    what: &str,
    (path, answer): (CommandPath, CommandPath),
    fill: impl FnOnce(&mut Writer),
    read: impl Fn(&Fields<'_>) -> Result<T, FieldError>,
) -> Result<T, Failed> {
    let payload = invoke::request(path, fill);
    let mut turn = talk.begin();
    let answered = talk.ask(&mut turn, (INTERACTION, opcode::INVOKE_REQUEST, &payload), &mut |message| {
        if !message.is(INTERACTION, opcode::INVOKE_RESPONSE) {
            return Err(other(message, what, "InvokeResponse"));
        }
        let outcomes = invoke::read_response(message.payload).map_err(|e| reply(what, e))?;
        match outcomes.first() {
            Some(Outcome::Answered(path, fields)) if *path == answer => read(fields).map_err(|e| reply(what, e)),
            Some(Outcome::Answered(path, _)) => {
                Err(reply(what, format!("command {:02X} of cluster {:04X} in answer", path.command, path.cluster)))
            }
            Some(Outcome::Status(_, code, own)) => {
                let own = own.map_or_else(String::new, |own| format!(", cluster status {own:02X}"));
                Err(reply(what, format!("{}{own}", status::words(*code))))
            }
            None => Err(reply(what, "an answer to no command")),
        }
    });
    talk.acknowledge(&mut turn)?;
    answered
}

/// Arms the fail-safe for so many seconds; 0 disarms it and undoes all. Gives the unit's error, 0 for none, in words.
pub fn arm(talk: &mut Talk<'_>, seconds: u16) -> Result<(u8, String), Failed> {
    let paths = (commissioning::ARM_FAIL_SAFE, commissioning::ARM_FAIL_SAFE_RESPONSE);
    let fill = |w: &mut Writer| commissioning::arm(w, seconds, 0);
    let (error, text) = invoke(talk, "ArmFailSafe", paths, fill, commissioning::read_armed)?;
    let text = if text.is_empty() { text } else { format!(" ({text:?})") };
    Ok((error, format!("{}{text}", commissioning::words(error))))
}

/// A certificate, as the unit sends it.
pub fn certificate(talk: &mut Talk<'_>, which: credentials::Which) -> Result<Vec<u8>, Failed> {
    let paths = (credentials::CHAIN_REQUEST, credentials::CHAIN_RESPONSE);
    let fill = |w: &mut Writer| credentials::chain(w, which);
    invoke(talk, "CertificateChainRequest", paths, fill, credentials::read_certificate)
}

/// Elements and signature, over them and the session's challenge.
pub fn attestation(talk: &mut Talk<'_>, nonce: &[u8; 32]) -> Result<(Vec<u8>, Vec<u8>), Failed> {
    let paths = (credentials::ATTESTATION_REQUEST, credentials::ATTESTATION_RESPONSE);
    invoke(talk, "AttestationRequest", paths, |w| credentials::nonce(w, nonce), credentials::read_signed)
}

/// The same of a certification request for a fresh key.
pub fn request(talk: &mut Talk<'_>, nonce: &[u8; 32]) -> Result<(Vec<u8>, Vec<u8>), Failed> {
    let paths = (credentials::CSR_REQUEST, credentials::CSR_RESPONSE);
    invoke(talk, "CSRRequest", paths, |w| credentials::nonce(w, nonce), credentials::read_signed)
}

/// One attribute's value, out of a report.
enum Read {
    Text(String),
    Number(u64),
    Other(&'static str),
    Status(u8),
}

/// Reads basic information. What is missing or of another type is found; the serial number may be missing.
pub fn basic_information(talk: &mut Talk<'_>, findings: &mut Vec<Finding>) -> Result<Device, Failed> {
    let paths = basic::ASKED.map(basic::path);
    let mut values: Vec<(u32, Read)> = Vec::new();
    let mut turn = talk.begin();
    let (mut question, mut kind) = (read::request(&paths), opcode::READ_REQUEST);
    for _ in 0..MOST_PARTS {
        let part = talk.ask(&mut turn, (INTERACTION, kind, &question), &mut |message| {
            if !message.is(INTERACTION, opcode::REPORT_DATA) {
                return Err(other(message, "ReadRequest", "ReportData"));
            }
            let data = ReportData::read(message.payload).map_err(|e| reply("ReportData", e))?;
            for report in data.reports.iter().filter(|r| paths.contains(&r.path)) {
                let value = match report.value {
                    Ok(Value::Utf8(text)) => Read::Text(text.to_owned()),
                    Ok(Value::Unsigned(number)) => Read::Number(number),
                    Ok(other) => Read::Other(other.kind()),
                    Err(status) => Read::Status(status),
                };
                values.push((report.path.attribute, value));
            }
            Ok((data.more, data.suppress))
        });
        match part {
            Ok((true, _)) => (question, kind) = (status_response(status::SUCCESS), opcode::STATUS_RESPONSE),
            Ok((false, suppress)) => {
                if !suppress {
                    let thanks = status_response(status::SUCCESS);
                    talk.tell(&mut turn, (INTERACTION, opcode::STATUS_RESPONSE, &thanks), talk.patience())?;
                }
                talk.acknowledge(&mut turn)?;
                return Ok(device(values, findings));
            }
            Err(failed) => {
                talk.acknowledge(&mut turn)?;
                return Err(failed);
            }
        }
    }
    talk.acknowledge(&mut turn)?;
    Err(Failed::Refused(Box::new(reply("ReportData", format!("more than {MOST_PARTS} parts")))))
}

fn device(values: Vec<(u32, Read)>, findings: &mut Vec<Finding>) -> Device {
    let mut values = values;
    let mut take = |attribute: u32| {
        let at = values.iter().position(|(number, _)| *number == attribute)?;
        Some(values.swap_remove(at).1)
    };
    let mut text = |attribute: u32, name: &str, longest: usize| match take(attribute) {
        Some(Read::Text(text)) if text.len() <= longest => Ok(Some(text)),
        Some(Read::Text(text)) => Err(format!("{name} of {} bytes, more than {longest}", text.len())),
        Some(Read::Number(_)) => Err(format!("{name} is an unsigned integer, not a UTF-8 string")),
        Some(Read::Other(kind)) => Err(format!("{name} is {kind}, not a UTF-8 string")),
        Some(Read::Status(code)) if attribute == basic::SERIAL_NUMBER && code == status::UNSUPPORTED_ATTRIBUTE => {
            Ok(None)
        }
        Some(Read::Status(code)) => Err(format!("{name}: {}", status::words(code))),
        None if attribute == basic::SERIAL_NUMBER => Ok(None),
        None => Err(format!("{name} is missing")),
    };
    let texts = [
        text(basic::VENDOR_NAME, "the vendor name", 32),
        text(basic::PRODUCT_NAME, "the product name", 32),
        text(basic::SERIAL_NUMBER, "the serial number", 32),
        text(basic::SOFTWARE_VERSION_STRING, "the software version's text", 64),
    ];
    let mut number = |attribute: u32, name: &str, most: u64| match take(attribute) {
        Some(Read::Number(number)) if number <= most => Ok(Some(number)),
        Some(Read::Number(number)) => Err(format!("{name} is {number}, more than {most}")),
        Some(Read::Text(_)) => Err(format!("{name} is a UTF-8 string, not an unsigned integer")),
        Some(Read::Other(kind)) => Err(format!("{name} is {kind}, not an unsigned integer")),
        Some(Read::Status(code)) => Err(format!("{name}: {}", status::words(code))),
        None => Err(format!("{name} is missing")),
    };
    let numbers = [
        number(basic::VENDOR_ID, "the vendor ID", 0xFFFF),
        number(basic::PRODUCT_ID, "the product ID", 0xFFFF),
        number(basic::HARDWARE_VERSION, "the hardware version", 0xFFFF),
        number(basic::SOFTWARE_VERSION, "the software version", 0xFFFF_FFFF),
    ];
    let found = |fault: String| reply("basic information", fault);
    let [vendor_name, product_name, serial_number, software_version_string] = texts.map(|read| {
        read.unwrap_or_else(|fault| {
            findings.push(found(fault));
            None
        })
    });
    let [vendor_id, product_id, hardware_version, software_version] = numbers.map(|read| {
        read.unwrap_or_else(|fault| {
            findings.push(found(fault));
            None
        })
    });
    if serial_number.is_none() {
        let note = Finding::new(&rules::SERIAL, "no serial number").weighing(Severity::Note);
        findings.push(note.advising("Nothing to do: a unit need not report its serial number."));
    }
    Device {
        vendor_id: vendor_id.and_then(|n| u16::try_from(n).ok()),
        product_id: product_id.and_then(|n| u16::try_from(n).ok()),
        vendor_name,
        product_name,
        serial_number,
        hardware_version: hardware_version.and_then(|n| u16::try_from(n).ok()),
        software_version: software_version.and_then(|n| u32::try_from(n).ok()),
        software_version_string,
    }
}
