//! The test colours: their tables, and their tristimulus sums under a light given at the nodes.
//!
//! Both sets of samples are tabulated every 5 nm and interpolated to the nodes by a rule that is linear in the entries. Its transpose
//! brings the light times an observer from the nodes to the entries, so that a sum over a sample has 81 terms instead of 401. Invariant:
//! every sum runs left to right, in all callers.

use super::fold::{FIRST_NM, LAST_NM, NODES, Nodes};
use crate::quantities::tables;
use crate::spectrum::weights::Table;
use std::sync::LazyLock;

/// How many samples CIE 224:2017 has.
pub const FIDELITY: usize = 99;
/// How many samples of CIE 13.3-1995 are used: the eight of Rₐ and the strong red of R₉.
pub const RENDERING: usize = 9;
/// Entries of a sample's table, 5 nm apart.
const ENTRIES: usize = 81;
/// Samples summed at the same time, so that the loop is vectorised.
const TILE: usize = 8;
/// Tiles for the 99 samples; the last five places are zero.
const TILES: usize = FIDELITY.div_ceil(TILE);

/// From X, Y, Z to the sharpened channels of the adaptation in CIECAM02 (CIE 159:2004).
pub const CAT02: [[f64; 3]; 3] = [[0.7328, 0.4296, -0.1624], [-0.7036, 1.6975, 0.0061], [0.0030, 0.0136, 0.9834]];

/// Linear interpolation: the weights of the entry below and of the one above, 0 to 4 nm after the former.
const LINEAR: [[f64; 2]; 5] = [[1.0, 0.0], [0.8, 0.2], [0.6, 0.4], [0.4, 0.6], [0.2, 0.8]];

/// The polynomial of fifth order through six entries (Sprague 1880; CIE 167:2005), coefficients over 24: rows are powers of
/// the position between the third entry and the fourth, from the first power on.
const SPRAGUE: [[f64; 6]; 5] = [
    [2.0, -16.0, 0.0, 16.0, -2.0, 0.0],
    [-1.0, 16.0, -30.0, 16.0, -1.0, 0.0],
    [-9.0, 39.0, -70.0, 66.0, -33.0, 7.0],
    [13.0, -64.0, 126.0, -124.0, 61.0, -12.0],
    [-5.0, 25.0, -50.0, 50.0, -25.0, 5.0],
];

/// Three tristimulus sums of some colours under a light, and of the light itself, which is the white.
#[derive(Clone, Debug, PartialEq)]
pub struct Sums<const N: usize> {
    /// Of each colour.
    pub colours: [[f64; 3]; N],
    /// Of the light.
    pub white: [f64; 3],
}

impl<const N: usize> Sums<N> {
    /// Adds a factor times other sums: the sums are linear in the light.
    pub fn add(&mut self, factor: f64, other: &Self) {
        let (colours, others) = (self.colours.as_flattened_mut(), other.colours.as_flattened());
        colours.iter_mut().zip(others).for_each(|(sum, x)| *sum += factor * x);
        self.white.iter_mut().zip(other.white).for_each(|(sum, x)| *sum += factor * x);
    }
}

struct Colours {
    /// 10° observer in the channels of [`CAT02`], at the nodes.
    sharp: Vec<[f64; 3]>,
    /// 2° observer at the nodes.
    xyz: Vec<[f64; 3]>,
    /// The weights of the six entries around a node, for the five places between entries.
    sprague: [[f64; 6]; 5],
    /// Samples of CIE 224, by tile, entry and sample.
    fidelity: Vec<[[f64; TILE]; ENTRIES]>,
    /// Samples of CIE 13.3, by sample and entry.
    rendering: Vec<[f64; ENTRIES]>,
}

static COLOURS: LazyLock<Colours> = LazyLock::new(|| {
    let node = |n: usize| FIRST_NM + n as f64;
    let at = |observer: [&Table; 3]| -> Vec<[f64; 3]> {
        (0..NODES).map(|n| observer.map(|table| table.at(node(n)))).collect()
    };
    let ten = at([tables::x_bar_10(), tables::y_bar_10(), tables::z_bar_10()]);
    let sharp = ten.iter().map(|xyz| CAT02.map(|m| m[0] * xyz[0] + m[1] * xyz[1] + m[2] * xyz[2])).collect();
    let xyz = at([tables::x_bar(), tables::photopic(), tables::z_bar()]);
    let entry = |table: &Table, e: usize| table.at(FIRST_NM + 5.0 * e as f64);
    let samples = tables::fidelity_colours();
    let fidelity = (0..TILES)
        .map(|tile| {
            std::array::from_fn(|e| {
                std::array::from_fn(|k| samples.get(tile * TILE + k).map_or(0.0, |table| entry(table, e)))
            })
        })
        .collect();
    let rendering =
        tables::rendering_colours()[..RENDERING].iter().map(|table| std::array::from_fn(|e| entry(table, e))).collect();
    let sprague = std::array::from_fn(|step| {
        let way = step as f64 / 5.0;
        std::array::from_fn(|e| {
            let powers = (0..5).map(|p| SPRAGUE[p][e] / 24.0 * way.powi(p as i32 + 1)).sum::<f64>();
            if e == 2 { 1.0 + powers } else { powers }
        })
    });
    Colours { sharp, xyz, sprague, fidelity, rendering }
});

