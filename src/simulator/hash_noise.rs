//! Pseudo-random numbers as a pure function of seed, cell and purpose.
//!
//! They do not depend on the order of calls and are the same in every process.

/// A uniformly distributed number from 0 (included) to 1 (excluded).
pub fn uniform(seed: u64, cell: i64, purpose: u64) -> f64 {
    // splitmix64 (Steele, Lea & Flood 2014).
    let mut z = seed ^ (cell as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ purpose.wrapping_mul(0xd1b5_4a32_d192_ed03);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^= z >> 31;
    (z >> 11) as f64 / (1u64 << 53) as f64
}

/// A number of the standard normal distribution (Box & Muller 1958).
pub fn normal(seed: u64, cell: i64, purpose: u64) -> f64 {
    let radius = (-2.0 * (1.0 - uniform(seed, cell, purpose)).ln()).sqrt();
    radius * (std::f64::consts::TAU * uniform(seed, cell, purpose ^ 0x5eed_0000)).cos()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: mean 0, variance 1, no correlation between neighbouring cells.
    #[test]
    fn normal_numbers_have_their_moments() {
        let n = 20_000;
        let x: Vec<f64> = (0..n).map(|i| normal(7, i, 3)).collect();
        let mean = x.iter().sum::<f64>() / n as f64;
        let variance = x.iter().map(|v| v * v).sum::<f64>() / n as f64;
        let lag = x.windows(2).map(|w| w[0] * w[1]).sum::<f64>() / n as f64;
        assert!(mean.abs() < 0.03 && (variance - 1.0).abs() < 0.04 && lag.abs() < 0.03, "{mean} {variance} {lag}");
    }
}
