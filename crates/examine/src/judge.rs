//! Judging what was cast, on all cores.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::mem;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use base::course::{Course, Phase, Stopped};
use rayon::prelude::*;
use standard::certificate::{Certificate, Profile};
use standard::declaration::Declaration;
use standard::ids::{ProductId, VendorId};
use standard::moment::Moment;
use standard::revocation::RevocationList;
use standard::verdict::{
    Context, Device, Finding, Pool, Report, RevokedSerials, Severity, SignerKey, judge_declaration, judge_exchange,
    judge_list, judge_pairing, judge_request, rule,
};

use super::report::{Examination, Subject};
use super::roles::{Cast, Part, Player, has, signer_key};
use super::{Examine, Kind};

/// Certificates that a core judges before it looks whether another wants some of its own.
const CHUNK: usize = 16;

/// The pool, and where in it and in the answer each authority stands.
struct Authorities {
    pool: Pool,
    /// Index in the pool of each player that is an authority.
    of_player: HashMap<usize, usize>,
    /// Name of each pool member's file.
    names: Vec<String>,
    /// Pool members that are trusted and not among the players.
    beside: Vec<usize>,
}

fn authorities(cast: &Cast) -> Authorities {
    let mut members: Vec<(Arc<Certificate>, Profile, bool)> = Vec::new();
    let mut names: Vec<String> = Vec::new();
    let mut by_der: HashMap<Vec<u8>, usize> = HashMap::new();
    let mut of_player = HashMap::new();
    let mut beside = Vec::new();
    let mut add = |c: &Arc<Certificate>, profile, trusted, name: &str| {
        *by_der.entry(c.der().to_vec()).or_insert_with(|| {
            members.push((Arc::clone(c), profile, trusted));
            names.push(name.to_owned());
            members.len() - 1
        })
    };
    for (name, c) in &cast.trust {
        beside.push(add(c, Profile::Paa, true, name));
    }
    for (index, player) in cast.players.iter().enumerate() {
        if let Part::Certificate(c, kind @ (Kind::Pai | Kind::Paa)) = &player.part {
            let profile = if *kind == Kind::Pai { Profile::Pai } else { Profile::Paa };
            of_player.insert(index, add(c, profile, false, &player.name));
        }
    }
    // A DAC that another certificate claims as its issuer belongs to the chain too, as the fault in it.
    let claimed = |(index, player): (usize, &Player)| {
        let dac = player.part.dac()?;
        let id = dac.subject_key_id().filter(|id| has(&cast.authority_ids, id))?.to_vec();
        Some((id, (index, dac)))
    };
    let claimed: Vec<_> = cast.players.par_iter().enumerate().filter_map(claimed).collect();
    let by_id: HashMap<Vec<u8>, (usize, Arc<Certificate>)> = claimed.into_iter().collect();
    let claimants = if by_id.is_empty() { &[][..] } else { &cast.players };
    for (index, player) in claimants.iter().enumerate() {
        let dac = player.part.dac();
        let issuer = dac.as_ref().and_then(|dac| by_id.get(dac.authority_key_id()?));
        if let Some((_, issuer)) = issuer.filter(|(issuer, _)| *issuer != index) {
            add(issuer, Profile::Dac, false, "");
        }
    }
    let given: Vec<usize> = of_player.values().copied().collect();
    beside.retain(|index| !given.contains(index));
    beside.sort_unstable();
    beside.dedup();
    Authorities { pool: Pool::new(members), of_player, names, beside }
}

