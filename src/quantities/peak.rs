//! The wavelength of a spectrum's maximum: the vertex of a parabola through the highest sample and its two neighbours.
//!
//! Its uncertainty is drawn: which sample is the highest changes with the errors, and no first-order formula holds there. The samples
//! that may be the highest, and their neighbours, are drawn with their noise and correlated errors, and each drawn maximum takes the
//! same way as the measured one. A maximum that too many samples may hold has no wavelength.
//!
//! Pure. Invariants: no samples panic; the same spectrum gives the same bits.

use super::reason::NullReason;
use crate::spectrum::errors::{Correlation, Errors};
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use std::ops::Range;

/// Standard uncertainties by which the highest sample must exceed zero: the customary limit of quantification (10 standard deviations).
/// The highest of two thousand samples of noise exceeds 3 by chance.
const QUANTIFICATION: f64 = 10.0;
/// A sample may be the highest where it lies no more standard uncertainties of the difference below the highest one.
const MAY_BE_HIGHEST: f64 = 4.0;
/// Samples that may be the highest, at most: the maximum of more is flat. On the usual axis they are some 40 nm.
const MOST_CANDIDATES: usize = 100;
/// Expanded uncertainty (k = 2) of the wavelength from which on the maximum is flat [nm]: beyond it, the number says where noise was
/// highest. Five times the limit of a good value.
const FLATTEST_NM: f64 = 10.0;
/// Drawn spectra. Their standard deviation is uncertain by 4 %.
const DRAWS: usize = 256;
/// Draws that must have a maximum for their deviation to count.
const LEAST_WITH_MAXIMUM: usize = DRAWS * 3 / 4;

/// A spectrum with its uncertainty.
#[derive(Clone, Copy)]
pub(super) struct Measured<'a> {
    /// Its axis [nm].
    pub axis: &'a [f64],
    /// Its samples.
    pub light: &'a [f64],
    /// The variance of each sample by its own noise.
    pub variance: &'a [f64],
    /// The errors that samples share.
    pub errors: &'a Errors,
}

/// A maximum and how well its wavelength is known.
struct Maximum {
    /// [nm].
    wavelength_nm: f64,
    /// Its standard uncertainty [nm]; NaN where too few draws have a maximum.
    deviation: f64,
    /// The first and the last sample that may be the highest [nm]; `None` where the uncertainty of the samples is not known.
    ends: Option<(f64, f64)>,
}

/// The vertex of the parabola through a sample and its neighbours [nm].
fn vertex(axis: &[f64], light: &[f64], j: usize) -> f64 {
    let (before, after) = (axis[j] - axis[j - 1], axis[j + 1] - axis[j]);
    let (rise, fall) = (light[j] - light[j - 1], light[j] - light[j + 1]);
    let above = after * after * rise - before * before * fall;
    let below = 2.0 * (after * rise + before * fall);
    axis[j] + above / below
}

/// The highest of some samples, the first where several are alike.
///
/// `Err` where a sample is not finite, or none is above zero.
fn highest(light: &[f64], among: Range<usize>) -> Result<usize, NullReason> {
    let samples = light.get(among.clone()).filter(|s| !s.is_empty()).ok_or(NullReason::Axis)?;
    if !samples.iter().all(|sample| sample.is_finite()) {
        return Err(NullReason::NotFinite);
    }
    let highest = samples.iter().copied().fold(0.0, f64::max);
    let at = samples.iter().position(|sample| *sample == highest).filter(|_| highest > 0.0);
    at.map(|at| among.start + at).ok_or(NullReason::TooLittleLight)
}

/// The wavelength of the maximum among some samples [nm].
///
/// axis: [nm], strictly rising; light: one a wavelength, in any unit. `Err` where a sample is not finite or none is above zero,
/// where the highest is at an end, or where more than two neighbours are equally high.
pub(super) fn find(axis: &[f64], light: &[f64], among: Range<usize>) -> Result<f64, NullReason> {
    let (sample, end) = (highest(light, among.clone())?, among.end);
    if axis.len() < end {
        return Err(NullReason::Axis);
    }
    let level = light[sample..end].iter().take_while(|s| **s == light[sample]).count();
    if level > 2 {
        return Err(NullReason::Level { from_nm: axis[sample], to_nm: axis[sample + level - 1] });
    }
    if sample == among.start || sample + level == end {
        return Err(NullReason::PeakAtEnd { at_nm: axis[if sample == among.start { sample } else { end - 1 }] });
    }
    let wavelength_nm = vertex(axis, light, sample);
    if wavelength_nm.is_finite() { Ok(wavelength_nm) } else { Err(NullReason::NotFinite) }
}

