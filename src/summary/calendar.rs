//! The bounds of a day: from `day_starts_at` to the same time of the next date, in local standard time.
//!
//! Summer time is ignored, so that every day has 24 hours and years are comparable. A day is longer or shorter only if the zone
//! changes its standard time.
//!
//! Invariant: every instant belongs to exactly one day.

use crate::clock::UtcMicros;
use jiff::civil::Date;
use jiff::tz::TimeZone;

const DAY_S: i64 = 86_400;

/// The bounds of a day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DayBounds {
    /// The date at its beginning, in local standard time.
    pub date: Date,
    /// First instant of the day.
    pub starts: UtcMicros,
    /// First instant after the day.
    pub ends: UtcMicros,
}

/// Offset of local standard time from UTC in a year [s]: the lower of those on 1 January and 1 July. The database's own mark of
/// standard time is not used, because some zones apply it to summer time.
fn standard_offset_s(zone: &TimeZone, year: i16) -> i64 {
    let at = |month| {
        let noon = Date::new(year, month, 1).ok()?.at(12, 0, 0, 0).to_zoned_datetime(TimeZone::UTC).ok()?;
        Some(i64::from(zone.to_offset(noon.timestamp()).seconds()))
    };
    [1, 7].into_iter().filter_map(at).min().unwrap_or(0)
}

/// First instant of the day of a date.
fn start_of(zone: &TimeZone, day_starts_at_s: u32, date: Date) -> UtcMicros {
    let after_midnight_s = i64::from(day_starts_at_s) - standard_offset_s(zone, date.year());
    UtcMicros(UtcMicros::midnight(date).0 + after_midnight_s * 1_000_000)
}

/// The day that contains an instant.
pub(super) fn day_of(zone: &TimeZone, day_starts_at_s: u32, t: UtcMicros) -> DayBounds {
    let shift_s = standard_offset_s(zone, t.utc_date().year()) - i64::from(day_starts_at_s);
    let mut date = UtcMicros(t.0.saturating_add(shift_s * 1_000_000)).utc_date();
    let start = |date| start_of(zone, day_starts_at_s, date);
    // Near New Year the offsets of the date's year and the instant's year may differ.
    if start(date) > t {
        date = date.yesterday().unwrap_or(date);
    } else if let Ok(next) = date.tomorrow()
        && start(next) <= t
    {
        date = next;
    }
    let starts = start(date);
    let ends = date.tomorrow().map_or(UtcMicros(starts.0 + DAY_S * 1_000_000), start);
    DayBounds { date, starts, ends }
}

/// The day of a date.
pub(super) fn day_on(zone: &TimeZone, day_starts_at_s: u32, date: Date) -> DayBounds {
    day_of(zone, day_starts_at_s, start_of(zone, day_starts_at_s, date))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::time_zone;

    fn at(text: &str) -> UtcMicros {
        UtcMicros::parse(text).unwrap()
    }

    /// The days of a year have no gap or overlap and 24 hours each, over both clock changes, in zones of both hemispheres; an
    /// instant belongs to the day that begins before it.
    #[test]
    fn days_have_24_hours_over_changes_of_the_clocks() {
        let zones =
            ["UTC", "Europe/Copenhagen", "Europe/Dublin", "America/St_Johns", "Asia/Kathmandu", "Australia/Lord_Howe"];
        for name in zones {
            let zone = &time_zone(name).unwrap();
            for starts_at in [0, 4 * 3600, 23 * 3600 + 1800] {
                let mut day = day_of(zone, starts_at, at("2025-12-30T12:00:00Z"));
                for _ in 0..400 {
                    assert_eq!(day.ends.0 - day.starts.0, DAY_S * 1_000_000, "{name} {day:?}");
                    for t in [day.starts, UtcMicros(day.starts.0 + 40_000_000_000), UtcMicros(day.ends.0 - 1)] {
                        assert_eq!(day_of(zone, starts_at, t), day, "{name} {t}");
                    }
                    assert_eq!(day_on(zone, starts_at, day.date), day);
                    let next = day_of(zone, starts_at, day.ends);
                    assert_eq!((next.starts, next.date), (day.ends, day.date.tomorrow().unwrap()));
                    day = next;
                }
            }
        }
    }

    /// Published: standard time is UTC+1 in Copenhagen, UTC in Dublin, UTC−3:30 in St John's and UTC+10:30 on Lord Howe
    /// Island (IANA tz database), in summer as well.
    #[test]
    fn a_day_begins_in_standard_time_in_summer_too() {
        for (zone, want) in [
            ("Europe/Copenhagen", "2026-06-20T23:00:00Z"),
            ("Europe/Dublin", "2026-06-21T00:00:00Z"),
            ("America/St_Johns", "2026-06-21T03:30:00Z"),
            ("Australia/Lord_Howe", "2026-06-20T13:30:00Z"),
        ] {
            let date = jiff::civil::date(2026, 6, 21);
            assert_eq!(day_on(&time_zone(zone).unwrap(), 0, date).starts, at(want), "{zone}");
        }
    }
}
