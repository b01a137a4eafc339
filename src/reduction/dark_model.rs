//! The dark model: the counts of each pixel without light, for any integration time and temperature.
//!
//! `counts_i(t, T) = offset_i + κ·(T − T₀) + rate_i·exp(β·(T − T₀))·t`, fitted to a set of darks. β is fitted, never
//! assumed: published doubling temperatures range from 5 to 10 K. If the temperatures of the darks are too close together for
//! a fit, β is `None` and the model is valid only near these temperatures.
//!
//! Source of the form: CIE 233:2019 and WMO/GAW report 191 (from memory; every coefficient is fitted to the instrument's own darks, so
//! no value rests on them); Arrhenius behaviour linearised about T₀.

mod fit;

use crate::calibration::Noise;
use crate::clock::UtcMicros;
use crate::numeric::upper_median;
use crate::record::Frame;

/// Without a fitted β the model is valid up to this distance from the temperatures of its darks [K].
const HELD_MARGIN_K: f64 = 1.0;
/// Standard uncertainty of β where it could not be fitted and is taken as zero [1/K]: a doubling in 7 K.
const UNKNOWN_EXPONENT: f64 = 0.1;

/// The model is used up to this multiple of the longest integration time of its darks [1]: what is invisible in them grows with the
/// time, be it light or an error of the rate.
const LONGEST_FACTOR: f64 = 10.0;

/// One dark of the fit.
#[derive(Clone, Copy, Debug)]
pub struct FittingDark<'a> {
    /// The counts.
    pub frame: &'a Frame,
    /// The detector's temperature [°C].
    pub temperature_c: f64,
    /// The most light that may have been in it [lx].
    pub light_lx: f64,
}

/// A fitted model. Arrays have one entry per pixel, in `f32`, so that the stored model is exactly the one used.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct DarkModel {
    /// Offset at `reference_c` [counts].
    #[serde(skip)]
    pub offset: Vec<f32>,
    /// Dark rate at `reference_c` [counts/s].
    #[serde(skip)]
    pub rate: Vec<f32>,
    /// T₀ [°C].
    pub reference_c: f64,
    /// κ [counts/K].
    pub offset_per_k: f64,
    /// β [1/K]; `None` if it could not be fitted.
    pub rate_exponent_per_k: Option<f64>,
    /// Standard uncertainty of β [1/K]; of the value zero if β was not fitted.
    pub exponent_uncertainty: f64,
    /// Covariance of (offset, rate) for a pixel of unit weight: [c₀₀, c₀₁, c₁₁].
    pub covariance: [f64; 3],
    /// Range of temperatures of the darks [°C].
    pub temperature_range_c: (f64, f64),
    /// Range of integration times of the darks [s].
    pub integration_range_s: (f64, f64),
    /// End of the newest dark.
    pub newest: UtcMicros,
    /// Number of darks in the fit.
    pub darks: usize,
    /// The most light that may be in its rates [lx].
    #[serde(default)]
    pub light_lx: f64,
}

/// Why no model could be fitted.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NoModel {
    /// The integration times are too similar to separate offset and rate.
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
        /// Pixels of the differing one.
        found: usize,
    },
    /// Fewer than two darks.
    #[error("expected at least 2 darks, but found {0}")]
    TooFew(usize),
}

