//! Findings of a delivery or a reel, once for all that share them, however many there are
//! and in whatever order they are met.
//!
//! Those that say the same are one. Where one rule is broken in many ways, each naming
//! another serial number or line, they have one cause, and are one too.

use std::collections::HashMap;

use standard::verdict::{Finding, Severity};

/// Subjects named in a finding that many share.
const NAMED: usize = 5;
/// Ways to break one rule that are told one by one.
const APART: usize = 10;
/// Ways that are kept while there may be no more of them.
const KEPT: usize = 2 * APART;
/// Faults that are kept one by one, for whoever has to put each right: 16 MiB of them, at most.
const FAULTS: usize = 20_000;

/// A finding, once for all that share it.
#[derive(Debug, Clone)]
pub struct SharedFinding {
    /// The entry or line, or the first few of them.
    pub subject: String,
    /// The chip, where one is meant.
    pub chip_id: Option<String>,
    /// How many share it.
    pub count: usize,
    /// The finding; of many ways to break its rule, the first.
    pub finding: Finding,
}

/// Where a finding stands among all: stage of the inspection, thing, and which of the thing's.
pub type Turn = (u8, u64, u32);

/// The chip or authority that a finding is about.
#[derive(Debug, Clone)]
pub enum About {
    Nothing,
    /// An authority, by its key identifier in hex.
    Authority(String),
    /// By its place on the reel: its id is looked up where it is told.
    Place(u32),
    Id(String),
}

/// What a finding is on: an entry or line, and the serial number of the certificate there.
#[derive(Debug, Default)]
pub struct Subject {
    pub name: String,
    pub serial: Option<String>,
}

impl From<String> for Subject {
    fn from(name: String) -> Self {
        Self { name, serial: None }
    }
}

/// An error or warning on one entry or chip, however many share it.
#[derive(Debug, Clone)]
pub struct Fault {
    /// The entry; nothing where none came.
    pub subject: String,
    /// Serial number of its certificate.
    pub serial: Option<String>,
    /// The chip, where one is meant.
    pub chip_id: Option<String>,
    /// The authority, where one is meant, by its key identifier in hex.
    pub authority: Option<String>,
    pub finding: Finding,
}

