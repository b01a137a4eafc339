//! From a spectrum and its uncertainty to every quantity and its uncertainty.
//!
//! Uncertainty comes in two kinds: a variance of each sample, independent of all others, and *modes*: columns of one
//! standard deviation each, fully correlated over the samples. A mode goes through the same rows as the light, so a ratio
//! cancels what it should by itself; a formula over rows takes its derivatives, and its variance by one adjoint pass.
//! Derivatives are first order: a relative uncertainty beyond a third is no longer right to two figures.

mod effects;

pub use effects::effects;

use super::kernel::{MOST_LANES, adjoint_noise2, sum_block};
use super::matrix::Matrix;
use super::peak;
use super::reason::NullReason;
use super::registry::{FinishFn, Recipe, registry};

/// What a ratio or a colour is relative to has to exceed this many of its own standard uncertainties, or there is too
/// little light: the customary detection limit (IUPAC 1976, 3 standard deviations).
pub const DETECTION: f64 = 3.0;

/// One fully correlated source of uncertainty.
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
    /// Standard uncertainty (k = 1), √(noise² + Σ effects²); NaN without a value.
    pub uncertainty: f64,
    /// The part of it from the variance of the samples; NaN without a value.
    pub noise: f64,
    /// What one standard deviation of each mode does to the value, signed, in the order of the modes; NaN without a value.
    pub effects: Vec<f64>,
}

impl Outcome {
    fn null(reason: NullReason, modes: usize) -> Self {
        Self { value: Err(reason), uncertainty: f64::NAN, noise: f64::NAN, effects: vec![f64::NAN; modes] }
    }

    fn new(value: f64, noise2: f64, effects: Vec<f64>) -> Self {
        let variance = effects.iter().fold(noise2, |sum, e| sum + e * e);
        if !value.is_finite() {
            return Self::null(NullReason::NotFinite, effects.len());
        }
        if !(noise2 >= 0.0 && variance.is_finite()) {
            return Self::null(NullReason::UncertaintyNotFinite, effects.len());
        }
        Self { value: Ok(value), uncertainty: variance.sqrt(), noise: noise2.sqrt(), effects }
    }
}

/// Memory that evaluations use again.
#[derive(Clone, Debug, Default)]
pub struct Workspace {
    block: Vec<f64>,
    block_sums: Vec<[f64; MOST_LANES]>,
    noise2: Vec<f64>,
    unused: Vec<f64>,
    /// Row-major, one entry a column: the irradiance, then the modes.
    sums: Vec<f64>,
    combined: Vec<f64>,
}

/// Evaluates every quantity of the registry, in its order.
///
/// irradiance: [W m⁻² nm⁻¹]; variance: [(W m⁻² nm⁻¹)²]; both and every mode on the matrix's axis. A quantity is null when
/// its range is not covered, a sample that weighs is not finite, or its uncertainty is not a finite number.
pub fn evaluate(m: &Matrix, irradiance: &[f64], variance: &[f64], modes: &[Mode]) -> Vec<Outcome> {
    evaluate_with(&mut Workspace::default(), m, irradiance, variance, modes)
}

/// [`evaluate`] in memory that is used again.
pub fn evaluate_with(
    work: &mut Workspace,
    m: &Matrix,
    irradiance: &[f64],
    variance: &[f64],
    modes: &[Mode],
) -> Vec<Outcome> {
    let lengths = [irradiance.len(), variance.len()].into_iter().chain(modes.iter().map(|mode| mode.column.len()));
    if let Some(found) = lengths.into_iter().find(|n| *n != m.samples) {
        let null = Outcome::null(NullReason::Length { expected: m.samples, found }, modes.len());
        return vec![null; m.plans.len()];
    }
    let columns: Vec<&[f64]> = std::iter::once(irradiance).chain(modes.iter().map(|mode| mode.column)).collect();
    let width = columns.len();
    let Workspace { block, block_sums, noise2, unused, sums, combined } = work;
    sums.clear();
    sums.resize(m.rows.len() * width, 0.0);
    for (b, columns) in columns.chunks(MOST_LANES).enumerate() {
        // The variance is summed along with the first block only.
        let (variance, noise2) = if b == 0 { (Some(variance), &mut *noise2) } else { (None, &mut *unused) };
        sum_block(&m.rows, m.used(), columns, variance, block, block_sums, noise2);
        for (row, from) in sums.chunks_exact_mut(width).zip(block_sums.iter()) {
            row[b * MOST_LANES..][..columns.len()].copy_from_slice(&from[..columns.len()]);
        }
    }
    let evaluated = Evaluated { m, columns: &columns, sums, width, noise2, variance };
    registry()
        .iter()
        .zip(&m.plans)
        .map(|(quantity, plan)| match (plan, &quantity.recipe) {
            (Err(reason), _) => Outcome::null(reason.clone(), modes.len()),
            (Ok(rows), Recipe::Linear { factor, .. }) => evaluated.linear(rows[0], *factor),
            (Ok(rows), Recipe::Finish { bright, finish, .. }) => evaluated.finish(rows, *bright, *finish, combined),
            (Ok(_), Recipe::Peak { .. }) => evaluated.peak(),
        })
        .collect()
}

