//! The Planckian locus and the nearest point on it.
//!
//! Method: Ohno 2014, "Practical Use and Calculation of CCT and Duv", LEUKOS 10(1):47–55: a table of Planckian (u, v), the nearest
//! entry, then the triangular solution near the locus and the parabolic one farther away. The table here has steps of 0.25 %, the
//! paper's of 1 %, so that its correction factor is not needed. Pure; the table is computed once.

use super::constants::{COLDEST_K, HOTTEST_K, SECOND_RADIATION};
use super::reason::NullReason;
use super::tables;
use std::sync::LazyLock;

/// Steps of the table, all of the same ratio (0.25 %).
const STEPS: usize = 1842;
/// Farthest distance at which a colour has a colour temperature, in (u′, ⅔ v′) which is (u, v). CIE 015:2018.
const FARTHEST: f64 = 0.05;
/// Distance below which the triangular solution is used. Ohno 2014.
const TRIANGULAR_BELOW: f64 = 0.002;
/// Step of the coarse search, in entries.
const STRIDE: usize = 16;

struct Entry {
    temperature_k: f64,
    uv: [f64; 2],
}

static LOCUS: LazyLock<Vec<Entry>> = LazyLock::new(|| {
    let step = (HOTTEST_K / COLDEST_K).powf(1.0 / STEPS as f64);
    (0..=STEPS)
        .map(|i| {
            let temperature_k = COLDEST_K * step.powi(i as i32);
            Entry { temperature_k, uv: planckian_uv(temperature_k) }
        })
        .collect()
});

/// CIE 1960 (u, v) of a Planckian radiator, 2° observer, 1 nm sums 360–830 nm.
///
/// temperature_k: [K], above zero; NaN otherwise.
pub fn planckian_uv(temperature_k: f64) -> [f64; 2] {
    let (x, y, z) = (tables::x_bar(), tables::photopic(), tables::z_bar());
    let mut sums = [0.0; 3];
    for (i, nm) in x.wavelength_nm.iter().enumerate() {
        let m = nm * 1e-9;
        // Relative to 560 nm, to avoid overflow at any temperature.
        let radiance = (560.0 / nm).powi(5) / (SECOND_RADIATION / (m * temperature_k)).exp_m1();
        sums[0] += radiance * x.value[i];
        sums[1] += radiance * y.value[i];
        sums[2] += radiance * z.value[i];
    }
    let d = sums[0] + 15.0 * sums[1] + 3.0 * sums[2];
    [4.0 * sums[0] / d, 6.0 * sums[1] / d]
}

/// The nearest point on the locus, with the derivatives of temperature and distance by u and v.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Nearest {
    /// Correlated colour temperature [K].
    pub temperature_k: f64,
    /// Distance in (u, v), positive above the locus [1].
    pub duv: f64,
    /// ∂T/∂u, ∂T/∂v [K].
    pub temperature_by_uv: [f64; 2],
    /// ∂Duv/∂u, ∂Duv/∂v [1].
    pub duv_by_uv: [f64; 2],
}

fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// The table entry nearest to a colour: a coarse search, then a fine one around its result.
fn nearest_entry(uv: [f64; 2]) -> usize {
    let table = &*LOCUS;
    let square = |i: usize| {
        let (du, dv) = (table[i].uv[0] - uv[0], table[i].uv[1] - uv[1]);
        du * du + dv * dv
    };
    let closest = |indices: &mut dyn Iterator<Item = usize>| {
        indices.map(|i| (i, square(i))).min_by(|a, b| a.1.total_cmp(&b.1)).map_or(0, |(i, _)| i)
    };
    let coarse = closest(&mut (0..=STEPS).step_by(STRIDE));
    closest(&mut (coarse.saturating_sub(STRIDE)..=(coarse + STRIDE).min(STEPS)))
}

/// Correlated colour temperature and distance of a colour in CIE 1960 (u, v).
///
/// `Err` for a colour that is not finite, farther than 0.05 from the locus, or nearest to an end of it.
pub fn nearest(uv: [f64; 2]) -> Result<Nearest, NullReason> {
    if !uv.iter().all(|c| c.is_finite()) {
        return Err(NullReason::NotFinite);
    }
    let table = &*LOCUS;
    let i = nearest_entry(uv);
    let distance = distance(uv, table[i].uv);
    if distance > FARTHEST {
        return Err(NullReason::FarFromLocus { distance });
    }
    if i == 0 || i == STEPS {
        return Err(NullReason::BeyondLocus);
    }
    let around = [&table[i - 1], &table[i], &table[i + 1]];
    let (temperature_k, duv) = solution(uv, around);
    let nearest = with_derivatives(temperature_k, duv, around);
    if !(temperature_k.is_finite() && duv.is_finite() && nearest.temperature_by_uv.iter().all(|d| d.is_finite())) {
        return Err(NullReason::NotFinite);
    }
    Ok(nearest)
}

