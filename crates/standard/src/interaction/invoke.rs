//! Invoking commands (Core Spec 8.8, 10.6.11 to 10.6.13).

use super::message;
use crate::tlv::{Container, FieldError, Fields, Tag, Writer};

/// One command of a device.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CommandPath {
    pub endpoint: u16,
    pub cluster: u32,
    pub command: u32,
}

impl CommandPath {
    fn write(&self, writer: &mut Writer) {
        writer
            .open(Tag::Context(0), Container::List)
            .unsigned(Tag::Context(0), self.endpoint.into())
            .unsigned(Tag::Context(1), self.cluster.into())
            .unsigned(Tag::Context(2), self.command.into())
            .close();
    }

    fn read(fields: &Fields<'_>) -> Result<Self, FieldError> {
        Ok(Self {
            endpoint: fields.field(0, "endpoint").unsigned()?,
            cluster: fields.field(1, "cluster").unsigned()?,
            command: fields.field(2, "command").unsigned()?,
        })
    }
}

/// Writes an `InvokeRequest` of one command; `fill` writes its fields.
pub fn request(path: CommandPath, fill: impl FnOnce(&mut Writer)) -> Vec<u8> {
    message(|w| {
        w.bool(Tag::Context(0), false).bool(Tag::Context(1), false).open(Tag::Context(2), Container::Array);
        w.open(Tag::Anonymous, Container::Structure);
        path.write(w);
        w.open(Tag::Context(1), Container::Structure);
        fill(w);
        w.close().close().close();
    })
}

/// An `InvokeRequest` as a device reads it.
#[derive(Debug, Clone)]
pub struct Request<'a> {
    pub path: CommandPath,
    /// The command's fields; none where it has none.
    pub fields: Option<Fields<'a>>,
}

/// Reads an `InvokeRequest`: its commands.
///
/// # Errors
///
/// [`FieldError`], the first fault.
pub fn read_request(payload: &[u8]) -> Result<Vec<Request<'_>>, FieldError> {
    let fields = Fields::of_structure(payload)?;
    fields.field(0, "suppress response").boolean()?;
    fields.field(1, "timed request").boolean()?;
    let commands = fields.field(2, "invoke requests").array()?;
    commands
        .into_iter()
        .map(|command| {
            let command = Fields::of_structure(command)?;
            Ok(Request {
                path: CommandPath::read(&command.field(0, "path").list()?)?,
                fields: command.optional(1, "fields").map(|f| f.structure()).transpose()?,
            })
        })
        .collect()
}

/// What came of a command.
#[derive(Debug, Clone)]
pub enum Outcome<'a> {
    /// A command in answer, with its fields.
    Answered(CommandPath, Fields<'a>),
    /// A status, and the cluster's own where it says one.
    Status(CommandPath, u8, Option<u8>),
}

/// Reads an `InvokeResponse`: what came of each command.
///
/// # Errors
///
/// [`FieldError`], the first fault.
pub fn read_response(payload: &[u8]) -> Result<Vec<Outcome<'_>>, FieldError> {
    let responses = Fields::of_structure(payload)?.field(1, "invoke responses").array()?;
    responses
        .into_iter()
        .map(|response| {
            let either = Fields::of_structure(response)?;
            if let Some(command) = either.optional(0, "command") {
                let command = command.structure()?;
                let path = CommandPath::read(&command.field(0, "path").list()?)?;
                return Ok(Outcome::Answered(path, command.field(1, "fields").structure()?));
            }
            let status = either.field(1, "status").structure()?;
            let path = CommandPath::read(&status.field(0, "path").list()?)?;
            let codes = status.field(1, "status").structure()?;
            let own = codes.optional(1, "cluster status").map(|code| code.unsigned()).transpose()?;
            Ok(Outcome::Status(path, codes.field(0, "status").unsigned()?, own))
        })
        .collect()
}

/// Writes an `InvokeResponse` with one command; `fill` writes its fields.
pub fn response(path: CommandPath, fill: impl FnOnce(&mut Writer)) -> Vec<u8> {
    message(|w| {
        w.bool(Tag::Context(0), false).open(Tag::Context(1), Container::Array);
        w.open(Tag::Anonymous, Container::Structure).open(Tag::Context(0), Container::Structure);
        path.write(w);
        w.open(Tag::Context(1), Container::Structure);
        fill(w);
        w.close().close().close().close();
    })
}

/// Writes an `InvokeResponse` with a status.
pub fn status(path: CommandPath, status: u8) -> Vec<u8> {
    message(|w| {
        w.bool(Tag::Context(0), false).open(Tag::Context(1), Container::Array);
        w.open(Tag::Anonymous, Container::Structure).open(Tag::Context(1), Container::Structure);
        path.write(w);
        w.open(Tag::Context(1), Container::Structure).unsigned(Tag::Context(0), status.into()).close();
        w.close().close().close();
    })
}
