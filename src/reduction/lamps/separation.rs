//! The share of lamps in a spectrum, by non-negative least squares.
//!
//! Columns: the reference sun times hat functions 38 nm apart, the shapes of the lamps, and the derivatives of those shapes below and
//! above 550 nm with both signs, since the peak of a lamp moves with its temperature; the shapes are moved by what these say, and fitted again. Rows are weighted by the inverse of the
//! light: errors of the model of daylight are relative to it. The knots, the range and the weights are those that erred least
//! over the skies of another model (`tests/references/lamps.rs`).

use super::daylight::Daylight;
use super::shape::LampShape;
use crate::numeric::{interpolate_clamped, nonnegative};
use crate::reduction::scale::Scale;
use std::ops::Range;

/// Range of the fit [nm]: water vapour and the crop's own colour are beyond it.
const FROM_NM: f64 = 400.0;
const TO_NM: f64 = 685.0;
/// First and last knot of the hat functions [nm], and how many there are.
const KNOTS_NM: (f64, f64) = (390.0, 695.0);
const KNOTS: usize = 9;
/// Width of a row of the fit [nm].
const ROW_NM: f64 = 2.0;
/// Where the derivatives of lower and upper wavelengths meet [nm].
const BETWEEN_PEAKS_NM: f64 = 550.0;
/// Farthest shift of a lamp's peak [nm].
const FARTHEST_NM: f64 = 5.0;
/// Share of the highest irradiance that is added to the light in the weights [1]: dark rows between the lines of lamps tell nothing.
const WEIGHT_FLOOR: f64 = 0.03;
/// Standard uncertainty of the lamps' PPFD from the models of daylight and lamps, relative to the PPFD of all light [1]: the root mean square
/// over other atmospheres, lamps and shifts of their peaks.
const MODEL_UNCERTAINTY: f64 = 0.005;
/// Residual from which on a spectrum has structure that neither daylight nor the known lamps have [1].
pub const STRUCTURE: f64 = 0.04;
/// Width over which residuals are averaged for [`Separation::averaged`] [nm].
const AVERAGED_NM: f64 = 10.0;
/// Rows over which residuals are taken as fully correlated: daylight's residuals are as wide as a lamp's peak.
const CORRELATED_ROWS: f64 = 10.0;

/// The light of the lamps in a spectrum.
#[derive(Clone, Debug, PartialEq)]
pub struct Separation {
    /// Spectral irradiance of the lamps in every pixel, on the scale of the spectrum that was given [W m⁻² nm⁻¹].
    pub irradiance: Vec<f64>,
    /// Effect of one standard uncertainty of the separation on `irradiance` [W m⁻² nm⁻¹].
    pub uncertainty: Vec<f64>,
    /// Approximate PPFD of all light and of the lamps [µmol m⁻² s⁻¹].
    pub ppfd: f64,
    /// See `ppfd`.
    pub lamps_ppfd: f64,
    /// Standard uncertainty of `lamps_ppfd` [µmol m⁻² s⁻¹].
    pub lamps_uncertainty: f64,
    /// Root mean square of the fit's relative residuals beyond noise [1].
    pub residual: f64,
    /// The fit's relative residuals [1], averaged over [`AVERAGED_NM`], with the middle wavelength [nm] of each average: lines that are off by
    /// up to 4 nm average out to less than 0.027, flanks of lamps that are not known do not.
    pub averaged: Vec<(f64, f64)>,
}

/// A spectrum before any correction of the optic's cosine response. One entry a pixel.
#[derive(Clone, Copy, Debug)]
pub struct Light<'a> {
    /// Spectral irradiance [W m⁻² nm⁻¹].
    pub irradiance: &'a [f64],
    /// Variance of its noise [(W m⁻² nm⁻¹)²].
    pub variance: &'a [f64],
    /// Irradiance per count rate [W m⁻² nm⁻¹ / (counts s⁻¹)].
    pub inverse: &'a [f64],
    /// Pixels that are clipped.
    pub saturated: &'a [bool],
}

