//! The light that colours are compared under: the reference illuminant of a colour temperature, and how colours look in it.
//!
//! CIE 13.3-1995 takes a Planckian radiator below 5000 K and a phase of daylight from there on; CIE 224:2017 and ANSI/IES
//! TM-30-18 pass from one to the other between 4000 and 5000 K. Both are smooth functions of the temperature between those
//! joints, so the sums of the colours, over those of the white, are kept as Chebyshev series in 1/T and not computed from a
//! spectrum each time (what a colour looks like is no such function: it bends sharply where a colour passes through grey).
//! The answer is a function of the temperature alone: nothing is remembered from one reading to the next.

use super::appearance::appearance;
use super::colours::{self, FIDELITY, RENDERING};
use super::fold::{FIRST_NM, Nodes};
use super::general;
use crate::quantities::constants::SECOND_RADIATION;
use crate::quantities::tables;
use crate::spectrum::wide;
use std::f64::consts::PI;
use std::sync::LazyLock;

/// The lowest temperature with a series [K]: where colour temperatures begin.
pub const COLDEST_K: f64 = crate::quantities::locus::COLDEST_K;
/// The highest temperature with a reference illuminant [K]: where CIE 015:2018 ends the phases of daylight.
pub const HOTTEST_K: f64 = 25_000.0;
/// Where the series are joined [K]: at the joints of the illuminants and of the formula of daylight.
const JOINTS_K: [f64; 5] = [COLDEST_K, 4000.0, 5000.0, 7000.0, HOTTEST_K];
/// Terms of each series.
const TERMS: usize = 20;
/// Numbers kept: three for each colour of either set, and the chromaticity of the light. Those of the samples of CIE 224
/// are the shares of the white that [`appearance`] takes.
const NUMBERS: usize = 3 * FIDELITY + 3 * RENDERING + 2;

/// What the colours look like under the reference illuminant of a temperature.
#[derive(Clone, Debug, PartialEq)]
pub struct Reference {
    /// J′, a′, b′ of the samples of CIE 224.
    pub fidelity: [[f64; 3]; FIDELITY],
    /// U*, V*, W* of the samples of CIE 13.3 that are used.
    pub rendering: [[f64; 3]; RENDERING],
    /// X/Y and Z/Y of the illuminant of CIE 13.3, 2° observer.
    pub white: [f64; 2],
}

/// The numbers that are kept, at one temperature, or how they change by it.
type Numbers = [f64; NUMBERS];

/// The first number of the samples of CIE 13.3, and that of the white.
const RENDERING_AT: usize = 3 * FIDELITY;
const WHITE_AT: usize = RENDERING_AT + 3 * RENDERING;

/// Three numbers of a colour that starts at a place.
fn three(numbers: &Numbers, at: usize) -> [f64; 3] {
    [numbers[at], numbers[at + 1], numbers[at + 2]]
}

/// What the numbers say the colours look like, where those of CIE 224 look like this.
fn looks(fidelity: [[f64; 3]; FIDELITY], numbers: &Numbers) -> Reference {
    Reference {
        fidelity,
        rendering: std::array::from_fn(|k| three(numbers, RENDERING_AT + 3 * k)),
        white: [numbers[WHITE_AT], numbers[WHITE_AT + 1]],
    }
}

/// Relative spectral power of a Planckian radiator at the nodes, 1 at 560 nm.
fn planckian(temperature_k: f64) -> Nodes {
    let power = |nm: f64| (560.0 / nm).powi(5) / (SECOND_RADIATION / (nm * 1e-9 * temperature_k)).exp_m1();
    let middle = power(560.0);
    std::array::from_fn(|n| power(FIRST_NM + n as f64) / middle)
}

/// Relative spectral power of the phase of daylight of a temperature at the nodes, 1 at 560 nm.
///
/// temperature_k: 4000 to 25 000 [K]. Source: CIE 015:2018; M₁ and M₂ are not rounded, as they are for the illuminants that
/// have names.
fn daylight(temperature_k: f64) -> Nodes {
    let t = 1000.0 / temperature_k;
    let x = if temperature_k <= 7000.0 {
        0.244_063 + t * (0.099_11 + t * (2.9678 - 4.6070 * t))
    } else {
        0.237_040 + t * (0.247_48 + t * (1.9018 - 2.0064 * t))
    };
    let y = -3.000 * x * x + 2.870 * x - 0.275;
    let m = 0.0241 + 0.2562 * x - 0.7341 * y;
    let m1 = (-1.3515 - 1.7703 * x + 5.9114 * y) / m;
    let m2 = (0.0300 - 31.4424 * x + 30.0717 * y) / m;
    let [s0, s1, s2] = tables::daylight_components();
    std::array::from_fn(|n| {
        let nm = FIRST_NM + n as f64;
        (s0.at(nm) + m1 * s1.at(nm) + m2 * s2.at(nm)) / 100.0
    })
}

