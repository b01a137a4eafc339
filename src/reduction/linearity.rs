//! Correction of detector non-linearity: offset-free counts divided by the calibration's polynomial, for light and dark frames.

/// Corrects offset-free counts of one exposure for the detector's non-linearity.
///
/// counts: offset-free [counts], may be negative (noise). coefficients: cₖ of Σ cₖ·countsᵏ [1]; empty means linear.
/// Returns counts / Σ cₖ·countsᵏ. Below zero counts the polynomial keeps its value at zero, so that noise about zero
/// keeps its mean. Source: the calibration's own definition.
#[inline]
pub fn correct(counts: f64, coefficients: &[f64]) -> f64 {
    let x = counts.max(0.0);
    match coefficients {
        [] => counts,
        // The usual length, without a loop, because it runs for every pixel of every frame.
        [c0, c1] => counts / (c0 + c1 * x),
        _ => counts / coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c),
    }
}

/// Number of coefficients up to which the polynomial is evaluated without a loop.
const SHORT: usize = 4;

/// The polynomial in the form for the loop over pixels: short ones have a fixed length.
#[derive(Clone, Copy, Debug)]
pub enum Polynomial<'a> {
    /// c₀ to c₃, padded with zeros, which do not change the bits of the sum.
    Short([f64; SHORT]),
    /// Any number of coefficients.
    Long(&'a [f64]),
}

impl<'a> Polynomial<'a> {
    /// From the calibration's coefficients; an empty list means linear.
    pub fn new(coefficients: &'a [f64]) -> Self {
        let mut short = [1.0, 0.0, 0.0, 0.0];
        match coefficients.len() {
            0 => Self::Short(short),
            n if n <= SHORT => {
                short[..n].copy_from_slice(coefficients);
                Self::Short(short)
            }
            _ => Self::Long(coefficients),
        }
    }
}

/// [`correct`] for a short polynomial.
#[inline(always)]
pub fn correct_short(counts: f64, [c0, c1, c2, c3]: [f64; SHORT]) -> f64 {
    let x = counts.max(0.0);
    counts / (c0 + x * (c1 + x * (c2 + x * c3)))
}

#[cfg(test)]
mod tests {
    use super::{Polynomial, correct, correct_short};

    /// Identity: the fixed-length form gives the same bits as the general one.
    #[test]
    fn a_fixed_length_polynomial_gives_the_same_bits() {
        for coefficients in [&[][..], &[1.01], &[1.0, -4.5e-7], &[1.0, -4.5e-7, 1e-12], &[1.0, 2e-7, -1e-12, 1e-17]] {
            let Polynomial::Short(short) = Polynomial::new(coefficients) else { panic!("{coefficients:?} is short") };
            for counts in [-30.0, 0.0, 1.0, 12_345.678, 65_000.0] {
                let (got, want) = (correct_short(counts, short), correct(counts, coefficients));
                assert_eq!(got.to_bits(), want.to_bits(), "{coefficients:?} at {counts}");
            }
        }
        assert!(matches!(Polynomial::new(&[1.0, 0.0, 0.0, 0.0, 1e-20]), Polynomial::Long(_)));
    }

    /// Identity: the correction inverts the non-linear response that the polynomial describes, for every length.
    #[test]
    fn the_correction_inverts_the_response() {
        // For the true value t the measured m solves m / (1 + a m) = t, so m = t / (1 - a t).
        let a = -4.5e-7;
        for t in [0.0, 10.0, 1000.0, 30_000.0, 60_000.0] {
            let m = t / (1.0 - a * t);
            assert!((correct(m, &[1.0, a]) - t).abs() < 1e-9 * t.max(1.0));
            assert!((correct(m, &[1.0, a, 0.0]) - t).abs() < 1e-9 * t.max(1.0));
        }
        assert_eq!(correct(-3.0, &[1.0, a]), -3.0);
        assert_eq!(correct(7.0, &[]), 7.0);
    }
}
