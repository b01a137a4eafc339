//! Sums over pixels in eight fixed strides, and trimmed means: for decisions and uncertainties, never for a value itself.
//!
//! The strides are part of the definition, so the bits are the same on every machine.

/// How many partial sums there are.
const STRIDES: usize = 8;

/// Several sums over `n` pixels at once, each as eight partial sums of every eighth pixel, added up in order.
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

/// The mean without the `cut` lowest and highest numbers, and how many it is of; `None` where nothing is left.
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
        /// Identity: the strides change the order of adding and nothing else.
        #[test]
        fn strided_sums_are_the_plain_sums(values in prop::collection::vec(-1.0f64..1.0, 0..100)) {
            let [sum, squares] = strided(values.len(), |i| [values[i], values[i] * values[i]]);
            prop_assert!((sum - values.iter().sum::<f64>()).abs() < 1e-13);
            prop_assert!((squares - values.iter().map(|v| v * v).sum::<f64>()).abs() < 1e-13);
        }
    }

    /// Identity: the trimmed mean leaves the outliers out, and has no answer where nothing is left.
    #[test]
    fn a_trimmed_mean_leaves_outliers_out() {
        assert_eq!(trimmed_mean(&mut [1e9, 1.0, 2.0, 3.0, -1e9], 1), Some((2.0, 3)));
        assert_eq!(trimmed_mean(&mut [], 0), None);
        assert_eq!(trimmed_mean(&mut [1.0], 1), None);
    }
}
