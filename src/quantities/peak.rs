//! Where a spectrum is highest.
//!
//! A parabola through the highest sample and its neighbours. Its top follows those three samples and no others, so its
//! derivatives are theirs, as long as no other sample can become the highest; how far off it may be is drawn in [`spread`].
//! Pure; what must stay true: no samples panic, and a top that is not one has a reason.

mod draws;
mod spread;

pub(super) use spread::{Known, Memory, spread};

use super::reason::NullReason;

/// The top of a spectrum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Peak {
    /// Wavelength of the top [nm].
    pub wavelength_nm: f64,
    /// The highest sample.
    pub sample: usize,
    /// The samples it was found with, the highest in the middle.
    pub samples: [usize; 3],
    /// Derivatives of the top by these samples [nm / unit of the samples].
    pub gradient: [f64; 3],
}

/// The top of the parabola through three samples, the middle one the highest, with its derivatives by them.
fn top(axis: &[f64], light: &[f64], [i, j, k]: [usize; 3]) -> (f64, [f64; 3]) {
    let (before, after) = (axis[j] - axis[i], axis[k] - axis[j]);
    let (rise, fall) = (light[j] - light[i], light[j] - light[k]);
    let above = after * after * rise - before * before * fall;
    let below = 2.0 * (after * rise + before * fall);
    let by_rise = (after * after * below - above * 2.0 * after) / (below * below);
    let by_fall = (-before * before * below - above * 2.0 * before) / (below * below);
    (axis[j] + above / below, [-by_rise, by_rise + by_fall, -by_fall])
}

/// The highest of the samples `from..end`, the first where several are alike.
///
/// `Err` where a sample is not finite, or none is above zero.
pub(super) fn highest(light: &[f64], (from, end): (usize, usize)) -> Result<usize, NullReason> {
    let samples = light.get(from..end).filter(|s| !s.is_empty()).ok_or(NullReason::Axis)?;
    // Eight at a time, and where it stands only afterwards: every reading asks for this over all its samples. What is not
    // finite leaves NaN behind when multiplied by zero.
    let (mut tops, mut sound) = ([f64::NEG_INFINITY; 8], [0.0; 8]);
    let (eights, rest) = samples.as_chunks::<8>();
    for eight in eights {
        for (j, sample) in eight.iter().enumerate() {
            sound[j] += sample * 0.0;
            tops[j] = if *sample > tops[j] { *sample } else { tops[j] };
        }
    }
    for (j, sample) in rest.iter().enumerate() {
        sound[j] += sample * 0.0;
        tops[j] = tops[j].max(*sample);
    }
    let sound = sound.into_iter().all(|s| s == 0.0);
    let highest = tops.into_iter().fold(f64::NEG_INFINITY, f64::max);
    match samples.iter().position(|sample| *sample == highest) {
        _ if !sound => Err(NullReason::NotFinite),
        Some(at) if highest > 0.0 => Ok(from + at),
        _ => Err(NullReason::TooLittleLight),
    }
}

/// Finds the top among the samples `from..end`.
///
/// axis: [nm], strictly rising; light: one a wavelength, in any unit. `Err` where [`highest`] has none, the highest is at an
/// end, or it is level with its neighbours.
pub(super) fn find(axis: &[f64], light: &[f64], calibrated: (usize, usize)) -> Result<Peak, NullReason> {
    find_at(axis, light, calibrated, highest(light, calibrated)?)
}

