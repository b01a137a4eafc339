//! How far what the test colours see of a light may be off: the covariance of their sums, in few numbers.
//!
//! An index is a mean of lengths, how far each colour lies from where the reference has it. Near zero a length is no
//! first-order matter: it can only grow, whatever the error does to the colour. Its square stays smooth there, so lengths are
//! linearised in their squares: |v| ≈ |v|²/2s + s/2, with s² = |o|² + tr Σ + tr Σ²/(3 tr Σ) for a mean o and a covariance Σ. The
//! deviation so found is that of a Gaussian vector's length to 2 % where o vanishes, in one, two or three dimensions (half-normal,
//! Rayleigh, Maxwell), exact where o is long, and between from 3 % too small to 11 % too large. Sums of such squares have a variance in closed
//! form: that of their first order, which takes the road of all rows, and 2‖K‖² of the second, which is told here.
//!
//! All sums that see a light do so through some 330 smooth weightings, of which [`WEIGHTINGS`] stand for all, on nodes 10 nm
//! apart. That is close enough for an uncertainty; no value and no derivative passes through here but by s.

use super::colours::{self, FIDELITY, RENDERING};
use super::fold::{Fold, NODES};
use crate::spectrum::errors::{Errors, IRRADIANCE, Mixture, RESPONSE};
use crate::spectrum::lanes::LANES;
use crate::spectrum::wide;
use std::sync::LazyLock;

/// Weightings that stand for all.
pub const WEIGHTINGS: usize = 14;
/// Nodes of the tables [nm] to one node here.
const STEP: usize = 10;
/// Nodes here, 10 nm apart.
const COARSE: usize = (NODES - 1) / STEP + 1;

/// A sum over the light, as a mixture of the weightings.
pub type Mixed = [f64; WEIGHTINGS];
/// Three mixtures: what moves a place in a space of three dimensions.
pub type Moves = [Mixed; 3];

/// Mixtures that make the sums of some colours and of the white.
pub struct Seen<const N: usize> {
    /// Of each colour, three sums.
    pub colours: [Moves; N],
    /// Of the light itself.
    pub white: Moves,
}

struct Basis {
    /// Orthonormal weightings at the coarse nodes, node by node.
    at: [Mixed; COARSE],
    fidelity: Seen<FIDELITY>,
    rendering: Seen<RENDERING>,
}

#[inline(always)]
fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// The weightings by Gram and Schmidt, at every step of the one that is least told by those before.
static BASIS: LazyLock<Basis> = LazyLock::new(|| {
    let (fidelity, rendering) = (colours::fidelity_weights(STEP), colours::rendering_weights(STEP));
    let mut rest: Vec<Vec<f64>> = fidelity.iter().chain(&rendering).flatten().cloned().collect();
    for weights in &mut rest {
        let length = dot(weights, weights).sqrt();
        weights.iter_mut().for_each(|w| *w /= length);
    }
    let mut at = [[0.0; WEIGHTINGS]; COARSE];
    for k in 0..WEIGHTINGS {
        let Some(most) = rest.iter().max_by(|a, b| dot(a, a).total_cmp(&dot(b, b))) else { break };
        let length = dot(most, most).sqrt();
        let direction: Vec<f64> = most.iter().map(|w| w / length).collect();
        for weights in &mut rest {
            let share = dot(weights, &direction);
            for (w, d) in weights.iter_mut().zip(&direction) {
                *w -= share * d;
            }
        }
        for (node, d) in at.iter_mut().zip(&direction) {
            node[k] = *d;
        }
    }
    let mixed = |weights: &Vec<f64>| -> Mixed {
        std::array::from_fn(|k| weights.iter().zip(&at).map(|(w, node)| w * node[k]).sum())
    };
    let moves = |three: &[Vec<f64>; 3]| three.each_ref().map(mixed);
    Basis {
        fidelity: Seen { colours: std::array::from_fn(|k| moves(&fidelity[k])), white: moves(&fidelity[FIDELITY]) },
        rendering: Seen { colours: std::array::from_fn(|k| moves(&rendering[k])), white: moves(&rendering[RENDERING]) },
        at,
    }
});

/// What is not known of one light, as the weightings see it.
#[derive(Clone, Debug, PartialEq)]
pub struct Spread {
    /// Covariance of what the weightings make of the light [(W m⁻²)²].
    covariance: [Mixed; WEIGHTINGS],
    /// What they make of the light itself [W m⁻²].
    light: Mixed,
    /// What the colour temperature does by them [K W⁻¹ m²].
    temperature: Mixed,
}

