//! Detects a converter that clips below its declared full scale.
//!
//! Such a detector answers with a plausible spectrum whose top is cut off, and exposure control, which waits for a higher level,
//! lengthens the exposure until the top is flat. Three observations show it: adjacent pixels with the same highest counts, which noise
//! excludes; the same highest counts again and again; and pixels that do not follow the integration time while others do.
//! Pure. Looks at light exposures only. Invariants:
//!
//! - one exposure is evidence only where noise explains it with a probability below 1e-9;
//! - pixels that read higher than the clipping level in use refute it.

use super::frame_statistics::offset_and_scatter;
use super::setup::ExposureSetup;
use crate::numeric::upper_median;
use crate::record::{Exposure, Frame};

/// Decimal logarithm of the probability with which noise may explain the equal counts of one exposure [1].
const CHANCE: f64 = -9.0;
/// The noise may be so many times smaller than stated [1].
const NOISE_MARGIN: f64 = 4.0;
/// Probability that two values with noise of one count (standard deviation) are equal: 1 / (2 √π) [1].
const EQUAL_BY_CHANCE: f64 = 0.282;
/// Lowest signal that can be clipped, as a share of the declared full scale [1].
const LOWEST_SIGNAL: f64 = 0.02;
/// Adjacent equal maxima that are remembered, to be seen again.
const SHORT_RUN: usize = 3;
/// Exposures with the same highest counts in a short run that show a clipping level.
const SEEN: u32 = 3;
/// Pixels above the clipping level in use that refute it: a particle hits one or two.
const REFUTING: usize = 3;
/// Smallest ratio of the integration times that are compared [1].
const LEAST_RATIO: f64 = 1.5;
/// A pixel that has less than this share of the growth of the others does not follow the integration time [1].
const NOT_GROWN: f64 = 0.7;
/// Pixels that do not follow it read at least this share of the highest counts, and those they are compared with at most the other [1].
const TOP: f64 = 0.955;
const BELOW_TOP: f64 = 0.8;
/// Fewest pixels that do not follow the integration time, and that do.
const LEAST_FLAT: usize = 8;
const LEAST_GROWN: usize = 30;
/// Smallest signal of a pixel that is compared [standard deviations of its noise].
const SIGNIFICANT: f64 = 20.0;

/// What an exposure shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Clipping {
    /// The converter clips at these counts.
    At(u32),
    /// It does not clip below these counts, although that was assumed.
    NotBelow(u32),
}

/// The exposures of one instrument.
#[derive(Clone, Debug, Default)]
pub struct ClippingDetector {
    /// Highest counts of a short run of equal maxima, and the number of exposures with them.
    seen: Option<(u32, u32)>,
    /// The last exposure of this reading with another integration time.
    before: Option<Exposure>,
    last: Option<Exposure>,
}

impl ClippingDetector {
    /// A reading begins: its exposures are not compared with those before it.
    pub fn begin(&mut self) {
        (self.before, self.last) = (None, None);
    }

    /// Examines a light exposure; `stuck` pixels (ascending) are left out. declared: full scale by the detector's answer [counts].
    pub fn observe(
        &mut self,
        setup: &ExposureSetup,
        declared: u32,
        exposure: &Exposure,
        stuck: &[u16],
    ) -> Option<Clipping> {
        let light = |i: &usize| !setup.pixels.shielded.get(*i).is_some_and(|s| *s) && !is_stuck(stuck, *i);
        let counts = &exposure.counts;
        let in_use = setup.detector.full_scale;
        if in_use < declared {
            let above = (0..counts.len()).filter(|i| counts[*i] > in_use && light(i)).count();
            if above >= REFUTING {
                let highest = (0..counts.len()).filter(light).map(|i| counts[i]).max()?;
                return Some(Clipping::NotBelow(highest));
            }
        }
        let found =
            self.equal_maxima(setup, declared, counts, &light).or_else(|| self.flat_top(setup, exposure, &light));
        if self.last.as_ref().is_some_and(|l| !Frame::same_integration(l.integration_s, exposure.integration_s)) {
            self.before = self.last.take();
        }
        self.last = Some(exposure.clone());
        found.filter(|counts| *counts < setup.clipped_from()).map(Clipping::At)
    }

