//! Wavelength scales as coefficients cₖ of nm = Σ cₖ·pixelᵏ, and one stated for vacuum as one for air.
//!
//! Pure. The coefficients are fitted anew by least squares over the pixels: the refractive index hardly changes, so that a polynomial of
//! the same degree describes both.

use super::air;

/// Largest deviation of the fitted scale that is accepted [nm].
const LARGEST_DEVIATION_NM: f64 = 0.01;

/// Wavelength of a pixel [nm].
pub fn at(coefficients: &[f64], pixel: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * pixel + c)
}

/// The scale in air of one whose coefficients give wavelengths in vacuum, over the first `pixels` pixels. `None` where the fit deviates by
/// more than 0.01 nm.
pub fn scale_in_air(vacuum: &[f64], pixels: u32) -> Option<Vec<f64>> {
    let last = f64::from(pixels.max(2)) - 1.0;
    let air_at = |pixel: f64| air::in_air(at(vacuum, pixel));
    // The difference of the two is small and smooth: its fit loses no digits of the scale. Pixels are scaled to -1 … 1.
    let degree = vacuum.len().clamp(2, 6);
    let samples: Vec<(f64, f64)> = (0..=200)
        .map(|i| f64::from(i) / 100.0 - 1.0)
        .map(|x| (x, (0.5 * (x + 1.0) * last)))
        .map(|(x, pixel)| (x, air_at(pixel) - at(vacuum, pixel)))
        .collect();
    let difference = fitted(&samples, degree)?;
    let shifted = in_pixels(&difference, last);
    let n = vacuum.len().max(shifted.len());
    let of = |list: &[f64], k: usize| list.get(k).copied().unwrap_or(0.0);
    let scale: Vec<f64> = (0..n).map(|k| of(vacuum, k) + of(&shifted, k)).collect();
    let deviation = |i: u32| {
        let pixel = f64::from(i) / 100.0 * last;
        (at(&scale, pixel) - air_at(pixel)).abs()
    };
    (0..=100).all(|i| deviation(i) <= LARGEST_DEVIATION_NM).then_some(scale)
}

/// Coefficients of a polynomial by least squares, lowest first; `None` for values that are not finite.
fn fitted(samples: &[(f64, f64)], coefficients: usize) -> Option<Vec<f64>> {
    let n = coefficients;
    let mut rows = vec![vec![0.0; n + 1]; n];
    for (x, y) in samples {
        let powers: Vec<f64> = std::iter::successors(Some(1.0), |p| Some(p * x)).take(n).collect();
        for (i, row) in rows.iter_mut().enumerate() {
            for (j, power) in powers.iter().enumerate() {
                row[j] += powers[i] * power;
            }
            row[n] += powers[i] * y;
        }
    }
    // Gauss elimination; the normal matrix is positive definite.
    for i in 0..n {
        let pivot = rows[i][i];
        if !(pivot.abs() > 0.0) || !pivot.is_finite() {
            return None;
        }
        let row = rows[i].clone();
        for (k, other) in rows.iter_mut().enumerate().filter(|(k, _)| *k != i) {
            debug_assert_ne!(k, i);
            let share = other[i] / pivot;
            other.iter_mut().zip(&row).for_each(|(a, b)| *a -= share * b);
        }
    }
    let solved: Vec<f64> = rows.iter().enumerate().map(|(i, row)| row[n] / row[i]).collect();
    solved.iter().all(|c| c.is_finite()).then_some(solved)
}

/// A polynomial of x = 2·pixel/last − 1 as one of the pixel.
fn in_pixels(coefficients: &[f64], last: f64) -> Vec<f64> {
    let mut result = vec![0.0; coefficients.len()];
    // Powers of (a·pixel − 1), one after the other.
    let a = 2.0 / last;
    let mut power = vec![1.0];
    for c in coefficients {
        power.iter().zip(result.iter_mut()).for_each(|(p, r)| *r += c * p);
        let mut next = vec![0.0; power.len() + 1];
        for (k, p) in power.iter().enumerate() {
            next[k] -= p;
            next[k + 1] += a * p;
        }
        power = next;
    }
    result
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: over a whole instrument the fitted scale gives the wavelengths in air to 0.01 nm, for straight and curved scales.
    #[test]
    fn the_fitted_scale_gives_wavelengths_in_air() {
        for vacuum in [&[280.0, 0.4][..], &[280.0, 0.4105, -1.6e-5, -6.0e-10], &[200.0, 0.25, -4e-6]] {
            let scale = scale_in_air(vacuum, 2048).unwrap();
            for pixel in [0.0, 1.0, 500.0, 1024.0, 2047.0] {
                let (found, expected) = (at(&scale, pixel), air::in_air(at(vacuum, pixel)));
                assert!((found - expected).abs() < 0.01, "{pixel}: got {found} nm, want {expected} nm");
            }
        }
    }

    /// A scale that is no scale is refused, not fitted.
    #[test]
    fn a_scale_that_cannot_be_fitted_is_refused() {
        assert_eq!(scale_in_air(&[f64::NAN, 0.4], 2048), None);
        assert_eq!(scale_in_air(&[0.0, 0.4], 2048), None, "no index of refraction at 0 nm");
    }
}
