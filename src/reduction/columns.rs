//! Converts merged rates to irradiance and variance, and computes the columns of the correlated errors.
//!
//! Several components use the same columns: errors of the floor, the dark levels and the dark model all change rates, which
//! are divided by the response ([`super::modes`]). The order of the columns is internal to the reduction.

use super::beam_share::BeamShare;
use super::cosine::CosineCorrection;
use super::counts::Signal;
use super::light_parts::CorrectedLamps;
use super::merge::Merged;
use super::reduced::{Aged, RATE};
use super::scale::Scale;
use super::stray::Floor;
use crate::calibration::Calibration;
use crate::spectrum::errors::{IRRADIANCE, RESPONSE, SHIFT};
use crate::spectrum::lanes::{LANES, Lanes};
use std::ops::Range;

/// Column of the bandwidth error, which the weights of the quantities correct.
pub const SLIT: usize = 4;
/// First of the columns that exist only in some readings.
const OPTIONAL: usize = 5;

/// Pixels processed at a time, so that all their columns stay in the first-level cache.
const TILE: usize = 64;
type Tile = [[f64; TILE]];

/// Inputs of the columns.
#[derive(Clone, Copy, Debug)]
pub struct ColumnInputs<'a> {
    /// The active calibration.
    pub calibration: &'a Calibration,
    /// The pixel axis.
    pub scale: &'a Scale,
    /// The brackets as count rates.
    pub signals: &'a [Signal],
    /// The merged brackets, floor subtracted.
    pub merged: &'a Merged,
    /// The stray-light floor.
    pub floor: Option<Floor>,
    /// Irradiance per unit of rate, with temperature and cosine correction [W m⁻² nm⁻¹ / (counts s⁻¹)].
    pub inverse: &'a [f64],
    /// Correction for the optic's cosine response.
    pub cosine: Option<CosineCorrection>,
    /// Share of the beam and apparent elevation of the sun [degrees], where there is one.
    pub beam_share: Option<BeamShare>,
    pub sun_elevation_deg: Option<f64>,
    /// Rate that the stray-light matrix subtracted from each pixel [counts/s]; `None` without a matrix.
    pub stray_matrix: Option<&'a [f64]>,
    /// Light added for what may have been in the darks [W m⁻² nm⁻¹]; `None` where nothing may have been.
    pub dark_light: Option<&'a [f64]>,
    /// The lamps' part of the light; `None` where none is separated.
    pub lamps: Option<&'a CorrectedLamps>,
    /// Relative uncertainty of every pixel due to ripple of lamps [1]; `None` where there is none.
    pub ripple: Option<&'a [f64]>,
    /// Detector temperature [°C].
    pub temperature_c: Option<f64>,
    /// Uncertainty due to the time since the last check.
    pub aged: Aged,
}

/// Indices of the optional columns.
#[derive(Clone, Copy, Debug)]
pub struct ColumnLayout {
    pub temperature: Option<usize>,
    /// First of the columns of merge weights, one per bracket except the last: the weights of a pixel add up to 1.
    pub merge_weights: usize,
    pub dark_model: Option<usize>,
    pub ripple: Option<usize>,
    pub dark_light: Option<usize>,
    pub stray_matrix: Option<usize>,
    /// First of two columns: the light of the lamps, and the effect of the uncertainty of the separation.
    pub lamps: Option<usize>,
    columns: usize,
}

impl ColumnLayout {
    fn of(inputs: &ColumnInputs<'_>) -> Self {
        let mut columns = OPTIONAL;
        let mut place = |n: usize| {
            columns += n;
            columns - n
        };
        let temperature = inputs.scale.follows_temperature.then(|| place(1));
        let merge_weights = place(inputs.signals.len().saturating_sub(1));
        let dark_model = inputs.signals.iter().any(|s| s.exponent_effect != 0.0).then(|| place(1));
        let ripple = inputs.ripple.map(|_| place(1));
        let dark_light = inputs.dark_light.map(|_| place(1));
        let stray_matrix = inputs.stray_matrix.map(|_| place(1));
        let lamps = inputs.lamps.map(|_| place(2));
        Self { temperature, merge_weights, dark_model, ripple, dark_light, stray_matrix, lamps, columns }
    }
}

