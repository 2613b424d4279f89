//! The authority that answers an order in a trial: the site's own certificates under keys that nobody keeps.
//!
//! A stand-in differs from its certificate in the key and the signature alone. Names, key identifiers, extensions and
//! lengths are the real ones, so that every rule finds what it would find of a real answer.

use std::sync::Arc;

use base::trouble::Trouble;
use book::ids::AuthorityName;
use book::{Product, Purpose};
use receive::delivery;
use receive::order::Row;
use site::authority::{anchors, get, intermediates, serial};
use site::revoked::Known;
use site::{Site, product};
use standard::certificate::{Builder, Certificate, ExtensionDer, Profile, rekeyed};
use standard::ids::{ProductId, VendorId};
use standard::key::{PublicKey, Signer as _, SoftwareKey};
use standard::moment::{Moment, NO_END};
use standard::name::NameBuilder;
use standard::verdict::Finding;
use standard::verdict::catalogue::chain::REVOKED;
use standard::verdict::catalogue::intake::ORDER_NOT_TRIED;

/// Intermediates that a finding names.
const NAMED: usize = 5;

/// Who answers.
pub(super) struct Chain {
    /// The intermediate that it stands for, where one is known.
    pub issuer: Option<AuthorityName>,
    /// The root that it stands for, where it is trusted here.
    pub root: Option<Arc<Certificate>>,
    pub paa: Arc<Certificate>,
    /// Whether the root counts as one for production.
    pub production: bool,
    pub pai: Arc<Certificate>,
    /// The certificate that `pai` stands for.
    pub real: Option<Arc<Certificate>>,
    key: SoftwareKey,
    product_name: String,
    until: Moment,
}

fn odd(e: impl std::fmt::Display) -> Trouble {
    Trouble::surroundings(format!("the stand-in of an authority can't be made: {e}"), "Report this.")
}

fn read(der: &[u8]) -> Result<Arc<Certificate>, Trouble> {
    Certificate::read(der).map(Arc::new).map_err(odd)
}

fn like(c: &Certificate, key: &SoftwareKey, signer: &SoftwareKey) -> Result<Arc<Certificate>, Trouble> {
    let der = rekeyed(c, &key.public_key(), signer)?.ok_or_else(|| odd("its key is not one of P-256"))?;
    read(&der)
}

impl Chain {
    /// Finds who would answer an order for `product`, and says what is not known.
    ///
    /// - `issuer`: an intermediate by name; the only one for this identity where none is named.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where there is no such intermediate.
    pub fn of(
        site: &Site,
        product: &Product,
        identity: (VendorId, ProductId),
        issuer: Option<&str>,
        now: Moment,
    ) -> Result<(Self, Vec<(String, Finding)>), Trouble> {
        let mut said = Vec::new();
        let mut untried = |found: String| said.push(("order".to_owned(), Finding::new(&ORDER_NOT_TRIED, found)));
        let trusted = anchors(site)?;
        let chosen = match issuer {
            Some(name) => Some(named(site, name)?),
            None => match candidates(site, product, identity, now)?.as_slice() {
                [] => {
                    untried(format!(
                        "the intermediate: none for {} {} is adopted here, so the names of a made-up one were taken",
                        identity.0, identity.1
                    ));
                    None
                }
                [only] => Some(only.clone()),
                several => {
                    let mut names: Vec<_> = several.iter().take(NAMED).map(|(name, _)| name.to_string()).collect();
                    if several.len() > NAMED {
                        names.push(format!("{} more", several.len() - NAMED));
                    }
                    untried(format!(
                        "the intermediate: {} fit, and none was named ({})",
                        several.len(),
                        names.join(", ")
                    ));
                    None
                }
            },
        };
        let root = chosen.as_ref().and_then(|(_, pai)| root_of(pai, &trusted));
        if let (Some((name, _)), None) = (&chosen, &root) {
            untried(format!("the root: the one above {name} is not adopted here"));
        }
        let (top, key) = (SoftwareKey::generate()?, SoftwareKey::generate()?);
        let paa = match (&root, &chosen) {
            (Some((paa, _)), _) => like(paa, &top, &top)?,
            (None, Some((_, pai))) => made_up_root(&top, pai.issuer_der(), pai.authority_key_id(), now)?,
            (None, None) => {
                let name = NameBuilder::new().common_name("Stand-in PAA").vendor(identity.0).build();
                made_up_root(&top, &name, None, now)?
            }
        };
        let pai = match &chosen {
            Some((_, pai)) => like(pai, &key, &top)?,
            None => {
                let name = NameBuilder::new().common_name("Stand-in PAI").vendor(identity.0).build();
                let above = (paa.subject_der(), paa.subject_key_id().unwrap_or_default());
                let valid = (now, NO_END);
                read(&Builder::new(Profile::Pai, &serial()?, above, &name, &key.public_key(), valid).sign(&top)?)?
            }
        };
        if let Some((name, real)) = &chosen {
            let anchors: Vec<_> = trusted.iter().map(|(paa, _)| Arc::clone(paa)).collect();
            if let Some((_, when)) = Known::of(site)?.of_chain(&anchors, real, None) {
                let finding = Finding::new(&REVOKED, format!("{name} was revoked {when}"));
                said.push((format!("intermediate {name}"), finding));
            }
        }
        // One that has ended is found as that, and not as an end before the beginning.
        let until = pai.not_after.moment.filter(|end| *end > now).unwrap_or(NO_END);
        let production =
            root.as_ref().map_or(product.facts.purpose == Purpose::Production, |(_, production)| *production);
        let (issuer, real) = chosen.unzip();
        let root = root.map(|(paa, _)| paa);
        let product_name = product::kept(product)?.product_name;
        Ok((Self { issuer, root, paa, production, pai, real, key, product_name, until }, said))
    }