/// Separates the lamps of a spectrum. Without shapes only the residual says whether there is light other than the sun's. `None`
/// without light, or where too little of the range is measured.
pub fn separate(light: &Light<'_>, scale: &Scale, daylight: &Daylight, shapes: &[LampShape]) -> Option<Separation> {
    let Light { irradiance, inverse, saturated, .. } = *light;
    let pixels = irradiance.len();
    let of_shape = |shape: &LampShape| -> Option<Vec<f64>> {
        (shape.rate.len() == pixels).then(|| shape.rate.iter().zip(inverse).map(|(r, k)| f64::from(*r) * k).collect())
    };
    let lamps: Vec<Vec<f64>> = shapes.iter().filter_map(of_shape).filter(|l| ppfd_of(l, scale) > 0.0).collect();
    let rows = rows(scale, saturated);
    // Half of the range is the least that tells anything.
    if (rows.len() as f64) < 0.5 * (TO_NM - FROM_NM) / ROW_NM {
        return None;
    }
    let shapes: Vec<Vec<f64>> = lamps.iter().map(|lamp| mean(&rows, |i| lamp[i])).collect();
    let fit = Fit::new(&Rows::new(light, scale, daylight, &rows)?, &shapes);
    let ppfd = ppfd_of(irradiance, scale);
    let mut separation = Separation {
        irradiance: vec![0.0; pixels],
        uncertainty: vec![0.0; pixels],
        ppfd,
        lamps_ppfd: 0.0,
        lamps_uncertainty: 0.0,
        residual: fit.residual,
        averaged: fit.averaged.clone(),
    };
    let sizes: Vec<f64> = lamps.iter().map(|l| ppfd_of(l, scale)).collect();
    for ((lamp, amplitude), shift) in lamps.iter().zip(&fit.amplitudes).zip(&fit.shifts).filter(|((_, a), _)| **a > 0.0)
    {
        let lamp = moved(&scale.wavelength_nm, lamp, *shift);
        separation.irradiance.iter_mut().zip(lamp).for_each(|(e, l)| *e += amplitude * l);
    }
    separation.lamps_ppfd = fit.amplitudes.iter().zip(&sizes).map(|(a, s)| a * s).sum();
    if let Some(first) = lamps.first() {
        let from_residuals = fit.variance_of(&sizes).max(0.0);
        separation.lamps_uncertainty = (from_residuals + (MODEL_UNCERTAINTY * ppfd).powi(2)).sqrt();
        separation.spread_uncertainty(first, sizes[0]);
    }
    Some(separation)
}

impl Separation {
    /// Share of the lamps in the PPFD [1].
    pub fn lamps_share(&self) -> f64 {
        if self.ppfd > 0.0 { (self.lamps_ppfd / self.ppfd).clamp(0.0, 1.0) } else { 0.0 }
    }

    /// Gives the uncertainty the spectrum of the lamps that are on, or where none is that of `first`, whose PPFD is `size`.
    fn spread_uncertainty(&mut self, first: &[f64], size: f64) {
        let (spectrum, size) = match self.lamps_ppfd > 0.0 {
            true => (&self.irradiance[..], self.lamps_ppfd),
            false => (first, size),
        };
        self.uncertainty = spectrum.iter().map(|e| e * self.lamps_uncertainty / size).collect();
    }
}

/// Pixels of each row of the fit.
fn rows(scale: &Scale, saturated: &[bool]) -> Vec<Range<usize>> {
    let nm = &scale.wavelength_nm;
    let (first, last) = (nm.partition_point(|w| *w < FROM_NM), nm.partition_point(|w| *w <= TO_NM));
    if last < first + 2 {
        return Vec::new();
    }
    let pitch = (nm[last - 1] - nm[first]) / (last - 1 - first) as f64;
    let width = ((ROW_NM / pitch).round() as usize).max(1);
    let whole = |r: &Range<usize>| r.clone().all(|i| scale.valid[i] && saturated.get(i) != Some(&true));
    (first..last).step_by(width).map(|i| i..(i + width).min(last)).filter(whole).collect()
}

