//! The detector with its grating: from light on the grid to the counts of every pixel.
//!
//! Order of the effects: slit and response, stray light, dark charge, blooming of clipped pixels, shot noise, non-linearity of the
//! total charge, offset, read noise, converter. The corrections of the certificate invert it exactly but for noise and rounding.
//!
//! Invariant: the same seed and the same calls give the same bits.

use super::faults::PixelFault;
use super::light::Grid;
use super::settings::DetectorSettings;
use super::slit::{SHIFT_STEP_NM, Slit};
use super::stray::Stray;
use super::thermal::Condition;
use crate::clock::UtcMicros;
use crate::spectrum::wide;
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;
use rand_pcg::Pcg64Mcg;

/// Seconds in a mean month.
const MONTH_S: f64 = 30.436_875 * 86_400.0;

/// Pixels converted side by side.
const SIDE: usize = 8;

/// Conditions of one exposure.
#[derive(Clone, Copy, Debug)]
pub struct ExposureConditions {
    /// Its start.
    pub start: UtcMicros,
    /// Integration time [s].
    pub length_s: f64,
    /// Whether the shutter is open.
    pub open: bool,
    /// State of the detector.
    pub condition: Condition,
    /// Time since the calibration [s], for the loss of response.
    pub age_s: f64,
    /// Response relative to its initial value, without ageing [1].
    pub response: f64,
    /// Dark current relative to its initial value [1].
    pub dark: f64,
}

/// The detector.
#[derive(Clone, Debug)]
pub struct Detector {
    /// Its parameters.
    pub settings: DetectorSettings,
    /// Degraded pixels.
    pub pixel_faults: Vec<PixelFault>,
    /// Whether there is noise (shot, read); tests of the physics switch it off.
    pub noise: bool,
    wavelength_nm: Vec<f64>,
    lit: Vec<bool>,
    offset: Vec<f64>,
    dark_rate_20: Vec<f64>,
    /// Relative change of the response per kelvin.
    per_k: Vec<f64>,
    slit: Slit,
    /// Wavelength shift of the slit's weights [SHIFT_STEP_NM].
    slit_shift: Option<i64>,
    stray: Stray,
    random: Pcg64Mcg,
    charge: Vec<f64>,
    /// Mean and standard deviation of the converter's input, and the standard normal deviates.
    converted: [Vec<f64>; 3],
    scratch: Vec<f64>,
}

impl Detector {
    /// A detector with these settings and seed, for light on `grid`.
    ///
    /// daylight: full daylight on the grid [W m⁻² nm⁻¹], which scales the stray floor.
    pub fn new(settings: &DetectorSettings, seed: u64, grid: Grid, daylight: &[f64]) -> Self {
        let n = settings.pixels;
        let mut build = Pcg64Mcg::seed_from_u64(seed ^ 0xde7e_c708);
        let mut normal = |sd: f64| sd * build.sample::<f64, _>(StandardNormal);
        let offset = (0..n).map(|_| settings.offset_counts + normal(settings.offset_pattern_counts)).collect();
        let mut dark_rate_20: Vec<f64> =
            (0..n).map(|_| settings.dark_counts_per_s * normal(settings.dark_scatter).exp()).collect();
        for rate in &mut dark_rate_20 {
            if build.random::<f64>() < settings.hot_share {
                *rate *= 5.0 * (settings.hot_factor / 5.0).powf(build.random::<f64>());
            }
        }
        let mut lit = vec![true; n];
        for range in &settings.shielded {
            lit[range[0]..=range[1]].fill(false);
        }
        let wavelength_nm = (0..n)
            .map(|p| settings.wavelength_coefficients.iter().rev().fold(0.0, |sum, c| sum * p as f64 + c))
            .collect();
        let mut detector = Self {
            slit: Slit::new(settings.fwhm_nm, grid),
            stray: Stray {
                floor_of_mean: 0.0,
                wing: settings.stray_wing,
                decay: (-1.0 / settings.stray_wing_pixels).exp(),
                unevenness: Vec::new(),
            },
            settings: settings.clone(),
            pixel_faults: Vec::new(),
            noise: true,
            wavelength_nm,
            lit,
            offset,
            dark_rate_20,
            slit_shift: None,
            random: Pcg64Mcg::seed_from_u64(seed ^ 0x5eed_0f01),
            charge: vec![0.0; n],
            per_k: Vec::new(),
            converted: std::array::from_fn(|_| vec![0.0; n]),
            scratch: Vec::new(),
        };
        detector.per_k = detector.wavelength_nm.iter().map(|nm| detector.response_per_k(*nm)).collect();
        let mut rate = vec![0.0; n];
        detector.in_band(daylight, 0.0, &mut rate);
        let count = detector.lit.iter().filter(|l| **l).count().max(1);
        let mean = rate.iter().sum::<f64>() / count as f64;
        let peak = rate.iter().copied().fold(0.0, f64::max);
        if mean > 0.0 {
            detector.stray.floor_of_mean = settings.stray_floor * peak / mean;
        }
        detector
    }