pub(super) fn judge(request: &Examine, mut cast: Cast, now: Moment, course: &Course) -> Result<Examination, Stopped> {
    let known = authorities(&cast);
    let pool = &known.pool;
    let trust_given = !request.trust.is_empty();
    let list_time = request.at.unwrap_or(now);
    let others = others(&mut cast.players);
    let has_declaration = others.iter().any(|(_, part)| matches!(part, Part::Declaration(_) | Part::Exchange(_)));
    let device = Device { by_declaration: has_declaration, ..request.device };

    // Lists first: what they revoke counts for the chains.
    let mut revoked: Vec<RevokedSerials> = Vec::new();
    let mut judge_one_list = |list: &RevocationList| {
        let mut report = Report::new();
        let held = judge_list(list, pool, &cast.list_signers, trust_given, list_time, &mut report);
        revoked.extend(held.iter().flat_map(|held| held.against(pool)));
        report.into_findings()
    };
    let mut list_findings: HashMap<usize, Vec<Finding>> = HashMap::new();
    // A list that is also given as a file is judged there, once.
    let mut given_lists: HashSet<&[u8]> = HashSet::new();
    for (index, part) in &others {
        if let Part::List(list) = part {
            list_findings.insert(*index, judge_one_list(list));
            given_lists.insert(list.der());
        }
    }
    let beside_lists: Vec<_> = cast
        .lists
        .into_iter()
        .filter(|(_, list)| !given_lists.contains(list.der()))
        .map(|(name, list)| (name, judge_one_list(&list), list))
        .collect();
    let context = Context { trust_given, device, at: request.at, present: Some(now), revoked, arriving: false };

    let mut signers = cast.signers;
    signers.extend(cast.players.iter().filter_map(|p| match &p.part {
        Part::Certificate(c, Kind::DeclarationSigner) => signer_key(c, false),
        _ => None,
    }));
    let exchanges = others.iter().any(|(_, part)| matches!(part, Part::Exchange(_)));
    let dacs: Vec<Arc<Certificate>> =
        if exchanges { cast.players.iter().filter_map(|player| player.part.dac()).collect() } else { Vec::new() };

    let count = cast.players.iter().filter(|player| matches!(player.part, Part::Dac(_))).count() as u64;
    course.phase(Phase::Judging, Some(count));
    let judging = Judging { known: &known, context: &context, used: unused(pool), groups: Mutex::default() };
    let mut subjects: Vec<Subject> = cast
        .players
        .into_par_iter()
        .enumerate()
        .with_min_len(CHUNK)
        .map_init(Above::default, |above, (index, player)| {
            // Once it is to stop nothing more is judged, and what was is of no use.
            if course.go_on().is_err() {
                return Subject::new(player.name, &Part::Unknown, Vec::new());
            }
            let is_dac = matches!(player.part, Part::Dac(_));
            let subject = judging.subject(player, index, above);
            if is_dac {
                course.advance(1);
            }
            subject
        })
        .collect();
    course.go_on()?;
    let (used, devices) = judging.done();

    let given: Vec<(usize, &Declaration)> = others
        .iter()
        .filter_map(|(index, part)| match part {
            Part::Declaration(d) => Some((*index, &**d)),
            _ => None,
        })
        .collect();
    let mut pairings = pair(&given, &devices, &device);
    for (index, part) in &others {
        let findings = match part {
            Part::Declaration(d) => {
                let mut report = Report::new();
                judge_declaration(d, &signers, &mut report);
                let mut findings = report.into_findings();
                findings.extend(pairings.remove(index).unwrap_or_default());
                order(&mut findings);
                findings
            }
            Part::Exchange(proof) => exchange(proof, &dacs, &given, &signers, &device, &devices),
            Part::List(_) => list_findings.remove(index).unwrap_or_default(),
            Part::Request(r) => {
                let mut report = Report::new();
                judge_request(r, &request.device, &mut report);
                report.into_findings()
            }
            _ => Vec::new(),
        };
        let name = mem::take(&mut subjects[*index].name);
        subjects[*index] = Subject::new(name, part, findings);
    }
    let ends = subjects.iter().filter(|s| matches!(s.kind, Kind::Dac | Kind::Pai | Kind::Paa));
    let anchored = ends.clone().next().is_some() && ends.clone().all(|s| s.anchored);

    // Trusted PAAs answer for their own form where a chain ends at them.
    for index in known.beside.iter().copied().filter(|i| used[*i]) {
        let part = Part::Certificate(Arc::clone(&pool.authorities()[index].certificate), Kind::Paa);
        let judged = pool.judge_authority(index, &context);
        let above = Above::default().of(&judged.chain, &known.names);
        let subject = Subject::new(known.names[index].clone().into(), &part, judged.findings);
        subjects.push(subject.under(above, judged.anchored).trusted_beside());
    }
    for (name, findings, list) in beside_lists {
        subjects.push(Subject::new(name, &Part::List(list), findings));
    }
    Ok(Examination::new(subjects, anchored))
}