/// The reference illuminant of CIE 13.3-1995: Planckian below 5000 K, daylight from there on.
pub fn of_rendering(temperature_k: f64) -> Nodes {
    if temperature_k < 5000.0 { planckian(temperature_k) } else { daylight(temperature_k) }
}

/// The reference illuminant of CIE 224:2017: between 4000 and 5000 K a mixture, by shares of the luminous flux.
pub fn of_fidelity(temperature_k: f64) -> Nodes {
    if temperature_k <= 4000.0 {
        return planckian(temperature_k);
    }
    if temperature_k >= 5000.0 {
        return daylight(temperature_k);
    }
    let flux = |nodes: &Nodes| colours::rendering_sums(nodes).white[1];
    let (hot, day) = (planckian(temperature_k), daylight(temperature_k));
    let share = (temperature_k - 4000.0) / 1000.0;
    let (of_hot, of_day) = ((1.0 - share) / flux(&hot), share / flux(&day));
    std::array::from_fn(|n| of_hot * hot[n] + of_day * day[n])
}

/// The numbers from the spectra of both illuminants.
fn numbers(temperature_k: f64) -> Numbers {
    let mut out = [0.0; NUMBERS];
    let (places, _) = out.as_chunks_mut::<3>();
    let sums = colours::fidelity_sums(&of_fidelity(temperature_k));
    for (to, colour) in places.iter_mut().zip(&sums.colours) {
        *to = std::array::from_fn(|l| colour[l] / sums.white[l]);
    }
    let sums = colours::rendering_sums(&of_rendering(temperature_k));
    for (to, colour) in places[FIDELITY..].iter_mut().zip(&sums.colours) {
        *to = general::unadapted(*colour, sums.white);
    }
    out[WHITE_AT] = sums.white[0] / sums.white[1];
    out[WHITE_AT + 1] = sums.white[2] / sums.white[1];
    out
}

/// One piece between two joints.
struct Piece {
    /// Ends in 1/T [1/K].
    ends: [f64; 2],
    terms: Vec<Numbers>,
}

static PIECES: LazyLock<Vec<Piece>> = LazyLock::new(|| {
    JOINTS_K
        .windows(2)
        .map(|joint| {
            let ends = [1.0 / joint[1], 1.0 / joint[0]];
            let rows: Vec<Numbers> = (0..TERMS)
                .map(|i| {
                    let u = (PI * (i as f64 + 0.5) / TERMS as f64).cos();
                    // The points lie inside the ends, so that each piece sees only its own formula.
                    let t = 1.0 / (0.5 * (ends[0] + ends[1]) + 0.5 * (ends[1] - ends[0]) * u);
                    numbers(t)
                })
                .collect();
            let terms = (0..TERMS)
                .map(|j| {
                    let weight = if j == 0 { 1.0 } else { 2.0 } / TERMS as f64;
                    let mut term = [0.0; NUMBERS];
                    for (i, row) in rows.iter().enumerate() {
                        let w = weight * (PI * j as f64 * (i as f64 + 0.5) / TERMS as f64).cos();
                        for (sum, x) in term.iter_mut().zip(row) {
                            *sum += w * x;
                        }
                    }
                    term
                })
                .collect();
            Piece { ends, terms }
        })
        .collect()
});

/// The piece of a temperature, where in it from −1 to 1, and the slope of that by the temperature [1/K].
fn place(temperature_k: f64) -> (&'static Piece, f64, f64) {
    let at = JOINTS_K.iter().skip(1).position(|joint| temperature_k < *joint).unwrap_or(JOINTS_K.len() - 2);
    let piece = &PIECES[at];
    let width = piece.ends[1] - piece.ends[0];
    let u = (2.0 / temperature_k - piece.ends[0] - piece.ends[1]) / width;
    (piece, u, -2.0 / (width * temperature_k * temperature_k))
}

/// Sums of the terms of a piece, each by its own weights.
fn sums<const N: usize>(piece: &Piece, weights: [[f64; TERMS]; N]) -> [Numbers; N] {
    wide::run(Terms { piece, weights })
}

/// The loops of [`sums`]: once over the terms, which take more memory than all else here.
struct Terms<'a, const N: usize> {
    piece: &'a Piece,
    weights: [[f64; TERMS]; N],
}

