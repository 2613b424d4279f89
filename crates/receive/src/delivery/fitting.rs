//! Whether what came goes with the product that the reel is for.

use base::advice::quoted;
use base::findings::SharedFinding;
use base::trouble::Trouble;
use book::{Product, Reel};
use site::{Site, declaration};
use standard::ids::{ProductId, VendorId};
use standard::verdict::Finding;
use standard::verdict::catalogue::declaration::AUTHORITY as PERMITTED;
use standard::verdict::catalogue::intake::{DELIVERY_OTHER_PRODUCT, DELIVERY_PRODUCT};

use super::inspect::Inspection;

/// What a product's DACs must say, in every order, in what is issued here and on arrival: the
/// product's identifiers, or those of the DAC's origin where its declaration names one.
///
/// # Errors
///
/// [`Trouble`] where the book gave no answer.
pub fn dac_identity(site: &Site, product: &Product) -> Result<(VendorId, ProductId), Trouble> {
    let facts = &product.facts;
    let odd = |_| {
        Trouble::surroundings(
            format!("product {} in the book has impossible identifiers", facts.name),
            "Run `touchmark book verify`.",
        )
    };
    let own = (VendorId::new(facts.vendor_id).map_err(odd)?, ProductId::new(facts.product_id).map_err(odd)?);
    let Some(ready) = declaration::for_product(site, facts.vendor_id, facts.product_id, facts.purpose)? else {
        return Ok(own);
    };
    let Ok(content) = &ready.signed.fields else { return Ok(own) };
    let narrow = |v: Option<u64>| v.and_then(|v| u16::try_from(v).ok());
    let origin = narrow(content.dac_origin_vendor_id).zip(narrow(content.dac_origin_product_id));
    Ok(origin.and_then(|(v, p)| Some((VendorId::new(v).ok()?, ProductId::new(p).ok()?))).unwrap_or(own))
}

/// Says that a reel stands under the wrong product: nearly all certificates are for its keys, and say just what
/// those of another product here must say.
pub(super) fn other_product(
    site: &Site,
    reel: &Reel,
    product: &Product,
    inspection: &mut Inspection,
) -> Result<(), Trouble> {
    let nearly = |some: usize, all: usize| some > 0 && some * 10 >= all * 9;
    let on_reel: usize = inspection.identities.iter().map(|(_, count)| count).sum();
    let most = inspection.identities.iter().max_by_key(|(_, count)| *count);
    let Some(&((vendor, id), count)) = most.filter(|(_, count)| nearly(*count, on_reel)) else { return Ok(()) };
    if !nearly(on_reel, inspection.read) || dac_identity(site, product)? == (vendor, id) {
        return Ok(());
    }
    let mut others = Vec::new();
    for other in site.book.products()? {
        if other.facts.name != product.facts.name && dac_identity(site, &other)? == (vendor, id) {
            others.push(other.facts.name.to_string());
        }
    }
    if others.is_empty() {
        return Ok(());
    }
    let (own, reel, names) = (&product.facts.name, &reel.facts.reel, others.join(" or "));
    let found = format!(
        "reel {reel} is for product {own}; {count} of {} certificates are for its chips and say {vendor} {id}, as those \
         of product {names} do",
        inspection.read
    );
    let advice = format!(
        "If the chips are for {names}, withdraw the reel (`touchmark reel withdraw {}`), receive it again for that \
         product, and then this delivery. If they are for {own}, ask the authority which order it answered.",
        quoted(reel.as_str())
    );
    for told in inspection.findings.iter_mut().filter(|f| f.finding.rule.name == DELIVERY_PRODUCT.name) {
        told.finding = told.finding.clone().advising(format!("The same as {}.", DELIVERY_OTHER_PRODUCT.name));
    }
    let finding = Finding::new(&DELIVERY_OTHER_PRODUCT, found).advising(advice);
    let told = SharedFinding { subject: "delivery".into(), chip_id: None, count: 1, finding };
    inspection.findings.insert(0, told);
    Ok(())
}

/// Warns of certificates that no unit can pass with: the product's declaration permits other roots.
pub(super) fn permitted(site: &Site, product: &Product, inspection: &mut Inspection) -> Result<(), Trouble> {
    let pais = inspection.pais.iter().map(AsRef::as_ref);
    let Some(not) = declaration::not_permitted(site, product, pais)? else { return Ok(()) };
    let found = format!("{} is not among the roots of {}", not.roots.join(", "), not.declaration);
    let finding = Finding::new(&PERMITTED, found).weighing(standard::verdict::Severity::Warning).advising(
        "No unit can pass with these certificates and this declaration. Adopt a declaration that permits the root, or ask the \
         authority for certificates under one that is permitted, before you put chips on a station.",
    );
    let subject = "delivery".to_owned();
    inspection.findings.push(SharedFinding { subject, chip_id: None, count: 1, finding });
    Ok(())
}