/// What breaks which rule, and how heavily.
type Broken = (&'static str, Severity);
/// What is required and what was found; nothing for the rest of many ways.
type Way = (String, String);

#[derive(Debug)]
struct Group {
    /// The first few, sorted by turn.
    first: Vec<(Turn, String)>,
    /// Of the very first.
    about: About,
    finding: Finding,
    count: usize,
}

impl Group {
    fn join(&mut self, other: Self) {
        self.count += other.count;
        if other.first.first() < self.first.first() {
            (self.about, self.finding) = (other.about, other.finding);
        }
        self.first.extend(other.first);
        self.first.sort();
        self.first.truncate(NAMED);
    }

    fn turn(&self) -> Option<Turn> {
        self.first.first().map(|(turn, _)| *turn)
    }
}

/// Ids of the chips at these places of a reel, in this order.
type IdsAt<'a, E> = dyn Fn(&[u32]) -> Result<Vec<String>, E> + 'a;

/// Findings so far.
#[derive(Debug, Default)]
pub struct Findings {
    rules: HashMap<Broken, HashMap<Way, Group>>,
    errors: bool,
    /// One by one, in no order, up to a bound.
    apart: Vec<(Turn, About, Fault)>,
    more: usize,
}

/// The way's own place, or that of the rest where there are many already.
fn place(ways: &HashMap<Way, Group>, way: Way) -> Way {
    // The rest takes none of the places: else the first way of a merged part could end up in it.
    let kept = ways.len() - usize::from(ways.contains_key(&Way::default()));
    if kept < KEPT || ways.contains_key(&way) { way } else { Way::default() }
}

impl Findings {
    /// Whether any is an error.
    pub fn has_errors(&self) -> bool {
        self.errors
    }

    /// Adds one; the subject is asked for only where it is among those named or kept.
    pub fn tell<S: Into<Subject>>(&mut self, turn: Turn, subject: impl FnOnce() -> S, about: About, finding: Finding) {
        if finding.severity == Severity::Note || self.apart.len() >= FAULTS {
            self.more += usize::from(finding.severity != Severity::Note);
            return self.group(turn, || subject().into().name, about, finding);
        }
        let Subject { name, serial } = subject().into();
        let fault = Fault { subject: name.clone(), serial, chip_id: None, authority: None, finding: finding.clone() };
        self.apart.push((turn, about.clone(), fault));
        self.group(turn, || name, about, finding);
    }

    /// Adds one that is on several entries or chips, which is said once, and kept for `each` of them.
    pub fn tell_of_each(
        &mut self,
        turn: Turn,
        subject: String,
        about: About,
        finding: Finding,
        each: impl IntoIterator<Item = Fault>,
    ) {
        for fault in each {
            if self.apart.len() >= FAULTS {
                self.more += 1;
            } else {
                self.apart.push((turn, About::Nothing, fault));
            }
        }
        self.group(turn, || subject, about, finding);
    }

    fn group(&mut self, turn: Turn, subject: impl FnOnce() -> String, about: About, finding: Finding) {
        self.errors |= finding.severity == Severity::Error;
        let ways = self.rules.entry((finding.rule.name, finding.severity)).or_default();
        let way = place(ways, (finding.required.to_string(), finding.found.clone()));
        let group = ways.entry(way).or_insert_with(|| Group {
            first: Vec::new(),
            about: About::Nothing,
            finding: finding.clone(),
            count: 0,
        });
        group.count += 1;
        let at = group.first.partition_point(|(other, _)| *other < turn);
        if at < NAMED {
            if at == 0 {
                (group.about, group.finding) = (about, finding);
            }
            group.first.insert(at, (turn, subject()));
            group.first.truncate(NAMED);
        }
    }

    /// Takes in what was found elsewhere.
    pub fn merge(&mut self, other: Self) {
        self.errors |= other.errors;
        let room = FAULTS.saturating_sub(self.apart.len());
        self.more += other.more + other.apart.len().saturating_sub(room);
        self.apart.extend(other.apart.into_iter().take(room));
        for (broken, theirs) in other.rules {
            let ways = self.rules.entry(broken).or_default();
            for (way, group) in theirs {
                let way = place(ways, way);
                match ways.get_mut(&way) {
                    Some(ours) => ours.join(group),
                    None => {
                        ways.insert(way, group);
                    }
                }
            }
        }
    }

    /// Takes out what is wrong one by one, in the order in which it was told, and how many more there were.
    pub fn faults<E>(&mut self, chip_ids: &IdsAt<'_, E>) -> Result<(Vec<Fault>, usize), E> {
        let mut apart = std::mem::take(&mut self.apart);
        apart.sort_by_key(|(turn, ..)| *turn);
        let place = |about: &About| if let About::Place(place) = about { Some(*place) } else { None };
        let places: Vec<u32> = apart.iter().filter_map(|(_, about, _)| place(about)).collect();
        let mut ids = chip_ids(&places)?.into_iter();
        for (_, about, fault) in &mut apart {
            match about {
                About::Place(_) => fault.chip_id = ids.next(),
                About::Id(id) => fault.chip_id = Some(std::mem::take(id)),
                About::Authority(key) => fault.authority = Some(std::mem::take(key)),
                About::Nothing => {}
            }
        }
        Ok((apart.into_iter().map(|(.., fault)| fault).collect(), std::mem::take(&mut self.more)))
    }

    /// As they are told: errors first, in the catalogue's order, then as they came.
    pub fn told<E>(self, chip_id: &dyn Fn(u32) -> Result<String, E>) -> Result<Vec<SharedFinding>, E> {
        let ranks: HashMap<&str, usize> =
            standard::verdict::all_rules().iter().enumerate().map(|(i, r)| (r.name, i)).collect();
        let mut groups: Vec<Group> = self.rules.into_values().flat_map(apart_or_one).collect();
        groups.sort_by_cached_key(|g| {
            let rank = ranks.get(g.finding.rule.name).copied().unwrap_or(usize::MAX);
            (g.finding.severity, rank, g.turn())
        });
        groups
            .into_iter()
            .map(|group| {
                let names: Vec<String> = group.first.into_iter().map(|(_, name)| name).collect();
                let mut subject = names.join(", ");
                if group.count > NAMED {
                    subject = format!("{subject} and {} more", group.count - NAMED);
                }
                let chip_id = match group.about {
                    _ if group.count > 1 => None,
                    About::Nothing | About::Authority(_) => None,
                    About::Id(id) => Some(id),
                    About::Place(place) => Some(chip_id(place)?),
                };
                Ok(SharedFinding { subject, chip_id, count: group.count, finding: group.finding })
            })
            .collect()
    }
}

/// A few ways as they are; many as one, told by the first.
fn apart_or_one(ways: HashMap<Way, Group>) -> Vec<Group> {
    if ways.len() <= APART {
        return ways.into_values().collect();
    }
    let mut groups: Vec<(Way, Group)> = ways.into_iter().collect();
    groups.sort_by_key(|(_, group)| group.turn());
    let mut groups = groups.into_iter();
    let Some((way, mut one)) = groups.next() else { return Vec::new() };
    // The rest of many ways does not share what its first says.
    let first = if way == Way::default() { 1 } else { one.count };
    groups.for_each(|(_, group)| one.join(group));
    one.finding.found = format!("{}; and {} more of this kind", one.finding.found, one.count - first);
    vec![one]
}

#[cfg(test)]
mod tests {
    use std::convert::Infallible;

    use standard::verdict::catalogue::intake::{DELIVERY_FORMAT, DELIVERY_SERIAL};

    use super::*;

    fn told(turns: &[u64]) -> Vec<SharedFinding> {
        let mut all = Findings::default();
        for part in turns.chunks(3) {
            let mut some = Findings::default();
            for turn in part {
                let found = Finding::new(&DELIVERY_SERIAL, "alike");
                some.tell((1, *turn, 0), || format!("e{turn}"), About::Place(7), found);
            }
            all.merge(some);
        }
        let alone = Finding::new(&DELIVERY_FORMAT, "alone");
        all.tell((2, 0, 0), || "x".to_owned(), About::Place(9), alone);
        all.told::<Infallible>(&|place| Ok(format!("chip {place}"))).unwrap_or_else(|never| match never {})
    }

    #[test]
    fn a_rule_broken_in_many_ways_is_said_once() {
        let told = |ways: &[u64], at_a_time: usize| {
            let mut all = Findings::default();
            for part in ways.chunks(at_a_time) {
                let mut some = Findings::default();
                for way in part {
                    let found = Finding::new(&DELIVERY_SERIAL, format!("serial {way}"));
                    some.tell((1, *way, 0), || format!("e{way}"), About::Place(7), found);
                }
                all.merge(some);
            }
            all.told::<Infallible>(&|_| Ok("chip".into())).unwrap_or_else(|never| match never {})
        };
        // The first of them may be told last, when there is no place for it alone.
        for count in [20, 21, 37, 57] {
            let backwards: Vec<u64> = (0..count).rev().collect();
            let found = format!("serial 0; and {} more of this kind", count - 1);
            assert_eq!(told(&backwards, 1)[0].finding.found, found);
        }
        let ways: Vec<u64> = (0..1_000).map(|n| (n * 7) % 1_000).collect();
        for at_a_time in [1, 13, 400, 1_000] {
            let told = told(&ways, at_a_time);
            let [one] = told.as_slice() else { panic!("{at_a_time}: {} findings", told.len()) };
            assert_eq!((one.count, one.chip_id.as_deref()), (1_000, None));
            assert_eq!(one.subject, "e0, e1, e2, e3, e4 and 995 more");
            assert_eq!(one.finding.found, "serial 0; and 999 more of this kind");
        }
        let few = told(&ways[..APART], 3);
        assert!(few.len() == APART && few.iter().all(|f| f.count == 1 && f.chip_id.is_some()), "{few:?}");
        assert_eq!(told(&ways[..=APART], 3).len(), 1);
    }

    #[test]
    fn each_is_kept_for_whoever_has_to_put_it_right() {
        let mut all = Findings::default();
        for turn in [3, 1, 2] {
            let mut some = Findings::default();
            let subject = || Subject { name: format!("e{turn}"), serial: Some(format!("0{turn}")) };
            some.tell((1, turn, 0), subject, About::Place(7), Finding::new(&DELIVERY_SERIAL, "same"));
            some.tell(
                (1, turn, 1),
                subject,
                About::Nothing,
                Finding::new(&DELIVERY_SERIAL, "").weighing(Severity::Note),
            );
            all.merge(some);
        }
        let missing = ["A1".to_owned(), "A2".to_owned()];
        let each = missing.map(|chip| Fault {
            subject: String::new(),
            serial: None,
            chip_id: Some(chip),
            authority: None,
            finding: Finding::new(&DELIVERY_FORMAT, "none"),
        });
        let finding = Finding::new(&DELIVERY_FORMAT, "A1, A2");
        all.tell_of_each((2, 0, 0), "delivery".into(), About::Nothing, finding, each);
        let (faults, more) = all
            .faults::<Infallible>(&|places| Ok(places.iter().map(|p| format!("chip {p}")).collect()))
            .unwrap_or_else(|never| match never {});
        let told: Vec<String> = faults
            .iter()
            .map(|f| format!("{:?} {:?} {:?} {}", f.subject, f.serial, f.chip_id, f.finding.found))
            .collect();
        let expected = [
            r#""e1" Some("01") Some("chip 7") same"#,
            r#""e2" Some("02") Some("chip 7") same"#,
            r#""e3" Some("03") Some("chip 7") same"#,
            r#""" None Some("A1") none"#,
            r#""" None Some("A2") none"#,
        ];
        assert_eq!((told.as_slice(), more), (expected.map(str::to_owned).as_slice(), 0));
        // Said, they are two.
        let told = all.told::<Infallible>(&|_| Ok(String::new())).unwrap_or_else(|never| match never {});
        let told: Vec<_> = told.iter().filter(|f| f.finding.severity == Severity::Error).map(|f| f.count).collect();
        assert_eq!(told, [1, 3]);
    }

    #[test]
    fn many_are_said_once_in_whatever_order_they_come() {
        let forward = told(&[0, 1, 2, 3, 4, 5, 6]);
        let backward = told(&[6, 4, 5, 0, 3, 2, 1]);
        for told in [forward, backward] {
            let alike = told.iter().find(|f| f.finding.found == "alike").expect("there");
            assert_eq!((alike.count, alike.subject.as_str()), (7, "e0, e1, e2, e3, e4 and 2 more"));
            assert_eq!(alike.chip_id, None);
            let alone = told.iter().find(|f| f.finding.found == "alone").expect("there");
            assert_eq!((alone.count, alone.chip_id.as_deref()), (1, Some("chip 9")));
        }
    }
}
