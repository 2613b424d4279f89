//! What a run knows: the reel, what is written into its units, whom to believe, and
//! onboarding data drawn ahead.

use std::fs;
use std::sync::Arc;

use aws_lc_rs::digest::{SHA256, digest};
use base::advice::quoted;
use base::randomness;
use base::sentence::sentence;
use base::trouble::Trouble;
use book::ids::{ProductName, ReelId, StationName};
use book::{AttemptFacts, Knowledge, Product, Purpose, UnitFilter, UnitState};
use custody::Passphrase;
use receive::reel;
use site::product::{FurtherObject, Kept};
use site::revoked::{Known, RevokedPais};
use site::{Site, Who, authority, declaration, product, trust};
use standard::certificate::Certificate;
use standard::ids::{ProductId, VendorId};
use standard::onboarding::Discriminator;
use standard::onboarding::draw::{Batch, Randomness};
use standard::passcode_verifier::{Iterations, PasscodeVerifier, Salt};
use standard::verdict::Device;
use zeroize::Zeroizing;

use super::{Provision, Watch};
use crate::station::Judge;

/// Everything that is the same for all units of a run, unless the site learns something new.
pub(super) struct Line<'a> {
    pub(super) site: &'a Site,
    pub(super) who: &'a Who,
    pub(super) reel: ReelId,
    pub(super) product: ProductName,
    pub(super) purpose: Purpose,
    /// How much there was to judge by when `judge` was made.
    pub(super) known: Knowledge,
    pub(super) station: StationName,
    pub(super) kept: Kept,
    pub(super) warnings: Vec<String>,
    pub(super) objects: Vec<FurtherObject>,
    pub(super) declaration: declaration::Ready,
    pub(super) judge: Judge,
    pub(super) iterations: Iterations,
    pub(super) salt_octets: usize,
    pub(super) attempts: u32,
    pub(super) limit: u32,
    pub(super) take_over: bool,
    pub(super) new_code: bool,
    /// Whether the book was put back from a backup, so that chips may know more than it does.
    pub(super) restored: bool,
    pub(super) facts: AttemptFacts,
    pub(super) passphrase: Option<&'a Passphrase>,
    pub(super) watch: Watch<'a>,
}

/// Onboarding data drawn ahead, because deriving a verifier takes longer than
/// a transaction should.
pub(super) struct Prepared {
    pub(super) discriminator: Discriminator,
    pub(super) passcode: Zeroizing<[u8; 4]>,
    pub(super) salt: Salt,
    pub(super) verifier: PasscodeVerifier,
}

/// What is likely to go wrong with all units of the reel's product; to be said before the first chip.
///
/// # Errors
///
/// [`Trouble`] where there is no such reel.
pub fn warnings(site: &Site, reel: &str) -> Result<Vec<String>, Trouble> {
    let product = product::get(site, reel::get(site, reel)?.facts.product.as_str())?;
    warnings_of(site, &product, &product::kept(&product)?, &ReelId::new(reel)?)
}

fn warnings_of(site: &Site, product: &Product, kept: &Kept, reel: &ReelId) -> Result<Vec<String>, Trouble> {
    let mut warnings = product::warnings(product, kept);
    warnings.extend(RevokedPais::of_reel(site, reel)?.words().iter().map(|what| sentence(what)));
    warnings.extend(changed_objects(site, product, reel)?);
    Ok(warnings)
}

