//! From a spectrum and its uncertainty to every quantity and its uncertainty.
//!
//! Uncertainty comes in two kinds: a variance of each sample, independent of all others, and *modes*: errors that samples
//! share ([`Errors`]). A mode goes through the same rows as the light, so a ratio cancels what it should by itself; a
//! formula over rows takes its derivatives, and with them one combination of row sums. Derivatives are first order: a
//! relative uncertainty beyond a third is no longer right to two figures.

mod effects;
mod rendered;

pub use effects::{effects, effects_with};

use super::kernel::{Couple, Sums, noise};
use super::matrix::Matrix;
use super::peak;
use super::reason::NullReason;
use super::registry::{FinishFn, Recipe, registry};
use super::rendering::INDICES;
use crate::spectrum::bins::Bins;
use crate::spectrum::errors::{ErrorMode, Errors, IRRADIANCE, Mixture, RESPONSE};
use crate::spectrum::lanes::{LANES, Lanes};
use crate::spectrum::weights::SparseRow;

/// What a ratio or a colour is relative to has to exceed this many of its own standard uncertainties, or there is too
/// little light: the customary detection limit (IUPAC 1976, 3 standard deviations).
pub const DETECTION: f64 = 3.0;

/// One source of uncertainty, fully correlated over the samples, as a column of its own.
#[derive(Clone, Copy, Debug)]
pub struct Mode<'a> {
    /// Its name.
    pub name: &'static str,
    /// One standard deviation of each sample, signed [W m⁻² nm⁻¹].
    pub column: &'a [f64],
}

/// A quantity of one spectrum.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    /// The number in the quantity's unit, or why there is none.
    pub value: Result<f64, NullReason>,
    /// Standard uncertainty (k = 1), √(noise² + Σ effects² + second order²); NaN without a value.
    pub uncertainty: f64,
    /// The part of it from the variance of the samples; NaN without a value.
    pub noise: f64,
    /// What one standard deviation of each mode does to the value, in the order of the modes; NaN without a value. Signed,
    /// but for modes that have many amplitudes: theirs is the deviation of all of them together. Of the wavelength of the top
    /// these are shares of the uncertainty.
    pub effects: Vec<f64>,
    /// The part of it that is of second order and belongs to no single error; 0 for all but indices of colour rendering; NaN
    /// without a value.
    pub second_order: f64,
}

impl Outcome {
    fn null(reason: NullReason, modes: usize) -> Self {
        let none = f64::NAN;
        Self { value: Err(reason), uncertainty: none, noise: none, effects: vec![none; modes], second_order: none }
    }

    fn new(value: f64, noise2: f64, effects: Vec<f64>, second_order2: f64) -> Self {
        let variance = effects.iter().fold(noise2, |sum, e| sum + e * e) + second_order2;
        if !value.is_finite() {
            return Self::null(NullReason::NotFinite, effects.len());
        }
        if !(noise2 >= 0.0 && variance.is_finite()) {
            return Self::null(NullReason::UncertaintyNotFinite, effects.len());
        }
        let second_order = second_order2.sqrt();
        Self { value: Ok(value), uncertainty: variance.sqrt(), noise: noise2.sqrt(), effects, second_order }
    }
}

/// Memory that evaluations use again.
#[derive(Clone, Debug, Default)]
pub struct Workspace {
    sums: Sums<LANES>,
    more: Sums<LANES>,
    /// Row-major, one entry a column.
    columns: Vec<f64>,
    noise2: Vec<f64>,
    shared_noise2: Vec<f64>,
    shapes: Vec<f64>,
    scratch: Scratch,
    rendering: Vec<SparseRow>,
    bare_rendering: bool,
}

impl Workspace {
    /// Where indices of colour rendering come without their uncertainty, which takes a third of an evaluation: for measuring what
    /// all else takes. Such an index is never stored.
    #[doc(hidden)]
    pub fn without_rendering_uncertainty() -> Self {
        Self { bare_rendering: true, ..Self::default() }
    }

    /// What every index of colour rendering does by the samples of the spectrum that was evaluated last, in the order of the
    /// indices; none where it has no indices.
    pub fn rendering(&self) -> &[SparseRow] {
        &self.rendering
    }
}

#[derive(Clone, Debug, Default)]
struct Scratch {
    columns: Vec<f64>,
    loads: Vec<f64>,
    four: Vec<[f64; 4]>,
}

