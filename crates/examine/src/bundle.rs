//! Bundles of certificates in PEM, taken apart on all cores.

use std::io::{self, Read, Seek};

use base::course::{Course, Stopped};
use memchr::memmem;
use rayon::prelude::*;
use standard::detect::{DetectError, Item, MOST, detect};

/// Octets from which on it pays, and that a core takes at a time.
const LARGE: usize = 256 << 10;
const PART: usize = 64 << 10;
/// Octets of a file in memory at a time, where no block is larger.
const WINDOW: usize = 4 << 20;

const BEGIN: &[u8] = b"\n-----BEGIN ";

/// Finds what is in `octets`, as [`detect`] does.
///
/// # Errors
///
/// As [`detect`], with the same words.
pub fn detect_all(octets: &[u8]) -> Result<Vec<Item>, DetectError> {
    if octets.len() < LARGE || !octets.starts_with(&BEGIN[1..]) {
        return detect(octets);
    }
    // Told with the block's number in the whole.
    in_parts(octets, &|item| item).or_else(|_| detect(octets))
}

/// Why a bundle's file was not read to its end.
#[derive(Debug)]
pub enum Unread {
    Io(io::Error),
    Stopped(Stopped),
}

/// Whether a file of so many octets is worth [`read`]ing part by part.
pub fn is_large(size: u64) -> bool {
    size >= LARGE as u64
}

/// Finds what is in a large bundle in PEM, of which never more than a few parts are in memory.
/// `None`, with the file at its beginning again, where it is none or longer than that, or where
/// anything in it is broken: then [`detect`] says what, with the block's number in the whole.
///
/// - `longest`: octets of a bundle.
/// - `held`: what is kept of each thing.
///
/// # Errors
///
/// [`Unread`] where the disk failed or it was stopped.
pub fn read<T: Send>(
    file: &mut (impl Read + Seek),
    longest: u64,
    course: &Course,
    held: impl Fn(Item) -> T + Sync,
) -> Result<Option<Vec<T>>, Unread> {
    read_by(WINDOW, file, longest, course, held)
}

fn read_by<T: Send>(
    mut window: usize,
    file: &mut (impl Read + Seek),
    longest: u64,
    course: &Course,
    held: impl Fn(Item) -> T + Sync,
) -> Result<Option<Vec<T>>, Unread> {
    let mut octets = Vec::new();
    let start = file.by_ref().take(BEGIN.len() as u64 - 1).read_to_end(&mut octets).map_err(Unread::Io)?;
    if octets != BEGIN[1..] {
        file.rewind().map_err(Unread::Io)?;
        return Ok(None);
    }
    let (mut items, mut total) = (Vec::new(), start as u64);
    window = window.max(octets.len() + 1);
    octets.reserve_exact(window - octets.len());
    loop {
        course.go_on().map_err(Unread::Stopped)?;
        let room = (window - octets.len()) as u64;
        let came = file.by_ref().take(room).read_to_end(&mut octets).map_err(Unread::Io)? as u64;
        let is_end = came < room;
        total += came;
        // What the last whole block is, shows where the next one begins.
        let end = if is_end { octets.len() } else { memmem::rfind(&octets, BEGIN).map_or(0, |at| at + 1) };
        if end == 0 && !is_end && total <= longest {
            window *= 2;
            continue;
        }
        let found = if total <= longest { in_parts(&octets[..end], &held).ok() } else { None };
        let found = found.filter(|found| items.len() + found.len() <= MOST);
        let Some(found) = found else {
            file.rewind().map_err(Unread::Io)?;
            return Ok(None);
        };
        items.extend(found);
        if is_end {
            return Ok(Some(items));
        }
        octets.drain(..end);
    }
}

fn in_parts<T: Send>(octets: &[u8], held: &(impl Fn(Item) -> T + Sync)) -> Result<Vec<T>, DetectError> {
    let part = |octets| Ok(detect(octets)?.into_iter().map(held).collect());
    let parts: Result<Vec<Vec<T>>, DetectError> = parts(octets).into_par_iter().map(part).collect();
    let parts = parts?;
    if parts.iter().map(Vec::len).sum::<usize>() > MOST {
        return Err(DetectError::TooMany);
    }
    Ok(parts.into_iter().flatten().collect())
}

/// Cuts a text where blocks begin.
fn parts(octets: &[u8]) -> Vec<&[u8]> {
    let mut parts = Vec::new();
    let mut rest = octets;
    while rest.len() > PART {
        let cut = memmem::find(&rest[PART..], BEGIN);
        let Some(cut) = cut.map(|at| PART + at + 1) else { break };
        let (part, after) = rest.split_at(cut);
        parts.push(part);
        rest = after;
    }
    parts.push(rest);
    parts
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use standard::pem;

    use crate::made::certificates;

    use super::*;

    #[test]
    fn a_large_bundle_is_told_as_a_small_one_is() {
        let ders = certificates(700);
        let text: String = ders.iter().map(|der| pem::encode("CERTIFICATE", der)).collect();
        assert!(text.len() > LARGE && parts(text.as_bytes()).len() > 2, "{} octets", text.len());
        assert_eq!(parts(text.as_bytes()).concat(), text.as_bytes());
        let found = detect_all(text.as_bytes()).expect("certificates");
        let found: Vec<&[u8]> = found
            .iter()
            .map(|item| match item {
                Item::Certificate(c) => c.der(),
                other => panic!("{other:?}"),
            })
            .collect();
        assert_eq!(found, ders.iter().map(Vec::as_slice).collect::<Vec<_>>());

        let read = |text: &str, window, longest| {
            let mut file = Cursor::new(text.as_bytes());
            let items = read_by(window, &mut file, longest, &Course::new(), |item| item).expect("read");
            // Whoever goes on reads all of it.
            assert!(items.is_some() || file.position() == 0, "{window}");
            items
        };
        for window in [64, 500, 4_000, text.len() - 1, text.len(), text.len() + 1, WINDOW] {
            let found = read(&text, window, text.len() as u64).expect("a bundle");
            assert!(found.len() == ders.len(), "{window}: {}", found.len());
            let same =
                found.iter().zip(&ders).all(|(item, der)| matches!(item, Item::Certificate(c) if c.der() == der));
            assert!(same, "{window}");
        }
        assert!(read(&text, WINDOW, text.len() as u64 - 1).is_none(), "longer than was allowed");
        assert!(read(&text, 4_000, 4_000).is_none(), "longer than was allowed");
        assert!(read(&format!("Dear all,\n{text}"), 4_000, u64::MAX).is_none(), "no bundle from the beginning");
        let course = Course::new();
        assert!(course.stop());
        let stopped = read_by(4_000, &mut Cursor::new(text.as_bytes()), u64::MAX, &course, |item| item);
        assert!(matches!(stopped, Err(Unread::Stopped(_))));

        // The last block cut off, or one in the middle: the same words as for the whole.
        for broken in [&text[..text.len() - 20], &text.replacen("-----END", "-----ENT", 300)] {
            let (whole, all) = (detect(broken.as_bytes()), detect_all(broken.as_bytes()));
            assert_eq!(all.expect_err("broken"), whole.expect_err("broken"));
            assert!(read(broken, 4_000, u64::MAX).is_none());
        }
    }
}
