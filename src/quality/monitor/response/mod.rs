//! Detects drift of the response: a changed reading for the same light.
//!
//! The light that is compared is the clear sky outdoors ([`day`]), the lamps at night under glass, or a check source. Each gives a *level* from
//! time to time; the first levels are the baseline, and drift is the change since. The turbidity of a day is estimated from the slope over
//! air mass, and its effect is subtracted. From the second year on, the mean seasonal course of earlier years is subtracted too, as far
//! as the air can cause it. Soiling is estimated as a slope and cleaning as a step; neither is corrected. Pure. Invariants:
//!
//! - a single deviating level changes no limit state;
//! - a level that deviates by more than half of the limit does not count as a check within the limit.

pub mod day;
pub mod levels;

use crate::clock::UtcMicros;
use crate::numeric::median;
use crate::record::{LimitState, Transition};
pub use day::Level;

const DAY_S: f64 = 86_400.0;
/// Number of levels of the baseline.
const BASELINE: usize = 4;
/// Number of levels that are kept: more than a year of clear days.
const MAX_LEVELS: usize = 500;
/// Share of the limit up to which a level counts as a check within the limit [1].
const PASS_SHARE: f64 = 0.5;
/// Consecutive levels beyond the limit that confirm a drift.
const CONFIRMED_BY: usize = 2;
/// Standard deviation of the slope from day to day by turbidity [1 per air mass]: half of a median aerosol.
const SLOPE_DEVIATION: f64 = 0.013;
/// Largest seasonal change [1]; more is drift.
const MAX_SEASON: f64 = 0.03;
/// Largest distance to the same day of another year within the same season [d].
const SEASON_DAYS: f64 = 21.0;
/// Rise from which a cleaning step is assumed [1]: measured clear days of one month (BSRN Payerne, June 2016) rise by up to 2.7 %.
const CLEANING_STEP: f64 = 0.04;
/// Number of levels that soiling is estimated from, at least.
const SOILING_LEVELS: usize = 6;
/// Number of levels that the present tilt is the median of.
const TILT_LEVELS: usize = 3;
/// Change of the tilt from which readings are flagged [degrees]: with the sun at 30° it changes the light by 3.5 %, half of the limit.
pub const TILT_LIMIT_DEG: f64 = 1.5;
/// Change of the tilt up to which it counts as within the limit [degrees].
pub const TILT_CLEARED_DEG: f64 = 1.0;

/// A level compared with the baseline.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct ComparedLevel {
    /// Its time.
    pub time: UtcMicros,
    /// The level.
    pub level: Level,
    /// Change since the baseline without the effects of turbidity and season [1]; 0 during the baseline.
    pub change: f64,
}

/// State of the response monitor, saved over restarts.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct ResponseDrift {
    /// The calibration that the state belongs to.
    pub calibration: String,
    /// Level and slope of the baseline.
    pub baseline: Option<(f64, f64)>,
    /// Tilt of the head to the east in the baseline [degrees].
    pub baseline_tilt_deg: Option<f64>,
    /// Levels, oldest first.
    pub levels: Vec<ComparedLevel>,
    /// Start of the present soiling: the restart, the last cleaning step or the last note of a cleaning.
    pub clean_since: Option<UtcMicros>,
    /// Time of the last note of a cleaning.
    pub last_cleaned: Option<UtcMicros>,
    /// The last cleaning step: its time and size [1].
    pub last_cleaning_step: Option<(UtcMicros, f64)>,
    /// Limit state of the level.
    pub level_limit: LimitState,
    /// Limit state of the tilt.
    pub tilt_limit: LimitState,
}

/// Estimated soiling.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Soiling {
    /// Loss of response per day [1/d]; positive for soiling.
    pub per_day: f64,
    /// Its standard uncertainty [1/d].
    pub uncertainty: f64,
    /// Number of levels that it is estimated from.
    pub levels: usize,
}

impl ResponseDrift {
    /// Restarts with another calibration; returns whether it did, and the transition.
    pub fn set_calibration(&mut self, calibration: &str, now: UtcMicros) -> (bool, Option<Transition>) {
        if self.calibration == calibration {
            return (false, None);
        }
        let transition = self.restart(now);
        calibration.clone_into(&mut self.calibration);
        (true, transition)
    }

    /// Restarts: at another place, or with other lamps.
    pub fn restart(&mut self, now: UtcMicros) -> Option<Transition> {
        let (mut level_limit, mut tilt_limit) = (self.level_limit, self.tilt_limit);
        let transitions = (level_limit.restart(now), tilt_limit.restart(now));
        *self = Self {
            calibration: std::mem::take(&mut self.calibration),
            level_limit,
            tilt_limit,
            clean_since: Some(now),
            ..Self::default()
        };
        transitions.0.or(transitions.1)
    }

