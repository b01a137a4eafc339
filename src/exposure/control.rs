//! Exposure control: from the statistics of a frame to the integration time of the next one.
//!
//! Aims at the target level for the brightest pixel that has to stay below saturation. Below saturation the measured rate
//! predicts the time. A clipped frame gives only a lower bound of the peak, so its unclipped pixels are compared with
//! the last known spectral shape; where nothing unclipped is left to compare, the step down is a large known factor.
//! Times are kept while the peak level stays in a wide band, so that small changes of light do not need new darks.

use super::frame_statistics::FrameStatistics;
use super::setup::ExposureSetup;
use crate::record::whole_half_cycles;
use serde::{Deserialize, Serialize};

/// Band, in shares of the target level, within which an integration time is kept.
const KEEP_BAND: std::ops::RangeInclusive<f64> = 0.6..=1.15;
/// Share of the range below saturation up to which the shortest whole half-cycle is preferred to a shorter time [1].
const HALF_CYCLE_LEVEL: f64 = 0.92;
/// Step down when a clipped frame does not show how bright the light is.
const BLIND_STEP: f64 = 100.0;
/// The same when nearly every pixel in use is affected by saturation.
const BLIND_STEP_ALL: f64 = 1000.0;
/// Share of the target level a window aims at: it holds on to its time while clouds come and go, and sunlit cloud edges
/// add a third to the light.
const WINDOW_AIM: f64 = 0.65;
/// Share of the target at which a peak estimated from unclipped pixels is aimed.
const ESTIMATE_AIM: f64 = 0.75;
/// Peak level of a frame from which on its spectral shape is worth remembering [1].
const SHAPE_LEVEL: f64 = 0.15;
/// Counts a stuck pixel has to fall below, as a share of saturation, to be believed again [1].
const UNSTUCK: f64 = 0.2;

/// State of exposure control, from reading to reading and over restarts.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct ExposureState {
    /// Integration time for the short bracket of the next reading [s].
    pub short_s: Option<f64>,
    /// Integration time of the last ultraviolet bracket [s].
    pub long_s: Option<f64>,
    /// Last rate of the brightest pixel above the offset [counts/s].
    pub peak_rate: Option<f64>,
    /// Mean rate of each block of pixels over the peak rate [1], from the last well exposed frame; empty before.
    pub shape: Vec<f32>,
    /// Pixels that are clipped whatever the light, ascending. They do not steer; they stay on record as clipped.
    pub stuck: Vec<u16>,
}

/// What to do with an exposure of the short bracket.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Step {
    /// Use it.
    Accept,
    /// It clipped, or is far too dark: expose again with this integration time [s].
    Retry(f64),
}

impl ExposureState {
    /// Integration time of a reading's first exposure [s]: the last one, or the shortest, which the fewest lights clip.
    pub fn first_s(&self, setup: &ExposureSetup) -> f64 {
        match self.short_s {
            Some(t) if t > 0.0 => setup.grid.floor(t.min(setup.longest_short_s())),
            _ => setup.grid.shortest(),
        }
    }

    /// Counts above the offset, made linear, that the brightest pixel is to have.
    fn target(setup: &ExposureSetup, frame: &FrameStatistics) -> f64 {
        let full = f64::from(setup.detector.full_scale);
        let aim = if setup.window_s.is_some() { WINDOW_AIM } else { 1.0 };
        setup.linear((aim * setup.exposure.target_level * full - frame.offset).max(0.05 * full))
    }

    /// The best integration time for the light an exposure met [s], of those up to `longest`, taken at `current`.
    pub(super) fn best_s(&self, setup: &ExposureSetup, frame: &FrameStatistics, current: f64, longest: f64) -> f64 {
        if frame.is_affected() {
            return self.shorter_s(setup, frame, current);
        }
        let longest = setup.grid.floor(longest);
        let target = Self::target(setup, frame);
        let clean = |t: f64| whole_half_cycles(t, setup.mains_hz);
        let by_rate = if frame.peak_rate > 0.0 { target / frame.peak_rate } else { longest };
        let mut choice = setup.grid.floor(by_rate.min(longest));
        if !clean(choice) {
            // A half-cycle that is fuller than aimed at, but safely unclipped, is better than ripple.
            let room = setup.linear(HALF_CYCLE_LEVEL * (setup.saturation_counts - frame.offset));
            let half = setup.grid.times().iter().copied().find(|t| clean(*t) && *t <= longest);
            choice = half.filter(|h| frame.peak_rate * h < room).unwrap_or(choice);
        }
        let keep = KEEP_BAND.contains(&(frame.peak_rate * current / target)) && current <= longest;
        if keep && (clean(current) || !clean(choice)) { current } else { choice }
    }

