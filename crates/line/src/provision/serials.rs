//! Serial numbers of new units: given, listed, scanned, or counted by the book.

use std::collections::{HashMap, VecDeque};
use std::io::{BufRead, BufReader, Read};
use std::sync::mpsc::{self, Receiver};
use std::thread;

use base::encoding::{self, NoText};
use base::trouble::Trouble;
use book::ids::{ProductName, ReelId, UnitSerial};
use book::{By, SerialWish, SeriesStand};
use serde::Serialize;
use site::Site;
use site::series::{is_to_confirm, of_one_series, restored_words, series, unconfirmed, whole};

use crate::unit;

/// The longest scanned line, in bytes: more than any serial number has.
const LINE: usize = 256;

/// Scanned serial numbers as they come; it ends where the scanner's input does.
pub type Scans = Receiver<Result<String, Trouble>>;

/// Where the serial numbers of new units come from.
#[derive(Debug)]
pub enum Numbers<'a> {
    /// The product's series; where it has none, a series made from the reel's name.
    Product,
    /// These, in order, as [`listed`] reads them.
    Listed {
        serials: Vec<String>,
        /// Whether somebody named the first that is free: what a restored book can't know.
        confirmed: bool,
    },
    /// The series that this one begins; the book counts.
    CountFrom(&'a str),
    /// One after the other, as they are scanned.
    Scanned(Scans),
}

/// Reads serial numbers as they come, one a line, in a thread of its own. Empty lines are passed over; a line
/// that is too long, or is not text, is an error in its place, and the next one is read all the same.
pub fn scans(input: impl Read + Send + 'static) -> Scans {
    // Nothing is read ahead: a line waits here until the unit before it is done.
    let (send, receive) = mpsc::sync_channel(0);
    thread::spawn(move || {
        let mut input = BufReader::new(input);
        while let Some(line) = line(&mut input).transpose() {
            let ends = matches!(&line, Err(trouble) if trouble.kind == LineTrouble::Input);
            if send.send(line.map_err(Trouble::from)).is_err() || ends {
                break;
            }
        }
    });
    receive
}

#[derive(Debug, PartialEq, Eq)]
enum LineTrouble {
    TooLong,
    NoText,
    Input,
}

struct LineError {
    kind: LineTrouble,
    why: String,
}

impl From<LineError> for Trouble {
    fn from(error: LineError) -> Self {
        match error.kind {
            LineTrouble::Input => Self::surroundings(error.why, "Connect the scanner again, then start the station."),
            _ => Self::usage(error.why, "Scan the serial number on the unit."),
        }
    }
}

/// The next line that is not empty; `None` at the end.
fn line(input: &mut impl BufRead) -> Result<Option<String>, LineError> {
    loop {
        let mut octets = Vec::new();
        let read = input.by_ref().take(LINE as u64 + 1).read_until(b'\n', &mut octets);
        let failed = |e: std::io::Error| LineError {
            kind: LineTrouble::Input,
            why: format!("the scanner's input can't be read: {e}"),
        };
        if read.map_err(failed)? == 0 {
            return Ok(None);
        }
        if octets.len() > LINE && octets.last() != Some(&b'\n') {
            // The rest of it is no serial number either.
            while octets.last() != Some(&b'\n') {
                octets.clear();
                if input.by_ref().take(LINE as u64).read_until(b'\n', &mut octets).map_err(failed)? == 0 {
                    break;
                }
            }
            let why = format!("a scanned line has more than {LINE} bytes");
            return Err(LineError { kind: LineTrouble::TooLong, why });
        }
        let text = std::str::from_utf8(&octets)
            .map_err(|_| LineError { kind: LineTrouble::NoText, why: "a scanned line is not text".into() })?;
        if !text.trim().is_empty() {
            return Ok(Some(text.trim().to_owned()));
        }
    }
}