/// Evaluates every quantity of the registry, in its order.
///
/// irradiance: [W m⁻² nm⁻¹]; variance: [(W m⁻² nm⁻¹)²]; both and every mode on the matrix's axis. A quantity is null when
/// its range is not covered, a sample that weighs is not finite, or its uncertainty is not a finite number.
pub fn evaluate(m: &Matrix, irradiance: &[f64], variance: &[f64], modes: &[Mode]) -> Vec<Outcome> {
    let lengths = [irradiance.len(), variance.len()].into_iter().chain(modes.iter().map(|mode| mode.column.len()));
    if let Some(found) = lengths.into_iter().find(|n| *n != m.samples) {
        let null = Outcome::null(NullReason::Length { expected: m.samples, found }, modes.len());
        return vec![null; m.plans.len()];
    }
    let modes: Vec<(&'static str, &[f64])> = modes.iter().map(|mode| (mode.name, mode.column)).collect();
    evaluate_with(&mut Workspace::default(), m, irradiance, variance, &Errors::of_columns(irradiance, &modes))
}

/// [`evaluate`] of a spectrum with its errors, in memory that is used again.
///
/// The first column of the errors is the irradiance.
pub fn evaluate_with(
    work: &mut Workspace,
    m: &Matrix,
    irradiance: &[f64],
    variance: &[f64],
    errors: &Errors,
) -> Vec<Outcome> {
    work.rendering.clear();
    let modes = errors.modes.len();
    let lengths = [irradiance.len(), variance.len(), errors.lanes.samples()];
    if let Some(found) = lengths.into_iter().find(|n| *n != m.samples) {
        let null = Outcome::null(NullReason::Length { expected: m.samples, found }, modes);
        return vec![null; m.plans.len()];
    }
    let Workspace { sums, more, columns, noise2, shared_noise2, shapes, scratch, rendering, bare_rendering } = work;
    let width = errors.lanes.columns();
    fill_columns(&m.rows, &m.couples, errors, sums, more, columns);
    noise(&m.rows, &m.pairs, variance, noise2, shared_noise2);
    row_shapes(&m.couples, errors, sums, m.rows.len(), shapes, &mut scratch.four);
    let mut rendered: Option<[Outcome; INDICES]> = None;
    let mut evaluated =
        Evaluated { m, irradiance, variance, errors, columns, width, sums, noise2, shared_noise2, shapes, scratch };
    registry()
        .iter()
        .zip(&m.plans)
        .map(|(quantity, plan)| match (plan, &quantity.recipe) {
            (Err(reason), _) => Outcome::null(reason.clone(), modes),
            (Ok(rows), Recipe::Linear { factor, .. }) => evaluated.linear(rows[0], *factor),
            (Ok(rows), Recipe::Finish { bright, finish, .. }) => evaluated.finish(rows, *bright, *finish),
            (Ok(_), Recipe::Peak { .. }) => evaluated.peak(),
            (Ok(rows), Recipe::Rendering { index, temperature }) => match rendered::temperature_of(&temperature.recipe)
            {
                None => Outcome::null(NullReason::NotFinite, modes),
                Some(formula) => {
                    let make = || match bare_rendering {
                        true => evaluated.bare_rendering(rows, formula, rendering),
                        false => evaluated.rendering(rows, formula, rendering),
                    };
                    rendered.get_or_insert_with(make)[*index as usize].clone()
                }
            },
        })
        .collect()
}

/// Sums every row over every column of the errors: row-major, one entry a column; `sums` keeps the first block and its notes.
fn fill_columns(
    rows: &[SparseRow],
    couples: &[Couple],
    errors: &Errors,
    sums: &mut Sums<LANES>,
    more: &mut Sums<LANES>,
    columns: &mut Vec<f64>,
) {
    let width = errors.lanes.columns();
    columns.clear();
    columns.resize(rows.len() * width, 0.0);
    for (b, block) in errors.lanes.blocks().iter().enumerate() {
        // Bins are about the first columns only.
        let (sums, bins) = if b == 0 { (&mut *sums, &*errors.bins) } else { (&mut *more, &Bins::default()) };
        sums.fill(rows, couples, block, bins);
        let n = (width - b * LANES).min(LANES);
        for (row, from) in columns.chunks_exact_mut(width).zip(&sums.rows) {
            row[b * LANES..][..n].copy_from_slice(&from[..n]);
        }
    }
}

/// The variance of the sums of the first `count` rows by the shape of the response, before its factor; 0 where no mode has a shape.
fn row_shapes(
    couples: &[Couple],
    errors: &Errors,
    sums: &Sums<LANES>,
    count: usize,
    shapes: &mut Vec<f64>,
    four: &mut Vec<[f64; 4]>,
) {
    shapes.clear();
    shapes.resize(count, 0.0);
    if !errors.modes.iter().any(|mode| matches!(mode.mixture, Mixture::Shape(_))) {
        return;
    }
    // Rows of like spans stand next to each other among the couples.
    let order: Vec<usize> = couples.iter().flat_map(|(a, b)| [Some(*a), *b]).flatten().filter(|r| *r < count).collect();
    for rows in order.chunks(4) {
        let noted = || rows.iter().map(|row| &sums.noted[*row]);
        let first = noted().map(|(_, bin)| *bin).min().unwrap_or(0);
        let end = noted().map(|(notes, bin)| bin + notes.len()).max().unwrap_or(first);
        four.clear();
        four.resize(end - first, [0.0; 4]);
        for (j, (notes, bin)) in noted().enumerate() {
            let mut before = 0.0;
            for (loads, note) in four[bin - first..].iter_mut().zip(&sums.notes[notes.clone()]) {
                loads[j] = note[RESPONSE] - before;
                before = note[RESPONSE];
            }
        }
        for (row, shape) in rows.iter().zip(errors.bins.variances(first, four)) {
            shapes[*row] = shape;
        }
    }
}

/// The sums of one spectrum, ready to become quantities.
struct Evaluated<'a> {
    m: &'a Matrix,
    errors: &'a Errors,
    columns: &'a [f64],
    irradiance: &'a [f64],
    variance: &'a [f64],
    width: usize,
    sums: &'a Sums<LANES>,
    noise2: &'a [f64],
    shared_noise2: &'a [f64],
    shapes: &'a [f64],
    scratch: &'a mut Scratch,
}

