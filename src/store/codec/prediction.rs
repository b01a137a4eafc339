//! What is known of a frame before it is read: a mixture of patterns, in whole numbers.
//!
//! A *pattern* is a picture every frame of an instrument has in it: its offsets, its dark current, its view of a light. A pixel
//! is predicted to read
//!
//! ```text
//! ((2^15 + Σ factor·pattern + share(pixel)·varying) >> 16) + constant        from 0 to plausibility_limit
//! ```
//!
//! with patterns in 1/16 count of one exposure and factors in 1/4096; the varying share is linear between knots that lie a power
//! of two of pixels apart, the smallest that makes 16 stretches or fewer. What must stay true: prediction is integer arithmetic that
//! wraps, so that every machine predicts the same bits from the same numbers, whatever they are; a prediction may be poor,
//! never wrong. Only the choice of factors ([`fit`]) is floating-point, and nothing that is read depends on it.

use crate::spectrum::wide;

/// Bits of a pattern behind the point [counts of one exposure].
pub const PATTERN_BITS: u32 = 4;
/// Bits of a factor behind the point: at full scale a step is 16 counts, no more than the noise of the darkest pixel.
const FACTOR_BITS: u32 = 12;
const BOTH_BITS: u32 = PATTERN_BITS + FACTOR_BITS;
/// Most stretches the varying share is made of.
const STRETCHES: usize = 16;
/// Most patterns with one factor each.
pub const MAX_WHOLE: usize = 16;
/// Of a spectrum of so many pixels every other pair of neighbours decides on the factors: what the others would add to them is less
/// than their own steps, and takes as long again. Pairs, because even and odd pixels may have amplifiers of their own.
const PAIRS_FROM: usize = 1024;

/// How a frame is mixed, pattern by pattern.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Correlation {
    /// The most a pixel can read [counts].
    pub plausibility_limit: u32,
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
pub fn predict(mixture: &Correlation, pixels: usize, whole: &[&[i32]], varying: Option<&[i32]>) -> Vec<u32> {
    wide::run(Prediction { mixture, pixels, whole, varying })
}

struct Prediction<'a> {
    mixture: &'a Correlation,
    pixels: usize,
    whole: &'a [&'a [i32]],
    varying: Option<&'a [i32]>,
}

impl wide::Loops for Prediction<'_> {
    type Output = Vec<u32>;

    #[inline(always)]
    fn call(self) -> Vec<u32> {
        let mut sums = vec![1_i64 << (BOTH_BITS - 1); self.pixels];
        for (factor, pattern) in self.mixture.whole.iter().zip(self.whole) {
            // Most machines multiply two halves of a word much faster than words.
            if let Ok(factor) = i32::try_from(*factor) {
                for (sum, p) in sums.iter_mut().zip(*pattern) {
                    *sum = sum.wrapping_add(i64::from(factor) * i64::from(*p));
                }
            } else {
                for (sum, p) in sums.iter_mut().zip(*pattern) {
                    *sum = sum.wrapping_add(factor.wrapping_mul(i64::from(*p)));
                }
            }
        }
        if let Some(pattern) = self.varying {
            let bits = stretch_bits(self.pixels);
            let stretches = sums.chunks_mut(1 << bits).zip(pattern.chunks(1 << bits));
            for ((sums, pattern), knots) in stretches.zip(self.mixture.knots.windows(2)) {
                let slope = knots[1].wrapping_sub(knots[0]);
                let mut climbed = 0_i64;
                for (sum, p) in sums.iter_mut().zip(pattern) {
                    let share = knots[0].wrapping_add(climbed >> bits);
                    *sum = sum.wrapping_add(share.wrapping_mul(i64::from(*p)));
                    climbed = climbed.wrapping_add(slope);
                }
            }
        }
        let plausibility_limit = i64::from(self.mixture.plausibility_limit);
        let read =
            |sum: &i64| (sum >> BOTH_BITS).wrapping_add(self.mixture.constant).clamp(0, plausibility_limit) as u32;
        sums.iter().map(read).collect()
    }
}

/// A mixture of some of the patterns that were offered.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Fitted {
    /// The mixture.
    pub mixture: Correlation,
    /// Which patterns have one factor each.
    pub whole: Vec<usize>,
    /// Which one varies.
    pub varying: Option<usize>,
}