/// [`find`] where the highest sample is known.
pub(super) fn find_at(
    axis: &[f64],
    light: &[f64],
    (from, end): (usize, usize),
    sample: usize,
) -> Result<Peak, NullReason> {
    if axis.len() < end {
        return Err(NullReason::Axis);
    }
    let level = light[sample..end].iter().take_while(|s| **s == light[sample]).count();
    if level > 2 {
        return Err(NullReason::Level { from_nm: axis[sample], to_nm: axis[sample + level - 1] });
    }
    if sample == from || sample + level == end {
        return Err(NullReason::PeakAtEnd { at_nm: axis[if sample == from { from } else { end - 1 }] });
    }
    let three = [sample - 1, sample, sample + 1];
    let (wavelength_nm, gradient) = top(axis, light, three);
    if wavelength_nm.is_finite() && gradient.iter().all(|g| g.is_finite()) {
        Ok(Peak { wavelength_nm, sample, samples: three, gradient })
    } else {
        Err(NullReason::NotFinite)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spectrum::errors::Errors;
    use proptest::prelude::*;

    /// An axis that is not even.
    fn axis() -> Vec<f64> {
        (0..200).map(|i| 400.0 + f64::from(i) + 0.3 * (f64::from(i) * 0.7).sin()).collect()
    }

    /// Identity: a parabola gives back its top, wherever between samples it lies and however uneven they are.
    #[test]
    fn a_parabola_gives_back_its_top() {
        let axis = axis();
        for top_nm in [430.0, 471.234, 500.5, 571.9] {
            let light: Vec<f64> = axis.iter().map(|nm| 1e5 - (nm - top_nm).powi(2)).collect();
            let peak = find(&axis, &light, (0, axis.len())).unwrap();
            assert!((peak.wavelength_nm - top_nm).abs() < 1e-6, "want {top_nm}, got {}", peak.wavelength_nm);
        }
    }

    /// Identity: each derivative is the slope between two tops a small step apart.
    #[test]
    fn derivatives_are_slopes() {
        let axis = axis();
        let light: Vec<f64> = axis.iter().map(|nm| (-((nm - 481.3) / 7.0).powi(2)).exp()).collect();
        let peak = find(&axis, &light, (0, axis.len())).unwrap();
        for (k, i) in peak.samples.into_iter().enumerate() {
            let at = |step: f64| {
                let mut moved = light.clone();
                moved[i] += step;
                find(&axis, &moved, (0, axis.len())).unwrap().wavelength_nm
            };
            let slope = (at(1e-6) - at(-1e-6)) / 2e-6;
            assert!(
                (slope - peak.gradient[k]).abs() < 1e-5 * slope.abs().max(1.0),
                "{k}: {slope} {}",
                peak.gradient[k]
            );
        }
    }

    /// Edge set: no top, and why.
    #[test]
    fn what_is_no_top_has_a_reason() {
        let axis: Vec<f64> = (0..6).map(|i| 500.0 + f64::from(i)).collect();
        let found = |light: [f64; 6]| find(&axis, &light, (0, 6)).map(|p| p.wavelength_nm);
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
        assert_eq!(find(&axis, &[1.0; 3], (0, 6)), Err(NullReason::Axis));
        assert_eq!(find(&axis, &[0.0, 1.0, 0.0, 2.0, 0.0, 9.0], (0, 3)).map(|p| p.sample), Ok(1));
    }

    /// Independent: the spread of tops found again and again in noise, sharp and broad, against what is stated.
    #[test]
    fn the_stated_uncertainty_of_a_top_is_its_spread() {
        use rand::SeedableRng;
        use rand_distr::{Distribution, StandardNormal};
        const REPEATS: usize = 4000;
        let axis = axis();
        let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(7);
        // Widths and noise of the top: from one sample that is the highest to many that could be. A top that noise has
        // already chosen looks a little less certain than it was: there it is what is asked of all uncertainties.
        for (width, sigma, allowed) in
            [(2.0, 1e-3, 0.1), (6.0, 1e-4, 0.1), (20.0, 0.002, 0.15), (20.0, 0.02, 0.15), (60.0, 0.01, 0.15)]
        {
            let light: Vec<f64> = axis.iter().map(|nm| (-((nm - 500.2) / width).powi(2)).exp()).collect();
            let variance = vec![sigma * sigma; axis.len()];
            let (mut tops, mut stated) = (Vec::new(), Vec::new());
            for _ in 0..REPEATS {
                let noisy: Vec<f64> = light
                    .iter()
                    .map(|e| {
                        let z: f64 = StandardNormal.sample(&mut rng);
                        e + sigma * z
                    })
                    .collect();
                let peak = find(&axis, &noisy, (0, axis.len())).unwrap();
                tops.push(peak.wavelength_nm);
                let errors = Errors::of_columns(&noisy, &[]);
                let known = Known { axis: &axis, light: &noisy, variance: &variance, errors: &errors };
                stated.push(spread(&known, (0, axis.len()), &peak, sigma, &mut Memory::default()).powi(2));
            }
            let mean = tops.iter().sum::<f64>() / REPEATS as f64;
            let spread = (tops.iter().map(|t| (t - mean).powi(2)).sum::<f64>() / REPEATS as f64).sqrt();
            let stated = (stated.iter().sum::<f64>() / REPEATS as f64).sqrt();
            let ratio = stated / spread;
            assert!(
                (ratio - 1.0).abs() < allowed,
                "width {width}, noise {sigma}: spread {spread}, stated {stated}, ratio {ratio}"
            );
        }
    }

    proptest! {
        /// Edge set: any samples have an answer, and a top lies between the neighbours of its sample.
        #[test]
        fn any_samples_have_an_answer(light in prop::collection::vec(prop::num::f64::ANY, 40)) {
            let axis = &axis()[..40];
            if let Ok(peak) = find(axis, &light, (0, 40)) {
                prop_assert!(peak.wavelength_nm >= axis[peak.sample - 1] && peak.wavelength_nm <= axis[peak.sample + 1]);
            }
        }
    }
}
