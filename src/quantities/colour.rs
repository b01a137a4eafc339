//! Colour of the light: chromaticity and correlated colour temperature, CIE 1931 2° observer.

use super::locus;
use super::photometry::{CIE_Y_SUM, VISIBLE};
use super::quantity::{FinishFn, Group, Limit, Quantity, Recipe};
use super::reason::NullReason;
use super::row::{Curve, Row};
use super::tables;

static CIE_X_SUM: Row = Row::new("cie 1931 x", Curve::Tabulated(tables::x_bar), false, VISIBLE);
static CIE_Z_SUM: Row = Row::new("cie 1931 z", Curve::Tabulated(tables::z_bar), false, VISIBLE);
/// X, Y and Z, of which every colour is a function.
pub(super) static TRISTIMULUS: &[&Row] = &[&CIE_X_SUM, &CIE_Y_SUM, &CIE_Z_SUM];

/// The place of Y, which must exceed its own uncertainty.
pub(super) const BRIGHT: usize = 1;

pub(super) const fn quantity(
    id: &'static str,
    unit: &'static str,
    title: &'static str,
    definition: &'static str,
    source: &'static str,
    limit: Limit,
    finish: FinishFn,
) -> Quantity {
    let recipe = Recipe::Finish { rows: TRISTIMULUS, bright: BRIGHT, finish };
    Quantity { id, unit, title, definition, source, remark: "", group: Group::Colour, limit, plausible: None, recipe }
}

pub(super) const COLORIMETRY: &str = "CIE 015:2018; ISO/CIE 11664-3:2019; CIE 1931 observer, 1 nm, linear";
const UNIFORM: &str = "CIE 015:2018; ISO/CIE 11664-5:2016; CIE 1931 observer, 1 nm, linear";
const TEMPERATURE: &str = "Ohno 2014, LEUKOS 10(1):47-55; c2 = 1.4388e-2 m K; CIE 015:2018";

/// Reason of the limits of chromaticity.
const COLOUR_LIMIT: &str = "about five steps of just noticeable differences (CIE TN 001:2014), the tolerance of white lamps of one nominal colour";

/// Chromaticity x.
pub const CIE_X: Quantity = quantity(
    "cie_x",
    "1",
    "CIE 1931 x",
    "X / (X + Y + Z), 2 degree observer",
    COLORIMETRY,
    Limit { relative: 0.0, absolute: 0.01, reason: COLOUR_LIMIT },
    x,
);

/// Chromaticity y.
pub const CIE_Y: Quantity = quantity(
    "cie_y",
    "1",
    "CIE 1931 y",
    "Y / (X + Y + Z), 2 degree observer",
    COLORIMETRY,
    Limit { relative: 0.0, absolute: 0.01, reason: COLOUR_LIMIT },
    y,
);

/// Chromaticity u′.
pub const CIE_U_PRIME: Quantity = quantity(
    "cie_u_prime",
    "1",
    "CIE 1976 u'",
    "4 X / (X + 15 Y + 3 Z), 2 degree observer",
    UNIFORM,
    Limit { relative: 0.0, absolute: 0.006, reason: COLOUR_LIMIT },
    u_prime,
);

/// Chromaticity v′.
pub const CIE_V_PRIME: Quantity = quantity(
    "cie_v_prime",
    "1",
    "CIE 1976 v'",
    "9 Y / (X + 15 Y + 3 Z), 2 degree observer",
    UNIFORM,
    Limit { relative: 0.0, absolute: 0.006, reason: COLOUR_LIMIT },
    v_prime,
);

/// Correlated colour temperature.
pub const CCT: Quantity = quantity(
    "cct",
    "K",
    "Correlated colour temperature",
    "Temperature of the nearest Planckian radiator in CIE 1960 (u, v); none farther than 0.05 from the locus",
    TEMPERATURE,
    Limit {
        relative: 0.05,
        absolute: 100.0,
        reason: "half of the distance between the nominal temperatures of lamps (ANSI C78.377)",
    },
    cct,
);

/// Distance from the Planckian locus.
pub const DUV: Quantity = quantity(
    "duv",
    "1",
    "Distance from the Planckian locus",
    "Distance to the Planckian locus in CIE 1960 (u, v), positive above it; none farther than 0.05",
    TEMPERATURE,
    Limit { relative: 0.0, absolute: 0.006, reason: COLOUR_LIMIT },
    duv,
);

/// The sum that chromaticities are relative to; noise may make it zero or less although Y exceeds its uncertainty.
fn total(sums: &[f64]) -> Result<f64, NullReason> {
    let sum = sums[0] + sums[1] + sums[2];
    if sum > 0.0 && sums[1] > 0.0 { Ok(sum) } else { Err(NullReason::TooLittleLight) }
}

fn share(sums: &[f64], of: usize, gradient: &mut [f64]) -> Result<f64, NullReason> {
    let sum = total(sums)?;
    let share = sums[of] / sum;
    gradient[..3].fill(-share / sum);
    gradient[of] += 1.0 / sum;
    Ok(share)
}

fn x(sums: &[f64], gradient: &mut [f64]) -> Result<f64, NullReason> {
    share(sums, 0, gradient)
}

