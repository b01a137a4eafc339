//! Spikes: features of single exposures that are no light.
//!
//! A particle that crosses the detector, or a wrong conversion, changes a few adjacent pixels of one exposure. Light cannot: through a
//! slit it covers as many pixels as the slit is wide. The exposures of a frame are scaled to a common level and compared; what one of
//! them has alone, narrower than the slit, is a spike. Pure. Invariants:
//!
//! - changes of the light, also of single lines, are as wide as the slit and never count as spikes;
//! - at least half of the exposures are kept; pixels whose spike is in a kept exposure are marked.

use super::frame::Exposure;
use super::pixel_ranges::dilate;

/// Smallest deviation of a spike [standard deviations].
const SIGNIFICANT: f64 = 8.0;
/// Widest spike at half of its height, as a share of the slit's width [1].
const OF_SLIT: f64 = 0.6;
/// The widest spike without a slit, in darks [pixels].
const WIDEST: usize = 8;
/// From so many exposures on, a pixel's own scatter is known from the others [1]: noisy pixels deviate often.
const SCATTER_FROM: usize = 4;
/// Two exposures whose pixels stand out from their neighbours alike, within this share of their difference, are told apart by sign [1].
const ALIKE: f64 = 0.25;

/// What exposures are compared with.
#[derive(Clone, Copy, Debug)]
pub struct SpikeTest<'a> {
    /// Pixels that are compared: not clipped in any of the exposures.
    pub compared: &'a [bool],
    /// Offset of each exposure [counts].
    pub offsets: &'a [f64],
    /// Width of the slit [pixels]; infinite in darks, which have no lines.
    pub slit_pixels: f64,
    /// Read noise of one exposure [counts].
    pub read_noise_counts: f64,
    /// Electrons per count.
    pub electrons_per_count: f64,
}

/// The spikes of exposures.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Spikes {
    /// The exposures to leave out, ascending.
    pub rejected: Vec<usize>,
    /// Pixels with a spike in an exposure that is kept, ascending.
    pub marked: Vec<usize>,
}

/// A spike in one exposure.
struct Spike {
    exposure: usize,
    first: usize,
    last: usize,
    height: f64,
}

/// Finds the spikes of exposures with equal settings; none in fewer than two.
pub fn spikes(exposures: &[&Exposure], test: &SpikeTest<'_>) -> Spikes {
    let widest = if test.slit_pixels.is_finite() { (OF_SLIT * test.slit_pixels) as usize } else { WIDEST };
    let pixels = test.compared.len();
    let comparable = exposures.iter().all(|e| e.counts.len() == pixels) && exposures.len() == test.offsets.len();
    if exposures.len() < 2 || widest == 0 || !comparable {
        return Spikes::default();
    }
    let levels = Levels::of(exposures, test);
    let mut kept: Vec<usize> = (0..exposures.len()).collect();
    let most = exposures.len() / 2;
    let mut found = Spikes::default();
    // A large spike raises the mean that others are compared with, so that smaller ones show only without it.
    loop {
        let mut spikes = levels.spikes(&kept, test, widest);
        spikes.sort_by(|a, b| b.height.abs().total_cmp(&a.height.abs()));
        let Some(highest) = spikes.first() else { break };
        if found.rejected.len() < most {
            kept.retain(|k| *k != highest.exposure);
            found.rejected.push(highest.exposure);
            if kept.len() >= 2 {
                continue;
            }
        }
        let left = spikes.iter().filter(|s| kept.contains(&s.exposure));
        found.marked.extend(left.flat_map(|s| s.first..=s.last));
        break;
    }
    found.rejected.sort_unstable();
    found.marked.sort_unstable();
    found.marked.dedup();
    found
}

/// Exposures above their offset, scaled to a common level.
struct Levels<'a> {
    exposures: &'a [&'a Exposure],
    /// By exposure and pixel [counts].
    values: Vec<Vec<f64>>,
    /// The largest factor by which an exposure was scaled, and its noise with it [1].
    largest_scale: f64,
}