    /// Sets the ratio of the stray floor outside a band [nm] to that inside [1].
    pub fn set_floor_outside(&mut self, band_nm: [f64; 2], ratio: f64) {
        let inside = |nm: &f64| (band_nm[0]..=band_nm[1]).contains(nm);
        self.stray.unevenness = self.wavelength_nm.iter().map(|nm| if inside(nm) { 1.0 } else { ratio }).collect();
    }

    /// Adds a deviation to the wavelength of each pixel [nm]: what the laboratory does not know of the scale.
    pub fn deviate_scale(&mut self, deviation: impl Fn(f64) -> f64) {
        self.wavelength_nm.iter_mut().for_each(|nm| *nm += deviation(*nm));
        self.slit_shift = None;
    }

    /// True wavelengths of the pixels at the reference temperature [nm].
    pub fn wavelength_nm(&self) -> &[f64] {
        &self.wavelength_nm
    }

    /// Which pixels receive light.
    pub fn lit(&self) -> &[bool] {
        &self.lit
    }

    /// True in-band response of the new detector at a wavelength [nm] and the reference temperature [counts s⁻¹ / (W m⁻² nm⁻¹)].
    pub fn response(&self, nm: f64) -> f64 {
        let x = (nm / self.settings.response_peak_nm).ln() / self.settings.response_width;
        self.settings.response_peak * (-x * x).exp()
    }

    /// Relative change of the response per kelvin at a wavelength [nm].
    pub fn response_per_k(&self, nm: f64) -> f64 {
        let (low, high) = (self.settings.response_per_k, self.settings.response_per_k_infrared);
        low + (high - low) * ((nm - 900.0) / 150.0).clamp(0.0, 1.0)
    }

    /// In-band count rates [counts/s] of light on the grid, with the scale shifted by `shift_nm`, before stray light.
    pub fn in_band(&mut self, light: &[f64], shift_nm: f64, rate: &mut [f64]) {
        let key = (shift_nm / SHIFT_STEP_NM).round() as i64;
        if self.slit_shift != Some(key) {
            let shift = key as f64 * SHIFT_STEP_NM;
            let gain: Vec<f64> = self
                .wavelength_nm
                .iter()
                .zip(&self.lit)
                .map(|(nm, lit)| if *lit { self.response(nm + shift) } else { 0.0 })
                .collect();
            self.slit.build_weights(&self.wavelength_nm, shift, &gain);
            self.slit_shift = Some(key);
        }
        self.slit.apply(light, rate);
    }

    /// Count rates of the new detector [counts/s], with stray light, at the reference temperature.
    pub fn light_rates(&mut self, light: &[f64], shift_nm: f64) -> Vec<f64> {
        let mut rate = vec![0.0; self.settings.pixels];
        self.in_band(light, shift_nm, &mut rate);
        self.stray.add(&mut rate, &self.lit, &mut Vec::new());
        rate
    }

    /// Takes one exposure of light on the grid, behind the optic.
    pub fn expose(&mut self, light: &[f64], conditions: ExposureConditions) -> Vec<u32> {
        let has_started = |f: &&PixelFault| f.from.is_none_or(|from| conditions.start >= from);
        let faults: Vec<PixelFault> = self.pixel_faults.iter().filter(has_started).cloned().collect();
        let mut charge = std::mem::take(&mut self.charge);
        if conditions.open {
            self.photo_rates(light, &conditions, &faults, &mut charge);
        } else {
            charge.fill(0.0);
        }
        self.integrate_with_dark(&conditions, &faults, &mut charge);
        self.blooming(&mut charge);
        let counts = self.convert(&charge, &conditions, &faults);
        self.charge = charge;
        counts
    }