/// The mixture of patterns that lies nearest to sums of so many exposures, by weighted least squares over the pixels of `seen`.
///
/// Pixels count by about what shot and read noise leave of their worth. Offered are the first `darks` patterns, all of them, or
/// all with one whose share varies: what saves less room than its numbers take is left out. `None` where nothing fits.
pub fn fit(
    sums: &[u32],
    seen: &[bool],
    exposures: usize,
    patterns: &[&[i32]],
    darks: usize,
    varying: Option<usize>,
) -> Option<Fitted> {
    /// What a number costs [nats]: two bytes.
    const NUMBER: f64 = 16.0 * std::f64::consts::LN_2;
    if patterns.len() > MAX_WHOLE {
        return None;
    }
    let m = patterns.len() + 1;
    let k = if varying.is_some() { knots(sums.len()) } else { 0 };
    let plausibility_limit = sums.iter().max().copied()?;
    let normal = wide::run(Gathering { sums, seen, exposures, patterns, varying });
    let whole = |offered: usize| (0..=offered).collect::<Vec<_>>();
    let mut ways = vec![(whole(darks), None), (whole(patterns.len()), None)];
    if let Some(v) = varying {
        let others = (0..m).filter(|c| *c != v + 1);
        // A knot beside which nothing is seen is left out.
        let seen_knots = (m..m + k).filter(|c| normal.matrix[c * normal.side + c] > 0.0);
        ways.push((others.chain(seen_knots).collect(), Some(v)));
    }
    let worth = |(some, v): (Vec<usize>, Option<usize>)| {
        // With two electrons a count a weight is half of the inverse variance, so that what is explained is in nats.
        let (factors, explained) = normal.solve(&some)?;
        Some((normal.stands_for * explained - NUMBER * some.len() as f64, some, factors, v))
    };
    let (_, some, factors, varying) = ways.into_iter().filter_map(worth).max_by(|a, b| a.0.total_cmp(&b.0))?;
    let number = |x: f64, scale: f64| {
        let scaled = (x * scale).round();
        (scaled.abs() < 2f64.powi(46)).then_some(scaled as i64)
    };
    let one = f64::from(1 << FACTOR_BITS);
    let mut fitted = Fitted { varying, ..Fitted::default() };
    fitted.mixture.plausibility_limit = plausibility_limit;
    let mut known = vec![None; k];
    for (column, factor) in some.iter().zip(factors) {
        match column {
            0 => fitted.mixture.constant = number(factor, 1.0)?,
            c if *c < m => {
                fitted.whole.push(c - 1);
                fitted.mixture.whole.push(number(factor, one)?);
            }
            c => known[c - m] = Some(number(factor, one)?),
        }
    }
    if varying.is_some() {
        // A knot without a say is like the one before.
        let mut last = known.iter().copied().flatten().next().unwrap_or(0);
        for knot in known {
            last = knot.unwrap_or(last);
            fitted.mixture.knots.push(last);
        }
    }
    Some(fitted)
}

/// The normal equations of a fit: a constant, every pattern, and the knots of the varying one.
struct Gathering<'a> {
    sums: &'a [u32],
    seen: &'a [bool],
    exposures: usize,
    patterns: &'a [&'a [i32]],
    varying: Option<usize>,
}

