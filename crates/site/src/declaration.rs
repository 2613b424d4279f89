//! Declarations: development ones made here, outside ones adopted after examination.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

use base::trouble::{About, Trouble};
use book::ids::DeclarationName;
use book::{Declaration, DeclarationOrigin, NewDeclaration, Product, Purpose, Subject};
use custody::{KeyFile, Passphrase, PrivateKey, WorkFactor};
use serde::Serialize;
use standard::certificate::{Builder, Certificate, Profile};
use standard::declaration::Declaration as Signed;
use standard::declaration::content::{Content, Fields};
use standard::declaration::signed::SignedDataBuilder;
use standard::detect::{Item, detect};
use standard::ids::{ProductId, VendorId};
use standard::key::Signer;
use standard::moment::NO_END;
use standard::name::NameBuilder;
use standard::verdict::{Finding, Report, Severity, SignerKey, judge_declaration};
use utoipa::ToSchema;

use crate::authority::serial;
use crate::{Site, Who, head, ledger};

/// The name of the site's own key for development declarations.
const SIGNER: &str = "declaration-signer";

/// A development declaration about to be made.
#[derive(Debug)]
pub struct Make<'a> {
    /// Its name at the site; the certificate id where none is given.
    pub name: Option<&'a str>,
    /// Vendor ID: a test one, or the vendor's own for prototypes.
    pub vendor: VendorId,
    /// Product IDs, 1 to 100.
    pub products: Vec<ProductId>,
    pub device_type: u32,
    /// Exactly 19 characters; made up where none is given.
    pub certificate_id: Option<&'a str>,
    /// Vendor and product in the DAC, where they differ.
    pub origin: Option<(VendorId, ProductId)>,
    /// PAAs that are allowed, by subject key identifier.
    pub authorities: Vec<[u8; 20]>,
    /// Opens the key that signs, and protects it where it is made now.
    pub passphrase: &'a Passphrase,
    /// How costly guessing the passphrase is made.
    pub work: WorkFactor,
}

/// A declaration as it is told.
#[derive(Debug, Serialize)]
pub struct DeclarationView {
    pub name: String,
    /// `made` or `adopted`.
    pub origin: &'static str,
    /// What it is for.
    pub purpose: Purpose,
    pub vendor_id: String,
    pub product_ids: Vec<String>,
    /// 0 development and test, 1 provisional, 2 official.
    pub certification_type: u8,
    pub certificate_id: Option<String>,
    pub device_type: Option<u64>,
    /// The signer's key identifier.
    pub signer_key_id: Option<String>,
    /// Octets of the declaration.
    pub octets: usize,
    /// Key identifiers of the roots that it permits, in hex; left out where it permits any.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub authorities: Vec<String>,
}

impl DeclarationView {
    fn of(declaration: &Declaration) -> Self {
        let facts = &declaration.facts;
        let signed = Signed::read(&facts.content).ok();
        let content = signed.as_ref().and_then(|s| s.fields.as_ref().ok());
        Self {
            name: facts.name.to_string(),
            origin: facts.origin.word(),
            purpose: facts.purpose,
            vendor_id: format!("{:04X}", facts.vendor_id),
            product_ids: facts.product_ids.iter().map(|p| format!("{p:04X}")).collect(),
            certification_type: facts.certification_type,
            certificate_id: content.and_then(|c| c.certificate_id.clone()),
            device_type: content.and_then(|c| c.device_type_id),
            signer_key_id: signed.as_ref().and_then(|s| s.signer_key_id()).map(hex::encode),
            authorities: content
                .and_then(|content| content.authorized_paa_list.as_deref())
                .map_or_else(Vec::new, |list| list.iter().map(hex::encode).collect()),
            octets: facts.content.len(),
        }
    }
}

/// The site's key for development declarations and its certificate, made at first use.
fn own_signer(
    site: &Site,
    passphrase: &Passphrase,
    work: WorkFactor,
    who: &Who,
) -> Result<(KeySigner, Vec<u8>), Trouble> {
    let path = site.key_file(SIGNER);
    let certificate = site.keys().join(format!("{SIGNER}.der"));
    if !path.exists() {
        KeyFile::create(&path, passphrase, &PrivateKey::generate()?, work)?;
    }
    let key = KeyFile::open(&path, passphrase)?;
    let signer = KeySigner(Box::new(key));
    if !certificate.exists() {
        let public = signer.0.public_key();
        let name = NameBuilder::new()
            .common_name(&format!(
                "{} Development Declarations",
                site.settings.site.name.chars().take(36).collect::<String>()
            ))
            .build();
        let id = public.key_id();
        let der = Builder::new(Profile::Dac, &serial()?, (&name, &id), &name, &public, (who.now(), NO_END))
            .sign(signer.0.as_ref())?;
        fs::write(&certificate, der).map_err(|e| Trouble::file(&certificate, e))?;
    }
    let der = fs::read(&certificate).map_err(|e| Trouble::file(&certificate, e))?;
    Ok((signer, der))
}

