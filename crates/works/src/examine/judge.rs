//! Judging what was cast, on all cores.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::Arc;

use rayon::prelude::*;
use standard::certificate::{Certificate, Profile};
use standard::declaration::Declaration;
use standard::ids::{ProductId, VendorId};
use standard::moment::Moment;
use standard::verdict::{
    Context, Device, Finding, Pool, Report, RevokedSerials, Severity, SignerKey, judge_declaration, judge_exchange,
    judge_list, judge_pairing, judge_request, rule,
};

use super::report::{Examination, Subject};
use super::roles::{Cast, Part, Player, signer_key};
use super::{Examine, Kind};
use crate::course::{Course, Phase, Stopped};

/// DACs judged between two signs of progress.
const CHUNK: usize = 256;

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
    let mut by_id: HashMap<&[u8], usize> = HashMap::new();
    for (index, player) in cast.players.iter().enumerate() {
        if let Part::Certificate(c, Kind::Dac) = &player.part
            && let Some(id) = c.subject_key_id()
        {
            by_id.insert(id, index);
        }
    }
    for (index, player) in cast.players.iter().enumerate() {
        if let Part::Certificate(c, Kind::Dac) = &player.part
            && let Some(issuer) = c.authority_key_id().and_then(|id| by_id.get(id)).filter(|i| **i != index)
            && let Part::Certificate(issuer, _) = &cast.players[*issuer].part
        {
            add(issuer, Profile::Dac, false, "");
        }
    }
    let given: Vec<usize> = of_player.values().copied().collect();
    beside.retain(|index| !given.contains(index));
    beside.sort_unstable();
    beside.dedup();
    Authorities { pool: Pool::new(members), of_player, names, beside }
}