    /// The limit state of level and tilt together; both change the response of the head.
    pub fn limit_state(&self) -> LimitState {
        self.level_limit.combined_with(self.tilt_limit)
    }

    /// Observes a note that the optic was cleaned: soiling restarts.
    pub fn cleaned(&mut self, at: UtcMicros) {
        self.clean_since = self.clean_since.max(Some(at));
        self.last_cleaned = self.last_cleaned.max(Some(at));
    }

    /// Time of the last noted cleaning and its step [1]: mean of the two levels after it minus that of the three before; `None` for the
    /// step while there are fewer levels.
    pub fn last_cleaning(&self) -> Option<(UtcMicros, Option<f64>)> {
        let at = self.last_cleaned?;
        let split = self.levels.partition_point(|k| k.time < at);
        let is_known = self.baseline.is_some() && split >= 3 && self.levels.len() >= split + 2;
        Some((
            at,
            is_known.then(|| mean_change(&self.levels[split..split + 2]) - mean_change(&self.levels[split - 3..split])),
        ))
    }

    /// Known ratio of the station's light to that of the baseline [1], for the expected light of the next day.
    pub fn expected_scale(&self) -> f64 {
        self.levels.last().map_or(1.0, |k| k.change.exp())
    }

    /// Observes a level. limit: change beyond which it is drift [1].
    pub fn observe_level(&mut self, level: Level, limit: f64) -> Option<Transition> {
        if !level.level.is_finite() || self.levels.last().is_some_and(|k| k.time >= level.time) {
            return None;
        }
        if self.levels.len() >= MAX_LEVELS {
            self.levels.remove(0);
        }
        let change = self.change_of(&level);
        self.levels.push(ComparedLevel { time: level.time, level, change });
        if self.baseline.is_none() {
            self.take_baseline();
            return None;
        }
        self.detect_cleaning_step();
        self.check_tilt(level);
        let exceeds = |k: &&ComparedLevel| k.change.abs() > limit;
        if self.levels.iter().rev().take_while(exceeds).count() >= CONFIRMED_BY {
            return self.level_limit.check_failed(level.time);
        }
        if change.abs() > PASS_SHARE * limit {
            return None;
        }
        let within = self.levels.iter().rev().take_while(|k| k.change.abs() <= PASS_SHARE * limit).count();
        let passed = self.level_limit.exceeded_since.is_none() || within >= CONFIRMED_BY;
        if passed { self.level_limit.check_passed(level.time) } else { None }
    }

    /// Checks the tilt, where the level has one: a day with one clear half does not.
    fn check_tilt(&mut self, level: Level) {
        let (Some(tilt), Some(baseline)) = (level.tilt_east_deg, self.baseline_tilt_deg) else { return };
        if self.tilt_change_deg().is_some_and(|change| change.abs() >= TILT_LIMIT_DEG) {
            self.tilt_limit.check_failed(level.time);
        } else if (tilt - baseline).abs() <= TILT_CLEARED_DEG
            && (self.tilt_limit.exceeded_since.is_none()
                || self.tilt_change_deg().is_some_and(|change| change.abs() <= TILT_CLEARED_DEG))
        {
            self.tilt_limit.check_passed(level.time);
        }
    }

    fn take_baseline(&mut self) {
        if self.levels.len() < BASELINE {
            return;
        }
        let level = median(self.levels.iter().map(|k| k.level.level).collect());
        let slope = median(self.levels.iter().map(|k| k.level.slope.0).collect());
        let (Some(level), Some(slope)) = (level, slope) else { return };
        self.baseline = Some((level, slope));
        self.baseline_tilt_deg = median(self.levels.iter().filter_map(|k| k.level.tilt_east_deg).collect());
        let changes: Vec<f64> = self.levels.iter().map(|k| self.change_of(&k.level)).collect();
        self.levels.iter_mut().zip(changes).for_each(|(k, c)| k.change = c);
        let last = self.levels.last().map(|k| k.time);
        self.level_limit.last_within_limit = self.level_limit.last_within_limit.max(last);
        self.tilt_limit.last_within_limit = self.tilt_limit.last_within_limit.max(last);
    }

