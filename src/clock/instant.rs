//! Instants in UTC, and what calendars and wall clocks show at them.
//!
//! Time zones come from the tz database that the program carries, never from the machine's, so that results are the same on
//! every machine.

use jiff::civil::Date;
use jiff::tz::{TimeZone, TimeZoneDatabase};
use jiff::{Timestamp, ZonedDateTime};
use std::fmt;
use std::sync::LazyLock;
use std::time::Duration;

/// An instant in UTC, in microseconds since 1970-01-01T00:00:00Z (POSIX time: leap seconds are not counted).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
#[serde(transparent)]
pub struct UtcMicros(pub i64);

impl UtcMicros {
    /// From seconds since 1970 [s]; rounds to the nearest microsecond.
    pub fn from_seconds(seconds: f64) -> Self {
        Self((seconds * 1e6).round() as i64)
    }

    /// Seconds since 1970 [s].
    pub fn seconds(self) -> f64 {
        self.0 as f64 * 1e-6
    }

    /// This instant plus `seconds` [s], which may be negative.
    pub fn plus_seconds(self, seconds: f64) -> Self {
        Self(self.0.saturating_add((seconds * 1e6).round() as i64))
    }

    /// Seconds from `earlier` to this instant [s]; negative when `earlier` is later.
    pub fn seconds_since(self, earlier: Self) -> f64 {
        (self.0 - earlier.0) as f64 * 1e-6
    }

    /// As jiff's instant. One beyond its calendar (years −9999 to 9999) becomes the epoch.
    fn timestamp(self) -> Timestamp {
        Timestamp::from_microsecond(self.0).unwrap_or_default()
    }

    /// Date and time of day in a zone, for the edges of the program and for calendars.
    pub fn in_zone(self, zone: &TimeZone) -> ZonedDateTime {
        self.timestamp().to_zoned_datetime(zone.clone())
    }

    /// Date in UTC.
    pub fn utc_date(self) -> Date {
        self.in_zone(&TimeZone::UTC).date()
    }

    /// The time that a wall clock in a zone shows [s after midnight].
    pub fn local_second(self, zone: &TimeZone) -> u32 {
        let time = self.in_zone(zone).time();
        let [hour, minute, second] = [time.hour(), time.minute(), time.second()].map(|part| part.unsigned_abs());
        (u32::from(hour) * 60 + u32::from(minute)) * 60 + u32::from(second)
    }

    /// 00:00 UTC of a date.
    pub fn midnight(date: Date) -> Self {
        date.to_zoned_datetime(TimeZone::UTC)
            .map(|midnight| Self(midnight.timestamp().as_microsecond()))
            .unwrap_or_default()
    }

    /// The instant with which a date begins in a zone.
    pub fn start_of_day(date: Date, zone: &TimeZone) -> Self {
        date.to_zoned_datetime(zone.clone())
            .and_then(|day| day.start_of_day())
            .map_or_else(|_| Self::midnight(date), |start| Self(start.timestamp().as_microsecond()))
    }

    /// The same date and time of day, in UTC, so many months before; `None` beyond the calendar.
    pub fn months_before(self, months: u32) -> Option<Self> {
        let then = self.in_zone(&TimeZone::UTC).checked_sub(jiff::Span::new().try_months(months).ok()?).ok()?;
        Some(Self(then.timestamp().as_microsecond()))
    }

    /// Reads RFC 3339 text.
    pub fn parse(text: &str) -> Result<Self, jiff::Error> {
        text.parse::<Timestamp>().map(|t| Self(t.as_microsecond()))
    }
}

impl std::ops::Add<Duration> for UtcMicros {
    type Output = Self;
    fn add(self, d: Duration) -> Self {
        Self(self.0.saturating_add(d.as_micros().min(i64::MAX as u128) as i64))
    }
}

/// RFC 3339 in UTC, with as many decimals of the second as needed: 0, 3 or 6.
impl fmt::Display for UtcMicros {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let digits = match self.0 {
            us if us % 1_000_000 == 0 => 0,
            us if us % 1000 == 0 => 3,
            _ => 6,
        };
        write!(f, "{:.digits$}", self.timestamp())
    }
}

