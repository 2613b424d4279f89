//! Manifests in JSON: one object a line, an array of objects, or an object with one such array. Read as it comes: no more of an object is held
//! than its names and its texts.

use std::fmt;

use base::encoding;
use serde::de::{Deserialize, DeserializeSeed, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};
use standard::verdict::Finding;
use standard::verdict::catalogue::intake::{REEL_COLUMN, REEL_FORMAT};

use super::Reading;
use super::columns::{ColumnMap, Place, Unmatched, cell};

/// Fields that an object may have.
const FIELDS: usize = 256;

/// One member of a manifest.
pub(in crate::reel) enum Member {
    Object(Object),
    /// An array of objects, at least one.
    Rows,
    Other,
}

/// An object: its names, and the text of those that have one.
pub(in crate::reel) struct Object(Vec<(String, Option<String>)>);

impl Object {
    pub(in crate::reel) fn names(&self) -> impl Iterator<Item = &str> + Clone {
        self.0.iter().map(|(name, _)| name.as_str())
    }

    /// Names that are neither the id nor the key: what they say of a chip is not looked at.
    pub(in crate::reel) fn unused(&self, map: &ColumnMap) -> Vec<String> {
        let used = [&map.chip_id, &map.public_key].map(|wanted| map.place(self.names(), wanted));
        let others = self.names().enumerate().filter(|(at, _)| !used.contains(&Place::At(*at)));
        others.map(|(_, name)| shown(name)).collect()
    }

    /// The text of this name, as it was meant.
    pub(in crate::reel) fn text(&self, map: &ColumnMap, wanted: &str) -> Option<String> {
        let Place::At(at) = map.place(self.names(), wanted) else { return None };
        self.0[at].1.as_deref().map(|text| cell(text).into_owned())
    }
}

fn shown(name: &str) -> String {
    const SHOWN: usize = 40;
    name.chars().take(SHOWN).collect()
}

/// A number, or a text; nothing of what else there is.
struct Scalar(Option<String>);

impl<'de> Deserialize<'de> for Scalar {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        struct Take;
        impl<'de> Visitor<'de> for Take {
            type Value = Scalar;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a value")
            }
            fn visit_str<E>(self, text: &str) -> Result<Scalar, E> {
                Ok(Scalar(Some(text.to_owned())))
            }
            // A chip id of digits alone may have been written as a number.
            fn visit_u64<E>(self, number: u64) -> Result<Scalar, E> {
                Ok(Scalar(Some(number.to_string())))
            }
            fn visit_i64<E>(self, number: i64) -> Result<Scalar, E> {
                Ok(Scalar(Some(number.to_string())))
            }
            // Its last digits are lost, so it is shown as what it is.
            fn visit_f64<E>(self, number: f64) -> Result<Scalar, E> {
                Ok(Scalar(Some(format!("{number:E}").replace('E', "E+").replace("E+-", "E-"))))
            }
            fn visit_bool<E>(self, _: bool) -> Result<Scalar, E> {
                Ok(Scalar(None))
            }
            fn visit_unit<E>(self) -> Result<Scalar, E> {
                Ok(Scalar(None))
            }
            fn visit_seq<A: SeqAccess<'de>>(self, mut members: A) -> Result<Scalar, A::Error> {
                while members.next_element::<IgnoredAny>()?.is_some() {}
                Ok(Scalar(None))
            }
            fn visit_map<A: MapAccess<'de>>(self, mut members: A) -> Result<Scalar, A::Error> {
                while members.next_entry::<IgnoredAny, IgnoredAny>()?.is_some() {}
                Ok(Scalar(None))
            }
        }
        from.deserialize_any(Take)
    }
}

impl<'de> Deserialize<'de> for Member {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        struct Take;
        impl<'de> Visitor<'de> for Take {
            type Value = Member;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an object")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut members: A) -> Result<Member, A::Error> {
                let mut fields = Vec::new();
                while let Some(name) = members.next_key()? {
                    if fields.len() == FIELDS {
                        let why = format!("an object has more than {FIELDS} fields");
                        return Err(serde::de::Error::custom(why));
                    }
                    fields.push((name, members.next_value::<Scalar>()?.0));
                }
                Ok(Member::Object(Object(fields)))
            }
            fn visit_str<E>(self, _: &str) -> Result<Member, E> {
                Ok(Member::Other)
            }
            fn visit_u64<E>(self, _: u64) -> Result<Member, E> {
                Ok(Member::Other)
            }
            fn visit_i64<E>(self, _: i64) -> Result<Member, E> {
                Ok(Member::Other)
            }
            fn visit_f64<E>(self, _: f64) -> Result<Member, E> {
                Ok(Member::Other)
            }
            fn visit_bool<E>(self, _: bool) -> Result<Member, E> {
                Ok(Member::Other)
            }
            fn visit_unit<E>(self) -> Result<Member, E> {
                Ok(Member::Other)
            }
            fn visit_seq<A: SeqAccess<'de>>(self, mut members: A) -> Result<Member, A::Error> {
                let (mut objects, mut others) = (0_u64, 0_u64);
                while let Some(member) = members.next_element::<Member>()? {
                    *if matches!(member, Member::Object(_)) { &mut objects } else { &mut others } += 1;
                }
                Ok(if objects > 0 && others == 0 { Member::Rows } else { Member::Other })
            }
        }
        from.deserialize_any(Take)
    }
}

