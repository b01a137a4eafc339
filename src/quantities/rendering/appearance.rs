//! Colour appearance: CIECAM02 under the conditions of CIE 224:2017, in the uniform space CAM02-UCS.
//!
//! Sources: CIE 159:2004 (CIECAM02); Luo, Cui & Li 2006, Color Research & Application 31:320–330 (CAM02-UCS); CIE 224:2017
//! for the conditions: L_A = 100 cd/m², Y_b = 20, average surround, full adaptation (D = 1).
//!
//! With full adaptation the appearance depends only on the ratios of the sharpened channels to those of the white, and the white
//! appears the same under every light. Invariant: where the model is undefined the result is NaN, never a panic.

use super::colours::CAT02;
use std::sync::LazyLock;

/// Luminance of the adapting field [cd/m²].
const ADAPTING: f64 = 100.0;
/// Luminance factor of the background over that of the white.
const BACKGROUND: f64 = 0.2;
/// Factors c and N_c of an average surround.
const SURROUND: f64 = 0.69;
const INDUCTION: f64 = 1.0;
/// Exponent and semi-saturation constant of the compression of each cone's response.
const COMPRESSION: f64 = 0.42;
const SEMI_SATURATION: f64 = 27.13;
/// Coefficients of CAM02-UCS.
const LIGHTNESS_1: f64 = 0.007;
const COLOURFULNESS_2: f64 = 0.0228;

/// From X, Y, Z to the cone responses of Hunt, Pointer and Estevez.
const CONES: [[f64; 3]; 3] = [[0.389_71, 0.688_98, -0.078_68], [-0.229_81, 1.183_40, 0.046_41], [0.0, 0.0, 1.0]];

/// Constants that follow from the viewing conditions.
struct Conditions {
    /// From the ratios of the sharpened channels to the argument of the compression.
    adapted: [[f64; 3]; 3],
    /// Factor of the achromatic response.
    induction: f64,
    /// Achromatic response of the white.
    white: f64,
    /// Half the exponent of lightness.
    half_exponent: f64,
    /// Factor of t, including the quarter of the eccentricity factor.
    chroma: f64,
    /// Factor of t^0.9 √(J/100) in the colourfulness.
    colourfulness: f64,
    /// Sine and cosine of the 2 rad in the eccentricity factor.
    eccentric: (f64, f64),
}

static CONDITIONS: LazyLock<Conditions> = LazyLock::new(|| {
    let k = 1.0 / (5.0 * ADAPTING + 1.0);
    let k4 = k * k * k * k;
    let level = 0.2 * k4 * 5.0 * ADAPTING + 0.1 * (1.0 - k4) * (1.0 - k4) * (5.0 * ADAPTING).cbrt();
    let induction = 0.725 * (1.0 / BACKGROUND).powf(0.2);
    let back = inverse(CAT02);
    let adapted = CONES.map(|row| std::array::from_fn(|j| level * (0..3).map(|k| row[k] * back[k][j]).sum::<f64>()));
    let half_exponent = 0.5 * SURROUND * (1.48 + BACKGROUND.sqrt());
    let white = adapted.map(|row| compressed(row.iter().sum()));
    Conditions {
        adapted,
        induction,
        white: achromatic(white, induction),
        half_exponent,
        chroma: 50_000.0 / 13.0 * INDUCTION * induction / 4.0,
        colourfulness: (1.64 - 0.29f64.powf(BACKGROUND)).powf(0.73) * level.powf(0.25),
        eccentric: 2f64.sin_cos(),
    }
});

fn inverse(m: [[f64; 3]; 3]) -> [[f64; 3]; 3] {
    let minor = |r: usize, c: usize| {
        let (r1, r2, c1, c2) = ((r + 1) % 3, (r + 2) % 3, (c + 1) % 3, (c + 2) % 3);
        m[r1][c1] * m[r2][c2] - m[r1][c2] * m[r2][c1]
    };
    let determinant = (0..3).map(|c| m[0][c] * minor(0, c)).sum::<f64>();
    std::array::from_fn(|r| std::array::from_fn(|c| minor(c, r) / determinant))
}

/// The compressed response of a cone, without the constant 0.1 of the model.
fn compressed(x: f64) -> f64 {
    if x == 0.0 {
        return 0.0;
    }
    let power = x.abs().powf(COMPRESSION);
    400.0 * power.copysign(x) / (SEMI_SATURATION + power)
}

/// The achromatic response. The constants cancel: 2·0.1 + 0.1 + 0.005 of the three cones minus the 0.305 of the model is 0.
fn achromatic(cones: [f64; 3], induction: f64) -> f64 {
    (2.0 * cones[0] + cones[1] + cones[2] / 20.0) * induction
}

/// Lightness J′ and the coordinates a′, b′ in CAM02-UCS of a colour, from the ratios of its sharpened channels to those of the white
/// (1 for the white itself).
pub fn appearance(ratio: [f64; 3]) -> [f64; 3] {
    let c = &*CONDITIONS;
    let [r, g, b] = c.adapted.map(|row| compressed(row[0] * ratio[0] + row[1] * ratio[1] + row[2] * ratio[2]));

    // Opponent responses; the 0.1 of each cone cancels in both.
    let red_green = r - 12.0 / 11.0 * g + b / 11.0;
    let yellow_blue = (r + g - 2.0 * b) / 9.0;
    let length = (red_green * red_green + yellow_blue * yellow_blue).sqrt();
    let (cos, sin) = if length > 0.0 { (red_green / length, yellow_blue / length) } else { (1.0, 0.0) };

    // cos(h + 2) + 3.8, times the length.
    let (sin2, cos2) = c.eccentric;
    let eccentric = cos2 * red_green - sin2 * yellow_blue + 3.8 * length;
    let sum = r + g + 1.05 * b + 0.305;
    let t = c.chroma * eccentric / sum;

    let root_lightness = (achromatic([r, g, b], c.induction) / c.white).powf(c.half_exponent);
    let lightness = 100.0 * root_lightness * root_lightness;
    let colourfulness = c.colourfulness * t.powf(0.9) * root_lightness;

    let under = 1.0 + LIGHTNESS_1 * lightness;
    let within = 1.0 + COLOURFULNESS_2 * colourfulness;
    let m = within.ln() / COLOURFULNESS_2;
    [(1.0 + 100.0 * LIGHTNESS_1) * lightness / under, m * cos, m * sin]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published: the white of CIECAM02 has lightness 100 and no chroma; black has lightness 0.
    #[test]
    fn the_white_is_white_and_black_is_black() {
        /// The matrix of the cones is published to five decimals, so that the white has a chroma of this size.
        const GREY: f64 = 2e-2;
        let white = appearance([1.0; 3]);
        assert!((white[0] - 100.0).abs() < 1e-9 && white[1].hypot(white[2]) < GREY, "{white:?}");
        assert_eq!(appearance([0.0; 3]), [0.0, 0.0, 0.0]);
    }

    /// No ratios panic.
    #[test]
    fn odd_ratios_have_an_answer() {
        let odd = [0.0, -1.0, 1.0, f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e-300, 1e300];
        for a in odd {
            for b in odd {
                for c in odd {
                    let _ = appearance([a, b, c]);
                }
            }
        }
        assert!(appearance([f64::NAN, 1.0, 1.0])[0].is_nan());
    }
}
