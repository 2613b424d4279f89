//! Points in time, in whole seconds, and how certificates write them.
//!
//! Covers RFC 5280 §4.1.2.5: `UTCTime` through 2049, `GeneralizedTime` from 2050,
//! always `Z`, always with seconds, no fraction. Nothing here reads a clock.

use std::fmt;
use std::str::FromStr;

use time::format_description::well_known::Rfc3339;
use time::{Date, Month, OffsetDateTime, PrimitiveDateTime, Time, UtcOffset};

use crate::asn1::{self, tag};

/// A point in time: whole seconds since 1970-01-01T00:00:00Z.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Moment(i64);

/// 9999-12-31T23:59:59Z: "no expiry" (RFC 5280 §4.1.2.5).
pub const NO_END: Moment = Moment(253_402_300_799);

/// A text is no RFC 3339 time.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0:?} is not a valid time such as 2026-03-01T12:00:00Z")]
pub struct NoMoment(String);

impl Moment {
    /// From seconds since the Unix epoch. Clamped to the years 0 to 9999.
    pub fn from_unix(seconds: i64) -> Self {
        Self(seconds.clamp(-62_167_219_200, NO_END.0))
    }

    /// Seconds since the Unix epoch.
    pub fn unix(self) -> i64 {
        self.0
    }

    /// Later by so many seconds.
    #[must_use]
    pub fn plus(self, seconds: i64) -> Self {
        Self::from_unix(self.0.saturating_add(seconds))
    }

    fn calendar(self) -> OffsetDateTime {
        OffsetDateTime::from_unix_timestamp(self.0).unwrap_or(OffsetDateTime::UNIX_EPOCH)
    }

    /// As a certificate's time: `UTCTime` through 2049, then `GeneralizedTime`.
    pub fn to_der(self) -> Vec<u8> {
        let c = self.calendar();
        let rest =
            format!("{:02}{:02}{:02}{:02}{:02}Z", u8::from(c.month()), c.day(), c.hour(), c.minute(), c.second());
        match c.year() {
            year @ 1950..=2049 => asn1::tlv(tag::UTC_TIME, format!("{:02}{rest}", year % 100).as_bytes()),
            year => asn1::tlv(tag::GENERALIZED_TIME, format!("{year:04}{rest}").as_bytes()),
        }
    }
}

impl fmt::Display for Moment {
    /// RFC 3339 in UTC.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let c = self.calendar();
        write!(
            f,
            "{:04}-{:02}-{:02}T{:02}:{:02}:{:02}Z",
            c.year(),
            u8::from(c.month()),
            c.day(),
            c.hour(),
            c.minute(),
            c.second()
        )
    }
}

impl FromStr for Moment {
    type Err = NoMoment;

    /// RFC 3339 with any offset, or a date alone (midnight UTC).
    fn from_str(text: &str) -> Result<Self, NoMoment> {
        let padded;
        let whole = if text.len() == 10 {
            padded = format!("{text}T00:00:00Z");
            &padded
        } else {
            text
        };
        OffsetDateTime::parse(whole, &Rfc3339)
            .map(|t| Self::from_unix(t.to_offset(UtcOffset::UTC).unix_timestamp()))
            .map_err(|_| NoMoment(text.chars().take(40).collect()))
    }
}

/// A time as a certificate holds it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WrittenTime {
    /// The moment, where the text tells one.
    pub moment: Option<Moment>,
    /// What RFC 5280 §4.1.2.5 has against the form.
    pub fault: Option<String>,
}

