//! The dark model: what a pixel gives without light, at any integration time and temperature.
//!
//! `counts_i(t, T) = offset_i + κ·(T − T₀) + rate_i·exp(β·(T − T₀))·t`, fitted to the dark library. β is fitted, never
//! assumed: doubling temperatures of 5 to 10 K are all quoted for real detectors. Where the library's temperatures lie
//! too close together for a fit, the model says so and holds only near them.
//!
//! Source of the form: CIE 233:2019 and WMO/GAW report 191 (from memory); Arrhenius behaviour linearised about T₀.

use super::counts::spilled;
use super::linearity;
use crate::calibration::Noise;
use crate::clock::UtcMicros;
use crate::record::Frame;

/// Temperatures of the library must span this much for β to be fitted [K].
const MIN_TEMPERATURE_SPAN_K: f64 = 2.0;
/// Without a fitted β the model holds this far outside the library's temperatures [K].
const HELD_MARGIN_K: f64 = 1.0;
/// Bounds of the search for β [1/K]: doubling between 23 K and 2.3 K, far wider than any detector.
const BETA_BOUNDS: (f64, f64) = (0.03, 0.30);

/// One dark of the library.
#[derive(Clone, Copy, Debug)]
pub struct LibraryDark<'a> {
    /// The counts.
    pub frame: &'a Frame,
    /// The detector's temperature [°C].
    pub temperature_c: f64,
}

/// A fitted model. All arrays are per pixel, kept in `f32` so that what is stored is exactly what served.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct DarkModel {
    /// Offset at `reference_c` [counts].
    pub offset: Vec<f32>,
    /// Dark rate at `reference_c` [counts/s].
    pub rate: Vec<f32>,
    /// T₀ [°C].
    pub reference_c: f64,
    /// κ [counts/K].
    pub offset_per_k: f64,
    /// β [1/K]; `None` where the library could not tell.
    pub rate_exponent_per_k: Option<f64>,
    /// Standard uncertainty of β [1/K].
    pub exponent_uncertainty: f64,
    /// Covariance of (offset, rate) for a pixel of unit weight: [c₀₀, c₀₁, c₁₁].
    pub covariance: [f64; 3],
    /// Temperatures of the library [°C].
    pub temperature_range_c: (f64, f64),
    /// Integration times of the library [s].
    pub integration_range_s: (f64, f64),
    /// Newest dark in the library.
    pub newest: UtcMicros,
    /// How many darks it was fitted to.
    pub darks: usize,
}

/// Why no model could be fitted.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NoModel {
    /// Offset and rate cannot be told apart.
    #[error(
        "expected darks at two integration times at least a factor of 3 apart, but found {shortest_s} s to {longest_s} s"
    )]
    TooAlike {
        /// Shortest integration time found [s].
        shortest_s: f64,
        /// Longest integration time found [s].
        longest_s: f64,
    },
    /// Frames of different detectors.
    #[error("expected darks of {expected} pixels, but found one of {found}")]
    PixelCount {
        /// Pixels of the first dark.
        expected: usize,
        /// Pixels of the odd one.
        found: usize,
    },
    /// Nothing to fit.
    #[error("expected at least 2 darks, but found {0}")]
    TooFew(usize),
}

/// The part of a frame that one weighted fit needs.
struct Sample {
    t: f64,
    dt: f64,
    weight: f64,
}

