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
use super::fold::{FIRST_NM, Fold, NODES};
use super::lengths::{Mixed, Moves, PLACES, Square, WEIGHTINGS, add, add_squares, dot, whole};
use crate::spectrum::errors::{Correlation, Errors, IRRADIANCE, RESPONSE};
use crate::spectrum::lanes::LANES;
use crate::spectrum::wide::{self, Simd, Vectors};
use std::sync::LazyLock;

/// Nodes of the tables [nm] to one node here.
const STEP: usize = 10;
/// Nodes here, 10 nm apart.
const COARSE: usize = (NODES - 1) / STEP + 1;

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

fn product(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// The weightings by Gram and Schmidt, at every step of the one that is least told by those before.
static BASIS: LazyLock<Basis> = LazyLock::new(|| {
    let (fidelity, rendering) = (colours::fidelity_weights(STEP), colours::rendering_weights(STEP));
    let mut rest: Vec<Vec<f64>> = fidelity.iter().chain(&rendering).flatten().cloned().collect();
    for weights in &mut rest {
        let length = product(weights, weights).sqrt();
        weights.iter_mut().for_each(|w| *w /= length);
    }
    let mut at = [[0.0; PLACES]; COARSE];
    for k in 0..WEIGHTINGS {
        let Some(most) = rest.iter().max_by(|a, b| product(a, a).total_cmp(&product(b, b))) else { break };
        let length = product(most, most).sqrt();
        let direction: Vec<f64> = most.iter().map(|w| w / length).collect();
        for weights in &mut rest {
            let share = product(weights, &direction);
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
    covariance: Square,
    /// What they make of the light itself [W m⁻²].
    light: Mixed,
    /// What the colour temperature does by them [K W⁻¹ m²].
    temperature: Mixed,
}

impl Spread {
    /// From the errors of a light on the axis of a fold [nm]; by_xyz: the colour temperature's derivatives by X, Y and Z (2°).
    pub fn of(fold: &Fold, axis_nm: &[f64], errors: &Errors, variance: &[f64], by_xyz: &[f64]) -> Self {
        wide::run(Seeing { fold, axis_nm, errors, variance, by_xyz, basis: &BASIS })
    }

    /// Covariance of what the weightings make of the light [(W m⁻²)²].
    #[inline(always)]
    pub fn covariance(&self) -> &Square {
        &self.covariance
    }

    /// What moves a place that depends on the sums of a colour, on those of the white and on the colour temperature: the place's
    /// derivatives by each.
    #[inline(always)]
    pub fn moves<S: Simd>(
        &self,
        simd: S,
        by_colour: &[[f64; 3]; 3],
        colour: &Moves,
        by_white: &[[f64; 3]; 3],
        white: &Moves,
        by_temperature: [f64; 3],
    ) -> Moves {
        let mut moves = [[0.0; PLACES]; 3];
        for (i, mixed) in moves.iter_mut().enumerate() {
            add(simd, mixed, by_temperature[i], &self.temperature);
            for l in 0..3 {
                add(simd, mixed, by_colour[i][l], &colour[l]);
                add(simd, mixed, by_white[i][l], &white[l]);
            }
        }
        moves
    }

    /// What three mixtures make of the light, by the coarse nodes' own sums [W m⁻²].
    #[inline(always)]
    pub fn sums<S: Simd>(&self, simd: S, of: &Moves) -> [f64; 3] {
        [dot(simd, &of[0], &self.light), dot(simd, &of[1], &self.light), dot(simd, &of[2], &self.light)]
    }

    /// What moves a place by the shares that a colour's sums have of the white's, each by its own, and by the colour temperature:
    /// the place's derivatives by each. `over_white` is one over the [`Self::sums`] of the white.
    #[inline(always)]
    pub fn moves_by_shares<S: Simd>(
        &self,
        simd: S,
        by_share: &[[f64; 3]; 3],
        colour: &Moves,
        white: &Moves,
        over_white: [f64; 3],
        by_temperature: [f64; 3],
    ) -> Moves {
        let (of_colour, mut shares) = (self.sums(simd, colour), *colour);
        for l in 0..3 {
            // By the same sums, so that what is common to all wavelengths cancels.
            add(simd, &mut shares[l], -(of_colour[l] * over_white[l]), &white[l]);
        }
        let mut moves = [[0.0; PLACES]; 3];
        for (i, mixed) in moves.iter_mut().enumerate() {
            add(simd, mixed, by_temperature[i], &self.temperature);
            for l in 0..3 {
                add(simd, mixed, by_share[i][l] * over_white[l], &shares[l]);
            }
        }
        moves
    }

    /// Of nothing but a covariance.
    #[cfg(test)]
    pub fn of_covariance(covariance: Square) -> Self {
        Self { covariance, light: [0.0; PLACES], temperature: [0.0; PLACES] }
    }
}

/// The loops that see a light and its errors through the weightings.
struct Seeing<'a> {
    fold: &'a Fold,
    axis_nm: &'a [f64],
    errors: &'a Errors,
    variance: &'a [f64],
    by_xyz: &'a [f64],
    basis: &'a Basis,
}

impl Vectors for Seeing<'_> {
    type Output = Spread;

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> Spread {
        let Self { fold, errors, basis, .. } = self;
        // A reading has few enough columns to go without a malloc.
        let (mut few, mut many) = ([[0.0; PLACES]; 2 * LANES], Vec::new());
        let columns = match LANES * errors.lanes.blocks().len() {
            n if n <= few.len() => &mut few[..],
            n => {
                many.resize(n, [0.0; PLACES]);
                &mut many[..]
            }
        };
        // The columns of the irradiance and of the response at the coarse nodes, for errors that are not common to all.
        let (mut irradiance, mut response) = ([0.0; COARSE], [0.0; COARSE]);
        for (b, block) in errors.lanes.blocks().iter().enumerate() {
            let coarse = coarsened(|n| fold.node_of_lanes(n, block));
            for (n, lanes) in coarse.iter().enumerate().filter(|_| b == 0) {
                (irradiance[n], response[n]) = (lanes[IRRADIANCE], lanes[RESPONSE]);
            }
            for (lane, sum) in columns.iter_mut().skip(b * LANES).take(LANES).enumerate() {
                for (lanes, node) in coarse.iter().zip(&basis.at) {
                    add(simd, sum, lanes[lane], node);
                }
            }
        }
        let mut covariance = [[0.0; PLACES]; WEIGHTINGS];
        for mode in &errors.modes {
            let mut mixed = [[0.0; PLACES]];
            match &mode.mixture {
                Correlation::Common(parts) => {
                    for (column, k) in parts {
                        add(simd, &mut mixed[0], *k, columns.get(*column).unwrap_or(&[0.0; PLACES]));
                    }
                }
                Correlation::Split { bin, before, from } => {
                    let edge = errors.bins.starts.get(*bin).map_or(f64::INFINITY, |start| self.axis_nm[*start]);
                    for (n, (x, node)) in irradiance.iter().zip(&basis.at).enumerate() {
                        let factor = if FIRST_NM + ((STEP * n) as f64) < edge { before } else { from };
                        add(simd, &mut mixed[0], factor * x, node);
                    }
                }
                Correlation::Shape(factor) => {
                    let rho = errors.bins.correlation_over(STEP as f64);
                    for (n, (x, node)) in response.iter().zip(&basis.at).enumerate().rev() {
                        add(simd, &mut mixed[0], factor * x, node);
                        if n > 0 {
                            add_squares(simd, &mut covariance, 1.0 - rho * rho, &mixed);
                            mixed[0].iter_mut().for_each(|m| *m *= rho);
                        }
                    }
                }
            }
            add_squares(simd, &mut covariance, 1.0, &mixed);
        }
        for ([v], node) in coarsened(|n| fold.node_of_variance(n, self.variance)).iter().zip(&basis.at) {
            add_squares(simd, &mut covariance, *v, &[*node]);
        }
        let mut temperature = [0.0; PLACES];
        for (by, white) in self.by_xyz.iter().zip(&basis.rendering.white) {
            add(simd, &mut temperature, *by, white);
        }
        Spread { covariance: whole(&covariance), light: columns[IRRADIANCE], temperature }
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

/// From the nodes of the tables to the coarse ones: between two of them each takes its share by distance.
#[inline(always)]
fn coarsened<const L: usize>(node: impl Fn(usize) -> [f64; L]) -> [[f64; L]; COARSE] {
    let mut coarse = [[0.0; L]; COARSE];
    for n in 0..NODES {
        let (at, way) = (n / STEP, (n % STEP) as f64 / STEP as f64);
        let node = node(n);
        for (sum, x) in coarse[at].iter_mut().zip(&node) {
            *sum += (1.0 - way) * x;
        }
        if let Some(next) = coarse.get_mut(at + 1) {
            for (sum, x) in next.iter_mut().zip(&node) {
                *sum += way * x;
            }
        }
    }
    coarse
}

#[cfg(test)]
mod tests {
    use super::super::{colours::fidelity_sums, lengths::Lengths, of_fidelity};
    use super::*;
    use crate::spectrum::wide::OneByOne;

    /// Identity: the few weightings on the coarse nodes make the sums that the tables make.
    #[test]
    fn few_weightings_make_the_sums_of_all_colours() {
        /// Of the white's sum.
        const CLOSE: f64 = 5e-3;
        let nodes = of_fidelity(3000.0);
        let coarse = coarsened(|n| [nodes[n]]);
        let mut light = [0.0; PLACES];
        for ([x], node) in coarse.iter().zip(&BASIS.at) {
            add(OneByOne, &mut light, *x, node);
        }
        let sums = fidelity_sums(&nodes);
        for (k, colour) in fidelity_seen().colours.iter().enumerate() {
            for (l, sum) in colour.iter().enumerate() {
                let off = dot(OneByOne, sum, &light) - sums.colours[k][l];
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
            let each = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
            let over_white = spread.sums(OneByOne, &seen.white).map(|sum| 1.0 / sum);
            let moves = spread.moves_by_shares(OneByOne, &each, colour, &seen.white, over_white, [0.0; 3]);
            let mut lengths = Lengths::new(&spread);
            let s = lengths.add(OneByOne, 1.0, [0.0; 3], &moves);
            assert!(s < 1e-6 && lengths.second_order() < 1e-12, "{s}");
        }
        let noisy = Spread::of(&fold, &axis, &Errors::of_columns(&light, &[]), &vec![4.0; axis.len()], &[0.0; 3]);
        // 401 samples of 1 nm, the outermost halves, each of variance 4; the weightings see a part of it.
        let whole: f64 = coarsened(|n| fold.node_of_variance(n, &vec![4.0; axis.len()])).iter().flatten().sum();
        assert!((whole - 4.0 * 399.5).abs() < 1e-9, "{whole}");
        assert!((0..WEIGHTINGS).all(|k| noisy.covariance[k][k] > 20.0 && noisy.covariance[k][k] < 80.0));
    }
}