impl Spread {
    /// From the errors of a light on the axis of a fold [nm]; by_xyz: the colour temperature's derivatives by X, Y and Z (2°).
    pub fn of(fold: &Fold, axis_nm: &[f64], errors: &Errors, variance: &[f64], by_xyz: &[f64]) -> Self {
        let basis = &*BASIS;
        let mut columns = Vec::with_capacity(LANES * errors.lanes.blocks().len());
        let mut coarse = [[0.0; LANES]; COARSE];
        // The columns of the irradiance and of the response at the coarse nodes, for errors that are not common to all.
        let (mut irradiance, mut response) = ([0.0; COARSE], [0.0; COARSE]);
        for (b, block) in errors.lanes.blocks().iter().enumerate() {
            coarsened(&fold.nodes_of_lanes(block), &mut coarse);
            if b == 0 {
                irradiance = coarse.map(|lanes| lanes[IRRADIANCE]);
                response = coarse.map(|lanes| lanes[RESPONSE]);
            }
            let mut sums = [[0.0; WEIGHTINGS]; LANES];
            for (lanes, node) in coarse.iter().zip(&basis.at) {
                for (sum, x) in sums.iter_mut().zip(lanes) {
                    add(sum, *x, node);
                }
            }
            columns.extend_from_slice(&sums);
        }
        let mut covariance = [[0.0; WEIGHTINGS]; WEIGHTINGS];
        for mode in &errors.modes {
            let mut mixed = [0.0; WEIGHTINGS];
            match &mode.mixture {
                Mixture::Common(parts) => {
                    for (column, k) in parts {
                        add(&mut mixed, *k, columns.get(*column).unwrap_or(&[0.0; WEIGHTINGS]));
                    }
                }
                Mixture::Split { bin, before, from } => {
                    let edge = errors.bins.starts.get(*bin).map_or(f64::INFINITY, |start| axis_nm[*start]);
                    for (n, (x, node)) in irradiance.iter().zip(&basis.at).enumerate() {
                        let factor = if super::FIRST_NM + ((STEP * n) as f64) < edge { before } else { from };
                        add(&mut mixed, factor * x, node);
                    }
                }
                Mixture::Shape(factor) => {
                    let rho = errors.bins.correlation_over(STEP as f64);
                    for (n, (x, node)) in response.iter().zip(&basis.at).enumerate().rev() {
                        add(&mut mixed, factor * x, node);
                        if n > 0 {
                            add_square(&mut covariance, 1.0 - rho * rho, &mixed);
                            mixed.iter_mut().for_each(|m| *m *= rho);
                        }
                    }
                }
            }
            add_square(&mut covariance, 1.0, &mixed);
        }
        for (v, node) in coarse_variance(fold, variance).iter().zip(&basis.at) {
            add_square(&mut covariance, *v, node);
        }
        let mut temperature = [0.0; WEIGHTINGS];
        for (by, white) in by_xyz.iter().zip(&basis.rendering.white) {
            add(&mut temperature, *by, white);
        }
        let covariance = whole(&covariance);
        Self { covariance, light: columns.first().copied().unwrap_or([0.0; WEIGHTINGS]), temperature }
    }

    /// What moves a place that depends on the sums of a colour, on those of the white and on the colour temperature: the place's
    /// derivatives by each.
    pub fn moves(
        &self,
        by_colour: &[[f64; 3]; 3],
        colour: &Moves,
        by_white: &[[f64; 3]; 3],
        white: &Moves,
        by_temperature: [f64; 3],
    ) -> Moves {
        std::array::from_fn(|i| {
            let mut mixed = self.temperature.map(|t| t * by_temperature[i]);
            for l in 0..3 {
                add(&mut mixed, by_colour[i][l], &colour[l]);
                add(&mut mixed, by_white[i][l], &white[l]);
            }
            mixed
        })
    }

    /// What moves the share that a colour's sums have of the white's, each by its own.
    pub fn moves_of_shares(&self, colour: &Moves, white: &Moves) -> Moves {
        std::array::from_fn(|l| {
            // By the coarse nodes' own sums, so that what is common to all wavelengths cancels.
            let (of_colour, of_white) = (dot(&colour[l], &self.light), dot(&white[l], &self.light));
            let share = of_colour / of_white;
            std::array::from_fn(|k| (colour[l][k] - share * white[l][k]) / of_white)
        })
    }

