//! Dominant wavelength and excitation purity.
//!
//! The spectral locus comes from the 1 nm tables of the 2° observer; the white point is the equal-energy one. Around it the locus turns
//! in one direction from 360 to 699 nm; all longer wavelengths have the colour of its red end. The tables are linear between entries, so
//! a monochromatic light lies on the chord between two of them, and its place on the chord gives its wavelength exactly.

use super::colour::{COLORIMETRY, chain, quantity, xy};
use super::constants::LONGEST_HUE_NM;
use super::quantity::{Limit, Quantity};
use super::reason::NullReason;
use super::tables;
use std::sync::LazyLock;

/// The equal-energy white point (x, y).
const WHITE: [f64; 2] = [1.0 / 3.0, 1.0 / 3.0];
/// Colours this close to white are white [1]: the rounding of a flat spectrum.
const WHITE_WITHIN: f64 = 1e-9;
/// Directions this close to that of the red end count as its own [radians, around white]: 0.05 nm.
const RED_END_WITHIN: f64 = 1.5e-6;

/// Dominant wavelength.
pub const DOMINANT_WAVELENGTH: Quantity = Quantity {
    remark: "white point: equal energy; near white it is barely determined",
    ..quantity(
        "dominant_wavelength",
        "nm",
        "Dominant wavelength",
        "Where the line from the equal-energy white through (x, y) meets the spectral locus; purples and white have none",
        COLORIMETRY,
        Limit {
            relative: 0.0,
            absolute: 2.0,
            reason: "about the least difference of hue that is seen where the eye is less keen",
        },
        dominant_wavelength,
    )
};

/// Excitation purity.
pub const EXCITATION_PURITY: Quantity = quantity(
    "excitation_purity",
    "1",
    "Excitation purity",
    "Distance of (x, y) from the equal-energy white over that of the spectral locus, or of the line of purples, in its direction",
    COLORIMETRY,
    Limit {
        relative: 0.0,
        absolute: 0.02,
        reason: "about the least difference of saturation that is seen beside white",
    },
    excitation_purity,
);

/// A monochromatic light.
struct Vertex {
    /// Its (x, y) minus that of white.
    at: [f64; 2],
    /// X + Y + Z of its weights: its weight in a mixture.
    sum: f64,
}

static LOCUS: LazyLock<Vec<Vertex>> = LazyLock::new(|| {
    let (x, y, z) = (tables::x_bar(), tables::photopic(), tables::z_bar());
    let ours = x.wavelength_nm.iter().take_while(|nm| **nm <= LONGEST_HUE_NM).count();
    (0..ours)
        .map(|i| {
            let sum = x.value[i] + y.value[i] + z.value[i];
            Vertex { at: [x.value[i] / sum - WHITE[0], y.value[i] / sum - WHITE[1]], sum }
        })
        .collect()
});

fn cross(a: [f64; 2], b: [f64; 2]) -> f64 {
    a[0] * b[1] - a[1] * b[0]
}

/// The chord of the locus that a ray from white meets, by the index of its first end; `None` for a purple.
///
/// The locus turns clockwise: the chord that the ray meets begins to its left and ends to its right. The chord on the opposite side of
/// white begins to its right.
fn chord(locus: &[Vertex], direction: [f64; 2]) -> Option<usize> {
    locus.windows(2).position(|w| cross(w[0].at, direction) <= 0.0 && cross(w[1].at, direction) >= 0.0)
}

/// The wavelength on a chord in a direction [nm], with its derivatives by the direction's coordinates.
fn wavelength_on(locus: &[Vertex], i: usize, direction: [f64; 2]) -> (f64, [f64; 2]) {
    let (a, b) = (&locus[i], &locus[i + 1]);
    let (f, g) = (cross(a.at, direction), cross(b.at, direction));
    // Place on the chord, then the share of the second light in the mixture at that place.
    let (place, width) = (f / (f - g), f - g);
    let mixed = b.sum + place * (a.sum - b.sum);
    let share = place * a.sum / mixed;
    let share_by_place = a.sum * b.sum / (mixed * mixed);
    let (first, second) = (tables::x_bar().wavelength_nm[i], tables::x_bar().wavelength_nm[i + 1]);
    let by = |df: f64, dg: f64| (second - first) * share_by_place * (f * dg - g * df) / (width * width);
    (first + share * (second - first), [by(-a.at[1], -b.at[1]), by(a.at[0], b.at[0])])
}

