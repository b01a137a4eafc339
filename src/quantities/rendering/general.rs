//! The colour rendering index of CIE 13.3-1995: Rₐ, the mean of eight samples, and R₉, the strong red.
//!
//! Both unrounded (the standard rounds each Rᵢ for print). Colours stand in U*V*W* of 1964; the light's own chromaticity is
//! taken to that of the reference illuminant by the adaptation of von Kries as the standard writes it.

use super::colours::{RENDERING, Sums};
use super::lengths::Lengths;
use super::reference::Reference;
use super::spread::{self, Seen, Spread};
use crate::spectrum::wide::{self, Simd, Vectors};

/// What a distance in U*V*W* takes off an index.
const SCALE: f64 = 4.6;
/// Samples in the mean.
const IN_MEAN: usize = 8;
/// W* = 25 (100 Y/Yw)^⅓ − 17.
const LIGHTNESS: f64 = 25.0 * 4.641_588_833_612_779;

/// c = (4 − u − 10 v)/v and d = (1.708 v + 0.404 − 1.481 u)/v, written in x = X/Y and z = Z/Y, of which both are linear.
#[expect(clippy::approx_constant, reason = "2.718 is 1.708 + 0.404 * 15 / 6, not Euler's number")]
fn response([x, z]: [f64; 2]) -> [f64; 2] {
    [2.0 * z, 2.718 - 0.92 * x + 0.202 * z]
}

/// (u, v) of the responses c and d: the inverse of [`response`].
fn uv([c, d]: [f64; 2]) -> [f64; 2] {
    let below = 16.518 + 1.481 * c - d;
    [(10.872 + 0.404 * c - 4.0 * d) / below, 5.52 / below]
}

fn ratios(xyz: [f64; 3]) -> [f64; 2] {
    [xyz[0] / xyz[1], xyz[2] / xyz[1]]
}

/// U*, V*, W* of a colour beside its white, X, Y, Z each, without adaptation: as under the reference itself.
pub fn unadapted(colour: [f64; 3], white: [f64; 3]) -> [f64; 3] {
    let w = LIGHTNESS * (colour[1] / white[1]).cbrt() - 17.0;
    let (at, beside) = (uv(response(ratios(colour))), uv(response(ratios(white))));
    [13.0 * w * (at[0] - beside[0]), 13.0 * w * (at[1] - beside[1]), w]
}

/// Both indices with their derivatives.
#[derive(Clone, Debug, PartialEq)]
pub struct Derivatives {
    /// The indices themselves, with the same bits as [`general`] gives.
    pub value: [f64; 2],
    /// By the sums of the samples and of the white.
    pub by_sums: [Sums<RENDERING>; 2],
    /// By the temperature of the reference illuminant [1/K].
    pub by_temperature: [f64; 2],
    /// What is of second order in their variance.
    pub second_order: [f64; 2],
}

/// One sample: what leads from its sums to how far it is off.
struct Special {
    /// Shares of luminance (cube root), W*, the adapted responses and (u, v).
    root: f64,
    w: f64,
    adapted: [f64; 2],
    at: [f64; 2],
    beside: [f64; 2],
    /// U*, V*, W* less what they are under the reference.
    off: [f64; 3],
}

/// What something does by the sums of one sample, by those of the white, and by the temperature.
#[derive(Clone, Copy)]
struct Slopes {
    by_colour: [f64; 3],
    by_white: [f64; 3],
    by_temperature: f64,
}

fn length(off: [f64; 3]) -> f64 {
    (off[0] * off[0] + off[1] * off[1] + off[2] * off[2]).sqrt()
}

impl Special {
    /// How far a sample is off whose sums and white are these, where the reference has it at `wanted` beside the white `to`.
    fn of(colour: [f64; 3], white: [f64; 3], wanted: [f64; 3], to: [f64; 2]) -> Self {
        let (c_to, c_white, c_own) = (response(to), response(ratios(white)), response(ratios(colour)));
        let adapted: [f64; 2] = std::array::from_fn(|i| c_to[i] / c_white[i] * c_own[i]);
        let (at, beside) = (uv(adapted), uv(c_to));
        let root = (colour[1] / white[1]).cbrt();
        let w = LIGHTNESS * root - 17.0;
        let off: [f64; 3] =
            [13.0 * w * (at[0] - beside[0]) - wanted[0], 13.0 * w * (at[1] - beside[1]) - wanted[1], w - wanted[2]];
        Self { root, w, adapted, at, beside, off }
    }

