//! The answer: subjects, findings, the verdict.

use std::fmt::Display;
use std::sync::Arc;

use base::finding_view::FindingView;
use serde::Serialize;
use serde::ser::{SerializeStruct, Serializer};
use standard::certificate::{Certificate, Profile};
use standard::moment::{Moment, NO_END};
use standard::name::{Identity, printable};
use standard::verdict::{Finding, Severity, Verdict};

use super::Kind;
use super::judge::has_error;
use super::roles::Part;

/// One thing judged. What it tells is put into words where it is shown: there may be a
/// hundred thousand.
#[derive(Debug)]
pub struct Subject {
    /// The file, with `#2` and on for further things in it.
    pub name: Box<str>,
    pub kind: Kind,
    /// Vendor ID, where it tells exactly one. A declaration may tell one that no device has.
    pub vendor_id: Option<u64>,
    /// Product ID, where it tells exactly one.
    pub product_id: Option<u64>,
    /// What only a declaration tells.
    pub declared: Option<Box<Declared>>,
    pub subject_key_id: Option<Box<[u8]>>,
    /// Serial number: content octets of its INTEGER.
    pub serial: Option<Box<[u8]>>,
    pub not_before: Option<Moment>,
    /// notAfter or nextUpdate; `None` where there is no well-defined end.
    pub not_after: Option<Moment>,
    /// The subject's name, or a list's issuer, in words.
    pub title: Option<Box<str>>,
    /// Whether it was given with `--trust` and stands here because a chain ends at it.
    pub trusted: bool,
    /// What is wrong with it, in the catalogue's order.
    pub findings: Vec<Finding>,
    /// Names of the files above it in its chain, nearest first.
    pub above: Arc<[String]>,
    /// Whether its chain ends at a trusted PAA.
    pub anchored: bool,
}

/// What only a declaration tells.
#[derive(Debug)]
pub struct Declared {
    pub product_ids: Vec<u64>,
    pub certification_type: Option<u64>,
}

/// A vendor or product ID in upper-case hexadecimal digits: four, or more where a declaration tells what is none.
pub fn id_digits(id: u64) -> String {
    format!("{id:04X}")
}

impl Subject {
    pub(super) fn new(name: Box<str>, part: &Part, findings: Vec<Finding>) -> Self {
        let mut subject = Self {
            name,
            kind: Kind::Unknown,
            vendor_id: None,
            product_id: None,
            declared: None,
            subject_key_id: None,
            serial: None,
            not_before: None,
            not_after: None,
            title: None,
            trusted: false,
            findings,
            above: Arc::default(),
            anchored: false,
        };
        subject.tell(part);
        subject
    }

    fn tell(&mut self, part: &Part) {
        match part {
            Part::Certificate(c, kind) => self.certificate(c, *kind),
            Part::Broken(profile, _) => {
                self.kind = match profile {
                    Profile::Dac => Kind::Dac,
                    Profile::Pai => Kind::Pai,
                    Profile::Paa => Kind::Paa,
                };
            }
            Part::Declaration(d) => {
                self.kind = Kind::Declaration;
                if let Ok(content) = &d.fields {
                    let product_ids = content.product_id_array.clone().unwrap_or_default();
                    self.vendor_id = content.vendor_id;
                    self.product_id = if let [only] = *product_ids { Some(only) } else { None };
                    self.title = content.certificate_id.as_deref().map(|id| printable(id).into());
                    let certification_type = content.certification_type;
                    self.declared = Some(Box::new(Declared { product_ids, certification_type }));
                }
                self.subject_key_id = d.signer_key_id().map(Into::into);
            }
            Part::Request(r) => {
                self.kind = Kind::Request;
                self.identity(&r.subject.identity);
                self.title = Some(r.subject.display(r.der()).into());
            }
            Part::List(l) => {
                self.kind = Kind::RevocationList;
                self.not_before = l.this_update.moment;
                self.not_after = l.next_update.as_ref().and_then(|t| t.moment).filter(|m| *m != NO_END);
                self.title = Some(l.issuer.display(l.der()).into());
            }
            Part::Exchange(proof) => {
                self.kind = Kind::Exchange;
                self.title = proof.unit.as_deref().map(|unit| printable(unit).into());
            }
            Part::Record(r) => {
                self.kind = Kind::FactoryRecord;
                self.vendor_id = Some(u64::from(r.vendor_id.get()));
                self.product_id = Some(u64::from(r.product_id.get()));
                let title = format!(
                    "serial number {}, {} {}, discriminator {}, {} iterations",
                    r.serial_number,
                    r.vendor_name,
                    r.product_name,
                    r.discriminator,
                    r.iterations.get()
                );
                self.title = Some(title.into());
            }
            Part::Key => self.kind = Kind::DeclarationSigner,
            Part::Dac(_) | Part::Unknown => {}
        }
    }

