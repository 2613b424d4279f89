//! Trust sets: what an ecosystem trusts and insists on, and whether it would take
//! a unit, a chip or a set of files.
//!
//! A set names its PAAs and its declaration signers, and which declarations and
//! identities it takes. It says nothing of what an ecosystem does beyond that:
//! its own programme decides.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use base::course::Course;
use base::finding_view::FindingView;
use base::times::time_text;
use base::trouble::Trouble;
use book::ids::{ProductName, TrustSetName};
use examine::report::Examination;
use examine::{Examine, Input, examine_with_signers};
use serde::Serialize;
use serde_json::{Value, json};
use standard::certificate::Certificate;
use standard::declaration::Declaration;
use standard::detect::{Item, detect};
use standard::key::PublicKey;
use standard::moment::Moment;
use standard::verdict::{Finding, Severity, SignerKey, rule};
use utoipa::ToSchema;

use crate::{Site, Who, authority, declaration};

/// Which declarations a set takes, by certification type (Core Spec 6.3.1).
pub const TYPES: &[(u8, &str)] = &[(0, "test"), (1, "provisional"), (2, "official")];

/// A set about to be kept.
#[derive(Debug, Clone, Default)]
pub struct NewSet<'a> {
    /// PAAs of this site, by name.
    pub authorities: &'a [String],
    /// PAAs in files and directories.
    pub trust: &'a [PathBuf],
    /// Declaration signers: certificates or public keys in files.
    pub signers: &'a [PathBuf],
    /// Declarations of this site whose signers are trusted, by name.
    pub declarations: &'a [String],
    /// Certification types that are taken; official and provisional where none is given.
    pub types: &'a [u8],
    /// Whether test vendor IDs are taken.
    pub test_identities: bool,
}

/// A set as it is used.
#[derive(Debug, Clone)]
pub struct Set {
    pub name: String,
    /// PAAs that it trusts.
    pub authorities: Vec<Arc<Certificate>>,
    /// Keys that may sign declarations.
    pub signers: Vec<SignerKey>,
    /// Certification types that it takes.
    pub types: Vec<u8>,
    /// Whether it takes test vendor IDs.
    pub test_identities: bool,
}

/// A set as it is told.
#[derive(Debug, Clone, Serialize)]
pub struct SetView {
    pub name: String,
    /// PAAs that it trusts: subject and key identifier.
    pub authorities: Vec<Value>,
    /// Key identifiers of the signers that it trusts.
    pub signers: Vec<String>,
    /// `official`, `provisional`, `test`.
    pub declarations: Vec<&'static str>,
    /// Whether it takes test vendor IDs.
    pub test_identities: bool,
    /// Products that must please it.
    pub products: Vec<String>,
    /// When it was written.
    pub written: String,
}

/// What a set says of one subject.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SetVerdict {
    pub trust_set: String,
    /// `accepted` or `rejected`.
    pub verdict: &'static str,
    /// Whether it must take the subject: it was named, or the product names it.
    pub must_please: bool,
    /// Why it is rejected.
    pub because: Vec<FindingView>,
}

impl SetVerdict {
    /// A verdict on what was found of `subject`.
    pub fn on(set: &Set, subject: &str, findings: &[Finding], anchored: bool) -> Self {
        let mut because: Vec<FindingView> =
            findings.iter().filter(|f| f.severity == Severity::Error).map(|f| FindingView::of(subject, f)).collect();
        if because.is_empty()
            && !anchored
            && let Some(rule) = rule("chain.anchor")
        {
            because.push(FindingView::of(subject, &Finding::new(rule, "no chain that ends at a PAA of the set")));
        }
        let verdict = if because.is_empty() { "accepted" } else { "rejected" };
        Self { trust_set: set.name.clone(), verdict, must_please: true, because }
    }

    /// Whether the set takes it.
    pub fn accepts(&self) -> bool {
        self.verdict == "accepted"
    }