    fn index(&self) -> f64 {
        100.0 - SCALE * length(self.off)
    }

    /// What something does whose derivatives by the three of `off` are given. `slope` is what the reference does by the
    /// temperature: U*, V*, W* of the sample and the two ratios of the white.
    fn back(
        &self,
        by_off: [f64; 3],
        colour: [f64; 3],
        white: [f64; 3],
        to: [f64; 2],
        (wanted_slope, to_slope): ([f64; 3], [f64; 2]),
    ) -> Slopes {
        let Self { root, w, adapted, at, beside, .. } = *self;
        let (c_to, c_white, c_own) = (response(to), response(ratios(white)), response(ratios(colour)));
        // U*, V*, W* by (u, v) and W*; (u, v) by the responses; the responses by the sums.
        let by_at = [13.0 * w * by_off[0], 13.0 * w * by_off[1]];
        let by_w = 13.0 * ((at[0] - beside[0]) * by_off[0] + (at[1] - beside[1]) * by_off[1]) + by_off[2];
        let by_response = |[c, d]: [f64; 2], at: [f64; 2], by: [f64; 2]| {
            let below = 16.518 + 1.481 * c - d;
            let by_below = -(by[0] * at[0] + by[1] * at[1]) / below;
            [0.404 * by[0] / below + 1.481 * by_below, -4.0 * by[0] / below - by_below]
        };
        let by_adapted = by_response(adapted, at, by_at);
        let by_own: [f64; 2] = std::array::from_fn(|i| by_adapted[i] * c_to[i] / c_white[i]);
        let by_white_response: [f64; 2] = std::array::from_fn(|i| -by_adapted[i] * adapted[i] / c_white[i]);
        let beside_by = by_response(c_to, beside, by_at);
        let by_to: [f64; 2] = std::array::from_fn(|i| by_adapted[i] * c_own[i] / c_white[i] - beside_by[i]);
        // W* by Y and Yw: a third of the root's own change.
        let by_luminance = by_w * LIGHTNESS * root / 3.0;
        let by_xyz = |by: [f64; 2], xyz: [f64; 3], luminance: f64| {
            let (by_x, by_z) = (-0.92 * by[1], 2.0 * by[0] + 0.202 * by[1]);
            let y = xyz[1];
            [by_x / y, luminance / y - (by_x * xyz[0] + by_z * xyz[2]) / (y * y), by_z / y]
        };
        let by_ratio = [-0.92 * by_to[1], 2.0 * by_to[0] + 0.202 * by_to[1]];
        let by_wanted = by_off[0] * wanted_slope[0] + by_off[1] * wanted_slope[1] + by_off[2] * wanted_slope[2];
        Slopes {
            by_colour: by_xyz(by_own, colour, by_luminance),
            by_white: by_xyz(by_white_response, white, -by_luminance),
            by_temperature: by_ratio[0] * to_slope[0] + by_ratio[1] * to_slope[1] - by_wanted,
        }
    }
}

/// Rₐ and R₉ of a light whose samples have these sums, beside a reference illuminant.
pub fn general(sums: &Sums<RENDERING>, reference: &Reference) -> [f64; 2] {
    let mut value = [0.0; 2];
    for (k, (colour, wanted)) in sums.colours.iter().zip(&reference.rendering).enumerate() {
        let r = Special::of(*colour, sums.white, *wanted, reference.white).index();
        if k < IN_MEAN { value[0] += r / IN_MEAN as f64 } else { value[1] = r }
    }
    value
}

