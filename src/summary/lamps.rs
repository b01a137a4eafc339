//! How much of a day's light lamps gave, where their schedule is known.
//!
//! One spectrometer sees sun and lamps together, so the lamps' part is had from when they are alone: their mean level while
//! the sun is below −6° and the schedule has them shine. That level is taken to hold whenever the schedule has them shine;
//! lamps that a light sensor dims in sunshine break this, and so the share is null wherever the level is not steady, was not
//! seen, or comes to more than the whole.

use super::course::{Course, Sample};
use super::figure::Figure;
use super::rules::{DARK_BELOW_DEG, Rules};
use crate::config::StationKind;

/// Lamps need so long to warm up, and timers are off by as much [µs].
const SETTLED: i64 = 600_000_000;
/// Readings that make a level.
const LEAST: usize = 3;
/// Standard deviation over mean up to which a level is steady [1].
const STEADY: f64 = 0.05;

/// A sample of PPFD with the sun's elevation [degrees].
pub(super) type Lit = (Sample, Option<f64>);

/// The sun's and the lamps' shares of the light integral.
pub(super) fn shares(rules: &Rules, course: &Course, day: (i64, i64), samples: &[Lit]) -> [Figure; 2] {
    let none = |why: &str| [Figure::null(why), Figure::null(why)];
    if rules.lamps_s.is_empty() {
        return none("no schedule of lamps is configured");
    }
    let total = course.sum();
    if !(course.is_measured() && total.amount > 0.0) {
        return none("there is no light to share");
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
        return none("the lamps were not seen alone: too few readings with the sun below -6 degrees while they shine");
    }
    let n = alone.len() as f64;
    let level = alone.iter().sum::<f64>() / n;
    let deviation = (alone.iter().map(|v| (v - level) * (v - level)).sum::<f64>() / (n - 1.0)).sqrt();
    if !(level > 0.0 && deviation <= STEADY * level) {
        return none("the lamps' level is not steady while they shine alone");
    }
    let share = level * lit_s / total.amount;
    let uncertainty = share * deviation / level;
    if !(share <= 1.0 + 2.0 * uncertainty) {
        return none("the lamps' level would come to more than all light: they do not shine as their schedule says");
    }
    let share = share.min(1.0);
    [figure(1.0 - share, uncertainty), figure(share, uncertainty)]
}