    fn change_of(&self, level: &Level) -> f64 {
        let Some((baseline, slope)) = self.baseline else { return 0.0 };
        // Turbidity lowers the level and the slope together. The slope of the day is weighted by its uncertainty.
        let weight = SLOPE_DEVIATION.powi(2) / (SLOPE_DEVIATION.powi(2) + level.slope.1.powi(2));
        let turbidity = weight * day::AT_AIR_MASS * (level.slope.0 - slope);
        level.level - baseline - turbidity - self.season(level.time)
    }

    /// Median change in the same season of earlier years [1], limited to what the air can cause.
    fn season(&self, time: UtcMicros) -> f64 {
        let same_season = |k: &&ComparedLevel| {
            let days = time.seconds_since(k.time) / DAY_S;
            let years = (days / 365.25).round();
            years >= 1.0 && (days - 365.25 * years).abs() <= SEASON_DAYS
        };
        let changes: Vec<f64> = self.levels.iter().filter(same_season).map(|k| k.change).collect();
        if changes.len() < 3 { 0.0 } else { median(changes).unwrap_or(0.0).clamp(-MAX_SEASON, MAX_SEASON) }
    }

    /// Detects a lasting rise: the two newest levels are above the three before.
    fn detect_cleaning_step(&mut self) {
        let n = self.levels.len();
        if n < 5 {
            return;
        }
        let (before, after) = (&self.levels[n - 5..n - 2], &self.levels[n - 2..]);
        let step = mean_change(after) - mean_change(before);
        let lowest = after.iter().map(|k| k.change).fold(f64::MAX, f64::min);
        let highest = before.iter().map(|k| k.change).fold(f64::MIN, f64::max);
        let at = after[0].time;
        if step > CLEANING_STEP && lowest > highest && self.last_cleaning_step.is_none_or(|(t, _)| t < before[0].time) {
            self.last_cleaning_step = Some((at, step));
            self.clean_since = self.clean_since.max(Some(UtcMicros(before[2].time.0 + 1)));
        }
    }

    /// The present change [1]: median of the newest levels; `None` without a baseline.
    pub fn change(&self) -> Option<f64> {
        self.baseline?;
        median(self.levels.iter().rev().take(CONFIRMED_BY + 1).map(|k| k.change).collect())
    }

    /// Standard deviation of the levels about their course [1]; `None` for too few levels.
    pub fn scatter(&self) -> Option<f64> {
        let steps: Vec<f64> = self.levels.windows(2).map(|w| (w[1].change - w[0].change).abs()).collect();
        // For a normal distribution, the median of |difference| is 0.954 standard deviations.
        (self.baseline.is_some() && steps.len() >= BASELINE).then(|| median(steps).unwrap_or(0.0) / 0.954)
    }

    /// Soiling since the optic was last clean; `None` for too few levels.
    pub fn soiling(&self) -> Option<Soiling> {
        self.baseline?;
        let since = self.clean_since.unwrap_or(UtcMicros(i64::MIN));
        let points: Vec<(f64, f64)> =
            self.levels.iter().filter(|k| k.time >= since).map(|k| (k.time.seconds() / DAY_S, k.change)).collect();
        if points.len() < SOILING_LEVELS {
            return None;
        }
        let n = points.len() as f64;
        let mean_day = points.iter().map(|(day, _)| day).sum::<f64>() / n;
        let mean = points.iter().map(|(_, change)| change).sum::<f64>() / n;
        let squares = points.iter().map(|(day, _)| (day - mean_day).powi(2)).sum::<f64>();
        let slope = points.iter().map(|(day, change)| (day - mean_day) * (change - mean)).sum::<f64>() / squares;
        let residual = |(day, change): &(f64, f64)| change - mean - slope * (day - mean_day);
        let variance = points.iter().map(|p| residual(p).powi(2)).sum::<f64>() / (n - 2.0);
        (squares > 0.0).then(|| Soiling {
            per_day: -slope,
            uncertainty: (variance / squares).sqrt(),
            levels: points.len(),
        })
    }

    /// Change of the tilt of the head to the east since the baseline [degrees].
    pub fn tilt_change_deg(&self) -> Option<f64> {
        let baseline = self.baseline_tilt_deg?;
        let newest: Vec<f64> =
            self.levels.iter().rev().filter_map(|k| k.level.tilt_east_deg).take(TILT_LEVELS).collect();
        if newest.len() < TILT_LEVELS { None } else { median(newest).map(|tilt| tilt - baseline) }
    }
}

fn mean_change(levels: &[ComparedLevel]) -> f64 {
    levels.iter().map(|k| k.change).sum::<f64>() / levels.len() as f64
}

#[cfg(test)]
mod tests;
