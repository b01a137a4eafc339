//! Single levels: which frames after a change of integration time are old ones, where counts clip, which pixels see no light.

use super::estimate::Estimate;
use crate::numeric::median;

/// Share of the step between two levels by which a frame may miss the new level and still count as new [1].
const SETTLED: f64 = 0.25;
/// Deviation from the linear law that ends the usable range [1].
const DEVIATION_MAX: f64 = 0.01;
/// Lit neighbours that a pixel is compared with, on either side.
const NEIGHBOURS: usize = 5;

/// Number of frames after a change of integration time that still have the old one: `old` is the level before the change, `levels`
/// those of the frames after it [counts, dark subtracted]. `None` where the two levels do not differ by a fifth.
pub fn frame_lag(old: f64, levels: &[f64]) -> Option<usize> {
    let new = *levels.last()?;
    if !((old - new).abs() > 0.2 * old.abs().max(new.abs())) {
        return None;
    }
    let is_old = |level: &f64| (level - new).abs() > SETTLED * (old - new).abs();
    Some(levels.iter().rposition(is_old).map_or(0, |last| last + 1))
}

/// Where counts end.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Saturation {
    /// Highest count that was seen.
    pub highest_counts: u32,
    /// Pixels with exactly that count in one frame.
    pub pixels_at_highest: usize,
    /// Whether it is the level at which counts are clipped: several pixels, and longer exposures do not raise it.
    pub clips: bool,
    /// Highest counts up to which the signal follows the linear law within 1 %; `None` where the series does not show it.
    pub linear_up_to_counts: Option<f64>,
}

/// A frame of the series of rising integration times.
#[derive(Clone, Debug)]
pub struct Rising {
    /// Integration time [s].
    pub integration_s: f64,
    /// Counts of the pixels.
    pub counts: Vec<u32>,
    /// What the pixels read without light [counts].
    pub dark: Vec<f64>,
}

/// Evaluates frames of rising integration time. `rates`: signal of each pixel at a moderate level over its integration time
/// (with the offset of time) [linear counts/s]; `law`: coefficient c [1/count] and offset of time [s].
pub fn saturation(frames: &[Rising], rates: &[f64], usable: &[bool], law: (f64, f64)) -> Option<Saturation> {
    let highest_counts = *frames.iter().flat_map(|f| &f.counts).max()?;
    let at = |f: &Rising| f.counts.iter().filter(|c| **c == highest_counts).count();
    let pixels_at_highest = frames.iter().map(at).max().unwrap_or_default();
    let last_two = frames.iter().rev().take(2).filter(|f| at(f) > 0).count();
    let clips = pixels_at_highest >= 5 && last_two == 2;
    Some(Saturation {
        highest_counts,
        pixels_at_highest,
        clips,
        linear_up_to_counts: linear_up_to(frames, rates, usable, law, f64::from(highest_counts)),
    })
}

/// The first level, in steps of 1 % of the highest count, at which the median pixel deviates from the linear law.
fn linear_up_to(frames: &[Rising], rates: &[f64], usable: &[bool], (c, t0): (f64, f64), highest: f64) -> Option<f64> {
    let mut steps: Vec<Vec<f64>> = vec![Vec::new(); 101];
    for frame in frames {
        for (i, count) in frame.counts.iter().enumerate() {
            let expected = rates.get(i).copied().unwrap_or_default() * (frame.integration_s + t0);
            if usable.get(i) != Some(&true) || !(expected > 0.2 * highest) {
                continue;
            }
            let signal = f64::from(*count) - frame.dark[i];
            let step = (100.0 * f64::from(*count) / highest) as usize;
            steps[step.min(100)].push(signal / (1.0 + c * signal) / expected);
        }
    }
    let medians = steps.into_iter().enumerate().filter(|(step, of_step)| *step >= 30 && of_step.len() >= 5);
    let mut reached = None;
    for (step, of_step) in medians {
        if (median(of_step)? - 1.0).abs() > DEVIATION_MAX {
            return reached;
        }
        reached = Some(highest * step as f64 / 100.0);
    }
    reached
}

/// Lit pixels whose signal is less than a third of that of the neighbours.
pub fn dead_pixels(signal: &[f64], lit: &[bool], noise_counts: f64) -> Vec<usize> {
    let is_lit = |i: usize| lit.get(i) == Some(&true);
    let neighbours = |i: usize| {
        let range = i.saturating_sub(NEIGHBOURS)..(i + NEIGHBOURS + 1).min(signal.len());
        median(range.filter(|j| *j != i && is_lit(*j)).map(|j| signal[j]).collect())
    };
    let is_dead = |i: &usize| {
        is_lit(*i) && neighbours(*i).is_some_and(|n| n > 20.0 * noise_counts.max(1.0) && signal[*i] < n / 3.0)
    };
    (0..signal.len()).filter(is_dead).collect()
}

/// Relative standard deviation of repeated totals of equal exposures [1], and their drift from first to last.
pub fn steadiness(totals: &[f64]) -> Option<(f64, f64)> {
    let n = totals.len() as f64;
    let mean = totals.iter().sum::<f64>() / n;
    let (first, last) = (totals.first()?, totals.last()?);
    if totals.len() < 3 || !(mean > 0.0) {
        return None;
    }
    let squares: f64 = totals.iter().map(|t| (t / mean - 1.0).powi(2)).sum();
    Some(((squares / (n - 1.0)).sqrt(), last / first - 1.0))
}

/// Time of a transfer: the median of durations less their integration times [s].
pub fn transfer(durations: &[(f64, f64)]) -> Option<Estimate> {
    let rests: Vec<f64> = durations.iter().map(|(took, integration)| took - integration).collect();
    super::estimate::median_estimate(&rests)
}

#[cfg(test)]
#[path = "levels_tests.rs"]
mod tests;
