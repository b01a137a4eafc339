//! Reduction of one frame: offset, linearity, dark. Converts counts to a count rate with the terms of its variance.

use super::blooming::widened_ranges;
use super::dark_model::DarkModel;
use super::linearity::{self, Polynomial};
use super::scale::Scale;
use super::sums::trimmed_mean;
use crate::calibration::Calibration;
use crate::record::Frame;
use std::borrow::Cow;
use std::ops::Range;

/// The dark used for a frame.
#[derive(Clone, Copy, Debug)]
pub enum DarkFor<'a> {
    /// A dark of the same integration time and temperature; the model, if present, gives the offsets.
    Matched {
        /// The dark.
        dark: &'a Frame,
        /// The active model.
        model: Option<&'a DarkModel>,
    },
    /// The dark model only.
    Model(&'a DarkModel),
}

/// One bracket with its dark.
#[derive(Clone, Copy, Debug)]
pub struct BracketInput<'a> {
    /// The light frame.
    pub frame: &'a Frame,
    /// Its dark.
    pub dark: DarkFor<'a>,
    /// The most light that may have been in the dark [lx]; 0 behind a shutter.
    pub dark_light_lx: f64,
}

/// A frame as count rates.
#[derive(Clone, Debug, Default)]
pub struct Signal {
    /// Rate of every pixel [counts/s], linearised, dark subtracted.
    pub rate: Vec<f64>,
    /// Dark current that was subtracted [counts/s].
    pub dark_rate: Vec<f64>,
    /// Variance of `rate` from read noise and the dark, without the shot noise of the dark current [counts²/s²]. The merge
    /// adds the shot noise of the light.
    pub base_variance: f64,
    /// Variance per unit of dark rate, added to `base_variance` [counts/s].
    pub variance_per_dark: f64,
    /// Exposures × integration time [s].
    pub total_s: f64,
    /// Integration time of one exposure [s].
    pub integration_s: f64,
    /// Clipped pixels and those within the blooming length of one, ascending and disjoint.
    pub clipped: Vec<Range<usize>>,
    /// Standard uncertainty of the common dark level [counts/s].
    pub level_uncertainty: f64,
    /// Relative change of the dark rate for one standard uncertainty of the model's exponent [1]; 0 when none is used.
    pub exponent_effect: f64,
}

impl Signal {
    /// Variance of a pixel's rate without the light's shot noise [counts²/s²].
    #[inline(always)]
    pub fn dark_variance(&self, dark_rate: f64) -> f64 {
        self.base_variance + self.variance_per_dark * dark_rate.max(0.0)
    }
}

/// Converts a frame to count rates.
///
/// The drift of the electronic offset is the mean excess of the shielded pixels over their dark, without those within the
/// blooming length of a clipped pixel. Without a temperature sensor the reference temperature of the model is used.
#[inline(always)]
pub fn signal(bracket: &BracketInput<'_>, calibration: &Calibration, scale: &Scale) -> Signal {
    let frame = bracket.frame;
    let pixels = scale.wavelength_nm.len();
    let (n, t) = (frame.exposures().max(1) as f64, frame.integration_s);
    let noise = &calibration.noise;
    let read = noise.read_noise_counts * noise.read_noise_counts;
    let shot = 1.0 / noise.electrons_per_count;
    let mut out = Signal {
        rate: vec![0.0; pixels],
        dark_rate: vec![0.0; pixels],
        total_s: frame.total_s(),
        integration_s: t,
        clipped: widened_ranges(&frame.clipped, noise.blooming_pixels, pixels),
        ..Signal::default()
    };

    let light = Light { sums: fitted(&frame.sums, pixels), exposures: n, integration_s: t };
    let polynomial = Polynomial::new(&calibration.linearity);
    // Variance of the dark: read noise [counts²], and shot noise per count of dark [counts].
    let ((dark_read, dark_shot), level) = match bracket.dark {
        DarkFor::Model(model) => {
            let temperature = frame.temperature_c.unwrap_or(model.reference_c);
            let (shift, factor) = (model.offset_shift(temperature), model.rate_factor(temperature) * t);
            let (offset, rate) = (fitted(&model.offset, pixels), fitted(&model.rate, pixels));
            let level = light.subtract(&polynomial, scale, &mut out, |at, offsets, darks| {
                for ((to, dark), (o, r)) in offsets.iter_mut().zip(darks).zip(offset[at.clone()].iter().zip(&rate[at]))
                {
                    *to = f64::from(*o) + shift;
                    *dark = f64::from(*r) * factor;
                }
            });
            out.exponent_effect = model.exponent_uncertainty * (temperature - model.reference_c);
            // The shot noise of a pixel also enters its fit, so the variance grows with its dark signal.
            let variance = model.variance(t, temperature);
            ((variance, variance * shot / read.max(1e-9)), level)
        }
        DarkFor::Matched { dark, model } => {
            let exposures = dark.exposures().max(1) as f64;
            let (sums, per_exposure) = (fitted(&dark.sums, pixels), 1.0 / exposures);
            let level = match (model, dark.temperature_c) {
                (Some(m), Some(then)) if m.offset.len() == pixels && m.rate.len() == pixels && m.holds_at(then) => {
                    let shift = m.offset_shift(then);
                    // The temperature of the dark may differ from that of the light by the allowed difference; the model
                    // corrects for it (about 10 % per kelvin in a hot pixel).
                    let change = match frame.temperature_c {
                        Some(now) if m.holds_at(now) => (m.rate_factor(now) - m.rate_factor(then)) * t,
                        _ => 0.0,
                    };
                    light.subtract(&polynomial, scale, &mut out, |at, offsets, darks| {
                        let model = m.offset[at.clone()].iter().zip(&m.rate[at.clone()]);
                        for (((to, dark), sum), (o, r)) in offsets.iter_mut().zip(darks).zip(&sums[at]).zip(model) {
                            let offset = f64::from(*o) + shift;
                            *to = offset;
                            *dark = f64::from(*sum) * per_exposure - offset + f64::from(*r) * change;
                        }
                    })
                }
                // Without a model the dark is used as the offset; the non-linearity of the dark signal (a few per cent of
                // the dark current's share of full scale) is neglected.
                _ => light.subtract(&polynomial, scale, &mut out, |at, offsets, darks| {
                    for ((to, dark), sum) in offsets.iter_mut().zip(darks).zip(&sums[at]) {
                        *to = f64::from(*sum) * per_exposure;
                        *dark = 0.0;
                    }
                }),
            };
            ((read / exposures, shot / exposures), level)
        }
    };
    out.base_variance = (read / n + dark_read) / (t * t);
    out.variance_per_dark = (shot / n + dark_shot) / t;
    // Without shielded pixels the drift of the offset is unknown; the read noise of one pixel is its uncertainty.
    let level_variance = match level {
        0 => read,
        kept => (read / n + dark_read) / kept as f64,
    };
    out.level_uncertainty = level_variance.sqrt() / t;
    out
}

