//! Being asked: a site that holds an intermediate issues to others, within a quota.
//!
//! What is issued is in the book before it is handed over, and a key that was certified gets that certificate again,
//! whatever became of the first answer.

use std::sync::Arc;

use base::trouble::{About as _, Trouble};
use book::ids::Actor;
use book::{Enrolment, NewCredential, NewEnrolled, NewEnrolment, QuotaChange};
use serde::{Deserialize, Serialize};
use site::access::{Standing, program_password};
use site::{Site, Who, authority, head, product};
use standard::certificate::Certificate;
use standard::key::Signer;
use standard::moment::NO_END;
use standard::request::Request;
use standard::verdict::{Device, Report, Severity, judge_request};
use utoipa::ToSchema;
use zeroize::Zeroizing;

use crate::delivery::{Template, issuer_of};

/// Who may ask, for what, and how much.
#[derive(Debug, Clone, Deserialize)]
pub struct Allow {
    pub product: String,
    /// The PAI that issues.
    pub issuer: String,
    /// Keys that may be certified.
    pub quota: u32,
    /// User name of whoever asks.
    pub user: String,
}

/// An enrolment that was allowed.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = AllowedEnrolment)]
pub struct Allowed {
    pub name: String,
    /// Where its EST lies on the server that `serve` runs.
    pub path: String,
    pub user: String,
    /// The password, shown this once, where it was drawn now.
    pub password: Option<String>,
    pub quota: i64,
    /// A higher quota that a second person has to allow.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub waiting: Option<i64>,
}

/// An enrolment as it stands.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = EnrolmentView)]
pub struct EnrolmentView {
    pub name: String,
    pub path: String,
    pub user: String,
    pub product: String,
    pub issuer: String,
    pub quota: i64,
    /// Keys certified so far.
    pub issued: i64,
    /// A higher quota that a second person has to allow, and who asked for it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub waiting: Option<(i64, String)>,
}

fn path_of(name: &str) -> String {
    format!("/.well-known/est/{name}")
}

/// A label of letters, digits and hyphens: RFC 7030 leaves its form open, and addresses are typed.
fn label(user: &str, product: &str) -> String {
    let word = |text: &str| -> String {
        let plain: String =
            text.chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' }).collect();
        plain.split('-').filter(|part| !part.is_empty()).collect::<Vec<_>>().join("-")
    };
    let both = [word(user), word(product)];
    let joined = both.iter().filter(|w| !w.is_empty()).cloned().collect::<Vec<_>>().join("-");
    joined.chars().take(60).collect()
}

/// Allows a user to ask for certificates, or changes the quota of one that may: a higher one counts once a second
/// person asks for the same.
///
/// - `password`: the user's; one is drawn where none is given.
///
/// # Errors
///
/// [`Trouble`] where the issuer can't issue for the product, or the user is taken; nothing is changed then.
pub fn allow(
    site: &Site,
    wish: &Allow,
    password: Option<Zeroizing<String>>,
    who: &Who,
    standing: Standing<'_>,
) -> Result<Allowed, Trouble> {
    let user = wish.user.trim();
    if wish.quota == 0 {
        return Err(
            Trouble::usage("a quota is at least 1", "Give the number of keys that may be certified.").about("quota")
        );
    }
    // As a person's name: no colon, which ends it in HTTP Basic (RFC 7617 §2), and nothing unseen.
    Actor::new(user).about("user")?;
    if user.contains(':') {
        return Err(Trouble::usage(format!("the user name {user} has a colon"), "Give one without it.").about("user"));
    }
    let product = product::get(site, &wish.product).about("product")?;
    let issuer = authority::get(site, &wish.issuer).about("issuer")?;
    issuer_of(site, &product, &issuer, who.now())?;
    if issuer.facts.key_reference.is_none() {
        return Err(Trouble::refused(
            format!("the key of authority {} is not at this site", issuer.facts.name),
            "Name a PAI whose key is here; see `touchmark authority list`.",
        )
        .about("issuer"));
    }
    standing.prove(site, who, "enrolment allow")?;
    let quota = i64::from(wish.quota);
    let (for_product, by_issuer) = (&product.facts.name, &issuer.facts.name);
    let same = |e: &Enrolment| e.user == user && e.product == *for_product && e.issuer == *by_issuer;
    if let Some(there) = site.book.enrolments()?.into_iter().find(same) {
        if password.is_some() {
            return Err(Trouble::usage(
                format!("enrolment {} exists, and its password can't be changed", there.path),
                "To change its quota, leave the password out. For another password, allow another user.",
            ));
        }
        let change = site.book.change_quota(&there.path, quota, &who.by())?;
        head::mark(site, who);
        let waits = change == QuotaChange::Waits;
        return Ok(Allowed {
            path: path_of(&there.path),
            user: there.user,
            password: None,
            quota: if waits { there.quota } else { quota },
            waiting: waits.then_some(quota),
            name: there.path,
        });
    }
    let is_drawn = password.is_none();
    let (password, hash) = program_password(password)?;
    let path = label(user, for_product.as_str());
    let new = NewEnrolment {
        path: path.clone(),
        product: for_product.clone(),
        issuer: by_issuer.clone(),
        purpose: issuer.facts.purpose,
        user: user.to_owned(),
        password: hash,
        quota,
    };
    site.book.allow_enrolment(&new, &who.by())?;
    head::mark(site, who);
    Ok(Allowed {
        path: path_of(&path),
        name: path,
        user: user.to_owned(),
        password: is_drawn.then(|| password.to_string()),
        quota,
        waiting: None,
    })
}

