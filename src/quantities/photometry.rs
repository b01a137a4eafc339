//! Light weighted by the luminous efficiency of the eye.

use super::constants::{LUMINOUS_EFFICACY, SCOTOPIC_EFFICACY};
use super::quantity::{Group, Limit, Plausible, Quantity, Recipe, ratio};
use super::reason::NullReason;
use super::row::{Band, Curve, Row};
use super::tables;

/// The range of the tables of the 2° observer, and the range that a photometric integral needs (the tails below 380 and above
/// 780 nm have less than 1e-5 of the illuminance of daylight).
pub(super) const VISIBLE: Band = Band { from: 360.0, to: 830.0, needs: Some((380.0, 780.0)) };

/// ∫ E ȳ dλ, also used for colour.
pub(super) static CIE_Y_SUM: Row = Row::new("cie 1931 y", Curve::Tabulated(tables::photopic), false, VISIBLE);

/// Illuminance.
pub const ILLUMINANCE: Quantity = Quantity {
    id: "illuminance",
    unit: "lx",
    title: "Illuminance",
    definition: "683.002 lm/W times the integral of V(lambda) and spectral irradiance, 360-830 nm",
    source: "CIE 018:2019; ISO/CIE 23539:2023; V of the CIE 1931 observer, 1 nm, linear",
    remark: "",
    group: Group::Photometry,
    limit: Limit {
        relative: 0.10,
        absolute: 50.0,
        reason: "a tenth of the value, as meters of ISO/CIE 19476 class C, or the light of civil twilight",
    },
    plausible: Plausible::sun_and_lamps(120.0, 150.0),
    recipe: Recipe::Linear { row: &CIE_Y_SUM, factor: LUMINOUS_EFFICACY },
};

/// ∫ E V′ dλ.
static SCOTOPIC_SUM: Row = Row::new("scotopic", Curve::Tabulated(tables::scotopic), false, Band::whole(380.0, 780.0));

/// Scotopic illuminance.
pub const SCOTOPIC_ILLUMINANCE: Quantity = Quantity {
    id: "scotopic_illuminance",
    unit: "lx",
    title: "Scotopic illuminance",
    definition: "1700.06 lm/W times the integral of V'(lambda) and spectral irradiance, 380-780 nm",
    source: "CIE 018:2019; ISO/CIE 23539:2023; V' of CIE 1951, 1 nm, linear",
    remark: "",
    group: Group::Photometry,
    limit: Limit {
        relative: 0.10,
        absolute: 1.0,
        reason: "a tenth of the value, or a light in which rods begin to take part in vision",
    },
    plausible: Plausible::sun(350.0),
    recipe: Recipe::Linear { row: &SCOTOPIC_SUM, factor: SCOTOPIC_EFFICACY },
};

/// Ratio of scotopic to photopic illuminance.
pub const SP_RATIO: Quantity = Quantity {
    id: "sp_ratio",
    unit: "1",
    title: "S/P ratio",
    definition: "Scotopic over photopic illuminance",
    source: "CIE 018:2019; CIE 191:2010",
    remark: "",
    group: Group::Photometry,
    limit: Limit {
        relative: 0.05,
        absolute: 0.05,
        reason: "a tenth of the difference between warm white and daylight",
    },
    plausible: None,
    recipe: Recipe::Finish { rows: &[&SCOTOPIC_SUM, &CIE_Y_SUM], bright: 1, finish: sp_ratio },
};

fn sp_ratio(sums: &[f64], gradient: &mut [f64]) -> Result<f64, NullReason> {
    const FACTOR: f64 = SCOTOPIC_EFFICACY / LUMINOUS_EFFICACY;
    let ratio = ratio(sums, gradient)?;
    gradient.iter_mut().for_each(|g| *g *= FACTOR);
    Ok(FACTOR * ratio)
}