impl<'a> Levels<'a> {
    fn of(exposures: &'a [&'a Exposure], test: &SpikeTest<'_>) -> Self {
        let above =
            |e: &Exposure, offset: f64| -> Vec<f64> { e.counts.iter().map(|c| f64::from(*c) - offset).collect() };
        let values = exposures.iter().zip(test.offsets).map(|(e, o)| above(e, *o)).collect();
        let mut levels = Self { exposures, values, largest_scale: 1.0 };
        if test.slit_pixels.is_finite() && levels.scale(test, test.compared) {
            // Once more without the spikes themselves.
            let everything: Vec<usize> = (0..exposures.len()).collect();
            let (mean, limit) = levels.mean_and_limit(&everything, test);
            let is_calm = |i: usize| levels.values.iter().all(|v| (v[i] - mean[i]).abs() <= limit[i]);
            let calm: Vec<bool> = (0..mean.len()).map(|i| test.compared[i] && is_calm(i)).collect();
            let number = |mask: &[bool]| mask.iter().filter(|m| **m).count();
            if 2 * number(&calm) > number(test.compared) {
                levels.scale(test, &calm);
            }
        }
        levels
    }

    /// Scales all exposures to their mean total over `pixels`; in the dark, totals are noise and no scale.
    fn scale(&mut self, test: &SpikeTest<'_>, pixels: &[bool]) -> bool {
        let total = |v: &Vec<f64>| -> f64 { v.iter().zip(pixels).filter(|(_, used)| **used).map(|(v, _)| v).sum() };
        let totals: Vec<f64> = self.values.iter().map(total).collect();
        let mean = totals.iter().sum::<f64>() / totals.len() as f64;
        let noise = test.read_noise_counts * (pixels.iter().filter(|p| **p).count() as f64).sqrt();
        let lit = totals.iter().all(|total| *total > SIGNIFICANT * noise);
        if lit {
            self.largest_scale *= totals.iter().map(|total| mean / total).fold(1.0, f64::max);
            for (values, total) in self.values.iter_mut().zip(totals) {
                values.iter_mut().for_each(|v| *v *= mean / total);
            }
        }
        lit
    }

    /// Mean of the exposures that are kept, and the smallest deviation from it that counts [counts].
    fn mean_and_limit(&self, kept: &[usize], test: &SpikeTest<'_>) -> (Vec<f64>, Vec<f64>) {
        let n = kept.len() as f64;
        let pixels = 0..test.compared.len();
        let mean: Vec<f64> = pixels.map(|i| kept.iter().map(|k| self.values[*k][i]).sum::<f64>() / n).collect();
        let limit = |m: &f64| {
            let shot = self.largest_scale * m.max(0.0) / test.electrons_per_count.max(1e-3);
            let noise = (self.largest_scale * test.read_noise_counts).hypot(shot.sqrt());
            SIGNIFICANT * noise * (1.0 - 1.0 / n).sqrt()
        };
        let limit = mean.iter().map(limit).collect();
        (mean, limit)
    }

    /// Every spike of the exposures that are kept.
    fn spikes(&self, kept: &[usize], test: &SpikeTest<'_>, widest: usize) -> Vec<Spike> {
        let pixels = test.compared.len();
        let (mean, limit) = self.mean_and_limit(kept, test);
        let mut found = Vec::new();
        for &exposure in kept {
            let deviation = |i: usize| self.values[exposure][i] - mean[i];
            let mut i = 0;
            while i < pixels {
                if !(test.compared[i] && deviation(i).abs() > limit[i]) {
                    i += 1;
                    continue;
                }
                let (peak, first, last) = extent(&deviation, i, pixels);
                let spike = Spike { exposure, first, last, height: deviation(peak) };
                if last - first < widest && self.is_alone(&spike, peak, kept, limit[peak]) {
                    found.push(spike);
                }
                i = last.max(i) + 1;
            }
        }
        found
    }

    /// Whether a deviation is that of its exposure, not of the others that the mean contains. Without the common level it has to be there
    /// too: the dark signal of a hot pixel is the same in all exposures, and scaled it would differ.
    fn is_alone(&self, spike: &Spike, peak: usize, kept: &[usize], limit: f64) -> bool {
        let others = || kept.iter().copied().filter(|k| *k != spike.exposure);
        let count = (kept.len() - 1) as f64;
        let raw = |k: usize| stands_out(|i| self.exposures[k].counts.get(i).map(|c| f64::from(*c)), spike);
        if (raw(spike.exposure) - others().map(raw).sum::<f64>() / count).abs() <= limit {
            return false;
        }
        if let ([a, b], true) = (kept, kept.len() == 2) {
            let out = |k: usize| stands_out(|i| self.values[k].get(i).copied(), spike).abs();
            let (here, there) = if *a == spike.exposure { (out(*a), out(*b)) } else { (out(*b), out(*a)) };
            let difference = 2.0 * spike.height.abs();
            return if (here - there).abs() < ALIKE * difference { spike.height > 0.0 } else { here > there };
        }
        let values = || others().map(|k| self.values[k][peak]);
        let mean = values().sum::<f64>() / count;
        let scatter = (values().map(|v| (v - mean).powi(2)).sum::<f64>() / (count - 1.0)).sqrt();
        let own = self.values[spike.exposure][peak] - mean;
        let by_scatter = if kept.len() >= SCATTER_FROM { SIGNIFICANT * scatter } else { 0.0 };
        // The largest deviation of the pixel, on the side of this spike.
        own.abs() > limit.max(by_scatter) && values().all(|v| (v - mean).abs() < 0.5 * own.abs())
    }
}

