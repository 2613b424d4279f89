//! The answer: subjects, findings, the verdict.

use serde::Serialize;
use serde::ser::{SerializeStruct, Serializer};
use standard::certificate::Certificate;
use standard::moment::NO_END;
use standard::name::printable;
use standard::verdict::{Finding, Severity, Verdict};

use super::Kind;
use super::judge::has_error;
use super::roles::{Part, Player};

/// One thing judged.
#[derive(Debug)]
pub struct Subject {
    /// The file, with `#2` and on for further things in it.
    pub name: String,
    /// What it is.
    pub kind: Kind,
    /// Vendor ID, where it tells exactly one.
    pub vendor_id: Option<String>,
    /// Product ID, where it tells exactly one.
    pub product_id: Option<String>,
    /// Product IDs of a declaration.
    pub product_ids: Option<Vec<String>>,
    /// Certification type of a declaration.
    pub certification_type: Option<u64>,
    /// Subject key identifier in hex.
    pub subject_key_id: Option<String>,
    /// Serial number: content octets of its INTEGER in hex.
    pub serial: Option<String>,
    /// notBefore or thisUpdate.
    pub not_before: Option<String>,
    /// notAfter or nextUpdate; `None` where there is no well-defined end.
    pub not_after: Option<String>,
    /// The subject's name, or a list's issuer, in words.
    pub title: Option<String>,
    /// Whether it was given with `--trust` and stands here because a chain ends at it.
    pub trusted: bool,
    /// What is wrong with it, in the catalogue's order.
    pub findings: Vec<Finding>,
    /// Names of the files above it in its chain, nearest first.
    pub above: Vec<String>,
    /// Whether its chain ends at a trusted PAA.
    pub anchored: bool,
    chain: Vec<usize>,
}

impl Subject {
    pub(super) fn new(player: &Player, chain: Vec<usize>, anchored: bool, findings: Vec<Finding>) -> Self {
        let mut subject = Self {
            name: player.name.clone(),
            kind: Kind::Unknown,
            vendor_id: None,
            product_id: None,
            product_ids: None,
            certification_type: None,
            subject_key_id: None,
            serial: None,
            not_before: None,
            not_after: None,
            title: None,
            trusted: false,
            findings,
            above: Vec::new(),
            anchored,
            chain,
        };
        match &player.part {
            Part::Certificate(c, kind) => subject.certificate(c, *kind),
            Part::Broken(profile, _) => {
                subject.kind = match profile {
                    standard::certificate::Profile::Dac => Kind::Dac,
                    standard::certificate::Profile::Pai => Kind::Pai,
                    standard::certificate::Profile::Paa => Kind::Paa,
                };
            }
            Part::Declaration(d) => {
                subject.kind = Kind::Declaration;
                if let Ok(content) = &d.fields {
                    subject.vendor_id = content.vendor_id.map(|v| format!("{v:04X}"));
                    let ids = content.product_id_array.as_deref().unwrap_or_default();
                    if let [only] = ids {
                        subject.product_id = Some(format!("{only:04X}"));
                    }
                    subject.product_ids = Some(ids.iter().map(|id| format!("{id:04X}")).collect());
                    subject.title = content.certificate_id.as_deref().map(printable);
                    subject.certification_type = content.certification_type;
                }
                subject.subject_key_id = d.signer_key_id().map(hex::encode);
            }
            Part::Request(r) => {
                subject.kind = Kind::Request;
                subject.vendor_id = r.subject.identity.vendor().map(|v| v.to_string());
                subject.product_id = r.subject.identity.product().map(|v| v.to_string());
                subject.title = Some(r.subject.display(r.der()));
            }
            Part::List(l) => {
                subject.kind = Kind::RevocationList;
                subject.not_before = l.this_update.moment.map(|m| m.to_string());
                subject.not_after =
                    l.next_update.as_ref().and_then(|t| t.moment).filter(|m| *m != NO_END).map(|m| m.to_string());
                subject.title = Some(l.issuer.display(l.der()));
            }
            Part::Exchange(proof) => {
                subject.kind = Kind::Exchange;
                subject.title = proof.unit.as_deref().map(printable);
            }
            Part::Record(r) => {
                subject.kind = Kind::FactoryRecord;
                subject.vendor_id = Some(r.vendor_id.to_string());
                subject.product_id = Some(r.product_id.to_string());
                subject.title = Some(format!(
                    "serial number {}, {} {}, discriminator {}, {} iterations",
                    r.serial_number,
                    r.vendor_name,
                    r.product_name,
                    r.discriminator,
                    r.iterations.get()
                ));
            }
            Part::Key => subject.kind = Kind::DeclarationSigner,
            Part::Unknown => {}
        }
        subject
    }

    fn certificate(&mut self, c: &Certificate, kind: Kind) {
        self.kind = kind;
        self.vendor_id = c.subject.identity.vendor().map(|v| v.to_string());
        self.product_id = c.subject.identity.product().map(|v| v.to_string());
        self.subject_key_id = c.subject_key_id().map(hex::encode);
        self.serial = Some(c.serial_hex());
        self.not_before = c.not_before.moment.map(|m| m.to_string());
        self.not_after = c.not_after.moment.filter(|m| *m != NO_END).map(|m| m.to_string());
        self.title = Some(c.subject.display(c.der()));
    }

    pub(super) fn trusted_beside(mut self) -> Self {
        self.trusted = true;
        self
    }

    pub(super) fn name_those_above(&mut self, names: &[String]) {
        self.above = self.chain.iter().filter_map(|index| names.get(*index).cloned()).collect();
    }

    /// Accepted, as far as its own findings go.
    pub fn verdict(&self) -> Verdict {
        if has_error(&self.findings) { Verdict::Rejected } else { Verdict::Accepted }
    }
}

impl Serialize for Subject {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut s = serializer.serialize_struct("Subject", 13)?;
        s.serialize_field("name", &self.name)?;
        s.serialize_field("kind", self.kind.word())?;
        s.serialize_field("verdict", self.verdict().word())?;
        s.serialize_field("vendor_id", &self.vendor_id)?;
        s.serialize_field("product_id", &self.product_id)?;
        if let Some(ids) = &self.product_ids {
            s.serialize_field("product_ids", ids)?;
        }
        s.serialize_field("subject_key_id", &self.subject_key_id)?;
        s.serialize_field("serial", &self.serial)?;
        s.serialize_field("not_before", &self.not_before)?;
        s.serialize_field("not_after", &self.not_after)?;
        s.serialize_field("title", &self.title)?;
        if !self.above.is_empty() {
            s.serialize_field("issued_by", &self.above)?;
        }
        s.end()
    }
}

/// How many findings there are of each weight.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counts {
    /// Errors.
    pub errors: usize,
    /// Warnings.
    pub warnings: usize,
    /// Notes.
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

struct FindingView<'a>(&'a Subject, &'a Finding);

impl Serialize for FindingView<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let Self(subject, finding) = self;
        let mut s = serializer.serialize_struct("Finding", 7)?;
        s.serialize_field("rule", finding.rule.name)?;
        s.serialize_field("severity", finding.severity.word())?;
        s.serialize_field("subject", &subject.name)?;
        s.serialize_field("clause", finding.rule.clause)?;
        s.serialize_field("required", &finding.required)?;
        s.serialize_field("found", &finding.found)?;
        s.serialize_field("advice", &finding.advice)?;
        s.end()
    }
}

impl Serialize for Examination {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        struct Findings<'a>(&'a Examination);
        impl Serialize for Findings<'_> {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_seq(self.0.findings().map(|(s, f)| FindingView(s, f)))
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
