//! What is known of a frame before it is read: a mixture of patterns, in whole numbers.
//!
//! A *pattern* is a picture every frame of an instrument has in it: its offsets, its dark current, its view of a light. A frame
//! is predicted as
//!
//! ```text
//! ((2^15 + Σ factor·pattern + share(pixel)·varying) >> 16) + constant        and  `clipped`  where it is clipped
//! ```
//!
//! with patterns in 1/16 count of one exposure and factors in 1/4096; the varying share is linear between knots that lie a power
//! of two of pixels apart, the smallest that makes 16 stretches or fewer. What must stay true: prediction is integer arithmetic that
//! wraps, so that every machine predicts the same bits from the same numbers, whatever they are; a prediction may be poor,
//! never wrong. Only the choice of factors ([`fit`]) is floating-point, and nothing that is read depends on it.

use crate::record::PixelRanges;

/// Bits of a pattern behind the point [counts of one exposure].
pub const PATTERN_BITS: u32 = 4;
/// Bits of a factor behind the point: at full scale a step is 16 counts, no more than the noise of the darkest pixel.
const FACTOR_BITS: u32 = 12;
const BOTH_BITS: u32 = PATTERN_BITS + FACTOR_BITS;
/// Most stretches the varying share is made of.
const STRETCHES: usize = 16;
/// Most patterns with one factor each.
pub const MAX_WHOLE: usize = 7;

/// How a frame is mixed, pattern by pattern.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Mixture {
    /// What clipped pixels are predicted to read [counts].
    pub clipped: u32,
    /// What every pixel has on top [counts].
    pub constant: i64,
    /// One factor for each whole pattern [1/4096].
    pub whole: Vec<i64>,
    /// Factors of the varying pattern at the knots [1/4096]; empty without one.
    pub knots: Vec<i64>,
}

/// Bits of the distance between two knots.
fn stretch_bits(pixels: usize) -> u32 {
    (0..usize::BITS - 1).find(|b| pixels.div_ceil(1 << b) <= STRETCHES).unwrap_or(0)
}

/// How many knots a varying share has.
pub fn knots(pixels: usize) -> usize {
    pixels.div_ceil(1 << stretch_bits(pixels)) + 1
}

/// What a frame of so many pixels is predicted to read [counts]; patterns in the order of their factors, the varying one apart.
pub fn predict(
    mixture: &Mixture,
    pixels: usize,
    clipped: &PixelRanges,
    whole: &[&[i32]],
    varying: Option<&[i32]>,
) -> Vec<u32> {
    let mut sums = vec![1_i64 << (BOTH_BITS - 1); pixels];
    for (factor, pattern) in mixture.whole.iter().zip(whole) {
        for (sum, p) in sums.iter_mut().zip(*pattern) {
            *sum = sum.wrapping_add(factor.wrapping_mul(i64::from(*p)));
        }
    }
    if let Some(pattern) = varying {
        let bits = stretch_bits(pixels);
        let stretches = sums.chunks_mut(1 << bits).zip(pattern.chunks(1 << bits));
        for ((sums, pattern), knots) in stretches.zip(mixture.knots.windows(2)) {
            let slope = knots[1].wrapping_sub(knots[0]);
            for (along, (sum, p)) in (0_i64..).zip(sums.iter_mut().zip(pattern)) {
                let share = knots[0].wrapping_add(slope.wrapping_mul(along) >> bits);
                *sum = sum.wrapping_add(share.wrapping_mul(i64::from(*p)));
            }
        }
    }
    let mut read: Vec<u32> = sums.iter().map(|s| (s >> BOTH_BITS).wrapping_add(mixture.constant) as u32).collect();
    for &(first, last) in &clipped.0 {
        let last = usize::from(last).min(pixels.saturating_sub(1));
        if let Some(range) = read.get_mut(usize::from(first)..=last) {
            range.fill(mixture.clipped);
        }
    }
    read
}

/// What is left of sums, as numbers that are small where the prediction was near: 0, −1, 1, −2, 2 … are 0, 1, 2, 3, 4 …
pub fn left_over(sums: &[u32], predicted: &[u32]) -> Vec<u32> {
    let zigzag = |(sum, predicted): (&u32, &u32)| {
        let left = sum.wrapping_sub(*predicted) as i32;
        ((left << 1) ^ (left >> 31)) as u32
    };
    sums.iter().zip(predicted).map(zigzag).collect()
}