impl wide::Loops for Gathering<'_> {
    type Output = Normal;

    #[inline(always)]
    fn call(self) -> Normal {
        let Self { sums, seen, exposures, patterns, varying } = self;
        let m = patterns.len() + 1;
        let stretch = 1 << stretch_bits(sums.len());
        let k = if varying.is_some() { knots(sums.len()) } else { 0 };
        let mut normal = Normal::new(m + k);
        let pairs = sums.len() >= PAIRS_FROM && stretch >= 8;
        normal.stands_for = if pairs { 2.0 } else { 1.0 };
        let pixel = |i: usize| if pairs { 2 * i - i % 2 } else { i };
        let lowest = sums.iter().min().copied().unwrap_or(0);
        let dark_variance = 100.0 * exposures as f64;
        let per_count = 1.0 / f64::from(1 << PATTERN_BITS);
        let mut columns = vec![1.0; (m + 2) * stretch];
        let mut weighted = vec![0.0; stretch];
        let (mut weight, mut wanted) = (weighted.clone(), weighted.clone());
        for (at, (sums, seen)) in sums.chunks(stretch).zip(seen.chunks(stretch)).enumerate() {
            if !seen.contains(&true) {
                continue;
            }
            let whole = sums.len();
            let n = if pairs { whole / 4 * 2 + (whole % 4).min(2) } else { whole };
            for (i, (weight, wanted)) in weight.iter_mut().zip(&mut wanted).take(n).enumerate() {
                let i = pixel(i);
                *weight = if seen[i] { 1.0 / (f64::from(sums[i] - lowest) + dark_variance) } else { 0.0 };
                *wanted = f64::from(sums[i]);
            }
            for (column, pattern) in columns.chunks_mut(stretch).skip(1).zip(patterns) {
                let pattern = &pattern[at * stretch..][..whole];
                if pairs {
                    for (c, p) in column.as_chunks_mut().0.iter_mut().zip(pattern.chunks(4)) {
                        *c = [p[0], p[p.len().min(2) - 1]].map(|p| f64::from(p) * per_count);
                    }
                } else {
                    column.iter_mut().zip(pattern).for_each(|(c, p)| *c = f64::from(*p) * per_count);
                }
            }
            if let Some(varying) = varying {
                let (known, ends) = columns.split_at_mut(m * stretch);
                let pattern = &known[(varying + 1) * stretch..][..n];
                let (left, right) = ends.split_at_mut(stretch);
                for (i, p) in pattern.iter().enumerate() {
                    right[i] = p * pixel(i) as f64 / stretch as f64;
                    left[i] = p - right[i];
                }
            }
            let here = m + if varying.is_some() { 2 } else { 0 };
            // The two columns that varying has here are those of the knots at both ends.
            let place = |column: usize| if column < m { column } else { column + at };
            for a in 0..here {
                let column = &columns[a * stretch..][..n];
                weighted.iter_mut().zip(column.iter().zip(&weight)).for_each(|(p, (c, w))| *p = c * w);
                for b in 0..=a {
                    normal.row(place(a))[place(b)] += dot(&weighted[..n], &columns[b * stretch..][..n]);
                }
                normal.right[place(a)] += dot(&weighted[..n], &wanted[..n]);
            }
        }
        normal
    }
}

/// Sum of products, in eight sums of their own, so that they need not wait for each other.
#[inline(always)]
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let (a8, a) = a.as_chunks::<8>();
    let (b8, b) = b.as_chunks::<8>();
    let mut sums = [0.0; 8];
    for (a, b) in a8.iter().zip(b8) {
        for k in 0..8 {
            sums[k] += a[k] * b[k];
        }
    }
    sums.iter().sum::<f64>() + a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>()
}

/// Normal equations, of which the lower triangle is kept.
struct Normal {
    side: usize,
    matrix: Vec<f64>,
    right: Vec<f64>,
    /// How many pixels each that was looked at stands for.
    stands_for: f64,
}

