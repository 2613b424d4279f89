//! What the stand-in answers on an open session.

use std::collections::VecDeque;

use standard::interaction::cluster::{ROOT, basic, commissioning, credentials};
use standard::interaction::invoke::{self, CommandPath};
use standard::interaction::read::{self, Answer, AttributePath};
use standard::interaction::{status, status_response};
use standard::session::{Message, opcode, protocol};
use standard::tlv::Fields;

use super::engine::{Asked, StandIn};
use super::{Fault, attest};

const INTERACTION: u32 = protocol::INTERACTION;

impl StandIn {
    /// Takes a message of an open session.
    pub(super) fn interact(&mut self, asked: Asked, message: &Message<'_>) {
        match (message.protocol, message.opcode) {
            (INTERACTION, opcode::READ_REQUEST) => self.read(asked, message.payload),
            (INTERACTION, opcode::STATUS_RESPONSE) => self.next_part(asked),
            (INTERACTION, opcode::INVOKE_REQUEST) => self.invoke(asked, message.payload),
            (protocol, opcode) => {
                let found = format!("opcode {opcode:02X} of protocol {protocol:04X}");
                self.complain(asked.from, "Core Spec 8", "A message that a first meeting has.", found);
                self.status(asked, status::INVALID_ACTION);
            }
        }
    }

    fn status(&mut self, asked: Asked, status: u8) {
        self.reply(asked, INTERACTION, opcode::STATUS_RESPONSE, &status_response(status));
    }

    fn malformed(&mut self, asked: Asked, what: &str, fault: impl std::fmt::Display) {
        self.complain(asked.from, "Core Spec 10.7", "The elements that the message has.", format!("{what}: {fault}"));
        self.status(asked, status::INVALID_ACTION);
    }

    fn read(&mut self, asked: Asked, payload: &[u8]) {
        let paths = match read::read_request(payload) {
            Ok(paths) => paths,
            Err(fault) => return self.malformed(asked, "ReadRequest", fault),
        };
        let mut answers = Vec::new();
        for path in paths {
            // One that is left out of a report is what ReplyMissing shows.
            if !(self.fault == Some(Fault::ReplyMissing) && path.attribute == basic::VENDOR_ID) {
                answers.push((path, self.attribute(path)));
            }
        }
        let size = answers.len().div_ceil(self.report_parts).max(1);
        let mut parts: VecDeque<Vec<_>> = answers.chunks(size).map(<[_]>::to_vec).collect();
        if parts.is_empty() {
            parts.push_back(Vec::new());
        }
        if let Some(session) = &mut self.session {
            session.parts = Some((asked.exchange, parts));
        }
        self.next_part(asked);
        self.is_dead |= self.fault == Some(Fault::DiesRead);
    }

    /// Sends the next part of the report, or is content.
    fn next_part(&mut self, asked: Asked) {
        let parts = self.session.as_mut().and_then(|session| session.parts.as_mut());
        let part = parts.filter(|(exchange, _)| *exchange == asked.exchange);
        match part.and_then(|(_, parts)| parts.pop_front().map(|part| (part, !parts.is_empty()))) {
            Some((part, more)) => {
                let report = read::report_data(&part, more);
                self.reply(asked, INTERACTION, opcode::REPORT_DATA, &report);
            }
            None => self.acknowledge(asked),
        }
    }

    fn attribute(&self, path: AttributePath) -> Answer {
        let device = &self.played.device;
        if path.endpoint != ROOT {
            return Answer::Status(status::UNSUPPORTED_ENDPOINT);
        }
        if path.cluster != basic::CLUSTER {
            return Answer::Status(status::UNSUPPORTED_CLUSTER);
        }
        let text = |text: &Option<String>| text.clone().map(Answer::Text);
        let number = |number: Option<u32>| number.map(|n| Answer::Number(n.into()));
        let answer = match path.attribute {
            basic::VENDOR_NAME => text(&device.vendor_name),
            basic::VENDOR_ID => number(device.vendor_id.map(|id| self.changed_vendor(id).into())),
            basic::PRODUCT_NAME => text(&device.product_name),
            basic::PRODUCT_ID => number(device.product_id.map(|id| {
                if self.fault == Some(Fault::Identity) { u32::from(id.wrapping_add(1).max(1)) } else { id.into() }
            })),
            basic::HARDWARE_VERSION => number(device.hardware_version.map(u32::from)),
            basic::SOFTWARE_VERSION => {
                let next = u32::from(self.fault == Some(Fault::Firmware));
                number(device.software_version.map(|version| version.wrapping_add(next)))
            }
            basic::SOFTWARE_VERSION_STRING => {
                let suffix = if self.fault == Some(Fault::Firmware) { "-other" } else { "" };
                device.software_version_string.as_ref().map(|version| Answer::Text(format!("{version}{suffix}")))
            }
            basic::SERIAL_NUMBER => {
                let suffix = if self.fault == Some(Fault::Serial) { "X" } else { "" };
                device.serial_number.as_ref().map(|serial| Answer::Text(format!("{serial}{suffix}")))
            }
            _ => None,
        };
        answer.unwrap_or(Answer::Status(status::UNSUPPORTED_ATTRIBUTE))
    }

    /// Another of the four vendor IDs for tests, where that is the fault.
    fn changed_vendor(&self, id: u16) -> u16 {
        match (self.fault, id) {
            (Some(Fault::IdentityVendor), 0xFFF4) => 0xFFF3,
            (Some(Fault::IdentityVendor), _) => 0xFFF4,
            _ => id,
        }
    }

