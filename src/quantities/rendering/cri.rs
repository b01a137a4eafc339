//! The colour rendering index of CIE 13.3-1995: Rₐ, the mean over eight samples, and R₉, the strong red.
//!
//! Both unrounded (the standard rounds each Rᵢ for print). Colour differences are those of U*V*W* of 1964, after the von Kries
//! adaptation of the standard from the chromaticity of the light to that of the reference illuminant.

use super::colours::{RENDERING, Sums};
use super::reference::Reference;
use super::uvw::{lightness, ratios, response, uv};

/// Decrease of an index per unit of colour difference in U*V*W*.
const SCALE: f64 = 4.6;
/// Samples in the mean.
const IN_MEAN: usize = 8;

/// The special index of one sample, from its sums and those of the white. `wanted`: its U*, V*, W* under the reference; `to`: the ratios of
/// the reference's white.
fn special(colour: [f64; 3], white: [f64; 3], wanted: [f64; 3], to: [f64; 2]) -> f64 {
    let (c_to, c_white, c_own) = (response(to), response(ratios(white)), response(ratios(colour)));
    let adapted: [f64; 2] = std::array::from_fn(|i| c_to[i] / c_white[i] * c_own[i]);
    let (at, beside) = (uv(adapted), uv(c_to));
    let w = lightness(colour[1] / white[1]);
    let off = [13.0 * w * (at[0] - beside[0]) - wanted[0], 13.0 * w * (at[1] - beside[1]) - wanted[1], w - wanted[2]];
    100.0 - SCALE * (off[0] * off[0] + off[1] * off[1] + off[2] * off[2]).sqrt()
}

/// Rₐ and R₉ of a light, from the sums of the samples under it, and of its reference illuminant.
pub fn indices(sums: &Sums<RENDERING>, reference: &Reference) -> [f64; 2] {
    let mut value = [0.0; 2];
    for (k, (colour, wanted)) in sums.colours.iter().zip(&reference.rendering).enumerate() {
        let r = special(*colour, sums.white, *wanted, reference.white);
        if k < IN_MEAN { value[0] += r / IN_MEAN as f64 } else { value[1] = r }
    }
    value
}

#[cfg(test)]
mod tests {
    use super::super::uvw::unadapted;
    use super::*;

    /// Identity: a light that is its own reference has indices of 100.
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
        for r in indices(&sums, &reference) {
            assert!((r - 100.0).abs() < 1e-9, "{r}");
        }
    }
}