    /// Detector temperature above the reference temperature [K].
    fn excess_k(&self, conditions: &ExposureConditions) -> f64 {
        conditions.condition.temperature_c - self.settings.reference_temperature_c
    }

    /// Count rates of the light [counts/s], with stray light.
    fn photo_rates(
        &mut self,
        light: &[f64],
        conditions: &ExposureConditions,
        faults: &[PixelFault],
        rates: &mut [f64],
    ) {
        let excess_k = self.excess_k(conditions);
        let shift = self.settings.wavelength_shift_nm_per_k * excess_k + conditions.condition.extra_shift_nm;
        self.in_band(light, shift, rates);
        for (rate, per_k) in rates.iter_mut().zip(&self.per_k) {
            *rate *= conditions.response * (1.0 + per_k * excess_k);
        }
        self.age(rates, conditions.age_s);
        let dead = || faults.iter().filter(|f| f.dead).map(|f| f.pixel);
        dead().for_each(|pixel| rates[pixel] = 0.0);
        let mut scratch = std::mem::take(&mut self.scratch);
        self.stray.add(rates, &self.lit, &mut scratch);
        self.scratch = scratch;
        dead().for_each(|pixel| rates[pixel] = 0.0);
    }

    /// Adds dark current to the rates of the light and integrates them to charges [counts].
    fn integrate_with_dark(&self, conditions: &ExposureConditions, faults: &[PixelFault], charge: &mut [f64]) {
        let doubling = ((conditions.condition.temperature_c - 20.0) / self.settings.dark_doubling_k).exp2();
        let dark = doubling * self.settings.dark_factor * conditions.dark;
        for (rate, dark_20) in charge.iter_mut().zip(&self.dark_rate_20) {
            *rate = (*rate + dark_20 * dark) * conditions.length_s;
        }
        for fault in faults {
            charge[fault.pixel] += fault.hot_counts_per_s * doubling * conditions.length_s;
            if fault.dead {
                charge[fault.pixel] = 0.0;
            }
        }
    }

    /// Converts charges to counts: noise, non-linearity, offset, full scale, noisy and stuck pixels.
    fn convert(&mut self, charge: &[f64], conditions: &ExposureConditions, faults: &[PixelFault]) -> Vec<u32> {
        let common =
            self.settings.offset_counts_per_k * self.excess_k(conditions) + conditions.condition.extra_offset_counts;
        let [mean, deviation, drawn] = &mut self.converted;
        if self.noise {
            drawn.fill_with(|| self.random.sample(StandardNormal));
        } else {
            drawn.fill(0.0);
        }
        let full = f64::from(self.settings.full_scale);
        let mut counts = Vec::with_capacity(charge.len());
        wide::run(Convert {
            charge,
            offset: &self.offset,
            drawn,
            common,
            linearity: &self.settings.linearity_coefficients,
            read_variance: self.settings.read_noise_counts.powi(2),
            per_electron: 1.0 / self.settings.electrons_per_count,
            full,
            mean,
            deviation,
            counts: &mut counts,
        });
        for fault in faults {
            let count = &mut counts[fault.pixel];
            if fault.noise_counts > 0.0 && self.noise {
                let more = fault.noise_counts * self.random.sample::<f64, _>(StandardNormal);
                *count = (f64::from(*count) + more).round().clamp(0.0, full) as u32;
            }
            *count = fault.stuck_counts.unwrap_or(*count).min(self.settings.full_scale);
        }
        counts
    }

    /// Loss of response with age.
    fn age(&self, rate: &mut [f64], age_s: f64) {
        let (all, uv) = (self.settings.response_loss_per_month, self.settings.response_loss_uv_per_month);
        if all == 0.0 && uv == 0.0 {
            return;
        }
        let months = age_s / MONTH_S;
        for (rate, nm) in rate.iter_mut().zip(&self.wavelength_nm) {
            let loss = all + uv * (-(nm - 300.0) / 50.0).exp().min(2.0);
            *rate *= (-loss * months).exp();
        }
    }

