//! The test for darkness: whether a frame is dark, by statistics, without a record of this detector's darks.
//!
//! Dark current and offset differ from pixel to pixel at random, by a lot in hot pixels; light through a slit is smooth over
//! the pixels. So neighbours are correlated, and long waves along the axis are measured: dark pixels have nothing in common, lit
//! ones have the spectrum. Single lines are found as runs of pixels that stand out together. The test needs no noise figure,
//! since the scatter of the pixels is the noise. Invariant: without a model a dark is never rejected by its level alone, since
//! levels drift with temperature.

use crate::numeric::upper_median;
use crate::record::{Frame, PixelRanges, dilate};

/// Reaches over which neighbours are correlated [pixels]: lines and bands.
const REACHES: [usize; 2] = [4, 16];
/// Correlation of neighbours, in standard deviations of what chance makes of it, from which on a frame is lit.
const NEIGHBOURS_LIMIT: f64 = 6.0;
/// Half-waves along the axis that a whole sky is made of, up to so many.
const WAVES: usize = 6;
/// Sum of squares of the waves' amplitudes, in standard deviations, from which on a frame is lit: χ² of 6 degrees of
/// freedom passes it in 3 of a million dark frames.
const WAVES_LIMIT: f64 = 36.0;
/// Pixels farther from the middle than this many standard deviations count only as far (hot pixels).
const WINSOR: f64 = 3.0;
/// A run of so many pixels …
const RUN: usize = 8;
/// … of which all but one stand out by so many standard deviations is a lamp's line.
const RUN_DEVIATIONS: f64 = 2.0;
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

/// Why a frame is not used as a dark.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum DarkRejection {
    /// Many pixels are clipped.
    #[error("expected a dark frame, but {clipped} of {pixels} pixels are clipped")]
    Clipped {
        /// How many.
        clipped: usize,
        /// Of how many.
        pixels: usize,
    },
    /// Its pixels follow a spectrum.
    #[error(
        "expected a dark frame, but light shows: neighbouring pixels agree by {deviations:.1} standard deviations \
         (limit {limit:.1}), brightest near pixel {pixel}"
    )]
    Lit {
        /// The common structure over what chance makes [1].
        deviations: f64,
        /// The limit it passed [1].
        limit: f64,
        /// Middle of the brightest block.
        pixel: usize,
    },
    /// Its level is not one the model can have.
    #[error("expected a dark level of about {expected:.0} counts, but found {found:.0}")]
    OutOfBand {
        /// The model's level [counts].
        expected: f64,
        /// The frame's [counts].
        found: f64,
    },
    /// It has too few pixels, or none that see light.
    #[error("expected at least {expected} pixels that see light, but found {found}")]
    TooFewPixels {
        /// The least that can be judged.
        expected: usize,
        /// What there is.
        found: usize,
    },
}