/// Undoes [`left_over`]: makes what is left into sums.
pub fn put_back(left: &mut [u32], predicted: &[u32]) {
    for (left, predicted) in left.iter_mut().zip(predicted) {
        *left = predicted.wrapping_add((*left >> 1) ^ (*left & 1).wrapping_neg());
    }
}

/// The mixture of patterns that lies nearest to sums of so many exposures, by weighted least squares.
///
/// Pixels count by about what shot and read noise leave of their worth. `None` where there is no such mixture or too many patterns.
pub fn fit(
    sums: &[u32],
    clipped: &PixelRanges,
    exposures: usize,
    whole: &[&[i32]],
    varying: Option<&[i32]>,
) -> Option<Mixture> {
    const MOST: usize = MAX_WHOLE + 1;
    let m = whole.len() + 1;
    if m > MOST {
        return None;
    }
    let (bits, mask) = (stretch_bits(sums.len()), clipped.to_mask(sums.len()));
    let k = if varying.is_some() { knots(sums.len()) } else { 0 };
    let mut normal = Normal::new(m + k);
    let lowest = sums.iter().min().copied()?;
    let dark_variance = 100.0 * exposures as f64;
    let per_count = 1.0 / f64::from(1 << PATTERN_BITS);
    for (i, sum) in sums.iter().enumerate().filter(|(i, _)| !mask[*i]) {
        let weight = 1.0 / (f64::from(sum - lowest) + dark_variance);
        let (mut v, sum) = ([0.0; MOST], f64::from(*sum));
        for (v, pattern) in v.iter_mut().zip(whole) {
            *v = f64::from(pattern[i]) * per_count;
        }
        v[m - 1] = 1.0;
        let weighted = v.map(|v| v * weight);
        for a in 0..m {
            let row = normal.row(a);
            for (g, v) in row.iter_mut().zip(&v[..=a]) {
                *g += weighted[a] * v;
            }
            normal.right[a] += weighted[a] * sum;
        }
        let Some(pattern) = varying else { continue };
        let (p, along) = (f64::from(pattern[i]) * per_count, (i & ((1 << bits) - 1)) as f64 / f64::from(1 << bits));
        let (left, right, at) = (p * (1.0 - along), p * along, m + (i >> bits));
        for (at, share) in [(at, left), (at + 1, right)] {
            for (g, v) in normal.row(at).iter_mut().zip(&weighted[..m]) {
                *g += share * v;
            }
            normal.right[at] += weight * share * sum;
        }
        normal.row(at)[at] += weight * left * left;
        normal.row(at + 1)[at] += weight * left * right;
        normal.row(at + 1)[at + 1] += weight * right * right;
    }
    let factors = normal.solve()?;
    let whole_number = |x: f64, scale: f64| {
        let scaled = (x * scale).round();
        (scaled.abs() < 2f64.powi(46)).then_some(scaled as i64)
    };
    let one = f64::from(1 << FACTOR_BITS);
    Some(Mixture {
        clipped: if clipped.is_empty() { 0 } else { sums.iter().max().copied()? },
        constant: whole_number(factors[m - 1], 1.0)?,
        whole: factors[..m - 1].iter().map(|f| whole_number(*f, one)).collect::<Option<_>>()?,
        knots: factors[m..].iter().map(|f| whole_number(*f, one)).collect::<Option<_>>()?,
    })
}

/// Normal equations, of which the lower triangle is kept.
struct Normal {
    side: usize,
    matrix: Vec<f64>,
    right: Vec<f64>,
}

