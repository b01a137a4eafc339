//! Ripple of lamps on the mains in exposures that are not multiples of the half-cycle.
//!
//! Lamps ripple at twice the mains frequency. The light of a short exposure depends on its phase, so the exposures of a frame
//! begin at random phases and their mean is a sample mean. Its uncertainty follows from how far the recorded phases cover the
//! cycle, and from the variation between consecutive exposures in ranges of pixels, because the spectrum of lamps differs from
//! that of the sun. Pure.
//!
//! Invariants: exposures in phase with the ripple never count as covering the cycle; slow changes of the light (clouds, path of
//! the sun) contribute little to the variation, which is computed from differences between consecutive exposures.

use super::frame::{Exposure, Frame};
use super::integration_grid::whole_half_cycles;
use std::ops::Range;

/// Number of equal ranges of pixels for which the variation is stored.
pub const RIPPLE_RANGES: usize = 32;
/// Minimum number of exposures from which the ripple of their mean can be estimated: with three degrees of freedom the variance
/// of Student's t is finite.
const LEAST_EXPOSURES: usize = 4;
/// Largest length of the mean of the phases, as unit vectors, that counts as covering the cycle [1]. Above it,
/// exposures near a peak of the ripple would differ little from each other and have a common error.
const COVERING: f64 = 0.7;

/// One period of the ripple [s]: half a cycle of the mains; `None` without mains.
pub fn ripple_period_s(mains_hz: f64) -> Option<f64> {
    (mains_hz > 0.0).then(|| 0.5 / mains_hz)
}

/// Whether lamps leave ripple in each exposure of a frame.
pub fn has_ripple(frame: &Frame, mains_hz: f64) -> bool {
    !whole_half_cycles(frame.integration_s, mains_hz)
}

/// Standard uncertainty of the mean of a frame's exposures due to ripple, in units of [`Frame::ripple`] [1]; `None` where the
/// recorded phases do not cover the cycle, so that the ripple cannot be estimated from the exposures.
///
/// For the ripple a·sin(φ) and phases whose unit vectors have a mean of length R, the variance of single exposures is s² =
/// a²/2·(1 − R²) and that of the error of their mean a²/2·R². Random phases have R² = 1/n in the mean. This is the lower limit,
/// because the ripple has harmonics and the mains frequency is not exactly the nominal one. The standard deviation of Student's t
/// allows for the estimate of s from few exposures.
pub fn mean_uncertainty(frame: &Frame, mains_hz: f64) -> Option<f64> {
    let n = frame.stamps.len();
    let squared = phase_concentration(frame, mains_hz)?;
    if n < LEAST_EXPOSURES || !(squared <= COVERING * COVERING) || frame.ripple.is_empty() {
        return None;
    }
    let freedom = (n - 1) as f64;
    Some((squared.max(1.0 / n as f64) / (1.0 - squared) * freedom / (freedom - 2.0)).sqrt())
}

/// Square of the length of the mean of the phases of the exposures as unit vectors [1]: 1 for exposures in phase, 0 for evenly
/// distributed ones.
fn phase_concentration(frame: &Frame, mains_hz: f64) -> Option<f64> {
    let period_us = ripple_period_s(mains_hz)? * 1e6;
    let angle = |t: i64| std::f64::consts::TAU * (t as f64).rem_euclid(period_us) / period_us;
    let origin = frame.stamps.first()?.start.0;
    let (sin, cos) = frame.stamps.iter().fold((0.0, 0.0), |(s, c), stamp| {
        let a = angle(stamp.start.0 - origin);
        (s + a.sin(), c + a.cos())
    });
    let n = frame.stamps.len() as f64;
    Some((sin * sin + cos * cos) / (n * n))
}

/// Pixels of one of the ranges of [`Frame::ripple`].
pub fn ripple_range(pixels: usize, k: usize) -> Range<usize> {
    k * pixels / RIPPLE_RANGES..(k + 1) * pixels / RIPPLE_RANGES
}

