//! Ultraviolet radiation: bands, and weightings for skin and eye.
//!
//! Under the sun integrals start at 290 nm: the ozone layer absorbs everything below, and a signal there is stray light of the
//! instrument. Under lamps they need the whole range of the weighting, so that the hazard of a lamp that emits at 254 nm is not
//! understated. None of this is an assessment of exposure.

use super::constants;
use super::quantity::{Group, Limit, Plausible, Quantity, Recipe};
use super::row::{Band, Curve, Row};
use super::tables;
use crate::numeric::locate;

/// Where integrals under the sun start [nm].
const SUN_FROM_NM: f64 = 290.0;

static ENERGY_UVA: Row = Row::new("energy 315-400", Curve::Flat, false, Band::whole(315.0, 400.0));
static ENERGY_UVB: Row = Row {
    name: "energy 280-315",
    curve: Curve::Flat,
    photons: false,
    sun: Some(Band::whole(SUN_FROM_NM, 315.0)),
    lamp: Band::whole(280.0, 315.0),
};
static ERYTHEMA: Row = Row {
    name: "erythema",
    curve: Curve::Formula(erythema),
    photons: false,
    sun: Some(Band::whole(SUN_FROM_NM, 400.0)),
    lamp: Band::whole(250.0, 400.0),
};

/// The band begins at 100 nm, which cannot be measured in air; the calibrated range has to begin at 250 nm or below.
static ENERGY_UVC: Row = Row {
    name: "energy 100-280",
    curve: Curve::Flat,
    photons: false,
    sun: None,
    lamp: Band { from: 100.0, to: 280.0, needs: Some((250.0, 280.0)) },
};
static PREVITAMIN_D3: Row = Row {
    name: "previtamin d3",
    curve: Curve::Tabulated(tables::previtamin_d3),
    photons: false,
    sun: Some(Band::whole(SUN_FROM_NM, 330.0)),
    lamp: Band::whole(252.0, 330.0),
};
static ACTINIC: Row = Row {
    name: "actinic",
    curve: Curve::Formula(actinic),
    photons: false,
    sun: Some(Band::whole(SUN_FROM_NM, 400.0)),
    lamp: Band::whole(200.0, 400.0),
};

/// Actinic weighting S(λ) [1]: the tabulated figures, their logarithm linear between entries.
///
/// wavelength_nm: 180 to 400 [nm]; zero outside and for NaN. Source: ICNIRP 2004, Health Phys. 87(2):171–186; IEC 62471:2006. The
/// approximation by formula in the same guideline differs by up to a tenth and more.
pub fn actinic(wavelength_nm: f64) -> f64 {
    let table = tables::actinic();
    let Some((i, share)) = locate(&table.wavelength_nm, wavelength_nm) else { return 0.0 };
    let (a, b) = (table.value[i], table.value[i + 1]);
    // At an entry the value is the entry's, to the bit.
    match share {
        0.0 => a,
        1.0 => b,
        s => a * (b / a).powf(s),
    }
}

/// Erythema action spectrum [1].
///
/// wavelength_nm: 250 to 400 [nm]; zero outside and for NaN. Source: ISO/CIE 17166:2019 (Webb, Slaper, Koepke & Schmalwieser 2011,
/// Photochem. Photobiol. 87:483–486): 140; the 139 of older codes gives a step of 3.4 % at 328 nm.
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
    limit: Limit {
        relative: 0.15,
        absolute: 0.2,
        reason: "0.15 of the value, what careful calibrations of ultraviolet spectrometers reach in the field, or UV-A of a sun at 2 degrees",
    },
    plausible: Plausible::sun(0.07),
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
    // Daylight rises more steeply here than in any other band: 0.02 W/m² is about 2 % of a high sun's.
    limit: Limit {
        relative: 0.20,
        absolute: 0.01,
        reason: "as for the UV index, and a shorter band in which a shift of the scale weighs more",
    },
    plausible: Plausible::sun(0.005),
    recipe: Recipe::Linear { row: &ENERGY_UVB, factor: 1.0 },
};