/// Objects that are the same for all units, and whose file is not what the reel's first unit has on its chip.
fn changed_objects(site: &Site, product: &Product, reel: &ReelId) -> Result<Vec<String>, Trouble> {
    let same_for_all: Vec<_> = product::further(product)?.into_iter().filter(|object| object.file.is_some()).collect();
    if same_for_all.is_empty() {
        return Ok(Vec::new());
    }
    let filter = UnitFilter { reel: Some(reel.clone()), state: Some(UnitState::Passed), ..UnitFilter::default() };
    let Some(first) = site.book.units(&filter, None, 1)?.items.pop() else { return Ok(Vec::new()) };
    let proof = site.book.story(&first.serial)?.and_then(|story| story.proof);
    let held = |name: &str| {
        let objects = proof.as_ref().map_or(&[][..], |proof| &proof.facts.objects);
        objects.iter().find(|object| object.name == name).map(|object| object.sha256)
    };
    let mut changed = Vec::new();
    for object in same_for_all {
        let (Some(file), Some(before)) = (&object.file, held(&object.name)) else { continue };
        let Ok(octets) = fs::read(site.dir.join(file)) else { continue };
        if digest(&SHA256, &octets).as_ref() != before {
            changed.push(format!(
                "{} is not what it was: unit {} of this reel has another {} on its chip. Put the file back, unless the change \
                 is meant; units made before keep theirs.",
                file.display(),
                first.serial,
                object.name
            ));
        }
    }
    Ok(changed)
}

pub(super) fn line<'a>(
    site: &'a Site,
    request: &Provision<'a>,
    who: &'a Who,
    watch: Watch<'a>,
) -> Result<Line<'a>, Trouble> {
    let reel = reel::get(site, request.reel)?;
    let product = product::get(site, reel.facts.product.as_str())?;
    let facts = &product.facts;
    let kept = product::kept_for_line(&product)?;
    let declaration = declaration::for_product(site, facts.vendor_id, facts.product_id, facts.purpose)?.ok_or_else(|| {
        Trouble::refused(
            format!("product {} has no declaration that names {:04X} {:04X}", facts.name, facts.vendor_id, facts.product_id),
            match facts.purpose {
                Purpose::Test => "Adopt the alliance's with `touchmark declaration adopt`, or make a development one with `touchmark declaration make`.",
                Purpose::Production => "Adopt the alliance's with `touchmark declaration adopt`; a development one does not work for products that are sold.",
            },
        )
    })?;
    if site.book.issuers_of(&reel.facts.reel)?.is_empty() {
        return Err(Trouble::refused(
            format!("reel {} has no delivery, so none of its chips has a certificate", reel.facts.reel),
            format!(
                "Receive the authority's delivery with `touchmark delivery receive PATH --reel {0}`, or issue one with \
                 `touchmark delivery issue --reel {0} --issuer NAME`. No chip was touched.",
                quoted(reel.facts.reel.as_str())
            ),
        ));
    }
    let issuers = site.book.issuers_of(&reel.facts.reel)?;
    let pais = authority::intermediates(site)?;
    let used = pais.iter().filter(|(name, _)| issuers.contains(name)).map(|(_, pai)| pai.as_ref());
    if let Some(not) = declaration::not_permitted(site, &product, used)?.filter(|not| not.all) {
        return Err(Trouble::refused(
            format!(
                "the declaration {} does not permit the root of reel {}'s certificates, {}: a verifier would refuse every unit",
                not.declaration,
                reel.facts.reel,
                not.roots.join(", ")
            ),
            "Adopt a declaration that permits it, or ask the authority for certificates under a root that is permitted. No \
             chip was touched.",
        ));
    }
    // The site key is needed before the first chip is touched, not in the middle.
    site.key(request.passphrase)?;
    let odd = |_| {
        Trouble::surroundings(
            format!("product {} in the book has impossible identifiers", facts.name),
            "Run `touchmark book verify`.",
        )
    };
    let device = Device {
        vendor: Some(VendorId::new(facts.vendor_id).map_err(odd)?),
        product: Some(ProductId::new(facts.product_id).map_err(odd)?),
        by_declaration: true,
    };
    // Counted before it is loaded: what comes between is noticed at the next chip.
    let known = site.book.knowledge()?;
    let iterations = Iterations::new(site.settings.onboarding.iterations)
        .map_err(|e| Trouble::usage(e.to_string(), "Fix onboarding.iterations in touchmark.toml."))?;
    let mut line = Line {
        site,
        who,
        reel: reel.facts.reel.clone(),
        station: StationName::new(request.station)?,
        warnings: warnings_of(site, &product, &kept, &reel.facts.reel)?,
        kept,
        objects: product::further(&product)?,
        product: facts.name.clone(),
        purpose: facts.purpose,
        known,
        judge: Judge {
            anchors: Vec::new(),
            signer: declaration.signer.clone(),
            device,
            revoked: Known::default(),
            sets: Vec::new(),
        },
        declaration,
        iterations,
        salt_octets: site.settings.onboarding.salt_octets.clamp(16, 32),
        attempts: request.attempts.max(1),
        limit: site.settings.station.attempts.max(1),
        take_over: request.take_over,
        new_code: request.new_code,
        restored: site.book.restoration()?.is_some(),
        facts: request.facts.clone(),
        passphrase: request.passphrase,
        watch,
    };
    line.load_judge()?;
    Ok(line)
}

