//! Detects when lamps are switched, from the course of their light.
//!
//! Between two readings of which only one has the light of the lamps, the light changed in a step at an unknown instant. Pure;
//! independent of any schedule.

/// Smallest change of a switching, as a share of the larger level [1]; smaller changes are warm-up or dimming.
const LEAST_CHANGE: f64 = 0.2;
/// Smallest change of a switching, as a share of the highest level [1], because relative changes are large in darkness, too.
const LEAST_OF_HIGHEST: f64 = 0.02;
/// Smallest change of a switching, in standard uncertainties of the difference of the levels.
const SIGNIFICANT: f64 = 3.0;

/// Light of the lamps at an instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Level {
    /// Instant [µs].
    pub(super) t: i64,
    pub(super) value: f64,
    pub(super) uncertainty: f64,
}

/// Two consecutive readings between which lamps were switched.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Switching {
    /// Instants of the readings [µs].
    pub(super) from: i64,
    pub(super) to: i64,
    /// Whether more lamps are on afterwards.
    pub(super) on: bool,
}

/// The switchings in a course of levels in order of time; levels farther apart than `at_most` [µs] are not compared.
pub(super) fn switchings(levels: &[Level], at_most: i64) -> Vec<Switching> {
    let highest = levels.iter().map(|l| l.value).fold(0.0, f64::max);
    levels
        .windows(2)
        .filter(|p| p[1].t - p[0].t <= at_most)
        .filter(|p| {
            let change = (p[1].value - p[0].value).abs();
            change > LEAST_CHANGE * p[0].value.abs().max(p[1].value.abs())
                && change > LEAST_OF_HIGHEST * highest
                && change > SIGNIFICANT * p[0].uncertainty.hypot(p[1].uncertainty)
        })
        .map(|p| Switching { from: p[0].t, to: p[1].t, on: p[1].value > p[0].value })
        .collect()
}

/// The switching between two instants, if there is exactly one; `Err` if there are several.
pub(super) fn between(switchings: &[Switching], from: i64, to: i64) -> Result<Option<Switching>, ()> {
    let first = switchings.partition_point(|s| s.to <= from);
    match switchings[first..].iter().take_while(|s| s.from < to).collect::<Vec<_>>()[..] {
        [] => Ok(None),
        [one] => Ok(Some(*one)),
        _ => Err(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Switching and dimming by half are detected; warm-up, and noise in darkness, are not.
    #[test]
    fn switching_is_distinguished_from_warm_up_and_noise() {
        let level = |(k, value): (usize, &f64)| Level { t: k as i64, value: *value, uncertainty: 0.02 * value + 0.001 };
        let found = |values: &[f64]| -> Vec<(i64, bool)> {
            let levels: Vec<Level> = values.iter().enumerate().map(level).collect();
            switchings(&levels, 1).iter().map(|s| (s.from, s.on)).collect()
        };
        assert_eq!(
            found(&[0.0, 0.002, 80.0, 90.0, 95.0, 95.0, 48.0, 48.0, 0.0, -0.002]),
            [(1, true), (5, false), (7, false)]
        );
        assert_eq!(found(&[100.0, 90.0, 80.0, 70.0, 60.0]), []);
        assert_eq!(found(&[0.001, -0.001, 0.002]), []);
        let levels = [(0, 0.0), (5, 100.0)].map(|(t, value)| Level { t, value, uncertainty: 1.0 });
        assert_eq!((switchings(&levels, 4), switchings(&levels, 5).len()), (vec![], 1));
    }
}
