//! The test for darkness: whether a frame is dark, by statistics of its pixels ([`super::structure`]).
//!
//! A frame has to pass twice: bare, and against the dark model. A model fitted to lit darks has learned their light and would take it
//! out; a bare frame shows weak light less plainly. What covered darks show as well is of the detector and is taken out of the
//! bare frame. Invariant: without a model a dark is never rejected by its level alone, since levels drift with temperature.

use super::detector_structure::DetectorStructure;
use super::rejection::DarkRejection;
use super::structure::{median, test_structure};
use crate::record::{Frame, PixelRanges, dilate};

/// Fewest pixels that can be judged.
const LEAST_PIXELS: usize = 32;
/// Share of clipped pixels from which on nothing can be called dark [1].
const CLIPPED_SHARE: f64 = 0.05;
/// Pixels this near a clipped one are left out: the charge of a hot pixel that overflows blooms into its neighbours, and
/// would be taken for light.
const CLIPPED_REACH: u16 = 8;
/// How far a dark's level may be from the model's, as a share of the model's level [1] …
const BAND_SHARE: f64 = 0.5;
/// … and at least [counts].
const BAND_COUNTS: f64 = 300.0;

/// What is known of the detector in the dark.
#[derive(Clone, Copy, Debug, Default)]
pub struct Expected<'a> {
    /// The dark model's prediction of the frame [counts per exposure]: it takes out the pixels' own patterns, which makes the
    /// test sharper, and bounds the level.
    pub model: Option<&'a [f64]>,
    /// Structure of the detector itself, by covered darks.
    pub detector: Option<&'a DetectorStructure>,
}

/// Whether a frame is dark. `read_noise_counts` is of one exposure [counts].
pub fn test_darkness(
    frame: &Frame,
    shielded: &PixelRanges,
    read_noise_counts: f64,
    expected: Expected<'_>,
) -> Result<(), DarkRejection> {
    let pixels = frame.sums.len();
    let clipped = frame.clipped.count();
    if clipped as f64 > CLIPPED_SHARE * pixels as f64 {
        return Err(DarkRejection::Clipped { clipped, pixels });
    }
    let n = frame.exposures().max(1) as f64;
    let model = expected.model.filter(|e| e.len() == pixels && e.iter().all(|v| v.is_finite()));
    let mean: Vec<f64> = frame.sums.iter().map(|s| f64::from(*s) / n).collect();
    let shielded = shielded.to_mask(pixels);
    let lit = |i: &usize| !shielded[*i];
    if let Some(e) = model {
        let level = |v: &[f64]| median((0..pixels).filter(lit).map(|i| v[i]).collect());
        let (found, expected) = (level(&mean), level(e));
        if (found - expected).abs() > BAND_COUNTS.max(BAND_SHARE * expected.abs()) {
            return Err(DarkRejection::OutOfBand { expected, found });
        }
    }
    let bloomed = dilate(&frame.clipped.to_mask(pixels), CLIPPED_REACH);
    let open: Vec<usize> = (0..pixels).filter(|i| lit(i) && !bloomed[*i]).collect();
    if open.len() < LEAST_PIXELS {
        return Err(DarkRejection::TooFewPixels { expected: LEAST_PIXELS, found: open.len() });
    }
    let read_noise = read_noise_counts / n.sqrt();
    match expected.detector {
        Some(detector) => test_structure(&detector.removed(&mean, frame.integration_s, &open), &open, read_noise)?,
        None => test_structure(&mean, &open, read_noise)?,
    }
    let Some(model) = model else { return Ok(()) };
    let residual: Vec<f64> = mean.iter().zip(model).map(|(m, e)| m - e).collect();
    test_structure(&residual, &open, read_noise)
}