/// A date as `2026-06-21`, and nothing else.
pub fn parse_date(text: &str) -> Option<Date> {
    // Without the comparison a date with a time of day would be a date too.
    text.parse::<Date>().ok().filter(|date| date.to_string() == text)
}

/// The zone with this name in the IANA tz database; `None` where none is written exactly so.
pub fn time_zone(name: &str) -> Option<TimeZone> {
    static BUNDLED: LazyLock<TimeZoneDatabase> = LazyLock::new(TimeZoneDatabase::bundled);
    BUNDLED.get(name).ok().filter(|zone| zone.iana_name() == Some(name))
}

/// The name of a zone.
pub fn zone_name(zone: &TimeZone) -> &str {
    // Each zone of a configuration has been found by its name.
    zone.iana_name().unwrap_or("UTC")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> UtcMicros {
        UtcMicros::parse(text).unwrap()
    }

    /// Identity: the printed text reads back to the same instant.
    #[test]
    fn an_instant_survives_its_text() {
        for (us, text) in [
            (0, "1970-01-01T00:00:00Z"),
            (1_795_600_000_000_000, "2026-11-25T09:46:40Z"),
            (1_795_600_000_120_000, "2026-11-25T09:46:40.120Z"),
            (1_795_600_000_123_456, "2026-11-25T09:46:40.123456Z"),
        ] {
            assert_eq!(UtcMicros(us).to_string(), text);
            assert_eq!(UtcMicros::parse(text).unwrap(), UtcMicros(us));
        }
        assert!(UtcMicros(i64::MIN).to_string().starts_with("1970-01-01T00:00:00."), "beyond the calendar");
    }

    #[test]
    fn a_time_without_an_offset_and_a_date_with_a_time_are_refused() {
        assert_eq!(at("2026-06-21T14:00:00+02:00"), at("2026-06-21T12:00:00Z"));
        for bad in ["2026-06-21T12:00:00", "2026-06-21", "12:00", "yesterday", ""] {
            assert!(UtcMicros::parse(bad).is_err(), "{bad}");
        }
        assert_eq!(parse_date("2026-06-21").map(UtcMicros::midnight), Some(at("2026-06-21T00:00:00Z")));
        for bad in ["2026-06-21T12:00:00", "2026-6-21", "20260621", "2026-02-30", ""] {
            assert_eq!(parse_date(bad), None, "{bad}");
        }
    }

    #[test]
    fn a_zone_is_found_by_its_exact_name_alone() {
        let zone = time_zone("Europe/Copenhagen").unwrap();
        assert_eq!((zone_name(&zone), zone_name(&time_zone("UTC").unwrap())), ("Europe/Copenhagen", "UTC"));
        for wrong in ["Europe/Nowhere", "europe/copenhagen", "utc", "", "Europe/Copenhagen "] {
            assert!(time_zone(wrong).is_none(), "{wrong}");
        }
    }

    /// Published: the clocks of Copenhagen change at 01:00 UTC on the last Sundays of March and October (directive 2000/84/EC).
    #[test]
    fn a_wall_clock_follows_both_changes_of_the_clocks() {
        let zone = time_zone("Europe/Copenhagen").unwrap();
        for (utc, shown, second) in [
            ("2026-03-29T00:59:59Z", "2026-03-29 01:59:59 CET", 7199),
            ("2026-03-29T01:00:00Z", "2026-03-29 03:00:00 CEST", 10_800),
            ("2026-10-25T00:59:59Z", "2026-10-25 02:59:59 CEST", 10_799),
            ("2026-10-25T01:00:00Z", "2026-10-25 02:00:00 CET", 7200),
        ] {
            assert_eq!(at(utc).in_zone(&zone).strftime("%Y-%m-%d %H:%M:%S %Z").to_string(), shown);
            assert_eq!(at(utc).local_second(&zone), second);
        }
    }

    #[test]
    fn months_before_end_on_the_last_day_there_is() {
        assert_eq!(at("2026-03-31T12:00:00Z").months_before(1), Some(at("2026-02-28T12:00:00Z")));
        assert_eq!(at("2026-03-31T12:00:00Z").months_before(u32::MAX), None);
    }
}
