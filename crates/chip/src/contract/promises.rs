//! The promises, in the order in which they are tried.

use std::fmt;

use super::{Bench, Found, Held, Stop, broken, not_tried, octets};
use crate::contract::watch::Watched;
use crate::{ChipError, ChipId, LONGEST_MESSAGE, ObjectName, State};

/// One promise of the contract. Names are never changed or used again.
pub struct Promise {
    /// Its name, as `write-read`.
    pub name: &'static str,
    /// What is promised, as a sentence.
    pub text: &'static str,
    pub(super) tries: fn(&mut Bench<'_>) -> Held,
}

impl fmt::Debug for Promise {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name)
    }
}

/// Every promise. Those that find out what the chip is come first, those that
/// write next, those that can't be undone last.
pub static PROMISES: &[Promise] = &[
    Promise {
        name: "present",
        text: "The source lists each chip once, in ascending order, this one among them.",
        tries: present,
    },
    Promise { name: "opens", text: "The chip opens and reports its abilities.", tries: opens },
    Promise { name: "absent-chip", text: "A chip that is not present does not open.", tries: absent_chip },
    Promise { name: "identity", text: "The opened chip is the one that answers, until it is closed.", tries: identity },
    Promise { name: "public-key", text: "Its public key stays the same.", tries: public_key },
    Promise {
        name: "signature",
        text: "It signs messages of 0 to 1,024 bytes, and each signature belongs to its key.",
        tries: signature,
    },
    Promise {
        name: "one-holder",
        text: "While it is open nobody else can open it; once closed it can be opened again.",
        tries: one_holder,
    },
    Promise { name: "absent-object", text: "What was never written reads as absent.", tries: absent_object },
    Promise { name: "write-read", text: "What is written is read back, byte for byte.", tries: write_read },
    Promise { name: "overwrite", text: "New content replaces the old, longer or shorter.", tries: overwrite },
    Promise { name: "separate", text: "Writing one object leaves the others as they were.", tries: separate },
    Promise { name: "keeps", text: "What was written is still there when the chip is opened again.", tries: keeps },
    Promise { name: "state", text: "It reports whether it is blank or holds objects.", tries: state },
    Promise { name: "remove", text: "Writing an empty object removes it.", tries: remove },
    Promise {
        name: "limits",
        text: "An object of the largest reported size fits; a larger one is refused and changes nothing.",
        tries: limits,
    },
    Promise {
        name: "room",
        text: "The reported room shrinks and grows with its objects; what does not fit is refused and changes nothing.",
        tries: room,
    },
    Promise { name: "names", text: "An object that it has no place for is refused.", tries: names },
    Promise { name: "left-blank", text: "With its objects removed it is blank again.", tries: left_blank },
    Promise {
        name: "lock",
        text: "Locked, it refuses every write, keeps its objects and its key, and stays locked.",
        tries: lock,
    },
    Promise { name: "in-time", text: "No call took longer than it may.", tries: in_time },
];

fn present(bench: &mut Bench<'_>) -> Held {
    let chips = match bench.source() {
        Ok(source) => source.present()?,
        Err(why) => {
            bench.found = Found::Dead;
            return Err(why);
        }
    };
    if let Some(pair) = chips.windows(2).find(|pair| pair[0] >= pair[1]) {
        return broken(format!("{} is listed before {}", pair[0], pair[1]));
    }
    if !chips.contains(bench.chip) {
        return broken(format!("{} is not listed", bench.chip));
    }
    Ok(())
}

fn opens(bench: &mut Bench<'_>) -> Held {
    let found = (|| -> Result<Found, Stop> {
        let mut chip = bench.chip()?;
        let abilities = chip.abilities()?;
        let blank = chip.state()? == State::Blank;
        Ok(Found::Chip { abilities, blank })
    })();
    match found {
        Ok(found) => bench.found = found,
        Err(why) => {
            bench.found = Found::Dead;
            return Err(why);
        }
    }
    let abilities = bench.abilities()?;
    if abilities.object_limit == 0 {
        return broken("it reports that an object may have no bytes");
    }
    let mut names = abilities.objects.clone().unwrap_or_default();
    names.sort();
    match names.windows(2).find(|pair| pair[0] == pair[1]) {
        Some(pair) => broken(format!("it lists {} twice among the objects that it has a place for", pair[0])),
        None => Ok(()),
    }
}