    fn invoke(&mut self, asked: Asked, payload: &[u8]) {
        let commands = match invoke::read_request(payload) {
            Ok(commands) => commands,
            Err(fault) => return self.malformed(asked, "InvokeRequest", fault),
        };
        let [command] = commands.as_slice() else {
            return self.malformed(asked, "InvokeRequest", format!("{} commands, not one", commands.len()));
        };
        if self.fault == Some(Fault::Reply) {
            return self.reply(asked, INTERACTION, opcode::INVOKE_RESPONSE, &[0x15, 0xFF, 0xFF]);
        }
        let none = Fields::of_structure(&[0x15, 0x18]).ok();
        let Some(fields) = command.fields.as_ref().or(none.as_ref()) else { return };
        let answer = self.command(asked, command.path, fields);
        let answer = answer.unwrap_or_else(|status| invoke::status(command.path, status));
        self.reply(asked, INTERACTION, opcode::INVOKE_RESPONSE, &answer);
        self.is_dead |= match self.fault {
            Some(Fault::DiesArmed) => command.path == commissioning::ARM_FAIL_SAFE,
            Some(Fault::DiesAttested) => command.path == credentials::ATTESTATION_REQUEST,
            Some(Fault::DiesCertificates) => {
                command.path == credentials::CHAIN_REQUEST
                    && credentials::read_chain(fields).is_ok_and(|w| w == Some(credentials::Which::Pai))
            }
            _ => false,
        };
    }

    /// The answer to a command, or the status in its place.
    fn command(&mut self, asked: Asked, path: CommandPath, fields: &Fields<'_>) -> Result<Vec<u8>, u8> {
        if path.endpoint != ROOT {
            return Err(status::UNSUPPORTED_ENDPOINT);
        }
        let odd = |this: &mut Self, fault: standard::tlv::FieldError| {
            let required = "The fields that the command has.";
            this.complain(asked.from, "Core Spec 11", required, format!("command {:02X}: {fault}", path.command));
            status::INVALID_COMMAND
        };
        if path == commissioning::ARM_FAIL_SAFE {
            let seconds = commissioning::read_arm(fields).map_err(|e| odd(self, e))?;
            let refused = seconds == 0 && self.fault == Some(Fault::LeftArmed);
            if let (Some(session), false) = (&mut self.session, refused) {
                session.is_armed = seconds > 0;
                session.was_armed |= seconds > 0;
            }
            let error = if refused { 4 } else { 0 };
            return Ok(invoke::response(commissioning::ARM_FAIL_SAFE_RESPONSE, |w| commissioning::armed(w, error, "")));
        }
        let Some((keys, is_armed, was_armed)) =
            self.session.as_ref().map(|s| (s.keys.clone(), s.is_armed, s.was_armed))
        else {
            return Err(status::INVALID_ACTION);
        };
        if path.cluster == credentials::CLUSTER && !was_armed {
            let required = "The fail-safe is armed before anything else is asked.";
            self.complain(asked.from, "Core Spec 5.5", required, format!("command {:02X} first", path.command));
        }
        match path {
            credentials::CHAIN_REQUEST => {
                let which = credentials::read_chain(fields).map_err(|e| odd(self, e))?;
                let which = which.ok_or(status::INVALID_COMMAND)?;
                if self.fault == Some(Fault::ReplyStatus) {
                    return Err(status::UNSUPPORTED_COMMAND);
                }
                let der = self.certificate(which);
                Ok(invoke::response(credentials::CHAIN_RESPONSE, |w| credentials::certificate(w, &der)))
            }
            credentials::ATTESTATION_REQUEST | credentials::CSR_REQUEST => {
                let nonce = credentials::read_nonce(fields).map_err(|e| odd(self, e))?;
                let (answer, signed) = if path == credentials::ATTESTATION_REQUEST {
                    let signed = self.played.attester.attest(&nonce, &keys.challenge, self.fault);
                    (credentials::ATTESTATION_RESPONSE, signed)
                } else if is_armed {
                    (credentials::CSR_RESPONSE, self.played.attester.request(&nonce, &keys.challenge, self.fault))
                } else {
                    return Err(status::FAIL_SAFE_REQUIRED);
                };
                let (elements, signature): attest::Answer = signed.map_err(|why| {
                    let required = "The chip of the stand-in signs.";
                    self.complain(asked.from, "Core Spec 6.2.3", required, why);
                    0x01
                })?;
                Ok(invoke::response(answer, |w| credentials::signed(w, &elements, &signature)))
            }
            CommandPath { cluster: credentials::CLUSTER | commissioning::CLUSTER, .. } => {
                Err(status::UNSUPPORTED_COMMAND)
            }
            _ => Err(status::UNSUPPORTED_CLUSTER),
        }
    }

    fn certificate(&self, which: credentials::Which) -> Vec<u8> {
        let (dac, pai) = (&self.played.dac, &self.played.pai);
        match (which, self.fault) {
            (credentials::Which::Dac, Some(Fault::DacEncoding)) => dac[..dac.len() / 2].to_vec(),
            (credentials::Which::Dac, Some(Fault::DacSubject)) => {
                let mut bent = dac.clone();
                if let Some(last) = bent.last_mut() {
                    *last ^= 1;
                }
                bent
            }
            (credentials::Which::Pai, Some(Fault::PaiEncoding)) => Vec::new(),
            (credentials::Which::Dac, _) | (credentials::Which::Pai, Some(Fault::PaiIsDac)) => dac.clone(),
            (credentials::Which::Pai, _) => pai.clone(),
        }
    }
}