pub(super) fn judge(request: &Examine, cast: Cast, now: Moment, course: &Course) -> Result<Examination, Stopped> {
    let known = authorities(&cast);
    let pool = &known.pool;
    let trust_given = !request.trust.is_empty();
    let list_time = request.at.unwrap_or(now);
    let has_declaration = cast.players.iter().any(|p| matches!(p.part, Part::Declaration(_) | Part::Exchange(_)));
    let device = Device { by_declaration: has_declaration, ..request.device };

    // Lists first: what they revoke counts for the chains.
    let mut revoked: Vec<RevokedSerials> = Vec::new();
    let mut judge_one_list = |list| {
        let mut report = Report::new();
        revoked.extend(judge_list(list, pool, &cast.list_signers, trust_given, list_time, &mut report));
        report.into_findings()
    };
    let mut list_findings: HashMap<usize, Vec<Finding>> = HashMap::new();
    for (index, player) in cast.players.iter().enumerate() {
        if let Part::List(list) = &player.part {
            list_findings.insert(index, judge_one_list(list));
        }
    }
    // A list that is also given as a file is judged there, once.
    let given_lists: HashSet<&[u8]> = cast
        .players
        .iter()
        .filter_map(|p| match &p.part {
            Part::List(list) => Some(list.der()),
            _ => None,
        })
        .collect();
    let beside_lists: Vec<_> = cast
        .lists
        .iter()
        .filter(|(_, list)| !given_lists.contains(list.der()))
        .map(|(name, list)| (name.clone(), judge_one_list(list), list))
        .collect();
    let context = Context { trust_given, device, at: request.at, revoked };

    let mut signers = cast.signers.clone();
    signers.extend(cast.players.iter().filter_map(|p| match &p.part {
        Part::Certificate(c, Kind::DeclarationSigner) => signer_key(c, false),
        _ => None,
    }));

    let total = cast.players.iter().filter(|p| matches!(p.part, Part::Certificate(_, Kind::Dac))).count() as u64;
    course.phase(Phase::Judging, Some(total));
    let mut judged: Vec<Judged> = cast
        .players
        .par_chunks(CHUNK)
        .enumerate()
        .flat_map_iter(|(chunk, players)| {
            let first = chunk * CHUNK;
            // Once it is to stop nothing more is judged, and what was is of no use.
            let players = if course.go_on().is_ok() { players } else { &[] };
            let out: Vec<_> = players
                .iter()
                .enumerate()
                .map(|(offset, player)| judge_player(player, first + offset, &known, &context))
                .collect();
            let dacs = players.iter().filter(|p| matches!(p.part, Part::Certificate(_, Kind::Dac))).count() as u64;
            course.advance(dacs);
            out
        })
        .collect();

    course.go_on()?;
    let devices = devices(&cast.players, &judged, pool);
    let given: Vec<(usize, &Declaration)> = cast
        .players
        .iter()
        .enumerate()
        .filter_map(|(index, p)| match &p.part {
            Part::Declaration(d) => Some((index, d)),
            _ => None,
        })
        .collect();
    let mut pairings = pair(&given, &devices, &device);

    let mut used = vec![false; pool.authorities().len()];
    let (mut chains, mut anchored) = (0u64, 0u64);
    for (index, (player, judged)) in cast.players.iter().zip(&mut judged).enumerate() {
        for above in &judged.chain {
            used[*above] = true;
        }
        if judged.counts {
            chains += 1;
            anchored += u64::from(judged.anchored);
        }
        let findings = &mut judged.findings;
        match &player.part {
            Part::Declaration(d) => {
                let mut report = Report::new();
                judge_declaration(d, &signers, &mut report);
                findings.extend(report.into_findings());
                findings.extend(pairings.remove(&index).unwrap_or_default());
                order(findings);
            }
            Part::Exchange(proof) => {
                findings.extend(exchange(proof, &cast.players, &given, &signers, &device, &devices))
            }
            Part::List(_) => findings.extend(list_findings.remove(&index).unwrap_or_default()),
            Part::Request(r) => {
                let mut report = Report::new();
                judge_request(r, &request.device, &mut report);
                findings.extend(report.into_findings());
            }
            _ => {}
        }
    }
    let told =
        |(player, judged): (&Player, Judged)| Subject::new(player, judged.chain, judged.anchored, judged.findings);
    let mut subjects: Vec<Subject> = cast.players.par_iter().zip(judged).map(told).collect();
    // Trusted PAAs answer for their own form where a chain ends at them.
    for index in known.beside.iter().copied().filter(|i| used[*i]) {
        let member = &pool.authorities()[index];
        let judged = pool.judge_authority(index, &context);
        let player = Player {
            name: known.names[index].clone(),
            part: Part::Certificate(Arc::clone(&member.certificate), Kind::Paa),
        };
        subjects.push(Subject::new(&player, judged.chain, judged.anchored, judged.findings).trusted_beside());
    }
    for (name, findings, list) in beside_lists {
        let player = Player { name, part: Part::List(list.clone()) };
        subjects.push(Subject::new(&player, Vec::new(), false, findings));
    }
    subjects.par_iter_mut().for_each(|subject| subject.name_those_above(&known.names));
    let examination = Examination::new(subjects, chains > 0 && anchored == chains);
    // A hundred thousand certificates are many pieces to give back.
    drop(devices);
    cast.players.into_par_iter().for_each(drop);
    Ok(examination)
}

#[derive(Default)]
struct Judged {
    findings: Vec<Finding>,
    chain: Vec<usize>,
    anchored: bool,
    /// Whether it is the end of a chain, so that its anchoring counts.
    counts: bool,
}

fn judge_player(player: &Player, index: usize, known: &Authorities, context: &Context) -> Judged {
    match &player.part {
        Part::Certificate(c, Kind::Dac) => {
            let judged = known.pool.judge_dac(c, context);
            Judged { findings: judged.findings, chain: judged.chain, anchored: judged.anchored, counts: true }
        }
        Part::Certificate(_, Kind::Pai | Kind::Paa) => {
            let Some(member) = known.of_player.get(&index) else { return Judged::default() };
            let judged = known.pool.judge_authority(*member, context);
            Judged { findings: judged.findings, chain: judged.chain, anchored: judged.anchored, counts: true }
        }
        Part::Broken(profile, why) => {
            let name = format!("{}.encoding", profile.word());
            let findings = rule(&name).map(|rule| Finding::new(rule, why.clone())).into_iter().collect();
            Judged { findings, counts: true, ..Judged::default() }
        }
        _ => Judged::default(),
    }
}

