//! The cron expression of a schedule: understood, in UTC, and sure to fire.
//!
//! Evaluated in UTC only: in local time the day on which the clocks go back would skip some ticks and repeat others.

use crate::clock::UtcMicros;
use std::str::FromStr;

/// What an expression has to be, for messages.
pub const RULE: &str = "a cron expression in UTC that fires: second minute hour day-of-month month day-of-week (1 = Sunday \
                        to 7) and perhaps year";

/// How many ticks are looked at for the shortest time between two of them.
const TICKS_LOOKED_AT: usize = 2000;

/// Understands an expression; refuses one that will not fire after `now`, and says why.
pub fn parse(text: &str, now: UtcMicros) -> Result<cron::Schedule, String> {
    let fields = text.split_whitespace().count();
    if !text.trim_start().starts_with('@') && !(6..=7).contains(&fields) {
        return Err(format!("`{text}`, which has {fields} fields"));
    }
    let schedule = cron::Schedule::from_str(text).map_err(|e| {
        let why = e.to_string();
        format!("`{text}`: {}", why.lines().next().unwrap_or_default().trim())
    })?;
    if schedule.after(&now.to_chrono()).next().is_none() {
        return Err(format!("`{text}`, which never fires after {now}"));
    }
    Ok(schedule)
}

/// The shortest time between two of the next ticks [s]; `None` when only one is left.
pub fn shortest_interval_s(schedule: &cron::Schedule, now: UtcMicros) -> Option<f64> {
    let ticks: Vec<_> = schedule.after(&now.to_chrono()).take(TICKS_LOOKED_AT).collect();
    ticks.windows(2).map(|pair| (pair[1] - pair[0]).num_seconds() as f64).min_by(f64::total_cmp)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn now() -> UtcMicros {
        UtcMicros::parse("2026-06-21T12:00:00Z").unwrap()
    }

    /// Identity: expressions that fire are taken, those that cannot be understood or never fire say why.
    #[test]
    fn only_expressions_that_fire_are_taken() {
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

    /// Identity: the shortest of unequal intervals is found.
    #[test]
    fn the_shortest_interval_is_found() {
        let interval = |text| shortest_interval_s(&parse(text, now()).unwrap(), now());
        assert_eq!(interval("0 * * * * *"), Some(60.0));
        assert_eq!(interval("0 0,50 * * * *"), Some(600.0));
        assert_eq!(interval("0 0 0 1 1 * 2030"), None);
    }
}