    /// A time short enough after a clipped frame [s].
    fn shorter_s(&self, setup: &ExposureSetup, frame: &FrameStatistics, current: f64) -> f64 {
        let target = Self::target(setup, frame);
        let wanted = match self.peak_from_shape(frame) {
            Some(rate) => ESTIMATE_AIM * target / rate.max(frame.peak_rate),
            None if frame.affected_share > 0.9 => current / BLIND_STEP_ALL,
            None => current / BLIND_STEP,
        };
        setup.grid.floor(wanted.min(setup.grid.below(current)))
    }

    /// Peak rate of a clipped frame [counts/s], from what its unclipped blocks see now and saw before.
    fn peak_from_shape(&self, frame: &FrameStatistics) -> Option<f64> {
        let mut estimates: Vec<f64> = frame
            .blocks
            .iter()
            .zip(&self.shape)
            .filter_map(|(rate, share)| {
                let (rate, share) = ((*rate)?, f64::from(*share));
                (rate > 5.0 * frame.block_noise && share > 1e-5).then(|| rate / share)
            })
            .collect();
        if estimates.is_empty() {
            return None;
        }
        estimates.sort_by(f64::total_cmp);
        // The colour of light changes with its strength: lean to the brighter answers.
        Some(estimates[estimates.len() * 3 / 4])
    }

    /// What to do with an exposure of the short bracket that was asked for at `current`, when up to `longest` is possible.
    pub(super) fn assess(&self, setup: &ExposureSetup, frame: &FrameStatistics, current: f64, longest: f64) -> Step {
        let best = self.best_s(setup, frame, current, longest);
        let worth_it = if frame.is_affected() {
            best < current * (1.0 - 1e-6)
        } else {
            // Brighter than aimed at but unclipped will do; the next reading will be shorter. Too dark is taken again.
            let at_current = frame.peak_rate * current / Self::target(setup, frame);
            best > current * 1.1 && !KEEP_BAND.contains(&at_current)
        };
        if worth_it { Step::Retry(best) } else { Step::Accept }
    }

    /// Learns from an exposure of the short bracket that was asked for at `current`.
    pub(super) fn learn(&mut self, setup: &ExposureSetup, frame: &FrameStatistics, counts: &[u32], current: f64) {
        self.short_s = Some(self.best_s(setup, frame, current, setup.longest_short_s()));
        self.peak_rate = Some(frame.peak_rate);
        if frame.is_affected() {
            return;
        }
        if frame.peak_level >= SHAPE_LEVEL && frame.peak_rate > 0.0 {
            self.shape = frame.blocks.iter().map(|b| (b.unwrap_or(0.0) / frame.peak_rate) as f32).collect();
        }
        let low = UNSTUCK * setup.saturation_counts;
        self.stuck.retain(|p| counts.get(usize::from(*p)).is_some_and(|c| f64::from(*c) >= low));
    }

    /// Integration time of the long (ultraviolet) bracket beside a short one of `short` [s], of at most `longest`; `None` when there
    /// is to be none, or it would not be longer than about twice the short one.
    pub(super) fn long_bracket_s(setup: &ExposureSetup, short: f64, longest: f64) -> Option<f64> {
        let wanted = (short * setup.exposure.bracket_ratio?).min(longest);
        let mut t = setup.grid.floor(wanted);
        if !whole_half_cycles(t, setup.mains_hz) {
            let half = setup.grid.times().iter().copied().find(|t| whole_half_cycles(*t, setup.mains_hz));
            t = half.filter(|h| *h <= 2.0 * wanted && *h <= longest).unwrap_or(t);
        }
        (t <= longest && t >= 2.0 * short).then_some(t)
    }
}