/// UV-C.
pub const UVC: Quantity = Quantity {
    id: "uvc",
    unit: "W m-2",
    title: "UV-C irradiance",
    definition: "Energy 100-280 nm, unweighted, from the first wavelength measured, which has to be 250 nm or below; lamps only",
    source: "CIE S 017:2020 International Lighting Vocabulary; ISO 21348",
    remark: "",
    group: Group::Ultraviolet,
    // Stray radiation of germicidal lamps: 0.01 W/m² must be distinguishable from zero.
    limit: Limit {
        relative: 0.15,
        absolute: 0.001,
        reason: "0.15 of the value, or an irradiance that takes more than an hour to the exposure limit at 254 nm (6 J m-2, ICNIRP 2004)",
    },
    plausible: None,
    recipe: Recipe::Linear { row: &ENERGY_UVC, factor: 1.0 },
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
    limit: Limit {
        relative: 0.15,
        absolute: 0.1 / constants::UV_INDEX,
        reason: "as for the UV index, of which it is a fortieth",
    },
    plausible: Plausible::sun(0.0005),
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
    limit: Limit {
        relative: 0.15,
        absolute: 0.1,
        reason: "0.15 of the value, as the best broadband meters agree, or a tenth of the least step that forecasts state",
    },
    plausible: Plausible::sun(0.02),
    recipe: Recipe::Linear { row: &ERYTHEMA, factor: constants::UV_INDEX },
};

/// Irradiance weighted for previtamin D₃.
pub const VITAMIN_D_IRRADIANCE: Quantity = Quantity {
    id: "vitamin_d_irradiance",
    unit: "W m-2",
    title: "Vitamin D effective irradiance",
    definition: "Spectral irradiance weighted by the action spectrum for previtamin D3 in skin, 252-330 nm; from 290 nm under the sun",
    source: "CIE 174:2006, 1 nm, linear",
    remark: "no health advice; the action spectrum is disputed above 315 nm",
    group: Group::Ultraviolet,
    // About 3 % of a high sun's.
    limit: Limit {
        relative: 0.20,
        absolute: 0.005,
        reason: "as for the UV index, with a wider band of weights in the steep part of the spectrum",
    },
    plausible: Plausible::sun(0.001),
    recipe: Recipe::Linear { row: &PREVITAMIN_D3, factor: 1.0 },
};

/// Actinic irradiance.
pub const ACTINIC_UV_IRRADIANCE: Quantity = Quantity {
    id: "actinic_uv_irradiance",
    unit: "W m-2",
    title: "Actinic ultraviolet irradiance",
    definition: "Spectral irradiance weighted by the tabulated S(lambda), log-linear between entries, 200-400 nm; from 290 nm under the sun",
    source: "ICNIRP 2004, Health Phys. 87(2):171-186; IEC 62471:2006",
    remark: "",
    group: Group::Ultraviolet,
    // The steepest weighting under the sun: 2 mW/m² is some 5 % of a high sun's.
    limit: Limit {
        relative: 0.20,
        absolute: 0.0002,
        reason: "a fifth of the value, or a fifth of the mean that reaches the exposure limit in 8 h (30 J m-2, ICNIRP 2004)",
    },
    plausible: Plausible::sun(0.0002),
    recipe: Recipe::Linear { row: &ACTINIC, factor: 1.0 },
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

    /// Published: S(λ) of ICNIRP 2004 at its entries, and the middle between two of them, the root of their product.
    #[test]
    fn the_actinic_weights_are_tabulated_and_log_linear_between() {
        for (x, want) in
            [(200.0, 0.030), (254.0, 0.5), (270.0, 1.0), (297.0, 0.46), (305.0, 0.06), (315.0, 0.003), (400.0, 3e-5)]
        {
            assert_eq!(actinic(x), want, "{x} nm");
        }
        let between = actinic(301.5);
        assert!((between - (0.3f64 * 0.12).sqrt()).abs() < 1e-12, "{between}");
        for outside in [179.999, 400.001, f64::NAN, f64::INFINITY, -300.0] {
            assert_eq!(actinic(outside), 0.0);
        }
    }
}
