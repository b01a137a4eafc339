//! Ultraviolet radiation: bands, erythemal irradiance, UV index.
//!
//! Under the sun integrals start at 290 nm: the ozone layer lets nothing through below, and what an instrument shows there
//! is its stray light. At lamps they need the whole range of the weighting, so that a lamp leaking 254 nm cannot read as
//! harmless. None of this is an assessment of exposure.

use super::constants;
use super::registry::{Group, Limit, Quantity, Recipe};
use super::row::{Band, Curve, Row};

/// Where integrals under the sun start [nm].
const SUN_FROM_NM: f64 = 290.0;

static ENERGY_UVA: Row = Row::new("energy 315-400", Curve::Flat, false, Band::whole(315.0, 400.0));
static ENERGY_UVB: Row = Row {
    name: "energy 280-315",
    curve: Curve::Flat,
    photons: false,
    sun: Band::whole(SUN_FROM_NM, 315.0),
    lamp: Band::whole(280.0, 315.0),
};
static ERYTHEMA: Row = Row {
    name: "erythema",
    curve: Curve::Formula(erythema),
    photons: false,
    sun: Band::whole(SUN_FROM_NM, 400.0),
    lamp: Band::whole(250.0, 400.0),
};

/// Erythema action spectrum [1].
///
/// wavelength_nm: 250 to 400 [nm]; zero outside and for NaN. Source: ISO/CIE 17166:2019 (Webb, Slaper, Koepke & Schmalwieser 2011,
/// Photochem. Photobiol. 87:483–486): 140, not the 139 of older codes, which leaves a step of 3.4 % at 328 nm.
pub fn erythema(wavelength_nm: f64) -> f64 {
    match wavelength_nm {
        x if !(250.0..=400.0).contains(&x) => 0.0,
        x if x <= 298.0 => 1.0,
        x if x <= 328.0 => 10f64.powf(0.094 * (298.0 - x)),
        x => 10f64.powf(0.015 * (140.0 - x)),
    }
}

/// UV-A.
pub const UVA: Quantity = Quantity {
    id: "uva",
    unit: "W m-2",
    title: "UV-A irradiance",
    definition: "Energy 315-400 nm, unweighted",
    source: "CIE S 017:2020 International Lighting Vocabulary; ISO 21348",
    remark: "",
    group: Group::Ultraviolet,
    // 0.2 W/m² is half a per cent of the midday sun's.
    limit: Limit { relative: 0.15, absolute: 0.2 },
    recipe: Recipe::Linear { row: &ENERGY_UVA, factor: 1.0 },
};

/// UV-B.
pub const UVB: Quantity = Quantity {
    id: "uvb",
    unit: "W m-2",
    title: "UV-B irradiance",
    definition: "Energy 280-315 nm, unweighted; from 290 nm under the sun",
    source: "CIE S 017:2020 International Lighting Vocabulary; ISO 21348",
    remark: "",
    group: Group::Ultraviolet,
    // Steeper than any other band of daylight: 0.02 W/m² is about 2 % of a high sun's.
    limit: Limit { relative: 0.20, absolute: 0.02 },
    recipe: Recipe::Linear { row: &ENERGY_UVB, factor: 1.0 },
};

/// Erythemal irradiance.
pub const ERYTHEMAL_IRRADIANCE: Quantity = Quantity {
    id: "erythemal_irradiance",
    unit: "W m-2",
    title: "Erythemal irradiance",
    definition: "Spectral irradiance weighted by the erythema action spectrum, 250-400 nm; from 290 nm under the sun",
    source: "ISO/CIE 17166:2019",
    remark: "",
    group: Group::Ultraviolet,
    limit: Limit { relative: 0.15, absolute: 0.3 / constants::UV_INDEX },
    recipe: Recipe::Linear { row: &ERYTHEMA, factor: 1.0 },
};

/// UV index.
pub const UV_INDEX: Quantity = Quantity {
    id: "uv_index",
    unit: "1",
    title: "UV index",
    definition: "40 m2/W times the erythemal irradiance",
    source: "WHO, WMO, UNEP, ICNIRP 2002, Global Solar UV Index: a practical guide; ISO/CIE 17166:2019",
    remark: "",
    group: Group::Ultraviolet,
    limit: Limit { relative: 0.15, absolute: 0.3 },
    recipe: Recipe::Linear { row: &ERYTHEMA, factor: constants::UV_INDEX },
};

#[cfg(test)]
mod tests {
    use super::*;

    /// Published: ISO/CIE 17166:2019, values of its three branches (to 9 digits, computed from the formula).
    #[test]
    fn the_erythema_weights_are_the_standards() {
        for (x, want) in [
            (250.0, 1.0),
            (298.0, 1.0),
            (300.0, 6.486_344_34e-1),
            (305.0, 2.197_859_87e-1),
            (310.0, 7.447_319_74e-2),
            (315.0, 2.523_480_77e-2),
            (320.0, 8.550_667_13e-3),
            (328.0, 1.513_561_25e-3),
            (330.0, 1.412_537_54e-3),
            (350.0, 7.079_457_84e-4),
            (400.0, 1.258_925_41e-4),
        ] {
            assert!((erythema(x) - want).abs() < 5e-9 * want, "{x} nm: want {want}, got {}", erythema(x));
        }
        for outside in [249.999, 400.001, f64::NAN, f64::INFINITY, -300.0] {
            assert_eq!(erythema(outside), 0.0);
        }
    }

    /// Identity: 0.094 · 30 = 0.015 · 188, so the branches meet at 328 nm; with 139 in place of 140 they would not.
    #[test]
    fn the_erythema_curve_has_no_step_at_328_nm() {
        let (below, above) = (erythema(328.0), erythema(328.0 + 1e-9));
        assert!((below - above).abs() < 1e-9 * below, "{below} {above}");
    }
}