    /// Names of the rules that it breaks, each once.
    pub fn rules(&self) -> Vec<&str> {
        let mut rules: Vec<_> = self.because.iter().map(|f| &*f.rule).collect();
        rules.dedup();
        rules
    }
}

impl Set {
    /// What the set insists on beyond the standard's rules.
    pub fn insist(&self, dac: Option<&Certificate>, declaration: Option<&Declaration>) -> Vec<Finding> {
        let mut out = Vec::new();
        if let (Some(dac), false, Some(rule)) = (dac, self.test_identities, rule("chain.test-identity"))
            && let Some(vendor) = dac.subject.identity.vendor().filter(|v| v.is_test())
        {
            out.push(
                Finding::new(rule, format!("vendor ID {vendor}, a test one"))
                    .weighing(Severity::Error)
                    .requiring("A vendor ID that the alliance assigned: this trust set accepts no test identities."),
            );
        }
        let kind = declaration.and_then(|d| d.fields.as_ref().ok()).and_then(|f| f.certification_type);
        if let (Some(kind), Some(rule)) = (kind, rule("declaration.certification-type"))
            && !self.types.iter().any(|t| u64::from(*t) == kind)
        {
            out.push(
                Finding::new(rule, format!("{kind}, {}", type_word(kind))).weighing(Severity::Error).requiring(
                    format!("A declaration that this trust set accepts: {}.", words(&self.types).join(", ")),
                ),
            );
        }
        out
    }
}

fn type_word(kind: u64) -> &'static str {
    TYPES.iter().find(|(number, _)| u64::from(*number) == kind).map_or("unknown", |(_, word)| word)
}

fn words(types: &[u8]) -> Vec<&'static str> {
    types.iter().map(|kind| type_word(u64::from(*kind))).collect()
}

fn items(path: &Path) -> Result<Vec<Item>, Trouble> {
    let octets = std::fs::read(path).map_err(|e| Trouble::file(path, e))?;
    detect(&octets).map_err(|e| {
        Trouble::usage(format!("{}: {e}", path.display()), "Give a certificate or a public key, DER or PEM.")
    })
}

/// The files named, and those in the directories named.
fn expand(paths: &[PathBuf]) -> Result<Vec<PathBuf>, Trouble> {
    let mut out = Vec::new();
    for path in paths {
        if path.is_dir() {
            let mut found: Vec<_> = std::fs::read_dir(path)
                .map_err(|e| Trouble::file(path, e))?
                .flatten()
                .map(|entry| entry.path())
                .filter(|p| p.is_file())
                .collect();
            found.sort();
            out.extend(found);
        } else {
            out.push(path.clone());
        }
    }
    Ok(out)
}

fn signer_json(signer: &SignerKey) -> Value {
    json!({ "key": hex::encode(signer.key.point()), "key_id": hex::encode(&signer.key_id) })
}

/// The signer that a certificate is of, trusted.
pub fn signer_of(c: &Certificate) -> Option<SignerKey> {
    let key = *c.public_key()?;
    let key_id = c.subject_key_id().map_or_else(|| key.key_id().to_vec(), <[u8]>::to_vec);
    Some(SignerKey { key_id, key, trusted: true })
}

/// Declaration signers in files and directories: certificates or public keys.
///
/// # Errors
///
/// [`Trouble`] where a file holds something else.
pub fn signers_in(paths: &[PathBuf]) -> Result<Vec<SignerKey>, Trouble> {
    let mut out = Vec::new();
    for path in expand(paths)? {
        for item in items(&path)? {
            let signer = match &item {
                Item::Certificate(c) => signer_of(c),
                Item::PublicKey(key) => Some(SignerKey { key_id: key.key_id().to_vec(), key: **key, trusted: true }),
                _ => None,
            };
            out.push(signer.ok_or_else(|| {
                Trouble::usage(
                    format!("{} contains no declaration signer", path.display()),
                    "Give the signer's certificate or public key.",
                )
            })?);
        }
    }
    Ok(out)
}

