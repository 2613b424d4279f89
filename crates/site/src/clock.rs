//! The site's clock: its distance from UTC, its shifts, and a time as its people read it.

use base::trouble::Trouble;
use time::format_description::well_known::Rfc3339;
use time::{Duration, OffsetDateTime, Time, UtcOffset};

use crate::Site;

/// The site's clock: its distance from UTC.
///
/// # Errors
///
/// [`Trouble`] where the setting is no offset.
pub fn offset(site: &Site) -> Result<UtcOffset, Trouble> {
    let text = &site.settings.pages.offset;
    let format = time::macros::format_description!("[offset_hour sign:mandatory]:[offset_minute]");
    UtcOffset::parse(text, &format).map_err(|_| {
        Trouble::usage(format!("pages.offset is {text:?}"), "Fix touchmark.toml: use +00:00, -05:00, +05:30.")
    })
}

/// When the present shift began, by the site's clock.
///
/// # Errors
///
/// [`Trouble`] where a shift's time is none.
pub fn shift_start(site: &Site, now: OffsetDateTime) -> Result<OffsetDateTime, Trouble> {
    let here = now.to_offset(offset(site)?);
    let format = time::macros::format_description!("[hour]:[minute]");
    let mut starts = Vec::new();
    for text in &site.settings.pages.shifts {
        starts.push(Time::parse(text, &format).map_err(|_| {
            Trouble::usage(format!("pages.shifts has {text:?}"), "Fix touchmark.toml: write times as \"06:00\".")
        })?);
    }
    starts.sort();
    let today = starts.iter().rev().find(|t| **t <= here.time());
    Ok(match (today, starts.last()) {
        (Some(start), _) => here.replace_time(*start),
        (None, Some(last)) => (here - Duration::days(1)).replace_time(*last),
        (None, None) => here.replace_time(Time::MIDNIGHT),
    })
}

/// A time as people read it: the site's clock with its offset.
pub fn local(site: &Site, at: OffsetDateTime) -> String {
    let here = at.to_offset(offset(site).unwrap_or(UtcOffset::UTC));
    let format = time::macros::format_description!(
        "[year]-[month]-[day] [hour]:[minute]:[second] [offset_hour sign:mandatory]:[offset_minute]"
    );
    here.format(&format).or_else(|_| here.format(&Rfc3339)).unwrap_or_default()
}