impl Evaluated<'_> {
    fn row(&self, row: usize) -> &[f64] {
        &self.columns[row * self.width..][..self.width]
    }

    fn linear(&mut self, row: usize, factor: f64) -> Outcome {
        let effects = self.effects(&[factor], &[row]);
        Outcome::new(factor * self.row(row)[IRRADIANCE], factor * factor * self.noise2[row], effects, 0.0)
    }

    fn finish(&mut self, rows: &[usize], bright: usize, finish: FinishFn) -> Outcome {
        let modes = self.errors.modes.len();
        let reference = self.linear(rows[bright], 1.0);
        match reference.value {
            Err(reason) => return Outcome::null(reason, modes),
            Ok(light) if light <= 0.0 || light < DETECTION * reference.uncertainty => {
                return Outcome::null(NullReason::TooLittleLight, modes);
            }
            Ok(_) => {}
        }
        let (value, gradient) = match finished(rows.iter().map(|r| self.row(*r)[IRRADIANCE]), finish) {
            Ok(finished) => finished,
            Err(reason) => return Outcome::null(reason, modes),
        };
        let effects = self.effects(&gradient[..rows.len()], rows);
        Outcome::new(value, self.noise2_of(&gradient[..rows.len()], rows), effects, 0.0)
    }

    /// The variance of Σ gᵣ·(sum of row r) by the samples' own noise: gᵀCg with the covariances of the rows' sums.
    fn noise2_of(&self, gradient: &[f64], rows: &[usize]) -> f64 {
        let (mut total, mut size) = (0.0, 0.0);
        let mut add = |term: f64| {
            total += term;
            size += term.abs();
        };
        for (i, (g, a)) in gradient.iter().zip(rows).enumerate().filter(|(_, (g, _))| **g != 0.0) {
            add(g * g * self.noise2[*a]);
            for (h, b) in gradient[i + 1..].iter().zip(&rows[i + 1..]).filter(|(h, _)| **h != 0.0) {
                let pair = (*a.min(b), *a.max(b));
                let shared = if a == b {
                    self.noise2[*a]
                } else {
                    self.m.pairs.iter().position(|p| *p == pair).map_or(0.0, |p| self.shared_noise2[p])
                };
                add(2.0 * g * h * shared);
            }
        }
        // What cancels but for rounding is nothing, and not a variance below zero.
        if total < 0.0 && total > -1e-12 * size { 0.0 } else { total }
    }

    /// What every mode does to Σ gᵣ·(sum of row r).
    fn effects(&mut self, gradient: &[f64], rows: &[usize]) -> Vec<f64> {
        let mut combined = std::mem::take(&mut self.scratch.columns);
        let mut loads = std::mem::take(&mut self.scratch.loads);
        combined.clear();
        combined.resize(self.width, 0.0);
        for (g, row) in gradient.iter().zip(rows) {
            for (c, s) in combined.iter_mut().zip(self.row(*row)) {
                *c += g * s;
            }
        }
        let modes = self.errors.modes.iter();
        let effects = modes.map(|mode| self.effect(mode, &combined, gradient, rows, &mut loads)).collect();
        (self.scratch.columns, self.scratch.loads) = (combined, loads);
        effects
    }

    fn effect(
        &self,
        mode: &ErrorMode,
        combined: &[f64],
        gradient: &[f64],
        rows: &[usize],
        loads: &mut Vec<f64>,
    ) -> f64 {
        let parts = || gradient.iter().zip(rows);
        match &mode.mixture {
            Mixture::Common(mix) => mix.iter().map(|(c, k)| k * combined.get(*c).copied().unwrap_or(0.0)).sum(),
            Mixture::Split { bin, before, from } => {
                let below: f64 = parts().map(|(g, row)| g * self.noted_before(*row, *bin)).sum();
                before * below + from * (combined[IRRADIANCE] - below)
            }
            Mixture::Shape(factor) if rows.len() == 1 => factor * gradient[0].abs() * self.shapes[rows[0]].sqrt(),
            Mixture::Shape(factor) => {
                let spans = || rows.iter().filter_map(|row| self.sums.noted.get(*row)).map(|(n, b)| (*b, b + n.len()));
                let Some(first) = spans().map(|s| s.0).min() else { return 0.0 };
                let end = spans().map(|s| s.1).max().unwrap_or(first);
                loads.clear();
                loads.resize(end - first, 0.0);
                for (g, row) in parts() {
                    let (noted, bin) = &self.sums.noted[*row];
                    let mut before = 0.0;
                    for (load, note) in loads[bin - first..].iter_mut().zip(&self.sums.notes[noted.clone()]) {
                        *load += g * (note[RESPONSE] - before);
                        before = note[RESPONSE];
                    }
                }
                factor * self.errors.bins.variance(first, loads).sqrt()
            }
        }
    }

    /// The part of a row's irradiance sum that stands in the bins before one.
    fn noted_before(&self, row: usize, bin: usize) -> f64 {
        let Some((noted, first)) = self.sums.noted.get(row) else { return 0.0 };
        match bin.checked_sub(first + 1) {
            None => 0.0,
            Some(_) if noted.is_empty() => 0.0,
            Some(k) => self.sums.notes[noted.start + k.min(noted.len() - 1)][IRRADIANCE],
        }
    }

    fn peak(&self) -> Outcome {
        let (m, light, errors) = (self.m, self.irradiance, self.errors);
        let null = |reason| Outcome::null(reason, errors.modes.len());
        let sample = match peak::highest(light, m.calibrated) {
            Ok(sample) => sample,
            Err(reason) => return null(reason),
        };
        let uncertainty = |counts: fn(&ErrorMode) -> bool| {
            let modes = errors.modes.iter().filter(|mode| counts(mode)).map(|mode| errors.at(mode, sample));
            modes.fold(self.variance[sample], |sum, e| sum + e * e).sqrt()
        };
        // A slit makes half of a narrow line's height uncertain, and it is there all the same.
        if light[sample] < DETECTION * uncertainty(|mode| !mode.of_light) {
            return null(NullReason::TooLittleLight);
        }
        let own = uncertainty(|_| true);
        let peak = match peak::find_at(&m.axis_nm, light, m.calibrated, sample) {
            Ok(peak) => peak,
            Err(reason) => return null(reason),
        };
        let known = peak::Known { axis: &m.axis_nm, light, variance: self.variance, errors };
        let total = peak::spread(&known, m.calibrated, &peak, own);
        // How the parts stand to each other is told by first order, how large they are together is not.
        let change = |mode: &ErrorMode| [0, 1, 2].map(|k| peak.gradient[k] * errors.at(mode, peak.samples[k]));
        let effect = |mode: &ErrorMode| match mode.mixture {
            // A top follows what its neighbours differ by, which bins do not tell: their own covariance does.
            Mixture::Shape(_) => {
                let (change, nm) = (change(mode), peak.samples.map(|i| m.axis_nm[i]));
                let with = |i: usize, j: usize| change[i] * change[j] * errors.bins.correlation_over(nm[i] - nm[j]);
                (0..3).map(|i| (0..3).map(|j| with(i, j)).sum::<f64>()).sum::<f64>().max(0.0).sqrt()
            }
            _ => change(mode).iter().sum(),
        };
        let effects: Vec<f64> = errors.modes.iter().map(effect).collect();
        let noise2: f64 = (0..3).map(|k| peak.gradient[k].powi(2) * self.variance[peak.samples[k]]).sum();
        let first = effects.iter().fold(noise2, |sum, e| sum + e * e).sqrt();
        let scale = if first > 0.0 { total / first } else { 1.0 };
        let effects = effects.into_iter().map(|e| scale * e).collect();
        Outcome::new(peak.wavelength_nm, scale * scale * noise2, effects, 0.0)
    }
}