/// Median of the pixels that see light, per exposure [counts].
pub fn open_level(frame: &Frame, shielded: &PixelRanges) -> f64 {
    let n = frame.exposures().max(1) as f64;
    let shielded = shielded.to_mask(frame.sums.len());
    median(frame.sums.iter().zip(shielded).filter(|(_, s)| !s).map(|(sum, _)| f64::from(*sum) / n).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::UtcMicros;
    use crate::record::{Shutter, Stamp};
    use rand::{Rng, SeedableRng};
    use rand_distr::{LogNormal, StandardNormal};

    /// Read noise [counts] and electrons a count.
    const READ_NOISE: f64 = 8.0;
    const ELECTRONS: f64 = 3.0;
    const PIXELS: usize = 2048;
    /// Pixels in a block; light is stated in standard deviations of a block's mean.
    const BLOCK: f64 = 32.0;

    fn shielded() -> PixelRanges {
        PixelRanges(vec![(0, 7), (2040, 2047)])
    }

    fn against(model: &[f64]) -> Expected<'_> {
        Expected { model: Some(model), detector: None }
    }

    /// Mean of [`sky`] over the pixels where it is above a tenth of its height.
    const MEAN_OF_LIT: f64 = 0.62;

    /// One detector: offset and dark rate at 20 °C of every pixel, 1 % of them hot.
    struct Sensor {
        offset: Vec<f64>,
        rate: Vec<f64>,
    }

    impl Sensor {
        fn new(seed: u64, log_scatter: f64) -> Self {
            let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(seed);
            let spread = LogNormal::new(0.0, log_scatter).unwrap();
            let offset = (0..PIXELS).map(|_| 1200.0 + 15.0 * rng.sample::<f64, _>(StandardNormal)).collect();
            let hot =
                |rng: &mut rand_pcg::Pcg64Mcg| if rng.random_bool(0.01) { rng.random_range(5.0..50.0) } else { 1.0 };
            let rate = (0..PIXELS).map(|_| 20.0 * rng.sample(spread) * hot(&mut rng)).collect();
            Self { offset, rate }
        }
        fn dark(&self, t: f64, celsius: f64) -> Vec<f64> {
            let factor = 2f64.powf((celsius - 20.0) / 7.0);
            self.offset.iter().zip(&self.rate).map(|(o, r)| o + 0.8 * (celsius - 20.0) + r * factor * t).collect()
        }
        fn frame(&self, t: f64, celsius: f64, light: impl Fn(usize) -> f64, exposures: u32, seed: u64) -> Frame {
            let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(seed);
            let shielded = shielded();
            let dark = self.dark(t, celsius);
            let mut clipped = vec![false; PIXELS];
            let mut sums = vec![0u32; PIXELS];
            for _ in 0..exposures {
                for (i, s) in sums.iter_mut().enumerate() {
                    let signal = dark[i] + if shielded.contains(i) { 0.0 } else { light(i) };
                    let charge = (signal - self.offset[i]).max(0.0);
                    let sigma = (READ_NOISE.powi(2) + charge / ELECTRONS).sqrt();
                    let counts = (signal + sigma * rng.sample::<f64, _>(StandardNormal)).round().clamp(0.0, 65535.0);
                    clipped[i] |= counts > 62258.0;
                    *s += counts as u32;
                }
            }
            Frame {
                integration_s: t,
                shutter: Shutter::Closed,
                temperature_c: Some(celsius),
                stamps: vec![Stamp { start: UtcMicros(0), crc32: 0 }; exposures as usize],
                sums,
                clipped: PixelRanges::from_mask(&clipped),
                light_variation: 0.0,
                ripple: Vec::new(),
                rejected: Vec::new(),
            }
        }
    }

    /// Light of a moonlit sky through the optic, as the detector sees it: broad, weak at both ends [1].
    fn sky(i: usize) -> f64 {
        let x = i as f64 / PIXELS as f64;
        (std::f64::consts::PI * x).sin().powi(2) * (1.0 + 0.3 * (9.0 * x).sin())
    }

    /// Regression: true darks from 1 ms to 60 s and −10 to 40 °C pass, for mild and wild scatter of the dark current,
    /// alone and against a model that is off as models are (offset 3 counts, rate 5 %).
    #[test]
    fn true_darks_of_any_length_and_temperature_pass() {
        for seed in 0..6 {
            for log_scatter in [0.1, 0.3, 0.6] {
                let sensor = Sensor::new(seed, log_scatter);
                for (k, t) in [1e-3, 0.03, 0.5, 3.0, 15.0, 60.0].into_iter().enumerate() {
                    for celsius in [-10.0, 5.0, 20.0, 40.0] {
                        for exposures in [1, 8] {
                            let frame = sensor.frame(t, celsius, |_| 0.0, exposures, 100 * seed + k as u64);
                            let words =
                                format!("seed {seed}, scatter {log_scatter}, {t} s, {celsius} °C, ×{exposures}");
                            assert_eq!(
                                test_darkness(&frame, &shielded(), READ_NOISE, Expected::default()),
                                Ok(()),
                                "{words}"
                            );
                            let model: Vec<f64> = sensor
                                .dark(t, celsius)
                                .iter()
                                .zip(&sensor.offset)
                                .map(|(d, o)| o + 3.0 + 1.05 * (d - o))
                                .collect();
                            assert_eq!(
                                test_darkness(&frame, &shielded(), READ_NOISE, against(&model)),
                                Ok(()),
                                "{words}, model"
                            );
                        }
                    }
                }
            }
        }
    }

    /// Regression: light that stands three standard deviations of a block's mean above the dark, on average over the
    /// lit pixels, is found.
    #[test]
    fn moonlight_of_three_block_deviations_is_found() {
        for seed in 0..20 {
            let sensor = Sensor::new(seed, 0.3);
            for (t, celsius) in [(1.0, 10.0), (15.0, 0.0), (60.0, 20.0)] {
                // Scatter of single pixels: offset pattern, read noise, dark current pattern.
                let dark = 20.0 * 2f64.powf((celsius - 20.0) / 7.0) * t;
                let pixel = (15f64.powi(2) + 8f64.powi(2) + (0.3 * dark).powi(2) + dark / 3.0).sqrt();
                let block = pixel / BLOCK.sqrt();
                let frame = sensor.frame(t, celsius, |i| 3.0 * block * sky(i) / MEAN_OF_LIT, 1, seed);
                let found = test_darkness(&frame, &shielded(), READ_NOISE, Expected::default());
                assert!(matches!(found, Err(DarkRejection::Lit { .. })), "seed {seed}, {t} s: {found:?}");
                // With the patterns taken out by a model, much less light is enough.
                let model = sensor.dark(t, celsius);
                let sharp = (8f64.powi(2) + dark / 3.0).sqrt() / BLOCK.sqrt();
                let frame = sensor.frame(t, celsius, |i| 3.0 * sharp * sky(i) / MEAN_OF_LIT, 1, seed);
                let found = test_darkness(&frame, &shielded(), READ_NOISE, against(&model));
                assert!(matches!(found, Err(DarkRejection::Lit { .. })), "seed {seed}, {t} s, model: {found:?}");
            }
        }
    }

    /// Regression: a model that was fitted to lit darks predicts their light; the bare frame shows it all the same.
    #[test]
    fn a_model_fitted_to_lit_darks_does_not_hide_their_light() {
        let sensor = Sensor::new(5, 0.15);
        let lamp = |i: usize| 200.0 * sky(i);
        let learned: Vec<f64> = sensor.dark(10.0, 20.0).iter().enumerate().map(|(i, d)| d + lamp(i)).collect();
        let lit = sensor.frame(10.0, 20.0, lamp, 4, 1);
        let found = test_darkness(&lit, &shielded(), READ_NOISE, against(&learned));
        assert!(matches!(found, Err(DarkRejection::Lit { .. })), "{found:?}");
        // Nor does the bare frame hide what only the model shows.
        let weak = sensor.frame(10.0, 20.0, |i| 4.0 * sky(i), 8, 1);
        assert_eq!(test_darkness(&weak, &shielded(), READ_NOISE, Expected::default()), Ok(()));
        let found = test_darkness(&weak, &shielded(), READ_NOISE, against(&sensor.dark(10.0, 20.0)));
        assert!(matches!(found, Err(DarkRejection::Lit { .. })), "{found:?}");
    }

    /// Glow of an amplifier at the long end of the array, 30 counts a second at its brightest whatever the temperature.
    fn glow(i: usize) -> f64 {
        30.0 * (-((PIXELS - i) as f64) / 150.0).exp()
    }

    /// The structure by covered darks of 1 ms, 1 s and 10 s at 25 °C.
    fn learned_from_covered_darks(sensor: &Sensor) -> DetectorStructure {
        let noise = crate::calibration::Noise {
            electrons_per_count: ELECTRONS,
            read_noise_counts: READ_NOISE,
            saturation_fraction: 0.95,
            blooming_pixels: 4,
        };
        let frames: Vec<Frame> =
            [1e-3, 1.0, 10.0].map(|t| sensor.frame(t, 25.0, |i| t * glow(i), 4, t.to_bits())).into();
        let darks: Vec<_> = frames
            .iter()
            .map(|frame| crate::reduction::FittingDark { frame, temperature_c: 25.0, light_lx: 0.0 })
            .collect();
        DetectorStructure::of(&crate::reduction::DarkModel::fit(&darks, &noise, &[1.0]).unwrap(), &shielded())
            .expect("the glow shows")
    }

    /// Regression: glow that covered darks showed at 25 °C is taken out of darks at 5 and 15 °C; without them it passes for light.
    #[test]
    fn glow_that_covered_darks_show_is_no_light() {
        for seed in 0..4 {
            let sensor = Sensor::new(seed, 0.15);
            let structure = learned_from_covered_darks(&sensor);
            let known = Expected { model: None, detector: Some(&structure) };
            for celsius in [5.0, 15.0, 25.0] {
                for t in [0.1, 3.0, 10.0] {
                    let dark = sensor.frame(t, celsius, |i| t * glow(i), 8, 50 + seed);
                    let found = test_darkness(&dark, &shielded(), READ_NOISE, known);
                    assert_eq!(found, Ok(()), "seed {seed}, {t} s, {celsius} °C");
                }
                let dark = sensor.frame(10.0, celsius, |i| 10.0 * glow(i), 8, 50 + seed);
                assert!(test_darkness(&dark, &shielded(), READ_NOISE, Expected::default()).is_err());
                let lit = sensor.frame(10.0, celsius, |i| 10.0 * glow(i) + 90.0 * sky(i), 8, 50 + seed);
                assert!(test_darkness(&lit, &shielded(), READ_NOISE, known).is_err(), "seed {seed}, {celsius} °C");
            }
        }
    }

    /// Regression: a single line of a street lamp, six times the scatter of the pixels, is found, and the message says near which pixel.
    #[test]
    fn a_line_of_a_street_lamp_is_found() {
        let sensor = Sensor::new(3, 0.3);
        let line = |i: usize| 100.0 * (-((i as f64 - 823.0) / 6.0).powi(2)).exp();
        let refusal = test_darkness(&sensor.frame(1.0, 10.0, line, 4, 1), &shielded(), READ_NOISE, Expected::default())
            .unwrap_err();
        let DarkRejection::Lit { pixel, .. } = &refusal else { panic!("{refusal}") };
        assert!((800..848).contains(pixel), "{pixel}");
        assert!(refusal.to_string().starts_with("expected a dark frame, but light shows"), "{refusal}");
    }

    /// Identity: daylight never looks dark, not even clipped all over; a level the model cannot have is refused as such.
    #[test]
    fn daylight_and_impossible_levels_are_refused() {
        let sensor = Sensor::new(4, 0.3);
        let day = sensor.frame(1e-3, 20.0, |i| 400.0 * sky(i), 1, 1);
        assert!(test_darkness(&day, &shielded(), READ_NOISE, Expected::default()).is_err());
        let bright = sensor.frame(1.0, 20.0, |_| 1e6, 1, 1);
        assert!(matches!(
            test_darkness(&bright, &shielded(), READ_NOISE, Expected::default()),
            Err(DarkRejection::Clipped { pixels: 2048, .. })
        ));
        let closed = sensor.frame(0.01, 20.0, |_| 0.0, 2, 1);
        assert_eq!(test_darkness(&closed, &shielded(), READ_NOISE, Expected::default()), Ok(()));
        let model = vec![1200.0; PIXELS];
        let off = sensor.frame(60.0, 20.0, |_| 0.0, 1, 1);
        assert!(matches!(
            test_darkness(&off, &shielded(), READ_NOISE, against(&model)),
            Err(DarkRejection::OutOfBand { .. })
        ));
    }

    /// Identity: a frame without enough pixels is refused in words, and nothing panics on odd input.
    #[test]
    fn odd_frames_are_refused_and_do_not_panic() {
        let frame = |sums: Vec<u32>| Frame {
            integration_s: 1.0,
            shutter: Shutter::Closed,
            temperature_c: None,
            stamps: Vec::new(),
            sums,
            clipped: PixelRanges::default(),
            light_variation: 0.0,
            ripple: Vec::new(),
            rejected: Vec::new(),
        };
        assert!(matches!(
            test_darkness(&frame(vec![]), &shielded(), READ_NOISE, Expected::default()),
            Err(DarkRejection::TooFewPixels { .. })
        ));
        assert!(matches!(
            test_darkness(&frame(vec![5; 20]), &shielded(), READ_NOISE, Expected::default()),
            Err(DarkRejection::TooFewPixels { .. })
        ));
        assert_eq!(
            test_darkness(&frame(vec![1000; PIXELS]), &shielded(), READ_NOISE, against(&[f64::NAN; PIXELS])),
            Ok(())
        );
    }
}
