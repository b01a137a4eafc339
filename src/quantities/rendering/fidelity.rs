//! Colour fidelity R_f of CIE 224:2017 and gamut R_g of ANSI/IES TM-30-18, over 99 samples in CAM02-UCS.
//!
//! Samples are sorted into sixteen hue bins by their hue under the reference. An empty bin (no reference illuminant has one) would only
//! remove its vertex from the gamut polygon.

use super::appearance::appearance;
use super::colours::{FIDELITY, Sums};
use super::reference::Reference;

/// Decrease per unit of the mean colour difference, c_f of CIE 224:2017.
const SCALE: f64 = 6.73;
/// Bins of hue.
const BINS: usize = 16;

/// R_f of a mean colour difference: 10 ln(1 + exp((100 − 6.73 ΔE)/10)), which is never negative.
fn softened(difference: f64) -> f64 {
    10.0 * ((100.0 - SCALE * difference) / 10.0).exp().ln_1p()
}

/// The bin of a colour by its hue under the reference; the first one for NaN, which makes the index NaN as well.
fn bin([_, a, b]: [f64; 3]) -> usize {
    let degrees = b.atan2(a).to_degrees().rem_euclid(360.0);
    ((degrees / (360.0 / BINS as f64)) as usize).min(BINS - 1)
}

/// The mean (a′, b′) of the samples of each bin; `None` of an empty one.
fn means(bins: &[usize; FIDELITY], jab: &[[f64; 3]; FIDELITY]) -> [Option<[f64; 2]>; BINS] {
    let (mut sums, mut counts) = ([[0.0; 2]; BINS], [0.0; BINS]);
    for (bin, [_, a, b]) in bins.iter().zip(jab) {
        sums[*bin][0] += a;
        sums[*bin][1] += b;
        counts[*bin] += 1.0;
    }
    std::array::from_fn(|bin| {
        let ([a, b], n) = (sums[bin], counts[bin]);
        (n > 0.0).then(|| [a / n, b / n])
    })
}

/// The area of the polygon of the means.
fn area(means: &[Option<[f64; 2]>; BINS]) -> f64 {
    let corners = || means.iter().flatten();
    corners().zip(corners().cycle().skip(1)).fold(0.0, |area, (p, q)| area + 0.5 * (p[0] * q[1] - p[1] * q[0]))
}

fn distance(test: &[f64; 3], wanted: &[f64; 3]) -> f64 {
    let [j, a, b] = [test[0] - wanted[0], test[1] - wanted[1], test[2] - wanted[2]];
    (j * j + a * a + b * b).sqrt()
}

/// R_f and R_g of a light, from the sums of the samples under it, and of its reference illuminant.
pub fn indices(sums: &Sums<FIDELITY>, reference: &Reference) -> [f64; 2] {
    // The appearance of the samples, from the ratios to the white.
    let jab: [[f64; 3]; FIDELITY] =
        std::array::from_fn(|k| appearance(std::array::from_fn(|l| sums.colours[k][l] / sums.white[l])));
    let distances = jab.iter().zip(&reference.fidelity).map(|(test, wanted)| distance(test, wanted));
    let difference = distances.sum::<f64>() / FIDELITY as f64;
    let bins = reference.fidelity.map(bin);
    let gamut = 100.0 * area(&means(&bins, &jab)) / area(&means(&bins, &reference.fidelity));
    [softened(difference), gamut]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: the area of a regular polygon, with all its vertices and without one.
    #[test]
    fn the_area_of_a_regular_polygon_is_known() {
        let corner = |i: usize| {
            let angle = std::f64::consts::TAU * i as f64 / BINS as f64;
            Some([3.0 * angle.cos(), 3.0 * angle.sin()])
        };
        let mut means: [Option<[f64; 2]>; BINS] = std::array::from_fn(corner);
        let triangle = |share: f64| 0.5 * 9.0 * (std::f64::consts::TAU / share).sin();
        assert!((area(&means) - BINS as f64 * triangle(BINS as f64)).abs() < 1e-12, "{}", area(&means));
        means[3] = None;
        let want = (BINS - 2) as f64 * triangle(BINS as f64) + triangle(8.0);
        assert!((area(&means) - want).abs() < 1e-12, "want {want}, got {}", area(&means));
    }

    /// Published: CIE 224:2017; no difference gives 100 within 0.0005, and a huge one is not negative.
    #[test]
    fn fidelity_is_100_without_difference_and_never_negative() {
        assert!((softened(0.0) - 100.0).abs() < 5e-4);
        assert!(softened(60.0) > 0.0 && softened(60.0) < 1e-10);
    }

    /// Identity: bins are 22.5° wide and begin at the axis of a′.
    #[test]
    fn hues_fall_into_their_bins() {
        for (degrees, want) in [(0.0f64, 0), (22.4, 0), (22.6, 1), (180.0, 8), (359.9, 15), (-1.0, 15)] {
            let (b, a) = degrees.to_radians().sin_cos();
            assert_eq!(bin([50.0, a, b]), want, "{degrees}");
        }
        assert_eq!((bin([f64::NAN; 3]), bin([50.0, 0.0, 0.0])), (0, 0));
    }
}