/// A formula over sums: the value and its derivatives, or the reason why not. Sums that are not finite never reach it.
fn finished(sums: impl Iterator<Item = f64>, finish: FinishFn) -> Result<(f64, [f64; Recipe::MOST_ROWS]), NullReason> {
    let (mut inputs, mut gradient, mut n) = ([0.0; Recipe::MOST_ROWS], [0.0; Recipe::MOST_ROWS], 0);
    for (input, sum) in inputs.iter_mut().zip(sums) {
        if !sum.is_finite() {
            return Err(NullReason::NotFinite);
        }
        *input = sum;
        n += 1;
    }
    let value = finish(&inputs[..n], &mut gradient[..n])?;
    if value.is_finite() { Ok((value, gradient)) } else { Err(NullReason::NotFinite) }
}

/// Every quantity of the registry without uncertainty, by the same loop and to the same bits as [`evaluate`].
///
/// Ratios and colour have too little light only where what they are relative to is not above zero.
pub fn values(m: &Matrix, irradiance: &[f64]) -> Vec<Result<f64, NullReason>> {
    if irradiance.len() != m.samples {
        let reason = NullReason::Length { expected: m.samples, found: irradiance.len() };
        return vec![Err(reason); m.plans.len()];
    }
    let mut sums = Sums::<1>::default();
    sums.fill(&m.rows, &m.couples, irradiance.as_chunks().0, &Bins::default());
    values_of_lane(m, irradiance, &sums.rows, 0)
}