    /// The temperature's own mixture [K W⁻¹ m²].
    pub fn temperature(&self) -> &Mixed {
        &self.temperature
    }
}

/// Mixtures that make the sums of the samples of CIE 224, 10° observer, sharpened channels.
pub fn fidelity_seen() -> &'static Seen<FIDELITY> {
    &BASIS.fidelity
}

/// Mixtures that make the sums of the samples of CIE 13.3, 2° observer.
pub fn rendering_seen() -> &'static Seen<RENDERING> {
    &BASIS.rendering
}

/// The traces of the covariance that some moves have together, and of its square.
struct Traces<'a> {
    covariance: &'a [Mixed; WEIGHTINGS],
    moves: &'a Moves,
}

impl wide::Loops for Traces<'_> {
    type Output = (f64, f64);

    #[inline(always)]
    fn call(self) -> (f64, f64) {
        let (mut trace, mut of_square) = (0.0, 0.0);
        for (i, row) in self.moves.iter().enumerate() {
            let mut through = [0.0; WEIGHTINGS];
            for (x, line) in row.iter().zip(self.covariance) {
                add(&mut through, *x, line);
            }
            let c = dot(&through, row);
            trace += c;
            of_square += c * c;
            for other in &self.moves[i + 1..] {
                let c = dot(&through, other);
                of_square += 2.0 * c * c;
            }
        }
        (trace, of_square)
    }
}

/// Lengths that are added up, each told by its square.
pub struct Lengths<'a> {
    spread: &'a Spread,
    squares: [Mixed; WEIGHTINGS],
}

impl<'a> Lengths<'a> {
    /// None yet.
    pub fn new(spread: &'a Spread) -> Self {
        Self { spread, squares: [[0.0; WEIGHTINGS]; WEIGHTINGS] }
    }

    /// Adds `share` of the length of a vector that stands at `off` and is moved by `moves`. Answers s, the length to divide `off`
    /// by for the derivatives of its expectation.
    pub fn add(&mut self, share: f64, off: [f64; 3], moves: &Moves) -> f64 {
        let (trace, of_square) = wide::run(Traces { covariance: &self.spread.covariance, moves });
        let square = off[0] * off[0] + off[1] * off[1] + off[2] * off[2];
        if !(trace > 0.0) {
            return square.sqrt();
        }
        let s = (square + trace + of_square / (3.0 * trace)).sqrt();
        for row in moves {
            add_square(&mut self.squares, share / (2.0 * s), row);
        }
        s
    }

    /// The variance of the sum that is of second order: 2 tr (K C K C).
    pub fn second_order(&self) -> f64 {
        let squares = whole(&self.squares);
        let product = squares.map(|row| {
            let mut sum = [0.0; WEIGHTINGS];
            for (k, line) in row.iter().zip(&self.spread.covariance) {
                add(&mut sum, *k, line);
            }
            sum
        });
        let mut trace = 0.0;
        for (i, row) in product.iter().enumerate() {
            for (x, turned) in row.iter().zip(&product) {
                trace += x * turned[i];
            }
        }
        2.0 * trace.max(0.0)
    }
}

#[inline(always)]
fn add(sum: &mut Mixed, factor: f64, x: &Mixed) {
    for (s, x) in sum.iter_mut().zip(x) {
        *s += factor * x;
    }
}

/// Adds factor·x·xᵀ, the lower half.
#[inline(always)]
fn add_square(sum: &mut [Mixed; WEIGHTINGS], factor: f64, x: &Mixed) {
    for (i, row) in sum.iter_mut().enumerate() {
        let here = factor * x[i];
        for (s, x) in row[..=i].iter_mut().zip(x) {
            *s += here * x;
        }
    }
}

/// A symmetric matrix of which the lower half is there.
fn whole(lower: &[Mixed; WEIGHTINGS]) -> [Mixed; WEIGHTINGS] {
    std::array::from_fn(|i| std::array::from_fn(|j| lower[i.max(j)][i.min(j)]))
}

