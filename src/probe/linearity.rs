//! Linearity by a series of integration times, each between two exposures of a reference time, with a fitted offset of time.
//!
//! Under steady light, charge = counts / (1 + c·counts) is proportional to (integration time + t₀). The two parameters separate,
//! because t₀ acts on short times and c on high counts. The reference exposures before and after each step take out a slow drift
//! of the light. An effect that depends on the rate of light and not on the counts (reciprocity failure, a slow shutter blade)
//! stays unseen: only other levels of light show it.

use super::estimate::Estimate;
use crate::numeric::median;

/// Levels that are used, as shares of full scale: signals below are noise, levels above may be clipped.
const LEVELS: [f64; 2] = [0.02, 0.9];
/// Groups of pixels by level within one step.
const GROUPS: usize = 6;
/// Fewest pixels of a group.
const GROUP_MIN: usize = 5;
/// Relative uncertainty of every step beside that of light and noise [1].
const FLOOR: f64 = 2e-5;

/// One step: frames with dark subtracted, averaged over equal exposures [counts].
#[derive(Clone, Debug)]
pub struct Step {
    /// Integration time [s].
    pub integration_s: f64,
    /// Signal at that time.
    pub signal: Vec<f64>,
    /// Signal at the reference time, before.
    pub before: Vec<f64>,
    /// Signal at the reference time, after.
    pub after: Vec<f64>,
}

/// What the series shows.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Linearity {
    /// The coefficient c [1/count].
    pub coefficient: Estimate,
    /// Time that the detector collects light beyond the stated integration time [s].
    pub time_offset_s: Estimate,
    /// Largest deviation of a group of pixels from the fit [1].
    pub residual: f64,
    /// Highest signal that was used [counts].
    pub highest_counts: f64,
    /// Largest relative change of the light within one step [1].
    pub light_change: f64,
}

/// One group of pixels of one step.
struct Point {
    integration_s: f64,
    log_ratio: f64,
    counts: f64,
    reference: f64,
    uncertainty: f64,
}

/// Evaluates a series with the reference time `reference_s` [s]. `None` where fewer than four groups of pixels, or only one
/// integration time, are usable.
pub fn linearity(steps: &[Step], reference_s: f64, usable: &[bool], full_scale: f64) -> Option<Linearity> {
    let mut points = Vec::new();
    let (mut light_change, mut used_steps) = (0.0_f64, 0_usize);
    for step in steps {
        let (of_step, change) = points_of(step, reference_s, usable, full_scale);
        light_change = light_change.max(change);
        used_steps += usize::from(!of_step.is_empty());
        points.extend(of_step);
    }
    let times = points.iter().map(|p| p.integration_s).fold([f64::MAX, f64::MIN], |[a, b], t| [a.min(t), b.max(t)]);
    if points.len() < 4 || !(times[1] > 1.5 * times[0]) {
        return None;
    }
    let ([time, coefficient], [time_variance, coefficient_variance], [mean_square, residual]) =
        fit(&points, reference_s)?;
    // Groups of one step share its light: residuals beyond their uncertainty count once a step, not once a group.
    let groups_a_step = points.len() as f64 / used_steps.max(1) as f64;
    let widened = 1.0 + (mean_square - 1.0).max(0.0) * groups_a_step;
    Some(Linearity {
        coefficient: Estimate::new(coefficient, (coefficient_variance * widened).sqrt())?,
        time_offset_s: Estimate::new(time, (time_variance * widened).sqrt())?,
        residual,
        highest_counts: points.iter().map(|p| p.counts).fold(0.0, f64::max),
        light_change,
    })
}

