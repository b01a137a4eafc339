//! Light as the eye weighs it.

use super::constants::LUMINOUS_EFFICACY;
use super::registry::{Group, Limit, Quantity, Recipe};
use super::row::{Band, Curve, Row};
use super::tables;

/// Where the tables of the 2° observer reach, and the least a photometric integral needs (the tails below 380 and above
/// 780 nm hold less than 1e-5 of the illuminance of daylight).
pub(super) const VISIBLE: Band = Band { from: 360.0, to: 830.0, needs: Some((380.0, 780.0)) };

/// ∫ E ȳ dλ, shared with colour.
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
    limit: Limit { relative: 0.10, absolute: 50.0 },
    recipe: Recipe::Linear { row: &CIE_Y_SUM, factor: LUMINOUS_EFFICACY },
};
