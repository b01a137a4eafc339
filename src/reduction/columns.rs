//! From merged rates to irradiance, variance and the errors that pixels share.
//!
//! Many modes are mixtures of few columns: the floor, the dark levels and the dark model all move rates by something that
//! is divided by the response, so they share those columns. The order of columns is this file's own: only
//! [`crate::spectrum::errors::Errors`] is handed on.

use super::cosine::CosineFactor;
use super::counts::Signal;
use super::merge::Merged;
use super::reduce::{Aged, Reduced, mode_names as names};
use super::scale::Scale;
use super::stray::Floor;
use crate::calibration::Calibration;
use crate::spectrum::errors::{Correlation, ErrorMode, IRRADIANCE, RESPONSE};
use crate::spectrum::lanes::LANES;
use std::sync::Arc;

/// 1 counts/s in every pixel.
const RATE: usize = 2;
/// A shift of the scale by 1 nm.
const SHIFT: usize = 3;
/// The excess of the slit.
const SLIT: usize = 4;
/// The first column that not every reading has.
const OPTIONAL: usize = 5;

/// Standard uncertainty of a detector's temperature by its own sensor [K]: sensor and silicon are not the same place.
const SENSOR_UNCERTAINTY_K: f64 = 0.3;
/// Pixels that are worked on at a time, so that all columns of them stay in the nearest memory.
const TILE: usize = 64;

/// What is known when columns are made.
#[derive(Clone, Copy, Debug)]
pub struct Known<'a> {
    /// The calibration in force.
    pub calibration: &'a Calibration,
    /// Its axis.
    pub scale: &'a Scale,
    /// The brackets.
    pub signals: &'a [Signal],
    /// The brackets as one, the floor subtracted.
    pub merged: &'a Merged,
    /// The floor.
    pub floor: Option<Floor>,
    /// Irradiance for a count a second, with temperature and cosine [W m⁻² nm⁻¹ / (counts s⁻¹)].
    pub inverse: &'a [f64],
    /// What the optic did.
    pub cosine: Option<CosineFactor>,
    /// What time since the last check may have done.
    pub aged: Aged,
}

/// Where the columns stand that not every reading has.
#[derive(Clone, Copy, Debug, Default)]
struct Places {
    temperature: Option<usize>,
    /// The first of the shares of the brackets, all but the last, whose share is what the others leave.
    served: usize,
    dark_model: Option<usize>,
    columns: usize,
}

/// Fills irradiance, variance, dark irradiance and errors of a reading.
#[inline(always)]
pub fn fill(known: &Known<'_>, temperature_c: Option<f64>, out: &mut Reduced) {
    let mut places = Places { columns: OPTIONAL, ..Places::default() };
    let mut place = |n: usize| {
        let at = places.columns;
        places.columns += n;
        at
    };
    let temperature = known.scale.follows_temperature.then(|| place(1));
    let served = place(known.signals.len().saturating_sub(1));
    let dark_model = known.signals.iter().any(|s| s.exponent_effect != 0.0).then(|| place(1));
    places = Places { temperature, served, dark_model, columns: places.columns };
    fill_columns(known, temperature_c, places, out);
    out.errors.bins = Arc::clone(&known.scale.bins);
    modes(known, temperature_c, places, &mut out.errors.modes);
}