impl Normal {
    fn new(side: usize) -> Self {
        Self { side, matrix: vec![0.0; side * side], right: vec![0.0; side], stands_for: 1.0 }
    }
    #[inline(always)]
    fn row(&mut self, at: usize) -> &mut [f64] {
        &mut self.matrix[at * self.side..(at + 1) * self.side]
    }
    /// Solves for some of the unknowns, the others being none; also how much of the weighted squares they explain.
    ///
    /// By Cholesky's decomposition, every unknown in its own measure and each held a little, so that unknowns that cannot be told
    /// apart stay small.
    fn solve(&self, some: &[usize]) -> Option<(Vec<f64>, f64)> {
        const HOLD: f64 = 1e-10;
        let n = some.len();
        let mut g = vec![0.0; n * n];
        let entry = |a: usize, b: usize| self.matrix[a.max(b) * self.side + a.min(b)];
        let measure = |d: f64| if d > 0.0 { 1.0 / d.sqrt() } else { 1.0 };
        let scale: Vec<f64> = some.iter().map(|a| measure(entry(*a, *a))).collect();
        let right: Vec<f64> = some.iter().zip(&scale).map(|(a, s)| self.right[*a] * s).collect();
        let mut x = right.clone();
        for i in 0..n {
            for j in 0..=i {
                g[i * n + j] = entry(some[i], some[j]) * scale[i] * scale[j];
            }
            g[i * n + i] = g[i * n + i].max(f64::MIN_POSITIVE) + HOLD;
        }
        for i in 0..n {
            for j in 0..=i {
                let rest = g[i * n + j] - dot(&g[i * n..][..j], &g[j * n..][..j]);
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
            x[i] = (x[i] - dot(&g[i * n..][..i], &x[..i])) / g[i * n + i];
        }
        for i in (0..n).rev() {
            let known: f64 = (i + 1..n).map(|k| g[k * n + i] * x[k]).sum();
            x[i] = (x[i] - known) / g[i * n + i];
        }
        let explained = dot(&right, &x);
        x.iter_mut().zip(&scale).for_each(|(x, scale)| *x *= scale);
        (explained.is_finite() && x.iter().all(|x| x.is_finite())).then_some((x, explained))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Independent: a prediction worked out by hand, with every part of the rule in it.
    #[test]
    fn a_prediction_follows_the_stated_rule() {
        // Five pixels: one a stretch, so that a share is its knot.
        let mixture = Correlation {
            plausibility_limit: 50,
            constant: -2,
            whole: vec![3 << 12],
            knots: vec![1 << 11, 0, 1 << 12, 5, 9, 0],
        };
        let read = predict(&mixture, 5, &[&[160, 320, 8, 0, -160]], Some(&[64, 64, 64, 64, 64]));
        // 3·10 + 0.5·4 − 2; 3·20 − 2, above the plausibility_limit; 3·0.5 + 4 − 2 = 3.5, rounded up; 0.005 − 2 and −32, below 0.
        assert_eq!(read, [30, 50, 4, 0, 0]);
        // Forty pixels: stretches of four; half way between knots 0 and 2 the share is 1.
        let knots = vec![0, 2 << 12, 0, 0, 0, 0, 0, 0, 0, 0, 0];
        let mixture = Correlation { plausibility_limit: u32::MAX, knots, ..Correlation::default() };
        assert_eq!(predict(&mixture, 40, &[], Some(&[160; 40]))[..5], [0, 5, 10, 15, 20]);
    }

    /// Identity: a frame that is a mixture is fitted beside what is not looked at, to half a step of each factor (2 counts of these
    /// patterns) and rounding, and one without the light is told by the dark alone.
    #[test]
    fn a_mixture_is_found_again() {
        let wave = |step: f64| (0..300).map(|i| (160_000.0 + 90_000.0 * (f64::from(i) * step).sin()) as i32).collect();
        let (dark, light): (Vec<i32>, Vec<i32>) = (wave(1.7), wave(0.9));
        let sum = |lit: f64, i: usize| {
            let share = lit * (0.5 + i as f64 / 300.0);
            (2.0 * f64::from(dark[i]) / 16.0 + share * f64::from(light[i]) / 16.0) as u32 + 40
        };
        let mut seen = vec![true; 300];
        seen[100..120].fill(false);
        let mut sums: Vec<u32> = (0..300).map(|i| sum(1.0, i)).collect();
        sums[100..120].fill(60_000);
        let fitted = fit(&sums, &seen, 2, &[&dark, &light], 1, Some(1)).unwrap();
        assert_eq!((&fitted.whole[..], fitted.varying), (&[0][..], Some(1)));
        let read = predict(&fitted.mixture, 300, &[&dark], Some(&light));
        for i in (0..300).filter(|i| seen[*i]) {
            assert!(read[i].abs_diff(sums[i]) <= 5, "pixel {i}: want {}, got {}", sums[i], read[i]);
        }
        let unlit: Vec<u32> = (0..300).map(|i| sum(0.0, i)).collect();
        let fitted = fit(&unlit, &seen, 2, &[&dark, &light], 1, Some(1)).unwrap();
        assert_eq!((&fitted.whole[..], fitted.varying), (&[0][..], None));
    }

    /// Identity: numbers at the ends of their range do not panic, and neither does a fit to them.
    #[test]
    fn absurd_mixtures_wrap() {
        let (whole, knots) = (vec![i64::MIN, i64::MAX], vec![i64::MIN, i64::MAX, 7]);
        let mixture = Correlation { plausibility_limit: 9, constant: i64::MAX, whole, knots };
        let (low, high) = ([i32::MIN; 2], [i32::MAX; 2]);
        assert!(predict(&mixture, 2, &[&low, &high], Some(&low)).iter().all(|p| *p <= 9));
        let _ = fit(&[u32::MAX, 0], &[true, true], 1 << 20, &[&low, &high], 1, Some(1));
        assert_eq!(fit(&[1, 2], &[true, true], 1, &[&low[..]; MAX_WHOLE + 1], 1, None), None);
    }
}
