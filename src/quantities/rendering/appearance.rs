//! How a colour appears: CIECAM02 under the conditions of CIE 224:2017, in the uniform space CAM02-UCS.
//!
//! Sources: CIE 159:2004 (CIECAM02); Luo, Cui & Li 2006, Color Research & Application 31:320–330 (CAM02-UCS); CIE 224:2017
//! for the conditions: L_A = 100 cd/m², Y_b = 20, average surround, full adaptation (D = 1).
//!
//! With full adaptation only the ratios of the sharpened channels to those of the white count, and the white appears the
//! same under every light. What must stay true: an answer is NaN, never a panic, where the model has none.

use super::colours::CAT02;
use std::sync::LazyLock;

/// Luminance of the adapting field [cd/m²].
const ADAPTING: f64 = 100.0;
/// Luminance factor of the background over that of the white.
const BACKGROUND: f64 = 0.2;
/// Impact of the surround and chromatic induction: an average surround.
const SURROUND: f64 = 0.69;
const INDUCTION: f64 = 1.0;
/// Exponent and half-way point of the compression of each cone's response.
const COMPRESSION: f64 = 0.42;
const HALF_WAY: f64 = 27.13;
/// Coefficients of CAM02-UCS.
const LIGHTNESS_1: f64 = 0.007;
const COLOURFULNESS_2: f64 = 0.0228;

/// From X, Y, Z to the cones of Hunt, Pointer and Estevez.
const CONES: [[f64; 3]; 3] = [[0.389_71, 0.688_98, -0.078_68], [-0.229_81, 1.183_40, 0.046_41], [0.0, 0.0, 1.0]];

/// What the conditions make of the constants.
struct Conditions {
    /// From the ratios of the sharpened channels to the argument of the compression.
    adapted: [[f64; 3]; 3],
    /// Factor of the achromatic response.
    induction: f64,
    /// Achromatic response of the white.
    white: f64,
    /// Half the exponent of lightness.
    half_exponent: f64,
    /// Factor of t, a quarter of the eccentricity's included.
    chroma: f64,
    /// Colourfulness of t^0.9 √(J/100).
    colourfulness: f64,
    /// Sine and cosine of the 2 rad of the eccentricity.
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
    let white = adapted.map(|row| compressed(row.iter().sum::<f64>()).0);
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

/// A cone's response to its share of the light, without the 0.1 of noise that all three have, and its derivative.
fn compressed(x: f64) -> (f64, f64) {
    if x == 0.0 {
        return (0.0, 0.0);
    }
    let power = x.abs().powf(COMPRESSION);
    let below = HALF_WAY + power;
    (400.0 * power.copysign(x) / below, 400.0 * HALF_WAY * COMPRESSION * power / (x.abs() * below * below))
}

/// The 0.1 of the three cones, less the 0.305 of the model, leaves 2·0.1 + 0.1 + 0.005 − 0.305 = 0.
fn achromatic(cones: [f64; 3], induction: f64) -> f64 {
    (2.0 * cones[0] + cones[1] + cones[2] / 20.0) * induction
}

/// Lightness J′ and the opponent colours a′, b′ of a colour, with their derivatives.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Appearance {
    /// J′, a′, b′ in CAM02-UCS.
    pub jab: [f64; 3],
    /// `by_ratio[i][j]`: the derivative of `jab[i]` by the ratio j.
    pub by_ratio: [[f64; 3]; 3],
}

