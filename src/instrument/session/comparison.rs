//! Compares two exposures with equal settings, for instruments without a checksum. Pure.
//!
//! Light that changes moves neighbouring pixels together; a damaged value stands alone. Errors within the noise, and below a small share of
//! the signal, stay unseen.

/// Pixels on each side of a window.
const REACH: usize = 15;
/// Limit of the difference from that of the neighbours [robust standard deviations].
const LIMIT: f64 = 12.0;
/// Smallest standard deviation that is assumed [counts].
const LEAST_NOISE: f64 = 1.0;
/// Change of a single line of a lamp between two exposures that is no damage [share of its level above the lowest pixel].
const LINE_SHARE: f64 = 0.05;

/// The first pixel that differs by more than noise and light explain.
pub(super) fn outlier(first: &[u32], second: &[u32]) -> Option<usize> {
    if first.len() != second.len() {
        return Some(0);
    }
    let sum = |counts: &[u32]| counts.iter().map(|c| f64::from(*c)).sum::<f64>();
    let ratio = sum(second) / sum(first).max(1.0);
    let lowest = first.iter().chain(second).copied().min().unwrap_or(0);
    let differences: Vec<f64> = first.iter().zip(second).map(|(a, b)| f64::from(*b) - ratio * f64::from(*a)).collect();
    let mut window = Vec::with_capacity(2 * REACH + 1);
    (0..differences.len()).find(|&pixel| {
        let (from, to) = (pixel.saturating_sub(REACH), (pixel + REACH + 1).min(differences.len()));
        let middle = median(&mut window, differences[from..to].iter().copied());
        let spread = median(&mut window, differences[from..to].iter().map(|d| (d - middle).abs()));
        // Of normal deviates, the median of the absolute deviation is 0.6745 standard deviations.
        let noise = (spread / 0.6745).max(LEAST_NOISE);
        let level = f64::from(first[pixel].min(second[pixel]) - lowest);
        (differences[pixel] - middle).abs() > LIMIT * noise + LINE_SHARE * level
    })
}

fn median(buffer: &mut Vec<f64>, values: impl Iterator<Item = f64>) -> f64 {
    buffer.clear();
    buffer.extend(values);
    let middle = buffer.len() / 2;
    buffer.select_nth_unstable_by(middle, f64::total_cmp);
    buffer[middle]
}

#[cfg(test)]
mod tests {
    use super::outlier;
    use rand::{Rng, SeedableRng, rngs::SmallRng};

    fn exposure(seed: u64, light: f64) -> Vec<u32> {
        let mut random = SmallRng::seed_from_u64(seed);
        (0..512)
            .map(|i| {
                let shape = (-((f64::from(i) - 200.0) / 90.0).powi(2)).exp();
                let level = 1200.0 + light * 20_000.0 * shape;
                let noise: f64 = (0..12).map(|_| random.random_range(-0.5..0.5)).sum();
                (level + noise * (level / 3.0).sqrt()) as u32
            })
            .collect()
    }

    #[test]
    fn changing_light_and_noise_are_no_damage() {
        for seed in 0..200 {
            let light = 0.5 + 0.005 * seed as f64;
            assert_eq!(outlier(&exposure(seed, 1.0), &exposure(seed + 1000, light)), None, "seed {seed}");
        }
        assert_eq!(outlier(&[], &[]), None);
    }

    #[test]
    fn a_flipped_high_bit_is_found() {
        for (pixel, bit) in [(10, 11), (200, 14), (300, 13), (500, 12)] {
            let mut damaged = exposure(7, 1.0);
            damaged[pixel] ^= 1 << bit;
            assert_eq!(outlier(&exposure(8, 1.0), &damaged), Some(pixel));
            assert_eq!(outlier(&damaged, &exposure(8, 1.0)), Some(pixel));
        }
        assert_eq!(outlier(&[1, 2], &[1]), Some(0));
    }
}
