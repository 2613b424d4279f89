//! A discrete part against keys kept in the microcontroller: what the numbers and the stated threats say.
//!
//! No taste: a part is put first only where it answers every stated threat at
//! least as well as the other and one of them better. Otherwise the page says
//! what would have to be decided.

use serde::Serialize;

use super::{PartFit, Request, rank};
use crate::part::{Answer, Kind, Part, Threat};

/// What parts answer to a threat.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ThreatRow {
    pub threat: &'static str,
    pub means: &'static str,
    /// Whether the product's maker stated it.
    pub stated: bool,
    /// Part, answer and reason; `not told` where a part file is silent.
    pub answers: Vec<(String, &'static str, String)>,
}

/// What speaks for which.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Argument {
    /// The discrete part that was compared.
    pub discrete: String,
    pub microcontroller: String,
    /// The part that the stated threats put first; none where they don't decide.
    pub first: Option<String>,
    pub because: Vec<String>,
}

/// All threats that a part file speaks of, the stated ones first.
pub(super) fn threats(parts: &[Part], stated: &[Threat]) -> Vec<ThreatRow> {
    let mut rows: Vec<ThreatRow> = Threat::ALL
        .into_iter()
        .filter(|t| stated.contains(t) || parts.iter().any(|p| p.answer(*t).is_some()))
        .map(|threat| ThreatRow {
            threat: threat.word(),
            means: threat.means(),
            stated: stated.contains(&threat),
            answers: parts
                .iter()
                .map(|part| {
                    let name = part.part.name.clone();
                    part.answer(threat).map_or_else(
                        || (name.clone(), "not stated", String::new()),
                        |r| (name.clone(), r.answer.word(), r.because.clone()),
                    )
                })
                .collect(),
        })
        .collect();
    rows.sort_by_key(|row| !row.stated);
    rows
}

/// Compares each discrete part with each microcontroller.
pub(super) fn argue(request: &Request, judged: &[PartFit]) -> Vec<Argument> {
    let of_kind = |kind: Kind| (0..judged.len()).filter(move |i| judged[*i].kind == kind);
    of_kind(Kind::Discrete)
        .flat_map(|d| of_kind(Kind::Microcontroller).map(move |m| compare(request, judged, d, m)))
        .collect()
}

fn compare(request: &Request, judged: &[PartFit], d: usize, m: usize) -> Argument {
    let (discrete, internal) = (&judged[d], &judged[m]);
    let mut because = numbers(discrete, internal);
    let first = if request.threats.is_empty() {
        because.push(
            "No threat was stated, and time and room alone do not decide. State what the product faces with --threat; the table shows how the parts differ."
                .into(),
        );
        None
    } else {
        decide(request, (&request.parts[d], discrete), (&request.parts[m], internal), &mut because)
    };
    because
        .push("These numbers leave out the cost of the part on the board and the cost of a recall. Add both.".into());
    Argument { discrete: discrete.name.clone(), microcontroller: internal.name.clone(), first, because }
}

fn numbers(discrete: &PartFit, internal: &PartFit) -> Vec<String> {
    let fast = |p: &PartFit| p.clocks.first().cloned();
    let mut out = Vec::new();
    if let (Some(a), Some(b)) = (fast(discrete), fast(internal)) {
        let more = |x: f64, y: f64| {
            let sign = if x >= y { "longer" } else { "shorter" };
            format!("{:.0} ms {sign}", (x - y).abs())
        };
        out.push(format!(
            "{} takes {:.0} ms of a unit's station time, {} takes {:.0} ms: {} with the discrete part.",
            discrete.name,
            a.unit_ms,
            internal.name,
            b.unit_ms,
            more(a.unit_ms, b.unit_ms)
        ));
        out.push(format!(
            "In a commissioning it is {:.0} ms against {:.0} ms, {:.1} % and {:.1} % of the whole: a customer notices {}.",
            a.commissioning_ms,
            b.commissioning_ms,
            a.commissioning_share * 100.0,
            b.commissioning_share * 100.0,
            if (a.commissioning_ms - b.commissioning_ms).abs() < 500.0 { "neither" } else { "the difference" }
        ));
    }
    out.push(format!(
        "Room left: {} bytes on {}, {} bytes on {}{}.",
        discrete.free_octets,
        discrete.name,
        internal.free_octets,
        internal.name,
        if internal.fits && discrete.fits { "" } else { "; not everything fits, see the checks" }
    ));
    out
}