/// Certificates in files and directories, to be trusted as PAAs whatever their form: what is wrong with one is found when
/// it is judged.
///
/// # Errors
///
/// [`Trouble`] where a file holds something else.
pub fn anchors_in(paths: &[PathBuf]) -> Result<Vec<Arc<Certificate>>, Trouble> {
    let mut out = Vec::new();
    for path in expand(paths)? {
        for item in items(&path)? {
            match item {
                Item::Certificate(c) => out.push(c),
                _ => {
                    return Err(Trouble::usage(
                        format!("{} is not a certificate", path.display()),
                        "Give the certificates of the PAAs that are trusted, DER or PEM.",
                    ));
                }
            }
        }
    }
    Ok(out)
}

/// Keeps a trust set, for the first time or anew.
///
/// # Errors
///
/// [`Trouble`] where a file is nothing of use, or the set would take nothing at all.
pub fn put(site: &Site, name: &str, new: &NewSet<'_>, who: &Who) -> Result<SetView, Trouble> {
    let named = TrustSetName::new(name)?;
    let mut paas: Vec<Vec<u8>> = Vec::new();
    for name in new.authorities {
        let found = authority::get(site, name)?;
        if found.facts.role != book::Role::Paa {
            return Err(Trouble::usage(
                format!("{name} is not a root"),
                "A trust set names PAAs; their PAIs come with them.",
            ));
        }
        paas.push(found.facts.certificate);
    }
    for path in expand(new.trust)? {
        for item in items(&path)? {
            match item {
                Item::Certificate(c) if c.is_self_issued() && c.basic_constraints().is_some_and(|b| b.ca) => {
                    paas.push(c.der().to_vec());
                }
                _ => {
                    return Err(Trouble::usage(
                        format!("{} is not a PAA's certificate", path.display()),
                        "Give the roots that the ecosystem trusts.",
                    ));
                }
            }
        }
    }
    let mut signers: Vec<Value> = signers_in(new.signers)?.iter().map(signer_json).collect();
    for name in new.declarations {
        let signer = declaration::signer_certificate(site, name)?.as_ref().and_then(signer_of);
        signers.push(signer.as_ref().map(signer_json).ok_or_else(|| {
            Trouble::usage(
                format!("the site does not have the signer of declaration {name}"),
                "Give the signer as a file.",
            )
        })?);
    }
    paas.sort();
    paas.dedup();
    signers.sort_by_key(ToString::to_string);
    signers.dedup();
    if paas.is_empty() || signers.is_empty() {
        return Err(Trouble::usage(
            "a trust set names at least one PAA and one declaration signer",
            "Without them it would refuse everything: give --authority or --trust, and --signer or --declaration.",
        ));
    }
    let mut types = if new.types.is_empty() { vec![1, 2] } else { new.types.to_vec() };
    types.sort_unstable();
    types.dedup();
    let content = json!({
        "authorities": paas.iter().map(hex::encode).collect::<Vec<_>>(),
        "signers": signers,
        "types": types,
        "test_identities": new.test_identities,
    });
    site.book.put_trust_set(&named, &content, &who.by())?;
    show(site, name)
}

fn read(set: &book::TrustSet) -> Result<Set, Trouble> {
    let odd = || {
        Trouble::surroundings(
            format!("trust set {} in the book can't be read", set.name),
            "Run `touchmark book verify`.",
        )
    };
    let content = &set.content;
    let texts = |key: &str| content[key].as_array().cloned().unwrap_or_default();
    let mut authorities = Vec::new();
    for text in texts("authorities") {
        let der = text.as_str().and_then(|t| hex::decode(t).ok()).ok_or_else(odd)?;
        authorities.push(Arc::new(Certificate::read(&der).map_err(|_| odd())?));
    }
    let mut signers = Vec::new();
    for signer in texts("signers") {
        let part = |key: &str| signer[key].as_str().and_then(|t| hex::decode(t).ok()).ok_or_else(odd);
        let key = PublicKey::from_point(&part("key")?).map_err(|_| odd())?;
        signers.push(SignerKey { key_id: part("key_id")?, key, trusted: true });
    }
    Ok(Set {
        name: set.name.to_string(),
        authorities,
        signers,
        types: texts("types").iter().filter_map(Value::as_u64).filter_map(|t| u8::try_from(t).ok()).collect(),
        test_identities: content["test_identities"].as_bool().unwrap_or(false),
    })
}

