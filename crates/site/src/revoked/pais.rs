//! PAIs that are revoked: what stands below them can't be used, however good it looks by itself.

use base::trouble::Trouble;
use book::ids::{AuthorityName, ReelId};

use super::Known;
use crate::{Site, authority};

/// PAIs that are revoked: name, and when and why.
#[derive(Debug, Clone)]
pub struct RevokedPais(Vec<(AuthorityName, String)>);

impl RevokedPais {
    /// Of a reel's deliveries.
    pub fn of_reel(site: &Site, reel: &ReelId) -> Result<Self, Trouble> {
        let issuers = site.book.issuers_of(reel)?;
        Ok(Self(all(site)?.into_iter().filter(|(name, _)| issuers.contains(name)).collect()))
    }

    /// Of the site.
    pub fn of_site(site: &Site) -> Result<Self, Trouble> {
        Ok(Self(all(site)?))
    }

    /// What is said of each, as sentences without their ends.
    pub fn words(&self) -> Vec<String> {
        let one = |(name, when): &(AuthorityName, String)| {
            format!("the PAI {name} was revoked {when}, so none of its certificates can be used")
        };
        self.0.iter().map(one).collect()
    }
}

/// All of the site that are revoked.
pub fn all(site: &Site) -> Result<Vec<(AuthorityName, String)>, Trouble> {
    // Most sites have revoked nothing.
    if Known::of(site)?.is_empty() {
        return Ok(Vec::new());
    }
    let views = authority::list(site)?;
    let revoked = views.into_iter().filter_map(|view| Some((view.name, view.revoked?)));
    revoked.map(|(name, when)| Ok((AuthorityName::new(&name)?, when))).collect()
}