impl Measured<'_> {
    /// The wavelength of the maximum among some samples, and its standard uncertainty [nm]; NaN where too few draws have a maximum.
    pub fn peak(&self, among: Range<usize>) -> Result<(f64, f64), NullReason> {
        let Maximum { wavelength_nm, deviation, ends } = self.maximum(among)?;
        match ends {
            Some((from_nm, to_nm)) if 2.0 * deviation > FLATTEST_NM => Err(NullReason::FlatMaximum { from_nm, to_nm }),
            _ => Ok((wavelength_nm, deviation)),
        }
    }

    /// The maximum, however uncertain its wavelength.
    fn maximum(&self, among: Range<usize>) -> Result<Maximum, NullReason> {
        let sample = highest(self.light, among.clone())?;
        let uncertainty = self.uncertainty_in_the_dark(sample);
        if self.light[sample] < QUANTIFICATION * uncertainty {
            return Err(NullReason::TooLittleLight);
        }
        let wavelength_nm = find(self.axis, self.light, among.clone())?;
        if uncertainty.is_nan() {
            return Ok(Maximum { wavelength_nm, deviation: f64::NAN, ends: None });
        }
        let candidates = self.candidates(sample, among.clone());
        let ends = candidates.first().zip(candidates.last()).map(|(first, last)| (self.axis[*first], self.axis[*last]));
        if let (Some((from_nm, to_nm)), true) = (ends, candidates.len() > MOST_CANDIDATES) {
            return Err(NullReason::FlatMaximum { from_nm, to_nm });
        }
        Ok(Maximum { wavelength_nm, deviation: self.deviation(&candidates, among), ends })
    }

    /// Standard uncertainty of a sample by noise and by those errors that do not vanish with the light. An error of the bandwidth makes
    /// half of a narrow line's height uncertain, and the line is detected all the same.
    fn uncertainty_in_the_dark(&self, sample: usize) -> f64 {
        let errors = self.errors.modes.iter().filter(|mode| !mode.of_light);
        errors.fold(self.variance[sample], |sum, mode| sum + self.errors.at(mode, sample).powi(2)).sqrt()
    }

    /// The samples that may be the highest, in order; the one that is, is among them.
    fn candidates(&self, highest: usize, among: Range<usize>) -> Vec<usize> {
        let within = |gap: f64, variance: f64| !(gap > 0.0 && gap * gap > MAY_BE_HIGHEST * MAY_BE_HIGHEST * variance);
        let errors: Vec<f64> = self.errors.modes.iter().map(|mode| self.errors.at(mode, highest)).collect();
        let height = self.light[highest];
        among
            // Below half the height only noise can make a sample the highest: correlated errors are smaller.
            .filter(|i| within(0.5 * height - self.light[*i], self.variance[*i]))
            .filter(|i| within(height - self.light[*i], self.difference2(highest, &errors, *i)))
            .collect()
    }

    /// Variance of the difference of two samples; `errors`: the effect of each error on the first.
    fn difference2(&self, first: usize, errors: &[f64], second: usize) -> f64 {
        let noise2 = self.variance[first] + self.variance[second];
        let bin = self.errors.bins.of(second);
        self.errors.modes.iter().zip(errors).fold(noise2, |sum, (mode, x)| {
            let y = self.errors.at_in(mode, second, bin);
            sum + match mode.mixture {
                Correlation::Shape(_) => {
                    let rho = self.errors.bins.correlation_over(self.axis[first] - self.axis[second]);
                    (x * x + y * y - 2.0 * rho * x * y).max(0.0)
                }
                _ => (x - y) * (x - y),
            }
        })
    }

    /// The standard deviation of the maximum over drawn spectra, in which the candidates and their neighbours vary [nm].
    fn deviation(&self, candidates: &[usize], among: Range<usize>) -> f64 {
        let mut samples: Vec<usize> = candidates.iter().flat_map(|i| i.saturating_sub(1)..=i + 1).collect();
        samples.dedup_by(|next, kept| *next <= *kept);
        samples.retain(|i| among.contains(i));
        let (Some(first), Some(last)) = (samples.first(), samples.last()) else { return f64::NAN };
        let span = first.saturating_sub(1).max(among.start)..(last + 2).min(among.end);
        let mut draw = Draw::of(self, samples);
        let found: Vec<f64> = (0..DRAWS).filter_map(|_| find(self.axis, draw.next(), span.clone()).ok()).collect();
        if found.len() < LEAST_WITH_MAXIMUM {
            return f64::NAN;
        }
        let n = found.len() as f64;
        let mean = found.iter().sum::<f64>() / n;
        (found.iter().map(|nm| (nm - mean).powi(2)).sum::<f64>() / n).sqrt()
    }
}