/// [`general`] with its derivatives, where `slope` is what the reference does by the temperature.
///
/// With a spread, they are those of what the indices are expected to be when the light is not quite known, and what is of second
/// order in their variance comes with them.
pub fn derivatives(
    sums: &Sums<RENDERING>,
    reference: &Reference,
    slope: &Reference,
    spread: Option<&Spread>,
) -> Derivatives {
    let mut out = Derivatives {
        value: general(sums, reference),
        by_sums: [Sums::default(), Sums::default()],
        by_temperature: [0.0; 2],
        second_order: [0.0; 2],
    };
    let specials: [Special; RENDERING] =
        std::array::from_fn(|k| Special::of(sums.colours[k], sums.white, reference.rendering[k], reference.white));
    let back = |k: usize, by: [f64; 3]| {
        let slopes = (slope.rendering[k], slope.white);
        specials[k].back(by, sums.colours[k], sums.white, reference.white, slopes)
    };
    let mut lengths: [f64; RENDERING] = std::array::from_fn(|k| length(specials[k].off));
    if let Some(spread) = spread {
        const EACH: [[f64; 3]; 3] = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
        let slopes: [_; RENDERING] = std::array::from_fn(|k| EACH.map(|each| back(k, each)));
        let (mut mean, mut red) = (Lengths::new(spread), Lengths::new(spread));
        let seen = spread::rendering_seen();
        wide::run(Told {
            specials: &specials,
            slopes: &slopes,
            seen,
            mean: &mut mean,
            red: &mut red,
            lengths: &mut lengths,
        });
        out.second_order = [mean, red].map(|l| SCALE * SCALE * l.second_order());
    }
    for (k, s) in lengths.into_iter().enumerate() {
        if !(s > 0.0) {
            continue;
        }
        let (index, share) = place(k);
        let r = back(k, specials[k].off.map(|o| -SCALE * o / s));
        let by = &mut out.by_sums[index];
        for l in 0..3 {
            by.colours[k][l] = share * r.by_colour[l];
            by.white[l] += share * r.by_white[l];
        }
        out.by_temperature[index] += share * r.by_temperature;
    }
    out
}

/// The index that a sample counts in, and its share of it.
#[inline(always)]
fn place(k: usize) -> (usize, f64) {
    if k < IN_MEAN { (0, 1.0 / IN_MEAN as f64) } else { (1, 1.0) }
}

/// The loop over all samples that tells how long their distances are expected to be.
struct Told<'a, 'b> {
    specials: &'a [Special; RENDERING],
    /// What each of the three of `off` does by the sums and by the temperature.
    slopes: &'a [[Slopes; 3]; RENDERING],
    seen: &'a Seen<RENDERING>,
    mean: &'a mut Lengths<'b>,
    red: &'a mut Lengths<'b>,
    lengths: &'a mut [f64; RENDERING],
}

impl Vectors for Told<'_, '_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let Self { specials, slopes, seen, mean, red, lengths } = self;
        for k in 0..RENDERING {
            let [u, v, w] = &slopes[k];
            let moves = mean.spread().moves(
                simd,
                &[u.by_colour, v.by_colour, w.by_colour],
                &seen.colours[k],
                &[u.by_white, v.by_white, w.by_white],
                &seen.white,
                [u.by_temperature, v.by_temperature, w.by_temperature],
            );
            let (index, share) = place(k);
            let spreading = if index == 0 { &mut *mean } else { &mut *red };
            lengths[k] = spreading.add(simd, share, specials[k].off, &moves);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: the short forms of c and d are those of the standard, and (u, v) comes back from them.
    #[test]
    fn the_responses_are_those_of_the_standard() {
        for [x, y, z] in [[0.95, 1.0, 1.09], [1.1, 1.0, 0.35], [0.2, 0.7, 0.1]] {
            let below: f64 = x + 15.0 * y + 3.0 * z;
            let (u, v) = (4.0 * x / below, 6.0 * y / below);
            let want = [(4.0 - u - 10.0 * v) / v, (1.708 * v + 0.404 - 1.481 * u) / v];
            let got = response(ratios([x, y, z]));
            assert!((got[0] - want[0]).abs() < 1e-12 && (got[1] - want[1]).abs() < 1e-12, "{want:?} {got:?}");
            let back = uv(got);
            assert!((back[0] - u).abs() < 1e-12 && (back[1] - v).abs() < 1e-12, "{u} {v} {back:?}");
        }
    }

    /// Identity: a light that is its own reference renders perfectly.
    #[test]
    fn the_reference_itself_renders_perfectly() {
        let white = [1.1, 1.0, 0.35];
        let sums = Sums::<RENDERING> {
            colours: std::array::from_fn(|k| [0.3 + 0.02 * k as f64, 0.3, 0.1 + 0.01 * k as f64]),
            white,
        };
        let reference = Reference {
            fidelity: [[0.0; 3]; super::super::colours::FIDELITY],
            rendering: sums.colours.map(|c| unadapted(c, white)),
            white: ratios(white),
        };
        for r in general(&sums, &reference) {
            assert!((r - 100.0).abs() < 1e-9, "{r}");
        }
    }
}
