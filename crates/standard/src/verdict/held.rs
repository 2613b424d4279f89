//! Holding certificates against a list: the one way from what a list says to whether a certificate is revoked.
//!
//! An entry counts for the authority that it names, where the list may speak
//! for that authority (RFC 5280 §5.2.5, §5.3.3, §6.3.3): the list's own issuer;
//! in an indirect list an authority below it, and one whose certificate names
//! the list's issuer as its cRLIssuer. What names nobody counts for the issuer,
//! and in the list of an appointed signer for whoever appointed it (Core Spec
//! 6.2.4, from memory; RFC 5280 alone would have it be the signer's own).

use std::collections::HashMap;
use std::fmt;
use std::sync::Arc;

use super::catalogue::revocation::SCOPE;
use super::pool::Pool;
use super::{Finding, Severity};
use crate::certificate::Certificate;
use crate::moment::Moment;
use crate::revocation::{Reason, RevocationList, names_list_issuer};

/// Names shown of authorities that are not here.
const SHOWN: usize = 3;

/// When and why a certificate was revoked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Listed {
    /// When; `None` where the list's date can't be read.
    pub at: Option<Moment>,
    pub reason: Option<u8>,
}

impl fmt::Display for Listed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.at {
            Some(at) => write!(f, "{at}")?,
            None => f.write_str("at an unreadable time")?,
        }
        self.reason.and_then(Reason::name_of).map_or(Ok(()), |reason| write!(f, ", {reason}"))
    }
}

/// Revoked certificates by the content octets of their serial numbers.
type Serials = HashMap<Vec<u8>, Listed>;

/// What is known to be revoked of one authority's certificates.
#[derive(Debug, Clone)]
pub struct RevokedSerials {
    issuer: usize,
    serials: Arc<Serials>,
    /// A list's issuer that the certificate itself must name.
    named_by_certificate: Option<Arc<str>>,
}

impl RevokedSerials {
    /// What the issuer, or whoever else needs no list, knows to be revoked.
    ///
    /// - `issuer`: index in the pool.
    /// - `serials`: shared, since there may be many and they are asked for every unit.
    pub fn new(issuer: usize, serials: Arc<Serials>) -> Self {
        Self { issuer, serials, named_by_certificate: None }
    }

    /// Index in the pool of the authority whose certificates are meant.
    pub fn issuer(&self) -> usize {
        self.issuer
    }

    /// When and why this certificate of the authority was revoked.
    pub fn lookup(&self, certificate: &Certificate) -> Option<&Listed> {
        let listed = self.serials.get(certificate.serial())?;
        let counts = |list: &Arc<str>| names_list_issuer(certificate, list);
        self.named_by_certificate.as_ref().is_none_or(counts).then_some(listed)
    }

    /// Whether a serial number is among them, whatever its certificate says.
    pub fn names(&self, serial: &[u8]) -> bool {
        self.serials.contains_key(serial)
    }

    /// All of them: content octets of the serial number, when and why.
    pub fn entries(&self) -> impl Iterator<Item = (&[u8], &Listed)> {
        self.serials.iter().map(|(serial, listed)| (serial.as_slice(), listed))
    }
}

/// Entries about the certificates of one authority.
#[derive(Debug)]
struct Group {
    /// Its names as [`crate::name::Name::folded`] has them.
    names: Vec<String>,
    /// Its names for people; empty for entries that name nobody.
    shown: String,
    serials: Arc<Serials>,
    count: u64,
}

/// A list whose signature holds, ready for certificates to be held against it.
#[derive(Debug)]
pub struct HeldList {
    authority: Arc<Certificate>,
    signer: Option<Arc<Certificate>>,
    /// The list's issuer: the authority, or a signer that it appointed.
    issuer: Arc<str>,
    indirect: bool,
    groups: Vec<Group>,
}

