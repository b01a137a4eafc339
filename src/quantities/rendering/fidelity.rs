//! Colour fidelity R_f of CIE 224:2017 and gamut R_g of ANSI/IES TM-30-18, over 99 samples in CAM02-UCS.
//!
//! Hues are sorted into sixteen bins by how the samples look under the reference. A bin that no sample falls into (none of
//! the reference illuminants leaves one empty) would only lack its corner of the gamut.

use super::appearance::{Appearance, appearance};
use super::colours::{FIDELITY, Sums};
use super::lengths::Lengths;
use super::reference::Reference;
use super::spread::{self, Seen, Spread};
use crate::spectrum::wide::{self, Simd, Vectors};

/// What a unit of the mean difference takes off, c_f of CIE 224:2017.
const SCALE: f64 = 6.73;
/// Bins of hue.
const BINS: usize = 16;

/// R_f of a mean difference and its derivative: 10 ln(1 + exp((100 − 6.73 ΔE)/10)), which is never below zero.
fn softened(difference: f64) -> (f64, f64) {
    let e = ((100.0 - SCALE * difference) / 10.0).exp();
    (10.0 * e.ln_1p(), -SCALE * e / (1.0 + e))
}

/// Tangent of 22.5°, the width of a bin.
const WIDTH: f64 = std::f64::consts::SQRT_2 - 1.0;

/// The bin of a colour by its hue under the reference.
fn bin(jab: [f64; 3]) -> usize {
    /// Share of the chroma within which rounding could put a colour on either side of an edge.
    const CLEAR: f64 = 1e-9;
    let [_, a, b] = jab;
    let (x, y) = (a.abs(), b.abs());
    let edges = [y - WIDTH * x, y - x, WIDTH * y - x];
    // An angle takes as long as all else that is done for a colour, and only near an edge is it needed.
    let clear = CLEAR * (x + y);
    if !(x > clear && y > clear && edges.iter().all(|edge| edge.abs() > clear)) {
        return bin_by_angle(jab);
    }
    let up = edges.iter().filter(|edge| **edge > 0.0).count();
    match (a > 0.0, b > 0.0) {
        (true, true) => up,
        (false, true) => 7 - up,
        (false, false) => 8 + up,
        (true, false) => 15 - up,
    }
}

/// [`bin`] by the angle itself.
#[cold]
fn bin_by_angle([_, a, b]: [f64; 3]) -> usize {
    let degrees = b.atan2(a).to_degrees().rem_euclid(360.0);
    // A NaN lands in the first bin, and the index is NaN with it.
    ((degrees / (360.0 / BINS as f64)) as usize).min(BINS - 1)
}

/// The mean (a′, b′) of the samples of each bin, and how many there are.
fn means(bins: &[usize; FIDELITY], jab: &[[f64; 3]; FIDELITY]) -> ([[f64; 2]; BINS], [f64; BINS]) {
    let (mut sums, mut counts) = ([[0.0; 2]; BINS], [0.0; BINS]);
    for (bin, [_, a, b]) in bins.iter().zip(jab) {
        sums[*bin][0] += a;
        sums[*bin][1] += b;
        counts[*bin] += 1.0;
    }
    for (sum, n) in sums.iter_mut().zip(counts) {
        if n > 0.0 {
            *sum = [sum[0] / n, sum[1] / n];
        }
    }
    (sums, counts)
}

/// The area of the polygon of the means, and its derivative by each corner.
fn area(means: &[[f64; 2]; BINS], counts: &[f64; BINS]) -> (f64, [[f64; 2]; BINS]) {
    let corners = || (0..BINS).filter(|bin| counts[*bin] > 0.0);
    let (mut area, mut by) = (0.0, [[0.0; 2]; BINS]);
    for (one, next) in corners().zip(corners().cycle().skip(1)) {
        let (p, q) = (means[one], means[next]);
        area += 0.5 * (p[0] * q[1] - p[1] * q[0]);
        by[one][0] += 0.5 * q[1];
        by[one][1] -= 0.5 * q[0];
        by[next][0] -= 0.5 * p[1];
        by[next][1] += 0.5 * p[0];
    }
    (area, by)
}

/// How the samples look in a light with these sums: shares of the white first.
fn ratio(sums: &Sums<FIDELITY>, k: usize) -> [f64; 3] {
    std::array::from_fn(|l| sums.colours[k][l] / sums.white[l])
}

/// Samples that look like this, beside a reference: what both indices are made of.
struct Compared {
    /// The mean distance of the samples from where the reference has them.
    difference: f64,
    /// The bin of each sample, and how many each holds.
    bins: [usize; FIDELITY],
    counts: [f64; BINS],
    /// The area that the means span and its derivative by each, in the light and under the reference.
    test: (f64, [[f64; 2]; BINS]),
    wanted: (f64, [[f64; 2]; BINS]),
}

