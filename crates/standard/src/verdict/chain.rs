//! The checks behind the rules across a chain.
//!
//! Findings on a PAI or PAA are made once per authority, not once per DAC
//! below it; those on a DAC say what is wrong between it and the authorities.

use super::catalogue::certificate::NOT_CURRENT;
use super::catalogue::chain::{
    ANCHOR, COMPLETE, ISSUER_NAME, KEY_ID, LENGTH, PRODUCT_ID, REVOKED, SAME_KEY, SIGNATURE, VALIDITY, VENDOR_ID,
};
use super::certificate::{judge_certificate, shown, test_identity, vendor_words};
use super::declaration::Device;
use super::held::{Listed, RevokedSerials};
use super::pool::{Link, Matching, Pool, SignatureState, self_signature};
use super::{Finding, Report, Rule, Severity};
use crate::certificate::{Certificate, Profile};
use crate::moment::Moment;

/// What the caller knows beside the certificates.
#[derive(Debug, Clone, Default)]
pub struct Context {
    /// Whether trusted PAAs were named: then only those count.
    pub trust_given: bool,
    /// What the device says it is.
    pub device: Device,
    /// Takes the place of the DAC's notBefore as the time of judging.
    pub at: Option<Moment>,
    /// The present, where it counts: a DAC that is not valid by then is reported.
    pub present: Option<Moment>,
    /// Whether the certificates arrive for chips: one with its issuer's key is then an error.
    pub arriving: bool,
    /// Revocation lists that hold, with the authority whose certificates each lists.
    pub revoked: Vec<RevokedSerials>,
}

/// Where in a chain a finding belongs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// On the certificate judged.
    Itself,
    /// On an authority of the pool.
    Authority(usize),
}

/// A certificate judged together with its chain.
#[derive(Debug, Clone)]
pub struct Judged {
    /// Findings on this certificate.
    pub findings: Vec<Finding>,
    /// Indices in the pool of the chain above it, nearest first.
    pub chain: Vec<usize>,
    /// Whether the chain ends at a trusted PAA.
    pub anchored: bool,
}

impl Pool {
    /// Judges a DAC: its own form, and the chain above it.
    pub fn judge_dac(&self, dac: &Certificate, context: &Context) -> Judged {
        let mut report = Report::new();
        judge_certificate(dac, Profile::Dac, &mut report);
        let link = self.link_at(dac, context.at.or(dac.not_before.moment));
        let chain = self.walk(link);
        let anchored = chain.last().is_some_and(|top| self.authorities()[*top].trusted);
        self.length(link, &chain, &mut report);
        match link {
            None => missing(context, "the PAI that issued it", dac, &mut report),
            Some(link) => {
                self.joint(dac, &link, &mut report);
                self.identifiers(dac, &link, context, &mut report);
                self.revoked(dac, &link, context, &mut report);
            }
        }
        self.times(Some(dac), &chain, context, &mut report);
        not_current(dac, context, &mut report);
        let severity = if context.arriving { Severity::Error } else { Severity::Warning };
        self.same_key(dac, Profile::Dac, &chain, severity, &mut report);
        if link.is_none() {
            claims(dac, context, &mut report);
            unanchored(context, "no chain above it", &mut report);
        }
        test_identity(dac, &mut report);
        Judged { findings: in_order(report), chain, anchored }
    }

    /// Judges one of the pool's own: its form, and its link to its issuer.
    pub fn judge_authority(&self, index: usize, context: &Context) -> Judged {
        let authority = &self.authorities()[index];
        let c = &authority.certificate;
        let mut report = Report::new();
        judge_certificate(c, authority.profile, &mut report);
        let chain = self.walk(authority.up);
        let mut anchored = chain.last().map_or(authority.trusted, |top| self.authorities()[*top].trusted);
        if authority.profile == Profile::Paa {
            if self_signature(c) == SignatureState::Bad {
                report.found(&SIGNATURE, "a signature that is not by its own key");
            }
            if !authority.trusted {
                unanchored(context, &c.subject.display(c.der()), &mut report);
            }
        } else {
            match authority.up {
                None => {
                    missing(context, PAA_MISSING, c, &mut report);
                    unanchored(context, "no PAA above it", &mut report);
                    anchored = false;
                }
                Some(link) => {
                    self.joint(c, &link, &mut report);
                    self.authority_identifiers(c, &link, &mut report);
                    self.revoked(c, &link, context, &mut report);
                    self.same_key(c, authority.profile, &chain, Severity::Warning, &mut report);
                    let top = chain.last().map(|top| &self.authorities()[*top]);
                    if let Some(top) = top
                        && top.profile != Profile::Paa
                    {
                        // The topmost is no PAA and its own issuer is not at hand: said there.
                        anchored = false;
                    }
                }
            }
        }
        if context.at.is_some() {
            self.times(None, &[index], context, &mut report);
        }
        test_identity(c, &mut report);
        Judged { findings: in_order(report), chain, anchored }
    }