impl Line<'_> {
    /// Takes up what the site has learned since: certificates revoked, lists kept, trust or the
    /// product's settings changed. A station runs for days, and must not write what was revoked
    /// this morning.
    pub(super) fn learn(&mut self, knowledge: Knowledge) -> Result<(), Trouble> {
        if knowledge != self.known {
            let now = reel::get(self.site, self.reel.as_str())?.facts.product;
            if now != self.product {
                return Err(Trouble::refused(
                    format!("reel {} is for product {now} now, and was for {}", self.reel, self.product),
                    "Start the station again.",
                ));
            }
            let product = product::get(self.site, self.product.as_str())?;
            (self.kept, self.objects) = (product::kept_for_line(&product)?, product::further(&product)?);
            self.load_judge()?;
            self.known = knowledge;
        }
        Ok(())
    }

    fn load_judge(&mut self) -> Result<(), Trouble> {
        let all = authority::anchors(self.site)?;
        let production = self.purpose == Purpose::Production;
        let anchors: Vec<_> = all.into_iter().filter(|(_, p)| *p || !production).map(|(c, _)| c).collect();
        if anchors.is_empty() {
            return Err(Trouble::refused(
                "no PAA is trusted at this site, so no unit could be proven",
                "Adopt the authority's PAA with `touchmark authority adopt`, or create one with `touchmark authority create`.",
            ));
        }
        let sets = trust::of_product(self.site, &self.product)?;
        let pais = intermediates(self.site, &self.reel)?;
        let test = self.judge.device.vendor.is_some_and(VendorId::is_test);
        trust::preflight(&sets, test, &self.declaration.signed, &pais)?;
        (self.judge.anchors, self.judge.sets) = (anchors, sets);
        self.judge.revoked = Known::of(self.site)?;
        Ok(())
    }
}

/// PAIs of the reel's deliveries.
fn intermediates(site: &Site, reel: &ReelId) -> Result<Vec<Arc<Certificate>>, Trouble> {
    let names: std::collections::BTreeSet<_> = site.book.issuers_of(reel)?.into_iter().collect();
    let all = authority::intermediates(site)?;
    Ok(all.into_iter().filter(|(name, _)| names.contains(name)).map(|(_, c)| c).collect())
}

pub(super) fn prepare<R: Randomness>(
    iterations: Iterations,
    salt_octets: usize,
    batch: &mut Batch<R>,
) -> Result<Prepared, Trouble> {
    let no_random = |e: &dyn std::fmt::Display| {
        Trouble::surroundings(
            format!("no onboarding data could be generated: {e}"),
            "Check the operating system's random source.",
        )
    };
    let drawn = batch.draw().map_err(|e| no_random(&e))?;
    let mut octets = vec![0; salt_octets];
    randomness::system(&mut octets).map_err(|e| no_random(&e))?;
    let salt = Salt::new(&octets).map_err(|e| no_random(&e))?;
    let verifier = PasscodeVerifier::derive(&drawn.passcode, &salt, iterations).map_err(|e| no_random(&e))?;
    Ok(Prepared { discriminator: drawn.discriminator, passcode: drawn.passcode.password(), salt, verifier })
}