    /// Distributes charge beyond full scale over the neighbours.
    fn blooming(&mut self, charge: &mut [f64]) {
        let full = f64::from(self.settings.full_scale) - self.settings.offset_counts;
        let (c, reach) = (&self.settings.linearity_coefficients, usize::from(self.settings.blooming_pixels));
        let full_well = full / c.iter().rev().fold(0.0, |sum, c| sum * full + c);
        if reach == 0 || !charge.iter().any(|q| *q > full_well) {
            return;
        }
        self.scratch.clear();
        self.scratch.extend_from_slice(charge);
        for (p, excess) in self.scratch.iter().map(|q| q - full_well).enumerate().filter(|(_, excess)| *excess > 0.0) {
            for distance in 1..=reach {
                let share = self.settings.blooming_share * 0.5f64.powi(distance as i32 - 1) * excess;
                if let Some(below) = p.checked_sub(distance) {
                    charge[below] += share;
                }
                if p + distance < charge.len() {
                    charge[p + distance] += share;
                }
            }
        }
    }
}

/// Converts charges to counts with noise.
struct Convert<'a> {
    charge: &'a [f64],
    offset: &'a [f64],
    /// Standard normal deviates.
    drawn: &'a [f64],
    common: f64,
    linearity: &'a [f64],
    read_variance: f64,
    per_electron: f64,
    full: f64,
    mean: &'a mut [f64],
    deviation: &'a mut [f64],
    counts: &'a mut Vec<u32>,
}

impl Convert<'_> {
    /// Mean and standard deviation of the pixels from `from` on that fill whole groups of `N`; returns the first pixel after them.
    #[inline(always)]
    fn groups<const N: usize>(&mut self, from: usize) -> usize {
        let most = 4.0 * self.full;
        let (charge, rest) = self.charge[from..].as_chunks::<N>();
        let (mean, _) = self.mean[from..].as_chunks_mut::<N>();
        let (deviation, _) = self.deviation[from..].as_chunks_mut::<N>();
        for (charge, (mean, deviation)) in charge.iter().zip(mean.iter_mut().zip(deviation)) {
            let charge = charge.map(|q| q.min(most));
            let (m, slope) = nonlinear_counts(self.linearity, charge);
            *mean = m;
            for k in 0..N {
                deviation[k] = (charge[k] * self.per_electron * slope[k] * slope[k] + self.read_variance).sqrt();
            }
        }
        self.charge.len() - rest.len()
    }
}

impl wide::Loops for Convert<'_> {
    type Output = ();
    #[inline(always)]
    fn call(mut self) {
        let end = self.groups::<SIDE>(0);
        self.groups::<1>(end);
        let noise = self.deviation.iter().zip(self.drawn);
        let level = self.offset.iter().zip(self.mean.iter()).map(|(offset, m)| offset + self.common + m);
        // The cast clamps negative levels to zero, as the converter does.
        let count = |(level, (deviation, drawn)): (f64, (&f64, &f64))| {
            (level + deviation * drawn).round().min(self.full) as u32
        };
        self.counts.extend(level.zip(noise).map(count));
    }
}

/// Offset-free counts of charges [linear counts] and their derivatives, several side by side.
///
/// Solves counts / Σ cₖ·countsᵏ = charge by Newton's method; two steps reach 1e-9 for a few per cent.
#[inline(always)]
fn nonlinear_counts<const N: usize>(coefficients: &[f64], charge: [f64; N]) -> ([f64; N], [f64; N]) {
    let (mut m, mut slope) = (charge, [1.0; N]);
    for _ in 0..3 {
        let (mut value, mut derivative) = ([0.0; N], [0.0; N]);
        for c in coefficients.iter().rev() {
            for k in 0..N {
                derivative[k] = derivative[k] * m[k] + value[k];
                value[k] = value[k] * m[k] + c;
            }
        }
        for k in 0..N {
            let steep = 1.0 - charge[k] * derivative[k];
            m[k] -= (m[k] - charge[k] * value[k]) / steep;
            slope[k] = value[k] / steep;
        }
    }
    (m, slope)
}

#[cfg(test)]
#[path = "detector_tests.rs"]
mod tests;