/// Takes what is no certificate from among the players, whose places stay: there are few.
fn others(players: &mut [Player]) -> Vec<(usize, Part)> {
    let mut others = Vec::new();
    for (index, player) in players.iter_mut().enumerate() {
        if !matches!(player.part, Part::Dac(_) | Part::Certificate(..) | Part::Broken(..) | Part::Unknown) {
            others.push((index, mem::replace(&mut player.part, Part::Unknown)));
        }
    }
    others
}

/// The names of those above a certificate. One after the other has mostly the same.
#[derive(Default)]
struct Above {
    chain: Vec<usize>,
    names: Arc<[String]>,
}

impl Above {
    fn of(&mut self, chain: &[usize], names: &[String]) -> Arc<[String]> {
        if self.chain != chain {
            self.chain = chain.to_vec();
            self.names = chain.iter().filter_map(|index| names.get(*index).cloned()).collect();
        }
        Arc::clone(&self.names)
    }
}

/// What makes DACs the same to a declaration: vendor, product and PAA.
type Group = (Option<VendorId>, Option<ProductId>, Option<usize>);

/// DACs that are the same to a declaration, told by the first of them.
struct DeviceGroup {
    first: usize,
    name: Box<str>,
    dac: Arc<Certificate>,
    paa: Option<Arc<Certificate>>,
    count: u64,
}

/// Judges certificates on any number of cores. Each is given back when its subject is told:
/// a hundred thousand of them are much memory.
struct Judging<'a> {
    known: &'a Authorities,
    context: &'a Context,
    /// Which members of the pool stand above anything.
    used: Vec<AtomicBool>,
    groups: Mutex<HashMap<Group, DeviceGroup>>,
}

fn unused(pool: &Pool) -> Vec<AtomicBool> {
    pool.authorities().iter().map(|_| AtomicBool::new(false)).collect()
}

impl Judging<'_> {
    fn subject(&self, player: Player, index: usize, above: &mut Above) -> Subject {
        let Player { name, part } = player;
        let part = part.apart();
        let judged = match &part {
            Part::Certificate(c, Kind::Dac) => Some(self.known.pool.judge_dac(c, self.context)),
            Part::Certificate(_, Kind::Pai | Kind::Paa) => {
                self.known.of_player.get(&index).map(|member| self.known.pool.judge_authority(*member, self.context))
            }
            _ => None,
        };
        let Some(judged) = judged else {
            let findings = if let Part::Broken(profile, why) = &part { broken(*profile, why) } else { Vec::new() };
            return Subject::new(name, &part, findings);
        };
        for above in &judged.chain {
            self.used[*above].store(true, Ordering::Relaxed);
        }
        if let Part::Certificate(dac, Kind::Dac) = &part
            && self.context.device.by_declaration
        {
            self.group(dac, &name, index, &judged.chain);
        }
        let subject = Subject::new(name, &part, judged.findings);
        subject.under(above.of(&judged.chain, &self.known.names), judged.anchored)
    }

    fn group(&self, dac: &Arc<Certificate>, name: &str, index: usize, chain: &[usize]) {
        let authorities = self.known.pool.authorities();
        let top = chain.last().copied().filter(|top| authorities[*top].profile == Profile::Paa);
        let identity = &dac.subject.identity;
        let mut groups = self.groups.lock().unwrap_or_else(PoisonError::into_inner);
        let group = groups.entry((identity.vendor(), identity.product(), top)).or_insert_with(|| DeviceGroup {
            first: index,
            name: name.into(),
            dac: Arc::clone(dac),
            paa: top.map(|top| Arc::clone(&authorities[top].certificate)),
            count: 0,
        });
        group.count += 1;
        if index < group.first {
            (group.first, group.name, group.dac) = (index, name.into(), Arc::clone(dac));
        }
    }

    /// Which members of the pool were used, and the groups of DACs in the order given.
    fn done(self) -> (Vec<bool>, Vec<DeviceGroup>) {
        let groups = self.groups.into_inner().unwrap_or_else(PoisonError::into_inner);
        let mut groups: Vec<DeviceGroup> = groups.into_values().collect();
        groups.sort_by_key(|group| group.first);
        (self.used.into_iter().map(AtomicBool::into_inner).collect(), groups)
    }
}