fn y(sums: &[f64], gradient: &mut [f64]) -> Result<f64, NullReason> {
    share(sums, 1, gradient)
}

/// CIE 1960 (u, v) of tristimulus values with the derivatives of u and of v by X, Y, Z; too little light without a sum above zero.
///
/// Source: CIE 015:2018 (u = u′, v = ⅔ v′).
fn uv(sums: &[f64]) -> Result<([f64; 2], [[f64; 3]; 2]), NullReason> {
    total(sums)?;
    let d = sums[0] + 15.0 * sums[1] + 3.0 * sums[2];
    if d <= 0.0 {
        return Err(NullReason::TooLittleLight);
    }
    let (u, v) = (4.0 * sums[0] / d, 6.0 * sums[1] / d);
    let of_u = [(4.0 - u) / d, -15.0 * u / d, -3.0 * u / d];
    let of_v = [-v / d, (6.0 - 15.0 * v) / d, -3.0 * v / d];
    Ok(([u, v], [of_u, of_v]))
}

/// The chain rule: derivatives by X, Y, Z from those by a pair of coordinates and the coordinates' own by X, Y, Z.
pub(super) fn chain(gradient: &mut [f64], by_uv: [f64; 2], [of_u, of_v]: [[f64; 3]; 2]) {
    for (k, g) in gradient.iter_mut().take(3).enumerate() {
        *g = by_uv[0] * of_u[k] + by_uv[1] * of_v[k];
    }
}

/// v′ is 3/2 of v of 1960.
const V_PRIME: f64 = 1.5;

fn u_prime(sums: &[f64], gradient: &mut [f64]) -> Result<f64, NullReason> {
    let ([u, _], derivatives) = uv(sums)?;
    chain(gradient, [1.0, 0.0], derivatives);
    Ok(u)
}

fn v_prime(sums: &[f64], gradient: &mut [f64]) -> Result<f64, NullReason> {
    let ([_, v], derivatives) = uv(sums)?;
    chain(gradient, [0.0, V_PRIME], derivatives);
    Ok(V_PRIME * v)
}

/// CIE 1931 (x, y) with the derivatives of x and of y by X, Y, Z.
pub(super) fn xy(sums: &[f64]) -> Result<([f64; 2], [[f64; 3]; 2]), NullReason> {
    let mut derivatives = [[0.0; 3]; 2];
    let [of_x, of_y] = &mut derivatives;
    Ok(([share(sums, 0, of_x)?, share(sums, 1, of_y)?], derivatives))
}

/// Correlated colour temperature [K] of the sums X, Y, Z.
pub(super) fn cct(sums: &[f64], gradient: &mut [f64]) -> Result<f64, NullReason> {
    let (at, derivatives) = uv(sums)?;
    let nearest = locus::nearest(at)?;
    chain(gradient, nearest.temperature_by_uv, derivatives);
    Ok(nearest.temperature_k)
}

fn duv(sums: &[f64], gradient: &mut [f64]) -> Result<f64, NullReason> {
    let (at, derivatives) = uv(sums)?;
    let nearest = locus::nearest(at)?;
    chain(gradient, nearest.duv_by_uv, derivatives);
    Ok(nearest.duv)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: each derivative is the slope between two values a small step apart (truncation of the difference below 1e-4).
    #[test]
    fn derivatives_are_the_slopes_of_their_values() {
        // Daylight, candlelight, a greenish lamp, a blue sky.
        for sums in [[0.95, 1.0, 1.09], [1.3, 1.0, 0.1], [0.8, 1.0, 0.5], [1.0, 1.0, 1.9]] {
            let finishes: [(&str, FinishFn); 6] =
                [("x", x), ("y", y), ("u'", u_prime), ("v'", v_prime), ("cct", cct), ("duv", duv)];
            for (name, finish) in finishes {
                let mut gradient = [0.0; 3];
                finish(&sums, &mut gradient).unwrap();
                for k in 0..3 {
                    // Wide relative to the steps of the locus table, narrow relative to the curvature.
                    let step = 2e-3 * sums[k];
                    let at = |sign: f64| {
                        let mut moved = sums;
                        moved[k] += sign * step;
                        finish(&moved, &mut [0.0; 3]).unwrap()
                    };
                    let slope = (at(1.0) - at(-1.0)) / (2.0 * step);
                    let size = gradient.iter().fold(0.0f64, |m, g| m.max(g.abs()));
                    let off = (slope - gradient[k]).abs();
                    assert!(off < 2e-3 * size, "{name} of {sums:?} by {k}: slope {slope}, derivative {}", gradient[k]);
                }
            }
        }
    }

    /// No sums panic, and those without light have no colour.
    #[test]
    fn sums_without_light_have_no_colour() {
        let odd = [0.0, -1.0, 1.0, f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e-300, 1e300];
        for a in odd {
            for b in odd {
                for c in odd {
                    for finish in [x, y, u_prime, v_prime, cct, duv] {
                        let got = finish(&[a, b, c], &mut [0.0; 3]);
                        assert!(b > 0.0 || got.is_err(), "{a} {b} {c}: {got:?}");
                    }
                }
            }
        }
        assert_eq!(cct(&[0.0, 0.0, 0.0], &mut [0.0; 3]), Err(NullReason::TooLittleLight));
    }
}
