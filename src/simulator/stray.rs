//! Stray light in the spectrometer: a floor proportional to the total light, and a near wing.
//!
//! Pure; works on the count rates of all pixels. The floor is uniform unless `unevenness` is set. The wing is rate_p + w·Σ_q rate_q·k(p − q) with
//! k(n) = (1 − a)/(1 + a)·a^|n| and a = exp(−1/length), which sums to 1; two recursive passes instead of a dense matrix.

/// Floor and wing.
#[derive(Clone, Debug)]
pub struct Stray {
    /// Ratio of the floor to the mean rate of all lit pixels [1].
    pub floor_of_mean: f64,
    /// Share of the light in the wing [1].
    pub wing: f64,
    /// exp(−1/length).
    pub decay: f64,
    /// Ratio of each pixel's floor to the uniform floor [1]; empty where the floor is uniform.
    pub unevenness: Vec<f64>,
}

impl Stray {
    /// Adds stray light to `rate` [counts/s]; shielded pixels (`lit` false) neither cause nor receive any.
    pub fn add(&self, rate: &mut [f64], lit: &[bool], scratch: &mut Vec<f64>) {
        let count = lit.iter().filter(|l| **l).count().max(1);
        let total: f64 = rate.iter().zip(lit).filter(|(_, l)| **l).map(|(r, _)| r).sum();
        let floor = self.floor_of_mean * total / count as f64;
        scratch.clear();
        scratch.resize(2 * rate.len(), floor);
        let (from_below, from_above) = scratch.split_at_mut(rate.len());
        from_below.iter_mut().zip(&self.unevenness).for_each(|(floor, share)| *floor *= share);
        let a = self.decay;
        let share = self.wing * (1.0 - a) / (1.0 + a);
        if share > 0.0 {
            // Each step depends on the one before; both directions run in one loop so that their latencies overlap.
            let (mut below, mut above) = (0.0, 0.0);
            let upwards = from_below.iter_mut().zip(rate.iter());
            for ((up, r), (down, q)) in upwards.zip(from_above.iter_mut().zip(rate.iter()).rev()) {
                below = below * a + r;
                *up += share * below;
                *down = share * a * above;
                above = above * a + q;
            }
        } else {
            from_above.fill(0.0);
        }
        for ((r, (up, down)), l) in rate.iter_mut().zip(from_below.iter().zip(from_above.iter())).zip(lit) {
            *r += if *l { up + down } else { 0.0 };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Independent: the formula summed pixel by pixel.
    #[test]
    fn the_recursive_wing_is_the_formula() {
        let stray = Stray { floor_of_mean: 1e-3, wing: 0.1, decay: (-1.0f64 / 7.0).exp(), unevenness: vec![] };
        let before: Vec<f64> = (0..50).map(|i| f64::from((i * 37) % 11)).collect();
        let mut after = before.clone();
        stray.add(&mut after, &[true; 50], &mut Vec::new());
        let mean = before.iter().sum::<f64>() / 50.0;
        for p in 0..50usize {
            let wing: f64 = (0..50usize).map(|q| before[q] * stray.decay.powi(p.abs_diff(q) as i32)).sum::<f64>()
                * 0.1
                * (1.0 - stray.decay)
                / (1.0 + stray.decay);
            let want = before[p] + wing + 1e-3 * mean;
            assert!((after[p] - want).abs() < 1e-12 * want.max(1.0), "pixel {p}: want {want}, got {}", after[p]);
        }
    }
}