/// Draws spectra in which some samples vary.
struct Draw<'a> {
    light: &'a [f64],
    samples: Vec<usize>,
    noise: Vec<f64>,
    /// What one standard deviation of each error does to each of the samples, and whether it is correlated over a length.
    errors: Vec<(Vec<f64>, bool)>,
    /// The correlation of each sample with the one before, for such errors.
    correlation: Vec<f64>,
    drawn: Vec<f64>,
    random: rand_pcg::Pcg64Mcg,
}

impl<'a> Draw<'a> {
    fn of(measured: &Measured<'a>, samples: Vec<usize>) -> Self {
        let Measured { axis, light, variance, errors } = *measured;
        let distance = |w: &[usize]| axis[w[1]] - axis[w[0]];
        let correlation = samples.windows(2).map(|w| errors.bins.correlation_over(distance(w)));
        let of_mode = |mode| samples.iter().map(|i| errors.at(mode, *i)).collect();
        Self {
            light,
            noise: samples.iter().map(|i| variance[*i].sqrt()).collect(),
            errors: errors.modes.iter().map(|m| (of_mode(m), matches!(m.mixture, Correlation::Shape(_)))).collect(),
            correlation: std::iter::once(0.0).chain(correlation).collect(),
            samples,
            drawn: light.to_vec(),
            random: rand_pcg::Pcg64Mcg::seed_from_u64(1),
        }
    }

