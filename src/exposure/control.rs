//! Exposure control: computes the integration time of the next exposure from the statistics of the last one.
//!
//! The target level is that of the brightest pixel that has to stay below saturation. An unclipped frame gives the rate of
//! that pixel, and with it the time. A clipped frame gives only a lower bound of the rate; it is then estimated from the
//! unclipped pixels and the last known spectral shape, and where no pixel is usable, the time is reduced by a large fixed
//! factor. A time is kept while the peak level stays within a wide band, so that small changes of light need no new darks.
//! Pure.

use super::frame_statistics::FrameStatistics;
use super::setup::ExposureSetup;
use crate::record::whole_half_cycles;
use serde::{Deserialize, Serialize};

/// Band of the peak signal, in shares of the target, within which an integration time is kept [1].
const KEEP_BAND: std::ops::RangeInclusive<f64> = 0.6..=1.15;
/// Signal, as a share of the range up to saturation, below which the shortest time of whole half-cycles is preferred to a
/// shorter time [1].
const HALF_CYCLE_LEVEL: f64 = 0.92;
/// Factor by which the time is reduced after a clipped frame that allows no estimate of the rate [1].
const BLIND_STEP: f64 = 100.0;
/// The same where more than [`NEARLY_ALL`] of the pixels in use are affected by saturation [1].
const BLIND_STEP_ALL: f64 = 1000.0;
/// Share of the pixels in use [1].
const NEARLY_ALL: f64 = 0.9;
/// Share of the target level that a window aims at [1]: its time is not adapted to passing clouds, and sunlit cloud edges
/// add a third to the light.
const WINDOW_AIM: f64 = 0.65;
/// Share of the target that is aimed at with a rate estimated from unclipped pixels [1].
const ESTIMATE_AIM: f64 = 0.75;
/// Lowest peak level of a frame whose spectral shape is stored [1].
const SHAPE_LEVEL: f64 = 0.15;
/// A stuck pixel with counts below this share of the saturation limit is no longer treated as stuck [1].
const NO_LONGER_STUCK: f64 = 0.2;

/// State of exposure control between readings, saved over restarts.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct ExposureState {
    /// Integration time for the short bracket of the next reading [s].
    pub short_s: Option<f64>,
    /// Integration time of the last ultraviolet bracket [s].
    pub long_s: Option<f64>,
    /// Last rate of the brightest pixel above the offset [counts/s].
    pub peak_rate: Option<f64>,
    /// Spectral shape: mean rate of each block of pixels over the peak rate [1], from the last well exposed frame; empty
    /// before the first.
    pub shape: Vec<f32>,
    /// Pixels that are clipped in any light, ascending. Exposure control ignores them; frames list them as clipped.
    pub stuck: Vec<u16>,
}

/// The decision on an exposure of the short bracket.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Decision {
    /// Use it.
    Accept,
    /// It is clipped or far too dark: expose again with this integration time [s].
    Retry(f64),
}

impl ExposureState {
    /// Integration time of a reading's first exposure [s]: that of the last reading, or the shortest, which clips least.
    pub fn first_s(&self, setup: &ExposureSetup) -> f64 {
        match self.short_s {
            Some(t) if t > 0.0 => setup.grid.floor(t.min(setup.longest_short_s())),
            _ => setup.grid.shortest(),
        }
    }

    /// Target signal of the brightest pixel [counts above the offset, linearised].
    fn target(setup: &ExposureSetup, frame: &FrameStatistics) -> f64 {
        let full = f64::from(setup.detector.full_scale);
        let aim = if setup.window_s.is_some() { WINDOW_AIM } else { 1.0 };
        setup.linear((aim * setup.exposure.target_level * full - frame.offset).max(0.05 * full))
    }

    /// Best integration time, at most `longest` [s], for the light of an exposure that was requested with `current` [s].
    pub(super) fn best_s(&self, setup: &ExposureSetup, frame: &FrameStatistics, current: f64, longest: f64) -> f64 {
        if frame.is_affected() {
            return self.shorter_s(setup, frame, current);
        }
        let longest = setup.grid.floor(longest);
        let target = Self::target(setup, frame);
        let is_whole = |t: f64| whole_half_cycles(t, setup.mains_hz);
        let by_rate = if frame.peak_rate > 0.0 { target / frame.peak_rate } else { longest };
        let mut choice = setup.grid.floor(by_rate.min(longest));
        if !is_whole(choice) {
            // A signal above the target but safely below saturation is better than mains ripple.
            let highest = setup.linear(HALF_CYCLE_LEVEL * (setup.saturation_counts - frame.offset));
            let half = setup.grid.times().iter().copied().find(|t| is_whole(*t) && *t <= longest);
            choice = half.filter(|h| frame.peak_rate * h < highest).unwrap_or(choice);
        }
        let keep = KEEP_BAND.contains(&(frame.peak_rate * current / target)) && current <= longest;
        if keep && (is_whole(current) || !is_whole(choice)) { current } else { choice }
    }

    /// Integration time after a clipped frame [s]; shorter than `current`.
    fn shorter_s(&self, setup: &ExposureSetup, frame: &FrameStatistics, current: f64) -> f64 {
        let target = Self::target(setup, frame);
        let wanted = match self.peak_from_shape(frame) {
            Some(rate) => ESTIMATE_AIM * target / rate.max(frame.peak_rate),
            None if frame.affected_share > NEARLY_ALL => current / BLIND_STEP_ALL,
            None => current / BLIND_STEP,
        };
        setup.grid.floor(wanted.min(setup.grid.below(current)))
    }

    /// Peak rate of a clipped frame [counts/s], estimated from its unclipped blocks and the stored spectral shape; `None`
    /// where no block is usable.
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
        // The spectral shape of light changes with its level: the upper quartile is less likely to clip again.
        Some(estimates[estimates.len() * 3 / 4])
    }

    /// Decides on an exposure of the short bracket that was requested with `current` [s]; another may take `longest` [s].
    pub(super) fn decide(
        &self,
        setup: &ExposureSetup,
        frame: &FrameStatistics,
        current: f64,
        longest: f64,
    ) -> Decision {
        let best = self.best_s(setup, frame, current, longest);
        let retry = if frame.is_affected() {
            best < current * (1.0 - 1e-6)
        } else {
            // A signal above the band is used while unclipped: the next reading is shorter. One below it is repeated.
            let at_current = frame.peak_rate * current / Self::target(setup, frame);
            best > current * 1.1 && !KEEP_BAND.contains(&at_current)
        };
        if retry { Decision::Retry(best) } else { Decision::Accept }
    }

    /// Updates the state from an exposure of the short bracket that was requested with `current` [s].
    pub(super) fn update(&mut self, setup: &ExposureSetup, frame: &FrameStatistics, counts: &[u32], current: f64) {
        self.short_s = Some(self.best_s(setup, frame, current, setup.longest_short_s()));
        self.peak_rate = Some(frame.peak_rate);
        if frame.is_affected() {
            return;
        }
        if frame.peak_level >= SHAPE_LEVEL && frame.peak_rate > 0.0 {
            self.shape = frame.blocks.iter().map(|b| (b.unwrap_or(0.0) / frame.peak_rate) as f32).collect();
        }
        let low = NO_LONGER_STUCK * setup.saturation_counts;
        self.stuck.retain(|p| counts.get(usize::from(*p)).is_some_and(|c| f64::from(*c) >= low));
    }

    /// Integration time of the long (ultraviolet) bracket, at most `longest` [s], for a short bracket of `short` [s]. `None`
    /// where none is configured, or it would be shorter than twice the short one.
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