impl Normal {
    fn new(side: usize) -> Self {
        Self { side, matrix: vec![0.0; side * side], right: vec![0.0; side] }
    }
    fn row(&mut self, at: usize) -> &mut [f64] {
        &mut self.matrix[at * self.side..(at + 1) * self.side]
    }
    /// Solves by Cholesky's decomposition, every unknown in its own measure and each held a little, so that unknowns that cannot be told
    /// apart stay small.
    fn solve(self) -> Option<Vec<f64>> {
        const HOLD: f64 = 1e-10;
        let (n, mut g, mut x) = (self.side, self.matrix, self.right);
        let measure = |d: f64| if d > 0.0 { 1.0 / d.sqrt() } else { 1.0 };
        let scale: Vec<f64> = (0..n).map(|i| measure(g[i * n + i])).collect();
        for i in 0..n {
            for j in 0..=i {
                g[i * n + j] *= scale[i] * scale[j];
            }
            g[i * n + i] = g[i * n + i].max(f64::MIN_POSITIVE) + HOLD;
            x[i] *= scale[i];
        }
        for i in 0..n {
            for j in 0..=i {
                let dot: f64 = (0..j).map(|k| g[i * n + k] * g[j * n + k]).sum();
                let rest = g[i * n + j] - dot;
                if i != j {
                    g[i * n + j] = rest / g[j * n + j];
                } else if rest > 0.0 {
                    g[i * n + i] = rest.sqrt();
                } else {
                    return None;
                }
            }
        }
        for i in 0..n {
            let dot: f64 = (0..i).map(|k| g[i * n + k] * x[k]).sum();
            x[i] = (x[i] - dot) / g[i * n + i];
        }
        for i in (0..n).rev() {
            let dot: f64 = (i + 1..n).map(|k| g[k * n + i] * x[k]).sum();
            x[i] = (x[i] - dot) / g[i * n + i];
        }
        for (x, scale) in x.iter_mut().zip(&scale) {
            *x *= scale;
        }
        x.iter().all(|x| x.is_finite()).then_some(x)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Independent: a prediction worked out by hand, with every part of the rule in it.
    #[test]
    fn a_prediction_follows_the_stated_rule() {
        // Four pixels: one a stretch, so that a share is its knot.
        let mixture =
            Mixture { clipped: 99, constant: -2, whole: vec![3 << 12], knots: vec![1 << 11, 0, 1 << 12, 5, 9] };
        let clipped = PixelRanges(vec![(3, 3)]);
        let read = predict(&mixture, 4, &clipped, &[&[160, 320, 8, 0]], Some(&[64, 64, 64, 64]));
        // 3·10 + 0.5·4 − 2, 3·20 − 2, 3·0.5 + 4 − 2 = 3.5, rounded up.
        assert_eq!(read, [30, 58, 4, 99]);
        // Forty pixels: stretches of four; half way between knots 0 and 2 the share is 1.
        let mixture = Mixture { knots: vec![0, 2 << 12, 0, 0, 0, 0, 0, 0, 0, 0, 0], ..Mixture::default() };
        assert_eq!(predict(&mixture, 40, &PixelRanges::default(), &[], Some(&[160; 40]))[..5], [0, 5, 10, 15, 20]);
    }

    /// Identity: a frame that is a mixture is fitted to within a count, whatever its unclipped part.
    #[test]
    fn a_mixture_is_found_again() {
        let wave = |step: f64| (0..300).map(|i| (16_000.0 + 9000.0 * (f64::from(i) * step).sin()) as i32).collect();
        let (offset, light): (Vec<i32>, Vec<i32>) = (wave(1.7), wave(0.9));
        let sums: Vec<u32> = (0..300)
            .map(|i| {
                (2.0 * f64::from(offset[i]) / 16.0 + (0.5 + i as f64 / 300.0) * f64::from(light[i]) / 16.0) as u32 + 40
            })
            .collect();
        let clipped = PixelRanges(vec![(100, 120)]);
        let mixture = fit(&sums, &clipped, 2, &[&offset], Some(&light)).unwrap();
        let read = predict(&mixture, 300, &clipped, &[&offset], Some(&light));
        for i in (0..300).filter(|i| !clipped.contains(*i)) {
            assert!(read[i].abs_diff(sums[i]) <= 2, "pixel {i}: want {}, got {}", sums[i], read[i]);
        }
        assert_eq!(read[110], *sums.iter().max().unwrap());
    }

    /// Identity: numbers at the ends of their range neither panic nor are lost.
    #[test]
    fn absurd_mixtures_wrap() {
        let mixture = Mixture {
            clipped: 0,
            constant: i64::MAX,
            whole: vec![i64::MIN, i64::MAX],
            knots: vec![i64::MIN, i64::MAX, 7],
        };
        let (low, high) = ([i32::MIN; 2], [i32::MAX; 2]);
        let read = predict(&mixture, 2, &PixelRanges(vec![(5, 9)]), &[&low, &high], Some(&low));
        let sums = [u32::MAX, 0];
        let mut left = left_over(&sums, &read);
        put_back(&mut left, &read);
        assert_eq!(left, sums);
    }
}
