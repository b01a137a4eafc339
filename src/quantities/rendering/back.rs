//! The way back: from derivatives by the sums of the test colours to those by what the nodes hold.
//!
//! The same rules as in [`super::colours`], turned round once more. Two things at a time, whose derivatives stand side by side
//! and fill whole vectors.

use super::INDICES;
use super::colours::{COLOURS, Colours, ENTRIES, FIDELITY, LINEAR, RENDERING, Sums, TILE};
use super::fold::NODES;
use crate::spectrum::wide::{self, Simd, Vectors};

/// Derivatives of two things by three sums, side by side: of the first sum, then of the second and the third.
type Two = [f64; 8];

/// Derivatives of two things by the three sums of one colour.
#[inline(always)]
fn side_by_side(one: &[f64; 3], other: &[f64; 3]) -> Two {
    [one[0], other[0], one[1], other[1], one[2], other[2], 0.0, 0.0]
}

/// Adds share·x.
#[inline(always)]
fn add_two<S: Simd>(simd: S, sum: &mut Two, share: f64, x: &Two) {
    let share = simd.splat_f64s(share);
    for (sum, x) in S::as_mut_simd_f64s(sum).0.iter_mut().zip(S::as_simd_f64s(x).0) {
        *sum = simd.add_f64s(*sum, simd.mul_f64s(share, *x));
    }
}

/// Adds to two lanes of the derivatives by the nodes what follows from derivatives by the entries, which stand after three
/// places that are left free, and by the white.
#[inline(always)]
fn add_from_entries<S: Simd, const N: usize>(
    simd: S,
    by_entry: &mut [Two; ENTRIES + 6],
    by_white: &Two,
    observer: &[[f64; 3]],
    shares: &[[f64; N]; 5],
    lane: usize,
    by_node: &mut [[f64; INDICES]; NODES],
) {
    let before = N / 2 - 1;
    for outside in [0, 1, 2] {
        by_entry[outside] = by_entry[3];
        by_entry[ENTRIES + 3 + outside] = by_entry[ENTRIES + 2];
    }
    for (n, (out, seen)) in by_node.iter_mut().zip(observer).enumerate() {
        let mut by_here = *by_white;
        for (by, share) in by_entry[n / 5 + 3 - before..].iter().zip(&shares[n % 5]) {
            add_two(simd, &mut by_here, *share, by);
        }
        for i in 0..2 {
            out[lane + i] += by_here[i] * seen[0] + by_here[2 + i] * seen[1] + by_here[4 + i] * seen[2];
        }
    }
}

/// The derivatives by the nodes of two things whose derivatives by [`super::colours::fidelity_sums`] are given, added to two lanes.
pub fn add_fidelity_by_node(by: &[Sums<FIDELITY>; 2], lane: usize, by_node: &mut [[f64; INDICES]; NODES]) {
    wide::run(FidelityBack { colours: &COLOURS, by, lane, by_node });
}

/// The loops of [`add_fidelity_by_node`].
struct FidelityBack<'a> {
    colours: &'a Colours,
    by: &'a [Sums<FIDELITY>; 2],
    lane: usize,
    by_node: &'a mut [[f64; INDICES]; NODES],
}

impl Vectors for FidelityBack<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let Self { colours: c, by, lane, by_node } = self;
        let mut by_entry = [[0.0; 8]; ENTRIES + 6];
        for (t, tile) in c.fidelity.iter().enumerate() {
            // The places after the last sample hold nothing.
            let mut here = [[0.0; 8]; TILE];
            let colours = by[0].colours.iter().zip(&by[1].colours).skip(t * TILE);
            for (here, (one, other)) in here.iter_mut().zip(colours) {
                *here = side_by_side(one, other);
            }
            for (samples, out) in tile.iter().zip(by_entry[3..].iter_mut()) {
                let mut sum = *out;
                for k in 0..TILE {
                    add_two(simd, &mut sum, samples[k], &here[k]);
                }
                *out = sum;
            }
        }
        let white = side_by_side(&by[0].white, &by[1].white);
        add_from_entries(simd, &mut by_entry, &white, &c.sharp, &c.sprague, lane, by_node);
    }
}

/// The derivatives by the nodes of two things whose derivatives by [`super::colours::rendering_sums`] are given, added to two lanes.
pub fn add_rendering_by_node(by: &[Sums<RENDERING>; 2], lane: usize, by_node: &mut [[f64; INDICES]; NODES]) {
    wide::run(RenderingBack { colours: &COLOURS, by, lane, by_node });
}

/// The loops of [`add_rendering_by_node`].
struct RenderingBack<'a> {
    colours: &'a Colours,
    by: &'a [Sums<RENDERING>; 2],
    lane: usize,
    by_node: &'a mut [[f64; INDICES]; NODES],
}

impl Vectors for RenderingBack<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let Self { colours: c, by, lane, by_node } = self;
        let mut by_entry = [[0.0; 8]; ENTRIES + 6];
        for (k, sample) in c.rendering.iter().enumerate() {
            let here = side_by_side(&by[0].colours[k], &by[1].colours[k]);
            for (r, out) in sample.iter().zip(by_entry[3..].iter_mut()) {
                add_two(simd, out, *r, &here);
            }
        }
        let white = side_by_side(&by[0].white, &by[1].white);
        add_from_entries(simd, &mut by_entry, &white, &c.xyz, &LINEAR, lane, by_node);
    }
}

#[cfg(test)]
mod tests {
    use super::super::colours::{fidelity_sums, rendering_sums};
    use super::super::fold::Nodes;
    use super::*;

    fn light() -> Nodes {
        std::array::from_fn(|n| 1.0 + 0.5 * (n as f64 * 0.31).sin() + if n == 166 { 20.0 } else { 0.0 })
    }

    fn weights<const N: usize>(seed: f64) -> Sums<N> {
        let weight = |k: usize, l: usize| ((k * 3 + l) as f64 * 1.7 + seed).sin();
        Sums { colours: std::array::from_fn(|k| std::array::from_fn(|l| weight(k, l))), white: [0.3, -0.2, seed] }
    }

    fn dot<const N: usize>(a: &Sums<N>, b: &Sums<N>) -> f64 {
        let three = |a: &[f64; 3], b: &[f64; 3]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
        three(&a.white, &b.white) + a.colours.iter().zip(&b.colours).map(|(a, b)| three(a, b)).sum::<f64>()
    }

    /// Identity: all sums are linear in the light, so a weighted sum of them is the light times its derivatives by the nodes.
    #[test]
    fn derivatives_by_the_nodes_carry_every_sum() {
        /// Rounding of sums of some hundred, each of some hundred terms.
        const ROUNDING: f64 = 1e-9;
        let nodes = light();
        let (fidelity, rendering) = ([weights(0.4), weights(2.9)], [weights(1.1), weights(3.3)]);
        let mut by_node = [[0.0; INDICES]; NODES];
        add_rendering_by_node(&rendering, 0, &mut by_node);
        add_fidelity_by_node(&fidelity, 2, &mut by_node);
        let sums = (rendering_sums(&nodes), fidelity_sums(&nodes));
        let want = [
            dot(&rendering[0], &sums.0),
            dot(&rendering[1], &sums.0),
            dot(&fidelity[0], &sums.1),
            dot(&fidelity[1], &sums.1),
        ];
        for (i, want) in want.into_iter().enumerate() {
            let got: f64 = by_node.iter().zip(&nodes).map(|(g, x)| g[i] * x).sum();
            assert!((got - want).abs() < ROUNDING, "{i}: want {want}, got {got}");
        }
    }
}
