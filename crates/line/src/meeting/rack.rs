//! Many units side by side.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::Instant;

use base::advice::{Advise as _, Kind};
use base::course::Course;
use base::trouble::Trouble;
use zeroize::Zeroizing;

use super::answer::{Rack, RackUnit};
use super::{Named, Through, Wanted, World, carrier, listen, meet_heard, resolve, step};
use crate::label::looks_like_code;

/// Lines of one list.
const MOST: usize = 10_000;

/// One unit of a list.
#[derive(Debug, Clone)]
pub struct Line {
    /// From 1.
    pub number: usize,
    pub named: Named,
    pub at: Option<String>,
}

/// Reads a list: a code or a serial number a line, after it a blank and where the unit is, if that is known. Empty lines
/// and those that begin with `#` are passed over.
///
/// # Errors
///
/// [`Trouble`] where it names no unit, or more than ten thousand.
pub fn lines(text: &str) -> Result<Vec<Line>, Trouble> {
    let used = text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty() && !line.trim().starts_with('#'));
    let out: Vec<Line> = used
        .map(|(index, line)| {
            let line = line.trim();
            // A pairing code may be typed with blanks.
            let (name, at) = if looks_like_code(line) && !line.to_ascii_uppercase().starts_with("MT:") {
                (line, None)
            } else {
                line.split_once(char::is_whitespace).map_or((line, None), |(name, at)| (name, Some(at.trim())))
            };
            let named = if looks_like_code(name) {
                Named::Code(Zeroizing::new(name.to_owned()))
            } else {
                Named::Unit(name.to_owned())
            };
            Line { number: index + 1, named, at: at.map(str::to_owned) }
        })
        .collect();
    if out.is_empty() || out.len() > MOST {
        let count = out.len();
        return Err(Trouble::usage(
            format!("the list names {count} units"),
            format!("Give a code or a serial number per line, {MOST} at most."),
        ));
    }
    Ok(out)
}

/// A failure, said of the line that it is about.
fn of_line(line: &Line, e: &Trouble) -> Trouble {
    let (what, advice) = (format!("line {}: {e}", line.number), e.advice().unwrap_or_default());
    match e.kind() {
        Kind::Refused => Trouble::refused(what, advice),
        Kind::Usage => Trouble::usage(what, advice),
        Kind::Surroundings => Trouble::surroundings(what, advice),
    }
}

/// Meets all units of a list, so many at a time; each is met whatever becomes of the others.
///
/// - `course`: counts units; stopped, those that were begun are met to their end, and the rest are not.
///
/// # Errors
///
/// [`Trouble`] where a line can't be used, before any unit is met.
pub fn meet_rack(world: &World<'_>, list: &[Line], side_by_side: usize, course: &Course) -> Result<Rack, Trouble> {
    let mut wanted = Vec::new();
    for line in list {
        let one = world.wanted(&line.named).map_err(|e| of_line(line, &e))?;
        if let (Some(at), None) = (&line.at, &world.way.through) {
            resolve(at, world.way.interface.as_deref()).map_err(|why| {
                Trouble::usage(format!("line {}: {why}", line.number), "Correct the address in the list.")
            })?;
        }
        wanted.push(one);
    }
    let begun = Instant::now();
    let missing: Vec<&Wanted> = wanted.iter().zip(list).filter(|(_, line)| line.at.is_none()).map(|(w, _)| w).collect();
    let heard = match (&world.way.through, missing.is_empty()) {
        (_, true) => Vec::new(),
        (Some(program), false) => {
            let mut through = Through::start(program).map_err(|e| carrier(program, e))?;
            through.find(world.way.timeout).map_err(|e| carrier(program, e))?
        }
        (None, false) => {
            listen(&world.way, &|heard| missing.iter().all(|w| heard.iter().any(|unit| unit.fits(&w.code))))?
        }
    };
    drop(missing);
    let looked = step("find", begun.elapsed());
    course.phase(base::course::Phase::Meeting, Some(list.len() as u64));
    // Each is taken once, by whoever is free.
    let jobs: Vec<_> = wanted.into_iter().zip(list).map(|job| Mutex::new(Some(job))).collect();
    let next = AtomicUsize::new(0);
    let work = || -> Result<Vec<RackUnit>, Trouble> {
        let mut done = Vec::new();
        while course.go_on().is_ok() {
            let Some(job) = jobs.get(next.fetch_add(1, Ordering::Relaxed)) else { break };
            let Some((wanted, line)) = job.lock().unwrap_or_else(PoisonError::into_inner).take() else { continue };
            let through = world.way.through.as_deref();
            let through = through.map(|p| Through::start(p).map_err(|e| carrier(p, e))).transpose()?;
            let looked = line.at.is_none().then(|| looked.clone());
            let meeting = meet_heard(world, wanted, (line.at.as_deref(), &heard), through, looked, &|_| {});
            done.push(RackUnit { line: line.number, meeting: meeting.map_err(|e| of_line(line, &e))? });
            course.advance(1);
        }
        Ok(done)
    };
    let mut units = Vec::new();
    std::thread::scope(|scope| {
        let threads: Vec<_> = (0..side_by_side.clamp(1, list.len().max(1))).map(|_| scope.spawn(work)).collect();
        for thread in threads {
            match thread.join() {
                Ok(done) => units.extend(done?),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
        Ok::<_, Trouble>(())
    })?;
    units.sort_by_key(|unit: &RackUnit| unit.line);
    Ok(Rack::of(units))
}