    /// Indices from an issuer up to the PAA; bounded, and stops at a circle.
    pub(super) fn walk(&self, mut link: Option<Link>) -> Vec<usize> {
        let mut chain = Vec::with_capacity(2);
        while let Some(step) = link {
            if chain.contains(&step.issuer) || chain.len() == 8 {
                break;
            }
            chain.push(step.issuer);
            link = self.authorities()[step.issuer].up;
        }
        chain
    }

    fn length(&self, link: Option<Link>, chain: &[usize], report: &mut Report) {
        let Some(link) = link else { return };
        let issuer = self.authorities()[link.issuer].profile;
        if issuer == Profile::Paa {
            report.found(&LENGTH, "2 certificates: the DAC is issued by the PAA itself");
        } else if issuer == Profile::Dac {
            report.found(&LENGTH, format!("{} certificates, one of them issued by a DAC", chain.len() + 1));
        } else if chain.len() > 2 {
            report.found(&LENGTH, format!("{} certificates", chain.len() + 1));
        }
    }

    /// Name, key identifier and signature between a certificate and its issuer.
    fn joint(&self, c: &Certificate, link: &Link, report: &mut Report) {
        let issuer = &self.authorities()[link.issuer].certificate;
        if link.name != Matching::Same {
            let finding = Finding::new(&ISSUER_NAME, c.issuer.display(c.der()))
                .requiring(format!("The subject of its issuer, {}.", issuer.subject.display(issuer.der())));
            report.add(if link.name == Matching::Folded {
                finding
                    .weighing(Severity::Warning)
                    .advising("The name is the same by RFC 5280 §7.1, but its bytes differ, and many verifiers compare bytes. Have it issued again.")
            } else {
                finding
            });
        }
        if link.key_id == Matching::Different {
            let finding = Finding::new(&KEY_ID, shown(c.authority_key_id().unwrap_or_default()));
            report.add(finding.requiring(format!(
                "Its issuer's subjectKeyIdentifier, {}.",
                shown(issuer.subject_key_id().unwrap_or_default())
            )));
        }
        if link.signature == SignatureState::Bad {
            let finding = Finding::new(&SIGNATURE, "a signature that is not by its issuer");
            report.add(finding.requiring(format!("A signature by {}.", issuer.subject.display(issuer.der()))));
        }
    }

    /// Vendor and product ID of a DAC against its PAI and what the device says.
    fn identifiers(&self, dac: &Certificate, link: &Link, context: &Context, report: &mut Report) {
        let own = &dac.subject.identity;
        let pai = &self.authorities()[link.issuer].certificate.subject.identity;
        if let (Some(found), Some(required)) = (own.vendor(), pai.vendor())
            && found != required
        {
            mismatch(&VENDOR_ID, found, required, "the PAI's", report);
        }
        if let (Some(found), Some(required)) = (own.product(), pai.product())
            && found != required
        {
            mismatch(&PRODUCT_ID, found, required, "the PAI's", report);
        }
        claims(dac, context, report);
    }

    fn authority_identifiers(&self, c: &Certificate, link: &Link, report: &mut Report) {
        let paa = &self.authorities()[link.issuer];
        if paa.profile != Profile::Paa {
            return;
        }
        if let (Some(found), Some(required)) = (c.subject.identity.vendor(), paa.certificate.subject.identity.vendor())
            && found != required
        {
            mismatch(&VENDOR_ID, found, required, "the PAA's", report);
        }
    }

    /// Validity of the authorities above a DAC, at its notBefore or the time asked for.
    fn times(&self, dac: Option<&Certificate>, chain: &[usize], context: &Context, report: &mut Report) {
        let Some(moment) = context.at.or_else(|| dac.and_then(|d| d.not_before.moment)) else { return };
        let mut outside = |c: &Certificate, what: &str| {
            if let (Some(from), Some(to)) = (c.not_before.moment, c.not_after.moment)
                && (moment < from || moment > to)
            {
                let found = format!("{what} valid from {from} to {to}");
                report.add(Finding::new(&VALIDITY, found).requiring(format!("Valid at {moment}.")));
            }
        };
        if let (Some(dac), Some(_)) = (dac, context.at) {
            outside(dac, "DAC");
        }
        for index in chain {
            let authority = &self.authorities()[*index];
            if self.is_valid_at(*index, moment) {
                continue;
            }
            outside(&authority.certificate, &authority.profile.word().to_uppercase());
        }
    }