/// How a colour appears whose sharpened channels are these shares of the white's (1 for the white itself).
pub fn appearance(ratio: [f64; 3]) -> Appearance {
    let c = &*CONDITIONS;
    let cones = c.adapted.map(|row| compressed(row[0] * ratio[0] + row[1] * ratio[1] + row[2] * ratio[2]));
    let [r, g, b] = cones.map(|(response, _)| response);

    // Opponent responses, and what each cone does to them. The 0.1 of each cone cancels in both.
    let red_green = r - 12.0 / 11.0 * g + b / 11.0;
    let yellow_blue = (r + g - 2.0 * b) / 9.0;
    let length = (red_green * red_green + yellow_blue * yellow_blue).sqrt();
    let (cos, sin) = if length > 0.0 { (red_green / length, yellow_blue / length) } else { (1.0, 0.0) };
    const BY_RED_GREEN: [f64; 3] = [1.0, -12.0 / 11.0, 1.0 / 11.0];
    const BY_YELLOW_BLUE: [f64; 3] = [1.0 / 9.0, 1.0 / 9.0, -2.0 / 9.0];
    const BY_SUM: [f64; 3] = [1.0, 1.0, 1.05];
    const BY_ACHROMATIC: [f64; 3] = [2.0, 1.0, 0.05];

    // cos(h + 2) + 3.8, times the length.
    let (sin2, cos2) = c.eccentric;
    let eccentric = cos2 * red_green - sin2 * yellow_blue + 3.8 * length;
    let sum = r + g + 1.05 * b + 0.305;
    let t = c.chroma * eccentric / sum;

    let achromatic = achromatic([r, g, b], c.induction);
    let root_lightness = (achromatic / c.white).powf(c.half_exponent);
    let lightness = 100.0 * root_lightness * root_lightness;
    let colourfulness = c.colourfulness * t.powf(0.9) * root_lightness;

    let under = 1.0 + LIGHTNESS_1 * lightness;
    let within = 1.0 + COLOURFULNESS_2 * colourfulness;
    let m = within.ln() / COLOURFULNESS_2;
    let jab = [(1.0 + 100.0 * LIGHTNESS_1) * lightness / under, m * cos, m * sin];

    let by_cone = std::array::from_fn::<_, 3, _>(|i| {
        let by_length = cos * BY_RED_GREEN[i] + sin * BY_YELLOW_BLUE[i];
        let by_eccentric = cos2 * BY_RED_GREEN[i] - sin2 * BY_YELLOW_BLUE[i] + 3.8 * by_length;
        // Relative changes of √(J/100) and of t.
        let by_root = c.half_exponent * c.induction * BY_ACHROMATIC[i] / achromatic;
        let by_lightness = 2.0 * lightness * by_root;
        if !(length > 0.0) {
            // A grey has no hue to turn, and its colourfulness rises from zero in every direction.
            return [(1.0 + 100.0 * LIGHTNESS_1) * by_lightness / (under * under), 0.0, 0.0];
        }
        let by_t = by_eccentric / eccentric - BY_SUM[i] / sum;
        let by_m = colourfulness * (0.9 * by_t + by_root) / within;
        let turn = m / length;
        [
            (1.0 + 100.0 * LIGHTNESS_1) * by_lightness / (under * under),
            cos * by_m + turn * (BY_RED_GREEN[i] - cos * by_length),
            sin * by_m + turn * (BY_YELLOW_BLUE[i] - sin * by_length),
        ]
    });
    let by_ratio = std::array::from_fn(|k| {
        std::array::from_fn(|j| (0..3).map(|i| by_cone[i][k] * cones[i].1 * c.adapted[i][j]).sum())
    });
    Appearance { jab, by_ratio }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published: the white of CIECAM02 has lightness 100 and no colour, whatever the light; black has none at all.
    #[test]
    fn the_white_is_white_and_black_is_black() {
        /// The tables of the cones are published to five decimals, so that a white is grey to as many.
        const GREY: f64 = 2e-2;
        let white = appearance([1.0; 3]).jab;
        assert!((white[0] - 100.0).abs() < 1e-9 && white[1].hypot(white[2]) < GREY, "{white:?}");
        assert_eq!(appearance([0.0; 3]).jab, [0.0, 0.0, 0.0]);
    }

    /// Identity: derivatives are the slopes between two values a small step apart.
    #[test]
    fn derivatives_are_the_slopes_of_their_values() {
        for ratio in [[0.2, 0.3, 0.5], [0.6, 0.3, 0.1], [0.05, 0.06, 0.04], [0.9, 0.8, 0.85], [0.3, 0.4, -0.02]] {
            let got = appearance(ratio);
            for j in 0..3 {
                let step = 1e-6;
                let at = |sign: f64| {
                    let mut moved = ratio;
                    moved[j] += sign * step;
                    appearance(moved).jab
                };
                let (up, down) = (at(1.0), at(-1.0));
                for i in 0..3 {
                    let slope = (up[i] - down[i]) / (2.0 * step);
                    let off = (slope - got.by_ratio[i][j]).abs();
                    assert!(
                        off < 1e-5 * slope.abs().max(10.0),
                        "{ratio:?}: {i} by {j}: slope {slope}, derivative {}",
                        got.by_ratio[i][j]
                    );
                }
            }
        }
    }

    /// Edge set: no ratios panic.
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
        assert!(appearance([f64::NAN, 1.0, 1.0]).jab[0].is_nan());
    }
}
