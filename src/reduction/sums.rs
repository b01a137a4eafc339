//! Sums over pixels in eight fixed strides, and trimmed means.
//!
//! Used for decisions and uncertainties, not for values.
//!
//! Invariant: the strides are part of the definition, so the sums have the same bits on every machine.

/// Number of partial sums.
const STRIDES: usize = 8;

/// `K` sums over `n` pixels, each from eight partial sums over every eighth pixel, added in order.
#[inline(always)]
pub fn strided<const K: usize>(n: usize, of: impl Fn(usize) -> [f64; K]) -> [f64; K] {
    let mut partial = [[0.0; STRIDES]; K];
    let whole = n - n % STRIDES;
    for start in (0..whole).step_by(STRIDES) {
        let terms: [[f64; K]; STRIDES] = std::array::from_fn(|j| of(start + j));
        for (j, terms) in terms.iter().enumerate() {
            for (sum, term) in partial.iter_mut().zip(terms) {
                sum[j] += term;
            }
        }
    }
    let mut sums: [f64; K] = partial.map(|p| p.iter().sum());
    for i in whole..n {
        for (sum, term) in sums.iter_mut().zip(of(i)) {
            *sum += term;
        }
    }
    sums
}

/// Mean without the `cut` lowest and `cut` highest numbers, and the number of values in it; `None` if none remain.
pub fn trimmed_mean(values: &mut [f64], cut: usize) -> Option<(f64, usize)> {
    values.sort_unstable_by(f64::total_cmp);
    let kept = values.get(cut..values.len().checked_sub(cut)?)?;
    (!kept.is_empty()).then(|| (kept.iter().sum::<f64>() / kept.len() as f64, kept.len()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Identity: strided sums equal plain sums except for rounding.
        #[test]
        fn strided_sums_are_the_plain_sums(values in prop::collection::vec(-1.0f64..1.0, 0..100)) {
            let [sum, squares] = strided(values.len(), |i| [values[i], values[i] * values[i]]);
            prop_assert!((sum - values.iter().sum::<f64>()).abs() < 1e-13);
            prop_assert!((squares - values.iter().map(|v| v * v).sum::<f64>()).abs() < 1e-13);
        }
    }

    /// The trimmed mean excludes outliers, and is `None` if no value remains.
    #[test]
    fn a_trimmed_mean_excludes_outliers() {
        assert_eq!(trimmed_mean(&mut [1e9, 1.0, 2.0, 3.0, -1e9], 1), Some((2.0, 3)));
        assert_eq!(trimmed_mean(&mut [], 0), None);
        assert_eq!(trimmed_mean(&mut [1.0], 1), None);
    }
}
