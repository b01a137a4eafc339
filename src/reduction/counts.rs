//! One frame: offset, linearity, dark. Counts become a rate with the noise of a single exposure's terms kept apart.

use super::dark_model::{DarkModel, mean_counts};
use super::linearity;
use super::scale::Scale;
use crate::calibration::{Calibration, Noise};
use crate::record::Frame;

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

/// One rung of the ladder with its dark.
#[derive(Clone, Copy, Debug)]
pub struct RungInput<'a> {
    /// The light.
    pub frame: &'a Frame,
    /// Its dark.
    pub dark: DarkFor<'a>,
}

/// A frame as signal.
#[derive(Clone, Debug)]
pub struct Signal {
    /// Light of every pixel [counts/s], dark subtracted, linear.
    pub rate: Vec<f64>,
    /// Dark current that was subtracted [counts/s].
    pub dark_rate: Vec<f64>,
    /// Variance of `rate` from the dark that served and from read noise [counts²/s²]; the light's own shot noise is
    /// added where the merged rate is known.
    pub dark_variance: Vec<f64>,
    /// Exposures × integration time [s].
    pub total_s: f64,
    /// Integration time [s].
    pub integration_s: f64,
    /// Pixels that cannot serve: clipped or within the spill length of a clipped one, and masked ones.
    pub out: Vec<bool>,
    /// Clipped (with spill) only.
    pub clipped: Vec<bool>,
    /// Standard uncertainty of the common dark level [counts/s].
    pub level_uncertainty: f64,
    /// Change of the dark rate for one standard uncertainty of the model's exponent [counts/s]; empty when none is used.
    pub exponent_effect: Vec<f64>,
}

/// Turns a frame into signal.
///
/// The common offset of every frame is taken from the light-shielded pixels: what they show beyond their dark is
/// electronics, not light. Without a sensor the model's own reference temperature stands in.
pub fn signal(rung: &RungInput<'_>, calibration: &Calibration, scale: &Scale) -> Signal {
    let frame = rung.frame;
    let pixels = scale.wavelength_nm.len();
    let n = frame.exposures().max(1) as f64;
    let t = frame.integration_s;
    let mut light = mean_counts(frame);
    light.resize(pixels, 0.0);
    let base = Baseline::of(rung, pixels);
    let noise = &calibration.noise;

    let (level, level_variance) = common_level(&light, &base, scale, noise, n);
    let mut rate = vec![0.0; pixels];
    let mut dark_rate = vec![0.0; pixels];
    let mut dark_variance = vec![0.0; pixels];
    let read = noise.read_noise_counts * noise.read_noise_counts;
    let shot = 1.0 / noise.electrons_per_count;
    for i in 0..pixels {
        let light_counts = linearity::correct(light[i] - base.offset[i] - level, &calibration.linearity);
        let dark_counts = base.dark_counts[i];
        rate[i] = (light_counts - dark_counts) / t;
        dark_rate[i] = dark_counts / t;
        let own = (read + shot * dark_counts.max(0.0)) / n;
        dark_variance[i] = (own + base.variance(i, read, shot)) / (t * t);
    }
    let clipped = spilled(&frame.clipped.to_mask(pixels), calibration.noise.spill_pixels);
    let out = clipped.iter().enumerate().map(|(i, c)| *c || scale.masked.binary_search(&i).is_ok()).collect();
    let exponent_effect = base.exponent_effect(t);
    Signal {
        rate,
        dark_rate,
        dark_variance,
        total_s: frame.total_s(),
        integration_s: t,
        out,
        clipped,
        level_uncertainty: level_variance.sqrt() / t,
        exponent_effect,
    }
}

/// What a frame would show without light, as this dark knows it.
struct Baseline<'a> {
    /// Offset of every pixel [counts].
    offset: Vec<f64>,
    /// Dark signal of one exposure above the offset, linear [counts].
    dark_counts: Vec<f64>,
    /// Exposures in the matched dark; 0 for the model.
    dark_exposures: f64,
    /// Variance of the model's prediction for a pixel of unit weight [counts²].
    model_variance: f64,
    /// Model and temperature, where the model alone serves.
    model: Option<(&'a DarkModel, f64)>,
}