/// Reads a list of serial numbers, one a line; empty lines are passed over.
///
/// - `octets`: text in UTF-8, UTF-16 or Windows-1252, as spreadsheets and editors write it.
/// - `name`: the file, for messages.
/// - `start`: the first to be used, where it is not the first of the list.
///
/// # Errors
///
/// [`Trouble`] names the line that holds no serial number, or one that came before; or says that `start` is not in
/// the list.
pub fn listed<'a>(octets: &[u8], name: &str, start: Option<&str>) -> Result<Numbers<'a>, Trouble> {
    let mut lines = HashMap::new();
    let mut serials = Vec::new();
    let text = encoding::read(octets).map_err(|NoText { line, why }| {
        Trouble::usage(format!("{name}, line {line}: {why}"), "Write the list again as text. Nothing was started.")
    })?;
    let text = text.text;
    if let Some(line) = encoding::long_line(&text) {
        let what = format!("{name}, line {line}: {}", encoding::too_long("a line"));
        return Err(Trouble::usage(what, format!("{} Nothing was started.", encoding::TOO_LONG_ADVICE)));
    }
    for (line, text) in (1..).zip(text.lines().map(str::trim)).filter(|(_, text)| !text.is_empty()) {
        if line == 1 && !text.contains(|c: char| c.is_ascii_digit()) {
            return Err(Trouble::usage(
                format!("{name}, line 1: {text:?} has no digit, so it is the head of a column and no serial number"),
                "Take the line out. Nothing was started.",
            ));
        }
        let serial = whole(text).map_err(|e| {
            Trouble::usage(format!("{name}, line {line}: {e}"), "Correct the line. Nothing was started.")
        })?;
        // The book takes numbers that differ in their letter case alone for one.
        if let Some(first) = lines.insert(serial.as_str().to_uppercase(), line) {
            return Err(Trouble::usage(
                format!(
                    "{name}: line {line} has the same serial number {serial} as line {first}; capital and small letters count as the same"
                ),
                "Give each unit its own number; nothing was started.",
            ));
        }
        serials.push(serial.to_string());
    }
    if let Some(start) = start {
        let at = serials.iter().position(|serial| serial == start.trim()).ok_or_else(|| {
            Trouble::usage(
                format!("{name} has no serial number {start}"),
                "Name one of the list with --serial-start. Nothing was started.",
            )
        })?;
        serials.drain(..at);
    }
    Ok(Numbers::Listed { serials, confirmed: start.is_some() })
}

/// Which serial numbers a station is about to give.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SerialsFrom {
    /// The number that the next new unit gets; none where each is scanned, or a list has no more.
    pub from: Option<String>,
    /// `list`, `scanned`, `serial-start`, `product` (the product's series) or `reel` (made from its name).
    pub source: &'static str,
    /// The first number of the series, where the book counts.
    pub series: Option<String>,
    /// Whether no unit has a number of this series yet.
    pub new_series: bool,
    /// The next number of the series without a first one that was named, where that leaves numbers out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub leaves_out: Option<String>,
    /// Numbers of the list that units have already, so that they are passed over: the first ten.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub in_use: Vec<String>,
    /// Numbers of the list that do not look like nearly all the others, as where a digit was lost: the first ten.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub unlike: Vec<String>,
    /// How many of those that are in use there are.
    #[serde(skip)]
    used_in_list: usize,
    /// Whether a unit has the first number of the series, or of the list.
    #[serde(skip)]
    used: bool,
    /// The next number of the product's own series, or a number that a unit of it has, where that is another series.
    pub beside: Option<String>,
    /// Whether that is the next number, which no unit has yet.
    #[serde(skip)]
    beside_is_next: bool,
}

impl SerialsFrom {
    fn given(source: &'static str, from: Option<&UnitSerial>) -> Self {
        let from = from.map(ToString::to_string);
        Self {
            from,
            source,
            series: None,
            new_series: false,
            leaves_out: None,
            in_use: Vec::new(),
            unlike: Vec::new(),
            used_in_list: 0,
            used: false,
            beside: None,
            beside_is_next: false,
        }
    }