    fn identity(&mut self, identity: &Identity) {
        self.vendor_id = identity.vendor().map(|v| u64::from(v.get()));
        self.product_id = identity.product().map(|p| u64::from(p.get()));
    }

    fn certificate(&mut self, c: &Certificate, kind: Kind) {
        self.kind = kind;
        self.identity(&c.subject.identity);
        self.subject_key_id = c.subject_key_id().map(Into::into);
        self.serial = Some(c.serial().into());
        self.not_before = c.not_before.moment;
        self.not_after = c.not_after.moment.filter(|m| *m != NO_END);
        self.title = Some(c.subject.display(c.der()).into());
    }

    pub(super) fn trusted_beside(mut self) -> Self {
        self.trusted = true;
        self
    }

    /// With its chain.
    pub(super) fn under(mut self, above: Arc<[String]>, anchored: bool) -> Self {
        (self.above, self.anchored) = (above, anchored);
        self
    }

    /// The serial number in hex.
    pub fn serial_hex(&self) -> Option<String> {
        self.serial.as_deref().map(hex::encode)
    }

    /// Accepted, as far as its own findings go.
    pub fn verdict(&self) -> Verdict {
        if has_error(&self.findings) { Verdict::Rejected } else { Verdict::Accepted }
    }
}

/// Something as its words.
struct Words<T>(T);

impl<T: Display> Serialize for Words<T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(&self.0)
    }
}

impl Serialize for Subject {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut s = serializer.serialize_struct("Subject", 13)?;
        s.serialize_field("name", &self.name)?;
        s.serialize_field("kind", self.kind.word())?;
        s.serialize_field("verdict", self.verdict().word())?;
        s.serialize_field("vendor_id", &self.vendor_id.map(id_digits))?;
        s.serialize_field("product_id", &self.product_id.map(id_digits))?;
        if let Some(declared) = &self.declared {
            let digits: Vec<String> = declared.product_ids.iter().copied().map(id_digits).collect();
            s.serialize_field("product_ids", &digits)?;
        }
        s.serialize_field("subject_key_id", &self.subject_key_id.as_deref().map(hex::encode))?;
        s.serialize_field("serial", &self.serial_hex())?;
        s.serialize_field("not_before", &self.not_before.map(Words))?;
        s.serialize_field("not_after", &self.not_after.map(Words))?;
        s.serialize_field("title", &self.title)?;
        if !self.above.is_empty() {
            s.serialize_field("issued_by", &*self.above)?;
        }
        s.end()
    }
}

/// How many findings there are of each weight.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counts {
    pub errors: usize,
    pub warnings: usize,
    pub notes: usize,
}

/// The answer.
#[derive(Debug)]
pub struct Examination {
    /// Rejected when any finding is an error.
    pub verdict: Verdict,
    /// Whether every chain ends at a PAA named as trusted.
    pub anchored: bool,
    /// What was judged, in the order given.
    pub subjects: Vec<Subject>,
}

impl Examination {
    pub(super) fn new(subjects: Vec<Subject>, anchored: bool) -> Self {
        let verdict = Verdict::on(subjects.iter().flat_map(|s| &s.findings));
        Self { verdict, anchored, subjects }
    }

    /// Findings with the subject they are on, subject by subject.
    pub fn findings(&self) -> impl Iterator<Item = (&Subject, &Finding)> {
        self.subjects.iter().flat_map(|s| s.findings.iter().map(move |f| (s, f)))
    }

    /// How many findings there are of each weight.
    pub fn counts(&self) -> Counts {
        let mut counts = Counts::default();
        for (_, finding) in self.findings() {
            match finding.severity {
                Severity::Error => counts.errors += 1,
                Severity::Warning => counts.warnings += 1,
                Severity::Note => counts.notes += 1,
            }
        }
        counts
    }
}

impl Serialize for Examination {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        struct Findings<'a>(&'a Examination);
        impl Serialize for Findings<'_> {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_seq(self.0.findings().map(|(s, f)| FindingView::of(&*s.name, f)))
            }
        }
        let mut s = serializer.serialize_struct("Examination", 4)?;
        s.serialize_field("verdict", self.verdict.word())?;
        s.serialize_field("anchored", &self.anchored)?;
        s.serialize_field("subjects", &self.subjects)?;
        s.serialize_field("findings", &Findings(self))?;
        s.end()
    }
}
