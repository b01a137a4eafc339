//! Learns the spectra of lamps from readings.
//!
//! - **At night** (sun below −6°) all light is that of lamps: a spectrum that stays the same over three readings is one of a lamp.
//! - **Across switching** by day: two readings before and two after a step. The brighter light less as much of the darker light as has its
//!   level where the lamps are darkest is the light of what was switched.
//!
//! A spectrum that a mixture of known shapes explains is not learned again, but at night it takes the place of an old one. Pure; knows no
//! schedule.
//!
//! Invariants: a shape has no light that the reading did not have; light that changes like daylight is never learned.

use super::light::LAMPS_ALONE_BELOW_DEG;
use super::separation::{Light, STRUCTURE, separate};
use super::shape::LampShape;
use super::{Daylight, separation};
use crate::clock::UtcMicros;
use crate::numeric::nonnegative;
use crate::reduction::scale::Scale;
use std::collections::VecDeque;

/// Number of shapes that are kept: groups of lamps that are switched separately, and mixtures of them.
const MOST_SHAPES: usize = 4;
/// Longest time between two readings that are compared [s].
const LONGEST_STEP_S: f64 = 1200.0;
/// Least light of a lamp [µmol m⁻² s⁻¹]: more than moon, street lights and twilight below −6° give.
const LEAST_PPFD: f64 = 1.0;
/// Least median signal-to-noise ratio [1].
const LEAST_SIGNAL_TO_NOISE: f64 = 30.0;
/// Change of the level between readings up to which lamps count as warm [1].
const STEADY: f64 = 0.02;
/// Least step of a switching as a share of the light after or before it [1], and largest change of the daylight beside it as a share of
/// the step [1].
const LEAST_STEP: f64 = 0.1;
const DAYLIGHT_CHANGE: f64 = 0.15;
/// Largest change of the daylight during the step [1].
const DAYLIGHT_CHANGE_AT_STEP: f64 = 0.15;
/// Share of the highest rate from which on a row tells the level of the daylight [1], and the share of these rows whose ratio of both
/// spectra is below the level: the lowest of many ratios is low by noise.
const LIT_ROW: f64 = 0.02;
const LOWEST: f64 = 0.05;
/// Share of negative light in a step up to which it is noise [1].
const NEGATIVE: f64 = 0.02;
/// Residual from which on a spectrum is not a mixture of known shapes [1].
const DISTINCT: f64 = 0.03;
/// Age from which on a shape is replaced by the same one seen anew [s]: lamps age over months.
const REPLACED_AFTER_S: f64 = 7.0 * 86_400.0;
/// Width of the rows in which spectra are compared [nm].
const ROW_NM: f64 = 4.0;

/// What a reading shows of the lamps.
#[derive(Clone, Copy, Debug)]
pub struct Observation<'a> {
    /// Mean time.
    pub time: UtcMicros,
    /// The sun's apparent elevation [degrees]; `None` without sunlight.
    pub sun_elevation_deg: Option<f64>,
    /// Rate of every pixel, dark and stray-light floor subtracted [counts/s].
    pub rate: &'a [f64],
    /// Clipped pixels.
    pub saturated: &'a [bool],
    /// Median signal-to-noise ratio [1].
    pub signal_to_noise: f64,
}

/// A spectrum that was seen.
#[derive(Clone, Debug)]
struct Seen {
    time: UtcMicros,
    night: bool,
    rate: Vec<f64>,
    ppfd: f64,
}

/// Learns shapes; remembers the last readings.
#[derive(Clone, Debug, Default)]
pub struct Learner {
    recent: VecDeque<Seen>,
}

impl Learner {
    /// Takes a reading into account; returns the shapes that are known from now on where they changed.
    pub fn observe(
        &mut self,
        observed: &Observation<'_>,
        scale: &Scale,
        daylight: &Daylight,
        known: &[LampShape],
    ) -> Option<Vec<LampShape>> {
        // A clipped reading, or one in another order, interrupts what is compared.
        let last = self.recent.back().map(|s| observed.time.seconds_since(s.time));
        if observed.saturated.iter().any(|s| *s) || last.is_some_and(|dt| !(dt > 0.0 && dt <= LONGEST_STEP_S)) {
            self.recent.clear();
        }
        if observed.saturated.iter().any(|s| *s) {
            return None;
        }
        let night = observed.sun_elevation_deg.is_none_or(|h| h < LAMPS_ALONE_BELOW_DEG);
        if self.recent.len() == 4 {
            self.recent.pop_front();
        }
        let ppfd = ppfd_of(observed.rate, scale);
        self.recent.push_back(Seen { time: observed.time, night, rate: observed.rate.to_vec(), ppfd });
        let strong = observed.signal_to_noise >= LEAST_SIGNAL_TO_NOISE;
        let found = if night { self.at_night(strong) } else { self.across_switching(scale, daylight) }?;
        updated(known, &LampShape { seen: observed.time, rate: found }, night, scale)
    }

    /// The spectrum of lamps that have been steady for three readings at night.
    fn at_night(&self, strong: bool) -> Option<Vec<f32>> {
        let n = self.recent.len();
        let last = self.recent.back().filter(|s| strong && s.ppfd > LEAST_PPFD)?;
        let steady = |s: &Seen| s.night && (s.ppfd - last.ppfd).abs() <= STEADY * last.ppfd;
        let all = n >= 3 && self.recent.range(n - 3..).all(steady);
        all.then(|| last.rate.iter().map(|r| *r as f32).collect())
    }

