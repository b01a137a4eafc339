//! The reference illuminant of a colour temperature, and the appearance of the test colours under it.
//!
//! CIE 13.3-1995 takes a Planckian radiator below 5000 K and a phase of daylight from there on; CIE 224:2017 and ANSI/IES TM-30-18 mix
//! the two between 4000 and 5000 K. Between these temperatures both are smooth functions, so the sums of the colours, relative to those of
//! the white, are stored as Chebyshev series in 1/T instead of being computed from a spectrum each time. (The appearance is not smooth: it
//! has a kink where a colour passes through grey.) The result is a function of the temperature alone; nothing is cached between readings.

use super::appearance::appearance;
use super::colours::{self, FIDELITY, RENDERING};
use super::fold::{FIRST_NM, Nodes};
use super::uvw;
use crate::quantities::constants::{COLDEST_K, HOTTEST_REFERENCE_K, SECOND_RADIATION};
use crate::quantities::tables;
use std::f64::consts::PI;
use std::sync::LazyLock;

/// Ends of the pieces [K]: where the illuminant or the formula of daylight changes.
const JOINTS_K: [f64; 5] = [COLDEST_K, 4000.0, 5000.0, 7000.0, HOTTEST_REFERENCE_K];
/// Terms of each series.
const TERMS: usize = 20;
/// Numbers of a series: three for each colour of either set, and the chromaticity of the light. Those of the samples of CIE 224
/// are the ratios to the white that [`appearance`] takes.
const NUMBERS: usize = 3 * FIDELITY + 3 * RENDERING + 2;

/// The colours under the reference illuminant of a temperature.
#[derive(Clone, Debug, PartialEq)]
pub struct Reference {
    /// J′, a′, b′ of the samples of CIE 224.
    pub fidelity: [[f64; 3]; FIDELITY],
    /// U*, V*, W* of the samples of CIE 13.3 that are used.
    pub rendering: [[f64; 3]; RENDERING],
    /// X/Y and Z/Y of the illuminant of CIE 13.3, 2° observer.
    pub white: [f64; 2],
}

/// The numbers of the series at one temperature.
type Numbers = [f64; NUMBERS];

/// Place of the first number of the samples of CIE 13.3, and of the white.
const RENDERING_AT: usize = 3 * FIDELITY;
const WHITE_AT: usize = RENDERING_AT + 3 * RENDERING;

/// The three numbers from a place on.
fn three(numbers: &Numbers, at: usize) -> [f64; 3] {
    [numbers[at], numbers[at + 1], numbers[at + 2]]
}

/// Relative spectral power of a Planckian radiator at the nodes, 1 at 560 nm.
fn planckian(temperature_k: f64) -> Nodes {
    let power = |nm: f64| (560.0 / nm).powi(5) / (SECOND_RADIATION / (nm * 1e-9 * temperature_k)).exp_m1();
    let middle = power(560.0);
    std::array::from_fn(|n| power(FIRST_NM + n as f64) / middle)
}

/// Relative spectral power of the phase of daylight of a temperature at the nodes, 1 at 560 nm.
///
/// temperature_k: 4000 to 25 000 [K]. Source: CIE 015:2018; M₁ and M₂ are not rounded (they are for the named illuminants).
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

/// The reference illuminant of CIE 224:2017: between 4000 and 5000 K a mixture, in proportions of luminous flux.
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

/// The numbers, computed from the spectra of both illuminants.
fn numbers(temperature_k: f64) -> Numbers {
    let mut out = [0.0; NUMBERS];
    let (places, _) = out.as_chunks_mut::<3>();
    let sums = colours::fidelity_sums(&of_fidelity(temperature_k));
    for (to, colour) in places.iter_mut().zip(&sums.colours) {
        *to = std::array::from_fn(|l| colour[l] / sums.white[l]);
    }
    let sums = colours::rendering_sums(&of_rendering(temperature_k));
    for (to, colour) in places[FIDELITY..].iter_mut().zip(&sums.colours) {
        *to = uvw::unadapted(*colour, sums.white);
    }
    out[WHITE_AT] = sums.white[0] / sums.white[1];
    out[WHITE_AT + 1] = sums.white[2] / sums.white[1];
    out
}

/// The series of one piece.
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
                    // The points are inside the ends, where only the formula of this piece holds.
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

/// The numbers at a temperature, from the series of its piece.
fn series(temperature_k: f64) -> Numbers {
    let at = JOINTS_K.iter().skip(1).position(|joint| temperature_k < *joint).unwrap_or(JOINTS_K.len() - 2);
    let piece = &PIECES[at];
    // The place in the piece, from −1 to 1, and the Chebyshev polynomials there.
    let u = (2.0 / temperature_k - piece.ends[0] - piece.ends[1]) / (piece.ends[1] - piece.ends[0]);
    let mut polynomials = [1.0; TERMS];
    polynomials[1] = u;
    for j in 2..TERMS {
        polynomials[j] = 2.0 * u * polynomials[j - 1] - polynomials[j - 2];
    }
    let mut sums = [0.0; NUMBERS];
    for (term, weight) in piece.terms.iter().zip(&polynomials) {
        for (sum, x) in sums.iter_mut().zip(term) {
            *sum += weight * x;
        }
    }
    sums
}

/// The colours under the reference illuminant of a temperature [K]; `None` outside 1000 to 25 000 K.
pub fn reference(temperature_k: f64) -> Option<Reference> {
    if !(COLDEST_K..=HOTTEST_REFERENCE_K).contains(&temperature_k) {
        return None;
    }
    let numbers = series(temperature_k);
    Some(Reference {
        fidelity: std::array::from_fn(|k| appearance(three(&numbers, 3 * k))),
        rendering: std::array::from_fn(|k| three(&numbers, RENDERING_AT + 3 * k)),
        white: [numbers[WHITE_AT], numbers[WHITE_AT + 1]],
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn temperatures() -> impl Iterator<Item = f64> {
        (0..240).map(|i| COLDEST_K * (HOTTEST_REFERENCE_K / COLDEST_K).powf(f64::from(i) / 240.0)).chain([
            2700.0,
            3999.9,
            4000.0,
            4000.1,
            4999.9,
            5000.0,
            5000.1,
            6504.0,
            7000.1,
            24_999.9,
            HOTTEST_REFERENCE_K,
        ])
    }

    /// Identity: the series equal the numbers from the spectra within less than the rounding of the published tables.
    #[test]
    fn the_series_are_what_the_spectra_give() {
        for t in temperatures() {
            for (i, (want, got)) in numbers(t).iter().zip(series(t)).enumerate() {
                let off = (got - want).abs();
                assert!(off < 1e-9 * want.abs().max(1.0), "{t} K, number {i}: want {want}, off by {off:e}");
            }
        }
    }

    /// Outside the range, and for NaN, there is no reference.
    #[test]
    fn there_is_no_reference_outside_the_range() {
        for t in [999.0, 25_001.0, f64::NAN, f64::INFINITY, -5.0] {
            assert!(reference(t).is_none(), "{t}");
        }
    }
}