    /// A certificate whose key one of those above it has too.
    fn same_key(&self, c: &Certificate, profile: Profile, chain: &[usize], severity: Severity, report: &mut Report) {
        let Some(key) = c.public_key() else { return };
        let above = chain.iter().map(|index| &self.authorities()[*index]);
        for issuer in above.filter(|above| above.certificate.public_key() == Some(key)) {
            let (own, whose) = (profile.word().to_uppercase(), issuer.profile.word().to_uppercase());
            let subject = issuer.certificate.subject.display(issuer.certificate.der());
            report.add(
                Finding::new(&SAME_KEY, format!("the {own}'s key is its {whose}'s, {subject}")).weighing(severity),
            );
        }
    }

    fn revoked(&self, c: &Certificate, link: &Link, context: &Context, report: &mut Report) {
        if let Some(listed) = self.revocation(c, link.issuer, &context.revoked) {
            report.found(&REVOKED, format!("serial {} revoked {listed}", c.serial_hex()));
        }
    }

    /// When and why a certificate was revoked, by what is known of its issuer's certificates.
    ///
    /// - `issuer`: index in the pool.
    pub fn revocation<'r>(&self, c: &Certificate, issuer: usize, revoked: &'r [RevokedSerials]) -> Option<&'r Listed> {
        // The serial number first: hardly any is listed.
        revoked.iter().find_map(|list| {
            list.lookup(c).filter(|_| list.issuer() == issuer || self.is_same_authority(list.issuer(), issuer))
        })
    }
}

/// In the catalogue's order: the certificate's own rules first, then the chain's.
fn in_order(report: Report) -> Vec<Finding> {
    let mut findings = report.into_findings();
    let rank = |finding: &Finding| {
        super::catalogue::chain::TABLE.iter().position(|rule| std::ptr::eq(*rule, finding.rule)).map_or(0, |p| p + 1)
    };
    findings.sort_by_key(rank);
    findings
}

fn mismatch<T: std::fmt::Display>(rule: &'static Rule, found: T, required: T, whose: &str, report: &mut Report) {
    report.add(Finding::new(rule, found.to_string()).requiring(format!("{required}, {whose}.")));
}

/// A DAC that has ended, or has not begun, at present. Where a time was asked for, that one is judged.
fn not_current(dac: &Certificate, context: &Context, report: &mut Report) {
    let (Some(now), None) = (context.present, context.at) else { return };
    if let Some(not_valid) = dac.not_valid_at(now) {
        report.add(Finding::new(&NOT_CURRENT, format!("it {not_valid}")).requiring(format!("Valid at {now}.")));
    }
}

/// A DAC against what the device says, where no declaration stands between them.
fn claims(dac: &Certificate, context: &Context, report: &mut Report) {
    if context.device.by_declaration {
        return;
    }
    let own = &dac.subject.identity;
    if let (Some(said), Some(found)) = (context.device.vendor, own.vendor())
        && said != found
    {
        mismatch(&VENDOR_ID, found, said, "what the device reports", report);
    }
    if let (Some(said), Some(found)) = (context.device.product, own.product())
        && said != found
    {
        mismatch(&PRODUCT_ID, found, said, "what the device reports", report);
    }
}

const PAA_MISSING: &str = "the PAA that issued it";

fn missing(context: &Context, what: &str, c: &Certificate, report: &mut Report) {
    let key_id = c.authority_key_id().map_or_else(|| "not stated".into(), shown);
    let found = format!("{what} is not available: {}, key identifier {key_id}", c.issuer.display(c.der()));
    let severity = if context.trust_given { Severity::Error } else { Severity::Warning };
    let finding = Finding::new(&COMPLETE, found).weighing(severity);
    report.add(if what == PAA_MISSING {
        finding.advising("Give the PAA too, or adopt it at the site. Get it through a separate, trusted channel.")
    } else {
        finding
    });
    // A DAC names its PAI's vendor in its issuer's name, so that much can be told without the PAI.
    let (own, above) = (c.subject.identity.vendor(), c.issuer.identity.vendor());
    if let (Some(own), Some(above)) = (own, above)
        && own != above
    {
        let required = format!("{}, as in the issuer's name.", vendor_words(Some(above)));
        report.add(Finding::new(&VENDOR_ID, own.to_string()).requiring(required));
    }
    if let (Some(own), Some(above)) = (c.subject.identity.product(), c.issuer.identity.product())
        && own != above
    {
        report.add(Finding::new(&PRODUCT_ID, own.to_string()).requiring(format!("{above}, as in the issuer's name.")));
    }
}

fn unanchored(context: &Context, found: &str, report: &mut Report) {
    let finding = Finding::new(&ANCHOR, found);
    report.add(if context.trust_given {
        finding
    } else {
        finding
            .weighing(Severity::Warning)
            .advising("No trusted PAA was given, so the verdict covers only the form. Give the PAA with --trust.")
    });
}