impl DarkModel {
    /// Fits the model to a library.
    ///
    /// Deterministic: the same darks in the same order give the same bits.
    pub fn fit(library: &[LibraryDark<'_>], noise: &Noise, linearity: &[f64]) -> Result<Self, NoModel> {
        if library.len() < 2 {
            return Err(NoModel::TooFew(library.len()));
        }
        let pixels = library[0].frame.sums.len();
        if let Some(odd) = library.iter().find(|d| d.frame.sums.len() != pixels) {
            return Err(NoModel::PixelCount { expected: pixels, found: odd.frame.sums.len() });
        }
        let (lo_t, hi_t) = range(library.iter().map(|d| d.frame.integration_s));
        if !(hi_t >= 3.0 * lo_t) {
            return Err(NoModel::TooAlike { shortest_s: lo_t, longest_s: hi_t });
        }
        let (lo_c, hi_c) = range(library.iter().map(|d| d.temperature_c));
        let reference_c = 0.5 * (lo_c + hi_c);
        let samples: Vec<Sample> = library
            .iter()
            .map(|d| Sample {
                t: d.frame.integration_s,
                dt: d.temperature_c - reference_c,
                weight: d.frame.exposures() as f64 / noise.read_noise_counts.max(0.5).powi(2),
            })
            .collect();
        let mut means: Vec<Vec<f64>> = library.iter().map(|d| mean_counts(d.frame)).collect();
        let clipped: Vec<Vec<bool>> = library
            .iter()
            // A hot pixel that overflows lends its neighbours charge that is not their own.
            .map(|d| spilled(&d.frame.clipped.to_mask(pixels), noise.spill_pixels))
            .collect();
        let ever_clipped: Vec<bool> = (0..pixels).map(|i| clipped.iter().any(|c| c[i])).collect();

        // A first fit finds the offsets; with them every dark is linearised, then the fit that counts is made.
        let beta_known = hi_c - lo_c >= MIN_TEMPERATURE_SPAN_K;
        let first = Solved::at(if beta_known { 0.1 } else { 0.0 }, &samples, &means, &ever_clipped);
        for (mean, s) in means.iter_mut().zip(&samples) {
            for (m, (o, _)) in mean.iter_mut().zip(&first.pixels) {
                let base = o + first.kappa * s.dt;
                *m = base + linearity::correct(*m - base, linearity);
            }
        }
        let (beta, beta_u) = if beta_known { best_beta(&samples, &means, &ever_clipped) } else { (0.0, 0.0) };
        let mut solved = Solved::at(beta, &samples, &means, &ever_clipped);
        for i in (0..pixels).filter(|i| ever_clipped[*i]) {
            solved.pixels[i] = fit_unclipped(i, beta, solved.kappa, &samples, &means, &clipped);
        }
        Ok(Self {
            offset: solved.pixels.iter().map(|p| p.0 as f32).collect(),
            rate: solved.pixels.iter().map(|p| p.1 as f32).collect(),
            reference_c,
            offset_per_k: solved.kappa,
            rate_exponent_per_k: beta_known.then_some(beta),
            exponent_uncertainty: beta_u,
            covariance: solved.covariance,
            temperature_range_c: (lo_c, hi_c),
            integration_range_s: (lo_t, hi_t),
            newest: library.iter().map(|d| d.frame.end()).max().unwrap_or_default(),
            darks: library.len(),
        })
    }

    /// Whether the model may speak for a temperature: always with a fitted β (its uncertainty grows with the distance),
    /// otherwise only near the library's own.
    pub fn holds_at(&self, temperature_c: f64) -> bool {
        let (lo, hi) = self.temperature_range_c;
        self.rate_exponent_per_k.is_some() && temperature_c.is_finite()
            || (temperature_c >= lo - HELD_MARGIN_K && temperature_c <= hi + HELD_MARGIN_K)
    }

    /// exp(β·(T − T₀)) [1].
    pub fn rate_factor(&self, temperature_c: f64) -> f64 {
        (self.rate_exponent_per_k.unwrap_or(0.0) * (temperature_c - self.reference_c)).exp()
    }

    /// κ·(T − T₀) [counts].
    pub fn offset_shift(&self, temperature_c: f64) -> f64 {
        self.offset_per_k * (temperature_c - self.reference_c)
    }

    /// Counts of one exposure of every pixel in the dark, after linearity [counts].
    pub fn predict(&self, integration_s: f64, temperature_c: f64) -> Vec<f64> {
        let (shift, scale) = (self.offset_shift(temperature_c), self.rate_factor(temperature_c) * integration_s);
        self.offset.iter().zip(&self.rate).map(|(o, r)| f64::from(*o) + shift + f64::from(*r) * scale).collect()
    }

    /// Variance of the prediction common to pixels of unit weight [counts²].
    pub fn variance(&self, integration_s: f64, temperature_c: f64) -> f64 {
        let x = self.rate_factor(temperature_c) * integration_s;
        let [c00, c01, c11] = self.covariance;
        (c00 + 2.0 * x * c01 + x * x * c11).max(0.0)
    }

    /// As bytes for the store: a JSON head with its length (u32, little-endian), then offsets and rates coded without loss.
    pub fn encode(&self) -> Vec<u8> {
        let head = Self { offset: Vec::new(), rate: Vec::new(), ..self.clone() };
        // Plain numbers always become JSON; an empty head would be refused by `decode`.
        let head = serde_json::to_vec(&head).unwrap_or_default();
        let mut bytes = (head.len() as u32).to_le_bytes().to_vec();
        bytes.extend(head);
        for array in [&self.offset, &self.rate] {
            let coded = pco::standalone::simple_compress(array, &pco::ChunkConfig::default()).unwrap_or_default();
            bytes.extend((coded.len() as u32).to_le_bytes());
            bytes.extend(coded);
        }
        bytes
    }

    /// From the bytes of [`Self::encode`].
    pub fn decode(bytes: &[u8]) -> Result<Self, String> {
        let (head, rest) = part(bytes)?;
        let mut model: Self =
            serde_json::from_slice(head).map_err(|why| format!("expected a head, but found {why}"))?;
        let (offset, rest) = part(rest)?;
        let (rate, _) = part(rest)?;
        model.offset = numbers(offset)?;
        model.rate = numbers(rate)?;
        if model.offset.len() != model.rate.len() {
            return Err(format!(
                "expected as many rates as offsets ({}), but found {}",
                model.offset.len(),
                model.rate.len()
            ));
        }
        Ok(model)
    }

    /// Median offset at T₀ [counts] and median rate at a stated temperature [counts/s], to compare models by.
    pub fn summary(&self, temperature_c: f64) -> (f64, f64) {
        let mut offsets = self.offset.clone();
        let mut rates = self.rate.clone();
        let offset = f64::from(median(&mut offsets)) + self.offset_shift(temperature_c);
        (offset, f64::from(median(&mut rates)) * self.rate_factor(temperature_c))
    }
}

/// The first length-prefixed part and the rest.
fn part(bytes: &[u8]) -> Result<(&[u8], &[u8]), String> {
    let short = || format!("expected a length and that many bytes, but found {} bytes", bytes.len());
    let (length, rest) = bytes.split_first_chunk::<4>().ok_or_else(short)?;
    let length = u32::from_le_bytes(*length) as usize;
    rest.split_at_checked(length).ok_or_else(short)
}

/// Numbers of one array; no detector has more than 65 536 pixels, so no more are ever made room for.
fn numbers(coded: &[u8]) -> Result<Vec<f32>, String> {
    let mut numbers = vec![0_f32; 65_536];
    let progress = pco::standalone::simple_decompress_into(coded, &mut numbers)
        .map_err(|why| format!("expected coded numbers, but found {why}"))?;
    if !progress.finished {
        return Err("expected at most 65536 pixels, but found more".to_owned());
    }
    numbers.truncate(progress.n_processed);
    Ok(numbers)
}

fn median(values: &mut [f32]) -> f32 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f32::total_cmp).1
}

