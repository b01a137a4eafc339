//! From merged rates to irradiance, variance and the errors that pixels share.
//!
//! Many error modes are mixtures of few columns: the floor, the dark levels and the dark model all move rates, which are divided
//! by the response, so they share those columns ([`super::modes`]). The order of columns is this module's own: only
//! [`crate::spectrum::errors::Errors`] is handed on.

use super::cosine::CosineFactor;
use super::counts::Signal;
use super::merge::Merged;
use super::reduced::Aged;
use super::scale::Scale;
use super::stray::Floor;
use crate::calibration::Calibration;
use crate::spectrum::errors::{IRRADIANCE, RESPONSE};
use crate::spectrum::lanes::{LANES, Lanes};
use std::ops::Range;

/// 1 counts/s in every pixel.
pub const RATE: usize = 2;
/// A shift of the scale by 1 nm.
pub const SHIFT: usize = 3;
/// The excess of the slit.
pub const SLIT: usize = 4;
/// The first column that not every reading has.
const OPTIONAL: usize = 5;

/// Pixels that are worked on at a time, so that all columns of them stay in the nearest memory.
const TILE: usize = 64;
type Tile = [[f64; TILE]];

/// What the columns are made from.
#[derive(Clone, Copy, Debug)]
pub struct Known<'a> {
    /// The active calibration.
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
    /// Correction for the optic's cosine response.
    pub cosine: Option<CosineFactor>,
    /// Detector temperature [°C].
    pub temperature_c: Option<f64>,
    /// Effect of the time since the last check.
    pub aged: Aged,
}

/// Where the columns stand that not every reading has.
#[derive(Clone, Copy, Debug)]
pub struct Places {
    pub temperature: Option<usize>,
    /// The first of the shares of the brackets, all but the last, whose share is what the others leave.
    pub served: usize,
    pub dark_model: Option<usize>,
    columns: usize,
}

impl Places {
    fn of(known: &Known<'_>) -> Self {
        let mut columns = OPTIONAL;
        let mut place = |n: usize| {
            columns += n;
            columns - n
        };
        let temperature = known.scale.follows_temperature.then(|| place(1));
        let served = place(known.signals.len().saturating_sub(1));
        let dark_model = known.signals.iter().any(|s| s.exponent_effect != 0.0).then(|| place(1));
        Self { temperature, served, dark_model, columns }
    }
}

/// The irradiance of a reading and the columns of its errors; see [`super::Reduced`].
#[derive(Debug)]
pub struct Filled {
    pub irradiance: Vec<f64>,
    pub variance: Vec<f64>,
    pub dark_irradiance: Vec<f64>,
    pub lanes: Lanes,
    /// Which columns there are.
    pub places: Places,
}

/// Irradiance, variance, dark irradiance and columns of a reading.
#[inline(always)]
pub fn fill(known: &Known<'_>) -> Filled {
    let places = Places::of(known);
    let pixels = known.inverse.len();
    let mut out = Filled {
        irradiance: vec![0.0; pixels],
        variance: vec![0.0; pixels],
        dark_irradiance: vec![0.0; pixels],
        lanes: Lanes::zeros(places.columns, pixels),
        places,
    };
    let mut tile = vec![[0.0; TILE]; places.columns.next_multiple_of(LANES)];
    for start in (0..pixels).step_by(TILE) {
        let at = start..(start + TILE).min(pixels);
        light_columns(known, at.clone(), places, &mut tile, &mut out);
        dark_columns(known, at.clone(), places, &mut tile, &mut out.dark_irradiance);
        for (block, columns) in out.lanes.blocks_mut().iter_mut().zip(tile.as_chunks::<LANES>().0) {
            let [a, b, c, d, e, f, g, h] = columns;
            for (i, lanes) in block[at.clone()].iter_mut().enumerate() {
                *lanes = [a[i], b[i], c[i], d[i], e[i], f[i], g[i], h[i]];
            }
        }
    }
    out
}

/// Irradiance and variance, and the columns of the errors that go with the light.
#[inline(always)]
fn light_columns(known: &Known<'_>, at: Range<usize>, places: Places, tile: &mut Tile, out: &mut Filled) {
    let (scale, merged) = (known.scale, known.merged);
    let (start, n) = (at.start, at.len());
    let k = &known.inverse[at.clone()][..n];
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
        let dt = known.temperature_c.map_or(0.0, |t| t - known.calibration.temperature_c);
        let (column, per_k) = (&mut tile[c][..n], &scale.relative_per_k[at][..n]);
        for i in 0..n {
            column[i] = irradiance[i] * per_k[i] / (1.0 + per_k[i] * dt);
        }
    }
}

/// The dark irradiance, and the columns of the darks: the share of each bracket but the last, and the dark model's.
#[inline(always)]
fn dark_columns(known: &Known<'_>, at: Range<usize>, places: Places, tile: &mut Tile, dark_irradiance: &mut [f64]) {
    let n = at.len();
    let k = &known.inverse[at.clone()][..n];
    let dark = &mut dark_irradiance[at.clone()][..n];
    if let Some(c) = places.dark_model {
        tile[c].fill(0.0);
    }
    for (r, (signal, served)) in known.signals.iter().zip(&known.merged.served).enumerate() {
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
