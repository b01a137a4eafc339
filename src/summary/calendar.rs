//! The bounds of a day: from `day_starts_at` to the same time of the next date, in local standard time.
//!
//! Summer time is ignored, so that every day has 24 hours and years are comparable. A day is longer or shorter only if the zone
//! changes its standard time.
//!
//! Invariant: every instant belongs to exactly one day.

use crate::clock::UtcMicros;
use crate::zone::Zone;
use chrono::{Datelike, NaiveDate, Offset, TimeZone};

const DAY_S: i64 = 86_400;

/// The bounds of a day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DayBounds {
    /// The date at its beginning, in local standard time.
    pub date: NaiveDate,
    /// First instant of the day.
    pub starts: UtcMicros,
    /// First instant after the day.
    pub ends: UtcMicros,
}

/// Offset of local standard time from UTC in a year [s]: the lower of those on 1 January and 1 July. The database's own mark of
/// standard time is not used, because some zones apply it to summer time.
fn standard_offset_s(zone: Zone, year: i32) -> i64 {
    let at = |month| {
        let noon = NaiveDate::from_ymd_opt(year, month, 1)?.and_hms_opt(12, 0, 0)?;
        Some(i64::from(zone.offset_from_utc_datetime(&noon).fix().local_minus_utc()))
    };
    [1, 7].into_iter().filter_map(at).min().unwrap_or(0)
}

/// First instant of the day of a date [µs since 1970].
fn start_of(zone: Zone, day_starts_at_s: u32, date: NaiveDate) -> i64 {
    let midnight = date.and_hms_opt(0, 0, 0).unwrap_or_default().and_utc().timestamp();
    (midnight - standard_offset_s(zone, date.year()) + i64::from(day_starts_at_s)) * 1_000_000
}

/// The day that contains an instant.
pub(super) fn day_of(zone: Zone, day_starts_at_s: u32, t: UtcMicros) -> DayBounds {
    let utc = t.to_chrono();
    let shift = standard_offset_s(zone, utc.year()) - i64::from(day_starts_at_s);
    let guess = chrono::DateTime::from_timestamp(utc.timestamp().saturating_add(shift), 0).unwrap_or_default();
    let mut date = guess.date_naive();
    // Near New Year the offsets of the date's year and the instant's year may differ.
    if start_of(zone, day_starts_at_s, date) > t.0 {
        date = date.pred_opt().unwrap_or(date);
    } else if date.succ_opt().is_some_and(|next| start_of(zone, day_starts_at_s, next) <= t.0) {
        date = date.succ_opt().unwrap_or(date);
    }
    let starts = start_of(zone, day_starts_at_s, date);
    let ends = date.succ_opt().map_or(starts + DAY_S * 1_000_000, |next| start_of(zone, day_starts_at_s, next));
    DayBounds { date, starts: UtcMicros(starts), ends: UtcMicros(ends) }
}

/// The day of a date.
pub(super) fn day_on(zone: Zone, day_starts_at_s: u32, date: NaiveDate) -> DayBounds {
    day_of(zone, day_starts_at_s, UtcMicros(start_of(zone, day_starts_at_s, date)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> UtcMicros {
        UtcMicros::parse(text).unwrap()
    }

    /// The days of a year have no gap or overlap and 24 hours each, over both clock changes, in zones of both hemispheres; an
    /// instant belongs to the day that begins before it.
    #[test]
    fn days_have_24_hours_over_changes_of_the_clocks() {
        let zones =
            ["UTC", "Europe/Copenhagen", "Europe/Dublin", "America/St_Johns", "Asia/Kathmandu", "Australia/Lord_Howe"];
        for zone in zones.map(|name| name.parse::<Zone>().unwrap()) {
            for starts_at in [0, 4 * 3600, 23 * 3600 + 1800] {
                let mut day = day_of(zone, starts_at, at("2025-12-30T12:00:00Z"));
                for _ in 0..400 {
                    assert_eq!(day.ends.0 - day.starts.0, DAY_S * 1_000_000, "{zone} {day:?}");
                    for t in [day.starts, UtcMicros(day.starts.0 + 40_000_000_000), UtcMicros(day.ends.0 - 1)] {
                        assert_eq!(day_of(zone, starts_at, t), day, "{zone} {t}");
                    }
                    assert_eq!(day_on(zone, starts_at, day.date), day);
                    let next = day_of(zone, starts_at, day.ends);
                    assert_eq!((next.starts, Some(next.date)), (day.ends, day.date.succ_opt()));
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
            let date = NaiveDate::from_ymd_opt(2026, 6, 21).unwrap();
            assert_eq!(day_on(zone.parse().unwrap(), 0, date).starts, at(want), "{zone}");
        }
    }
}