/// [`values`] of many spectra on one axis, eight in one pass.
pub fn values_of_many(m: &Matrix, spectra: &[&[f64]]) -> Vec<Vec<Result<f64, NullReason>>> {
    let mut sums = Sums::<LANES>::default();
    let mut all = Vec::with_capacity(spectra.len());
    for group in spectra.chunks(LANES) {
        let fitting: Vec<&[f64]> = group.iter().copied().filter(|s| s.len() == m.samples).collect();
        for block in Lanes::of(&fitting).blocks() {
            sums.fill(&m.rows, &m.couples, block, &Bins::default());
        }
        let mut lane = 0;
        for spectrum in group {
            if spectrum.len() == m.samples {
                all.push(values_of_lane(m, spectrum, &sums.rows, lane));
                lane += 1;
            } else {
                let reason = NullReason::Length { expected: m.samples, found: spectrum.len() };
                all.push(vec![Err(reason); m.plans.len()]);
            }
        }
    }
    all
}

fn values_of_lane<const L: usize>(
    m: &Matrix,
    spectrum: &[f64],
    sums: &[[f64; L]],
    lane: usize,
) -> Vec<Result<f64, NullReason>> {
    let mut rendered: Option<Result<[f64; INDICES], NullReason>> = None;
    let mut value = |recipe: &Recipe, rows: &[usize]| match recipe {
        Recipe::Linear { factor, .. } => {
            let value = factor * sums[rows[0]][lane];
            if value.is_finite() { Ok(value) } else { Err(NullReason::NotFinite) }
        }
        Recipe::Finish { bright, finish, .. } => match sums[rows[*bright]][lane] {
            light if light.is_finite() && light <= 0.0 => Err(NullReason::TooLittleLight),
            _ => finished(rows.iter().map(|r| sums[*r][lane]), *finish).map(|(value, _)| value),
        },
        Recipe::Peak { .. } => peak::find(&m.axis_nm, spectrum, m.calibrated).map(|peak| peak.wavelength_nm),
        Recipe::Rendering { index, temperature } => {
            let make = || {
                let (bright, finish) = rendered::temperature_of(&temperature.recipe).ok_or(NullReason::NotFinite)?;
                let light = sums[rows[bright]][lane];
                if light.is_finite() && light <= 0.0 {
                    return Err(NullReason::TooLittleLight);
                }
                let sums = rows.iter().map(|r| sums[*r][lane]);
                rendered::indices(m, spectrum, sums, finish)
            };
            let all = rendered.get_or_insert_with(make).clone();
            all.and_then(|all| rendered::index(all[*index as usize]))
        }
    };
    registry()
        .iter()
        .zip(&m.plans)
        .map(|(quantity, plan)| plan.as_ref().map_err(Clone::clone).and_then(|rows| value(&quantity.recipe, rows)))
        .collect()
}

#[cfg(test)]
mod tests;