#[inline(always)]
fn fill_columns(known: &Known<'_>, temperature_c: Option<f64>, places: Places, out: &mut Reduced) {
    let (scale, merged, inverse) = (known.scale, known.merged, known.inverse);
    let pixels = inverse.len();
    out.irradiance.resize(pixels, 0.0);
    out.variance.resize(pixels, 0.0);
    out.dark_irradiance.resize(pixels, 0.0);
    out.errors.lanes.reshape(places.columns, pixels);
    let dt = temperature_c.map_or(0.0, |t| t - known.calibration.temperature_c);
    let mut tile = vec![[0.0; TILE]; places.columns.next_multiple_of(LANES)];
    for start in (0..pixels).step_by(TILE) {
        let at = start..(start + TILE).min(pixels);
        let n = at.len();
        let k = &inverse[at.clone()][..n];
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
        difference(&mut tile[SHIFT], &merged.rate, start, n, 1, k, &scale.per_nm, |left, _, right| right - left);
        let reach = scale.slit_pixels;
        let curve = |left: f64, here: f64, right: f64| right - 2.0 * here + left;
        difference(&mut tile[SLIT], &merged.rate, start, n, reach, k, &scale.slit_excess, curve);
        blunted(&mut tile[SLIT], &merged.rate, start, n, reach, k, &scale.slit_blunting);
        if let Some(c) = places.temperature {
            let (column, per_k) = (&mut tile[c][..n], &scale.relative_per_k[at.clone()][..n]);
            for i in 0..n {
                column[i] = irradiance[i] * per_k[i] / (1.0 + per_k[i] * dt);
            }
        }
        let dark = &mut out.dark_irradiance[at.clone()][..n];
        dark.fill(0.0);
        if let Some(c) = places.dark_model {
            tile[c].fill(0.0);
        }
        for (r, (signal, served)) in known.signals.iter().zip(&merged.served).enumerate() {
            let (dark_rate, served) = (&signal.dark_rate[at.clone()][..n], &served[at.clone()][..n]);
            for i in 0..n {
                dark[i] += served[i] * dark_rate[i] * k[i];
            }
            if r + 1 < known.signals.len() {
                let column = &mut tile[places.served + r][..n];
                for i in 0..n {
                    column[i] = served[i] * k[i];
                }
            }
            if let (Some(c), true) = (places.dark_model, signal.exponent_effect != 0.0) {
                let column = &mut tile[c][..n];
                for i in 0..n {
                    column[i] += served[i] * dark_rate[i] * signal.exponent_effect * k[i];
                }
            }
        }
        for (block, columns) in out.errors.lanes.blocks_mut().iter_mut().zip(tile.as_chunks::<LANES>().0) {
            let [a, b, c, d, e, f, g, h] = columns;
            for (i, lanes) in block[at.clone()].iter_mut().enumerate() {
                *lanes = [a[i], b[i], c[i], d[i], e[i], f[i], g[i], h[i]];
            }
        }
    }
}

/// A difference of rates `reach` pixels to either side, times a factor a pixel and the inverse response.
#[expect(clippy::too_many_arguments, reason = "one loop, named by what it takes")]
#[inline(always)]
fn difference(
    column: &mut [f64; TILE],
    rate: &[f64],
    start: usize,
    n: usize,
    reach: usize,
    k: &[f64],
    factor: &[f64],
    of: impl Fn(f64, f64, f64) -> f64,
) {
    column.fill(0.0);
    // Beyond the ends of the axis there is nothing to take a difference with, and the factor is zero there.
    let (low, high) = (start.max(reach), (start + n).min(rate.len().saturating_sub(reach)));
    if low >= high {
        return;
    }
    let m = high - low;
    let (left, here, right) = (&rate[low - reach..][..m], &rate[low..][..m], &rate[low + reach..][..m]);
    let (factor, k) = (&factor[low..][..m], &k[low - start..][..m]);
    let column = &mut column[low - start..][..m];
    for i in 0..m {
        column[i] = of(left[i], here[i], right[i]) * factor[i] * k[i];
    }
}

/// Takes a fourth difference of rates in steps of `reach` pixels off a column, times a factor a pixel and the inverse response.
#[inline(always)]
fn blunted(column: &mut [f64; TILE], rate: &[f64], start: usize, n: usize, reach: usize, k: &[f64], factor: &[f64]) {
    let (low, high) = (start.max(2 * reach), (start + n).min(rate.len().saturating_sub(2 * reach)));
    if low >= high {
        return;
    }
    let m = high - low;
    let rate = &rate[low - 2 * reach..high + 2 * reach];
    let at = |steps: usize| &rate[steps * reach..][..m];
    let (outer_left, left, here, right, outer_right) = (at(0), at(1), at(2), at(3), at(4));
    let (factor, k) = (&factor[low..][..m], &k[low - start..][..m]);
    let column = &mut column[low - start..][..m];
    for i in 0..m {
        let fourth = outer_left[i] - 4.0 * left[i] + 6.0 * here[i] - 4.0 * right[i] + outer_right[i];
        column[i] -= fourth * factor[i] * k[i];
    }
}

