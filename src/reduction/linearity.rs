//! Linearity: offset-free counts divided by the calibration's polynomial, light and dark alike.

/// Corrects offset-free counts of one exposure for the detector's non-linearity.
///
/// counts: offset-free [counts], may be negative (noise). coefficients: cₖ of Σ cₖ·countsᵏ [1]; empty means linear.
/// Returns counts / Σ cₖ·countsᵏ. Below zero the polynomial is held at its value at zero: noise about nothing must keep
/// its mean. Source: the calibration's own definition.
#[inline]
pub fn correct(counts: f64, coefficients: &[f64]) -> f64 {
    let x = counts.max(0.0);
    match coefficients {
        [] => counts,
        // The common case, kept free of a loop: it runs for every pixel of every frame.
        [c0, c1] => counts / (c0 + c1 * x),
        _ => counts / coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c),
    }
}

#[cfg(test)]
mod tests {
    use super::correct;

    /// Identity: dividing by the polynomial undoes the response it describes, for every length of polynomial.
    #[test]
    fn the_division_undoes_the_response_it_describes() {
        // measured m of true t solves m / (1 + a m) = t, so m = t / (1 - a t).
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
