//! The site's clock: its zone, its shifts, and a time as its people read it.

use base::trouble::Trouble;
use time::format_description::well_known::Rfc3339;
use time::{Date, Duration, OffsetDateTime, PrimitiveDateTime, Time, UtcOffset};
use tz::TimeZoneRef;

use crate::Site;

/// A zone: an offset from UTC that stays, or a named one with its changes of clock (IANA time zone database).
#[derive(Debug, Clone, Copy)]
pub enum Zone {
    Fixed(UtcOffset),
    Named(TimeZoneRef<'static>),
}

impl Zone {
    /// Reads `+01:00`, `UTC`, or a name such as `Europe/Lisbon`.
    pub fn read(text: &str) -> Option<Self> {
        if text.eq_ignore_ascii_case("utc") || text.eq_ignore_ascii_case("z") {
            return Some(Self::Fixed(UtcOffset::UTC));
        }
        let format = time::macros::format_description!("[offset_hour sign:mandatory]:[offset_minute]");
        let fixed = UtcOffset::parse(text, &format).ok().map(Self::Fixed);
        fixed.or_else(|| tzdb::tz_by_name(text).map(Self::Named))
    }

    /// The distance from UTC at a moment.
    pub fn offset_at(self, at: OffsetDateTime) -> UtcOffset {
        match self {
            Self::Fixed(offset) => offset,
            Self::Named(zone) => {
                let kind = zone.find_local_time_type(at.unix_timestamp()).ok();
                kind.and_then(|kind| UtcOffset::from_whole_seconds(kind.ut_offset()).ok()).unwrap_or(UtcOffset::UTC)
            }
        }
    }

    /// A moment by this zone's clock.
    pub fn here(self, at: OffsetDateTime) -> OffsetDateTime {
        at.to_offset(self.offset_at(at))
    }

    /// The moment at which this zone's clock shows a time. What it shows twice is the first; what it leaves out is as
    /// long after the change as the clock would have been.
    pub fn moment(self, shown: PrimitiveDateTime) -> OffsetDateTime {
        let before = self.offset_at(shown.assume_utc() - Duration::DAY);
        let first = shown.assume_offset(before);
        let offset = self.offset_at(first);
        let second = shown.assume_offset(offset);
        if self.offset_at(second) == offset && offset != before { second } else { first }
    }

    /// The beginning of a day.
    pub fn midnight(self, day: Date) -> OffsetDateTime {
        self.moment(day.with_time(Time::MIDNIGHT))
    }
}

/// The zone of the site's clock.
///
/// # Errors
///
/// [`Trouble`] where the setting is none.
pub fn zone(site: &Site) -> Result<Zone, Trouble> {
    let pages = &site.settings.pages;
    let (setting, text) = match &pages.zone {
        Some(name) => ("pages.zone", name),
        None => ("pages.offset", &pages.offset),
    };
    let advice = "Fix touchmark.toml: a zone is a name such as \"Europe/Lisbon\", an offset +00:00, -05:00 or +05:30.";
    Zone::read(text).ok_or_else(|| Trouble::usage(format!("{setting} is {text:?}"), advice))
}

/// The site's distance from UTC at a moment.
///
/// # Errors
///
/// [`Trouble`] where the setting is no zone.
pub fn offset(site: &Site, at: OffsetDateTime) -> Result<UtcOffset, Trouble> {
    Ok(zone(site)?.offset_at(at))
}

/// When the present shift began, by the site's clock.
///
/// # Errors
///
/// [`Trouble`] where a shift's time is none.
pub fn shift_start(site: &Site, now: OffsetDateTime) -> Result<OffsetDateTime, Trouble> {
    let zone = zone(site)?;
    let here = zone.here(now);
    let format = time::macros::format_description!("[hour]:[minute]");
    let mut starts = Vec::new();
    for text in &site.settings.pages.shifts {
        starts.push(Time::parse(text, &format).map_err(|_| {
            Trouble::usage(format!("pages.shifts has {text:?}"), "Fix touchmark.toml: write times as \"06:00\".")
        })?);
    }
    starts.sort();
    let today = starts.iter().rev().find(|t| **t <= here.time());
    let yesterday = here.date().previous_day().unwrap_or(here.date());
    Ok(zone.here(zone.moment(match (today, starts.last()) {
        (Some(start), _) => here.date().with_time(*start),
        (None, Some(last)) => yesterday.with_time(*last),
        (None, None) => here.date().with_time(Time::MIDNIGHT),
    })))
}

/// A time as people read it: the site's clock with its offset.
pub fn local(site: &Site, at: OffsetDateTime) -> String {
    let here = zone(site).map_or(at, |zone| zone.here(at));
    let format = time::macros::format_description!(
        "[year]-[month]-[day] [hour]:[minute]:[second] [offset_hour sign:mandatory]:[offset_minute]"
    );
    here.format(&format).or_else(|_| here.format(&Rfc3339)).unwrap_or_default()
}

/// A time as pages show it: `18:01` today, `yesterday 18:01`, `29 Nov 2026, 18:01`, by a zone's clock.
pub fn short(zone: Zone, at: OffsetDateTime, now: OffsetDateTime) -> String {
    let (here, today) = (zone.here(at), zone.here(now).date());
    let clock = format!("{:02}:{:02}", here.hour(), here.minute());
    if here.date() == today {
        return clock;
    }
    if here.date().next_day() == Some(today) {
        return format!("yesterday {clock}");
    }
    let month = here.month().to_string();
    format!("{} {} {}, {clock}", here.day(), &month[..3], here.year())
}

#[cfg(test)]
mod tests {
    use time::macros::{datetime, offset};