fn dominant_wavelength(sums: &[f64], gradient: &mut [f64]) -> Result<f64, NullReason> {
    let (at, derivatives) = xy(sums)?;
    let direction = [at[0] - WHITE[0], at[1] - WHITE[1]];
    let distance = direction[0].hypot(direction[1]);
    if !distance.is_finite() {
        return Err(NullReason::NotFinite);
    }
    if distance < WHITE_WITHIN {
        return Err(NullReason::White);
    }
    let locus = &*LOCUS;
    let end = locus[locus.len() - 1].at;
    let ahead = end[0] * direction[0] + end[1] * direction[1] > 0.0;
    if ahead && cross(end, direction).abs() <= RED_END_WITHIN * distance * end[0].hypot(end[1]) {
        return Err(NullReason::RedEnd);
    }
    let Some(i) = chord(locus, direction) else {
        let behind = [-direction[0], -direction[1]];
        // The line of purples spans less than half a turn, so the opposite direction meets the locus.
        let i = chord(locus, behind).ok_or(NullReason::NotFinite)?;
        return Err(NullReason::Purple { complement_nm: wavelength_on(locus, i, behind).0 });
    };
    let (wavelength, by) = wavelength_on(locus, i, direction);
    chain(gradient, by, derivatives);
    Ok(wavelength)
}