fn absent_chip(bench: &mut Bench<'_>) -> Held {
    let source = bench.source()?;
    let present = source.present()?;
    // Another check on this machine holds the lock of its own absent chip, not of this one's.
    let first = u64::from(std::process::id()) << 16;
    let absent = (first..).take(present.len() + 1).filter_map(|n| ChipId::new(&format!("FEED{n:014X}")).ok());
    let Some(absent) = absent.into_iter().find(|id| !present.contains(id)) else {
        return not_tried("every id is taken");
    };
    match source.open(&absent) {
        Ok(_) => broken(format!("{absent} is not listed, but opens")),
        Err(ChipError::Absent { .. }) => Ok(()),
        Err(other) => broken(format!("expected an error that {absent} is absent, got: {other}")),
    }
}

fn identity(bench: &mut Bench<'_>) -> Held {
    let expected = bench.chip.clone();
    let mut chip = bench.chip()?;
    for when in ["at first", "asked again", "after signing"] {
        let found = chip.identity()?;
        if found.id != expected {
            return broken(format!("{} answers {when}", found.id));
        }
        if found.part.trim().is_empty() {
            return broken("its part has no name");
        }
        if when == "asked again" {
            // Contacts get time to show that they hold another chip by now.
            for _ in 0..5 {
                chip.state()?;
                chip.public_key()?;
            }
            chip.sign(b"identity")?;
        }
    }
    Ok(())
}

fn public_key(bench: &mut Bench<'_>) -> Held {
    let mut chip = bench.chip()?;
    let first = chip.public_key()?;
    let mut same = chip.public_key()? == first;
    drop(chip);
    same &= bench.chip()?.public_key()? == first;
    if same { Ok(()) } else { broken("it returned another public key when asked again") }
}

fn signature(bench: &mut Bench<'_>) -> Held {
    let mut chip = bench.chip()?;
    let key = chip.public_key()?;
    for length in [0, 1, 32, 55, 56, 64, 333, 916, LONGEST_MESSAGE] {
        let message = octets(length, 3);
        if !key.verifies_raw(&message, &chip.sign(&message)?) {
            return broken(format!("the signature over {length} bytes does not belong to its key"));
        }
    }
    Ok(())
}

fn one_holder(bench: &mut Bench<'_>) -> Held {
    let id = bench.chip.clone();
    let mut held = bench.chip()?;
    let mut elsewhere = (bench.open)()?;
    let again = [("the same source", bench.source()?.open(&id)), ("the source opened again", elsewhere.open(&id))];
    for (whose, again) in again {
        match again {
            Ok(_) => return broken(format!("it opens a second time, through {whose}")),
            Err(ChipError::Held { .. }) => {}
            Err(other) => return broken(format!("expected an error that it is in use, through {whose}, got: {other}")),
        }
    }
    if held.identity()?.id != id {
        return broken("after a second attempt to open it, another chip answers");
    }
    drop(held);
    bench.chip().map(drop)
}

fn absent_object(bench: &mut Bench<'_>) -> Held {
    let (mut chip, names) = bench.writable()?;
    for name in &names {
        if let Some(found) = chip.read(name)? {
            return broken(format!("{name} was never written but has {} bytes", found.len()));
        }
    }
    Ok(())
}

/// Writes, and compares what is read.
fn put(chip: &mut Watched, name: &ObjectName, content: &[u8]) -> Held {
    chip.write(name, content)?;
    same(chip, name, content)
}

fn same(chip: &mut Watched, name: &ObjectName, expected: &[u8]) -> Held {
    let found = chip.read(name)?.unwrap_or_default();
    if found == expected {
        return Ok(());
    }
    let differ = found.iter().zip(expected).position(|(a, b)| a != b);
    broken(format!(
        "{name} was written with {} bytes but read with {}{}",
        expected.len(),
        found.len(),
        differ.map_or(String::new(), |at| format!("; byte {at} is the first that differs"))
    ))
}

/// Runs `tries` on two objects, then removes them whatever happened.
fn cleanly(bench: &mut Bench<'_>, tries: impl FnOnce(&mut Bench<'_>, &[ObjectName]) -> Held) -> Held {
    let (chip, names) = bench.writable()?;
    drop(chip);
    let tried = tries(bench, &names);
    let cleaned =
        bench.chip().and_then(|mut chip| names.iter().try_for_each(|name| chip.write(name, &[]).map_err(Stop::from)));
    // What went wrong first tells more.
    tried.and(cleaned)
}