    /// As people read it, before the first chip is touched.
    pub fn words(&self, product: &str) -> String {
        let from = self.from.as_deref().unwrap_or("none");
        let mut words = match (self.source, self.new_series) {
            ("scanned", _) => return "Serial numbers: scanned, one for each unit.".into(),
            ("list", _) if self.from.is_none() && !self.used => {
                return "Serial numbers: from the list, which has none.".into();
            }
            ("list", _) if self.from.is_none() => {
                return "Serial numbers: from the list, in which units have all numbers already.".into();
            }
            ("list", _) => {
                let mut words = format!("Serial numbers: from the list, {from} first.");
                if !self.in_use.is_empty() {
                    words += &format!(
                        " Units already have {} of its numbers, which are passed over: {}{}.",
                        self.used_in_list,
                        self.in_use.join(", "),
                        if self.used_in_list > self.in_use.len() { " and more" } else { "" }
                    );
                }
                if !self.unlike.is_empty() {
                    words +=
                        &format!(" Check the list: these look unlike its other numbers: {}.", self.unlike.join(", "));
                }
                return words;
            }
            ("product", false) => format!("Serial numbers: {from} is next, in the series of product {product}."),
            ("product", true) => format!("Serial numbers: {from} is the first in the series of product {product}."),
            ("reel", false) => format!("Serial numbers: {from} is next, in a series made from the reel's name."),
            ("reel", true) => format!("Serial numbers: {from} begins a new series, made from the reel's name."),
            (_, false) => match &self.series {
                Some(series) if self.from.as_ref() != Some(series) && self.used => {
                    format!("Serial numbers: {from} is next; {series} is used already.")
                }
                Some(series) if self.from.as_ref() != Some(series) => {
                    format!(
                        "Serial numbers: {from} is next; the series has come past {series}. A number before it that no \
                         unit has can be given with --serials."
                    )
                }
                _ => format!("Serial numbers: {from} is next."),
            },
            (_, true) => format!("Serial numbers: {from} begins a new series."),
        };
        if let Some(free) = &self.leaves_out {
            words += &format!(" The numbers from {free} on, up to there, are left out.");
        }
        if let Some(beside) = self.beside.as_deref().filter(|_| self.beside_is_next) {
            words += &format!(" Product {product} has a series of its own, in which {beside} is next.");
        } else if let Some(beside) = &self.beside {
            words += &format!(" Product {product} already has numbers in another series, such as {beside}.");
        } else if self.source == "reel" {
            words += &format!(" Product {product} has no series of its own.");
        }
        words
    }
}

/// Refuses what a scanner reads from another place of the board: a chip's id, or the serial number of a certificate.
///
/// # Errors
///
/// [`Trouble`] where the site has that, or the book gave no answer.
pub(super) fn is_no_other(site: &Site, serial: &UnitSerial) -> Result<(), Trouble> {
    let text = serial.as_str();
    let same = |name: &str| name.eq_ignore_ascii_case(text);
    for found in site.book.find(text, 50)? {
        let what = match found.credential.map(hex::encode) {
            _ if same(found.chip.as_str()) => "a chip",
            Some(credential) if same(&credential) => "a certificate",
            _ => continue,
        };
        return Err(Trouble::refused(
            format!("{text} is the id of {what} of reel {}, and no serial number of a unit", found.reel),
            "Scan the serial number on the unit.",
        ));
    }
    Ok(())
}

