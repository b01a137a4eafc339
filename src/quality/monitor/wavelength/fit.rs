//! Fits the wavelength shift of a spectral range relative to the reference spectrum.
//!
//! The logarithm of the irradiance is modelled as the lines of the sun, the lines of the air (where they are strong) and a smooth
//! polynomial. Depths of the lines, polynomial and shift are fitted together by least squares (Gauss–Newton). The effects of clouds,
//! dirt, ozone and response are smooth and absorbed by the polynomial, so any daylight can be used. Pure.

use super::reference::Reference;
use crate::numeric::{inverse, upper_median};

/// A spectral range with lines [nm].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    /// First wavelength [nm].
    pub from: f64,
    /// Last wavelength [nm].
    pub to: f64,
    /// Whether the lines of the air are strong enough for their depth to be fitted.
    pub air: bool,
}

/// The ranges that are fitted. Lines of water vapour are avoided because they vary; between 540 and 740 nm lines are too few and too weak
/// compared with the errors of the table.
pub const STRETCHES: [Stretch; 4] = [
    Stretch { from: 345.0, to: 395.0, air: false },
    Stretch { from: 395.0, to: 450.0, air: false },
    Stretch { from: 450.0, to: 535.0, air: false },
    Stretch { from: 746.0, to: 778.0, air: true },
];

/// Largest shift that can be detected [nm].
pub const FARTHEST_NM: f64 = 4.0;
/// Relative depth of the lines of the air where it is not fitted [1], 1 at the air mass of the reference, 1.5: for air masses from 1 to 2.
const USUAL_AIR: f64 = 1.0;
/// Terms of the polynomial.
const COURSE: usize = 4;
/// Unknowns: depth of the lines of the sun, shift, polynomial, depth of the lines of the air.
const UNKNOWNS: usize = COURSE + 3;
/// Least median signal-to-noise ratio of a range [1].
const LEAST_SIGNAL: f64 = 15.0;

/// A shift and its standard uncertainty [nm].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shift {
    /// True wavelength minus that of the axis [nm].
    pub nm: f64,
    /// Standard uncertainty [nm].
    pub uncertainty_nm: f64,
}

struct Point {
    nm: f64,
    log: f64,
    weight: f64,
}

/// Fits one range. usable: samples that may be used. `None` for too few samples, too little signal, or no convergence.
pub fn fit(
    reference: &Reference,
    stretch: Stretch,
    wavelength_nm: &[f64],
    irradiance: &[f64],
    variance: &[f64],
    usable: &[bool],
) -> Option<Shift> {
    let inside = |nm: &f64| *nm >= stretch.from && *nm <= stretch.to;
    let all = wavelength_nm.iter().filter(|nm| inside(nm)).count();
    let points: Vec<Point> = wavelength_nm
        .iter()
        .zip(irradiance.iter().zip(variance))
        .zip(usable)
        .filter(|((nm, (e, v)), usable)| **usable && inside(nm) && **e > 0.0 && **v > 0.0)
        .map(|((nm, (e, v)), _)| Point { nm: *nm, log: e.ln(), weight: e * e / v })
        .collect();
    // Most of the range has to be usable; otherwise the polynomial can replace the lines.
    if points.len() < 4 * UNKNOWNS || 10 * points.len() < 9 * all {
        return None;
    }
    let (first, last) = (points.first()?.nm, points.last()?.nm);
    if first > stretch.from + 3.0 || last < stretch.to - 3.0 {
        return None;
    }
    let mut signal: Vec<f64> = points.iter().map(|p| p.weight.sqrt()).collect();
    if !(upper_median(&mut signal)? >= LEAST_SIGNAL) {
        return None;
    }
    // Starts from 0, and without convergence from larger shifts.
    [0.0, 1.2, -1.2, 2.4, -2.4]
        .iter()
        .filter_map(|start| converge(reference, stretch, &points, *start))
        .find(|s| s.nm.abs() <= FARTHEST_NM)
}

fn converge(reference: &Reference, stretch: Stretch, points: &[Point], start: f64) -> Option<Shift> {
    let (mut shift, mut depth, mut air) = (start, 1.0, USUAL_AIR);
    for _ in 0..12 {
        let (solution, uncertainty) = step(reference, stretch, points, shift, depth, air)?;
        (depth, air) = (solution[0], if stretch.air { solution[UNKNOWNS - 1] } else { USUAL_AIR });
        let move_by = solution[1].clamp(-0.6, 0.6);
        shift += move_by;
        if shift.abs() > FARTHEST_NM + 1.0 {
            return None;
        }
        if move_by.abs() < 1e-4 {
            // Depths far from 1 mean that other features were fitted.
            let found = depth > 0.4 && depth < 1.8 && (!stretch.air || (-0.2..8.0).contains(&air));
            return (found && uncertainty.is_finite()).then_some(Shift { nm: shift, uncertainty_nm: uncertainty });
        }
        (depth, air) = (depth.clamp(0.3, 2.0), air.clamp(0.0, 8.0));
    }
    None
}