fn get(site: &Site, name: &str) -> Result<book::TrustSet, Trouble> {
    site.book.trust_set(&TrustSetName::new(name)?)?.ok_or_else(|| {
        Trouble::usage(format!("there is no trust set {name}"), "List them with `touchmark trust-set list`.")
    })
}

fn view(site: &Site, kept: &book::TrustSet) -> Result<SetView, Trouble> {
    let set = read(kept)?;
    let mut products = Vec::new();
    for product in site.book.products()? {
        if site.book.product_trust(&product.facts.name)?.contains(&kept.name) {
            products.push(product.facts.name.to_string());
        }
    }
    Ok(SetView {
        name: set.name,
        authorities: set
            .authorities
            .iter()
            .map(|c| {
                json!({
                    "subject": c.subject.display(c.der()),
                    "subject_key_id": c.subject_key_id().map(hex::encode),
                })
            })
            .collect(),
        signers: set.signers.iter().map(|s| hex::encode(&s.key_id)).collect(),
        declarations: words(&set.types),
        test_identities: set.test_identities,
        products,
        written: time_text(kept.added),
    })
}

/// What is told of one set.
///
/// # Errors
///
/// [`Trouble`] where there is none.
pub fn show(site: &Site, name: &str) -> Result<SetView, Trouble> {
    view(site, &get(site, name)?)
}

/// All sets, by name.
pub fn list(site: &Site) -> Result<Vec<SetView>, Trouble> {
    site.book.trust_sets()?.iter().map(|set| view(site, set)).collect()
}

/// Takes a set out of use.
///
/// # Errors
///
/// [`Trouble`] where there is none, or a product must please it.
pub fn remove(site: &Site, name: &str, who: &Who) -> Result<(), Trouble> {
    Ok(site.book.remove_trust_set(&TrustSetName::new(name)?, &who.by())?)
}

/// Says which sets a product must please, in place of those before.
///
/// # Errors
///
/// [`Trouble`] where the product or a set is not there.
pub fn name_for_product(site: &Site, product: &str, sets: &[String], who: &Who) -> Result<(), Trouble> {
    let mut names = sets.iter().map(|name| TrustSetName::new(name)).collect::<Result<Vec<_>, _>>()?;
    names.sort();
    names.dedup();
    Ok(site.book.set_product_trust(&ProductName::new(product)?, &names, &who.by())?)
}

/// The sets of these names; all of the site where none is given.
pub fn sets(site: &Site, names: &[String]) -> Result<Vec<Set>, Trouble> {
    if names.is_empty() {
        return site.book.trust_sets()?.iter().map(read).collect();
    }
    names.iter().map(|name| read(&get(site, name)?)).collect()
}

/// The sets that a product must please.
pub fn of_product(site: &Site, product: &ProductName) -> Result<Vec<Set>, Trouble> {
    site.book.product_trust(product)?.iter().map(|name| read(&get(site, name.as_str())?)).collect()
}

