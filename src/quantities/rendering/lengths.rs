//! Lengths that are added up, each told by its square, and the mixtures that move them.
//!
//! Knows vectors, their moves and one covariance; which light or which colours they belong to is its callers' business. All of
//! it is small arrays of one fixed width. What must stay true: all but [`Lengths::second_order`] is inlined into the loop of
//! whoever calls it, which so runs with the widest vectors of the machine.

use super::spread::Spread;
use crate::spectrum::wide::{self, Simd, Vectors};

/// Weightings that stand for all.
pub const WEIGHTINGS: usize = 14;
/// Places of a mixture: a few more than there are weightings, so that it fills whole vectors. The last ones hold zeros.
pub const PLACES: usize = 16;

/// A sum over the light, as a mixture of the weightings.
pub type Mixed = [f64; PLACES];
/// Three mixtures: what moves a place in a space of three dimensions.
pub type Moves = [Mixed; 3];
/// A square of mixtures, of which often the lower half counts.
pub type Square = [Mixed; WEIGHTINGS];

/// Lengths that are added up, each told by its square.
pub struct Lengths<'a> {
    spread: &'a Spread,
    squares: Square,
}

impl<'a> Lengths<'a> {
    /// None yet.
    pub fn new(spread: &'a Spread) -> Self {
        Self { spread, squares: [[0.0; PLACES]; WEIGHTINGS] }
    }

    /// What is not known of the light.
    #[inline(always)]
    pub fn spread(&self) -> &'a Spread {
        self.spread
    }

    /// Adds `share` of the length of a vector that stands at `off` and is moved by `moves`. Answers s, the length to divide `off`
    /// by for the derivatives of its expectation.
    #[inline(always)]
    pub fn add<S: Simd>(&mut self, simd: S, share: f64, off: [f64; 3], moves: &Moves) -> f64 {
        let (trace, of_square) = traces(simd, self.spread.covariance(), moves);
        let square = off[0] * off[0] + off[1] * off[1] + off[2] * off[2];
        if !(trace > 0.0) {
            return square.sqrt();
        }
        let s = (square + trace + of_square / (3.0 * trace)).sqrt();
        add_squares(simd, &mut self.squares, share / (2.0 * s), moves);
        s
    }

    /// The variance of the sum that is of second order: 2 tr (K C K C).
    pub fn second_order(&self) -> f64 {
        wide::run(Product { squares: &self.squares, covariance: self.spread.covariance() })
    }
}

/// The loops of [`Lengths::second_order`].
struct Product<'a> {
    squares: &'a Square,
    covariance: &'a Square,
}

impl Vectors for Product<'_> {
    type Output = f64;

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> f64 {
        let mut product = [[0.0; PLACES]; WEIGHTINGS];
        for (sum, row) in product.iter_mut().zip(&whole(self.squares)) {
            for (k, line) in row.iter().zip(self.covariance) {
                add(simd, sum, *k, line);
            }
        }
        let mut trace = 0.0;
        for (i, row) in product.iter().enumerate() {
            for (x, turned) in row.iter().zip(&product) {
                trace += x * turned[i];
            }
        }
        2.0 * trace.max(0.0)
    }
}

/// The traces of the covariance that some moves have together, and of its square.
#[inline(always)]
fn traces<S: Simd>(simd: S, covariance: &Square, moves: &Moves) -> (f64, f64) {
    let (mut trace, mut of_square) = (0.0, 0.0);
    for (i, row) in moves.iter().enumerate() {
        let mut through = [0.0; PLACES];
        for (x, line) in row.iter().zip(covariance) {
            add(simd, &mut through, *x, line);
        }
        let c = dot(simd, &through, row);
        trace += c;
        of_square += c * c;
        for other in &moves[i + 1..] {
            let c = dot(simd, &through, other);
            of_square += 2.0 * c * c;
        }
    }
    (trace, of_square)
}

/// Σ a·b, in four strides on every machine.
#[inline(always)]
pub fn dot<S: Simd>(simd: S, a: &Mixed, b: &Mixed) -> f64 {
    let mut products = [0.0; PLACES];
    let vectors = S::as_simd_f64s(a).0.iter().zip(S::as_simd_f64s(b).0);
    for (product, (a, b)) in S::as_mut_simd_f64s(&mut products).0.iter_mut().zip(vectors) {
        *product = simd.mul_f64s(*a, *b);
    }
    let stride = |j: usize| (products[j] + products[4 + j]) + (products[8 + j] + products[12 + j]);
    (stride(0) + stride(2)) + (stride(1) + stride(3))
}