impl<'a> Baseline<'a> {
    fn of(rung: &RungInput<'a>, pixels: usize) -> Self {
        let t = rung.frame.integration_s;
        match rung.dark {
            DarkFor::Model(model) => {
                let temperature = rung.frame.temperature_c.unwrap_or(model.reference_c);
                let (shift, factor) = (model.offset_shift(temperature), model.rate_factor(temperature) * t);
                let mut offset: Vec<f64> = model.offset.iter().map(|o| f64::from(*o) + shift).collect();
                let mut dark_counts: Vec<f64> = model.rate.iter().map(|r| f64::from(*r) * factor).collect();
                offset.resize(pixels, 0.0);
                dark_counts.resize(pixels, 0.0);
                let model_variance = model.variance(t, temperature);
                Self { offset, dark_counts, dark_exposures: 0.0, model_variance, model: Some((model, temperature)) }
            }
            DarkFor::Matched { dark, model } => {
                let mut mean = mean_counts(dark);
                mean.resize(pixels, 0.0);
                let offset = match (model, dark.temperature_c) {
                    (Some(m), Some(c)) if m.offset.len() == pixels && m.holds_at(c) => {
                        let shift = m.offset_shift(c);
                        m.offset.iter().map(|o| f64::from(*o) + shift).collect()
                    }
                    // Without a model the dark itself stands in for the offset: its own non-linearity (a few per cent of
                    // the dark current's share of full scale) is then left out.
                    _ => mean.clone(),
                };
                let mut dark_counts: Vec<f64> = mean.iter().zip(&offset).map(|(d, o)| d - o).collect();
                // The dark may be up to the allowed difference warmer or cooler than the light: ten per cent a kelvin in
                // a hot pixel, which the model knows better than nothing.
                if let (Some(m), Some(then), Some(now)) = (model, dark.temperature_c, rung.frame.temperature_c)
                    && m.rate.len() == pixels
                    && m.holds_at(then)
                    && m.holds_at(now)
                {
                    let change = (m.rate_factor(now) - m.rate_factor(then)) * t;
                    dark_counts.iter_mut().zip(&m.rate).for_each(|(d, r)| *d += f64::from(*r) * change);
                }
                Self {
                    offset,
                    dark_counts,
                    dark_exposures: dark.exposures().max(1) as f64,
                    model_variance: 0.0,
                    model: None,
                }
            }
        }
    }

    /// Variance of the dark signal that was subtracted from one exposure's counts [counts²].
    fn variance(&self, pixel: usize, read: f64, shot: f64) -> f64 {
        if self.dark_exposures > 0.0 {
            (read + shot * self.dark_counts[pixel].max(0.0)) / self.dark_exposures
        } else {
            // A pixel's own shot noise went into its fit as well: hot pixels are known less well.
            self.model_variance * (1.0 + shot * self.dark_counts[pixel].max(0.0) / read.max(1e-9))
        }
    }

    fn exponent_effect(&self, t: f64) -> Vec<f64> {
        match self.model {
            Some((model, temperature)) if model.rate_exponent_per_k.is_some() => {
                let k = model.exponent_uncertainty * (temperature - model.reference_c) / t;
                self.dark_counts.iter().map(|d| d * k).collect()
            }
            _ => Vec::new(),
        }
    }
}

/// Mean excess of the masked pixels over their dark [counts], and its variance [counts²]. Without masked pixels nothing
/// is corrected and the offset's own wander is unknown to this frame: the read noise of one pixel stands for it.
fn common_level(light: &[f64], base: &Baseline<'_>, scale: &Scale, noise: &Noise, n: f64) -> (f64, f64) {
    let read = noise.read_noise_counts * noise.read_noise_counts;
    if scale.masked.is_empty() {
        return (0.0, read);
    }
    let mut excess: Vec<f64> =
        scale.masked.iter().map(|i| light[*i] - base.offset[*i] - base.dark_counts[*i]).collect();
    let count = excess.len();
    excess.sort_unstable_by(f64::total_cmp);
    // The middle three quarters: one masked pixel turned hot must not move every other pixel.
    let cut = count / 8;
    let kept = &excess[cut..count - cut];
    let mean = kept.iter().sum::<f64>() / kept.len() as f64;
    let dark_part = if base.dark_exposures > 0.0 { read / base.dark_exposures } else { base.model_variance };
    (mean, (read / n + dark_part) / kept.len() as f64)
}

/// A mask widened by `margin` pixels on either side.
pub fn spilled(mask: &[bool], margin: u16) -> Vec<bool> {
    let margin = margin as usize;
    let mut wide = vec![false; mask.len()];
    for (i, _) in mask.iter().enumerate().filter(|(_, m)| **m) {
        let (a, b) = (i.saturating_sub(margin), (i + margin + 1).min(mask.len()));
        wide[a..b].fill(true);
    }
    wide
}
