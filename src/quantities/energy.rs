//! Unweighted energy and photons over what the instrument sees.
//!
//! What must stay true: the range is printed with the value, since another instrument has another.

use super::registry::{Group, Limit, Quantity, Recipe};
use super::row::{Band, Curve, Row};

static ENERGY_OF_RANGE: Row = Row::new("energy of range", Curve::Flat, false, Band::RANGE);
static PHOTONS_OF_RANGE: Row = Row::new("photons of range", Curve::Flat, true, Band::RANGE);

/// Irradiance over the calibrated range.
pub const IRRADIANCE: Quantity = Quantity {
    id: "irradiance",
    unit: "W m-2",
    title: "Irradiance of the calibrated range",
    definition: "Energy over the calibrated range, unweighted",
    source: "CIE S 017:2020 International Lighting Vocabulary (irradiance)",
    remark: "not solar global irradiance, which reaches from 280 to 4000 nm",
    group: Group::Energy,
    limit: Limit { relative: 0.10, absolute: 1.0 },
    recipe: Recipe::Linear { row: &ENERGY_OF_RANGE, factor: 1.0 },
};

/// Photon flux density over the calibrated range.
pub const PHOTON_FLUX_DENSITY: Quantity = Quantity {
    id: "photon_flux_density",
    unit: "umol m-2 s-1",
    title: "Photon flux density of the calibrated range",
    definition: "Photons over the calibrated range, each with weight 1",
    source: "CIE S 017:2020 International Lighting Vocabulary (photon irradiance)",
    remark: "",
    group: Group::Energy,
    limit: Limit { relative: 0.10, absolute: 5.0 },
    recipe: Recipe::Linear { row: &PHOTONS_OF_RANGE, factor: 1.0 },
};