impl DarkModel {
    /// Fits the model to a set of darks.
    ///
    /// Deterministic: the same darks in the same order give the same bits.
    pub fn fit(darks: &[FittingDark<'_>], noise: &Noise, linearity: &[f64]) -> Result<Self, NoModel> {
        if darks.len() < 2 {
            return Err(NoModel::TooFew(darks.len()));
        }
        let pixels = darks[0].frame.sums.len();
        if let Some(odd) = darks.iter().find(|d| d.frame.sums.len() != pixels) {
            return Err(NoModel::PixelCount { expected: pixels, found: odd.frame.sums.len() });
        }
        let (lo_t, hi_t) = range(darks.iter().map(|d| d.frame.integration_s));
        if !(hi_t >= 3.0 * lo_t) {
            return Err(NoModel::TooAlike { shortest_s: lo_t, longest_s: hi_t });
        }
        let (lo_c, hi_c) = range(darks.iter().map(|d| d.temperature_c));
        let reference_c = 0.5 * (lo_c + hi_c);
        let fitted = fit::fit(darks, reference_c, noise, linearity);
        let (beta, beta_u) = fitted.exponent.map_or((None, UNKNOWN_EXPONENT), |(b, u)| (Some(b), u));
        Ok(Self {
            offset: fitted.pixels.iter().map(|p| p.0 as f32).collect(),
            rate: fitted.pixels.iter().map(|p| p.1 as f32).collect(),
            reference_c,
            offset_per_k: fitted.offset_per_k,
            rate_exponent_per_k: beta,
            exponent_uncertainty: beta_u,
            covariance: fitted.covariance,
            temperature_range_c: (lo_c, hi_c),
            integration_range_s: (lo_t, hi_t),
            newest: darks.iter().map(|d| d.frame.end()).max().unwrap_or_default(),
            darks: darks.len(),
            light_lx: light_in_rate_lx(darks),
        })
    }

    /// Whether the model is valid at a temperature: always with a fitted β (the uncertainty grows with the distance), otherwise
    /// only near the temperatures of its darks.
    pub fn holds_at(&self, temperature_c: f64) -> bool {
        let (lo, hi) = self.temperature_range_c;
        self.rate_exponent_per_k.is_some() && temperature_c.is_finite()
            || (temperature_c >= lo - HELD_MARGIN_K && temperature_c <= hi + HELD_MARGIN_K)
    }

    /// Whether the model is valid for an integration time [s].
    pub fn holds_for(&self, integration_s: f64) -> bool {
        integration_s <= LONGEST_FACTOR * self.integration_range_s.1
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

    /// Variance of the prediction for a pixel of unit weight [counts²].
    pub fn variance(&self, integration_s: f64, temperature_c: f64) -> f64 {
        let x = self.rate_factor(temperature_c) * integration_s;
        let [c00, c01, c11] = self.covariance;
        (c00 + 2.0 * x * c01 + x * x * c11).max(0.0)
    }

    /// As bytes for the store: one line of JSON (everything but the arrays), then the offsets and the rates as
    /// little-endian f32.
    pub fn encode(&self) -> Vec<u8> {
        let head = Head { pixels: self.offset.len(), model: self.clone() };
        // Plain numbers always become JSON; an empty line would be refused by `decode`.
        let mut bytes = serde_json::to_vec(&head).unwrap_or_default();
        bytes.push(b'\n');
        bytes.extend(self.offset.iter().chain(&self.rate).flat_map(|x| x.to_le_bytes()));
        bytes
    }

    /// From the bytes of [`Self::encode`].
    pub fn decode(bytes: &[u8]) -> Result<Self, String> {
        let line = bytes.iter().position(|b| *b == b'\n').ok_or("expected a line of JSON, but found no end of it")?;
        let Head { pixels, model } =
            serde_json::from_slice(&bytes[..line]).map_err(|why| format!("expected a dark model, but found {why}"))?;
        let (numbers, rest) = bytes[line + 1..].as_chunks::<4>();
        if !rest.is_empty() || pixels.checked_mul(2) != Some(numbers.len()) {
            let found = bytes.len() - line - 1;
            return Err(format!(
                "expected offsets and rates of {pixels} pixels, 4 bytes each, but found {found} bytes"
            ));
        }
        let numbers: Vec<f32> = numbers.iter().map(|b| f32::from_le_bytes(*b)).collect();
        let (offset, rate) = numbers.split_at(pixels);
        Ok(Self { offset: offset.to_vec(), rate: rate.to_vec(), ..model })
    }

    /// Median offset [counts] and median rate [counts/s] at a temperature, for the comparison of models.
    pub fn summary(&self, temperature_c: f64) -> (f64, f64) {
        let middle = |values: &[f32]| {
            let mut values: Vec<f64> = values.iter().copied().map(f64::from).collect();
            upper_median(&mut values).unwrap_or(0.0)
        };
        let offset = middle(&self.offset) + self.offset_shift(temperature_c);
        (offset, middle(&self.rate) * self.rate_factor(temperature_c))
    }
}

/// What is written as JSON.
#[derive(serde::Serialize, serde::Deserialize)]
struct Head {
    pixels: usize,
    #[serde(flatten)]
    model: DarkModel,
}

/// The most light that may be in the fitted rates [lx]. Light of E in a dark of t seconds adds E·t to it, so the rates hold the
/// light of each dark in proportion to its weight in the slope of a straight line over the times.
fn light_in_rate_lx(darks: &[FittingDark<'_>]) -> f64 {
    let weighted = |of: &dyn Fn(&FittingDark<'_>) -> f64| {
        darks.iter().map(|d| d.frame.exposures().max(1) as f64 * of(d)).sum::<f64>()
    };
    let mean_s = weighted(&|d| d.frame.integration_s) / weighted(&|_| 1.0);
    let lever = |d: &FittingDark<'_>| (d.frame.integration_s - mean_s) * d.frame.integration_s;
    (weighted(&|d| lever(d) * d.light_lx) / weighted(&lever)).max(0.0)
}

fn range(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| (lo.min(v), hi.max(v)))
}

/// Mean counts of one exposure.
pub fn mean_counts(frame: &Frame) -> Vec<f64> {
    let n = frame.exposures().max(1) as f64;
    frame.sums.iter().map(|s| f64::from(*s) / n).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{PixelRanges, Shutter, Stamp};

    fn noise() -> Noise {
        Noise { electrons_per_count: 3.0, read_noise_counts: 5.0, saturation_fraction: 0.95, blooming_pixels: 4 }
    }

    /// A dark that follows a known law; `jitter` is deterministic noise.
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
        Frame {
            integration_s: t,
            shutter: Shutter::Closed,
            temperature_c,
            stamps,
            sums,
            clipped,
            light_variation: 0.0,
            ripple: Vec::new(),
            rejected: Vec::new(),
        }
    }

    fn model_of(frames: &[Frame]) -> Result<DarkModel, NoModel> {
        let darks: Vec<_> = frames
            .iter()
            .map(|f| FittingDark { frame: f, temperature_c: f.temperature_c.unwrap(), light_lx: 0.0 })
            .collect();
        DarkModel::fit(&darks, &noise(), &[1.0])
    }

    /// Identity: a fit to darks made by the law recovers its doubling temperature, offset coefficient and rates; a prediction
    /// ten kelvin outside the fitted range is within 3 % of the dark current.
    #[test]
    fn darks_of_a_cooling_night_predict_a_warm_day() {
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

    /// Hot pixels that clip in long darks are fitted from the short darks.
    #[test]
    fn a_pixel_clipped_in_long_darks_is_fitted_from_short_ones() {
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

    /// Identity: a stored model reads back to the same bits; truncated bytes give an error, not a panic.
    #[test]
    fn a_model_survives_the_store_to_the_bit() {
        let model = model_of(&[dark(0.01, 10.0, 2, 1), dark(10.0, 14.0, 2, 2), dark(1.0, 12.0, 2, 2)]).unwrap();
        let bytes = model.encode();
        assert_eq!(DarkModel::decode(&bytes).unwrap(), model);
        for cut in 0..bytes.len() {
            assert!(DarkModel::decode(&bytes[..cut]).is_err());
        }
    }

    /// A fit that is impossible gives an error; a model without a fitted β is valid only near the temperatures of its darks.
    #[test]
    fn a_model_is_valid_only_where_its_darks_support_it() {
        assert!(matches!(model_of(&[dark(1.0, 10.0, 2, 1)]), Err(NoModel::TooFew(1))));
        assert!(matches!(model_of(&[dark(1.0, 10.0, 2, 1), dark(2.0, 10.0, 2, 1)]), Err(NoModel::TooAlike { .. })));
        let model = model_of(&[dark(0.01, 10.0, 2, 1), dark(10.0, 10.4, 2, 2)]).unwrap();
        assert_eq!(model.rate_exponent_per_k, None);
        assert!(model.holds_at(11.0) && !model.holds_at(15.0) && !model.holds_at(f64::NAN));
    }
}