/// Approximate PPFD of a spectrum [µmol m⁻² s⁻¹].
pub(super) fn ppfd_of(irradiance: &[f64], scale: &Scale) -> f64 {
    let (at, weights) = &scale.photons;
    irradiance[at.clone()].iter().zip(weights).map(|(e, w)| e * w).sum()
}

/// A spectrum in rows.
struct Rows {
    /// Mean wavelength [nm].
    nm: Vec<f64>,
    weights: Vec<f64>,
    /// Weighted light.
    light: Vec<f64>,
    /// Mean square of its noise.
    noise: f64,
    /// Weighted hat functions of daylight.
    daylight: Vec<Vec<f64>>,
}

impl Rows {
    fn new(spectrum: &Light<'_>, scale: &Scale, daylight: &Daylight, rows: &[Range<usize>]) -> Option<Self> {
        let nm = mean(rows, |i| scale.wavelength_nm[i]);
        let light = mean(rows, |i| spectrum.irradiance[i]);
        let highest = light.iter().copied().fold(0.0, f64::max);
        if !(highest > 0.0 && highest.is_finite()) {
            return None;
        }
        let weights: Vec<f64> = light.iter().map(|e| 1.0 / (e.max(0.0) + WEIGHT_FLOOR * highest)).collect();
        let spacing = (KNOTS_NM.1 - KNOTS_NM.0) / (KNOTS - 1) as f64;
        let hat = |nm: f64, k: usize| (1.0 - ((nm - KNOTS_NM.0) / spacing - k as f64).abs()).max(0.0);
        let sun = |k: usize| mean(rows, |i| daylight.at(scale.wavelength_nm[i]) * hat(scale.wavelength_nm[i], k));
        let daylight = (0..KNOTS).map(|k| product(&sun(k), &weights)).collect();
        let variance =
            rows.iter().map(|r| spectrum.variance[r.clone()].iter().sum::<f64>() / (r.len() * r.len()) as f64);
        let noise = variance.zip(&weights).map(|(v, w)| v * w * w).sum::<f64>() / rows.len() as f64;
        Some(Self { nm, light: product(&light, &weights), noise, weights, daylight })
    }

    /// All columns: daylight, the lamps, and the derivatives of each lamp.
    fn columns(&self, lamps: &[Vec<f64>]) -> Vec<Vec<f64>> {
        let mut columns = self.daylight.clone();
        columns.extend(lamps.iter().map(|lamp| product(lamp, &self.weights)));
        for slope in lamps.iter().map(|lamp| product(&derivative(&self.nm, lamp), &self.weights)) {
            for lower in [true, false] {
                let part = |sign: f64| {
                    let of = |(nm, d): (&f64, &f64)| if (*nm < BETWEEN_PEAKS_NM) == lower { sign * d } else { 0.0 };
                    self.nm.iter().zip(&slope).map(of).collect::<Vec<f64>>()
                };
                columns.extend([part(1.0), part(-1.0)]);
            }
        }
        columns
    }
}

/// By how much the lower and the upper part of each lamp have moved [nm], by the coefficients of their derivatives.
fn shifts(lamps: usize, coefficients: &[f64]) -> Vec<(f64, f64)> {
    let derivatives = coefficients[KNOTS + lamps..].chunks_exact(4);
    let shift = |(amplitude, d): (&f64, &[f64])| {
        let by = |up: f64, down: f64| match *amplitude > 0.0 {
            true => ((down - up) / amplitude).clamp(-FARTHEST_NM, FARTHEST_NM),
            false => 0.0,
        };
        (by(d[0], d[1]), by(d[2], d[3]))
    };
    coefficients[KNOTS..].iter().zip(derivatives).map(shift).collect()
}

