//! Reading attributes (Core Spec 8.4, 10.6.2, 10.7.2, 10.7.3).

use super::message;
use crate::tlv::{Container, FieldError, Fields, Tag, Value, Writer};

/// One attribute of a device.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct AttributePath {
    pub endpoint: u16,
    pub cluster: u32,
    pub attribute: u32,
}

impl AttributePath {
    fn write(&self, writer: &mut Writer, tag: Tag) {
        writer
            .open(tag, Container::List)
            .unsigned(Tag::Context(2), self.endpoint.into())
            .unsigned(Tag::Context(3), self.cluster.into())
            .unsigned(Tag::Context(4), self.attribute.into())
            .close();
    }

    fn read(fields: &Fields<'_>) -> Result<Self, FieldError> {
        Ok(Self {
            endpoint: fields.field(2, "endpoint").unsigned()?,
            cluster: fields.field(3, "cluster").unsigned()?,
            attribute: fields.field(4, "attribute").unsigned()?,
        })
    }
}

impl std::fmt::Display for AttributePath {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "endpoint {}, cluster {:04X}, attribute {:04X}", self.endpoint, self.cluster, self.attribute)
    }
}

/// Writes a `ReadRequest` for these attributes.
pub fn request(paths: &[AttributePath]) -> Vec<u8> {
    message(|w| {
        w.open(Tag::Context(0), Container::Array);
        paths.iter().for_each(|path| path.write(w, Tag::Anonymous));
        w.close().bool(Tag::Context(3), false);
    })
}

/// Reads a `ReadRequest`: the attributes asked for. One that leaves out where to look asks for more than we have.
///
/// # Errors
///
/// [`FieldError`], the first fault.
pub fn read_request(payload: &[u8]) -> Result<Vec<AttributePath>, FieldError> {
    let fields = Fields::of_structure(payload)?;
    fields.field(3, "fabric-filtered").boolean()?;
    let Some(paths) = fields.optional(0, "attribute requests") else { return Ok(Vec::new()) };
    paths.array()?.into_iter().map(|path| AttributePath::read(&Fields::of_list(path)?)).collect()
}

/// What a device says of one attribute.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Report<'a> {
    pub path: AttributePath,
    /// The value; of a container only that it is one. Or the status in its place.
    pub value: Result<Value<'a>, u8>,
}

/// A `ReportData`, or a part of one.
#[derive(Debug, Clone, PartialEq)]
pub struct ReportData<'a> {
    pub reports: Vec<Report<'a>>,
    /// Whether more follow on this exchange.
    pub more: bool,
    /// Whether it wants no answer.
    pub suppress: bool,
}

impl<'a> ReportData<'a> {
    /// Reads a payload.
    ///
    /// # Errors
    ///
    /// [`FieldError`], the first fault.
    pub fn read(payload: &'a [u8]) -> Result<Self, FieldError> {
        let fields = Fields::of_structure(payload)?;
        let set = |number, name| fields.optional(number, name).map_or(Ok(false), |field| field.boolean());
        let reports = fields.optional(1, "attribute reports").map_or(Ok(Vec::new()), |field| field.array())?;
        let reports = reports.into_iter().map(|report| {
            let either = Fields::of_structure(report)?;
            if let Some(status) = either.optional(0, "attribute status") {
                let status = status.structure()?;
                let path = AttributePath::read(&status.field(0, "path").list()?)?;
                return Ok(Report {
                    path,
                    value: Err(status.field(1, "status").structure()?.field(0, "status").unsigned()?),
                });
            }
            let data = either.field(1, "attribute data").structure()?;
            let path = AttributePath::read(&data.field(1, "path").list()?)?;
            Ok(Report { path, value: Ok(data.field(2, "value").value()?) })
        });
        Ok(Self {
            reports: reports.collect::<Result<_, FieldError>>()?,
            more: set(3, "more chunks")?,
            suppress: set(4, "suppress response")?,
        })
    }
}

/// What a device has to say of one attribute, for writing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    Text(String),
    Number(u64),
    /// In place of a value.
    Status(u8),
}

/// Writes a `ReportData` of these attributes.
pub fn report_data(answers: &[(AttributePath, Answer)], more: bool) -> Vec<u8> {
    message(|w| {
        w.open(Tag::Context(1), Container::Array);
        for (path, answer) in answers {
            w.open(Tag::Anonymous, Container::Structure);
            if let Answer::Status(status) = answer {
                w.open(Tag::Context(0), Container::Structure);
                path.write(w, Tag::Context(0));
                w.open(Tag::Context(1), Container::Structure).unsigned(Tag::Context(0), (*status).into()).close();
            } else {
                w.open(Tag::Context(1), Container::Structure).unsigned(Tag::Context(0), 1);
                path.write(w, Tag::Context(1));
                match answer {
                    Answer::Text(text) => w.utf8(Tag::Context(2), text),
                    Answer::Number(number) => w.unsigned(Tag::Context(2), *number),
                    Answer::Status(_) => w,
                };
            }
            w.close().close();
        }
        w.close();
        if more {
            w.bool(Tag::Context(3), true);
        } else {
            w.bool(Tag::Context(4), true);
        }
    })
}