/// Refuses a product's run at a station where a set that it must please would refuse
/// all of it: before the first chip is written.
///
/// - `intermediates`: PAIs of the reel's credentials.
///
/// # Errors
///
/// [`Trouble`] names the set and why.
pub fn preflight(
    sets: &[Set],
    vendor_is_test: bool,
    signed: &Declaration,
    intermediates: &[Arc<Certificate>],
) -> Result<(), Trouble> {
    for set in sets {
        let mut why: Vec<String> =
            set.insist(None, Some(signed)).iter().map(|f| format!("{}: {}", f.rule.name, f.found)).collect();
        if vendor_is_test && !set.test_identities {
            why.push("chain.test-identity: the product's vendor ID is a test one".into());
        }
        if !set
            .signers
            .iter()
            .any(|s| Some(s.key_id.as_slice()) == signed.signer_key_id() && signed.is_signed_by(&s.key))
        {
            why.push("declaration.signer: the set does not trust its signer".into());
        }
        // Where some of the reel's intermediates are trusted, each unit is judged by itself.
        let strange = |pai: &&Arc<Certificate>| {
            let signs = |paa: &Arc<Certificate>| {
                paa.subject_der() == pai.issuer_der()
                    && paa.public_key().is_some_and(|k| k.verifies(pai.signed_part(), pai.signature()))
            };
            !set.authorities.iter().any(signs)
        };
        if intermediates.iter().all(|pai| strange(&pai)) {
            let name = |pai: &Arc<Certificate>| {
                format!("chain.anchor: {} is not under a PAA that the set trusts", pai.subject.display(pai.der()))
            };
            why.extend(intermediates.iter().map(name));
        }
        if !why.is_empty() {
            return Err(Trouble::refused(
                format!("trust set {} would refuse every unit of this reel: {}", set.name, why.join("; ")),
                "No chip was changed. Give the product what the set requires, or remove the set from the product with `touchmark product update`.",
            ));
        }
    }
    Ok(())
}

/// Examines files against each set: with its PAAs and its signers, and what it insists on.
///
/// - `names`: the sets; all of the site where none is given.
///
/// # Errors
///
/// [`Trouble`] where a set is not there or a file can't be read.
pub fn examine_against(
    site: &Site,
    names: &[String],
    request: &Examine,
    now: Moment,
    course: &Course,
) -> Result<Vec<SetVerdict>, Trouble> {
    let mut out = Vec::new();
    for set in sets(site, names)? {
        let paas = set.authorities.iter().enumerate();
        let trust = paas.map(|(number, paa)| Input::held(format!("paa-{number}.der"), paa.der())).collect();
        let asked = Examine { trust, signers: Vec::new(), ..request.clone() };
        let keys = set.signers.clone();
        let examined = examine_with_signers(&asked, keys, now, course).map_err(Trouble::of)?;
        out.push(on_examination(&set, &examined));
    }
    Ok(out)
}

fn on_examination(set: &Set, examined: &Examination) -> SetVerdict {
    let mut because: Vec<FindingView> = examined
        .findings()
        .filter(|(_, f)| f.severity == Severity::Error)
        .map(|(subject, f)| FindingView::of(subject.name.clone(), f))
        .collect();
    for subject in &examined.subjects {
        let mut insisted = |name: &str, found: String, required: String| {
            if let Some(rule) = rule(name) {
                let finding = Finding::new(rule, found).weighing(Severity::Error).requiring(required);
                because.push(FindingView::of(subject.name.clone(), &finding));
            }
        };
        if !set.test_identities
            && let Some(note) = subject.findings.iter().find(|f| f.rule.name == "chain.test-identity")
        {
            let required = "A vendor ID that the alliance assigned: this trust set accepts no test identities.";
            insisted("chain.test-identity", note.found.clone(), required.into());
        }
        if let Some(kind) = subject.declared.as_ref().and_then(|d| d.certification_type)
            && !set.types.iter().any(|t| u64::from(*t) == kind)
        {
            let required = format!("A declaration that this trust set accepts: {}.", words(&set.types).join(", "));
            insisted("declaration.certification-type", format!("{kind}, {}", type_word(kind)), required);
        }
    }
    let verdict = if because.is_empty() { "accepted" } else { "rejected" };
    SetVerdict { trust_set: set.name.clone(), verdict, must_please: true, because }
}