/// A lamp's spectrum moved by so much below and above [`BETWEEN_PEAKS_NM`].
fn moved(nm: &[f64], lamp: &[f64], (lower, upper): (f64, f64)) -> Vec<f64> {
    let by = |nm: f64| if nm < BETWEEN_PEAKS_NM { lower } else { upper };
    nm.iter().map(|at| interpolate_clamped(nm, lamp, at - by(*at))).collect()
}

/// A fit to the rows.
struct Fit {
    /// Amplitude of each lamp [1].
    amplitudes: Vec<f64>,
    /// Covariance of the amplitudes.
    covariance: Vec<Vec<f64>>,
    residual: f64,
    averaged: Vec<(f64, f64)>,
    /// By how much the lower and the upper part of each lamp are moved [nm].
    shifts: Vec<(f64, f64)>,
}

impl Fit {
    fn new(rows: &Rows, lamps: &[Vec<f64>]) -> Self {
        let first = nonnegative::solve(&rows.columns(lamps), &rows.light);
        // Derivatives hold for small shifts, so the lamps are moved and the rest is fitted.
        let shifts = shifts(lamps.len(), &first.coefficients);
        let moved: Vec<Vec<f64>> = lamps.iter().zip(&shifts).map(|(lamp, by)| moved(&rows.nm, lamp, *by)).collect();
        let columns = rows.columns(&moved);
        let solution = nonnegative::solve(&columns, &rows.light);
        let fitted = |i: usize| columns.iter().zip(&solution.coefficients).map(|(c, x)| c[i] * x).sum::<f64>();
        let left: Vec<f64> = rows.light.iter().enumerate().map(|(i, e)| e - fitted(i)).collect();
        let squares: f64 = left.iter().map(|r| r * r).sum();
        let averaged = (AVERAGED_NM / ROW_NM) as usize;
        let mean = |(k, w): (usize, &[f64])| (rows.nm[k + averaged / 2], w.iter().sum::<f64>() / averaged as f64);
        let averaged = left.windows(averaged).enumerate().map(mean).collect();
        let n = rows.light.len();
        let used = solution.coefficients.iter().filter(|x| **x > 0.0).count();
        let variance = squares / n.saturating_sub(used).max(1) as f64;
        let of_lamps = KNOTS..KNOTS + lamps.len();
        let covariance = solution.covariance[of_lamps.clone()]
            .iter()
            .map(|row| row[of_lamps.clone()].iter().map(|c| c * variance * CORRELATED_ROWS).collect())
            .collect();
        let amplitudes = solution.coefficients[of_lamps].to_vec();
        Self { amplitudes, covariance, residual: (squares / n as f64 - rows.noise).max(0.0).sqrt(), averaged, shifts }
    }

    /// Variance of the sum of amplitudes times factors.
    fn variance_of(&self, factors: &[f64]) -> f64 {
        let row = |(f, row): (&f64, &Vec<f64>)| f * row.iter().zip(factors).map(|(c, g)| c * g).sum::<f64>();
        factors.iter().zip(&self.covariance).map(row).sum()
    }
}

/// Means over the pixels of each row.
fn mean(rows: &[Range<usize>], of: impl Fn(usize) -> f64) -> Vec<f64> {
    rows.iter().map(|r| r.clone().map(&of).sum::<f64>() / r.len() as f64).collect()
}

fn product(a: &[f64], b: &[f64]) -> Vec<f64> {
    a.iter().zip(b).map(|(a, b)| a * b).collect()
}

/// Derivative along the rows [1/nm], zero at both ends.
fn derivative(nm: &[f64], values: &[f64]) -> Vec<f64> {
    let mut slope = vec![0.0; values.len()];
    for i in 1..values.len().saturating_sub(1) {
        slope[i] = (values[i + 1] - values[i - 1]) / (nm[i + 1] - nm[i - 1]);
    }
    slope
}