/// Standard deviation of the light of single exposures of a frame [counts, mean over the pixels of each range], from the
/// differences between consecutive exposures; empty for too few exposures.
///
/// Only the part correlated with the total over `used` pixels is counted, because all lamps ripple in phase; noise contributes
/// little. The value of a range whose light decreases when the total increases is negative.
pub fn exposure_variation(exposures: &[Exposure], used: &[bool]) -> Vec<f32> {
    let pixels = used.len();
    if exposures.len() < LEAST_EXPOSURES || exposures.iter().any(|e| e.counts.len() != pixels) {
        return Vec::new();
    }
    let sum = |e: &Exposure, range: Range<usize>| -> f64 {
        e.counts[range.clone()].iter().zip(&used[range]).filter(|(_, u)| **u).map(|(c, _)| f64::from(*c)).sum()
    };
    let sums: Vec<Vec<f64>> =
        exposures.iter().map(|e| (0..RIPPLE_RANGES).map(|k| sum(e, ripple_range(pixels, k))).collect()).collect();
    let totals: Vec<f64> = sums.iter().map(|s| s.iter().sum()).collect();
    let changes: Vec<f64> = totals.windows(2).map(|p| p[1] - p[0]).collect();
    let size = changes.iter().map(|d| d * d).sum::<f64>().sqrt();
    // The variance of a difference is twice that of one exposure.
    let per_exposure = size * (2.0 * changes.len() as f64).sqrt();
    (0..RIPPLE_RANGES)
        .map(|k| {
            let together: f64 = sums.windows(2).zip(&changes).map(|(p, d)| (p[1][k] - p[0][k]) * d).sum();
            let n = ripple_range(pixels, k).filter(|i| used[*i]).count();
            let variation = if n > 0 && per_exposure > 0.0 { together / per_exposure / n as f64 } else { 0.0 };
            // Rounded to a tenth of a count, which is far below the noise, for a short text.
            ((variation * 10.0).round() * 0.1) as f32
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::UtcMicros;
    use crate::record::{PixelRanges, Shutter, Stamp};
    use rand::{Rng, SeedableRng};

    const MAINS_HZ: f64 = 50.0;
    const PIXELS: usize = 64;
    /// Counts of lamp and sun in a pixel of one exposure.
    const LAMP: f64 = 20_000.0;
    const SUN: f64 = 10_000.0;
    const LENGTH_S: f64 = 0.0035;

    /// Mean of 1 + 0.3·sin over an exposure that begins at `t` [s].
    fn lamp(t: f64) -> f64 {
        let omega = std::f64::consts::TAU * 2.0 * MAINS_HZ;
        1.0 + 0.3 * ((omega * t).cos() - (omega * (t + LENGTH_S)).cos()) / (omega * LENGTH_S)
    }

    /// Exposures that begin at these instants [s]; the lamp is in the upper half of the pixels.
    fn exposures(starts: &[f64]) -> Vec<Exposure> {
        let counts = |t: f64| -> Vec<u32> {
            (0..PIXELS).map(|i| (SUN + if i >= PIXELS / 2 { LAMP * lamp(t) } else { 0.0 }).round() as u32).collect()
        };
        let exposure = |t: &f64| Exposure {
            start: UtcMicros(1_782_036_000_000_000 + (t * 1e6).round() as i64),
            integration_s: LENGTH_S,
            shutter: Shutter::Open,
            temperature_c: None,
            counts: counts(*t),
            crc32: 0,
            rereads: 0,
        };
        starts.iter().map(exposure).collect()
    }

    fn frame(exposures: &[Exposure]) -> Frame {
        let ripple = exposure_variation(exposures, &[true; PIXELS]);
        Frame { ripple, ..Frame::of(exposures, |_| false).expect("exposures") }
    }

    /// Independent: the errors of simulated means of 30 exposures at random phases, against what each states. Locked in phase the
    /// error is 17 % of the lamp without any variation, and nothing is stated.
    #[test]
    fn the_stated_ripple_of_a_mean_is_that_of_drawn_phases() {
        let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(5);
        let (n, draws) = (30, 400);
        let (mut errors, mut stated) = (0.0, 0.0);
        for _ in 0..draws {
            let starts: Vec<f64> = (0..n).map(|k| f64::from(k) * 0.41 + rng.random_range(0.0..0.01)).collect();
            let frame = frame(&exposures(&starts));
            let error = starts.iter().map(|t| lamp(*t)).sum::<f64>() / f64::from(n) - 1.0;
            let u = mean_uncertainty(&frame, MAINS_HZ).expect("thirty random phases cover the cycle")
                * f64::from(frame.ripple[RIPPLE_RANGES - 1])
                / LAMP;
            assert!(frame.ripple[0].abs() < 1.0, "the sun does not ripple: {}", frame.ripple[0]);
            errors += error * error / f64::from(draws);
            stated += u * u / f64::from(draws);
        }
        let (rms, stated) = (errors.sqrt(), stated.sqrt());
        assert!((0.028..0.034).contains(&rms), "errors of {rms}");
        assert!((1.0..1.3).contains(&(stated / rms)), "stated {stated}, drawn {rms}");

        let locked: Vec<f64> = (0..30).map(|k| f64::from(k) * 0.41 + 0.0007).collect();
        let all = frame(&exposures(&locked));
        assert!((lamp(locked[0]) - 1.0).abs() > 0.15 && all.ripple.iter().all(|r| r.abs() < 1.0));
        assert_eq!(mean_uncertainty(&all, MAINS_HZ), None);
    }

    /// The phases of few exposures, or of many within a small part of the cycle, do not cover it; evenly distributed ones do.
    #[test]
    fn only_phases_distributed_over_the_cycle_cover_it() {
        let at = |phases: &[f64]| -> Frame {
            let stamp = |p: &f64| Stamp { start: UtcMicros((p * 1e4).round() as i64 + 410_000), crc32: 0 };
            Frame {
                integration_s: LENGTH_S,
                shutter: Shutter::Open,
                temperature_c: None,
                stamps: phases.iter().map(stamp).collect(),
                sums: vec![1],
                clipped: PixelRanges::default(),
                light_variation: 0.0,
                ripple: vec![1.0; RIPPLE_RANGES],
                rejected: Vec::new(),
            }
        };
        let even: Vec<f64> = (0..10).map(|k| 0.1 * f64::from(k)).collect();
        let narrow: Vec<f64> = (0..10).map(|k| 0.02 * f64::from(k)).collect();
        assert!(mean_uncertainty(&at(&even), MAINS_HZ).is_some_and(|u| (0.3..0.45).contains(&u)));
        assert_eq!(mean_uncertainty(&at(&narrow), MAINS_HZ), None);
        assert_eq!(mean_uncertainty(&at(&[0.0, 0.3, 0.6]), MAINS_HZ), None);
        assert_eq!(mean_uncertainty(&Frame { ripple: Vec::new(), ..at(&even) }, MAINS_HZ), None);
    }

    /// Identity: steadily increasing light, as at the edge of a cloud, has a small variation between exposures.
    #[test]
    fn slow_changes_of_the_light_are_not_ripple() {
        let mut rising = exposures(&[0.0; 40]);
        for (k, e) in rising.iter_mut().enumerate() {
            e.counts.fill(10_000 + 100 * k as u32);
        }
        let variation = exposure_variation(&rising, &[true; PIXELS]);
        // The standard deviation of all exposures is 1170 counts.
        assert!(variation.iter().all(|v| (*v - 70.7).abs() < 0.1), "{variation:?}");
    }
}