impl<const N: usize> wide::Loops for Terms<'_, N> {
    type Output = [Numbers; N];

    #[inline(always)]
    fn call(self) -> [Numbers; N] {
        let mut out = [[0.0; NUMBERS]; N];
        for (j, term) in self.piece.terms.iter().enumerate() {
            for (out, weights) in out.iter_mut().zip(&self.weights) {
                for (sum, x) in out.iter_mut().zip(term) {
                    *sum += weights[j] * x;
                }
            }
        }
        out
    }
}

/// The polynomials of Chebyshev at a place, those of the first kind.
fn polynomials(u: f64) -> [f64; TERMS] {
    let mut out = [1.0; TERMS];
    out[1] = u;
    for j in 2..TERMS {
        out[j] = 2.0 * u * out[j - 1] - out[j - 2];
    }
    out
}

/// What the colours look like under the reference illuminant of a temperature [K]; `None` outside 1000 to 25 000 K.
pub fn reference(temperature_k: f64) -> Option<Reference> {
    if !(COLDEST_K..=HOTTEST_K).contains(&temperature_k) {
        return None;
    }
    let (piece, u, _) = place(temperature_k);
    let [numbers] = sums(piece, [polynomials(u)]);
    Some(looks(std::array::from_fn(|k| appearance(three(&numbers, 3 * k)).jab), &numbers))
}

/// [`reference`] with its derivative by the temperature [1/K]: between two joints the slope, at a joint that of the piece
/// above.
pub fn reference_and_slope(temperature_k: f64) -> Option<(Reference, Reference)> {
    if !(COLDEST_K..=HOTTEST_K).contains(&temperature_k) {
        return None;
    }
    let (piece, u, slope) = place(temperature_k);
    // The derivatives of the polynomials: j times those of the second kind.
    let mut weights = [0.0; TERMS];
    let (mut before, mut second) = (0.0, 1.0);
    for (j, weight) in weights.iter_mut().enumerate().skip(1) {
        *weight = slope * j as f64 * second;
        (before, second) = (second, 2.0 * u * second - before);
    }
    let [numbers, slopes] = sums(piece, [polynomials(u), weights]);
    let seen: [_; FIDELITY] = std::array::from_fn(|k| appearance(three(&numbers, 3 * k)));
    let changes = std::array::from_fn(|k| {
        let by = three(&slopes, 3 * k);
        seen[k].by_ratio.map(|row| row[0] * by[0] + row[1] * by[1] + row[2] * by[2])
    });
    Some((looks(seen.map(|s| s.jab), &numbers), looks(changes, &slopes)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn temperatures() -> impl Iterator<Item = f64> {
        (0..240)
            .map(|i| COLDEST_K * (HOTTEST_K / COLDEST_K).powf(f64::from(i) / 240.0))
            .chain([2700.0, 3999.9, 4000.0, 4000.1, 4999.9, 5000.0, 5000.1, 6504.0, 7000.1, 24_999.9, HOTTEST_K])
    }

    /// Identity: the series are what the spectra give, but for less than rounding makes of a published table.
    #[test]
    fn the_series_are_what_the_spectra_give() {
        for t in temperatures() {
            let (piece, u, _) = place(t);
            for (i, (want, got)) in numbers(t).iter().zip(sums(piece, [polynomials(u)])[0]).enumerate() {
                let off = (got - want).abs();
                assert!(off < 1e-9 * want.abs().max(1.0), "{t} K, number {i}: want {want}, off by {off:e}");
            }
        }
    }

    /// Identity: the derivative by the temperature is the slope.
    #[test]
    fn the_derivative_is_the_slope() {
        let all = |r: &Reference| -> Vec<f64> {
            r.fidelity.iter().chain(&r.rendering).flatten().chain(&r.white).copied().collect()
        };
        for t in [1200.0, 2700.0, 4321.0, 5600.0, 6504.0, 12_000.0] {
            let step = 1e-5 * t;
            let (up, down) = (all(&reference(t + step).unwrap()), all(&reference(t - step).unwrap()));
            let (same, got) = reference_and_slope(t).unwrap();
            assert_eq!(same, reference(t).unwrap());
            let got = all(&got);
            let size = got.iter().fold(0.0f64, |m, x| m.max(x.abs()));
            for i in 0..got.len() {
                let slope = (up[i] - down[i]) / (2.0 * step);
                assert!((slope - got[i]).abs() < 1e-5 * size, "{t} K, {i}: slope {slope}, derivative {}", got[i]);
            }
        }
    }

    /// Edge set: outside the range, and for NaN, there is no reference.
    #[test]
    fn there_is_no_reference_outside_the_range() {
        for t in [999.0, 25_001.0, f64::NAN, f64::INFINITY, -5.0] {
            assert!(reference(t).is_none() && reference_and_slope(t).is_none(), "{t}");
        }
    }
}
