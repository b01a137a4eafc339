//! Ultraviolet radiation weighted for plants: the photon flux of UV-A, and two action spectra of damage and growth.
//!
//! Both action spectra are fits to photon responses of a few species. They are stated for energy (times the wavelength over 300 nm) and
//! divided by their own value at 300 nm where the authors did so, as the TUV model does. Other action spectra of plants differ several-fold on
//! the same light, and none of them assesses a crop.

use super::quantity::{Group, Limit, Plausible, Quantity, Recipe};
use super::row::{Band, Curve, Row};

/// Where integrals under the sun start [nm], as for skin.
const SUN_FROM_NM: f64 = 290.0;
/// The reference wavelength of both action spectra [nm].
const REFERENCE_NM: f64 = 300.0;
/// Where the generalised action spectrum becomes zero [nm].
const GENERALISED_END_NM: f64 = 313.3;

static PHOTONS_UVA: Row = Row::new("photons 315-400", Curve::Flat, true, Band::whole(315.0, 400.0));
static GROWTH: Row = Row {
    name: "plant growth",
    curve: Curve::Formula(growth),
    photons: false,
    sun: Some(Band::whole(SUN_FROM_NM, 366.0)),
    lamp: Band::whole(280.0, 366.0),
};
static GENERALISED: Row = Row {
    name: "plant generalised",
    curve: Curve::Formula(generalised),
    photons: false,
    sun: Some(Band::whole(SUN_FROM_NM, GENERALISED_END_NM)),
    lamp: Band::whole(280.0, GENERALISED_END_NM),
};

/// Weighting for the growth of plants [1]; 0.988 at 300 nm.
///
/// wavelength_nm: 280 to 366 [nm], the range of the measurements; zero outside and for NaN. Source: Flint & Caldwell 2003, Physiol. Plant.
/// 117:137–144, with the coefficients of the TUV model's source, times the wavelength over 300 nm.
fn growth(wavelength_nm: f64) -> f64 {
    if !(280.0..=366.0).contains(&wavelength_nm) {
        return 0.0;
    }
    let edge = (-(0.170_341_1 * (wavelength_nm - 307.867) / 1.15).exp()).exp();
    let slope = (390.0 - wavelength_nm) / 121.7557 - 4.183_832;
    (4.688_272 * edge + slope).exp() * wavelength_nm / REFERENCE_NM
}

/// Generalised action spectrum of damage to plants [1]; 1 at 300 nm.
///
/// wavelength_nm: 280 to 313.3 [nm]; zero outside and for NaN. Source: Caldwell 1971, Photophysiology 6:131–177, as fitted by Green, Sawada
/// & Shettle 1974, Photochem. Photobiol. 19:251–259 (coefficients as public implementations have them), times the wavelength over 300 nm.
fn generalised(wavelength_nm: f64) -> f64 {
    if !(280.0..=GENERALISED_END_NM).contains(&wavelength_nm) {
        return 0.0;
    }
    let fit = |nm: f64| (1.0 - (nm / GENERALISED_END_NM).powi(2)) * ((REFERENCE_NM - nm) / 31.08).exp();
    fit(wavelength_nm) / fit(REFERENCE_NM) * wavelength_nm / REFERENCE_NM
}

/// UV-A photons.
pub const PFD_UVA: Quantity = Quantity {
    id: "pfd_uva",
    unit: "umol m-2 s-1",
    title: "UV-A photon flux density",
    definition: "Photons 315-400 nm, each with weight 1",
    source: "band as for uva; photons as in ANSI/ASABE S640",
    remark: "",
    group: Group::Ultraviolet,
    limit: Limit { relative: 0.15, absolute: 0.6, reason: "as for uva: its absolute limit in photons of 360 nm" },
    plausible: Plausible::sun(0.21),
    recipe: Recipe::Linear { row: &PHOTONS_UVA, factor: 1.0 },
};

/// Irradiance weighted for the growth of plants.
pub const PLANT_GROWTH_UV_IRRADIANCE: Quantity = Quantity {
    id: "plant_growth_uv_irradiance",
    unit: "W m-2",
    title: "Ultraviolet irradiance weighted for plant growth",
    definition: "Spectral irradiance weighted by Flint & Caldwell's function per joule, 280-366 nm; from 290 nm under the sun",
    source: "Flint & Caldwell 2003, Physiol. Plant. 117:137-144",
    remark: "the function is extended to 390 nm by some, which gives half as much again under a high sun",
    group: Group::Ultraviolet,
    limit: Limit {
        relative: 0.15,
        absolute: 0.03,
        reason: "as for the UV index, or 5 % of what a high sun gives (ASTM G173-03: 0.63 W m-2)",
    },
    plausible: Plausible::sun(0.003),
    recipe: Recipe::Linear { row: &GROWTH, factor: 1.0 },
};

/// Irradiance weighted for damage to plants.
pub const PLANT_DAMAGE_UV_IRRADIANCE: Quantity = Quantity {
    id: "plant_damage_uv_irradiance",
    unit: "W m-2",
    title: "Ultraviolet irradiance weighted for plant damage",
    definition: "Spectral irradiance weighted by Green's fit of Caldwell's generalised action spectrum per joule, 1 at 300 nm, 280-313.3 nm; from 290 nm under the sun",
    source: "Caldwell 1971, Photophysiology 6:131-177; Green, Sawada & Shettle 1974, Photochem. Photobiol. 19:251-259",
    remark: "approximate: the fit ends at 313.3 nm, other fits of the same data reach to 340 nm and beyond",
    group: Group::Ultraviolet,
    limit: Limit {
        relative: 0.20,
        absolute: 0.005,
        reason: "as for uvb, or 5 % of what a high sun gives (ASTM G173-03: 0.097 W m-2)",
    },
    plausible: Plausible::sun(0.000_6),
    recipe: Recipe::Linear { row: &GENERALISED, factor: 1.0 },
};

#[cfg(test)]
mod tests {
    use super::*;

    /// Independent: numpy, from the formulas in the sources of the TUV model and of a public package of plant weightings.
    #[test]
    fn the_weights_are_those_of_the_formulas() {
        for (x, want) in
            [(280.0, 3.539_302_031), (300.0, 0.987_724_044_5), (310.0, 0.099_806_874_55), (366.0, 0.022_643_892_44)]
        {
            assert!((growth(x) - want).abs() < 1e-9 * want, "{x} nm: want {want}, got {}", growth(x));
        }
        for (x, want) in [
            (280.0, 4.302_288_517),
            (290.0, 2.298_136_250),
            (300.0, 1.0),
            (310.0, 0.188_882_843),
            (313.0, 0.015_817_849_44),
        ] {
            assert!((generalised(x) - want).abs() < 1e-9 * want, "{x} nm: want {want}, got {}", generalised(x));
        }
        for outside in [279.999, 366.001, f64::NAN, f64::INFINITY, -300.0] {
            assert_eq!((growth(outside), generalised(outside)), (0.0, 0.0));
        }
        assert!(generalised(313.3).abs() < 1e-15 && generalised(313.301) == 0.0);
    }
}