struct KeySigner(Box<dyn Signer>);

/// Makes a development declaration (type 0), signs it with the site's own key, records it. It
/// is for test products, whatever their vendor ID.
///
/// # Errors
///
/// [`Trouble`]; nothing is recorded then.
pub fn make(site: &Site, make: &Make<'_>, who: &Who) -> Result<Made, Trouble> {
    let made_up;
    let certificate_id = match make.certificate_id {
        Some(id) => id,
        None => {
            let first = make.products.first().map_or(0, |p| p.get());
            made_up = format!("DEV{:04X}{first:04X}-{:07}", make.vendor.get(), who.now().unix() % 10_000_000);
            &made_up
        }
    };
    let fields = Fields {
        vendor: make.vendor,
        products: make.products.clone(),
        device_type: make.device_type,
        certificate_id: certificate_id.to_owned(),
        version_number: 1,
        certification_type: 0,
        origin: make.origin,
        authorities: make.authorities.clone(),
    };
    let content = fields
        .encode()
        .map_err(|e| Trouble::usage(e.to_string(), "Give values within the standard's bounds."))
        .about("products")?;
    let name = DeclarationName::new(make.name.unwrap_or(certificate_id)).about("name")?;
    if site.book.declaration(&name)?.is_some() {
        return Err(Trouble::usage(format!("declaration {name} already exists"), "Give another name.").about("name"));
    }
    let (signer, certificate) = own_signer(site, make.passphrase, make.work, who).about("passphrase")?;
    let der = SignedDataBuilder::new(&content, &signer.0.public_key().key_id()).sign(signer.0.as_ref())?;
    let new = NewDeclaration {
        name: name.clone(),
        origin: DeclarationOrigin::Made,
        purpose: Purpose::Test,
        content: der,
        vendor_id: make.vendor.get(),
        product_ids: make.products.iter().map(|p| p.get()).collect(),
        certification_type: 0,
        signer: Some(certificate),
    };
    let before = have(site, &new)?;
    site.book.add_declaration(&new, &who.by())?;
    let products = changed(&before, &have(site, &new)?);
    let not_for = have(site, &NewDeclaration { purpose: Purpose::Production, ..new })?.into_keys().collect();
    Ok(Made { declaration: show(site, name.as_str())?, products, not_for })
}

/// A declaration that was made.
#[derive(Debug, Serialize)]
pub struct Made {
    #[serde(flatten)]
    pub declaration: DeclarationView,
    /// Which declaration each product has that it names, from now on.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub products: Vec<ProductHas>,
    /// Products that it names and that are for sale: they need the alliance's.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub not_for: Vec<String>,
}

/// What came of adopting a declaration.
#[derive(Debug)]
pub struct Adopted {
    /// The declaration, where it was adopted.
    pub declaration: Option<DeclarationView>,
    /// Whether it was adopted before, so that nothing was changed.
    pub already: bool,
    /// Which declaration each product has that it names, from now on.
    pub products: Vec<ProductHas>,
    /// What the examination found.
    pub findings: Vec<Finding>,
}

/// The declaration that new units of a product get.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ProductHas {
    pub product: String,
    pub declaration: String,
    /// The one that it had before, where that is another.
    pub before: Option<String>,
}

impl ProductHas {
    /// In a sentence or two.
    pub fn words(&self) -> String {
        let Self { product, declaration, before } = self;
        match before {
            Some(before) => format!(
                "Product {product} has the declaration {declaration} from now on, in the place of {before}. Units that passed \
                 keep theirs."
            ),
            None => format!(
                "Product {product} has the declaration {declaration}: an official one comes before a provisional one, then the \
                 higher version, then the one that was recorded last."
            ),
        }
    }
}

