//! Instants on the command line: RFC 3339, a date, `today`, `yesterday`, or so long ago (`90min`, `12h`, `7d`).
//!
//! Dates and days begin at midnight of the station's time zone. Pure; the present time is handed in.

use super::Failure;
use crate::clock::{UtcMicros, parse_date};
use jiff::civil::Date;
use jiff::tz::TimeZone;

/// An instant as it was written.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum When {
    /// An instant.
    Instant(UtcMicros),
    /// The midnight with which a date begins.
    Date(Date),
    /// The midnight so many days before the present day began.
    DaysBack(i64),
    /// So many seconds before the present [s].
    Ago(f64),
}

impl When {
    /// Reads an argument.
    pub fn parse(text: &str) -> Result<Self, String> {
        match text {
            "now" => return Ok(Self::Ago(0.0)),
            "today" => return Ok(Self::DaysBack(0)),
            "yesterday" => return Ok(Self::DaysBack(1)),
            _ => {}
        }
        UtcMicros::parse(text).ok().map(Self::Instant).or_else(|| parse_date(text).map(Self::Date)).or_else(|| ago(text)).ok_or_else(
            || "expected an instant as in 2026-06-21T12:00:00Z, a date as in 2026-06-21, today, yesterday, or a time ago as in 90min, 12h or 7d".to_owned(),
        )
    }

    /// The instant that is meant.
    pub fn resolve(self, zone: &TimeZone, now: UtcMicros) -> UtcMicros {
        let midnight = |date: Date| UtcMicros::start_of_day(date, zone);
        match self {
            Self::Instant(t) => t,
            Self::Date(date) => midnight(date),
            Self::Ago(seconds) => now.plus_seconds(-seconds),
            Self::DaysBack(days) => {
                let today = now.in_zone(zone).date();
                midnight(today.saturating_sub(jiff::Span::new().days(days)))
            }
        }
    }
}

/// A number and a unit of time, as seconds.
fn ago(text: &str) -> Option<When> {
    let unit_at = text.find(|c: char| !c.is_ascii_digit()).filter(|at| (1..=6).contains(at))?;
    let (number, unit) = text.split_at(unit_at);
    let unit_s = match unit {
        "s" => 1.0,
        "min" => 60.0,
        "h" => 3600.0,
        "d" => 86_400.0,
        _ => return None,
    };
    Some(When::Ago(number.parse::<f64>().ok()? * unit_s))
}

/// The bounds of `--from` and `--to`; without them everything.
pub fn range(
    from: Option<When>,
    to: Option<When>,
    zone: &TimeZone,
    now: UtcMicros,
) -> Result<(UtcMicros, UtcMicros), Failure> {
    let from = from.map_or(UtcMicros(i64::MIN), |when| when.resolve(zone, now));
    let to = to.map_or(UtcMicros(i64::MAX), |when| when.resolve(zone, now));
    if from >= to {
        return Err(Failure::Usage(format!("--to: expected an instant after --from {from}, but found {to}")));
    }
    Ok((from, to))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Midnight in Berlin is 22:00 UTC in summer; a day of 25 hours does not move it.
    #[test]
    fn days_begin_at_the_midnight_of_the_station() {
        let zone = TimeZone::get("Europe/Berlin").unwrap();
        let resolved = |text: &str, now: &str| {
            When::parse(text).unwrap().resolve(&zone, UtcMicros::parse(now).unwrap()).to_string()
        };
        let now = "2026-06-21T23:30:00Z";
        assert_eq!(resolved("today", now), "2026-06-21T22:00:00Z");
        assert_eq!(resolved("yesterday", now), "2026-06-20T22:00:00Z");
        assert_eq!(resolved("2026-01-05", now), "2026-01-04T23:00:00Z");
        assert_eq!(resolved("12h", now), "2026-06-21T11:30:00Z");
        assert_eq!(resolved("90min", now), "2026-06-21T22:00:00Z");
        assert_eq!(resolved("yesterday", "2026-10-26T12:00:00Z"), "2026-10-24T22:00:00Z");
        assert_eq!(resolved("2026-06-21T12:00:00Z", now), "2026-06-21T12:00:00Z");
    }

    #[test]
    fn anything_else_is_refused() {
        for text in ["", "7", "d", "-7d", "7x", "tomorrow", "2026-13-01", "9999999d", "7dd", "١d"] {
            assert!(When::parse(text).is_err(), "{text}");
        }
        let now = UtcMicros(0);
        let same = range(Some(When::Ago(0.0)), Some(When::Ago(0.0)), &TimeZone::UTC, now).unwrap_err();
        assert!(same.to_string().starts_with("--to: expected an instant after --from 1970-01-01"), "{same}");
    }
}