/// The temperature [K] and the signed distance of a colour from the entry nearest to it and the two beside it. Ohno 2014.
fn solution(uv: [f64; 2], [before, here, after]: [&Entry; 3]) -> (f64, f64) {
    let (d0, d1, d2) = (distance(uv, before.uv), distance(uv, here.uv), distance(uv, after.uv));
    // Triangular: the foot of the perpendicular on the chord.
    let chord = [after.uv[0] - before.uv[0], after.uv[1] - before.uv[1]];
    let length = chord[0].hypot(chord[1]);
    let along = (d0 * d0 - d2 * d2 + length * length) / (2.0 * length);
    let part = along / length;
    let above = if uv[1] >= before.uv[1] + chord[1] * part { 1.0 } else { -1.0 };
    let duv = above * (d0 * d0 - along * along).max(0.0).sqrt();
    if duv.abs() < TRIANGULAR_BELOW {
        return (before.temperature_k + (after.temperature_k - before.temperature_k) * part, duv);
    }
    // Parabolic: the minimum of the parabola through the three distances, written around the middle one.
    let (h0, h1) = (here.temperature_k - before.temperature_k, after.temperature_k - here.temperature_k);
    let (s0, s1) = ((d1 - d0) / h0, (d2 - d1) / h1);
    let a = (s1 - s0) / (h0 + h1);
    let b = s0 + a * h0;
    (here.temperature_k - b / (2.0 * a), above * (d1 - b * b / (4.0 * a)))
}

/// Derivatives from the geometry: the foot q of a colour p moves along the locus q(s), s = ln T, where (q − p)·q′ = 0, hence
/// ds/dp = q′ / (q′·q′ + (q − p)·q″); the distance grows along the unit normal.
fn with_derivatives(temperature_k: f64, duv: f64, [before, here, after]: [&Entry; 3]) -> Nearest {
    let ds = 0.5 * (after.temperature_k / before.temperature_k).ln();
    let tangent = [0, 1].map(|k| (after.uv[k] - before.uv[k]) / (2.0 * ds));
    let curvature = [0, 1].map(|k| (after.uv[k] - 2.0 * here.uv[k] + before.uv[k]) / (ds * ds));
    let speed2 = tangent[0] * tangent[0] + tangent[1] * tangent[1];
    let speed = speed2.sqrt();
    let normal = [tangent[1] / speed, -tangent[0] / speed];
    let normal = if normal[1] < 0.0 { [-normal[0], -normal[1]] } else { normal };
    let foot_minus_colour = [-duv * normal[0], -duv * normal[1]];
    let denominator = speed2 + foot_minus_colour[0] * curvature[0] + foot_minus_colour[1] * curvature[1];
    let temperature_by_uv = tangent.map(|t| temperature_k * t / denominator);
    Nearest { temperature_k, duv, temperature_by_uv, duv_by_uv: normal }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Error of the interpolation between entries 0.5 % apart, on the locus itself [relative].
    const TABLE_T: f64 = 1e-5;

    /// Independent: numpy sums with c₂ = 1.4387768775e-2 m K (colour-science 0.4.7 tables); 1.6e-5 in c₂ moves (u, v) by up to 2e-6.
    #[test]
    fn planckian_colours_are_those_of_another_library() {
        for (t, u, v) in [(2700.0, 0.262496, 0.351567), (4000.0, 0.225109, 0.334387), (6500.0, 0.200448, 0.310361)] {
            let got = planckian_uv(t);
            assert!((got[0] - u).abs() < 3e-6 && (got[1] - v).abs() < 3e-6, "{t} K: want {u} {v}, got {got:?}");
        }
    }

    /// Identity: a Planckian radiator has its own temperature and lies on the locus.
    #[test]
    fn a_planckian_radiator_has_its_own_temperature() {
        for t in [1010.0, 1500.5, 2856.0, 5000.0, 6504.0, 12_345.0, 40_000.0, 99_000.0] {
            let n = nearest(planckian_uv(t)).unwrap();
            assert!((n.temperature_k - t).abs() < TABLE_T * t, "want {t} K, got {}", n.temperature_k);
            assert!(n.duv.abs() < 1e-6, "{t} K: duv {}", n.duv);
        }
    }

    /// Identity: a colour displaced from the locus along its normal has the temperature of its foot and the distance.
    #[test]
    fn a_colour_beside_the_locus_has_the_temperature_of_its_foot() {
        for t in [1800.0, 2856.0, 4321.0, 6504.0, 15_000.0] {
            let (a, b, c) = (planckian_uv(t * 0.999), planckian_uv(t), planckian_uv(t * 1.001));
            let along = [c[0] - a[0], c[1] - a[1]];
            let length = along[0].hypot(along[1]);
            for d in [-0.02, -0.0025, -0.0015, 0.0005, 0.0019, 0.0021, 0.02] {
                let normal = [along[1] / length, -along[0] / length];
                let normal = if normal[1] < 0.0 { [-normal[0], -normal[1]] } else { normal };
                let n = nearest([b[0] + d * normal[0], b[1] + d * normal[1]]).unwrap();
                assert!((n.temperature_k - t).abs() < 3e-5 * t, "{t} K {d}: got {} K", n.temperature_k);
                assert!((n.duv - d).abs() < 2e-6, "{t} K {d}: got duv {}", n.duv);
            }
        }
    }

    /// A colour that is far away, beyond the ends or not finite has a null reason.
    #[test]
    fn colours_without_a_temperature_have_a_reason() {
        assert!(matches!(nearest([0.1, 0.5]), Err(NullReason::FarFromLocus { distance }) if distance > 0.05));
        assert_eq!(nearest(planckian_uv(990.0)), Err(NullReason::BeyondLocus));
        assert_eq!(nearest([0.17, 0.25]), Err(NullReason::BeyondLocus));
        assert_eq!(nearest([f64::NAN, 0.3]), Err(NullReason::NotFinite));
        assert!(nearest([1e300, -1e300]).is_err());
    }
}