impl Compared {
    fn of(jab: &[[f64; 3]; FIDELITY], reference: &Reference) -> Self {
        let distances = jab.iter().zip(&reference.fidelity).map(|(test, wanted)| distance(test, wanted));
        let bins = reference.fidelity.map(bin);
        let (test, counts) = means(&bins, jab);
        let (wanted, _) = means(&bins, &reference.fidelity);
        let (test, wanted) = (area(&test, &counts), area(&wanted, &counts));
        Self { difference: distances.sum::<f64>() / FIDELITY as f64, bins, counts, test, wanted }
    }

    /// R_f and R_g.
    fn indices(&self) -> [f64; 2] {
        [softened(self.difference).0, 100.0 * self.test.0 / self.wanted.0]
    }
}

fn distance(test: &[f64; 3], wanted: &[f64; 3]) -> f64 {
    let [j, a, b] = [test[0] - wanted[0], test[1] - wanted[1], test[2] - wanted[2]];
    (j * j + a * a + b * b).sqrt()
}

/// R_f and R_g of a light whose samples have these sums, beside a reference.
pub fn fidelity(sums: &Sums<FIDELITY>, reference: &Reference) -> [f64; 2] {
    Compared::of(&std::array::from_fn(|k| appearance(ratio(sums, k)).jab), reference).indices()
}

/// Both indices with their derivatives.
#[derive(Clone, Debug, PartialEq)]
pub struct Derivatives {
    /// The indices themselves, with the same bits as [`fidelity`] gives.
    pub value: [f64; 2],
    /// By the sums of the samples and of the white.
    pub by_sums: [Sums<FIDELITY>; 2],
    /// By the temperature of the reference illuminant [1/K].
    pub by_temperature: [f64; 2],
    /// What is of second order in their variance.
    pub second_order: [f64; 2],
}

/// [`fidelity`] with its derivatives, where `slope` is what the reference does by the temperature.
///
/// Samples stay in their bins: where one passes into the next, the gamut steps by what no derivative shows. With a spread, the
/// derivatives of R_f are those of what it is expected to be when the light is not quite known, and what is of second order in
/// its variance comes with them.
pub fn derivatives(
    sums: &Sums<FIDELITY>,
    reference: &Reference,
    slope: &Reference,
    spread: Option<&Spread>,
) -> Derivatives {
    let looks: [Appearance; FIDELITY] = std::array::from_fn(|k| appearance(ratio(sums, k)));
    let compared = Compared::of(&std::array::from_fn(|k| looks[k].jab), reference);
    let value = compared.indices();
    let Compared { difference, bins, counts, test: (_, by_test), wanted: (wanted_area, by_wanted) } = compared;
    let by_distance = softened(difference).1 / FIDELITY as f64;
    let gamut = value[1];

    let mut out = Derivatives {
        value,
        by_sums: [Sums::default(), Sums::default()],
        by_temperature: [0.0; 2],
        second_order: [0.0; 2],
    };
    let mut lengths = [0.0; FIDELITY];
    match spread.map(Lengths::new) {
        Some(mut spreading) => {
            let seen = spread::fidelity_seen();
            let told = Told { looks: &looks, reference, slope, seen, spreading: &mut spreading, lengths: &mut lengths };
            wide::run(told);
            let by_mean = by_distance * FIDELITY as f64;
            out.second_order[0] = by_mean * by_mean * spreading.second_order();
        }
        None => lengths = std::array::from_fn(|k| distance(&looks[k].jab, &reference.fidelity[k])),
    }
    for (k, look) in looks.iter().enumerate() {
        let (wanted, slope, s) = (&reference.fidelity[k], &slope.fidelity[k], lengths[k]);
        let off: [f64; 3] = std::array::from_fn(|i| look.jab[i] - wanted[i]);
        let bin = bins[k];
        let by_jab: [[f64; 3]; 2] = [
            if s > 0.0 { off.map(|o| by_distance * o / s) } else { [0.0; 3] },
            [
                0.0,
                100.0 / wanted_area * by_test[bin][0] / counts[bin],
                100.0 / wanted_area * by_test[bin][1] / counts[bin],
            ],
        ];
        out.by_temperature[0] -= by_jab[0][0] * slope[0] + by_jab[0][1] * slope[1] + by_jab[0][2] * slope[2];
        out.by_temperature[1] -=
            gamut / wanted_area * (by_wanted[bin][0] * slope[1] + by_wanted[bin][1] * slope[2]) / counts[bin];
        let shares = ratio(sums, k);
        for (by, by_jab) in out.by_sums.iter_mut().zip(&by_jab) {
            for (l, (share, white)) in shares.iter().zip(sums.white).enumerate() {
                let by_ratio = (0..3).map(|i| by_jab[i] * look.by_ratio[i][l]).sum::<f64>();
                by.colours[k][l] = by_ratio / white;
                by.white[l] -= by_ratio * share / white;
            }
        }
    }
    out
}

