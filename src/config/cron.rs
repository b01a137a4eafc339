//! Parses the cron expression of a schedule and refuses expressions that never fire.
//!
//! Expressions are evaluated in UTC only: in local time, the end of summer time would skip some ticks and repeat others.

use crate::clock::UtcMicros;
use std::str::FromStr;

/// Description of a valid expression, for messages.
pub const RULE: &str = "a cron expression in UTC that fires: second minute hour day-of-month month day-of-week (1 = Sunday \
                        to 7) and perhaps year";

/// Number of ticks examined for the shortest interval.
const TICKS_EXAMINED: usize = 2000;

/// Parses an expression that fires after `now`; the error describes what was found.
pub fn parse(text: &str, now: UtcMicros) -> Result<cron::Schedule, String> {
    let fields = text.split_whitespace().count();
    if !text.trim_start().starts_with('@') && !(6..=7).contains(&fields) {
        return Err(format!("`{text}`, which has {fields} fields"));
    }
    let schedule = cron::Schedule::from_str(text).map_err(|e| {
        let why = e.to_string();
        format!("`{text}`: {}", why.lines().next().unwrap_or_default().trim())
    })?;
    if ticks(&schedule, now).next().is_none() {
        return Err(format!("`{text}`, which never fires after {now}"));
    }
    Ok(schedule)
}

/// The ticks of a schedule strictly after an instant.
pub fn ticks(schedule: &cron::Schedule, after: UtcMicros) -> impl Iterator<Item = UtcMicros> + use<> {
    schedule.after_owned(to_chrono(after)).map(|tick| UtcMicros(tick.timestamp_micros()))
}

/// Whether an instant is a tick of a schedule.
pub fn is_tick(schedule: &cron::Schedule, t: UtcMicros) -> bool {
    schedule.includes(to_chrono(t))
}

/// The instant in the type of the library that works out cron expressions. One beyond its calendar becomes the epoch.
fn to_chrono(t: UtcMicros) -> chrono::DateTime<chrono::Utc> {
    chrono::DateTime::from_timestamp_micros(t.0).unwrap_or_default()
}

/// Shortest interval between the next ticks [s]; `None` if fewer than two ticks are left.
pub fn shortest_interval_s(schedule: &cron::Schedule, now: UtcMicros) -> Option<f64> {
    let ticks: Vec<_> = ticks(schedule, now).take(TICKS_EXAMINED).collect();
    ticks.windows(2).map(|pair| pair[1].seconds_since(pair[0])).min_by(f64::total_cmp)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn now() -> UtcMicros {
        UtcMicros::parse("2026-06-21T12:00:00Z").unwrap()
    }

    #[test]
    fn only_expressions_that_fire_are_accepted() {
        for good in [
            "0 * * * * *",
            "*/10 * * * * *",
            "0 0 12 29 2 *",
            "0 0 6 * * 2-6",
            "0 0 0 1 1 * 2030",
            "0 0 0 29 2 * *",
            "@hourly",
        ] {
            assert!(parse(good, now()).is_ok(), "{good}: {:?}", parse(good, now()));
        }
        for (bad, why) in [
            ("* * * * *", "which has 5 fields"),
            ("", "which has 0 fields"),
            ("0 61 * * * *", "61"),
            ("0 0 0 * * 0", "0"),
            ("0 0 0 L * *", "L"),
            ("0 0 0 1 1 * 2300-2200", "2300-2200"),
            ("0 0 0 30 2 *", "which never fires after 2026-06-21T12:00:00Z"),
            ("0 0 0 1 1 * 2020", "which never fires after 2026-06-21T12:00:00Z"),
            ("every minute of the day please", "every minute"),
        ] {
            let found = parse(bad, now()).unwrap_err();
            assert!(found.starts_with(&format!("`{bad}`")) && found.contains(why), "{bad}: {found}");
            assert!(!found.contains('\n'), "{found}");
        }
    }

    #[test]
    fn the_shortest_interval_is_found() {
        let interval = |text| shortest_interval_s(&parse(text, now()).unwrap(), now());
        assert_eq!(interval("0 * * * * *"), Some(60.0));
        assert_eq!(interval("0 0,50 * * * *"), Some(600.0));
        assert_eq!(interval("0 0 0 1 1 * 2030"), None);
    }
}
