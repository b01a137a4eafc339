//! Simulated exposures: rate times time, shot and read noise, a converter that clips.

use super::{Clipping, ClippingDetector};
use crate::calibration::Noise;
use crate::clock::UtcMicros;
use crate::config::ExposureConfig;
use crate::exposure::ExposureSetup;
use crate::record::{Detector, Exposure, PixelRanges, Shutter};
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;
use rand_pcg::Pcg64Mcg;

const PIXELS: usize = 1024;
const FULL: u32 = 65_535;

/// A detector with its light: peak rate [counts/s], noise [counts], electrons per count and step of the converter [counts].
struct Light {
    peak: f64,
    read_noise: f64,
    electrons: f64,
    step: u32,
    /// Level at which it clips and the noise of that level [counts].
    clips: Option<(f64, f64)>,
    random: Pcg64Mcg,
}

fn light(peak: f64, clips: Option<(f64, f64)>) -> Light {
    Light { peak, read_noise: 8.0, electrons: 3.0, step: 1, clips, random: Pcg64Mcg::seed_from_u64(5) }
}

impl Light {
    fn expose(&mut self, integration_s: f64) -> Exposure {
        let pixel = |i: usize| {
            let x = i as f64 / PIXELS as f64;
            let lit =
                if i < 8 { 0.0 } else { (1.0 - (2.0 * x - 1.0).powi(4)) * (1.0 - 0.3 * (40.0 * x).sin().max(0.8)) };
            let charge = (lit * self.peak + 20.0) * integration_s;
            let noise = (self.read_noise * self.read_noise + charge / self.electrons).sqrt();
            let mut counts = 1200.0 + charge + noise * self.random.sample::<f64, _>(StandardNormal);
            if let Some((level, noise)) = self.clips
                && counts > level
            {
                counts = level + noise * self.random.sample::<f64, _>(StandardNormal);
            }
            ((counts / f64::from(self.step)).round().max(0.0) as u32 * self.step).min(FULL)
        };
        let counts = (0..PIXELS).map(pixel).collect();
        let (start, shutter) = (UtcMicros(0), Shutter::Open);
        Exposure { start, integration_s, shutter, temperature_c: Some(20.0), counts, crc32: 0, rereads: 0 }
    }
}

fn setup(full_scale: u32) -> ExposureSetup {
    let exposure = ExposureConfig {
        target_level: 0.75,
        integration_min_s: 1e-3,
        integration_max_s: 60.0,
        budget_s: 20.0,
        exposures: 2,
        bracket_ratio: Some(70.0),
        bracket_exposures: 1,
        discard_frames: 0,
        unsteady_share: 0.05,
    };
    let detector = Detector {
        pixels: PIXELS,
        full_scale,
        shielded: PixelRanges(vec![(0, 7)]),
        integration_min_s: 1e-4,
        integration_max_s: 60.0,
        has_shutter: true,
        transfer_s: 0.3,
    };
    let noise =
        Noise { electrons_per_count: 3.0, read_noise_counts: 8.0, saturation_fraction: 0.95, blooming_pixels: 4 };
    ExposureSetup::new(exposure, detector, &noise, &[1.0], &[true; PIXELS], 0.0, None)
}

/// What exposures of these times show [s]: the first finding.
fn found(light: &mut Light, setup: &ExposureSetup, times_s: &[f64]) -> Option<Clipping> {
    let mut detector = ClippingDetector::default();
    times_s.iter().find_map(|t| detector.observe(setup, FULL, &light.expose(*t), &[]))
}

#[test]
fn a_flat_top_shows_the_level_in_one_exposure() {
    for level in [3000.0, 6000.0, 40_000.0] {
        let mut light = light(1e6, Some((level, 0.0)));
        assert_eq!(found(&mut light, &setup(FULL), &[0.07]), Some(Clipping::At(level as u32)));
    }
}

#[test]
fn a_top_of_few_pixels_shows_the_level_when_it_is_seen_again() {
    // The highest pixels only just reach the level.
    let mut light = light(1e6, Some((6000.0, 0.0)));
    let times: Vec<f64> = (0..40).map(|i| 0.00626 + 2e-6 * f64::from(i % 4)).collect();
    assert_eq!(found(&mut light, &setup(FULL), &times), Some(Clipping::At(6000)));
}

#[test]
fn a_level_with_noise_shows_in_pixels_that_do_not_follow_the_integration_time() {
    for times in [[0.003, 0.02], [0.02, 0.003]] {
        let mut light = light(1e6, Some((6000.0, 20.0)));
        let Some(Clipping::At(level)) = found(&mut light, &setup(FULL), &times) else { panic!("not found: {times:?}") };
        assert!((6000..6200).contains(&level), "{level}");
    }
}

/// Ordinary exposures, from dark to clipped at full scale, of detectors with more and with less noise than stated and of converters of
/// fewer bits, of any brackets, under light that changes between them.
#[test]
fn exposures_of_a_sound_converter_show_nothing() {
    let setup = setup(FULL);
    for (read_noise, electrons, step) in [(8.0, 3.0, 1), (2.5, 20.0, 1), (16.0, 3.0, 4), (8.0, 1.0, 16)] {
        for peak in [0.0, 30.0, 1e3, 1e5, 1e6, 2e7] {
            let mut light = Light { read_noise, electrons, step, ..light(peak, None) };
            let mut detector = ClippingDetector::default();
            for n in 0..60 {
                let t = [0.001, 0.01, 0.01, 0.7, 3.0][n % 5];
                light.peak = peak * [1.0, 1.3, 0.6][n % 3];
                let exposure = light.expose(t);
                assert_eq!(detector.observe(&setup, FULL, &exposure, &[]), None, "{peak} {t} {read_noise} {step}");
            }
        }
    }
}

#[test]
fn a_level_is_refuted_by_three_pixels_above_it_and_not_by_a_particle() {
    let setup = setup(6000);
    let mut light = light(1e6, None);
    let mut dim = light.expose(0.002);
    dim.counts[500..502].fill(9000);
    assert_eq!(ClippingDetector::default().observe(&setup, FULL, &dim, &[]), None);
    assert!(matches!(found(&mut light, &setup, &[0.02]), Some(Clipping::NotBelow(8000..))));
    assert_eq!(found(&mut Light { clips: Some((6000.0, 0.0)), ..light }, &setup, &[0.02, 0.2]), None);
}