/// The loop over all samples that tells how long their distances are expected to be.
struct Told<'a, 'b> {
    looks: &'a [Appearance; FIDELITY],
    reference: &'a Reference,
    slope: &'a Reference,
    seen: &'a Seen<FIDELITY>,
    spreading: &'a mut Lengths<'b>,
    lengths: &'a mut [f64; FIDELITY],
}

impl Vectors for Told<'_, '_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let Self { looks, reference, slope, seen, spreading, lengths } = self;
        let over_white = spreading.spread().sums(simd, &seen.white).map(|sum| 1.0 / sum);
        for k in 0..FIDELITY {
            let (look, wanted, by) = (&looks[k], &reference.fidelity[k], &slope.fidelity[k]);
            let off = [look.jab[0] - wanted[0], look.jab[1] - wanted[1], look.jab[2] - wanted[2]];
            // The reference follows the colour temperature, and with it where the sample would stand.
            let by_temperature = [-by[0], -by[1], -by[2]];
            let (colour, white) = (&seen.colours[k], &seen.white);
            let moves =
                spreading.spread().moves_by_shares(simd, &look.by_ratio, colour, white, over_white, by_temperature);
            lengths[k] = spreading.add(simd, 1.0 / FIDELITY as f64, off, &moves);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: the area of a circle's polygon, and its derivative by moving a corner.
    #[test]
    fn the_area_of_a_regular_polygon_is_known() {
        let corner = |i: usize| {
            let angle = std::f64::consts::TAU * i as f64 / BINS as f64;
            [3.0 * angle.cos(), 3.0 * angle.sin()]
        };
        let means: [[f64; 2]; BINS] = std::array::from_fn(corner);
        let (got, by) = area(&means, &[1.0; BINS]);
        let want = 0.5 * BINS as f64 * 9.0 * (std::f64::consts::TAU / BINS as f64).sin();
        assert!((got - want).abs() < 1e-12, "want {want}, got {got}");
        let mut moved = means;
        moved[5][1] += 0.01;
        assert!((area(&moved, &[1.0; BINS]).0 - got - 0.01 * by[5][1]).abs() < 1e-12);
        // Without one corner, the polygon passes it by.
        let mut counts = [1.0; BINS];
        counts[3] = 0.0;
        let cut = 0.5 * 9.0 * (2.0 * (std::f64::consts::TAU / BINS as f64).sin() - (std::f64::consts::TAU / 8.0).sin());
        assert!((area(&means, &counts).0 - (want - cut)).abs() < 1e-12);
    }

    /// Published: CIE 224:2017; no difference is 100 (but for the softening's 0.0005), and a huge one is never below zero.
    #[test]
    fn fidelity_is_100_without_difference_and_never_negative() {
        assert!((softened(0.0).0 - 100.0).abs() < 5e-4);
        assert!(softened(60.0).0 > 0.0 && softened(60.0).0 < 1e-10);
        let (up, down) = (softened(5.0 + 1e-6).0, softened(5.0 - 1e-6).0);
        assert!(((up - down) / 2e-6 - softened(5.0).1).abs() < 1e-6);
    }

    /// Identity: hues fall into bins of 22.5°, from the red axis on.
    #[test]
    fn hues_fall_into_their_bins() {
        for (degrees, want) in [(0.0f64, 0), (22.4, 0), (22.6, 1), (180.0, 8), (359.9, 15), (-1.0, 15)] {
            let (b, a) = degrees.to_radians().sin_cos();
            assert_eq!(bin([50.0, a, b]), want, "{degrees}");
        }
        assert_eq!(bin([f64::NAN; 3]), 0);
        for i in -720..=7200 {
            let (b, a) = (0.05 * f64::from(i)).to_radians().sin_cos();
            for jab in [[50.0, a, b], [50.0, 1e-6 * a, 1e-6 * b], [50.0, 40.0 * a + 1e-12, 40.0 * b]] {
                assert_eq!(bin(jab), bin_by_angle(jab), "{jab:?}");
            }
        }
        for odd in [[0.0, f64::NAN], [1.0, f64::NAN], [f64::NAN, 1.0], [f64::NAN; 2], [0.0; 2]] {
            assert_eq!(bin([50.0, odd[0], odd[1]]), 0);
        }
    }
}