impl WrittenTime {
    /// Reads a `UTCTime` or `GeneralizedTime` from its identifier and contents.
    pub fn read(identifier: u8, content: &[u8]) -> Self {
        let bad = |moment, fault: String| Self { moment, fault: Some(fault) };
        let shown = || String::from_utf8_lossy(&content[..content.len().min(32)]).into_owned();
        let (year_digits, kind) = match identifier {
            tag::UTC_TIME => (2, "UTCTime"),
            tag::GENERALIZED_TIME => (4, "GeneralizedTime"),
            other => return bad(None, format!("a value with identifier {other:02x} instead of a time")),
        };
        let well_formed = content.len() == year_digits + 11
            && content[..content.len() - 1].iter().all(u8::is_ascii_digit)
            && content.ends_with(b"Z");
        if !well_formed {
            let form = if year_digits == 2 { "YYMMDDHHMMSSZ" } else { "YYYYMMDDHHMMSSZ" };
            return bad(None, format!("{kind} {:?}, which is not {form}", shown()));
        }
        let number = |digits: &[u8]| digits.iter().fold(0u16, |n, d| n * 10 + u16::from(d - b'0'));
        let mut year = number(&content[..year_digits]);
        if year_digits == 2 {
            year += if year < 50 { 2000 } else { 1900 };
        }
        let part = |index: usize| number(&content[year_digits + 2 * index..year_digits + 2 * index + 2]) as u8;
        let moment = Month::try_from(part(0))
            .ok()
            .and_then(|month| Date::from_calendar_date(i32::from(year), month, part(1)).ok())
            .and_then(|date| Some(PrimitiveDateTime::new(date, Time::from_hms(part(2), part(3), part(4)).ok()?)))
            .map(|t| Moment::from_unix(t.assume_utc().unix_timestamp()));
        match moment {
            None => bad(None, format!("{kind} {:?}, which is not a date and time", shown())),
            Some(_) if year_digits == 4 && year < 2050 => {
                bad(moment, format!("GeneralizedTime {:?}; through 2049 it is UTCTime", shown()))
            }
            Some(_) => Self { moment, fault: None },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What it is, identifier, contents, moment, whether it is without fault.
    type Form = (&'static str, u8, &'static [u8], Option<&'static str>, bool);

    /// Source: RFC 5280 §4.1.2.5.1 and §4.1.2.5.2.
    #[test]
    fn forms_of_time() {
        let rows: &[Form] = &[
            ("UTCTime", 0x17, b"250602081300Z", Some("2025-06-02T08:13:00Z"), true),
            ("UTCTime, 49 is 2049", 0x17, b"491231235959Z", Some("2049-12-31T23:59:59Z"), true),
            ("UTCTime, 50 is 1950", 0x17, b"500101000000Z", Some("1950-01-01T00:00:00Z"), true),
            ("GeneralizedTime from 2050", 0x18, b"20500101000000Z", Some("2050-01-01T00:00:00Z"), true),
            ("no expiry", 0x18, b"99991231235959Z", Some("9999-12-31T23:59:59Z"), true),
            ("leap day", 0x17, b"240229000000Z", Some("2024-02-29T00:00:00Z"), true),
            ("GeneralizedTime too early", 0x18, b"20491231235959Z", Some("2049-12-31T23:59:59Z"), false),
            ("no seconds", 0x17, b"2506020813Z", None, false),
            ("an offset", 0x17, b"250602081300+0000", None, false),
            ("a fraction", 0x18, b"20500101000000.5Z", None, false),
            ("no such day", 0x17, b"250230000000Z", None, false),
            ("no such hour", 0x17, b"250602240000Z", None, false),
            ("a text", 0x13, b"250602081300Z", None, false),
        ];
        for (name, tag, content, moment, good) in rows {
            let read = WrittenTime::read(*tag, content);
            assert_eq!(read.moment.map(|m| m.to_string()).as_deref(), *moment, "{name}");
            assert_eq!(read.fault.is_none(), *good, "{name}: {:?}", read.fault);
            if *good {
                assert_eq!(&read.moment.unwrap().to_der()[2..], *content, "{name}");
            }
        }
        assert_eq!("9999-12-31T23:59:59Z".parse(), Ok(NO_END));
        assert_eq!("2025-06-02T10:13:00+02:00".parse(), "2025-06-02T08:13:00Z".parse::<Moment>());
        assert!("yesterday".parse::<Moment>().is_err());
    }
}
