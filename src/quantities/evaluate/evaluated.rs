//! From the sums of one spectrum to its quantities, one after the other.
//!
//! What must stay true: with memory that is used again nothing here allocates, since a malloc costs a daemon that has just
//! woken as much as some hundred terms of a sum.

use super::sums::RowSums;
use super::values::finished;
use super::{DETECTION, Outcome, Scratch, countable};
use crate::quantities::matrix::Matrix;
use crate::quantities::peak;
use crate::quantities::reason::NullReason;
use crate::quantities::registry::FinishFn;
use crate::spectrum::errors::{Correlation, ErrorMode, Errors, IRRADIANCE, RESPONSE};

/// The sums of one spectrum, ready to become quantities.
pub(super) struct Evaluated<'a> {
    pub m: &'a Matrix,
    pub errors: &'a Errors,
    pub irradiance: &'a [f64],
    pub variance: &'a [f64],
    pub sums: &'a RowSums,
    pub scratch: &'a mut Scratch,
}

impl Evaluated<'_> {
    pub fn row(&self, row: usize) -> &[f64] {
        self.sums.row(row)
    }

    /// A quantity without a value.
    pub fn null(&mut self, reason: NullReason) -> Outcome {
        Outcome::null(reason, self.scratch.effects(self.errors.modes.len()))
    }

    pub fn linear(&mut self, row: usize, factor: f64) -> Outcome {
        let effects = self.effects(&[factor], &[row]);
        Outcome::new(factor * self.row(row)[IRRADIANCE], factor * factor * self.sums.noise2[row], effects, 0.0)
    }

    /// Why the light of a row cannot be what others are relative to; nothing where it stands out.
    pub fn missing(&mut self, row: usize) -> Option<NullReason> {
        // Quantities that are relative to one row stand next to each other.
        if let Some((_, answer)) = self.scratch.standing.as_ref().filter(|(asked, _)| *asked == row) {
            return answer.clone();
        }
        let (light, noise2) = (self.row(row)[IRRADIANCE], self.sums.noise2[row]);
        let effects = self.effects(&[1.0], &[row]);
        let variance = effects.iter().fold(noise2, |sum, e| sum + e * e);
        self.scratch.spare.push(effects);
        let answer = match countable(light, noise2, variance) {
            Err(reason) => Some(reason),
            Ok(()) if light <= 0.0 || light < DETECTION * variance.sqrt() => Some(NullReason::TooLittleLight),
            Ok(()) => None,
        };
        self.scratch.standing = Some((row, answer.clone()));
        answer
    }

    pub fn finish(&mut self, rows: &[usize], bright: usize, finish: FinishFn) -> Outcome {
        if let Some(reason) = self.missing(rows[bright]) {
            return self.null(reason);
        }
        let (value, gradient) = match finished(rows.iter().map(|r| self.row(*r)[IRRADIANCE]), finish) {
            Ok(finished) => finished,
            Err(reason) => return self.null(reason),
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
            add(g * g * self.sums.noise2[*a]);
            for (h, b) in gradient[i + 1..].iter().zip(&rows[i + 1..]).filter(|(h, _)| **h != 0.0) {
                let pair = (*a.min(b), *a.max(b));
                let shared = if a == b {
                    self.sums.noise2[*a]
                } else {
                    self.m.pairs.iter().position(|p| *p == pair).map_or(0.0, |p| self.sums.shared_noise2[p])
                };
                add(2.0 * g * h * shared);
            }
        }
        // What cancels but for rounding is nothing, and not a variance below zero.
        if total < 0.0 && total > -1e-12 * size { 0.0 } else { total }
    }

    /// What every mode does to Σ gᵣ·(sum of row r).
    pub fn effects(&mut self, gradient: &[f64], rows: &[usize]) -> Vec<f64> {
        let mut effects = self.scratch.effects(self.errors.modes.len());
        let mut combined = std::mem::take(&mut self.scratch.columns);
        let mut loads = std::mem::take(&mut self.scratch.loads);
        combined.clear();
        combined.resize(self.sums.width, 0.0);
        for (g, row) in gradient.iter().zip(rows) {
            for (c, s) in combined.iter_mut().zip(self.row(*row)) {
                *c += g * s;
            }
        }
        for (effect, mode) in effects.iter_mut().zip(&self.errors.modes) {
            *effect = self.effect(mode, &combined, gradient, rows, &mut loads);
        }
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
            Correlation::Common(mix) => mix.iter().map(|(c, k)| k * combined.get(*c).copied().unwrap_or(0.0)).sum(),
            Correlation::Split { bin, before, from } => {
                let below: f64 = parts().map(|(g, row)| g * self.noted_before(*row, *bin)).sum();
                before * below + from * (combined[IRRADIANCE] - below)
            }
            Correlation::Shape(factor) if rows.len() == 1 => {
                factor * gradient[0].abs() * self.sums.shapes[rows[0]].sqrt()
            }
            Correlation::Shape(factor) => {
                let spans =
                    || rows.iter().filter_map(|row| self.sums.sums.noted.get(*row)).map(|(n, b)| (*b, b + n.len()));
                let Some(first) = spans().map(|s| s.0).min() else { return 0.0 };
                let end = spans().map(|s| s.1).max().unwrap_or(first);
                loads.clear();
                loads.resize(end - first, 0.0);
                for (g, row) in parts() {
                    let (noted, bin) = &self.sums.sums.noted[*row];
                    let mut before = 0.0;
                    for (load, note) in loads[bin - first..].iter_mut().zip(&self.sums.sums.notes[noted.clone()]) {
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
        let Some((noted, first)) = self.sums.sums.noted.get(row) else { return 0.0 };
        match bin.checked_sub(first + 1) {
            None => 0.0,
            Some(_) if noted.is_empty() => 0.0,
            Some(k) => self.sums.sums.notes[noted.start + k.min(noted.len() - 1)][IRRADIANCE],
        }
    }

    pub fn peak(&mut self) -> Outcome {
        let (m, light, errors) = (self.m, self.irradiance, self.errors);
        let sample = match peak::highest(light, m.calibrated) {
            Ok(sample) => sample,
            Err(reason) => return self.null(reason),
        };
        let own2 = self.variance[sample];
        let uncertainty = |counts: fn(&ErrorMode) -> bool| {
            let modes = errors.modes.iter().filter(|mode| counts(mode)).map(|mode| errors.at(mode, sample));
            modes.fold(own2, |sum, e| sum + e * e).sqrt()
        };
        // A slit makes half of a narrow line's height uncertain, and it is there all the same.
        if light[sample] < DETECTION * uncertainty(|mode| !mode.of_light) {
            return self.null(NullReason::TooLittleLight);
        }
        let own = uncertainty(|_| true);
        let peak = match peak::find_at(&m.axis_nm, light, m.calibrated, sample) {
            Ok(peak) => peak,
            Err(reason) => return self.null(reason),
        };
        let known = peak::Known { axis: &m.axis_nm, light, variance: self.variance, errors };
        let total = peak::spread(&known, m.calibrated, &peak, own, &mut self.scratch.peak);
        // How the parts stand to each other is told by first order, how large they are together is not.
        let change = |mode: &ErrorMode| [0, 1, 2].map(|k| peak.gradient[k] * errors.at(mode, peak.samples[k]));
        let effect = |mode: &ErrorMode| match mode.mixture {
            // A top follows what its neighbours differ by, which bins do not tell: their own covariance does.
            Correlation::Shape(_) => {
                let (change, nm) = (change(mode), peak.samples.map(|i| m.axis_nm[i]));
                let with = |i: usize, j: usize| change[i] * change[j] * errors.bins.correlation_over(nm[i] - nm[j]);
                (0..3).map(|i| (0..3).map(|j| with(i, j)).sum::<f64>()).sum::<f64>().max(0.0).sqrt()
            }
            _ => change(mode).iter().sum(),
        };
        let mut effects = self.scratch.effects(errors.modes.len());
        effects.iter_mut().zip(&errors.modes).for_each(|(to, mode)| *to = effect(mode));
        let noise2: f64 = (0..3).map(|k| peak.gradient[k].powi(2) * self.variance[peak.samples[k]]).sum();
        let first = effects.iter().fold(noise2, |sum, e| sum + e * e).sqrt();
        let scale = if first > 0.0 { total / first } else { 1.0 };
        effects.iter_mut().for_each(|e| *e *= scale);
        Outcome::new(peak.wavelength_nm, scale * scale * noise2, effects, 0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Workspace, evaluate_with};
    use super::*;
    use crate::quantities::SourceRule;

    /// Identity: memory that held another spectrum, with more or fewer modes and with values or without, changes nothing.
    #[test]
    fn memory_that_is_used_again_changes_nothing() {
        let axis: Vec<f64> = (0..900).map(|i| 280.0 + f64::from(i)).collect();
        let m = Matrix::build(&axis, (280.0, 1179.0), SourceRule::Lamp);
        let column = |k: f64| -> Vec<f64> { axis.iter().map(|nm| 1e-3 * (nm / 30.0 * k).cos()).collect() };
        let columns: Vec<Vec<f64>> = (1..21).map(|k| column(f64::from(k))).collect();
        let modes: Vec<(&'static str, &[f64])> = columns.iter().map(|c| ("x", &c[..])).collect();
        let (variance, mut work) = (vec![1e-8; axis.len()], Workspace::default());
        for (height, modes) in
            [(1.0, &modes[..3]), (0.0, &modes[..]), (2.0, &modes[..]), (1.0, &[]), (1.0, &modes[..3])]
        {
            let light: Vec<f64> = axis.iter().map(|nm| height * (1.0 + 0.4 * (nm / 90.0).sin())).collect();
            let errors = Errors::of_columns(&light, modes);
            let again = evaluate_with(&mut work, &m, &light, &variance, &errors);
            let mut fresh = Workspace::default();
            let want = evaluate_with(&mut fresh, &m, &light, &variance, &errors);
            // NaN does not equal itself, but is written alike.
            assert_eq!(format!("{again:?}"), format!("{want:?}"));
            assert_eq!(work.rendering(), fresh.rendering());
            work.recycle(again);
        }
        // Too short a spectrum has no quantities, and as many.
        let none = evaluate_with(&mut work, &m, &[1.0; 3], &variance, &Errors::of_columns(&[1.0; 3], &[]));
        assert!(none.len() == m.plans.len() && none.iter().all(|o| o.value.is_err() && o.effects.is_empty()));
    }
}