fn modes(known: &Known<'_>, temperature_c: Option<f64>, places: Places, modes: &mut Vec<ErrorMode>) {
    let (calibration, scale, merged) = (known.calibration, known.scale, known.merged);
    modes.clear();
    let mut common = |name, parts: Vec<(usize, f64)>| {
        let of_light = |(column, _): &(usize, f64)| {
            matches!(*column, IRRADIANCE | RESPONSE | SHIFT | SLIT) || Some(*column) == places.temperature
        };
        modes.push(ErrorMode { name, of_light: parts.iter().all(of_light), mixture: Correlation::Common(parts) });
    };
    let shared = calibration.response.correlated_fraction.clamp(0.0, 1.0);
    common(names::RESPONSE_SCALE, vec![(RESPONSE, shared.sqrt())]);
    if let Some(f) = known.floor {
        common(names::STRAY_FLOOR, vec![(RATE, f.uncertainty)]);
    }
    // An error common to all pixels of a bracket is partly taken out again with the floor.
    let in_floor = |per_pixel: &dyn Fn(usize) -> f64| match scale.floor.len() {
        0 => 0.0,
        n if known.floor.is_some() => scale.floor.iter().map(|i| per_pixel(*i)).sum::<f64>() / n as f64,
        _ => 0.0,
    };
    let last = known.signals.len().saturating_sub(1);
    for (r, (s, served)) in known.signals.iter().zip(&merged.served).enumerate() {
        let u = s.level_uncertainty;
        let back = in_floor(&|i| served[i]);
        common(
            names::DARK_LEVEL,
            match r {
                _ if r < last => vec![(places.served + r, u), (RATE, -u * back)],
                _ => (0..last).map(|j| (places.served + j, -u)).chain([(RATE, u * (1.0 - back))]).collect(),
            },
        );
    }
    if let Some(c) = places.dark_model {
        let effect = |i: usize| {
            let parts = known.signals.iter().zip(&merged.served);
            parts.map(|(s, w)| s.dark_rate[i] * s.exponent_effect * w[i]).sum::<f64>()
        };
        common(names::DARK_MODEL, vec![(c, 1.0), (RATE, -in_floor(&effect))]);
    }
    let scale_uncertainty = calibration.wavelength.uncertainty_nm.hypot(known.aged.wavelength_nm);
    common(names::WAVELENGTH, vec![(SHIFT, scale_uncertainty)]);
    common(names::BANDWIDTH, vec![(SLIT, 1.0)]);
    let per_k_nm = calibration.wavelength.shift_nm_per_k;
    if places.temperature.is_some() || per_k_nm != 0.0 {
        let u = temperature_uncertainty(calibration, temperature_c);
        let response = places.temperature.map(|c| (c, u));
        common(names::TEMPERATURE, response.into_iter().chain([(SHIFT, u * per_k_nm)]).collect());
    }
    if known.aged.response > 0.0 {
        common(names::RESPONSE_AGE, vec![(IRRADIANCE, known.aged.response)]);
    }
    if shared < 1.0 {
        let mixture = Correlation::Shape((1.0 - shared).sqrt());
        modes.push(ErrorMode { name: names::RESPONSE_SHAPE, of_light: true, mixture });
    }
    if let Some(c) = known.cosine.filter(|c| c.uncertainty > 0.0) {
        let bin = scale.bins.starting_at(scale.ultraviolet_end).unwrap_or(scale.bins.count());
        let (before, from) = (c.uncertainty / c.ultraviolet, c.uncertainty / c.factor);
        let mixture = Correlation::Split { bin, before, from };
        modes.push(ErrorMode { name: names::COSINE, of_light: true, mixture });
    }
}

/// Standard uncertainty of the detector's temperature [K]: its sensor's, or without one that of any temperature which the
/// calibration covers.
fn temperature_uncertainty(calibration: &Calibration, temperature_c: Option<f64>) -> f64 {
    let (low, high) = calibration.temperature_range_c;
    match temperature_c {
        Some(_) => SENSOR_UNCERTAINTY_K,
        // Any of them alike: the deviation of a rectangle, about the temperature that was assumed instead.
        None => {
            let middle = 0.5 * (low + high) - calibration.temperature_c;
            ((high - low) / 12f64.sqrt()).hypot(middle)
        }
    }
}