/// The series that a station counts in: the one it was given, else the product's, else one made from the reel's name.
pub fn counted(
    site: &Site,
    (product, reel): (&ProductName, &ReelId),
    start: Option<&str>,
) -> Result<(UnitSerial, SerialsFrom), Trouble> {
    let own = site.book.product_series(product)?;
    let (source, first) = match (start, &own) {
        (Some(start), _) => ("serial-start", series(start)?),
        (None, Some(own)) => ("product", own.clone()),
        (None, None) => {
            let clean: String = reel.as_str().chars().filter(|c| c.is_ascii_alphanumeric() || *c == '-').collect();
            ("reel", whole(&format!("{clean}-00001"))?)
        }
    };
    let SeriesStand { next, begun } = site.book.series_stand(&first)?;
    let Some(next) = next else {
        return Err(Trouble::refused(
            format!("the series of {first} has come to its last number: nothing can be counted on from there"),
            "Begin a series with more digits, or with another text before them. A number that no unit has can be given \
             with --serials.",
        ));
    };
    let beside_is_next = own.is_some() && source != "product";
    let beside = match own {
        // That of the product itself is in use, or about to be.
        Some(own) if source != "product" => {
            let stand = site.book.series_stand(&own)?;
            let same = stand.next.filter(|_| stand.begun);
            same.filter(|same| *same != next && !of_one_series(same, &next))
        }
        _ => site.book.serial_of_another_series(product, &first)?,
    };
    let told = SerialsFrom {
        from: Some(next.to_string()),
        source,
        series: Some(first.to_string()),
        new_series: !begun,
        used: site.book.unit(&first)?.is_some(),
        in_use: Vec::new(),
        unlike: Vec::new(),
        used_in_list: 0,
        leaves_out: if begun && start.is_some() { left_out(site, &first, &next)? } else { None },
        beside: beside.map(|serial| serial.to_string()),
        beside_is_next,
    };
    Ok((first, told))
}

/// The number of a series that would be next if nobody had named its first one, where that is another.
fn left_out(site: &Site, first: &UnitSerial, next: &UnitSerial) -> Result<Option<String>, Trouble> {
    let text = first.as_str();
    let prefix = text.trim_end_matches(|c: char| c.is_ascii_digit());
    let lowest = UnitSerial::new(&format!("{prefix}{}", "0".repeat(text.len() - prefix.len())))?;
    let free = site.book.series_stand(&lowest)?.next.filter(|free| free != next);
    Ok(free.map(|free| free.to_string()))
}

/// A list in a restored book: somebody names the first number that is free, once for each series in it. The number
/// that is still to be confirmed.
fn listed_to_confirm(site: &Site, left: &VecDeque<UnitSerial>, confirmed: bool) -> Result<Option<UnitSerial>, Trouble> {
    let Some(first) = left.front() else { return Ok(None) };
    if confirmed {
        return Ok((!site.book.is_series_confirmed(first)?).then(|| first.clone()));
    }
    for serial in left {
        if !site.book.is_series_confirmed(serial)? {
            return Err(Trouble::refused(
                format!("{}. In the list, {first} is the first that the book does not know", restored_words(site)?),
                "Find the last number that was used: on units, labels and printouts. Then name the first free one of \
                 the list with --serial-start. Nothing was changed.",
            ));
        }
    }
    Ok(None)
}

/// What a run takes serial numbers from.
pub(super) struct Serials {
    source: Source,
    /// In a restored book, the number that somebody named as the first free one of its series. The book takes that
    /// down with the first unit that is begun: a run that begins none leaves the series as it was.
    confirm: Option<UnitSerial>,
    /// Whether units that wait for their next board go before new ones: where no number was given.
    takes_up: bool,
}

enum Source {
    /// This one and no other.
    Exactly(UnitSerial),
    /// These, in order.
    Listed(VecDeque<UnitSerial>),
    /// The series that this one begins; the book counts.
    Counted(UnitSerial),
    /// None: units that are known go on with their own.
    Nothing,
}

impl Serials {
    fn of(source: Source) -> Self {
        Self { source, confirm: None, takes_up: false }
    }

    /// One that was scanned.
    pub(super) fn scanned(serial: &UnitSerial) -> Self {
        Self::of(Source::Exactly(serial.clone()))
    }

    /// One that was named: of a unit that is there, or of a new one.
    pub(super) fn exactly(site: &Site, text: &str) -> Result<Self, Trouble> {
        let serial = UnitSerial::new(text)?;
        if site.book.unit(&serial)?.is_some() {
            return Ok(Self::of(Source::Exactly(serial)));
        }
        is_no_other(site, &serial)?;
        Ok(Self::of(Source::Exactly(whole(text)?)))
    }