/// Adopts a declaration issued outside, examined with the signer that the engineer trusts.
///
/// # Errors
///
/// [`Trouble`] where a file can't be read. Where the examination rejects, nothing is adopted.
pub fn adopt(site: &Site, file: &Path, signer: &Path, name: Option<&str>, who: &Who) -> Result<Adopted, Trouble> {
    let read = |path: &Path| -> Result<Vec<Item>, Trouble> {
        let octets = fs::read(path).map_err(|e| Trouble::file(path, e))?;
        detect(&octets)
            .map_err(|e| Trouble::usage(format!("{}: {e}", path.display()), "Check that it is the right file."))
    };
    let signed = match read(file)?.into_iter().next() {
        Some(Item::Declaration(d)) => *d,
        _ => {
            return Err(Trouble::usage(
                format!("{} is not a declaration", file.display()),
                "Give the declaration as it was issued.",
            ));
        }
    };
    let (key, certificate) = match read(signer)?.into_iter().next() {
        Some(Item::Certificate(c)) => {
            let key = *c.public_key().ok_or_else(|| {
                Trouble::refused(format!("{} has no P-256 key", signer.display()), "Give the signer's certificate.")
            })?;
            let id = c.subject_key_id().map_or_else(|| key.key_id().to_vec(), <[u8]>::to_vec);
            (SignerKey { key_id: id, key, trusted: true }, Some(c.der().to_vec()))
        }
        Some(Item::PublicKey(key)) => (SignerKey { key_id: key.key_id().to_vec(), key: *key, trusted: true }, None),
        _ => {
            return Err(Trouble::usage(
                format!("{} contains no signer", signer.display()),
                "Give the signer's certificate or public key.",
            ));
        }
    };
    let mut report = Report::new();
    judge_declaration(&signed, &[key], &mut report);
    let findings = report.into_findings();
    if findings.iter().any(|f| f.severity == Severity::Error) {
        return Ok(Adopted { declaration: None, already: false, products: Vec::new(), findings });
    }
    if let Some(known) = site.book.declarations()?.into_iter().find(|d| d.facts.content == signed.der()) {
        let now = have(site, &known.facts)?;
        return Ok(Adopted {
            declaration: Some(DeclarationView::of(&known)),
            already: true,
            products: changed(&now, &now),
            findings,
        });
    }
    let content = content(&signed)?;
    let title = content.certificate_id.clone().unwrap_or_default();
    let name = DeclarationName::new(name.unwrap_or(&title))?;
    let narrow = |value: Option<u64>| value.and_then(|v| u16::try_from(v).ok()).unwrap_or(0);
    let kind = content.certification_type.and_then(|t| u8::try_from(t).ok()).unwrap_or(0);
    let ids = content.product_id_array.as_deref().unwrap_or_default();
    let new = NewDeclaration {
        name: name.clone(),
        origin: DeclarationOrigin::Adopted,
        // Type 0 is for development and test; the others are for sale.
        purpose: if kind == 0 { Purpose::Test } else { Purpose::Production },
        content: signed.der().to_vec(),
        vendor_id: narrow(content.vendor_id),
        product_ids: ids.iter().filter_map(|id| u16::try_from(*id).ok()).collect(),
        certification_type: kind,
        signer: certificate,
    };
    let before = have(site, &new)?;
    site.book.add_declaration(&new, &who.by())?;
    let products = changed(&before, &have(site, &new)?);
    Ok(Adopted { declaration: Some(show(site, name.as_str())?), already: false, products, findings })
}

/// Products that a declaration names, each with the one that it has.
fn have(site: &Site, named: &NewDeclaration) -> Result<BTreeMap<String, Option<String>>, Trouble> {
    let mut out = BTreeMap::new();
    for product in site.book.products()?.into_iter().map(|product| product.facts) {
        if (product.vendor_id, product.purpose) == (named.vendor_id, named.purpose)
            && named.product_ids.contains(&product.product_id)
        {
            let has = for_product(site, product.vendor_id, product.product_id, product.purpose)?;
            out.insert(product.name.to_string(), has.map(|has| has.name.to_string()));
        }
    }
    Ok(out)
}

fn changed(before: &BTreeMap<String, Option<String>>, now: &BTreeMap<String, Option<String>>) -> Vec<ProductHas> {
    let one = |(product, has): (&String, &Option<String>)| {
        let had = before.get(product).cloned().flatten();
        let declaration = has.clone()?;
        Some(ProductHas { product: product.clone(), before: had.filter(|had| *had != declaration), declaration })
    };
    now.iter().filter_map(one).collect()
}

fn content(signed: &Signed) -> Result<&Content, Trouble> {
    signed
        .fields
        .as_ref()
        .map_err(|e| Trouble::refused(format!("the declaration's content is not TLV: {e}"), "Ask for it again."))
}

/// What is told of one declaration.
///
/// # Errors
///
/// [`Trouble`] where there is none of that name.
pub fn show(site: &Site, name: &str) -> Result<DeclarationView, Trouble> {
    get(site, name).map(|found| DeclarationView::of(&found))
}

fn get(site: &Site, name: &str) -> Result<Declaration, Trouble> {
    let id = DeclarationName::new(name)?;
    if let Some(found) = site.book.declaration(&id)? {
        return Ok(found);
    }
    Err(Trouble::absent(
        format!("there is no declaration {name}{}", ledger::withdrawn(site, &Subject::Declaration(id))?),
        "List them with `touchmark declaration list`.",
    ))
}

/// A declaration that was withdrawn.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = WithdrawnDeclaration)]
pub struct Withdrawn {
    /// Its name, free again.
    pub withdrawn: String,
    /// What it is for.
    pub purpose: Purpose,
    /// The entry of the log that holds what it was.
    pub entry: i64,
}