fn range(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| (lo.min(v), hi.max(v)))
}

/// Mean counts of one exposure.
pub fn mean_counts(frame: &Frame) -> Vec<f64> {
    let n = frame.exposures().max(1) as f64;
    frame.sums.iter().map(|s| f64::from(*s) / n).collect()
}

/// The linear part of the fit for one β: κ, and offset and rate of every pixel.
struct Solved {
    kappa: f64,
    pixels: Vec<(f64, f64)>,
    covariance: [f64; 3],
    residual: f64,
}

impl Solved {
    /// All pixels share times, temperatures and weights, so the normal equations are inverted once and κ follows from
    /// the mean dark: κ = T'ᵀM D̄ / T'ᵀM T', M projecting out offset and rate.
    fn at(beta: f64, samples: &[Sample], means: &[Vec<f64>], left_out: &[bool]) -> Self {
        let x: Vec<f64> = samples.iter().map(|s| s.t * (beta * s.dt).exp()).collect();
        let w: Vec<f64> = samples.iter().map(|s| s.weight).collect();
        let (mut s0, mut s1, mut s2) = (0.0, 0.0, 0.0);
        for (x, w) in x.iter().zip(&w) {
            s0 += w;
            s1 += w * x;
            s2 += w * x * x;
        }
        let det = s0 * s2 - s1 * s1;
        let det = if det > 0.0 { det } else { f64::MIN_POSITIVE };
        let solve = |b0: f64, b1: f64| ((s2 * b0 - s1 * b1) / det, (s0 * b1 - s1 * b0) / det);
        // Rows that give offset and rate as weighted sums over the darks.
        let rows: Vec<(f64, f64)> = x.iter().zip(&w).map(|(x, w)| solve(*w, w * x)).collect();

        let kept = left_out.iter().filter(|l| !**l).count().max(1) as f64;
        let mean: Vec<f64> = means
            .iter()
            .map(|d| d.iter().zip(left_out).filter(|(_, l)| !**l).map(|(v, _)| v).sum::<f64>() / kept)
            .collect();
        let project = |v: &[f64]| -> Vec<f64> {
            let (a, b) = rows.iter().zip(v).fold((0.0, 0.0), |(a, b), (r, v)| (a + r.0 * v, b + r.1 * v));
            v.iter().zip(&x).map(|(v, x)| v - a - b * x).collect()
        };
        let dt: Vec<f64> = samples.iter().map(|s| s.dt).collect();
        let projected = project(&dt);
        let denominator: f64 = projected.iter().zip(&dt).zip(&w).map(|((p, d), w)| w * p * d).sum();
        let span: f64 = dt.iter().zip(&w).map(|(d, w)| w * d * d).sum();
        // κ is left at zero where temperature and the other terms cannot be told apart.
        let kappa = if denominator > 1e-6 * span && span > 0.0 {
            projected.iter().zip(&mean).zip(&w).map(|((p, m), w)| w * p * m).sum::<f64>() / denominator
        } else {
            0.0
        };

        let pixels_n = means[0].len();
        let mut pixels = vec![(0.0, 0.0); pixels_n];
        for ((d, r), dt) in means.iter().zip(&rows).zip(&dt) {
            let shift = kappa * dt;
            for (p, v) in pixels.iter_mut().zip(d) {
                p.0 += r.0 * (v - shift);
                p.1 += r.1 * (v - shift);
            }
        }
        let mut residual = 0.0;
        for (((d, x), w), dt) in means.iter().zip(&x).zip(&w).zip(&dt) {
            let shift = kappa * dt;
            for ((p, v), _) in pixels.iter().zip(d).zip(left_out).filter(|(_, l)| !**l) {
                let e = v - shift - p.0 - p.1 * x;
                residual += w * e * e;
            }
        }
        let degrees = (kept * (samples.len() as f64 - 2.0)).max(1.0);
        let scale = (residual / degrees).max(1.0);
        Self { kappa, pixels, covariance: [scale * s2 / det, -scale * s1 / det, scale * s0 / det], residual }
    }
}

