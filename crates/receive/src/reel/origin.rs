//! Whether a manifest comes from the chip maker, or is made of what an authority issued.

use std::sync::Arc;

use base::findings::SharedFinding;
use base::trouble::Trouble;
use site::{Site, authority};
use standard::certificate::{Certificate, Profile};
use standard::verdict::catalogue::intake::REEL_FROM_CERTIFICATES;
use standard::verdict::{Context, Finding, Pool};

use super::manifest::Manifest;

/// What there is to say of a manifest that is made of DACs: each DAC of the same delivery will then match its chip,
/// whoever's chips they are. Where a PAA known here stands above them, that must be meant.
///
/// - `wanted`: whether that is said to be meant.
///
/// # Errors
///
/// [`Trouble`] where it is not meant, about the input `from_certificates`.
pub(super) fn of_certificates(
    site: &Site,
    manifest: &Manifest,
    wanted: bool,
) -> Result<Option<SharedFinding>, Trouble> {
    if manifest.dacs.is_empty() {
        return Ok(None);
    }
    let anchors = authority::anchors(site)?;
    let known = authority::intermediates(site)?;
    let of = |profile, trusted| move |c: &Arc<Certificate>| (Arc::clone(c), profile, trusted);
    let members = anchors.iter().map(|(paa, _)| paa).map(of(Profile::Paa, true));
    let members = members.chain(known.iter().map(|(_, pai)| pai).map(of(Profile::Pai, false)));
    let pool = Pool::new(members.chain(manifest.authorities.iter().map(of(Profile::Pai, false))).collect());
    let context = Context { trust_given: true, ..Context::default() };
    let anchored = manifest.dacs.iter().find(|dac| pool.judge_dac(dac, &context).anchored);
    // What names a product is a DAC, whoever issued it; only where that is not known here may it still be what a chip
    // maker put into its chips.
    let Some(dac) = anchored.or(manifest.dacs.first()) else { return Ok(None) };
    let issuer = dac.issuer.display(dac.der());
    let known = if anchored.is_some() { "an authority known here" } else { "an authority that is not known here" };
    let found = format!("DACs issued by {issuer}, {known}");
    if !wanted && anchored.is_some() {
        return Err(Trouble::usage(
            format!("this is not the chip maker's manifest: it is made of {found}"),
            "If the reel is here already, receive this as its delivery (`touchmark delivery receive`). Otherwise \
             receive the chip maker's manifest first: only that shows whether the certificates are for your chips. A reel can be made of the certificates on purpose; the check of their keys is then void. Nothing was \
             stored.",
        )
        .about("from_certificates"));
    }
    Ok(Some(SharedFinding {
        subject: "manifest".into(),
        chip_id: None,
        count: 1,
        finding: Finding::new(&REEL_FROM_CERTIFICATES, found),
    }))
}