/// The sums of one spectrum, ready to become quantities.
struct Evaluated<'a> {
    m: &'a Matrix,
    /// The irradiance, then the modes.
    columns: &'a [&'a [f64]],
    sums: &'a [f64],
    width: usize,
    noise2: &'a [f64],
    variance: &'a [f64],
}

impl Evaluated<'_> {
    fn row(&self, row: usize) -> &[f64] {
        &self.sums[row * self.width..][..self.width]
    }

    fn linear(&self, row: usize, factor: f64) -> Outcome {
        let sums = self.row(row);
        let effects = sums[1..].iter().map(|s| factor * s).collect();
        Outcome::new(factor * sums[0], factor * factor * self.noise2[row], effects)
    }

    fn finish(&self, rows: &[usize], bright: usize, finish: FinishFn, combined: &mut Vec<f64>) -> Outcome {
        let modes = self.width - 1;
        let reference = self.linear(rows[bright], 1.0);
        match reference.value {
            Err(reason) => return Outcome::null(reason, modes),
            Ok(light) if light <= 0.0 || light < DETECTION * reference.uncertainty => {
                return Outcome::null(NullReason::TooLittleLight, modes);
            }
            Ok(_) => {}
        }
        let (value, gradient) = match finished(rows.iter().map(|r| self.row(*r)[0]), finish) {
            Ok(finished) => finished,
            Err(reason) => return Outcome::null(reason, modes),
        };
        let parts = gradient.iter().copied().zip(rows);
        let effects = (1..self.width)
            .map(|column| parts.clone().fold(0.0, |sum, (g, r)| sum + g * self.row(*r)[column]))
            .collect();
        let noise2 = adjoint_noise2(parts.map(|(g, r)| (g, &self.m.rows[*r])), self.variance, combined);
        Outcome::new(value, noise2, effects)
    }

    fn peak(&self) -> Outcome {
        let (m, light, modes) = (self.m, self.columns[0], self.width - 1);
        let null = |reason| Outcome::null(reason, modes);
        let sample = match peak::highest(light, m.calibrated) {
            Ok(sample) => sample,
            Err(reason) => return null(reason),
        };
        let own = self.columns[1..].iter().fold(self.variance[sample], |sum, mode| sum + mode[sample] * mode[sample]);
        if light[sample] < DETECTION * own.sqrt() {
            return null(NullReason::TooLittleLight);
        }
        let peak = match peak::find(&m.axis_nm, light, m.calibrated) {
            Ok(peak) => peak,
            Err(reason) => return null(reason),
        };
        let (noise2, samples, gradient) = peak::noise2(&m.axis_nm, light, self.variance, m.calibrated, &peak);
        let effect = |mode: &&[f64]| samples.iter().zip(gradient).fold(0.0, |sum, (i, g)| sum + g * mode[*i]);
        Outcome::new(peak.wavelength_nm, noise2, self.columns[1..].iter().map(effect).collect())
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
    values_of_many(m, &[irradiance]).pop().unwrap_or_default()
}

/// [`values`] of many spectra on one axis, eight in one pass.
pub fn values_of_many(m: &Matrix, spectra: &[&[f64]]) -> Vec<Vec<Result<f64, NullReason>>> {
    let (mut block, mut sums, mut unused) = (Vec::new(), Vec::new(), Vec::new());
    let mut all = Vec::with_capacity(spectra.len());
    for group in spectra.chunks(MOST_LANES) {
        let fitting: Vec<&[f64]> = group.iter().copied().filter(|s| s.len() == m.samples).collect();
        sum_block(&m.rows, m.used(), &fitting, None, &mut block, &mut sums, &mut unused);
        let mut lane = 0;
        for spectrum in group {
            if spectrum.len() == m.samples {
                all.push(values_of_lane(m, spectrum, &sums, lane));
                lane += 1;
            } else {
                let reason = NullReason::Length { expected: m.samples, found: spectrum.len() };
                all.push(vec![Err(reason); m.plans.len()]);
            }
        }
    }
    all
}

fn values_of_lane(
    m: &Matrix,
    spectrum: &[f64],
    sums: &[[f64; MOST_LANES]],
    lane: usize,
) -> Vec<Result<f64, NullReason>> {
    let value = |recipe: &Recipe, rows: &[usize]| match recipe {
        Recipe::Linear { factor, .. } => {
            let value = factor * sums[rows[0]][lane];
            if value.is_finite() { Ok(value) } else { Err(NullReason::NotFinite) }
        }
        Recipe::Finish { bright, finish, .. } => match sums[rows[*bright]][lane] {
            light if light <= 0.0 => Err(NullReason::TooLittleLight),
            _ => finished(rows.iter().map(|r| sums[*r][lane]), *finish).map(|(value, _)| value),
        },
        Recipe::Peak { .. } => peak::find(&m.axis_nm, spectrum, m.calibrated).map(|peak| peak.wavelength_nm),
    };
    registry()
        .iter()
        .zip(&m.plans)
        .map(|(quantity, plan)| plan.as_ref().map_err(Clone::clone).and_then(|rows| value(&quantity.recipe, rows)))
        .collect()
}

#[cfg(test)]
mod tests;