    /// The next spectrum.
    fn next(&mut self) -> &[f64] {
        let Self { light, samples, noise, errors, correlation, drawn, random } = self;
        let mut normal = || -> f64 { StandardNormal.sample(random) };
        for (i, u) in samples.iter().zip(noise) {
            drawn[*i] = light[*i] + *u * normal();
        }
        for (effects, over_a_length) in errors {
            let mut amplitude = normal();
            for ((i, effect), rho) in samples.iter().zip(effects).zip(&*correlation) {
                if *over_a_length {
                    amplitude = rho * amplitude + (1.0 - rho * rho).sqrt() * normal();
                }
                drawn[*i] += amplitude * *effect;
            }
        }
        drawn
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// An axis that is not even.
    fn axis() -> Vec<f64> {
        (0..200).map(|i| 400.0 + f64::from(i) + 0.3 * (f64::from(i) * 0.7).sin()).collect()
    }

    /// Identity: a parabola gives back its vertex, wherever between samples it lies and however uneven they are.
    #[test]
    fn a_parabola_gives_back_its_vertex() {
        let axis = axis();
        for top_nm in [430.0, 471.234, 500.5, 571.9] {
            let light: Vec<f64> = axis.iter().map(|nm| 1e5 - (nm - top_nm).powi(2)).collect();
            let peak = find(&axis, &light, 0..axis.len()).unwrap();
            assert!((peak - top_nm).abs() < 1e-6, "want {top_nm}, got {peak}");
        }
    }

    /// No maximum, and why.
    #[test]
    fn what_is_no_maximum_has_a_reason() {
        let axis: Vec<f64> = (0..6).map(|i| 500.0 + f64::from(i)).collect();
        let found = |light: [f64; 6]| find(&axis, &light, 0..6);
        assert_eq!(found([0.0; 6]), Err(NullReason::TooLittleLight));
        assert_eq!(found([-1.0, -2.0, -1.0, -3.0, -1.0, -2.0]), Err(NullReason::TooLittleLight));
        assert_eq!(found([0.0, f64::NAN, 1.0, 0.0, 0.0, 0.0]), Err(NullReason::NotFinite));
        assert_eq!(found([0.0, f64::INFINITY, 1.0, 0.0, 0.0, 0.0]), Err(NullReason::NotFinite));
        assert_eq!(found([2.0, 1.0, 1.0, 0.0, 0.0, 0.0]), Err(NullReason::PeakAtEnd { at_nm: 500.0 }));
        assert_eq!(found([0.0, 1.0, 1.0, 2.0, 3.0, 4.0]), Err(NullReason::PeakAtEnd { at_nm: 505.0 }));
        assert_eq!(found([0.0, 1.0, 1.0, 1.0, 0.5, 0.0]), Err(NullReason::Level { from_nm: 501.0, to_nm: 503.0 }));
        assert_eq!(found([1.0; 6]), Err(NullReason::Level { from_nm: 500.0, to_nm: 505.0 }));
        assert_eq!(found([0.0, 1.0, 1.0, 0.0, 0.0, 0.0]), Ok(501.5));
        assert_eq!(found([0.0, 0.0, 0.0, 4.0, 0.0, 0.0]), Ok(503.0));
        assert_eq!(find(&axis, &[1.0; 3], 0..6), Err(NullReason::Axis));
        assert_eq!(find(&axis, &[0.0, 1.0, 0.0, 2.0, 0.0, 9.0], 0..3), Ok(501.0));
    }

    /// Independent: the standard deviation of maxima found again and again in noise, of narrow lines and broad, is the one that is stated.
    #[test]
    fn the_stated_uncertainty_of_a_maximum_is_its_scatter() {
        const REPEATS: usize = 1000;
        /// The bound on all uncertainties.
        const TOLERANCE: f64 = 0.15;
        let axis = axis();
        let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(7);
        for (width, at_nm, sigma) in [
            (2.0, 500.2, 1e-3),
            (2.0, 500.7, 1e-2),
            (6.0, 500.2, 1e-4),
            (20.0, 500.2, 0.002),
            (20.0, 500.2, 0.02),
            (60.0, 500.2, 0.01),
        ] {
            let light: Vec<f64> = axis.iter().map(|nm| (-((nm - at_nm) / width).powi(2)).exp()).collect();
            let variance = vec![sigma * sigma; axis.len()];
            let seen: Vec<(f64, f64)> = (0..REPEATS)
                .map(|_| {
                    let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
                    let light: Vec<f64> = light.iter().map(|e| e + sigma * normal()).collect();
                    let errors = Errors::of_columns(&light, &[]);
                    let measured = Measured { axis: &axis, light: &light, variance: &variance, errors: &errors };
                    let found = measured.maximum(0..axis.len()).unwrap();
                    (found.wavelength_nm, found.deviation)
                })
                .collect();
            let n = REPEATS as f64;
            let mean = seen.iter().map(|s| s.0).sum::<f64>() / n;
            let scatter = (seen.iter().map(|s| (s.0 - mean).powi(2)).sum::<f64>() / n).sqrt();
            let stated = (seen.iter().map(|s| s.1.powi(2)).sum::<f64>() / n).sqrt();
            println!(
                "width {width} at {at_nm} nm, noise {sigma}: scatter {scatter}, stated {stated}, {}",
                stated / scatter
            );
            assert!((stated / scatter - 1.0).abs() < TOLERANCE, "width {width}: scatter {scatter}, stated {stated}");
        }
    }

    /// A maximum that any of many samples may hold has no wavelength; without errors only one may.
    #[test]
    fn a_flat_maximum_has_no_wavelength() {
        let axis = axis();
        let light: Vec<f64> = axis.iter().map(|nm| 1.0 - ((nm - 500.0) / 1000.0).powi(2)).collect();
        let errors = Errors::of_columns(&light, &[]);
        let peak = |sigma: f64| {
            let variance = vec![sigma * sigma; axis.len()];
            Measured { axis: &axis, light: &light, variance: &variance, errors: &errors }.peak(0..axis.len())
        };
        let reason = peak(0.01).unwrap_err();
        assert!(
            matches!(reason, NullReason::FlatMaximum { from_nm, to_nm } if from_nm == 400.0 && to_nm > 598.0),
            "{reason}"
        );
        let (wavelength_nm, uncertainty) = peak(0.0).unwrap();
        assert!((wavelength_nm - 500.0).abs() < 1e-6 && uncertainty < 1e-9, "{wavelength_nm} {uncertainty}");
    }

    /// Less noise leaves fewer samples that may be the highest, and still no wavelength where they lie far apart.
    #[test]
    fn a_maximum_that_is_uncertain_by_tens_of_nanometres_has_no_wavelength() {
        let axis = axis();
        let light: Vec<f64> = axis.iter().map(|nm| 1.0 - ((nm - 500.0) / 1000.0).powi(2)).collect();
        let errors = Errors::of_columns(&light, &[]);
        let peak = |sigma: f64| {
            let variance = vec![sigma * sigma; axis.len()];
            let measured = Measured { axis: &axis, light: &light, variance: &variance, errors: &errors };
            (measured.candidates(100, 0..axis.len()).len(), measured.peak(0..axis.len()))
        };
        let (candidates, found) = peak(2e-4);
        assert!(candidates < MOST_CANDIDATES, "{candidates}");
        assert!(
            matches!(found, Err(NullReason::FlatMaximum { from_nm, to_nm }) if to_nm - from_nm > 20.0),
            "{found:?}"
        );
        let (_, found) = peak(1e-6);
        assert!(found.is_ok_and(|(_, u)| 2.0 * u < FLATTEST_NM));
    }

    proptest! {
        /// Any samples have an answer, and a vertex lies between the neighbours of the highest sample.
        #[test]
        fn any_samples_have_an_answer(light in prop::collection::vec(prop::num::f64::ANY, 40)) {
            let axis = &axis()[..40];
            let variance: Vec<f64> = light.iter().map(|e| e.abs()).collect();
            let errors = Errors::of_columns(&light, &[("x", &light)]);
            let _ = Measured { axis, light: &light, variance: &variance, errors: &errors }.peak(0..40);
            if let Ok(peak) = find(axis, &light, 0..40) {
                let sample = highest(&light, 0..40).unwrap();
                prop_assert!(peak >= axis[sample - 1] && peak <= axis[sample + 1]);
            }
        }
    }
}