/// All enrolments.
pub fn list(site: &Site) -> Result<Vec<EnrolmentView>, Trouble> {
    let view = |e: Enrolment| EnrolmentView {
        path: path_of(&e.path),
        name: e.path,
        user: e.user,
        product: e.product.to_string(),
        issuer: e.issuer.to_string(),
        quota: e.quota,
        issued: e.issued,
        waiting: e.wanted.map(|(quota, by)| (quota, by.to_string())),
    };
    Ok(site.book.enrolments()?.into_iter().map(view).collect())
}

/// The issuer of an enrolment and what stands above it, as far as that is here.
pub fn authorities(site: &Site, enrolment: &Enrolment) -> Result<Vec<Vec<u8>>, Trouble> {
    let issuer = authority::get(site, enrolment.issuer.as_str())?;
    let above = issuer.facts.issuer.as_ref().map(|name| authority::get(site, name.as_str())).transpose()?;
    Ok([Some(issuer), above].into_iter().flatten().map(|a| a.facts.certificate).collect())
}

/// Issues to another site: the certificate for the key of a request, DER.
///
/// - `request`: PKCS #10, DER, signed by the key that it names.
///
/// # Errors
///
/// [`Trouble`] where the request or the quota does not allow it; nothing is issued then.
pub fn issue(
    site: &Site,
    enrolment: &Enrolment,
    request: &[u8],
    signer: &dyn Signer,
    who: &Who,
) -> Result<Vec<u8>, Trouble> {
    let refused = |what: String| Trouble::refused(what, "Send a PKCS #10 request of the chip's own key.");
    let read = Request::read(request).map_err(|e| refused(format!("the request can't be read: {e}")))?;
    let product = product::get(site, enrolment.product.as_str())?;
    let mut report = Report::new();
    judge_request(&read, &Device::default(), &mut report);
    if let Some(f) = report.findings().iter().find(|f| f.severity == Severity::Error) {
        return Err(refused(format!("the request breaks {}: {}", f.rule.name, f.found)));
    }
    let key = read.key.key.clone().map_err(|e| refused(format!("the key of the request can't be used: {e:?}")))?;
    if let Some(there) = site.book.enrolled(key.point())?.filter(|there| there.path == enrolment.path) {
        return Ok(there.certificate);
    }
    let authority = authority::get(site, enrolment.issuer.as_str())?;
    let (pai, identity) = issuer_of(site, &product, &authority, who.now())?;
    let asked = &read.subject.identity;
    let (vendor, id) = identity;
    if asked.vendor().is_some_and(|v| v != vendor) || asked.product().is_some_and(|p| p != id) {
        let what = read.subject.display(read.der());
        return Err(refused(format!("the request is for {what}, and this enrolment is for {vendor} {id}")));
    }
    let template = Template {
        until: pai.not_after.moment.unwrap_or(NO_END),
        now: who.now(),
        authority: authority.facts.name.clone(),
        product_name: product::kept(&product)?.product_name,
        identity,
        pai,
    };
    let chip = read.subject.common_name(read.der()).unwrap_or_else(|| hex::encode(key.key_id()));
    let made = template.certify(&chip, &key, signer)?;
    check(&made, &template.pai)?;
    let new = NewEnrolled {
        public_key: made.public_key,
        issuer_key_id: made.issuer_key_id,
        serial: made.serial,
        not_after: made.not_after,
        certificate: made.certificate,
        request: examine::intake::sha256(request),
    };
    let issued = site.book.issue_enrolled(&enrolment.path, &new, &who.by())?;
    Ok(issued.certificate)
}

/// A certificate that a verifier would refuse is not issued.
fn check(made: &NewCredential, pai: &Arc<Certificate>) -> Result<(), Trouble> {
    let unfit = |what: String| Trouble::surroundings(format!("the certificate to be issued {what}"), "Report this.");
    let dac = Certificate::read(&made.certificate).map_err(|e| unfit(format!("can't be read: {e}")))?;
    let mut report = Report::new();
    standard::verdict::judge_certificate(&dac, standard::certificate::Profile::Dac, &mut report);
    if let Some(f) = report.findings().iter().find(|f| f.severity == Severity::Error) {
        return Err(unfit(format!("breaks {}: {}", f.rule.name, f.found)));
    }
    if dac.authority_key_id() != pai.subject_key_id() {
        return Err(unfit("names another issuer".into()));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::label;

    #[test]
    fn labels_are_typed_easily() {
        assert_eq!(label("Hollow Abroad", "Tern Vent"), "hollow-abroad-tern-vent");
        assert_eq!(label("ü", "Tern & Vent"), "tern-vent");
    }
}
