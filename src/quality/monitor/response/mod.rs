//! Drift of the response: whether the instrument still answers the same light with the same number.
//!
//! Under the sky the light is a clear one ([`day`]), under glass the lamps alone at night, at a lamp a check source. Each gives
//! one *level* now and then; the first ones are the baseline, and drift is the change since. A day's turbidity shows in the slope
//! over the air mass and is taken out with it. From the second year on the season's own course is taken out as well, as far as
//! air can make one.
//!
//! Dirt that builds up is a slope, a wipe is a step; both are estimated, and neither is corrected.
//!
//! Pure. What must stay true: one odd day turns nothing, and a level halfway to the limit is no check that passed.

pub mod day;
pub mod levels;

use crate::clock::UtcMicros;
use crate::numeric::median;
use crate::record::{LimitState, Transition};
pub use day::Level;

const DAY_S: f64 = 86_400.0;
/// Levels the baseline rests on.
const BASELINE: usize = 4;
/// Levels kept: well over a year of clear days.
const MAX_LEVELS: usize = 500;
/// A level this share of the limit away from the baseline is no check that passed [1].
const PASS_SHARE: f64 = 0.5;
/// Levels past the limit, in a row, that make a finding.
const CONFIRMED_BY: usize = 2;
/// How much the turbidity's slope varies from day to day [1 per air mass]: half a median aerosol.
const SLOPE_SPREAD: f64 = 0.013;
/// The season's course is no more than this [1]; what is more is drift.
const SEASON_MOST: f64 = 0.03;
/// Days before and after the same day of another year that are of the same season [d].
const SEASON_D: f64 = 21.0;
/// A rise that may be a wipe [1]: measured clear days of one month (BSRN Payerne, June 2016) rise by 2.7 % by themselves.
const CLEANING_STEP: f64 = 0.04;
/// Levels a slope of dirt rests on, at least.
const SOILING_LEVELS: usize = 6;
/// Levels of the tilt now.
const TILT_LEVELS: usize = 3;
/// A lean from which on readings are in doubt [degrees]: with the sun at 30° it makes 3.5 % of the light, half of the limit.
pub const TILT_LIMIT_DEG: f64 = 1.5;
/// A lean that is none any more [degrees].
pub const TILT_CLEARED_DEG: f64 = 1.0;

/// A level against the baseline.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct ComparedLevel {
    /// When.
    pub time: UtcMicros,
    /// As it was worked out.
    pub level: Level,
    /// Change since the baseline, turbidity and season taken out [1]; 0 within the baseline.
    pub change: f64,
}

/// The tracker, persisted over restarts.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct ResponseDrift {
    /// The calibration it watches.
    pub calibration: String,
    /// Level and slope at the beginning.
    pub baseline: Option<(f64, f64)>,
    /// How far the head leaned to the east at the beginning [degrees].
    pub baseline_tilt_deg: Option<f64>,
    /// Levels, oldest first.
    pub levels: Vec<ComparedLevel>,
    /// Since when dirt builds up: the beginning, the last wipe or the last note of one.
    pub clean_since: Option<UtcMicros>,
    /// When the owner last put a cleaning on record.
    pub last_cleaned: Option<UtcMicros>,
    /// The last step up: when, and by how much [1].
    pub last_cleaning_step: Option<(UtcMicros, f64)>,
    /// The level against its limit.
    pub level_limit: LimitState,
    /// The lean against its limit.
    pub tilt_limit: LimitState,
}

/// A slope of dirt.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Soiling {
    /// Loss a day [1/d]; above zero for dirt.
    pub per_day: f64,
    /// Its standard uncertainty [1/d].
    pub uncertainty: f64,
    /// Levels it rests on.
    pub levels: usize,
}

impl ResponseDrift {
    /// Begins anew with another calibration; true when it did.
    pub fn set_calibration(&mut self, calibration: &str, now: UtcMicros) -> (bool, Option<Transition>) {
        if self.calibration == calibration {
            return (false, None);
        }
        let turn = self.restart(now);
        calibration.clone_into(&mut self.calibration);
        (true, turn)
    }