    /// The spectrum of what was switched between the second and the third of the last four readings.
    fn across_switching(&self, scale: &Scale, daylight: &Daylight) -> Option<Vec<f32>> {
        let [a, b, c, d] = self.recent.iter().collect::<Vec<_>>()[..] else { return None };
        let step = c.ppfd - b.ppfd;
        if !(step.abs() > LEAST_PPFD.max(LEAST_STEP * b.ppfd.max(c.ppfd))) {
            return None;
        }
        let beside = [b.ppfd - a.ppfd, d.ppfd - c.ppfd];
        if !beside.iter().all(|change| change.abs() <= DAYLIGHT_CHANGE * step.abs()) {
            return None;
        }
        let (lit, unlit) = if step > 0.0 { (c, b) } else { (b, c) };
        let level = level_of_daylight(&rows(&lit.rate, scale), &rows(&unlit.rate, scale))?;
        let rate: Vec<f64> = lit.rate.iter().zip(&unlit.rate).map(|(l, u)| l - level * u).collect();
        is_of_lamps(&rate, scale, daylight).then(|| rate.iter().map(|r| *r as f32).collect())
    }
}

/// Level of the daylight in the brighter of two spectra, relative to the other: their ratio where the lamps are darkest. `None` where the
/// daylight changed by much.
fn level_of_daylight(lit: &[f64], unlit: &[f64]) -> Option<f64> {
    let highest = unlit.iter().copied().fold(0.0, f64::max);
    let bright = lit.iter().zip(unlit).filter(|(_, u)| **u > LIT_ROW * highest);
    let mut ratios: Vec<f64> = bright.map(|(l, u)| l / u).collect();
    ratios.sort_unstable_by(f64::total_cmp);
    let level = *ratios.get((LOWEST * ratios.len() as f64) as usize)?;
    ((level - 1.0).abs() <= DAYLIGHT_CHANGE_AT_STEP).then_some(level)
}

/// Whether a step of the light is positive throughout and has structure that daylight has not.
fn is_of_lamps(rate: &[f64], scale: &Scale, daylight: &Daylight) -> bool {
    let rows = rows(rate, scale);
    let (positive, negative) = rows.iter().fold((0.0, 0.0), |(p, n), r| (p + r.max(0.0), n - r.min(0.0)));
    if !(negative <= NEGATIVE * positive) {
        return false;
    }
    let irradiance: Vec<f64> = rate.iter().zip(&scale.inverse_response).map(|(r, k)| r * k).collect();
    let (variance, saturated) = (vec![0.0; rate.len()], vec![false; rate.len()]);
    let inverse = &scale.inverse_response;
    let light = Light { irradiance: &irradiance, variance: &variance, inverse, saturated: &saturated };
    separate(&light, scale, daylight, &[]).is_some_and(|s| s.residual > STRUCTURE)
}

/// The known shapes with a new one; `None` where it tells nothing new.
fn updated(known: &[LampShape], found: &LampShape, night: bool, scale: &Scale) -> Option<Vec<LampShape>> {
    let of = |shape: &LampShape| rows(&shape.rate.iter().map(|r| f64::from(*r)).collect::<Vec<f64>>(), scale);
    let fitting = |shape: &&LampShape| shape.rate.len() == found.rate.len();
    let mut shapes: Vec<LampShape> = known.iter().filter(fitting).cloned().collect();
    let columns: Vec<Vec<f64>> = shapes.iter().map(of).collect();
    let target = of(found);
    let fit = nonnegative::solve(&columns, &target);
    let left = |i: usize| target[i] - columns.iter().zip(&fit.coefficients).map(|(c, x)| c[i] * x).sum::<f64>();
    let squares = |of: &dyn Fn(usize) -> f64| (0..target.len()).map(|i| of(i).powi(2)).sum::<f64>();
    let residual = (squares(&left) / squares(&|i| target[i])).sqrt();
    if residual > DISTINCT {
        if shapes.len() >= MOST_SHAPES {
            let oldest = (0..shapes.len()).min_by_key(|k| shapes[*k].seen)?;
            shapes.remove(oldest);
        }
        shapes.push(found.clone());
        return Some(shapes);
    }
    // One shape alone, seen anew.
    let alone = |k: &usize| {
        let share = |k: usize| fit.coefficients[k] * columns[k].iter().sum::<f64>();
        share(*k) >= (1.0 - DISTINCT) * (0..columns.len()).map(share).sum::<f64>()
    };
    let same = (0..columns.len()).find(alone).filter(|_| night)?;
    if found.seen.seconds_since(shapes[same].seen) < REPLACED_AFTER_S {
        return None;
    }
    shapes[same] = found.clone();
    Some(shapes)
}

/// A spectrum of rates in rows of [`ROW_NM`], calibrated pixels only.
fn rows(rate: &[f64], scale: &Scale) -> Vec<f64> {
    let mut rows: Vec<f64> = Vec::new();
    let mut row = i64::MIN;
    for ((rate, nm), valid) in rate.iter().zip(&scale.wavelength_nm).zip(&scale.valid) {
        let here = (nm / ROW_NM).floor() as i64;
        if *valid && here != row {
            rows.push(0.0);
            row = here;
        }
        if let (true, Some(sum)) = (*valid, rows.last_mut()) {
            *sum += rate;
        }
    }
    rows
}

fn ppfd_of(rate: &[f64], scale: &Scale) -> f64 {
    let irradiance: Vec<f64> = rate.iter().zip(&scale.inverse_response).map(|(r, k)| r * k).collect();
    separation::ppfd_of(&irradiance, scale)
}

#[cfg(test)]
mod tests;