/// The β of least residual, and its standard uncertainty from the curvature there.
fn best_beta(samples: &[Sample], means: &[Vec<f64>], left_out: &[bool]) -> (f64, f64) {
    let cost = |b: f64| Solved::at(b, samples, means, left_out).residual;
    let (mut lo, mut hi) = BETA_BOUNDS;
    const GOLDEN: f64 = 0.618_033_988_749_894_9;
    let (mut a, mut b) = (hi - GOLDEN * (hi - lo), lo + GOLDEN * (hi - lo));
    let (mut fa, mut fb) = (cost(a), cost(b));
    for _ in 0..24 {
        if fa < fb {
            (hi, b, fb) = (b, a, fa);
            a = hi - GOLDEN * (hi - lo);
            fa = cost(a);
        } else {
            (lo, a, fa) = (a, b, fb);
            b = lo + GOLDEN * (hi - lo);
            fb = cost(b);
        }
    }
    let beta = 0.5 * (lo + hi);
    let h = 0.005;
    let best = cost(beta);
    let curvature = (cost(beta + h) + cost(beta - h) - 2.0 * best) / (h * h);
    let kept = left_out.iter().filter(|l| !**l).count() as f64;
    let degrees = (kept * (samples.len() as f64 - 2.0)).max(1.0);
    // χ² grows by one (scaled by its own reduced value) one standard uncertainty away.
    let u = if curvature > 0.0 { (2.0 * (best / degrees).max(1.0) / curvature).sqrt() } else { f64::INFINITY };
    (beta, u.clamp(1e-4, 0.05))
}