fn excitation_purity(sums: &[f64], gradient: &mut [f64]) -> Result<f64, NullReason> {
    let (at, derivatives) = xy(sums)?;
    let direction = [at[0] - WHITE[0], at[1] - WHITE[1]];
    let locus = &*LOCUS;
    let (a, b) = match chord(locus, direction) {
        Some(i) => (locus[i].at, locus[i + 1].at),
        None => (locus[locus.len() - 1].at, locus[0].at),
    };
    // With n normal to the chord, the ray from white meets it where n·p = n·a: the purity is n·direction / n·a.
    let normal = [b[1] - a[1], a[0] - b[0]];
    let distance = normal[0] * a[0] + normal[1] * a[1];
    let by = [normal[0] / distance, normal[1] / distance];
    chain(gradient, by, derivatives);
    Ok(by[0] * direction[0] + by[1] * direction[1])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantities::quantity::FinishFn;

    /// Tristimulus values of a light at one wavelength, linear between the tables' entries.
    fn monochromatic(nm: f64) -> [f64; 3] {
        [tables::x_bar().at(nm), tables::photopic().at(nm), tables::z_bar().at(nm)]
    }

    fn mixed(a: [f64; 3], b: [f64; 3], share: f64) -> [f64; 3] {
        std::array::from_fn(|k| a[k] * (1.0 - share) + b[k] * share)
    }

    /// Identity: around white the locus turns in one direction, so that every ray meets it at most once.
    #[test]
    fn the_locus_turns_around_white_in_one_direction() {
        let locus = &*LOCUS;
        assert_eq!(locus.len(), 340);
        let turn: f64 = locus
            .windows(2)
            .map(|w| {
                let dot = w[0].at[0] * w[1].at[0] + w[0].at[1] * w[1].at[1];
                let angle = cross(w[0].at, w[1].at).atan2(dot);
                assert!(angle < 0.0);
                angle
            })
            .sum();
        assert!((-turn).to_degrees() > 180.0 && (-turn).to_degrees() < 360.0, "{turn}");
    }

    /// Identity: a monochromatic light has its own wavelength and purity 1; mixed with white it keeps the wavelength and loses purity.
    #[test]
    fn a_monochromatic_light_has_its_own_dominant_wavelength() {
        /// The bound [nm]; the rounding is magnified where the locus hardly changes with wavelength.
        const BACK_NM: f64 = 0.05;
        // The end of the locus is left out: rounding may put it on the line of purples.
        let mut nm = 360.01;
        while nm < 698.9 {
            let light = monochromatic(nm);
            let got = dominant_wavelength(&light, &mut [0.0; 3]).unwrap();
            assert!((got - nm).abs() < BACK_NM, "want {nm}, got {got}");
            let purity = excitation_purity(&light, &mut [0.0; 3]).unwrap();
            assert!((purity - 1.0).abs() < 1e-9, "{nm} nm: {purity}");
            let total: f64 = light.iter().sum();
            let pale = mixed(light.map(|v| v / total), [1.0 / 3.0; 3], 0.7);
            let got = dominant_wavelength(&pale, &mut [0.0; 3]).unwrap();
            assert!((got - nm).abs() < BACK_NM, "pale {nm}, got {got}");
            let purity = excitation_purity(&pale, &mut [0.0; 3]).unwrap();
            assert!((purity - 0.3).abs() < 1e-9, "pale {nm} nm: {purity}");
            nm += 0.37;
        }
    }

    /// Identity: two lines on one side of white mix to a colour between them; blue and red mix to a purple, whose complement is on the
    /// opposite side of white; white and the red end are null with their reasons.
    #[test]
    fn mixtures_lie_between_and_purples_have_only_a_complement() {
        let mixture = mixed(monochromatic(540.0), monochromatic(600.0), 0.4);
        let got = dominant_wavelength(&mixture, &mut [0.0; 3]).unwrap();
        assert!(got > 540.0 && got < 600.0, "{got}");

        let purple = mixed(monochromatic(445.0), monochromatic(650.0), 0.9);
        let Err(NullReason::Purple { complement_nm }) = dominant_wavelength(&purple, &mut [0.0; 3]) else {
            panic!("a purple has a dominant wavelength");
        };
        let green = monochromatic(complement_nm);
        // Some mixture of the two is white.
        let from_white = |v: [f64; 3]| {
            let ([x, y], _) = xy(&v).unwrap();
            [x - WHITE[0], y - WHITE[1]]
        };
        let (p, g) = (from_white(purple), from_white(green));
        assert!(cross(p, g).abs() < 1e-12 && p[0] * g[0] + p[1] * g[1] < 0.0);
        let purity = excitation_purity(&purple, &mut [0.0; 3]).unwrap();
        assert!(purity > 0.0 && purity <= 1.0 + 1e-12, "{purity}");
        let edge = mixed(monochromatic(360.0), monochromatic(699.0), 0.3);
        assert!((excitation_purity(&edge, &mut [0.0; 3]).unwrap() - 1.0).abs() < 1e-9);

        assert_eq!(dominant_wavelength(&[1.0; 3], &mut [0.0; 3]), Err(NullReason::White));
        assert!(excitation_purity(&[1.0; 3], &mut [0.0; 3]).unwrap().abs() < 1e-12);
        for nm in [699.0, 710.0, 750.0, 800.0] {
            assert_eq!(dominant_wavelength(&monochromatic(nm), &mut [0.0; 3]), Err(NullReason::RedEnd), "{nm}");
        }
    }

    /// Identity: each derivative is the slope between two values a small step apart.
    #[test]
    fn derivatives_are_the_slopes_of_their_values() {
        for sums in [[1.3, 1.0, 0.1], [0.8, 1.0, 0.5], [1.0, 1.0, 1.9], [0.5, 1.0, 0.2], [2.0, 1.0, 3.0]] {
            for (name, finish) in [("dominant", dominant_wavelength as FinishFn), ("purity", excitation_purity)] {
                let mut gradient = [0.0; 3];
                if finish(&sums, &mut gradient).is_err() {
                    assert!(name == "dominant" && sums[0] == 2.0, "{name} {sums:?}");
                    continue;
                }
                for k in 0..3 {
                    // Small enough to stay within one chord.
                    let step = 1e-6 * sums[k];
                    let at = |sign: f64| {
                        let mut moved = sums;
                        moved[k] += sign * step;
                        finish(&moved, &mut [0.0; 3]).unwrap()
                    };
                    let slope = (at(1.0) - at(-1.0)) / (2.0 * step);
                    let size = gradient.iter().fold(0.0f64, |m, g| m.max(g.abs()));
                    let off = (slope - gradient[k]).abs();
                    assert!(off < 1e-4 * size, "{name} of {sums:?} by {k}: slope {slope}, derivative {}", gradient[k]);
                }
            }
        }
    }

    /// No sums panic, and those without light have no colour.
    #[test]
    fn sums_without_light_have_no_hue() {
        let odd = [0.0, -1.0, 1.0, f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e-300, 1e300];
        for a in odd {
            for b in odd {
                for c in odd {
                    for finish in [dominant_wavelength, excitation_purity] {
                        let got = finish(&[a, b, c], &mut [0.0; 3]);
                        assert!(b > 0.0 || got.is_err(), "{a} {b} {c}: {got:?}");
                    }
                }
            }
        }
    }
}