    /// As [`counted`], for units that are about to be begun: in a restored book only where somebody has said where
    /// the series goes on.
    pub(super) fn counted(
        site: &Site,
        of: (&ProductName, &ReelId),
        start: Option<&str>,
    ) -> Result<(Self, SerialsFrom), Trouble> {
        let (first, told) = counted(site, of, start)?;
        let confirm = match start {
            // Who names a number says where the series goes on; the product's series and the reel's say nothing new.
            None if !site.book.is_series_confirmed(&first)? => {
                return Err(unconfirmed(site, of.0, told.from.as_deref())?);
            }
            None => None,
            Some(_) => is_to_confirm(site, of.0, &first)?.then(|| first.clone()),
        };
        Ok((Self { source: Source::Counted(first), confirm, takes_up: start.is_none() }, told))
    }

    /// Where numbers come from, and what is said of that before the first chip.
    ///
    /// - `scans`: gets the scanner's lines, where each number is scanned.
    pub(super) fn new(
        site: &Site,
        of: (&ProductName, &ReelId),
        numbers: Numbers<'_>,
        scans: &mut Option<Scans>,
    ) -> Result<(Self, SerialsFrom), Trouble> {
        Ok(match numbers {
            Numbers::Listed { serials, confirmed } => {
                let mut left = serials.iter().map(|s| whole(s)).collect::<Result<VecDeque<_>, _>>()?;
                let listed = left.len();
                let (in_use, unlike) = (in_use(&left, site)?, unlike(&left));
                leave_out_used(&mut left, site)?;
                let used = left.len() < listed;
                let confirm = listed_to_confirm(site, &left, confirmed)?;
                let told = SerialsFrom {
                    used,
                    used_in_list: in_use.len(),
                    in_use: in_use.into_iter().take(10).collect(),
                    unlike: unlike.into_iter().take(10).collect(),
                    ..SerialsFrom::given("list", left.front())
                };
                (Self { source: Source::Listed(left), confirm, takes_up: false }, told)
            }
            Numbers::Scanned(lines) => {
                *scans = Some(lines);
                (Self::of(Source::Nothing), SerialsFrom::given("scanned", None))
            }
            Numbers::CountFrom(start) => Self::counted(site, of, Some(start))?,
            Numbers::Product => Self::counted(site, of, None)?,
        })
    }

    pub(super) fn wish(&self) -> SerialWish<'_> {
        match &self.source {
            Source::Exactly(serial) => SerialWish::Exactly(serial),
            Source::Listed(list) => list.front().map_or(SerialWish::Nothing, SerialWish::IfNew),
            Source::Counted(start) => SerialWish::CountFrom(start),
            Source::Nothing => SerialWish::Nothing,
        }
    }

    /// The same of a station where nobody names a number: its first one is of its setup.
    pub(super) fn taking_up(self) -> Self {
        Self { takes_up: true, ..self }
    }

    /// Whether units that wait for their next board go before new ones.
    pub(super) fn takes_up(&self) -> bool {
        self.takes_up
    }

    /// The number that the unit must have; none where any will do.
    pub(super) fn only(&self) -> Option<&UnitSerial> {
        if let Source::Exactly(serial) = &self.source { Some(serial) } else { None }
    }

    /// The number that was named as the first free one, as long as no unit was begun with it.
    pub(super) fn unconfirmed(&self) -> Option<&UnitSerial> {
        self.confirm.as_ref()
    }

    /// Whether a new unit would get none.
    pub(super) fn ran_out(&self) -> bool {
        matches!(self.wish(), SerialWish::Nothing)
    }

    /// A list that a station begins anew goes on behind the numbers that units have already.
    pub(super) fn leave_out_used(&mut self, site: &Site) -> Result<(), Trouble> {
        if let Source::Listed(list) = &mut self.source { leave_out_used(list, site) } else { Ok(()) }
    }

    /// A unit has this number now, adopted from its chip or one of these.
    pub(super) fn used(&mut self, serial: &UnitSerial) {
        if let Source::Listed(list) = &mut self.source
            && list.front() == Some(serial)
        {
            list.pop_front();
        }
    }

    /// A unit was begun with one of these numbers: what was said of them holds.
    pub(super) fn confirm(&mut self, site: &Site, by: &By) -> Result<(), Trouble> {
        if let Some(first) = self.confirm.take() {
            site.book.confirm_series(&first, by)?;
        }
        Ok(())
    }
}