/// Offset and rate of one pixel from the darks in which it was not clipped.
fn fit_unclipped(
    pixel: usize,
    beta: f64,
    kappa: f64,
    samples: &[Sample],
    means: &[Vec<f64>],
    clipped: &[Vec<bool>],
) -> (f64, f64) {
    let (mut s0, mut s1, mut s2, mut b0, mut b1) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for ((s, d), _) in samples.iter().zip(means).zip(clipped).filter(|(_, c)| !c[pixel]) {
        let (x, v) = (s.t * (beta * s.dt).exp(), d[pixel] - kappa * s.dt);
        s0 += s.weight;
        s1 += s.weight * x;
        s2 += s.weight * x * x;
        b0 += s.weight * v;
        b1 += s.weight * x * v;
    }
    let det = s0 * s2 - s1 * s1;
    if det > 1e-9 * s0 * s2 {
        ((s2 * b0 - s1 * b1) / det, (s0 * b1 - s1 * b0) / det)
    } else if s0 > 0.0 {
        (b0 / s0, 0.0)
    } else {
        (0.0, 0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{PixelRanges, Shutter, Stamp};

    fn noise() -> Noise {
        Noise { electrons_per_count: 3.0, read_noise_counts: 5.0, saturation_fraction: 0.95, spill_pixels: 4 }
    }

    /// A detector's dark with a known law; `jitter` stands in for noise, deterministically.
    fn dark(t: f64, temperature_c: f64, exposures: usize, salt: u64) -> Frame {
        let factor = ((temperature_c - 20.0) / 7.0).exp2();
        let sums = (0..512_u64)
            .map(|i| {
                let rate = 15.0 + (i * 7 % 11) as f64 + if i % 97 == 5 { 600.0 } else { 0.0 };
                let offset = 1200.0 + (i % 13) as f64 + 2.0 * (temperature_c - 20.0);
                let x = (i.wrapping_mul(6364136223846793005) ^ salt.wrapping_mul(0x9E3779B97F4A7C15)) >> 33;
                let jitter = (x % 2001) as f64 / 1000.0 - 1.0;
                let one = offset + rate * factor * t + 3.0 * jitter;
                (one.clamp(0.0, 65535.0) * exposures as f64).round() as u32
            })
            .collect::<Vec<_>>();
        let clipped = PixelRanges::from_mask(&sums.iter().map(|s| *s >= 62_000 * exposures as u32).collect::<Vec<_>>());
        let stamps = (0..exposures).map(|k| Stamp { start: UtcMicros(k as i64), crc32: k as u32 }).collect();
        let temperature_c = Some(temperature_c);
        Frame { integration_s: t, shutter: Shutter::Closed, temperature_c, stamps, sums, clipped, spread: 0.0 }
    }

    fn model_of(frames: &[Frame]) -> Result<DarkModel, NoModel> {
        let library: Vec<_> =
            frames.iter().map(|f| LibraryDark { frame: f, temperature_c: f.temperature_c.unwrap() }).collect();
        DarkModel::fit(&library, &noise(), &[1.0])
    }

    /// Identity: a library made by the law itself gives the law back: doubling temperature, offset coefficient, rates,
    /// and a prediction ten kelvin outside the library within 3 % of the dark current.
    #[test]
    fn a_night_that_cools_teaches_the_model_a_warm_day() {
        let frames: Vec<Frame> = [18.0, 16.0, 14.0, 12.0, 10.0]
            .iter()
            .enumerate()
            .flat_map(|(k, c)| [0.01, 1.0, 10.0, 40.0].map(|t| dark(t, *c, 4, (k * 10) as u64 + t as u64)))
            .collect();
        let model = model_of(&frames).unwrap();
        let doubling = std::f64::consts::LN_2 / model.rate_exponent_per_k.unwrap();
        assert!((doubling - 7.0).abs() < 0.1, "doubling {doubling} K");
        assert!((model.offset_per_k - 2.0).abs() < 0.1, "offset coefficient {} counts/K", model.offset_per_k);
        let (got, want) = (model.predict(10.0, 28.0), mean_counts(&dark(10.0, 28.0, 4, 99)));
        for (i, (g, w)) in got.iter().zip(&want).enumerate() {
            assert!((g - w).abs() < 0.03 * (w - 1200.0) + 6.0, "pixel {i}: want {w}, got {g}");
        }
    }

    /// Identity: hot pixels that clip in long darks are fitted from the short ones.
    #[test]
    fn a_pixel_clipped_in_long_darks_is_known_from_short_ones() {
        let frames: Vec<Frame> = [(30.0, 1), (33.0, 2), (30.0, 3), (33.0, 4)]
            .iter()
            .flat_map(|(c, s)| [0.01, 3.0, 60.0].map(|t| dark(t, *c, 2, s + t as u64)))
            .collect();
        let hot = 5;
        assert!(frames.iter().any(|f| f.clipped.contains(hot)));
        let model = model_of(&frames).unwrap();
        let want = mean_counts(&dark(3.0, 31.0, 4, 7))[hot];
        let got = model.predict(3.0, 31.0)[hot];
        assert!((got - want).abs() < 0.05 * (want - 1200.0), "want {want}, got {got}");
    }

    /// Identity: a stored model is the model, to the bit; damaged bytes are an error, never a panic.
    #[test]
    fn a_model_survives_the_store_to_the_bit() {
        let model = model_of(&[dark(0.01, 10.0, 2, 1), dark(10.0, 14.0, 2, 2), dark(1.0, 12.0, 2, 2)]).unwrap();
        let bytes = model.encode();
        assert_eq!(DarkModel::decode(&bytes).unwrap(), model);
        for cut in 0..bytes.len() {
            assert!(DarkModel::decode(&bytes[..cut]).is_err());
        }
    }

    /// Identity: what cannot be fitted is said, and a model without a fitted β holds only near its library.
    #[test]
    fn a_model_never_claims_more_than_its_library() {
        assert!(matches!(model_of(&[dark(1.0, 10.0, 2, 1)]), Err(NoModel::TooFew(1))));
        assert!(matches!(model_of(&[dark(1.0, 10.0, 2, 1), dark(2.0, 10.0, 2, 1)]), Err(NoModel::TooAlike { .. })));
        let model = model_of(&[dark(0.01, 10.0, 2, 1), dark(10.0, 10.4, 2, 2)]).unwrap();
        assert_eq!(model.rate_exponent_per_k, None);
        assert!(model.holds_at(11.0) && !model.holds_at(15.0) && !model.holds_at(f64::NAN));
    }
}