/// Whether a frame is dark. `expected` is the dark model's prediction [counts per exposure], where there is a model: it
/// takes out the pixels' own patterns, which makes the test sharper, and bounds the level. `read_noise_counts` is of one exposure
/// [counts].
pub fn test_darkness(
    frame: &Frame,
    shielded: &PixelRanges,
    read_noise_counts: f64,
    expected: Option<&[f64]>,
) -> Result<(), DarkRejection> {
    let pixels = frame.sums.len();
    let clipped = frame.clipped.count();
    if clipped as f64 > CLIPPED_SHARE * pixels as f64 {
        return Err(DarkRejection::Clipped { clipped, pixels });
    }
    let n = frame.exposures().max(1) as f64;
    let expected = expected.filter(|e| e.len() == pixels && e.iter().all(|v| v.is_finite()));
    let mean: Vec<f64> = frame.sums.iter().map(|s| f64::from(*s) / n).collect();
    let residual: Vec<f64> = match expected {
        Some(e) => mean.iter().zip(e).map(|(m, e)| m - e).collect(),
        None => mean.clone(),
    };
    let shielded = shielded.to_mask(pixels);
    let lit = |i: &usize| !shielded[*i];
    if let Some(e) = expected {
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
    let scaled = scaled(&residual, &open, read_noise_counts / n.sqrt());
    structure(&scaled, &open)
}

/// Median of the pixels that see light, per exposure [counts].
pub fn open_level(frame: &Frame, shielded: &PixelRanges) -> f64 {
    let n = frame.exposures().max(1) as f64;
    let shielded = shielded.to_mask(frame.sums.len());
    median(frame.sums.iter().zip(shielded).filter(|(_, s)| !s).map(|(sum, _)| f64::from(*sum) / n).collect())
}

/// The pixels that see light about their middle, over the scatter of single pixels [1].
fn scaled(residual: &[f64], open: &[usize], read_noise: f64) -> Vec<f64> {
    // Differences of neighbours give the scatter of single pixels whatever the light's course.
    let differences = open.windows(2).map(|w| (residual[w[1]] - residual[w[0]]).abs()).collect();
    let scatter = (median(differences) * 1.4826 / std::f64::consts::SQRT_2).max(0.1 * read_noise).max(1e-6);
    // Even and odd pixels may have amplifiers, and so levels, of their own.
    let middle = |parity: usize| median(open.iter().filter(|i| **i % 2 == parity).map(|i| residual[*i]).collect());
    let middles = [middle(0), middle(1)];
    open.iter().map(|i| (residual[*i] - middles[i % 2]) / scatter).collect()
}

fn structure(scaled: &[f64], open: &[usize]) -> Result<(), DarkRejection> {
    let n = scaled.len();
    let bounded: Vec<f64> = scaled.iter().map(|r| r.clamp(-WINSOR, WINSOR)).collect();
    let mean = bounded.iter().sum::<f64>() / n as f64;
    let centred: Vec<f64> = bounded.iter().map(|r| r - mean).collect();
    let variance = (centred.iter().map(|r| r * r).sum::<f64>() / n as f64).max(1e-12);
    let mut sums = vec![0.0];
    sums.extend(centred.iter().scan(0.0, |sum, r| {
        *sum += r;
        Some(*sum)
    }));
    // The pixel in the middle of the brightest span of `span` pixels, to tell a person where to look.
    let brightest = |span: usize| {
        let light = |i: &usize| sums[i + span] - sums[*i];
        open[(0..n - span).max_by(|a, b| light(a).total_cmp(&light(b))).unwrap_or(0) + span / 2]
    };
    for reach in REACHES.into_iter().filter(|r| r * 8 <= n) {
        let deviations = neighbours(&centred, &sums, reach) / variance;
        if deviations > NEIGHBOURS_LIMIT {
            return Err(DarkRejection::Lit { deviations, limit: NEIGHBOURS_LIMIT, pixel: brightest(reach) });
        }
    }
    let waves = waves(&centred) / variance;
    if waves > WAVES_LIMIT {
        return Err(DarkRejection::Lit {
            deviations: waves.sqrt(),
            limit: WAVES_LIMIT.sqrt(),
            pixel: brightest(n / WAVES),
        });
    }
    let stands_out = |run: &&[f64]| run.iter().filter(|r| **r > RUN_DEVIATIONS).count() + 1 >= RUN;
    if let Some((k, run)) = scaled.windows(RUN).enumerate().find(|(_, run)| stands_out(run)) {
        let deviations = run.iter().sum::<f64>() / (RUN as f64).sqrt();
        let limit = RUN_DEVIATIONS * (RUN as f64).sqrt();
        return Err(DarkRejection::Lit { deviations, limit, pixel: open[k + RUN / 2] });
    }
    Ok(())
}

/// Sum of the products of all pairs of pixels up to `reach` apart, over the root of their number: one standard deviation
/// of chance is the pixels' variance. `sums` are the running sums of `centred`, beginning with 0.
fn neighbours(centred: &[f64], sums: &[f64], reach: usize) -> f64 {
    let n = centred.len();
    let (mut common, mut pairs) = (0.0, 0.0);
    for (i, r) in centred.iter().enumerate() {
        let end = (i + 1 + reach).min(n);
        common += r * (sums[end] - sums[i + 1]);
        pairs += (end - i - 1) as f64;
    }
    common / pairs.max(1.0).sqrt()
}

/// Sum of squares of the amplitudes of the longest cosine waves along the axis, each of which chance gives the pixels'
/// variance.
fn waves(centred: &[f64]) -> f64 {
    let n = centred.len() as f64;
    (1..=WAVES)
        .map(|k| {
            let phase = std::f64::consts::PI * k as f64 / n;
            // The cosine at i + ½ from the two before it: cos(x + h) = 2 cos h · cos x − cos(x − h). Over the pixels of a
            // detector its error stays below a billionth.
            let twice = 2.0 * phase.cos();
            let (mut before, mut cosine, mut sum) = ((0.5 * phase).cos(), (0.5 * phase).cos(), 0.0);
            for r in centred {
                sum += r * cosine;
                (before, cosine) = (cosine, twice * cosine - before);
            }
            sum * sum * 2.0 / n
        })
        .sum()
}

/// The upper median; 0 of none.
fn median(mut v: Vec<f64>) -> f64 {
    upper_median(&mut v).unwrap_or(0.0)
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
    /// Pixels in a block, for lights told in deviations of a block's mean.
    const BLOCK: f64 = 32.0;

    fn shielded() -> PixelRanges {
        PixelRanges(vec![(0, 7), (2040, 2047)])
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
                spread: 0.0,
                ripple: Vec::new(),
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
                            assert_eq!(test_darkness(&frame, &shielded(), READ_NOISE, None), Ok(()), "{words}");
                            let model: Vec<f64> = sensor
                                .dark(t, celsius)
                                .iter()
                                .zip(&sensor.offset)
                                .map(|(d, o)| o + 3.0 + 1.05 * (d - o))
                                .collect();
                            assert_eq!(
                                test_darkness(&frame, &shielded(), READ_NOISE, Some(&model)),
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
                let found = test_darkness(&frame, &shielded(), READ_NOISE, None);
                assert!(matches!(found, Err(DarkRejection::Lit { .. })), "seed {seed}, {t} s: {found:?}");
                // With the patterns taken out by a model, much less light is enough.
                let model = sensor.dark(t, celsius);
                let sharp = (8f64.powi(2) + dark / 3.0).sqrt() / BLOCK.sqrt();
                let frame = sensor.frame(t, celsius, |i| 3.0 * sharp * sky(i) / MEAN_OF_LIT, 1, seed);
                let found = test_darkness(&frame, &shielded(), READ_NOISE, Some(&model));
                assert!(matches!(found, Err(DarkRejection::Lit { .. })), "seed {seed}, {t} s, model: {found:?}");
            }
        }
    }

    /// Regression: a single line of a street lamp, six times the scatter of the pixels, is found, and the message says near which pixel.
    #[test]
    fn a_line_of_a_street_lamp_is_found() {
        let sensor = Sensor::new(3, 0.3);
        let line = |i: usize| 100.0 * (-((i as f64 - 823.0) / 6.0).powi(2)).exp();
        let refusal = test_darkness(&sensor.frame(1.0, 10.0, line, 4, 1), &shielded(), READ_NOISE, None).unwrap_err();
        let DarkRejection::Lit { pixel, .. } = &refusal else { panic!("{refusal}") };
        assert!((800..848).contains(pixel), "{pixel}");
        assert!(refusal.to_string().starts_with("expected a dark frame, but light shows"), "{refusal}");
    }

    /// Identity: daylight never looks dark, not even clipped all over; a level the model cannot have is refused as such.
    #[test]
    fn daylight_and_impossible_levels_are_refused() {
        let sensor = Sensor::new(4, 0.3);
        let day = sensor.frame(1e-3, 20.0, |i| 400.0 * sky(i), 1, 1);
        assert!(test_darkness(&day, &shielded(), READ_NOISE, None).is_err());
        let bright = sensor.frame(1.0, 20.0, |_| 1e6, 1, 1);
        assert!(matches!(
            test_darkness(&bright, &shielded(), READ_NOISE, None),
            Err(DarkRejection::Clipped { pixels: 2048, .. })
        ));
        let closed = sensor.frame(0.01, 20.0, |_| 0.0, 2, 1);
        assert_eq!(test_darkness(&closed, &shielded(), READ_NOISE, None), Ok(()));
        let model = vec![1200.0; PIXELS];
        let off = sensor.frame(60.0, 20.0, |_| 0.0, 1, 1);
        assert!(matches!(
            test_darkness(&off, &shielded(), READ_NOISE, Some(&model)),
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
            spread: 0.0,
            ripple: Vec::new(),
        };
        assert!(matches!(
            test_darkness(&frame(vec![]), &shielded(), READ_NOISE, None),
            Err(DarkRejection::TooFewPixels { .. })
        ));
        assert!(matches!(
            test_darkness(&frame(vec![5; 20]), &shielded(), READ_NOISE, None),
            Err(DarkRejection::TooFewPixels { .. })
        ));
        assert_eq!(
            test_darkness(&frame(vec![1000; PIXELS]), &shielded(), READ_NOISE, Some(&[f64::NAN; PIXELS])),
            Ok(())
        );
    }
}
