//! Validity of wavelength axes.

/// Whether an axis has at least two samples, all finite and strictly rising.
pub fn is_usable(axis: &[f64]) -> bool {
    axis.len() >= 2 && axis.iter().all(|x| x.is_finite()) && axis.windows(2).all(|w| w[0] < w[1])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An axis that falls, repeats a value, contains NaN or has fewer than two samples is not usable.
    #[test]
    fn only_a_rising_finite_axis_is_usable() {
        assert!(is_usable(&[1.0, 2.0]));
        for bad in [&[][..], &[1.0], &[1.0, 1.0], &[2.0, 1.0], &[1.0, f64::NAN], &[1.0, f64::INFINITY]] {
            assert!(!is_usable(bad), "{bad:?}");
        }
    }
}
