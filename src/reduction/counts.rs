//! One frame: offset, linearity, dark. Counts become a rate with the noise of a single exposure's terms kept apart.

use super::blooming::widened_ranges;
use super::dark_model::DarkModel;
use super::linearity::{self, Polynomial};
use super::scale::Scale;
use super::sums::trimmed_mean;
use crate::calibration::Calibration;
use crate::record::Frame;
use std::borrow::Cow;
use std::ops::Range;

/// The dark that serves a frame.
#[derive(Clone, Copy, Debug)]
pub enum DarkFor<'a> {
    /// A dark of the same integration time and temperature; the model, where there is one, knows its offsets.
    Matched {
        /// The dark.
        dark: &'a Frame,
        /// The model in force.
        model: Option<&'a DarkModel>,
    },
    /// The model alone.
    Model(&'a DarkModel),
}

/// One bracket of the bracketing with its dark.
#[derive(Clone, Copy, Debug)]
pub struct BracketInput<'a> {
    /// The light.
    pub frame: &'a Frame,
    /// Its dark.
    pub dark: DarkFor<'a>,
}

/// A frame as signal.
#[derive(Clone, Debug, Default)]
pub struct Signal {
    /// Light of every pixel [counts/s], dark subtracted, linear.
    pub rate: Vec<f64>,
    /// Dark current that was subtracted [counts/s].
    pub dark_rate: Vec<f64>,
    /// Variance of `rate` from the dark that served and from read noise, apart from the dark current's shot noise
    /// [counts²/s²]. The light's own shot noise is added where the merged rate is known.
    pub base_variance: f64,
    /// What a count a second of dark current adds to it [counts/s].
    pub variance_per_dark: f64,
    /// Exposures × integration time [s].
    pub total_s: f64,
    /// Clipped pixels and those within the blooming length of one, ascending and apart.
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

/// Turns a frame into signal.
///
/// The common offset of every frame is taken from the light-shielded pixels beyond the blooming length of any clipped one: what they show
/// beyond their dark is electronics, not light. Without a sensor the model's own reference temperature stands in.
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
        clipped: widened_ranges(&frame.clipped, noise.blooming_pixels, pixels),
        ..Signal::default()
    };

    let light = Light { sums: fitted(&frame.sums, pixels), exposures: n, integration_s: t };
    let polynomial = Polynomial::new(&calibration.linearity);
    // What the dark itself is uncertain by: its read noise, and its shot noise for a count of dark [counts², counts].
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
            // A pixel's own shot noise went into its fit as well: hot pixels are known less well.
            let variance = model.variance(t, temperature);
            ((variance, variance * shot / read.max(1e-9)), level)
        }
        DarkFor::Matched { dark, model } => {
            let exposures = dark.exposures().max(1) as f64;
            let (sums, per_exposure) = (fitted(&dark.sums, pixels), 1.0 / exposures);
            let level = match (model, dark.temperature_c) {
                (Some(m), Some(then)) if m.offset.len() == pixels && m.rate.len() == pixels && m.holds_at(then) => {
                    let shift = m.offset_shift(then);
                    // The dark may be up to the allowed difference warmer or cooler than the light: ten per cent a kelvin
                    // in a hot pixel, which the model knows better than nothing.
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
                // Without a model the dark itself stands in for the offset: its own non-linearity (a few per cent of
                // the dark current's share of full scale) is then left out.
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
    // Without shielded pixels the offset's own wander is unknown to this frame: the read noise of one pixel stands for it.
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

/// Pixels that are worked on at a time.
const TILE: usize = 64;

impl Light<'_> {
    /// Fills rate and dark rate; `baseline` fills in offset and dark signal of some pixels in one exposure [counts]. Answers
    /// how many shielded pixels the common level was taken from.
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
        // Charge from clipped neighbours is light.
        let clean = |i: &usize| !out.clipped.iter().any(|blooming| blooming.contains(i));
        for i in scale.shielded.iter().copied().filter(clean) {
            baseline(i..i + 1, &mut offset[..1], &mut dark[..1]);
            excess.push(f64::from(self.sums[i]) * per_exposure - offset[0] - dark[0]);
        }
        // The middle three quarters: one shielded pixel turned hot must not move every other pixel.
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

/// As many numbers as there are pixels: what is missing counts as zero, what is too much is left out.
fn fitted<T: Copy + Default>(values: &[T], pixels: usize) -> Cow<'_, [T]> {
    if values.len() >= pixels {
        return Cow::Borrowed(&values[..pixels]);
    }
    let mut longer = values.to_vec();
    longer.resize(pixels, T::default());
    Cow::Owned(longer)
}