    /// Begins anew: at another place, or with other lamps.
    pub fn restart(&mut self, now: UtcMicros) -> Option<Transition> {
        let (mut level_limit, mut tilt_limit) = (self.level_limit, self.tilt_limit);
        let turns = (level_limit.restart(now), tilt_limit.restart(now));
        *self = Self {
            calibration: std::mem::take(&mut self.calibration),
            level_limit,
            tilt_limit,
            clean_since: Some(now),
            ..Self::default()
        };
        turns.0.or(turns.1)
    }

    /// Level and lean together: both are answers of the head to light that is alike.
    pub fn limit_state(&self) -> LimitState {
        self.level_limit.combined_with(self.tilt_limit)
    }

    /// The owner cleaned the optic: dirt begins anew.
    pub fn cleaned(&mut self, at: UtcMicros) {
        self.clean_since = self.clean_since.max(Some(at));
        self.last_cleaned = self.last_cleaned.max(Some(at));
    }

    /// The last cleaning on record and the step it made [1]: the two levels after it over the three before; `None` for the
    /// step as long as there are fewer.
    pub fn last_cleaning(&self) -> Option<(UtcMicros, Option<f64>)> {
        let at = self.last_cleaned?;
        let split = self.levels.partition_point(|k| k.time < at);
        let mean = |k: &[ComparedLevel]| k.iter().map(|k| k.change).sum::<f64>() / k.len() as f64;
        let known = self.baseline.is_some() && split >= 3 && self.levels.len() >= split + 2;
        Some((at, known.then(|| mean(&self.levels[split..split + 2]) - mean(&self.levels[split - 3..split]))))
    }

    /// What the station's light is of what it was at the beginning, as far as known [1]: to expect the next day by.
    pub fn expected_scale(&self) -> f64 {
        self.levels.last().map_or(1.0, |k| k.change.exp())
    }