    /// Counts at which adjacent pixels have the same highest counts, although there is noise.
    fn equal_maxima(
        &mut self,
        setup: &ExposureSetup,
        declared: u32,
        counts: &[u32],
        light: &impl Fn(&usize) -> bool,
    ) -> Option<u32> {
        let highest = (0..counts.len()).filter(light).map(|i| counts[i]).max()?;
        let run = longest_run(counts, highest);
        if run < SHORT_RUN || highest >= setup.clipped_from() {
            return None;
        }
        let signal = f64::from(highest) - offset_and_scatter(setup, counts).0;
        if signal < LOWEST_SIGNAL * f64::from(declared) {
            return None;
        }
        let noise = setup.noise.read_noise_counts.hypot((signal / setup.noise.electrons_per_count.max(1e-3)).sqrt());
        // Converters of fewer bits may answer in steps of several counts.
        let steps = (noise / NOISE_MARGIN / f64::from(step_of(counts))).max(2.0 * EQUAL_BY_CHANCE);
        let one_more = (EQUAL_BY_CHANCE / steps).log10();
        if (run - 1) as f64 * one_more <= CHANCE {
            return Some(highest);
        }
        let times = self.seen.filter(|(counts, _)| *counts == highest).map_or(1, |(_, times)| times + 1);
        self.seen = Some((highest, times));
        let by_chance = f64::from(SEEN) * (run - 1) as f64 * one_more;
        (times >= SEEN && by_chance <= CHANCE).then_some(highest)
    }

    /// Counts above which pixels do not follow the integration time, while those below do: a converter whose clipping level has noise.
    fn flat_top(&self, setup: &ExposureSetup, exposure: &Exposure, light: &impl Fn(&usize) -> bool) -> Option<u32> {
        let other = [&self.last, &self.before]
            .into_iter()
            .flatten()
            .find(|e| !Frame::same_integration(e.integration_s, exposure.integration_s))?;
        let shorter = other.integration_s < exposure.integration_s;
        let (short, long) = if shorter { (other, exposure) } else { (exposure, other) };
        let ratio = long.integration_s / short.integration_s.max(1e-9);
        if ratio < LEAST_RATIO || short.counts.len() != long.counts.len() {
            return None;
        }
        let offsets = [short, long].map(|e| offset_and_scatter(setup, &e.counts).0);
        let clipped_from = setup.clipped_from();
        let noise = |signal: f64| {
            setup.noise.read_noise_counts.hypot((signal / setup.noise.electrons_per_count.max(1e-3)).sqrt())
        };
        // Counts of the long exposure, and its growth over what the short one predicts.
        let growth = |i: usize| {
            let (a, b) = (f64::from(short.counts[i]) - offsets[0], f64::from(long.counts[i]) - offsets[1]);
            (a > SIGNIFICANT * noise(a.max(0.0))).then(|| (long.counts[i], b / (a * ratio)))
        };
        let is_used = |i: &usize| light(i) && setup.pixels.in_use.get(*i) == Some(&true);
        let is_unclipped = |i: &usize| short.counts[*i] < clipped_from && long.counts[*i] < clipped_from;
        let pixels: Vec<(u32, f64)> =
            (0..short.counts.len()).filter(|i| is_used(i) && is_unclipped(i)).filter_map(growth).collect();
        let top = f64::from(pixels.iter().map(|(counts, _)| *counts).max()?);
        let mut grown: Vec<f64> =
            pixels.iter().filter(|(c, _)| f64::from(*c) < BELOW_TOP * top).map(|(_, growth)| *growth).collect();
        if grown.len() < LEAST_GROWN {
            return None;
        }
        let typical = upper_median(&mut grown)?;
        let is_flat = |(_, growth): &&(u32, f64)| *growth < NOT_GROWN * typical;
        let flat: Vec<u32> = pixels.iter().filter(is_flat).map(|(counts, _)| *counts).collect();
        let all_at_the_top = flat.iter().all(|counts| f64::from(*counts) >= TOP * top);
        (flat.len() >= LEAST_FLAT && typical > 0.0 && all_at_the_top).then_some(top as u32)
    }
}

fn is_stuck(stuck: &[u16], pixel: usize) -> bool {
    u16::try_from(pixel).is_ok_and(|p| stuck.binary_search(&p).is_ok())
}

/// Length of the longest run of adjacent pixels with these counts.
fn longest_run(counts: &[u32], value: u32) -> usize {
    counts.split(|c| *c != value).map(<[u32]>::len).max().unwrap_or(0)
}

/// Greatest common divisor of all counts: the step of the converter in its answers [counts].
fn step_of(counts: &[u32]) -> u32 {
    let divisor = |mut a: u32, mut b: u32| {
        while b != 0 {
            (a, b) = (b, a % b);
        }
        a
    };
    counts.iter().fold(0, |step, c| divisor(step, *c)).max(1)
}

#[cfg(test)]
mod tests;