/// Irradiance, variance and error columns of a reading; see [`super::Reduced`].
#[derive(Debug)]
pub struct Columns {
    pub irradiance: Vec<f64>,
    pub variance: Vec<f64>,
    pub dark_irradiance: Vec<f64>,
    pub lanes: Lanes,
    /// Indices of the optional columns.
    pub layout: ColumnLayout,
}

/// Computes irradiance, variance, dark irradiance and columns of a reading.
#[inline(always)]
pub fn fill(inputs: &ColumnInputs<'_>) -> Columns {
    let layout = ColumnLayout::of(inputs);
    let pixels = inputs.inverse.len();
    let mut out = Columns {
        irradiance: vec![0.0; pixels],
        variance: vec![0.0; pixels],
        dark_irradiance: vec![0.0; pixels],
        lanes: Lanes::zeros(layout.columns, pixels),
        layout,
    };
    let mut tile = vec![[0.0; TILE]; layout.columns.next_multiple_of(LANES)];
    for start in (0..pixels).step_by(TILE) {
        let at = start..(start + TILE).min(pixels);
        light_columns(inputs, at.clone(), layout, &mut tile, &mut out);
        dark_columns(inputs, at.clone(), layout, &mut tile, &mut out.dark_irradiance);
        for (block, columns) in out.lanes.blocks_mut().iter_mut().zip(tile.as_chunks::<LANES>().0) {
            let [a, b, c, d, e, f, g, h] = columns;
            for (i, lanes) in block[at.clone()].iter_mut().enumerate() {
                *lanes = [a[i], b[i], c[i], d[i], e[i], f[i], g[i], h[i]];
            }
        }
    }
    out
}

/// Computes irradiance, variance and the columns of the errors proportional to the light.
#[inline(always)]
fn light_columns(
    inputs: &ColumnInputs<'_>,
    at: Range<usize>,
    layout: ColumnLayout,
    tile: &mut Tile,
    out: &mut Columns,
) {
    let (scale, merged) = (inputs.scale, inputs.merged);
    let (start, n) = (at.start, at.len());
    let k = &inputs.inverse[at.clone()][..n];
    let rate = &merged.rate[at.clone()][..n];
    let irradiance = &mut out.irradiance[at.clone()][..n];
    for i in 0..n {
        irradiance[i] = rate[i] * k[i];
    }
    let (variance, merged_variance) = (&mut out.variance[at.clone()][..n], &merged.variance[at.clone()][..n]);
    for i in 0..n {
        variance[i] = merged_variance[i] * k[i] * k[i];
    }
    tile[IRRADIANCE][..n].copy_from_slice(irradiance);
    tile[RATE][..n].copy_from_slice(k);
    let (column, u) = (&mut tile[RESPONSE][..n], &scale.relative_uncertainty[at.clone()][..n]);
    for i in 0..n {
        column[i] = u[i] * irradiance[i];
    }
    slope(&mut tile[SHIFT], &merged.rate, start, k, &scale.per_nm);
    slit_excess(&mut tile[SLIT], inputs, start, n);
    if let (Some(c), Some(light)) = (layout.dark_light, inputs.dark_light) {
        tile[c][..n].copy_from_slice(&light[at.clone()]);
    }
    if let (Some(c), Some(removed)) = (layout.stray_matrix, inputs.stray_matrix) {
        let (column, removed) = (&mut tile[c][..n], &removed[at.clone()][..n]);
        for i in 0..n {
            column[i] = removed[i] * k[i];
        }
    }
    if let (Some(c), Some(lamps)) = (layout.lamps, inputs.lamps) {
        tile[c][..n].copy_from_slice(&lamps.irradiance[at.clone()]);
        tile[c + 1][..n].copy_from_slice(&lamps.separation[at.clone()]);
    }
    if let (Some(c), Some(ripple)) = (layout.ripple, inputs.ripple) {
        let (column, ripple) = (&mut tile[c][..n], &ripple[at.clone()][..n]);
        for i in 0..n {
            column[i] = irradiance[i] * ripple[i];
        }
    }
    if let Some(c) = layout.temperature {
        let dt = inputs.temperature_c.map_or(0.0, |t| t - inputs.calibration.temperature_c);
        let (column, per_k) = (&mut tile[c][..n], &scale.relative_per_k[at][..n]);
        for i in 0..n {
            column[i] = irradiance[i] * per_k[i] / (1.0 + per_k[i] * dt);
        }
    }
}

