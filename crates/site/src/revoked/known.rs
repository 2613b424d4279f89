//! What this site knows to be revoked: by its own word, and by the lists it keeps.

use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::Arc;

use base::trouble::Trouble;
use examine::Input;
use standard::certificate::{Certificate, Profile};
use standard::moment::Moment;
use standard::revocation::RevocationList;
use standard::verdict::{Finding, HeldList, Listed, Pool, RevokedSerials};

use crate::{FILE, Site};

type Serials = HashMap<Vec<u8>, Listed>;

/// What is revoked, read once and asked for every unit.
#[derive(Debug, Default, Clone)]
pub struct Known {
    /// What the site revoked itself, by the key of the issuer.
    own: HashMap<[u8; 65], Arc<Serials>>,
    lists: Vec<Arc<HeldList>>,
}

impl Known {
    /// What the site knows now. A kept list was judged when it was kept; a partial one counts for what it revokes.
    pub fn of(site: &Site) -> Result<Self, Trouble> {
        let kept = site.book.revocation_lists()?;
        let partial = site.book.partial_lists()?;
        let mut own: HashMap<[u8; 65], Serials> = HashMap::new();
        let mut lists = Vec::new();
        for authority in site.book.authorities()? {
            let name = &authority.facts.name;
            let Ok(certificate) = Certificate::read(&authority.facts.certificate) else { continue };
            let Some(key) = certificate.public_key().map(|key| *key.point()) else { continue };
            let certificate = Arc::new(certificate);
            if let Some(kept) = kept.iter().find(|l| l.issuer == *name)
                && let Ok(list) = RevocationList::read(&kept.content)
            {
                lists.push(Arc::new(HeldList::new(&list, Arc::clone(&certificate))));
            }
            for list in partial.iter().filter(|list| list.issuer == *name) {
                if let Ok(list) = RevocationList::read(&list.content) {
                    lists.push(Arc::new(HeldList::new(&list, Arc::clone(&certificate))));
                }
            }
            for revoked in site.book.revoked(name)? {
                let at = Some(Moment::from_unix(revoked.at.unix_timestamp()));
                let listed = Listed { at, reason: Some(revoked.reason) };
                own.entry(key).or_default().insert(revoked.certificate.serial, listed);
            }
        }
        Ok(Self { own: own.into_iter().map(|(key, serials)| (key, Arc::new(serials))).collect(), lists })
    }

    /// Whether nothing at all is revoked.
    pub fn is_empty(&self) -> bool {
        self.own.is_empty() && self.lists.is_empty()
    }

    /// What authorities have listed, without what this site asked for.
    pub(crate) fn lists_alone(&self) -> Self {
        Self { own: HashMap::new(), lists: self.lists.clone() }
    }

    /// The same, said of a pool's authorities.
    pub fn against(&self, pool: &Pool) -> Vec<RevokedSerials> {
        let members = pool.authorities().iter().enumerate();
        let own = members.filter_map(|(index, member)| {
            let serials = self.own.get(member.certificate.public_key()?.point())?;
            Some(RevokedSerials::new(index, Arc::clone(serials)))
        });
        own.chain(self.lists.iter().flat_map(|list| list.against(pool))).collect()
    }

    /// How many entries of the lists that cover a pool's authorities name others: one finding a list.
    pub fn elsewhere(&self, pool: &Pool) -> Vec<Finding> {
        self.lists.iter().filter_map(|list| list.elsewhere(pool)).collect()
    }

    /// Which certificate of a chain is revoked, the DAC or its PAI, when and why.
    ///
    /// - `anchors`: PAAs, one of which issued the PAI.
    pub fn of_chain(
        &self,
        anchors: &[Arc<Certificate>],
        pai: &Arc<Certificate>,
        dac: Option<&Certificate>,
    ) -> Option<(Profile, Listed)> {
        let pool = pool(anchors, Some(Arc::clone(pai)));
        let revoked = self.against(&pool);
        let of_dac = dac.and_then(|dac| pool.revocation(dac, anchors.len(), &revoked));
        let above = pool.authorities().last().and_then(|member| member.up);
        let of_pai = above.and_then(|above| pool.revocation(pai, above.issuer, &revoked));
        let dac = of_dac.map(|listed| (Profile::Dac, *listed));
        dac.or_else(|| of_pai.map(|listed| (Profile::Pai, *listed)))
    }
}

/// Trusted PAAs, and behind them a PAI.
pub fn pool(anchors: &[Arc<Certificate>], pai: Option<Arc<Certificate>>) -> Pool {
    let mut members: Vec<_> = anchors.iter().map(|c| (Arc::clone(c), Profile::Paa, true)).collect();
    members.extend(pai.map(|pai| (pai, Profile::Pai, false)));
    Pool::new(members)
}

/// Lists to be honoured: each path as it is; the directory of a site stands for the lists that it keeps, with the
/// certificates of appointed signers.
///
/// # Errors
///
/// [`Trouble`] where a site can't be opened.
pub fn kept_by(paths: &[PathBuf]) -> Result<Vec<Input>, Trouble> {
    let mut out = Vec::new();
    for path in paths {
        if !path.join(FILE).is_file() {
            out.extend(Input::at([path]));
            continue;
        }
        for list in Site::open(path)?.book.revocation_lists()? {
            let name: String =
                list.issuer.as_str().chars().map(|c| if c.is_alphanumeric() { c } else { '-' }).collect();
            let file = path.join(format!("{name}-{}.crl", hex::encode(&list.number)));
            out.extend(list.signer.map(|signer| Input::held(file.with_extension("signer.der"), signer)));
            out.push(Input::held(file, list.content));
        }
    }
    Ok(out)
}
