//! Wavelength axes: whether one can be used, and where a wavelength lies on it.
//!
//! Pure. What must stay true: every function answers for any input, NaN and empty slices included.

/// Whether an axis has at least two samples, all finite and strictly rising.
pub fn is_usable(axis: &[f64]) -> bool {
    axis.len() >= 2 && axis.iter().all(|x| x.is_finite()) && axis.windows(2).all(|w| w[0] < w[1])
}

/// Where `x` lies on a strictly rising axis: the sample at or below it and the share of the way to the next, 0 to 1.
///
/// The last sample is answered as (last but one, 1). `None` outside the axis, for NaN, and on fewer than two samples.
pub fn locate(axis: &[f64], x: f64) -> Option<(usize, f64)> {
    let (first, last) = (axis.first()?, axis.last()?);
    if axis.len() < 2 || !(x >= *first && x <= *last) {
        return None;
    }
    let i = axis.partition_point(|a| *a <= x).saturating_sub(1).min(axis.len() - 2);
    Some((i, (x - axis[i]) / (axis[i + 1] - axis[i])))
}

/// The value at `x`, linear between samples; `None` outside the axis, for NaN, and where `values` is too short.
pub fn interpolate(axis: &[f64], values: &[f64], x: f64) -> Option<f64> {
    let (i, share) = locate(axis, x)?;
    let (a, b) = (*values.get(i)?, *values.get(i + 1)?);
    // Each end is answered exactly, so that a missing (NaN) neighbour does not reach it.
    Some(match share {
        0.0 => a,
        1.0 => b,
        s => a + (b - a) * s,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: samples come back exactly, the middle is the mean, and nothing is made up outside.
    #[test]
    fn a_wavelength_is_found_between_its_neighbours_and_nowhere_else() {
        let axis = [300.0, 301.0, 303.0];
        assert_eq!(locate(&axis, 300.0), Some((0, 0.0)));
        assert_eq!(locate(&axis, 302.0), Some((1, 0.5)));
        assert_eq!(locate(&axis, 303.0), Some((1, 1.0)));
        for outside in [299.999, 303.001, f64::NAN, f64::INFINITY] {
            assert_eq!(locate(&axis, outside), None);
        }
        assert_eq!(locate(&[300.0], 300.0), None);
        assert_eq!(interpolate(&axis, &[1.0, 2.0, 6.0], 302.0), Some(4.0));
        assert_eq!(interpolate(&axis, &[1.0, 2.0, 6.0], 303.0), Some(6.0));
        assert_eq!(interpolate(&axis, &[1.0], 302.0), None);
    }

    /// Identity: an axis that falls, repeats, holds NaN or has one sample is not usable.
    #[test]
    fn only_a_rising_finite_axis_is_usable() {
        assert!(is_usable(&[1.0, 2.0]));
        for bad in [&[][..], &[1.0], &[1.0, 1.0], &[2.0, 1.0], &[1.0, f64::NAN], &[1.0, f64::INFINITY]] {
            assert!(!is_usable(bad), "{bad:?}");
        }
    }
}