/// Computes the dark irradiance, the columns of merge weights of all brackets but the last, and the column of the dark model.
#[inline(always)]
fn dark_columns(
    inputs: &ColumnInputs<'_>,
    at: Range<usize>,
    layout: ColumnLayout,
    tile: &mut Tile,
    dark_irradiance: &mut [f64],
) {
    let n = at.len();
    let k = &inputs.inverse[at.clone()][..n];
    let dark = &mut dark_irradiance[at.clone()][..n];
    if let Some(c) = layout.dark_model {
        tile[c].fill(0.0);
    }
    for (r, (signal, merge_weights)) in inputs.signals.iter().zip(&inputs.merged.merge_weights).enumerate() {
        let (dark_rate, merge_weights) = (&signal.dark_rate[at.clone()][..n], &merge_weights[at.clone()][..n]);
        for i in 0..n {
            dark[i] += merge_weights[i] * dark_rate[i] * k[i];
        }
        if r + 1 < inputs.signals.len() {
            let column = &mut tile[layout.merge_weights + r][..n];
            for i in 0..n {
                column[i] = merge_weights[i] * k[i];
            }
        }
        if let (Some(c), true) = (layout.dark_model, signal.exponent_effect != 0.0) {
            let column = &mut tile[c][..n];
            for i in 0..n {
                column[i] += merge_weights[i] * dark_rate[i] * signal.exponent_effect * k[i];
            }
        }
    }
}

/// Difference of the rates of both neighbours, times a factor per pixel and the inverse response.
#[inline(always)]
fn slope(column: &mut [f64; TILE], rate: &[f64], start: usize, k: &[f64], factor: &[f64]) {
    column.fill(0.0);
    // At the ends of the axis there is no difference, and the factor is zero.
    let (low, high) = (start.max(1), (start + k.len()).min(rate.len().saturating_sub(1)));
    if low >= high {
        return;
    }
    let m = high - low;
    let (left, right) = (&rate[low - 1..][..m], &rate[low + 1..][..m]);
    let (factor, k) = (&factor[low..][..m], &k[low - start..][..m]);
    let column = &mut column[low - start..][..m];
    for i in 0..m {
        column[i] = (right[i] - left[i]) * factor[i] * k[i];
    }
}

/// Second difference of the irradiance over the width of the slit, times its factor per pixel.
#[inline(always)]
fn slit_excess(column: &mut [f64; TILE], inputs: &ColumnInputs<'_>, start: usize, n: usize) {
    let (rate, inverse, distance) = (&inputs.merged.rate, inputs.inverse, inputs.scale.slit_pixels);
    column.fill(0.0);
    let (low, high) = (start.max(distance), (start + n).min(rate.len().saturating_sub(distance)));
    if low >= high {
        return;
    }
    let m = high - low;
    let at = |from: usize| (&rate[from..][..m], &inverse[from..][..m]);
    let ((left, k_left), (here, k_here), (right, k_right)) = (at(low - distance), at(low), at(low + distance));
    let factor = &inputs.scale.slit_excess[low..][..m];
    let column = &mut column[low - start..][..m];
    for i in 0..m {
        column[i] = (right[i] * k_right[i] - 2.0 * here[i] * k_here[i] + left[i] * k_left[i]) * factor[i];
    }
}
