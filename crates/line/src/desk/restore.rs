//! A station's view after a restart, as the book tells it.

use base::trouble::Trouble;
use book::ids::StationName;
use book::{AttemptResult, LabelEvent, Next, UnitState};
use site::Site;
use time::{Duration, OffsetDateTime};

use super::view::{LabelPhase, Phase, StepView, View, words};

/// An older verdict is no news to whoever stands there now.
const NEWS: Duration = Duration::hours(2);

pub(super) fn restore(site: &Site, view: &mut View) -> Result<(), Trouble> {
    let station = StationName::new(&view.station)?;
    if let Some(open) = site.book.open_attempts()?.into_iter().find(|a| a.station == station) {
        view.phase = Phase::Interrupted;
        view.unit = Some(open.unit.to_string());
        view.attempt = Some(open.number.0);
        view.chip_id = site.book.unit(&open.unit)?.map(|u| u.chip_id.to_string());
        view.said = Some(format!("Work on unit {} was interrupted.", open.unit));
        view.next = "Leave the unit in place and press Enter to continue.".into();
        return Ok(());
    }
    let Some(last) = site.book.last_attempt(&station, OffsetDateTime::now_utc() - NEWS)? else { return Ok(()) };
    let Some(story) = site.book.story(&last.unit)? else { return Ok(()) };
    view.unit = Some(last.unit.to_string());
    view.chip_id = Some(story.unit.chip_id.to_string());
    view.attempt = Some(last.number.0);
    if let Some(told) = story.attempts.iter().find(|a| a.attempt.number == last.number) {
        view.steps = told
            .steps
            .iter()
            .map(|s| StepView {
                name: s.name.clone(),
                words: words(&s.name),
                state: if s.result == "done" { "done" } else { "failed" },
                milliseconds: Some(s.duration_us / 1000),
            })
            .collect();
        let whole: i64 = told.steps.iter().map(|s| s.started_us + s.duration_us).max().unwrap_or(0);
        view.milliseconds = u64::try_from(whole / 1000).ok();
    }
    match (last.result, story.unit.state) {
        (AttemptResult::Passed, UnitState::Passed) => {
            view.phase = Phase::Passed;
            let seen = story.labels.iter().rev().map(|l| l.event).next();
            view.label = match (&story.unit.onboarding, seen) {
                (None, _) => LabelPhase::None,
                (Some(_), None) if story.entries.iter().any(|e| e.act == "label.later") => LabelPhase::Later,
                (Some(_), None) => LabelPhase::Due,
                (Some(_), Some(LabelEvent::Printed)) => LabelPhase::Printed,
                (Some(_), Some(LabelEvent::Checked)) => LabelPhase::Checked,
                (Some(_), Some(LabelEvent::Mismatched)) => LabelPhase::Mismatched,
            };
            view.next = match view.label {
                LabelPhase::Due => view.print_it(),
                LabelPhase::Printed => "Attach the label, then scan its QR code.".into(),
                LabelPhase::Mismatched => "Remove the label. Print the right one and attach it.".into(),
                _ => view.for_the_next(),
            };
        }
        (AttemptResult::Failed, UnitState::Failed | UnitState::Scrapped) => {
            view.phase = Phase::Failed;
            view.cause = last.cause;
            view.detail = last.detail;
            view.next = match last.next {
                Some(Next::Retry) => "Try once more: scan the unit again.".into(),
                Some(Next::Scrap) => "Put the unit aside: its chip can't be used any more.".into(),
                _ => "Put the unit aside and call the engineer.".into(),
            };
        }
        _ => {
            view.unit = None;
            view.steps.clear();
        }
    }
    Ok(())
}