/// From the nodes of the tables to the coarse ones: between two of them each takes its share by distance.
fn coarsened<const L: usize>(nodes: &[[f64; L]; NODES], coarse: &mut [[f64; L]; COARSE]) {
    *coarse = [[0.0; L]; COARSE];
    for (n, node) in nodes.iter().enumerate() {
        let (at, way) = (n / STEP, (n % STEP) as f64 / STEP as f64);
        for (sum, x) in coarse[at].iter_mut().zip(node) {
            *sum += (1.0 - way) * x;
        }
        if let Some(next) = coarse.get_mut(at + 1) {
            for (sum, x) in next.iter_mut().zip(node) {
                *sum += way * x;
            }
        }
    }
}

/// The variance of what the coarse nodes hold; what neighbours share of it is shared out between them.
fn coarse_variance(fold: &Fold, variance: &[f64]) -> [f64; COARSE] {
    let mut coarse = [[0.0]; COARSE];
    coarsened(&fold.variance(variance), &mut coarse);
    coarse.map(|[v]| v)
}

#[cfg(test)]
mod tests {
    use super::super::{colours::fidelity_sums, of_fidelity};
    use super::*;
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
            let mut covariance = [[0.0; WEIGHTINGS]; WEIGHTINGS];
            let mut moves = [[0.0; WEIGHTINGS]; 3];
            for (k, d) in deviations.into_iter().enumerate() {
                (covariance[k][k], moves[k][k]) = (d * d, 1.0);
            }
            let spread = Spread { covariance, light: [0.0; WEIGHTINGS], temperature: [0.0; WEIGHTINGS] };
            for mean in [0.0, 0.5, 1.0, 2.0, 5.0] {
                let off = [0.8 * mean, 0.6 * mean, 0.0];
                let mut lengths = Lengths::new(&spread);
                let s = lengths.add(1.0, off, &moves);
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

    /// Identity: the few weightings on the coarse nodes make the sums that the tables make.
    #[test]
    fn few_weightings_make_the_sums_of_all_colours() {
        /// Of the white's sum.
        const CLOSE: f64 = 5e-3;
        let nodes = of_fidelity(3000.0);
        let mut coarse = [[0.0]; COARSE];
        coarsened(&nodes.map(|x| [x]), &mut coarse);
        let mut light = [0.0; WEIGHTINGS];
        for ([x], node) in coarse.iter().zip(&BASIS.at) {
            add(&mut light, *x, node);
        }
        let sums = fidelity_sums(&nodes);
        for (k, colour) in fidelity_seen().colours.iter().enumerate() {
            for (l, sum) in colour.iter().enumerate() {
                let off = dot(sum, &light) - sums.colours[k][l];
                assert!(
                    off.abs() < CLOSE * sums.white[l],
                    "sample {k}, channel {l}: off by {off} of {}",
                    sums.white[l]
                );
            }
        }
    }

    /// Identity: what is common to all wavelengths moves no colour, and noise is as large as it is.
    #[test]
    fn brightness_moves_no_colour() {
        let axis: Vec<f64> = (0..=450).map(|i| 360.0 + f64::from(i)).collect();
        let fold = Fold::build(&axis, (360.0, 810.0)).unwrap();
        let light: Vec<f64> = axis.iter().map(|nm| 1.0 + 0.3 * (nm / 40.0).sin()).collect();
        let errors = Errors::of_columns(&light, &[("scale", &light)]);
        let spread = Spread::of(&fold, &axis, &errors, &vec![0.0; axis.len()], &[0.0; 3]);
        let seen = fidelity_seen();
        for colour in &seen.colours {
            let moves = spread.moves_of_shares(colour, &seen.white);
            let mut lengths = Lengths::new(&spread);
            let s = lengths.add(1.0, [0.0; 3], &moves);
            assert!(s < 1e-6 && lengths.second_order() < 1e-12, "{s}");
        }
        let noisy = Spread::of(&fold, &axis, &Errors::of_columns(&light, &[]), &vec![4.0; axis.len()], &[0.0; 3]);
        // 401 samples of 1 nm, the outermost halves, each of variance 4; the weightings see a part of it.
        let whole: f64 = coarse_variance(&fold, &vec![4.0; axis.len()]).iter().sum();
        assert!((whole - 4.0 * 399.5).abs() < 1e-9, "{whole}");
        assert!((0..WEIGHTINGS).all(|k| noisy.covariance[k][k] > 20.0 && noisy.covariance[k][k] < 80.0));
    }
}