/// Adds factor·x.
#[inline(always)]
pub fn add<S: Simd>(simd: S, sum: &mut Mixed, factor: f64, x: &Mixed) {
    let factor = simd.splat_f64s(factor);
    for (sum, x) in S::as_mut_simd_f64s(sum).0.iter_mut().zip(S::as_simd_f64s(x).0) {
        *sum = simd.add_f64s(*sum, simd.mul_f64s(factor, *x));
    }
}

/// Adds factor·x·xᵀ for each of some mixtures: the lower half, and what else stands in its vectors.
#[inline(always)]
pub fn add_squares<S: Simd, const N: usize>(simd: S, sum: &mut Square, factor: f64, mixtures: &[Mixed; N]) {
    for (i, row) in sum.iter_mut().enumerate() {
        let here = mixtures.each_ref().map(|x| simd.splat_f64s(factor * x[i]));
        for (v, sum) in S::as_mut_simd_f64s(&mut row[..=i | 3]).0.iter_mut().enumerate() {
            for (here, x) in here.iter().zip(mixtures) {
                *sum = simd.add_f64s(*sum, simd.mul_f64s(*here, S::as_simd_f64s(x).0[v]));
            }
        }
    }
}

/// A symmetric matrix of which the lower half is there.
pub fn whole(lower: &Square) -> Square {
    let mut whole = *lower;
    for i in 0..WEIGHTINGS {
        for j in i + 1..WEIGHTINGS {
            whole[i][j] = lower[j][i];
        }
    }
    whole
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spectrum::wide::OneByOne;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    /// Independent: the spread of drawn lengths (a seeded generator), for errors of one, two and three dimensions, alike and
    /// unlike, from no mean to a long one.
    #[test]
    fn lengths_spread_as_drawn_ones_do() {
        const DRAWS: usize = 40_000;
        /// The bound on all uncertainties; worst is an error of one dimension, oblique to the mean, of which too much is stated.
        const TOLERANCE: f64 = 0.15;
        let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(3);
        for deviations in [[1.0, 0.0, 0.0], [1.0, 1.0, 0.0], [1.0, 1.0, 1.0], [2.0, 0.7, 0.2]] {
            let mut covariance = [[0.0; PLACES]; WEIGHTINGS];
            let mut moves = [[0.0; PLACES]; 3];
            for (k, d) in deviations.into_iter().enumerate() {
                (covariance[k][k], moves[k][k]) = (d * d, 1.0);
            }
            let spread = Spread::of_covariance(covariance);
            for mean in [0.0, 0.5, 1.0, 2.0, 5.0] {
                let off = [0.8 * mean, 0.6 * mean, 0.0];
                let mut lengths = Lengths::new(&spread);
                let s = lengths.add(OneByOne, 1.0, off, &moves);
                let first: f64 = off.iter().zip(deviations).map(|(o, d)| (o / s * d).powi(2)).sum();
                let stated = (first + lengths.second_order()).sqrt();
                let drawn: Vec<f64> = (0..DRAWS)
                    .map(|_| {
                        let normal = || -> f64 { StandardNormal.sample(&mut rng) };
                        let z: [f64; 3] =
                            std::iter::repeat_with(normal).take(3).collect::<Vec<_>>().try_into().unwrap();
                        (0..3).map(|i| (off[i] + deviations[i] * z[i]).powi(2)).sum::<f64>().sqrt()
                    })
                    .collect();
                let average = drawn.iter().sum::<f64>() / DRAWS as f64;
                let spread = (drawn.iter().map(|x| (x - average).powi(2)).sum::<f64>() / DRAWS as f64).sqrt();
                let off = stated / spread - 1.0;
                assert!(off.abs() < TOLERANCE, "{deviations:?}, mean {mean}: stated {stated}, drawn {spread}");
            }
        }
    }

    /// Identity: squares have their lower half, and places after the weightings stay empty.
    #[test]
    fn squares_have_their_lower_half() {
        let mixture = |seed: f64| -> Mixed {
            std::array::from_fn(|k| if k < WEIGHTINGS { (k as f64 * 1.3 + seed).sin() } else { 0.0 })
        };
        let moves = [mixture(0.2), mixture(1.9), mixture(4.4)];
        let mut sum = [[0.0; PLACES]; WEIGHTINGS];
        add_squares(OneByOne, &mut sum, 0.7, &moves);
        for (i, row) in whole(&sum).iter().enumerate() {
            for (j, got) in row.iter().enumerate() {
                let want: f64 = moves.iter().map(|x| 0.7 * x[i] * x[j]).sum();
                assert!((got - want).abs() < 1e-15, "{i} {j}: want {want}, got {got}");
            }
        }
    }
}