/// Chips of a manifest as they come, and whether its objects have the fields that are wanted.
struct Members<'a, 'c> {
    map: &'a ColumnMap,
    reading: &'a mut Reading<'c>,
    seen: [bool; 2],
    /// The first object, for telling which fields there are.
    first: Option<Object>,
}

impl Members<'_, '_> {
    fn take(&mut self, number: u64, member: Member) {
        let subject = format!("{} {number}", self.reading.unit);
        let Member::Object(object) = member else {
            self.reading.out.read += 1;
            return self.reading.tell(&REEL_FORMAT, subject, None, "JSON that is not an object".into());
        };
        let mut missing = Vec::new();
        for (at, wanted) in [&self.map.chip_id, &self.map.public_key].into_iter().enumerate() {
            match self.map.place(object.names(), wanted) {
                Place::At(_) => self.seen[at] = true,
                Place::Nowhere => missing.push(format!("no {wanted:?}")),
                Place::Several => missing.push(format!("more than one {wanted:?}")),
            }
        }
        if missing.is_empty() {
            let (id, key) =
                [&self.map.chip_id, &self.map.public_key].map(|wanted| object.text(self.map, wanted)).into();
            self.reading.chip(number, subject, id.as_deref(), key.as_deref());
        } else {
            self.reading.out.read += 1;
            let names: Vec<_> = object.names().take(12).collect();
            let found = format!("{}; there are {}", missing.join(" and "), names.join(", "));
            self.reading.tell(&REEL_COLUMN, subject, None, found);
        }
        self.first.get_or_insert(object);
    }
}

/// An object around the chips: its names, and whether what each holds is an array of objects.
struct Around(Vec<(String, bool)>);

impl<'de> Deserialize<'de> for Around {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        struct Take;
        impl<'de> Visitor<'de> for Take {
            type Value = Around;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an object")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut members: A) -> Result<Around, A::Error> {
                let mut fields = Vec::new();
                while let Some(name) = members.next_key()? {
                    if fields.len() == FIELDS {
                        return Err(serde::de::Error::custom(format!("an object has more than {FIELDS} fields")));
                    }
                    fields.push((name, matches!(members.next_value()?, Member::Rows)));
                }
                Ok(Around(fields))
            }
        }
        from.deserialize_map(Take)
    }
}

/// The one object that the text is, where it is none of the chips itself.
fn around(text: &str, map: &ColumnMap) -> Option<Around> {
    let around: Around = serde_json::from_str(text).ok()?;
    let names = || around.0.iter().map(|(name, _)| name.as_str());
    let is_chip =
        [&map.chip_id, &map.public_key].into_iter().any(|wanted| map.place(names(), wanted) != Place::Nowhere);
    let holds_rows = around.0.iter().any(|(_, rows)| *rows);
    (!is_chip && holds_rows).then_some(around)
}

/// Reads the chips of a manifest in JSON.
///
/// # Errors
///
/// [`Unmatched`] where no object has one of the fields that are wanted.
pub(super) fn read(text: &str, map: &ColumnMap, reading: &mut Reading<'_>) -> Result<(), Unmatched> {
    if let Some(line) = long_value(text) {
        let finding = Finding::new(&REEL_FORMAT, encoding::too_long("a value")).advising(encoding::TOO_LONG_ADVICE);
        reading.finding(format!("line {line}"), None, finding);
        return Ok(());
    }
    let is_array = text.trim_start().starts_with('[');
    let around = if is_array { None } else { around(text, map) };
    let mut of = around.iter().flat_map(|around| &around.0).filter(|(_, rows)| *rows).map(|(name, _)| name.as_str());
    let rows = of.next();
    if let (Some(one), Some(other)) = (rows, of.next()) {
        let finding =
            Finding::new(&REEL_FORMAT, format!("an object with several arrays of objects: {one} and {other}"));
        let advice = "Give a file with the array of the chips alone.";
        reading.finding("line 1".into(), None, finding.advising(advice));
        return Ok(());
    }
    if is_array || rows.is_some() {
        reading.unit = "entry";
    }
    // What stands beside the chips may count them otherwise.
    let beside = around.iter().flat_map(|around| &around.0).filter(|(_, rows)| !rows);
    let mut unused: Vec<String> = beside.filter(|_| rows.is_some()).map(|(name, _)| shown(name)).collect();
    let mut members = Members { map, reading, seen: [false; 2], first: None };
    match rows {
        Some(name) => array_in(text, name, &mut members),
        None if is_array => array(text, &mut members),
        None => lines(text, &mut members),
    }
    unused.extend(members.first.iter().flat_map(|first| first.unused(map)));
    members.reading.out.unused = unused;
    match members.first {
        Some(first) if members.seen != [true; 2] => Err(Unmatched {
            names: first.names().map(str::to_owned).collect(),
            first: first.0.into_iter().map(|(_, text)| text.unwrap_or_default()).collect(),
        }),
        _ => Ok(()),
    }
}