fn decide(
    request: &Request,
    (discrete, fit_d): (&Part, &PartFit),
    (internal, fit_m): (&Part, &PartFit),
    because: &mut Vec<String>,
) -> Option<String> {
    let (mut for_d, mut for_m, mut silent) = (Vec::new(), Vec::new(), Vec::new());
    for threat in &request.threats {
        let (a, b) = (discrete.answer(*threat), internal.answer(*threat));
        let (Some(a), Some(b)) = (a, b) else {
            silent.push(threat.word());
            continue;
        };
        match rank(a.answer).cmp(&rank(b.answer)) {
            std::cmp::Ordering::Greater => for_d.push((threat.word(), a, b)),
            std::cmp::Ordering::Less => for_m.push((threat.word(), b, a)),
            std::cmp::Ordering::Equal => {
                because.push(format!("{}: both answer \"{}\".", threat.word(), a.answer.word()))
            }
        }
    }
    for (list, better, worse) in [(&for_d, discrete, internal), (&for_m, internal, discrete)] {
        for (threat, good, bad) in list {
            because.push(format!(
                "{threat}: {} answers \"{}\" ({}); {} \"{}\" ({}).",
                better.part.name,
                good.answer.word(),
                good.because,
                worse.part.name,
                bad.answer.word(),
                bad.because
            ));
        }
    }
    if !silent.is_empty() {
        because.push(format!("A part file says nothing about {}. Ask its maker before you decide.", silent.join(", ")));
        return None;
    }
    let winner = match (for_d.is_empty(), for_m.is_empty()) {
        (false, true) => Some((discrete, fit_d)),
        (true, false) => Some((internal, fit_m)),
        _ => None,
    };
    match winner {
        Some((part, fit)) if fit.fits => {
            let unanswered: Vec<&str> = request
                .threats
                .iter()
                .filter(|t| part.answer(**t).is_some_and(|r| r.answer != Answer::Yes))
                .map(|t| t.word())
                .collect();
            because.push(format!(
                "{} answers every stated threat at least as well, and better where they differ{}.",
                part.part.name,
                if unanswered.is_empty() {
                    String::new()
                } else {
                    format!("; it still does not fully answer {}", unanswered.join(", "))
                }
            ));
            Some(part.part.name.clone())
        }
        Some((part, _)) => {
            because.push(format!(
                "{} answers the stated threats better, but does not hold what the product needs.",
                part.part.name
            ));
            None
        }
        None if for_d.is_empty() => {
            because.push("The two answer the stated threats equally well; time, room, cost and supply decide.".into());
            None
        }
        None => {
            because
                .push("Each answers a stated threat that the other does not: decide which of them counts more.".into());
            None
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Fit, fit, needs};
    use super::*;

    fn told(parts: &[&str], threats: &[Threat]) -> Fit {
        let parts = parts.iter().map(|n| Part::example(n).unwrap()).collect();
        fit(&Request { parts, needs: needs::at_most().unwrap(), threats: threats.to_vec(), commissioning_s: 12.0 })
            .unwrap()
    }

    #[test]
    fn threats_decide_or_say_why_not() {
        let both = ["QL-S1", "QL-M4"];
        let first = |threats: &[Threat]| told(&both, threats).arguments.remove(0).first;
        assert_eq!(first(&[]), None);
        assert_eq!(first(&[Threat::SideChannel, Threat::FlashReadout]).as_deref(), Some("QL-S1"));
        assert_eq!(first(&[Threat::ChipSwap]).as_deref(), Some("QL-M4"));
        assert_eq!(first(&[Threat::ChipSwap, Threat::SideChannel]), None, "each answers what the other does not");
        assert_eq!(first(&[Threat::FirmwareTakeover]), None, "both partly");
        assert!(told(&["QL-S1", "QL-S2"], &[]).arguments.is_empty(), "two discrete parts");
        assert_eq!(told(&["QL-S1", "QL-S2", "QL-M4"], &[]).arguments.len(), 2);
    }

    #[test]
    fn stated_threats_come_first_in_the_table() {
        let rows = told(&["QL-S1", "QL-M4"], &[Threat::FactoryCopying]).threats;
        assert_eq!((rows[0].threat, rows[0].stated, rows.len()), ("factory-copying", true, Threat::ALL.len()));
        assert_eq!(rows[0].answers[1].1, "no");
    }

    #[test]
    fn a_silent_part_file_decides_nothing() {
        let mut parts: Vec<Part> = ["QL-S1", "QL-M4"].iter().map(|n| Part::example(n).unwrap()).collect();
        parts[1].resists.clear();
        let needs = needs::at_most().unwrap();
        let threats = vec![Threat::SideChannel];
        let told = fit(&Request { parts, needs, threats, commissioning_s: 12.0 }).unwrap();
        let argument = &told.arguments[0];
        assert_eq!(argument.first, None);
        assert!(argument.because.iter().any(|s| s.contains("says nothing about side-channel")), "{argument:?}");
    }
}
