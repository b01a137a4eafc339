//! Measures by how many frames an instrument is behind its settings, from a step of the integration time.
//!
//! A detector that runs freely answers with a frame that was begun with earlier settings. One exposure with the shortest time followed
//! by several with a longer one shows it: the frame with the short time comes with the exposure that it was requested with, or later.
//! Light or dark signal makes the step visible; where neither does, nothing is learned. Invariant: a lag is found only where two steps
//! agree on it.

use super::Session;
use crate::fault::Fault;
use crate::record::{Exposure, Shutter};

/// The longer integration times that are tried one after the other [s]: bright light shows the step at once, the dark signal in the
/// last one.
const LONGER_S: [f64; 3] = [0.02, 0.2, 2.0];
/// The longer time is at least this multiple of the shortest one [1].
const LEAST_RATIO: f64 = 10.0;
/// Exposures with the longer time.
const EXPOSURES: usize = 6;
/// Last exposures, with the longer time for certain: the largest lag that is found is the number of those before them.
const SETTLED: usize = 2;
/// Smallest step that counts as visible [standard deviations of the mean over all pixels].
const VISIBLE: f64 = 8.0;
/// Smallest standard deviation of that mean that is assumed [counts]: the offset drifts.
const LEAST_NOISE: f64 = 0.05;
/// A frame is one of the shorter time where its level is lower by more than this share of the step [1] …
const LOWER: f64 = 0.5;
/// … and one of the longer time where it differs by less than this share [1].
const EQUAL: f64 = 0.25;

impl Session {
    /// Measures the number of frames that come with earlier settings after a change of the integration time; `None` where neither
    /// light nor dark signal shows the change. Takes 7 exposures by day and up to 21, of 13 s together, in darkness.
    pub fn measure_lag(&mut self) -> Result<Option<u32>, Fault> {
        let detector = &self.facts()?.detector;
        let (short_s, most_s) = (detector.integration_min_s, detector.integration_max_s);
        for long_s in LONGER_S.map(|s| s.max(LEAST_RATIO * short_s)).into_iter().filter(|s| *s <= most_s) {
            match self.lag_of_step(short_s, long_s)? {
                None => {}
                Some(0) => return Ok(Some(0)),
                found => return Ok(self.lag_of_step(short_s, long_s)?.filter(|again| Some(*again) == found)),
            }
        }
        Ok(None)
    }

    fn lag_of_step(&mut self, short_s: f64, long_s: f64) -> Result<Option<u32>, Fault> {
        let mut exposures = vec![self.expose(short_s, Shutter::Open)?];
        for _ in 0..EXPOSURES {
            exposures.push(self.expose(long_s, Shutter::Open)?);
        }
        // A retry may have exposed again, so that frames and requests no longer correspond.
        if exposures.iter().any(|e| e.rereads > 0) {
            return Ok(None);
        }
        let levels: Vec<f64> = exposures.iter().map(level).collect();
        let noise = match &exposures[exposures.len() - SETTLED..] {
            [a, b] => noise_of_level(a, b),
            _ => LEAST_NOISE,
        };
        Ok(lag_in(&levels, noise))
    }
}

/// Mean counts over all pixels.
fn level(exposure: &Exposure) -> f64 {
    let sum: f64 = exposure.counts.iter().map(|c| f64::from(*c)).sum();
    sum / exposure.counts.len().max(1) as f64
}

/// Standard deviation of [`level`] [counts], from two exposures with the same settings.
fn noise_of_level(a: &Exposure, b: &Exposure) -> f64 {
    let mut differences: Vec<u32> = a.counts.iter().zip(&b.counts).map(|(a, b)| a.abs_diff(*b)).collect();
    differences.sort_unstable();
    let median = differences.get(differences.len() / 2).copied().unwrap_or(0);
    // Of normal deviates, the median of the absolute difference is 0.954 standard deviations.
    (f64::from(median) / 0.954 / (differences.len().max(1) as f64).sqrt()).max(LEAST_NOISE)
}

/// The place of the frame with the shorter time among the levels of frames; the first was requested with the shorter time and all
/// others with the longer one. `None` where no step is visible, or the light changed meanwhile.
fn lag_in(levels: &[f64], noise: f64) -> Option<u32> {
    let (before, settled) = levels.split_at_checked(levels.len().checked_sub(SETTLED)?)?;
    let longer = settled.iter().sum::<f64>() / settled.len() as f64;
    let lowest = before.iter().copied().fold(f64::INFINITY, f64::min);
    let step = longer - lowest;
    if !(step > VISIBLE * noise) {
        return None;
    }
    let place = before.iter().rposition(|level| longer - level > LOWER * step)?;
    let equal = |level: &f64| (level - longer).abs() < EQUAL * step;
    let followed = before[place + 1..].iter().chain(settled).all(equal);
    followed.then_some(u32::try_from(place).ok()?)
}

#[cfg(test)]
mod tests {
    use super::lag_in;

    /// Identity: the place of the short frame. Frames before it are of any settings.
    #[test]
    fn the_lag_is_the_place_of_the_short_frame() {
        for (levels, lag) in [
            ([1200.0, 5000.0, 5010.0, 4990.0, 5000.0, 5005.0, 5000.0], Some(0)),
            ([5000.0, 1200.0, 5010.0, 4990.0, 5000.0, 5005.0, 5000.0], Some(1)),
            ([1195.0, 1200.0, 5010.0, 4990.0, 5000.0, 5005.0, 5000.0], Some(1)),
            ([1200.0, 9000.0, 1200.0, 4990.0, 5000.0, 5005.0, 5000.0], Some(2)),
            ([5000.0, 5000.0, 5000.0, 5000.0, 1200.0, 5005.0, 5000.0], Some(4)),
            // A light that goes out, and no light at all.
            ([1200.0, 5000.0, 5000.0, 1200.0, 1200.0, 1200.0, 1200.0], None),
            ([1200.0, 1200.1, 1199.9, 1200.0, 1200.0, 1200.1, 1200.0], None),
            ([1200.0, 2000.0, 3000.0, 4000.0, 5000.0, 6000.0, 7000.0], None),
        ] {
            assert_eq!(lag_in(&levels, 0.2), lag, "{levels:?}");
        }
        assert_eq!((lag_in(&[], 0.2), lag_in(&[1200.0, 5000.0], 0.2)), (None, None));
    }
}