/// Whether a unit has a number, and does not wait for a board to put it on.
fn is_used(site: &Site, serial: &UnitSerial) -> Result<bool, Trouble> {
    let serial = unit::typed(site, serial.as_str())?;
    Ok(site.book.unit(&serial)?.is_some() && !site.book.pending(&serial)?.board)
}

/// The numbers of a list that units have already.
fn in_use(list: &VecDeque<UnitSerial>, site: &Site) -> Result<Vec<String>, Trouble> {
    let mut found = Vec::new();
    for serial in list {
        if is_used(site, serial)? {
            found.push(serial.to_string());
        }
    }
    Ok(found)
}

/// Numbers that are not of the series that at least 95 % of the list are of.
fn unlike(list: &VecDeque<UnitSerial>) -> Vec<String> {
    let of_series =
        |one: &&UnitSerial| list.iter().filter(|other| of_one_series(one, other)).count() * 20 >= list.len() * 19;
    // Of three neighbours one is of it, where there is such a series and its odd ones lie apart.
    let middle = list.iter().skip(list.len() / 2).take(3);
    match middle.into_iter().find(of_series).filter(|_| list.len() >= 20) {
        Some(usual) => list.iter().filter(|one| !of_one_series(usual, one)).map(ToString::to_string).collect(),
        None => Vec::new(),
    }
}

fn leave_out_used(list: &mut VecDeque<UnitSerial>, site: &Site) -> Result<(), Trouble> {
    while let Some(first) = list.front()
        && is_used(site, first)?
    {
        list.pop_front();
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use base::advice::Advise;

    use super::*;

    #[test]
    fn lines_come_one_by_one_and_a_bad_one_costs_only_itself() {
        let long = "x".repeat(LINE + 40);
        let fits = "y".repeat(LINE);
        let input = format!("TV-1\r\n\n  TV-2 \n{long}\nTV-3\n{fits}\n").into_bytes();
        let input = [&input[..], &b"\xFF\xFE\nTV-4"[..]].concat();
        let lines: Vec<_> = scans(std::io::Cursor::new(input))
            .iter()
            .map(|line| line.map_err(|trouble| (trouble.kind(), trouble.to_string())))
            .collect();
        let wrong = |n: usize, what: &str| {
            let (kind, why) = lines[n].as_ref().expect_err("no serial number");
            assert!(*kind == base::Kind::Usage && why.contains(what), "{why}");
        };
        assert_eq!(lines.len(), 7, "{lines:?}");
        for (n, serial) in [(0, "TV-1"), (1, "TV-2"), (3, "TV-3"), (4, &fits), (6, "TV-4")] {
            assert_eq!(lines[n].as_deref().expect("a line"), serial, "line {n}");
        }
        wrong(2, "more than 256 bytes");
        wrong(5, "not text");
    }

    #[test]
    fn a_number_that_lost_a_digit_is_found_in_a_list() {
        let list = |odd: &[&str], width: usize| -> Vec<String> {
            let plain = (1..=100).map(|n| format!("HD-{n:0width$}"));
            let all = plain.chain(odd.iter().map(|s| (*s).to_owned()));
            unlike(&all.map(|s| UnitSerial::new(&s).expect("a serial number")).collect())
        };
        assert_eq!(list(&["HD-00006"], 6), ["HD-00006"]);
        assert_eq!(list(&["HE-000006", "HD-1"], 6), ["HE-000006", "HD-1"]);
        // Numbers that grow by a digit are no slip.
        assert_eq!((list(&[], 6), list(&[], 1)), (Vec::<String>::new(), Vec::new()));
    }
}