/// One iteration: the unknowns, of which the second is the change of the shift, and the standard uncertainty of the shift.
fn step(
    reference: &Reference,
    stretch: Stretch,
    points: &[Point],
    shift: f64,
    depth: f64,
    air: f64,
) -> Option<([f64; UNKNOWNS], f64)> {
    let (middle, half) = (0.5 * (stretch.from + stretch.to), 0.5 * (stretch.to - stretch.from));
    // The coefficients and the value of an equation. Where the depth of the lines of the air is not fitted, they are subtracted.
    let row = |p: &Point| -> Option<([f64; UNKNOWNS], f64)> {
        let lines = reference.at(p.nm + shift)?;
        let x = (p.nm - middle) / half;
        let row = [
            lines.sun.0,
            depth * lines.sun.1 + air * lines.air.1,
            1.0,
            x,
            x * x,
            x * x * x,
            if stretch.air { lines.air.0 } else { 0.0 },
        ];
        Some((row, if stretch.air { p.log } else { p.log - air * lines.air.0 }))
    };
    let mut normal = [[0.0; UNKNOWNS]; UNKNOWNS];
    let mut right = [0.0; UNKNOWNS];
    for p in points {
        let (row, log) = row(p)?;
        for i in 0..UNKNOWNS {
            right[i] += p.weight * row[i] * log;
            for j in 0..UNKNOWNS {
                normal[i][j] += p.weight * row[i] * row[j];
            }
        }
    }
    if !stretch.air {
        normal[UNKNOWNS - 1][UNKNOWNS - 1] = 1.0;
    }
    let inverse = inverse(normal)?;
    let solution = std::array::from_fn(|i| (0..UNKNOWNS).map(|j| inverse[i][j] * right[j]).sum());
    let mut misfit = 0.0;
    for p in points {
        let (row, log) = row(p)?;
        let left = log - row.iter().zip(&solution).map(|(r, s): (&f64, &f64)| r * s).sum::<f64>();
        misfit += p.weight * left * left;
    }
    // Features that are missing in the reference increase the misfit, and thereby the uncertainty.
    let scatter = (misfit / (points.len() - UNKNOWNS) as f64).max(1.0);
    Some((solution, (inverse[1][1] * scatter).sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A spectrum with the lines of the reference on a slope, shifted by `shift`, without noise.
    fn moved(reference: &Reference, nm: &[f64], shift: f64, air: f64) -> Vec<f64> {
        let at = |nm: f64| reference.at(nm + shift).map_or(0.0, |l| (l.sun.0 + air * l.air.0 + 0.002 * nm).exp());
        nm.iter().map(|nm| at(*nm)).collect()
    }

    /// Identity: for shifts up to 2 nm and several air masses; the weak bands of the air, whose depth is not fitted, cause an error of at
    /// most 0.012 nm.
    #[test]
    fn every_range_recovers_the_shift() {
        let reference = Reference::new(2.0).unwrap();
        let nm: Vec<f64> = (0..1250).map(|i| 340.0 + 0.36 * f64::from(i)).collect();
        for shift in [0.0, 0.05, -0.2, 0.5, -1.0, 2.0] {
            for air in [0.7, 1.4] {
                let light = moved(&reference, &nm, shift, air);
                let variance: Vec<f64> = light.iter().map(|e| (e / 300.0).powi(2)).collect();
                let usable = vec![true; nm.len()];
                for stretch in STRETCHES {
                    let got = fit(&reference, stretch, &nm, &light, &variance, &usable).unwrap();
                    assert!((got.nm - shift).abs() < 0.012, "{stretch:?} air {air}: want {shift}, got {got:?}");
                    assert!(got.uncertainty_nm < 0.05, "{stretch:?}: {got:?}");
                }
            }
        }
    }

    /// Little signal, no light, NaN, a gap.
    #[test]
    fn an_unusable_range_has_no_shift() {
        let reference = Reference::new(2.0).unwrap();
        let nm: Vec<f64> = (0..1250).map(|i| 340.0 + 0.36 * f64::from(i)).collect();
        let light = moved(&reference, &nm, 0.1, 1.0);
        let usable = vec![true; nm.len()];
        let try_it = |light: &[f64], relative: f64, usable: &[bool]| {
            let variance: Vec<f64> = light.iter().map(|e| (e * relative).powi(2)).collect();
            fit(&reference, STRETCHES[1], &nm, light, &variance, usable)
        };
        assert!(try_it(&light, 1e-3, &usable).is_some());
        assert!(try_it(&light, 0.2, &usable).is_none());
        assert!(try_it(&vec![0.0; nm.len()], 1e-3, &usable).is_none());
        assert!(try_it(&vec![f64::NAN; nm.len()], 1e-3, &usable).is_none());
        let holed: Vec<bool> = nm.iter().map(|nm| !(400.0..412.0).contains(nm)).collect();
        assert!(try_it(&light, 1e-3, &holed).is_none());
    }
}