fn broken(profile: Profile, why: &str) -> Vec<Finding> {
    let name = format!("{}.encoding", profile.word());
    rule(&name).map(|rule| Finding::new(rule, why)).into_iter().collect()
}

/// Findings between declarations and devices.
///
/// Each device needs one declaration that covers it, and each declaration is
/// judged against the devices that no other covers better.
fn pair(given: &[(usize, &Declaration)], devices: &[DeviceGroup], device: &Device) -> HashMap<usize, Vec<Finding>> {
    let judge = |declaration: &Declaration, group: Option<&DeviceGroup>| {
        let mut report = Report::new();
        if let Ok(content) = &declaration.fields {
            judge_pairing(content, device, group.map(|g| &*g.dac), group.and_then(|g| g.paa.as_deref()), &mut report);
        }
        report.into_findings()
    };
    let mut out: HashMap<usize, Vec<Finding>> = HashMap::new();
    if devices.is_empty() {
        for (index, declaration) in given {
            out.insert(*index, judge(declaration, None));
        }
        return out;
    }
    let mut covers = vec![false; given.len()];
    let mut add = |index: usize, group: &DeviceGroup, findings: Vec<Finding>| {
        let several = devices.len() > 1 || group.count > 1;
        for mut finding in findings {
            if several {
                let more = if group.count > 1 { format!(" and {} more", group.count - 1) } else { String::new() };
                finding.found = format!("{} ({}{more})", finding.found, group.name);
            }
            let list = out.entry(index).or_default();
            if !list.contains(&finding) {
                list.push(finding);
            }
        }
    };
    for group in devices {
        let all: Vec<_> = given.iter().map(|(_, d)| judge(d, Some(group))).collect();
        match all.iter().position(Vec::is_empty) {
            Some(fits) => covers[fits] = true,
            None => {
                // The nearest: the fewest breaches, then the first given.
                let nearest = (0..all.len()).min_by_key(|i| all[*i].len());
                if let (Some(nearest), Some(findings)) = (nearest, nearest.and_then(|n| all.get(n)).cloned()) {
                    covers[nearest] = true;
                    add(given[nearest].0, group, findings);
                }
            }
        }
    }
    for ((index, declaration), covers) in given.iter().zip(covers) {
        if !covers {
            let best = devices.iter().map(|g| (g, judge(declaration, Some(g)))).min_by_key(|(_, f)| f.len());
            if let Some((group, findings)) = best {
                add(*index, group, findings);
            }
        }
    }
    out
}

fn exchange(
    proof: &standard::exchange::Proof,
    dacs: &[Arc<Certificate>],
    given: &[(usize, &Declaration)],
    signers: &[SignerKey],
    device: &Device,
    devices: &[DeviceGroup],
) -> Vec<Finding> {
    // The DAC whose key signed; where none did, the only one or the first is what it is judged against.
    let dac = dacs.iter().find(|c| c.public_key().is_some_and(|key| proof.is_signed_by(key))).or_else(|| dacs.first());
    let mut report = Report::new();
    let declarations: Vec<&Declaration> = given.iter().map(|(_, d)| *d).collect();
    let inner = judge_exchange(proof, dac.map(Arc::as_ref), &declarations, &mut report);
    // A declaration that is also given as a file is judged there, once.
    if let Some(inner) = inner.filter(|inner| !declarations.iter().any(|g| g.der() == inner.der())) {
        judge_declaration(&inner, signers, &mut report);
        if let Ok(content) = &inner.fields {
            let group = dac.and_then(|dac| devices.iter().find(|g| g.dac.subject.identity == dac.subject.identity));
            judge_pairing(content, device, dac.map(Arc::as_ref), group.and_then(|g| g.paa.as_deref()), &mut report);
        }
    }
    let mut findings = report.into_findings();
    order(&mut findings);
    findings
}

/// In the catalogue's order; findings of one rule keep theirs.
fn order(findings: &mut [Finding]) {
    let ranks: BTreeMap<&str, usize> =
        standard::verdict::all_rules().iter().enumerate().map(|(i, r)| (r.name, i)).collect();
    findings.sort_by_key(|f| ranks.get(f.rule.name).copied().unwrap_or(usize::MAX));
}

/// Whether any of these is an error.
pub(super) fn has_error(findings: &[Finding]) -> bool {
    findings.iter().any(|f| f.severity == Severity::Error)
}