/// The most extreme value of a spike's pixels over those beside it.
fn stands_out(value: impl Fn(usize) -> Option<f64>, at: &Spike) -> f64 {
    let beside = [at.first.checked_sub(2), Some(at.last + 2)].into_iter().flatten().filter_map(&value);
    let (sum, count) = beside.fold((0.0, 0.0), |(sum, count), v| (sum + v, count + 1.0));
    let level = if count > 0.0 { sum / count } else { 0.0 };
    let out = (at.first..=at.last).filter_map(&value).map(|v| v - level);
    out.max_by(|a, b| a.abs().total_cmp(&b.abs())).unwrap_or(0.0)
}

/// The extreme pixel of the deviation that pixel `from` is on, and its first and last pixel at half of its height.
fn extent(deviation: &impl Fn(usize) -> f64, from: usize, pixels: usize) -> (usize, usize, usize) {
    let sign = deviation(from).signum();
    let height = |i: usize| sign * deviation(i);
    let mut peak = from;
    while peak + 1 < pixels && height(peak + 1) > height(peak) {
        peak += 1;
    }
    let half = 0.5 * height(peak);
    let (mut first, mut last) = (peak, peak);
    while first > 0 && height(first - 1) >= half {
        first -= 1;
    }
    while last + 1 < pixels && height(last + 1) >= half {
        last += 1;
    }
    (peak, first, last)
}