fn write_read(bench: &mut Bench<'_>) -> Held {
    let largest = bench.largest()?;
    cleanly(bench, |bench, names| {
        let mut chip = bench.chip()?;
        let sizes = [1, 2, 15, 16, 17, 63, 64, 65, 127, 128, 255, 256, 257, 600, largest];
        for (n, size) in sizes.into_iter().filter(|size| *size <= largest).enumerate() {
            put(&mut chip, &names[0], &octets(size, n as u8))?;
        }
        Ok(())
    })
}

fn overwrite(bench: &mut Bench<'_>) -> Held {
    let largest = bench.largest()?;
    cleanly(bench, |bench, names| {
        let mut chip = bench.chip()?;
        for size in [300, 40, 300, 1, 299] {
            put(&mut chip, &names[0], &octets(size.min(largest), size as u8))?;
        }
        put(&mut chip, &names[0], &octets(299.min(largest), 9))
    })
}

fn separate(bench: &mut Bench<'_>) -> Held {
    let room = bench.abilities()?.room_left;
    cleanly(bench, |bench, names| {
        let [first, second] = names else { return not_tried("it has a place for one object only") };
        if room.is_some_and(|room| room < 400) {
            return not_tried("it has no room for two objects");
        }
        let limit = bench.abilities()?.object_limit;
        let mut chip = bench.chip()?;
        let (a, b) = (octets(130.min(limit), 1), octets(70.min(limit), 2));
        put(&mut chip, first, &a)?;
        put(&mut chip, second, &b)?;
        same(&mut chip, first, &a)?;
        chip.write(second, &[])?;
        same(&mut chip, first, &a)
    })
}

fn keeps(bench: &mut Bench<'_>) -> Held {
    let content = octets(200.min(bench.largest()?), 5);
    cleanly(bench, |bench, names| {
        put(&mut bench.chip()?, &names[0], &content)?;
        bench.leave();
        same(&mut bench.chip()?, &names[0], &content)
    })
}

fn state(bench: &mut Bench<'_>) -> Held {
    let content = octets(20.min(bench.largest()?), 6);
    cleanly(bench, |bench, names| {
        let mut chip = bench.chip()?;
        put(&mut chip, &names[0], &content)?;
        match chip.state()? {
            State::HoldsObjects => Ok(()),
            found => broken(format!("it holds an object, but reports {found:?}")),
        }
    })
}

fn remove(bench: &mut Bench<'_>) -> Held {
    let content = octets(90.min(bench.largest()?), 7);
    cleanly(bench, |bench, names| {
        let mut chip = bench.chip()?;
        put(&mut chip, &names[0], &content)?;
        for _ in 0..2 {
            chip.write(&names[0], &[])?;
            if let Some(found) = chip.read(&names[0])? {
                return broken(format!("{} was removed but has {} bytes", names[0], found.len()));
            }
        }
        Ok(())
    })
}

fn limits(bench: &mut Bench<'_>) -> Held {
    let largest = bench.largest()?;
    let limit = bench.abilities()?.object_limit;
    cleanly(bench, |bench, names| {
        let mut chip = bench.chip()?;
        let before = octets(largest, 8);
        put(&mut chip, &names[0], &before)?;
        match chip.write(&names[0], &octets(limit.saturating_add(1), 9)) {
            Err(ChipError::TooLarge { .. } | ChipError::NoRoom { .. }) => {}
            Err(other) => return broken(format!("expected an error that it is too large, got: {other}")),
            Ok(()) => {
                return broken(format!(
                    "it reports that an object has at most {limit} bytes, but accepted {}",
                    limit + 1
                ));
            }
        }
        same(&mut chip, &names[0], &before)
    })
}