/// The groups of one step, and the relative change of the light within it.
fn points_of(step: &Step, reference_s: f64, usable: &[bool], full_scale: f64) -> (Vec<Point>, f64) {
    let in_range = |v: f64| v >= LEVELS[0] * full_scale && v <= LEVELS[1] * full_scale;
    let mut pixels: Vec<(f64, f64)> = Vec::new();
    let (mut before, mut after) = (0.0, 0.0);
    for (i, signal) in step.signal.iter().enumerate() {
        let (Some(a), Some(b)) = (step.before.get(i), step.after.get(i)) else { continue };
        let reference = 0.5 * (a + b);
        if usable.get(i) == Some(&true) && in_range(*signal) && in_range(reference) {
            pixels.push((*signal, reference));
            before += a;
            after += b;
        }
    }
    if pixels.len() < GROUP_MIN {
        return (Vec::new(), 0.0);
    }
    let change = (after / before - 1.0).abs();
    pixels.sort_by(|a, b| a.0.total_cmp(&b.0));
    let size = pixels.len().div_ceil(GROUPS).max(GROUP_MIN);
    let groups: Vec<&[(f64, f64)]> = pixels.chunks(size).filter(|g| g.len() >= GROUP_MIN).collect();
    // The light of a step is common to its groups, which are treated as independent.
    let of_light = change / 12f64.sqrt() * (groups.len() as f64).sqrt();
    let point = |group: &&[(f64, f64)]| {
        let n = group.len() as f64;
        let logs: Vec<f64> =
            group.iter().map(|(m, r)| (m / r).ln() - (step.integration_s / reference_s).ln()).collect();
        let middle = median(logs.clone())?;
        let spread = 1.4826 * median(logs.iter().map(|l| (l - middle).abs()).collect())?;
        Some(Point {
            integration_s: step.integration_s,
            log_ratio: middle,
            counts: group.iter().map(|p| p.0).sum::<f64>() / n,
            reference: group.iter().map(|p| p.1).sum::<f64>() / n,
            uncertainty: (1.2533f64 * spread / n.sqrt()).hypot(of_light).hypot(FLOOR),
        })
    };
    (groups.iter().filter_map(point).collect(), change)
}

/// What the parameters predict for a point.
fn model(p: &Point, reference_s: f64, time: f64, coefficient: f64) -> f64 {
    ((1.0 + time / p.integration_s) / (1.0 + time / reference_s)).ln()
        + ((1.0 + coefficient * p.counts) / (1.0 + coefficient * p.reference)).ln()
}

/// Parameters (time [s], coefficient [1/count]), their variances, and the mean square of the weighted residuals with the largest
/// residual; by Gauss and Newton from zero.
fn fit(points: &[Point], reference_s: f64) -> Option<([f64; 2], [f64; 2], [f64; 2])> {
    let (mut time, mut coefficient) = (0.0, 0.0);
    let mut variances = [f64::NAN; 2];
    for _ in 0..8 {
        let [mut aa, mut ab, mut bb, mut ra, mut rb] = [0.0; 5];
        for p in points {
            let weight = p.uncertainty.powi(-2);
            let a = 1.0 / (p.integration_s + time) - 1.0 / (reference_s + time);
            let b = p.counts / (1.0 + coefficient * p.counts) - p.reference / (1.0 + coefficient * p.reference);
            let rest = p.log_ratio - model(p, reference_s, time, coefficient);
            aa += weight * a * a;
            ab += weight * a * b;
            bb += weight * b * b;
            ra += weight * a * rest;
            rb += weight * b * rest;
        }
        let determinant = aa * bb - ab * ab;
        if !(determinant > 1e-9 * aa * bb) {
            return None;
        }
        time += (bb * ra - ab * rb) / determinant;
        coefficient += (aa * rb - ab * ra) / determinant;
        variances = [bb / determinant, aa / determinant];
    }
    let rest = |p: &Point| p.log_ratio - model(p, reference_s, time, coefficient);
    let squares: f64 = points.iter().map(|p| (rest(p) / p.uncertainty).powi(2)).sum();
    let largest = points.iter().map(|p| rest(p).abs()).fold(0.0, f64::max);
    let freedom = points.len().saturating_sub(2).max(1) as f64;
    Some(([time, coefficient], variances, [squares / freedom, largest]))
}

#[cfg(test)]
#[path = "linearity_tests.rs"]
mod tests;
