//! Share of the lamps in the light of a day, from the spectra of the readings and from the schedule of the lamps.
//!
//! By the spectra, the lamps' part of each reading is summed as the light is. The schedule serves where the part is not known, and as a check:
//! the level of the lamps is the mean PPFD while the sun is below −6° and the
//! lamps are on by schedule; it is assumed for all of their scheduled time. Lamps that are dimmed in daylight violate this
//! assumption, so the share is null if the level is not steady, was not measured, or exceeds the total light.

use super::course::Course;
use super::figure::Figure;
use super::rules::{DARK_BELOW_DEG, Rules};
use super::sample::Sample;
use crate::config::StationKind;

/// Time after and before switching that is ignored: warm-up of lamps and error of timers [µs].
const SETTLED: i64 = 600_000_000;
/// Minimum number of readings for a level.
const LEAST: usize = 3;
/// Largest relative standard deviation of a steady level [1].
const STEADY: f64 = 0.05;

/// Share of the day's known light for which the lamps' part may be unknown [1].
const UNKNOWN: f64 = 0.01;

/// A sample of PPFD with the sun's elevation [degrees].
pub(super) type Lit = (Sample, Option<f64>);

/// Shares of sun and lamps in the light integral by the spectra; `None` where the lamps' part of the light is not known.
pub(super) fn by_spectrum(light: &Course, lamps: &Course) -> Option<[Figure; 2]> {
    let (total, part) = (light.sum(), lamps.sum());
    let known = lamps.is_measured() && lamps.data_coverage() >= light.data_coverage() - UNKNOWN;
    if !(known && total.amount > 0.0) {
        return None;
    }
    let share = (part.amount / total.amount).clamp(0.0, 1.0);
    let uncertainty = part.uncertainty() / total.amount;
    let figure = |value: f64| Figure::Value {
        value,
        uncertainty: Some(uncertainty),
        suspect_share: total.suspect_share(),
        data_coverage: Some(lamps.data_coverage()),
        time: None,
    };
    Some([figure(1.0 - share), figure(share)])
}

/// Shares of sun and lamps in the light integral by the schedule.
pub(super) fn by_schedule(rules: &Rules, course: &Course, day: (i64, i64), samples: &[Lit]) -> [Figure; 2] {
    let none = |why: &str| [Figure::null(why), Figure::null(why)];
    if rules.lamps_s.is_empty() {
        return none("no schedule of the lamps is configured");
    }
    let total = course.sum();
    if !(course.is_measured() && total.amount > 0.0) {
        return none("the light integral is zero or unknown");
    }
    let figure = |value: f64, uncertainty: f64| Figure::Value {
        value,
        uncertainty: Some(uncertainty),
        suspect_share: total.suspect_share(),
        data_coverage: Some(course.data_coverage()),
        time: None,
    };
    if rules.kind == StationKind::Lamp {
        return [figure(0.0, 0.0), figure(1.0, 0.0)];
    }
    let on = rules.lamps_within(day.0, day.1);
    let lit_s = course.known_within(&on) as f64 * 1e-6;
    if lit_s == 0.0 {
        return [figure(1.0, 0.0), figure(0.0, 0.0)];
    }
    let settled = |t: i64| [t - SETTLED, t, t + SETTLED].into_iter().all(|t| rules.lamps_on(t));
    let alone: Vec<f64> = samples
        .iter()
        .filter(|(s, sun)| s.t >= day.0 && s.t < day.1 && sun.is_some_and(|h| h < DARK_BELOW_DEG) && settled(s.t))
        .map(|(s, _)| s.value)
        .collect();
    if alone.len() < LEAST {
        return none("too few readings with lamps on and the sun below -6 degrees");
    }
    let n = alone.len() as f64;
    let level = alone.iter().sum::<f64>() / n;
    let deviation = (alone.iter().map(|v| (v - level) * (v - level)).sum::<f64>() / (n - 1.0)).sqrt();
    if !(level > 0.0 && deviation <= STEADY * level) {
        return none("the level of the lamps is not steady while the sun is below -6 degrees");
    }
    let share = level * lit_s / total.amount;
    let uncertainty = share * deviation / level;
    if !(share <= 1.0 + 2.0 * uncertainty) {
        return none("the light of the lamps by their schedule exceeds the total light: the schedule is not followed");
    }
    let share = share.min(1.0);
    [figure(1.0 - share, uncertainty), figure(share, uncertainty)]
}