/// DACs that are the same to a declaration: vendor, product and PAA.
struct DeviceGroup<'a> {
    dac: &'a Certificate,
    paa: Option<&'a Certificate>,
    name: &'a str,
    count: u64,
}

fn devices<'a>(players: &'a [Player], judged: &[Judged], pool: &'a Pool) -> Vec<DeviceGroup<'a>> {
    type Key = (Option<VendorId>, Option<ProductId>, Option<usize>);
    let mut groups: Vec<DeviceGroup<'a>> = Vec::new();
    let mut by_key: HashMap<Key, usize> = HashMap::new();
    for (player, judged) in players.iter().zip(judged) {
        let Part::Certificate(dac, Kind::Dac) = &player.part else { continue };
        let top = judged.chain.last().copied().filter(|top| pool.authorities()[*top].profile == Profile::Paa);
        let key = (dac.subject.identity.vendor(), dac.subject.identity.product(), top);
        let at = *by_key.entry(key).or_insert_with(|| {
            let paa = top.map(|top| &*pool.authorities()[top].certificate);
            groups.push(DeviceGroup { dac, paa, name: &player.name, count: 0 });
            groups.len() - 1
        });
        groups[at].count += 1;
    }
    groups
}

/// Findings between declarations and devices.
///
/// Each device needs one declaration that covers it, and each declaration is
/// judged against the devices that no other covers better.
fn pair(given: &[(usize, &Declaration)], devices: &[DeviceGroup<'_>], device: &Device) -> HashMap<usize, Vec<Finding>> {
    let judge = |declaration: &Declaration, group: Option<&DeviceGroup<'_>>| {
        let mut report = Report::new();
        if let Ok(content) = &declaration.fields {
            judge_pairing(content, device, group.map(|g| g.dac), group.and_then(|g| g.paa), &mut report);
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
    let mut add = |index: usize, group: &DeviceGroup<'_>, findings: Vec<Finding>| {
        let several = devices.len() > 1 || group.count > 1;
        for mut finding in findings {
            if several {
                let more =
                    if group.count > 1 { format!(" and {} more like it", group.count - 1) } else { String::new() };
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
    players: &[Player],
    given: &[(usize, &Declaration)],
    signers: &[SignerKey],
    device: &Device,
    devices: &[DeviceGroup<'_>],
) -> Vec<Finding> {
    let dacs = || {
        players.iter().filter_map(|p| match &p.part {
            Part::Certificate(c, Kind::Dac) => Some(c),
            _ => None,
        })
    };
    // The DAC whose key signed; where none did, the only one or the first is what it is judged against.
    let dac = dacs().find(|c| c.public_key().is_some_and(|key| proof.is_signed_by(key))).or_else(|| dacs().next());
    let mut report = Report::new();
    let declarations: Vec<&Declaration> = given.iter().map(|(_, d)| *d).collect();
    let inner = judge_exchange(proof, dac.map(Arc::as_ref), &declarations, &mut report);
    // A declaration that is also given as a file is judged there, once.
    if let Some(inner) = inner.filter(|inner| !declarations.iter().any(|g| g.der() == inner.der())) {
        judge_declaration(&inner, signers, &mut report);
        if let Ok(content) = &inner.fields {
            let group = dac.and_then(|dac| devices.iter().find(|g| g.dac.subject.identity == dac.subject.identity));
            judge_pairing(content, device, dac.map(Arc::as_ref), group.and_then(|g| g.paa), &mut report);
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