/// Takes the members of an array as they come.
struct Each<'t, 'a, 'c>(&'t mut Members<'a, 'c>);

impl<'de> Visitor<'de> for Each<'_, '_, '_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("an array of objects")
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut from: A) -> Result<(), A::Error> {
        let mut number = 0;
        while let Some(member) = from.next_element::<Member>()? {
            number += 1;
            self.0.take(number, member);
        }
        Ok(())
    }
}

impl<'de> DeserializeSeed<'de> for Each<'_, '_, '_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, from: D) -> Result<(), D::Error> {
        from.deserialize_seq(self)
    }
}

fn array(text: &str, members: &mut Members<'_, '_>) {
    let mut from = serde_json::Deserializer::from_str(text);
    let read = from.deserialize_seq(Each(members)).and_then(|()| from.end());
    report(read, members);
}

/// Reads the array of this name in the one object that the text is.
fn array_in(text: &str, name: &str, members: &mut Members<'_, '_>) {
    struct Take<'n, 't, 'a, 'c>(&'n str, &'t mut Members<'a, 'c>);
    impl<'de> Visitor<'de> for Take<'_, '_, '_, '_> {
        type Value = ();

        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str("an object")
        }
        fn visit_map<A: MapAccess<'de>>(self, mut from: A) -> Result<(), A::Error> {
            while let Some(name) = from.next_key::<String>()? {
                if name == self.0 {
                    from.next_value_seed(Each(&mut *self.1))?;
                } else {
                    from.next_value::<IgnoredAny>()?;
                }
            }
            Ok(())
        }
    }
    let mut from = serde_json::Deserializer::from_str(text);
    let read = from.deserialize_map(Take(name, &mut *members)).and_then(|()| from.end());
    report(read, members);
}

fn report(read: Result<(), serde_json::Error>, members: &mut Members<'_, '_>) {
    if let Err(error) = read {
        let (line, why) = (error.line(), error.to_string());
        members.reading.tell(&REEL_FORMAT, format!("line {line}"), None, format!("no JSON array: {why}"));
    }
}

/// The line on which the first string begins that is longer than it may be. What takes memory is found before anything
/// is read: of escapes, the reader makes a copy.
fn long_value(text: &str) -> Option<usize> {
    let octets = text.as_bytes();
    let mut at = 0;
    while let Some(quote) = memchr::memchr(b'"', &octets[at..]) {
        let begin = at + quote + 1;
        let mut end = begin;
        loop {
            match memchr::memchr2(b'"', b'\\', &octets[end..]) {
                Some(next) if octets[end + next] == b'\\' => end = octets.len().min(end + next + 2),
                Some(next) => break end += next,
                None => break end = octets.len(),
            }
        }
        if end - begin > encoding::LONGEST {
            return Some(1 + text[..begin].matches('\n').count());
        }
        at = octets.len().min(end + 1);
    }
    None
}

fn lines(text: &str, members: &mut Members<'_, '_>) {
    let mut lines = (1..).zip(text.lines()).filter(|(_, line)| !line.trim().is_empty()).peekable();
    let mut is_first = true;
    while let Some((number, line)) = lines.next() {
        let error = match serde_json::from_str::<Member>(line) {
            Ok(member) => {
                is_first = false;
                members.take(number, member);
                continue;
            }
            Err(error) => error,
        };
        members.reading.out.read += 1;
        let mut goes_on = || lines.peek().is_some_and(|(_, next)| serde_json::from_str::<Member>(next).is_err());
        if is_first && error.is_eof() && goes_on() {
            let found = "an object over several lines; one object a line is read, an array of objects, or an object with \
                         one such array";
            return members.reading.tell(&REEL_FORMAT, format!("line {number}"), None, found.into());
        }
        is_first = false;
        // The column, not the line: the reader counts lines from 1 within this one.
        let why = error.to_string();
        let why = why.split(" at line").next().unwrap_or("unreadable");
        members.reading.tell(&REEL_FORMAT, format!("line {number}"), None, format!("not a JSON object: {why}"));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_value_is_found_whatever_is_escaped_in_it_and_around_it() {
        let long = |of: &str| of.repeat(encoding::LONGEST);
        for (text, line) in [
            (format!("{{\"a\":\"{}\"}}", long("x")), None),
            (format!("[\n{{\"a\":\n\"{}y\"}}]", long("x")), Some(3)),
            (format!("[\"\\\"{}\"]", long("x")), Some(1)),
            (format!("[\"{}\"]", long("\\\"")), Some(1)),
            (format!("{{\"{}y\":1}}", long("x")), Some(1)),
            (format!("[1,\n\"{}y", long("x")), Some(2)),
            (format!("[{}]", long("\"x\",")), None),
            ("\"\\".to_owned(), None),
            (String::new(), None),
        ] {
            assert_eq!(long_value(&text), line, "{}", &text[..text.len().min(40)]);
        }
    }
}