    use super::*;

    /// Lisbon goes from UTC+0 to UTC+1 at 01:00 UTC on the last Sunday of March, and back on that of October
    /// (Directive 2000/84/EC, articles 2 and 3).
    #[test]
    fn a_named_zone_changes_its_clock() {
        let lisbon = Zone::read("Europe/Lisbon").expect("a zone");
        assert_eq!(lisbon.offset_at(datetime!(2026-03-29 00:59:59 UTC)), offset!(UTC));
        assert_eq!(lisbon.offset_at(datetime!(2026-03-29 01:00 UTC)), offset!(+1));
        assert_eq!(lisbon.offset_at(datetime!(2026-10-25 00:59:59 UTC)), offset!(+1));
        assert_eq!(lisbon.offset_at(datetime!(2026-10-25 01:00 UTC)), offset!(UTC));
        for (shown, at) in [
            (datetime!(2026-07-01 06:00), datetime!(2026-07-01 05:00 UTC)),
            (datetime!(2026-12-01 06:00), datetime!(2026-12-01 06:00 UTC)),
            (datetime!(2026-03-29 00:30), datetime!(2026-03-29 00:30 UTC)),
            (datetime!(2026-03-29 02:30), datetime!(2026-03-29 01:30 UTC)),
            // Left out, and shown twice.
            (datetime!(2026-03-29 01:30), datetime!(2026-03-29 01:30 UTC)),
            (datetime!(2026-10-25 01:30), datetime!(2026-10-25 00:30 UTC)),
        ] {
            assert_eq!(lisbon.moment(shown), at, "{shown}");
        }
        assert_eq!(lisbon.midnight(time::macros::date!(2026 - 07 - 01)), datetime!(2026-06-30 23:00 UTC));
        assert!(Zone::read("Europe/Nowhere").is_none());
        assert!(matches!(Zone::read("-03:30"), Some(Zone::Fixed(o)) if o == offset!(-3:30)));
    }

    #[test]
    fn times_are_short_where_they_are_near() {
        let lisbon = Zone::read("Europe/Lisbon").expect("a zone");
        let now = datetime!(2026-06-30 23:30 UTC);
        assert_eq!(short(lisbon, datetime!(2026-06-30 23:01 UTC), now), "00:01");
        assert_eq!(short(lisbon, datetime!(2026-06-30 22:01 UTC), now), "yesterday 23:01");
        assert_eq!(short(lisbon, datetime!(2025-11-29 18:01 UTC), now), "29 Nov 2025, 18:01");
    }
}