    /// Takes a level. limit: change past which it is drift [1].
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
        let beyond = |k: &&ComparedLevel| k.change.abs() > limit;
        if self.levels.iter().rev().take_while(beyond).count() >= CONFIRMED_BY {
            return self.level_limit.check_failed(level.time);
        }
        if change.abs() > PASS_SHARE * limit {
            return None;
        }
        let back = self.levels.iter().rev().take_while(|k| k.change.abs() <= PASS_SHARE * limit).count();
        let passes = self.level_limit.exceeded_since.is_none() || back >= CONFIRMED_BY;
        if passes { self.level_limit.check_passed(level.time) } else { None }
    }

    /// A day without both of its halves tells no lean, and is no check of it.
    fn check_tilt(&mut self, level: Level) {
        let (Some(east), Some(zero)) = (level.tilt_east_deg, self.baseline_tilt_deg) else { return };
        if self.tilt_change_deg().is_some_and(|lean| lean.abs() >= TILT_LIMIT_DEG) {
            self.tilt_limit.check_failed(level.time);
        } else if (east - zero).abs() <= TILT_CLEARED_DEG
            && (self.tilt_limit.exceeded_since.is_none()
                || self.tilt_change_deg().is_some_and(|l| l.abs() <= TILT_CLEARED_DEG))
        {
            self.tilt_limit.check_passed(level.time);
        }
    }

    fn take_baseline(&mut self) {
        if self.levels.len() < BASELINE {
            return;
        }
        let of = |f: &dyn Fn(&Level) -> f64| median(self.levels.iter().map(|k| f(&k.level)).collect());
        let (Some(level), Some(slope)) = (of(&|l| l.level), of(&|l| l.slope.0)) else { return };
        self.baseline = Some((level, slope));
        self.baseline_tilt_deg = median(self.levels.iter().filter_map(|k| k.level.tilt_east_deg).collect());
        let changes: Vec<f64> = self.levels.iter().map(|k| self.change_of(&k.level)).collect();
        self.levels.iter_mut().zip(changes).for_each(|(k, c)| k.change = c);
        let last = self.levels.last().map(|k| k.time);
        self.level_limit.last_within_limit = self.level_limit.last_within_limit.max(last);
        self.tilt_limit.last_within_limit = self.tilt_limit.last_within_limit.max(last);
    }

    fn change_of(&self, level: &Level) -> f64 {
        let Some((zero, slope)) = self.baseline else { return 0.0 };
        // A turbid day is lower and steeper alike; how far the day's own slope is to be believed depends on how well it is known.
        let known = SLOPE_SPREAD.powi(2) / (SLOPE_SPREAD.powi(2) + level.slope.1.powi(2));
        let turbid = known * day::AT_AIR_MASS * (level.slope.0 - slope);
        level.level - zero - turbid - self.season(level.time)
    }

    /// What the same season showed in earlier years [1], within what air can do.
    fn season(&self, time: UtcMicros) -> f64 {
        let alike = |k: &&ComparedLevel| {
            let days = time.seconds_since(k.time) / DAY_S;
            let years = (days / 365.25).round();
            years >= 1.0 && (days - 365.25 * years).abs() <= SEASON_D
        };
        let then: Vec<f64> = self.levels.iter().filter(alike).map(|k| k.change).collect();
        if then.len() < 3 { 0.0 } else { median(then).unwrap_or(0.0).clamp(-SEASON_MOST, SEASON_MOST) }
    }

    /// A rise that stays: the two newest levels stand above the three before them.
    fn detect_cleaning_step(&mut self) {
        let n = self.levels.len();
        if n < 5 {
            return;
        }
        let mean = |k: &[ComparedLevel]| k.iter().map(|k| k.change).sum::<f64>() / k.len() as f64;
        let (before, after) = (&self.levels[n - 5..n - 2], &self.levels[n - 2..]);
        let step = mean(after) - mean(before);
        let lowest = after.iter().map(|k| k.change).fold(f64::MAX, f64::min);
        let highest = before.iter().map(|k| k.change).fold(f64::MIN, f64::max);
        let at = after[0].time;
        if step > CLEANING_STEP && lowest > highest && self.last_cleaning_step.is_none_or(|(t, _)| t < before[0].time) {
            self.last_cleaning_step = Some((at, step));
            self.clean_since = self.clean_since.max(Some(UtcMicros(before[2].time.0 + 1)));
        }
    }

    /// The change now [1]: the middle of the newest levels; `None` before there is a baseline.
    pub fn change(&self) -> Option<f64> {
        self.baseline?;
        median(self.levels.iter().rev().take(CONFIRMED_BY + 1).map(|k| k.change).collect())
    }

    /// How far levels scatter around their course [1]: what a single one cannot tell.
    pub fn scatter(&self) -> Option<f64> {
        let steps: Vec<f64> = self.levels.windows(2).map(|w| (w[1].change - w[0].change).abs()).collect();
        // Of normal numbers, the middle of |difference| is 0.954 standard deviations.
        (self.baseline.is_some() && steps.len() >= BASELINE).then(|| median(steps).unwrap_or(0.0) / 0.954)
    }

    /// The slope of the dirt since the optic was last clean; `None` from too few levels.
    pub fn soiling(&self) -> Option<Soiling> {
        self.baseline?;
        let since = self.clean_since.unwrap_or(UtcMicros(i64::MIN));
        let points: Vec<(f64, f64)> =
            self.levels.iter().filter(|k| k.time >= since).map(|k| (k.time.seconds() / DAY_S, k.change)).collect();
        if points.len() < SOILING_LEVELS {
            return None;
        }
        let n = points.len() as f64;
        let (x, y) = (points.iter().map(|p| p.0).sum::<f64>() / n, points.iter().map(|p| p.1).sum::<f64>() / n);
        let wide = points.iter().map(|p| (p.0 - x).powi(2)).sum::<f64>();
        let slope = points.iter().map(|p| (p.0 - x) * (p.1 - y)).sum::<f64>() / wide;
        let left = points.iter().map(|p| (p.1 - y - slope * (p.0 - x)).powi(2)).sum::<f64>() / (n - 2.0);
        (wide > 0.0).then(|| Soiling { per_day: -slope, uncertainty: (left / wide).sqrt(), levels: points.len() })
    }

    /// How much farther the head leans to the east than at the beginning [degrees].
    pub fn tilt_change_deg(&self) -> Option<f64> {
        let zero = self.baseline_tilt_deg?;
        let newest: Vec<f64> =
            self.levels.iter().rev().filter_map(|k| k.level.tilt_east_deg).take(TILT_LEVELS).collect();
        if newest.len() < TILT_LEVELS { None } else { median(newest).map(|now| now - zero) }
    }
}

#[cfg(test)]
mod tests;