/// The counts of a frame.
struct Light<'a> {
    sums: Cow<'a, [u32]>,
    exposures: f64,
    integration_s: f64,
}

/// Pixels processed at a time.
const TILE: usize = 64;

impl Light<'_> {
    /// Computes rate and dark rate; `baseline` gives offset and dark signal of a range of pixels in one exposure [counts].
    /// Returns the number of shielded pixels in the mean level.
    #[inline(always)]
    fn subtract(
        &self,
        polynomial: &Polynomial<'_>,
        scale: &Scale,
        out: &mut Signal,
        baseline: impl Fn(Range<usize>, &mut [f64], &mut [f64]),
    ) -> usize {
        let (per_exposure, per_s) = (1.0 / self.exposures, 1.0 / self.integration_s);
        let (mut offset, mut dark, mut counts) = ([0.0; TILE], [0.0; TILE], [0.0; TILE]);
        let mut excess: Vec<f64> = Vec::with_capacity(scale.shielded.len());
        // Pixels that received charge from clipped neighbours are excluded.
        let clean = |i: &usize| !out.clipped.iter().any(|blooming| blooming.contains(i));
        for i in scale.shielded.iter().copied().filter(clean) {
            baseline(i..i + 1, &mut offset[..1], &mut dark[..1]);
            excess.push(f64::from(self.sums[i]) * per_exposure - offset[0] - dark[0]);
        }
        // Trimmed by an eighth on either side, so that one hot shielded pixel does not shift all others.
        let cut = excess.len() / 8;
        let (level, kept) = trimmed_mean(&mut excess, cut).unwrap_or((0.0, 0));
        let tiles = out.rate.chunks_mut(TILE).zip(out.dark_rate.chunks_mut(TILE)).zip(self.sums.chunks(TILE));
        for (k, ((rate, dark_rate), sums)) in tiles.enumerate() {
            let n = sums.len();
            baseline(k * TILE..k * TILE + n, &mut offset[..n], &mut dark[..n]);
            for (((c, s), o), d) in counts.iter_mut().zip(sums).zip(&offset).zip(dark_rate.iter_mut().zip(&dark)) {
                *c = f64::from(*s) * per_exposure - o - level;
                *d.0 = d.1 * per_s;
            }
            match *polynomial {
                Polynomial::Short(p) => {
                    for ((r, c), d) in rate.iter_mut().zip(&counts).zip(&dark) {
                        *r = (linearity::correct_short(*c, p) - d) * per_s;
                    }
                }
                Polynomial::Long(p) => {
                    for ((r, c), d) in rate.iter_mut().zip(&counts).zip(&dark) {
                        *r = (linearity::correct(*c, p) - d) * per_s;
                    }
                }
            }
        }
        kept
    }
}

/// Resizes to the number of pixels: missing values are zero, excess values are dropped.
fn fitted<T: Copy + Default>(values: &[T], pixels: usize) -> Cow<'_, [T]> {
    if values.len() >= pixels {
        return Cow::Borrowed(&values[..pixels]);
    }
    let mut longer = values.to_vec();
    longer.resize(pixels, T::default());
    Cow::Owned(longer)
}