/// Withdraws a declaration that no unit was made with: name and content are free again.
///
/// # Errors
///
/// [`Trouble`] counts the units that depend on it; nothing is changed then.
pub fn withdraw(site: &Site, name: &str, who: &Who) -> Result<Withdrawn, Trouble> {
    let known = get(site, name)?.facts.name;
    let done = site.book.withdraw_declaration(&known, &who.by())?;
    head::mark(site, who);
    Ok(Withdrawn { withdrawn: known.to_string(), purpose: done.purpose, entry: done.entry.0 })
}

/// The certificate of whoever signed a declaration, where it is kept.
pub fn signer_certificate(site: &Site, name: &str) -> Result<Option<Certificate>, Trouble> {
    Ok(get(site, name)?.facts.signer.and_then(|der| Certificate::read(&der).ok()))
}

/// All declarations, by name.
pub fn list(site: &Site) -> Result<Vec<DeclarationView>, Trouble> {
    Ok(site.book.declarations()?.iter().map(DeclarationView::of).collect())
}

/// Certificates of those who signed the declarations of this site, in DER.
pub fn signers(site: &Site) -> Result<Vec<Vec<u8>>, Trouble> {
    let mut out: Vec<Vec<u8>> = site.book.declarations()?.into_iter().filter_map(|d| d.facts.signer).collect();
    out.sort();
    out.dedup();
    Ok(out)
}

/// A declaration ready to be written and judged against.
pub struct Ready {
    pub name: DeclarationName,
    pub signed: Signed,
    pub signer: Option<SignerKey>,
}

/// What a product's declaration says against intermediates: its name, and those of the roots above them that it does not
/// permit (Core Spec 6.2.3.1).
pub struct NotPermitted {
    pub declaration: DeclarationName,
    pub roots: Vec<String>,
    /// Whether that is all of them.
    pub all: bool,
}

/// Whether a product's declaration permits the roots above these intermediates.
pub fn not_permitted<'a>(
    site: &Site,
    product: &Product,
    pais: impl Iterator<Item = &'a Certificate>,
) -> Result<Option<NotPermitted>, Trouble> {
    let facts = &product.facts;
    let Some(ready) = for_product(site, facts.vendor_id, facts.product_id, facts.purpose)? else { return Ok(None) };
    let list = ready.signed.fields.as_ref().ok().and_then(|content| content.authorized_paa_list.as_ref());
    let Some(list) = list.filter(|list| !list.is_empty()) else { return Ok(None) };
    let above: BTreeSet<&[u8]> = pais.filter_map(Certificate::authority_key_id).collect();
    let others: Vec<&[u8]> = above.iter().copied().filter(|id| !list.iter().any(|own| own == id)).collect();
    if others.is_empty() {
        return Ok(None);
    }
    let authorities = site.book.authorities()?;
    let name = |id: &&[u8]| {
        let known = authorities.iter().find(|a| a.facts.role == book::Role::Paa && a.facts.subject_key_id == *id);
        known.map_or_else(|| format!("with the key {}", hex::encode(id)), |a| a.facts.name.to_string())
    };
    let roots = others.iter().map(name).collect();
    Ok(Some(NotPermitted { declaration: ready.name, roots, all: others.len() == above.len() }))
}

/// The declaration that names the product and fits its purpose: an official one before a provisional one, of these the
/// highest version, of these the one that was recorded last.
pub fn for_product(site: &Site, vendor: u16, product: u16, purpose: Purpose) -> Result<Option<Ready>, Trouble> {
    let mut fitting = site.book.declarations_for(vendor, product)?;
    fitting.retain(|declaration| declaration.facts.purpose == purpose);
    // The newest comes first, and stays before its equals.
    fitting.sort_by_key(|declaration| {
        let version = Signed::read(&declaration.facts.content).ok();
        let version = version.and_then(|signed| signed.fields.ok()).and_then(|content| content.version_number);
        std::cmp::Reverse((declaration.facts.certification_type, version))
    });
    let Some(declaration) = fitting.into_iter().next() else { return Ok(None) };
    let signed = Signed::read(&declaration.facts.content).map_err(|e| {
        Trouble::surroundings(
            format!("declaration {} in the book can't be read: {e}", declaration.facts.name),
            "Run `touchmark book verify`.",
        )
    })?;
    let signer = declaration.facts.signer.as_ref().and_then(|der| Certificate::read(der).ok()).and_then(|c| {
        let key = *c.public_key()?;
        let id = c.subject_key_id().map_or_else(|| key.key_id().to_vec(), <[u8]>::to_vec);
        Some(SignerKey { key_id: id, key, trusted: true })
    });
    Ok(Some(Ready { name: declaration.facts.name, signed, signer }))
}
