//! Long work on a terminal: a bar that shows how far it is, and the interrupt
//! key, which stops it before anything is stored.

use std::io::{self, Write};
use std::sync::mpsc::{self, RecvTimeoutError};
use std::sync::{Mutex, Once, PoisonError};
use std::thread;
use std::time::Duration;

use base::course::{Course, Progress};
use indicatif::{HumanCount, HumanDuration, ProgressBar, ProgressStyle};
use signal_hook::consts::{SIGINT, SIGTERM};
use signal_hook::iterator::Signals;
use signal_hook::low_level::emulate_default_handler;

use crate::output::Output;

/// How often the bar is drawn.
const DRAWN: Duration = Duration::from_millis(200);

/// The work that an interrupt stops.
static AT_WORK: Mutex<Option<Course>> = Mutex::new(None);
static LISTENING: Once = Once::new();

fn at_work(course: Option<Course>) -> Option<Course> {
    std::mem::replace(&mut *AT_WORK.lock().unwrap_or_else(PoisonError::into_inner), course)
}

/// Listens for SIGINT and SIGTERM from now on. The first stops the work at hand; a
/// second, or one while there is none, ends the process as it would have without us.
fn listen() {
    LISTENING.call_once(|| {
        // Without a listener the signals end the process at once, which changes nothing in the book either.
        let Ok(mut signals) = Signals::new([SIGINT, SIGTERM]) else { return };
        thread::spawn(move || {
            for signal in signals.forever() {
                let said = match at_work(None) {
                    Some(course) if course.stop() => "stopping; press again to end at once",
                    Some(_) => "too late to stop: the work is being written to disk; press again to end at once",
                    None => {
                        let _ = emulate_default_handler(signal);
                        continue;
                    }
                };
                let _ = writeln!(io::stderr(), "touchmark: {said}");
            }
        });
    });
}

/// Does long work: shows how far it is where standard error is a terminal, and lets
/// an interrupt stop it.
///
/// - `what`: what is counted, as `certificates`.
pub fn watched<T>(output: &Output, what: &'static str, work: impl FnOnce(&Course) -> T) -> T {
    stoppable(|course| drawn(output, what, course, work))
}

/// Does long work that an interrupt stops, and draws nothing.
pub fn stoppable<T>(work: impl FnOnce(&Course) -> T) -> T {
    let course = Course::new();
    listen();
    at_work(Some(course.clone()));
    let done = work(&course);
    at_work(None);
    done
}

fn drawn<T>(output: &Output, what: &'static str, course: &Course, work: impl FnOnce(&Course) -> T) -> T {
    let (over, ends) = mpsc::channel::<()>();
    let drawing = output.draws_progress().then(|| {
        let course = course.clone();
        thread::spawn(move || {
            let bar = ProgressBar::no_length();
            while let Err(RecvTimeoutError::Timeout) = ends.recv_timeout(DRAWN) {
                draw(&bar, &course.now(), what);
            }
            bar.finish_and_clear();
        })
    });
    let done = work(course);
    drop(over);
    if let Some(drawing) = drawing {
        let _ = drawing.join();
    }
    done
}

fn draw(bar: &ProgressBar, now: &Progress, what: &str) {
    let template = if now.total.is_some() { "{spinner} {prefix} {bar:30} {msg}" } else { "{spinner} {prefix} {msg}" };
    if let Ok(style) = ProgressStyle::with_template(template) {
        bar.set_style(style);
    }
    match now.total {
        Some(total) => bar.set_length(total),
        None => bar.unset_length(),
    }
    bar.set_position(now.done);
    bar.set_prefix(if now.stopping { "stopping" } else { now.phase.word() });
    bar.set_message(told(now, what));
    bar.tick();
}

/// `120,000 of 1,000,000 certificates  21,000/s  42 seconds left`.
fn told(now: &Progress, what: &str) -> String {
    if now.done == 0 && now.total.is_none() {
        return String::new();
    }
    let mut text = HumanCount(now.done).to_string();
    if let Some(total) = now.total {
        text.push_str(&format!(" of {}", HumanCount(total)));
    }
    text.push_str(&format!(" {what}"));
    if let Some(rate) = now.rate() {
        text.push_str(&format!("  {}/s", HumanCount(rate.round() as u64)));
    }
    if let Some(left) = now.left().filter(|left| !left.is_zero()) {
        text.push_str(&format!("  {} left", HumanDuration(left)));
    }
    text
}

#[cfg(test)]
mod tests {
    use base::course::Phase;

    use super::*;

    #[test]
    fn a_line_tells_rate_and_time_left() {
        let now = |done, total| Progress {
            phase: Phase::Judging,
            done,
            total,
            elapsed: Duration::from_secs(10),
            can_stop: true,
            stopping: false,
        };
        assert_eq!(told(&now(0, None), "chips"), "");
        assert_eq!(told(&now(50_000, None), "chips"), "50,000 chips  5,000/s");
        assert_eq!(
            told(&now(50_000, Some(200_000)), "certificates"),
            "50,000 of 200,000 certificates  5,000/s  30 seconds left"
        );
        assert_eq!(told(&now(9, Some(9)), "rows"), "9 of 9 rows  1/s");
    }
}
