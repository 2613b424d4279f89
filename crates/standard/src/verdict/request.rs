//! The checks behind the rules on a certification request.

use super::catalogue::request as rules;
use super::certificate::der_only;
use super::declaration::Device;
use super::{Finding, Report};
use crate::name::Told;
use crate::request::Request;

/// Judges a certification request, and against what the device is to be.
pub fn judge_request(request: &Request, device: &Device, report: &mut Report) {
    der_only(&request.departures, request.trailing, &rules::ENCODING, report);
    if request.version() != [0] {
        report.found(&rules::ENCODING, format!("the version number {}", hex::encode(request.version())));
    }
    if !request.is_ecdsa_sha256() {
        let words = request.algorithm.words(request.der());
        report.found(&rules::SIGNATURE, format!("the algorithm {words}"));
    } else if request.key.key.is_ok() && !request.is_signed() {
        report.found(&rules::SIGNATURE, "a signature that is not by the key in the request");
    }
    if let Err(fault) = &request.key.key {
        report.found(&rules::PUBLIC_KEY, fault.clone());
    }
    subject(request, device, report);
}

fn subject(request: &Request, device: &Device, report: &mut Report) {
    let rule = &rules::SUBJECT;
    if let Some(fault) = &request.subject.fault {
        report.found(rule, fault.clone());
    }
    let identity = &request.subject.identity;
    told(&identity.vendors, "vendor ID", device.vendor, report);
    told(&identity.products, "product ID", device.product, report);
}

fn told<T: std::fmt::Display + PartialEq>(all: &[Told<T>], what: &str, asked: Option<T>, report: &mut Report) {
    let rule = &rules::SUBJECT;
    if all.len() > 1 {
        report.found(rule, format!("{} {what}s", all.len()));
    }
    for form in all {
        match form {
            Told::Valid(id) => {
                if let Some(asked) = asked.as_ref().filter(|a| *a != id) {
                    report.add(Finding::new(rule, id.to_string()).requiring(format!("{asked}, as asked for.")));
                }
            }
            Told::Never(number) => report.found(rule, format!("the {what} {number:04X}, which no device carries")),
            Told::Malformed(text) => report.found(rule, format!("the {what} {text}")),
        }
    }
}