/// Pixels to be compared: those in use that are clipped in none of the exposures, nor within the blooming of a clipped one.
pub fn compared(in_use: &[bool], exposures: &[&Exposure], clipped_from: u32, blooming_pixels: u16) -> Vec<bool> {
    let clipped: Vec<bool> = (0..in_use.len())
        .map(|i| exposures.iter().any(|e| e.counts.get(i).is_none_or(|counts| *counts >= clipped_from)))
        .collect();
    let affected = dilate(&clipped, blooming_pixels);
    in_use.iter().zip(affected).map(|(used, affected)| *used && !affected).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::UtcMicros;
    use crate::record::Shutter;
    use rand::{Rng, SeedableRng};
    use rand_distr::StandardNormal;

    const PIXELS: usize = 400;
    const OFFSET: f64 = 1200.0;
    const SLIT: f64 = 5.3;

    /// Lines of the width of the slit on a continuum, with shot and read noise.
    fn exposures(levels: &[f64], line: &[f64], seed: u64) -> Vec<Exposure> {
        let mut random = rand_pcg::Pcg64Mcg::seed_from_u64(seed);
        let gauss = |x: f64| (-4.0 * std::f64::consts::LN_2 * (x / SLIT).powi(2)).exp();
        let mut one = |level: f64, line: f64| {
            let counts = (0..PIXELS)
                .map(|i| {
                    let x = i as f64;
                    let light =
                        level * (0.3 + (x / 70.0).sin().abs()) + line * gauss(x - 151.4) + level * gauss(x - 250.0);
                    let noise = 7.0_f64.hypot((light / 3.0).sqrt());
                    (OFFSET + light + noise * random.sample::<f64, _>(StandardNormal)).max(0.0) as u32
                })
                .collect();
            let (start, shutter) = (UtcMicros(0), Shutter::Open);
            Exposure { start, integration_s: 0.1, shutter, temperature_c: None, counts, crc32: 0, rereads: 0 }
        };
        levels.iter().zip(line).map(|(level, line)| one(*level, *line)).collect()
    }

    fn found(exposures: &[Exposure], slit_pixels: f64) -> Spikes {
        let exposures: Vec<&Exposure> = exposures.iter().collect();
        let (compared, offsets) = (vec![true; PIXELS], vec![OFFSET; exposures.len()]);
        let test = SpikeTest {
            compared: &compared,
            offsets: &offsets,
            slit_pixels,
            read_noise_counts: 7.0,
            electrons_per_count: 3.0,
        };
        spikes(&exposures, &test)
    }

    #[test]
    fn an_exposure_with_a_spike_is_rejected_at_any_level_of_light() {
        for level in [0.0, 20.0, 5e3, 3e4] {
            for levels in [vec![level; 2], vec![level, 0.8 * level], vec![level; 3], vec![level; 8]] {
                for hit in 0..levels.len() {
                    // On the continuum and on a line.
                    for at in [100, 250] {
                        let mut taken = exposures(&levels, &vec![0.0; levels.len()], 3);
                        taken[hit].counts[at..at + 2].iter_mut().for_each(|c| *c += 6000);
                        let what = format!("{levels:?} {hit} {at}");
                        assert_eq!(found(&taken, SLIT), Spikes { rejected: vec![hit], marked: vec![] }, "{what}");
                    }
                }
            }
        }
    }

    /// Their dark signal does not follow the light. None of them is on a line, which would look like a spike where the light changes.
    #[test]
    fn hot_pixels_are_no_spikes_where_the_light_changes() {
        for levels in [[3e4, 3e3], [200.0, 3e4], [1e4, 2e4]] {
            let mut taken = exposures(&levels, &[0.0; 2], 6);
            for exposure in &mut taken {
                (12..PIXELS).step_by(37).for_each(|i| exposure.counts[i] += 4000);
            }
            assert_eq!(found(&taken, SLIT), Spikes::default(), "{levels:?}");
        }
    }

    #[test]
    fn a_line_that_changes_is_light() {
        for line in [[0.0, 3e3], [9e3, 1e3], [2e4, 2.2e4]] {
            for seed in 0..20 {
                assert_eq!(found(&exposures(&[1e4; 2], &line, seed), SLIT), Spikes::default(), "{line:?}");
                let levels = [1e4, 7e3, 1.2e4];
                let lines = [line[0], line[1], line[0]];
                assert_eq!(found(&exposures(&levels, &lines, seed), SLIT), Spikes::default(), "{line:?}");
            }
        }
    }

    #[test]
    fn half_of_the_exposures_are_kept_and_their_spikes_are_marked() {
        let mut taken = exposures(&[1e4; 3], &[0.0; 3], 4);
        taken[0].counts[60] += 8000;
        taken[2].counts[90..92].iter_mut().for_each(|c| *c += 6000);
        assert_eq!(found(&taken, SLIT), Spikes { rejected: vec![0], marked: vec![90, 91] });
        let mut taken = exposures(&[1e4; 8], &[0.0; 8], 4);
        (0..3).for_each(|k| taken[k].counts[60 + 40 * k] += 8000);
        assert_eq!(found(&taken, SLIT), Spikes { rejected: vec![0, 1, 2], marked: vec![] });
    }

    /// A pixel whose noise is a hundred times that of others deviates in every dark, and is the detector's own.
    #[test]
    fn a_noisy_pixel_rejects_no_dark() {
        let mut random = rand_pcg::Pcg64Mcg::seed_from_u64(9);
        let mut rejected = 0;
        for seed in 0..50 {
            let mut darks = exposures(&[0.0; 8], &[0.0; 8], seed);
            for dark in &mut darks {
                dark.counts[200] = (3000.0 + 700.0 * random.sample::<f64, _>(StandardNormal)) as u32;
            }
            rejected += found(&darks, f64::INFINITY).rejected.len();
        }
        assert!(rejected <= 1, "{rejected}");
        let mut darks = exposures(&[0.0; 8], &[0.0; 8], 1);
        darks[5].counts[30..32].iter_mut().for_each(|c| *c += 6000);
        assert_eq!(found(&darks, f64::INFINITY).rejected, [5]);
    }
}