fn room(bench: &mut Bench<'_>) -> Held {
    let (room, limit) = (bench.abilities()?.room_left, bench.abilities()?.object_limit);
    let Some(room) = room else { return not_tried("it does not report how much room is left") };
    cleanly(bench, |bench, names| {
        let [first, second] = names else { return not_tried("it has a place for one object only") };
        let mut chip = bench.chip()?;
        let before = octets((room / 2).clamp(1, limit), 3);
        put(&mut chip, first, &before)?;
        let Some(left) = chip.abilities()?.room_left else {
            return broken("it no longer reports how much room is left");
        };
        if left > room.saturating_sub(before.len()) {
            return broken(format!(
                "it had room for {room} bytes, accepted {}, and reports that {left} are left",
                before.len()
            ));
        }
        if left < limit {
            match chip.write(second, &octets(left + 1, 4)) {
                Err(ChipError::NoRoom { .. }) => {}
                Err(other) => return broken(format!("expected an error that there is no room, got: {other}")),
                Ok(()) => return broken(format!("it reports that {left} bytes are left, but accepted {}", left + 1)),
            }
            if chip.read(second)?.is_some() {
                return broken("an object that had no room was written anyway");
            }
        }
        same(&mut chip, first, &before)?;
        let fits = octets(left.min(limit), 5);
        put(&mut chip, second, &fits)?;
        same(&mut chip, first, &before)?;
        for name in [second, first] {
            chip.write(name, &[])?;
        }
        match chip.abilities()?.room_left {
            Some(again) if again >= room => Ok(()),
            again => broken(format!(
                "it had room for {room} bytes; with its objects removed it reports {}",
                again.map_or("nothing".to_owned(), |again| again.to_string())
            )),
        }
    })
}

fn names(bench: &mut Bench<'_>) -> Held {
    let Some(known) = bench.abilities()?.objects.clone() else {
        return not_tried("it has a place for any name");
    };
    let (mut chip, _) = bench.writable()?;
    let unknown = ["no-such-object", "nor-this-one"].iter().filter_map(|name| ObjectName::new(name).ok());
    let Some(unknown) = unknown.into_iter().find(|name| !known.contains(name)) else {
        return not_tried("it has a place for every name that was tried");
    };
    match chip.write(&unknown, &octets(5, 1)) {
        Err(ChipError::NoSlot { .. }) => Ok(()),
        Err(other) => broken(format!("expected an error that it has no place for {unknown}, got: {other}")),
        Ok(()) => broken(format!("it accepted {unknown}, which it does not list among its objects")),
    }
}

fn left_blank(bench: &mut Bench<'_>) -> Held {
    let (mut chip, _) = bench.writable()?;
    match chip.state()? {
        State::Blank => Ok(()),
        found => broken(format!("its objects were removed, but it reports {found:?}")),
    }
}

fn lock(bench: &mut Bench<'_>) -> Held {
    let can_lock = bench.abilities()?.can_lock;
    if !can_lock {
        return match bench.chip()?.lock() {
            Err(ChipError::CannotLock { .. }) => Ok(()),
            Err(other) => broken(format!("expected an error that it can't be locked, got: {other}")),
            Ok(()) => broken("it reports that it can't be locked, but was locked"),
        };
    }
    if !bench.trial.lock {
        return not_tried("locking cannot be undone, and was not requested (--lock)");
    }
    let largest = bench.largest()?;
    let (mut chip, names) = bench.writable()?;
    let content = octets(100.min(largest), 4);
    put(&mut chip, &names[0], &content)?;
    chip.lock()?;
    for opening in ["in the same opening", "after opening it again"] {
        if chip.state()? != State::Locked {
            return broken(format!("it was locked, but does not report so {opening}"));
        }
        for octets in [&b"other"[..], b""] {
            match chip.write(&names[0], octets) {
                Err(ChipError::Locked { .. }) => {}
                Err(other) => return broken(format!("expected an error that it is locked, got: {other}")),
                Ok(()) => return broken(format!("it was locked, but accepts a write {opening}")),
            }
        }
        same(&mut chip, &names[0], &content)?;
        let key = chip.public_key()?;
        if !key.verifies_raw(b"locked", &chip.sign(b"locked")?) {
            return broken(format!("once locked, its signature does not belong to its key {opening}"));
        }
        chip.lock()?;
        drop(chip);
        bench.leave();
        chip = bench.chip()?;
    }
    Ok(())
}

fn in_time(bench: &mut Bench<'_>) -> Held {
    let (took, call) = bench.longest.get();
    if took <= bench.trial.longest_call {
        return Ok(());
    }
    broken(format!(
        "{call} took {:.1} s; the limit is {:.1} s",
        took.as_secs_f64(),
        bench.trial.longest_call.as_secs_f64()
    ))
}