    /// The DAC that the order asks for.
    pub fn dac(&self, row: &Row, now: Moment) -> Result<Vec<u8>, Trouble> {
        self.dac_for(&row.chip, &row.key, row.identity, now)
    }

    pub fn dac_for(
        &self,
        chip: &str,
        key: &PublicKey,
        identity: (VendorId, ProductId),
        now: Moment,
    ) -> Result<Vec<u8>, Trouble> {
        let (name, valid) = ((self.product_name.as_str(), chip), (now, self.until));
        Ok(delivery::dac(&self.pai, &serial()?, name, identity, key, valid).sign(&self.key)?)
    }
}

fn made_up_root(
    key: &SoftwareKey,
    name: &[u8],
    key_id: Option<&[u8]>,
    now: Moment,
) -> Result<Arc<Certificate>, Trouble> {
    let own = key.key_id();
    let id = key_id.unwrap_or(&own);
    let public = key.public_key();
    let mut builder = Builder::new(Profile::Paa, &serial()?, (name, id), name, &public, (now, NO_END));
    // In the place of the key's own: intermediates name their root by it.
    builder.extensions[2] = ExtensionDer::subject_key_id(id);
    read(&builder.sign(key)?)
}

fn named(site: &Site, name: &str) -> Result<(AuthorityName, Arc<Certificate>), Trouble> {
    let authority = get(site, name).map_err(|trouble| trouble.about("issuer"))?;
    if authority.facts.role != book::Role::Pai {
        return Err(Trouble::usage(
            format!("authority {name} is a PAA, but a PAI issues DACs"),
            "Name a PAI; see `touchmark authority list`.",
        )
        .about("issuer"));
    }
    Ok((authority.facts.name, read(&authority.facts.certificate)?))
}

/// Intermediates that may issue what the product's DACs say; those that are valid now, where there are any.
fn candidates(
    site: &Site,
    product: &Product,
    (vendor, id): (VendorId, ProductId),
    now: Moment,
) -> Result<Vec<(AuthorityName, Arc<Certificate>)>, Trouble> {
    let anchors = anchors(site)?;
    let production = product.facts.purpose == Purpose::Production;
    let mut all = intermediates(site)?;
    all.retain(|(_, pai)| {
        let identity = &pai.subject.identity;
        let fits = identity.vendor() == Some(vendor) && identity.product().is_none_or(|own| own == id);
        fits && (!production || root_of(pai, &anchors).is_none_or(|(_, production)| production))
    });
    if all.iter().any(|(_, pai)| pai.not_valid_at(now).is_none()) {
        all.retain(|(_, pai)| pai.not_valid_at(now).is_none());
    }
    Ok(all)
}

fn root_of(pai: &Certificate, anchors: &[(Arc<Certificate>, bool)]) -> Option<(Arc<Certificate>, bool)> {
    let signs = |paa: &Certificate| {
        paa.subject_der() == pai.issuer_der()
            && paa.public_key().is_some_and(|key| key.verifies(pai.signed_part(), pai.signature()))
    };
    anchors.iter().find(|(paa, _)| signs(paa)).cloned()
}
