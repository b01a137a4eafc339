//! Sums over pixels in eight fixed strides, and a median: what serves decisions and uncertainties, never a value itself.
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

/// The upper median of numbers above zero; `None` of none. `counts` is scratch: empty at first, then left alone.
///
/// Numbers are first counted by exponent and leading bits, which order as they do; only those that share the median's
/// place are then looked at one by one.
pub fn median_above_zero(values: &mut Vec<f64>, counts: &mut Vec<u32>) -> Option<f64> {
    /// Exponent and four bits of the mantissa.
    const SHIFT: u32 = 48;
    const PLACES: usize = 0x8000;
    let place = |v: f64| (v.to_bits() >> SHIFT) as usize & (PLACES - 1);
    if counts.len() != PLACES {
        *counts = vec![0; PLACES];
    }
    let (mut low, mut high) = (usize::MAX, 0);
    for v in values.iter() {
        let at = place(*v);
        counts[at] += 1;
        low = low.min(at);
        high = high.max(at);
    }
    let mut rank = values.len() / 2;
    let middle = (low..=high).find(|at| match rank.checked_sub(counts[*at] as usize) {
        Some(rest) => {
            rank = rest;
            false
        }
        None => true,
    });
    if let Some(used) = counts.get_mut(low..=high) {
        used.fill(0);
    }
    let middle = middle?;
    values.retain(|v| place(*v) == middle);
    Some(*values.select_nth_unstable_by(rank, f64::total_cmp).1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Identity: the median is the middle one of the sorted numbers.
        #[test]
        fn the_median_is_the_middle_of_the_sorted_numbers(
            mut values in prop::collection::vec(prop_oneof![1e-3f64..1e6, Just(4.0), 1.0f64..1.1], 1..300),
        ) {
            let mut sorted = values.clone();
            sorted.sort_by(f64::total_cmp);
            let want = sorted[sorted.len() / 2];
            prop_assert_eq!(median_above_zero(&mut values, &mut Vec::new()), Some(want));
        }

        /// Identity: the strides change the order of adding and nothing else.
        #[test]
        fn strided_sums_are_the_plain_sums(values in prop::collection::vec(-1.0f64..1.0, 0..100)) {
            let [sum, squares] = strided(values.len(), |i| [values[i], values[i] * values[i]]);
            prop_assert!((sum - values.iter().sum::<f64>()).abs() < 1e-13);
            prop_assert!((squares - values.iter().map(|v| v * v).sum::<f64>()).abs() < 1e-13);
        }
    }

    /// Edge set: no numbers have no median, and infinity is one.
    #[test]
    fn nothing_has_no_median() {
        assert_eq!(median_above_zero(&mut vec![], &mut Vec::new()), None);
        assert_eq!(
            median_above_zero(&mut vec![1.0, f64::INFINITY, f64::INFINITY], &mut Vec::new()),
            Some(f64::INFINITY)
        );
    }
}