/// The transpose of the interpolation: the light times an observer, from the nodes to the entries, and its sum over all nodes. N entries
/// have a weight in a node.
fn to_entries<const N: usize>(
    nodes: &Nodes,
    observer: &[[f64; 3]],
    shares: &[[f64; N]; 5],
) -> ([[f64; 3]; ENTRIES], [f64; 3]) {
    // Entries before the first and after the last repeat it; they are summed separately and added to it at the end.
    let before = N / 2 - 1;
    let mut padded = [[0.0; 3]; ENTRIES + 6];
    let mut white = [0.0; 3];
    for (entry, (lights, seen)) in nodes.chunks(5).zip(observer.chunks(5)).enumerate() {
        // The entries with a weight in these five nodes.
        let window = &mut padded[entry + 3 - before..][..N];
        let mut sums = [[0.0; 3]; N];
        sums.copy_from_slice(window);
        for ((light, seen), shares) in lights.iter().zip(seen).zip(shares) {
            let product = [light * seen[0], light * seen[1], light * seen[2]];
            for (sum, x) in white.iter_mut().zip(product) {
                *sum += x;
            }
            for (sum, share) in sums.iter_mut().zip(shares) {
                for (sum, x) in sum.iter_mut().zip(product) {
                    *sum += share * x;
                }
            }
        }
        window.copy_from_slice(&sums);
    }
    let mut entries = [[0.0; 3]; ENTRIES];
    entries.copy_from_slice(&padded[3..3 + ENTRIES]);
    for l in 0..3 {
        entries[0][l] += padded[0][l] + padded[1][l] + padded[2][l];
        entries[ENTRIES - 1][l] += padded[ENTRIES + 3][l] + padded[ENTRIES + 4][l] + padded[ENTRIES + 5][l];
    }
    (entries, white)
}

/// The sums of the 99 samples of CIE 224 for the 10° observer, in the channels of [`CAT02`].
pub fn fidelity_sums(nodes: &Nodes) -> Sums<FIDELITY> {
    let c = &*COLOURS;
    let (entries, white) = to_entries(nodes, &c.sharp, &c.sprague);
    let mut colours = [[0.0; 3]; FIDELITY];
    for (tile, out) in c.fidelity.iter().zip(colours.chunks_mut(TILE)) {
        let mut sums = [[0.0; TILE]; 3];
        for (samples, light) in tile.iter().zip(&entries) {
            for (sum, x) in sums.iter_mut().zip(light) {
                for k in 0..TILE {
                    sum[k] += samples[k] * x;
                }
            }
        }
        for (k, colour) in out.iter_mut().enumerate() {
            *colour = [sums[0][k], sums[1][k], sums[2][k]];
        }
    }
    Sums { colours, white }
}

/// X, Y, Z of the samples of CIE 13.3 that are used, for the 2° observer.
pub fn rendering_sums(nodes: &Nodes) -> Sums<RENDERING> {
    let c = &*COLOURS;
    let (entries, white) = to_entries(nodes, &c.xyz, &LINEAR);
    let mut colours = [[0.0; 3]; RENDERING];
    for (sample, colour) in c.rendering.iter().zip(colours.iter_mut()) {
        for (r, light) in sample.iter().zip(&entries) {
            for (sum, x) in colour.iter_mut().zip(light) {
                *sum += r * x;
            }
        }
    }
    Sums { colours, white }
}

/// The 1 nm table of one sample of CIE 224 (from 0), 380 to 780 nm; empty where there is no such sample.
pub fn fidelity_colour(sample: usize) -> Vec<f64> {
    let c = &*COLOURS;
    let Some(tile) = c.fidelity.get(sample / TILE).filter(|_| sample < FIDELITY) else { return Vec::new() };
    let entry = |e: i64| tile[e.clamp(0, ENTRIES as i64 - 1) as usize][sample % TILE];
    (0..NODES as i64)
        .map(|n| (-2..).zip(&c.sprague[(n % 5) as usize]).map(|(e, share)| share * entry(n / 5 + e)).sum())
        .collect()
}

const _: () = assert!(NODES == 5 * (ENTRIES - 1) + 1 && (LAST_NM - FIRST_NM) as usize == NODES - 1);

#[cfg(test)]
mod tests {
    use super::*;

    fn light() -> Nodes {
        std::array::from_fn(|n| 1.0 + 0.5 * (n as f64 * 0.31).sin() + if n == 166 { 20.0 } else { 0.0 })
    }

    /// Identity: the sums over the 5 nm entries are the sums over the 1 nm tables.
    #[test]
    fn sums_over_the_entries_are_the_sums_over_the_nodes() {
        /// Rounding of some hundred terms.
        const ROUNDING: f64 = 1e-12;
        let nodes = light();
        let got = fidelity_sums(&nodes);
        for k in [0, 7, 8, 50, 98] {
            let table = fidelity_colour(k);
            for l in 0..3 {
                let want: f64 = (0..NODES).map(|n| nodes[n] * COLOURS.sharp[n][l] * table[n]).sum();
                let off = (got.colours[k][l] - want).abs();
                assert!(off < ROUNDING * got.white[l], "sample {k}, channel {l}: off by {off}");
            }
        }
        let got = rendering_sums(&nodes);
        for k in 0..RENDERING {
            let table = &tables::rendering_colours()[k];
            for l in 0..3 {
                let want: f64 = (0..NODES).map(|n| nodes[n] * COLOURS.xyz[n][l] * table.at(FIRST_NM + n as f64)).sum();
                let off = (got.colours[k][l] - want).abs();
                assert!(off < ROUNDING * got.white[l], "sample {k}, sum {l}: off by {off}");
            }
        }
        assert!(fidelity_colour(99).is_empty());
    }
}