impl HeldList {
    /// Sorts a list's entries by whom they are about.
    ///
    /// - `authority`: who issued the list or appointed whoever did.
    pub fn new(list: &RevocationList, authority: Arc<Certificate>) -> Self {
        let der = list.der();
        let mut groups = vec![(Vec::new(), String::new(), Serials::new(), 0)];
        groups.extend(list.named.iter().map(|names| {
            let shown: Vec<_> = names.iter().map(|name| name.display(der)).collect();
            let shown = if shown.is_empty() { "no directoryName".into() } else { shown.join(" or ") };
            (names.iter().map(|name| name.folded(der)).collect(), shown, Serials::new(), 0)
        }));
        for entry in &list.entries {
            let (_, _, serials, count) = &mut groups[entry.named.map_or(0, |place| place as usize + 1)];
            *count += 1;
            if !entry.removes() {
                serials.insert(list.serial(entry).to_vec(), Listed { at: entry.date.moment, reason: entry.reason });
            }
        }
        let groups = groups.into_iter().map(|(names, shown, serials, count)| Group {
            names,
            shown,
            serials: Arc::new(serials),
            count,
        });
        Self {
            authority,
            signer: None,
            issuer: list.issuer.folded(der).into(),
            indirect: list.is_indirect(),
            groups: groups.filter(|group| group.count > 0).collect(),
        }
    }

    /// The same, signed by somebody whom the authority appointed.
    pub(super) fn signed_by(self, signer: Option<Arc<Certificate>>) -> Self {
        Self { signer, ..self }
    }

    /// Whoever signed it, where that is not the authority itself.
    pub fn signer(&self) -> Option<&Arc<Certificate>> {
        self.signer.as_ref()
    }

    /// Whose list it is: its issuer, or who appointed its signer.
    pub fn authority(&self) -> &Arc<Certificate> {
        &self.authority
    }

    /// What it revokes of the certificates of a pool's authorities.
    pub fn against(&self, pool: &Pool) -> Vec<RevokedSerials> {
        self.groups.iter().flat_map(|group| self.about(group, pool)).collect()
    }

    fn about(&self, group: &Group, pool: &Pool) -> Vec<RevokedSerials> {
        let says = |index, by_certificate: bool| RevokedSerials {
            issuer: index,
            serials: Arc::clone(&group.serials),
            named_by_certificate: by_certificate.then(|| Arc::clone(&self.issuer)),
        };
        if group.shown.is_empty() {
            return pool.same_as(&self.authority).map(|index| says(index, false)).collect();
        }
        let own: Vec<usize> = pool.same_as(&self.authority).collect();
        let named = group.names.iter().flat_map(|name| pool.named(name)).copied();
        named
            .filter_map(|index| {
                if own.contains(&index) || (self.indirect && pool.is_below(index, &self.authority)) {
                    Some(says(index, false))
                } else {
                    self.indirect.then(|| says(index, true))
                }
            })
            .collect()
    }

    /// Groups that name an authority which is not in the pool, or which the list can't speak for.
    fn others(&self, pool: &Pool) -> Vec<&Group> {
        let is_other = |group: &&Group| {
            !group.shown.is_empty() && self.about(group, pool).iter().all(|says| says.named_by_certificate.is_some())
        };
        self.groups.iter().filter(is_other).collect()
    }

    /// How many entries name an authority that is not in the pool, or that the list can't speak for.
    pub fn elsewhere_count(&self, pool: &Pool) -> u64 {
        self.others(pool).iter().map(|group| group.count).sum()
    }

    /// The same as a finding, so that it never goes unsaid: `None` where there are none, or where the pool does not
    /// hold whose list it is.
    pub fn elsewhere(&self, pool: &Pool) -> Option<Finding> {
        pool.same_as(&self.authority).next()?;
        let others = self.others(pool);
        let count = self.elsewhere_count(pool);
        if count == 0 {
            return None;
        }
        let mut names: Vec<_> = others.iter().take(SHOWN).map(|group| group.shown.as_str()).collect();
        let more = format!("{} more", others.len().saturating_sub(SHOWN));
        if others.len() > SHOWN {
            names.push(&more);
        }
        let entries = if count == 1 { "1 entry names" } else { &format!("{count} entries name") };
        let finding = Finding::new(&SCOPE, format!("{entries} another authority: {}", names.join("; ")));
        Some(if self.indirect {
            finding
                .weighing(Severity::Note)
                .requiring("Entries of an indirect list may name any authority.")
                .advising("Nothing to do: they count for the certificates of that authority alone.")
        } else {
            finding
                .weighing(Severity::Warning)
                .requiring("A list that names other authorities is marked as indirect (RFC 5280 §5.2.5).")
                .advising("They are not counted. Ask the list's issuer whose certificates they are about.")
        })
    }
}
