//! Unweighted energy and photons of the calibrated range, and their mean energy and wavelengths.
//!
//! Invariant: the range is printed with the value, because it differs between instruments.

use super::constants::{AVOGADRO, ELEMENTARY_CHARGE, PHOTONS};
use super::quantity::{FinishFn, Group, Limit, Plausible, Quantity, Recipe, ratio};
use super::reason::NullReason;
use super::row::{Band, Curve, Row};

static ENERGY_OF_RANGE: Row = Row::new("energy of range", Curve::Flat, false, Band::RANGE);
static PHOTONS_OF_RANGE: Row = Row::new("photons of range", Curve::Flat, true, Band::RANGE);

static ENERGY_380_780: Row = Row::new("energy 380-780", Curve::Flat, false, Band::whole(380.0, 780.0));
/// A range that ends before 800 nm covers too little of the near infrared.
static ENERGY_FROM_780: Row = Row::new(
    "energy from 780",
    Curve::Flat,
    false,
    Band { from: 780.0, to: f64::INFINITY, needs: Some((780.0, 800.0)) },
);

/// Reason of the limits of energy and photons.
const ENERGY_LIMIT: &str =
    "a tenth of the value, as simple radiometers agree in the field, or about a thousandth of full sun";

/// Irradiance over the calibrated range.
pub const IRRADIANCE: Quantity = Quantity {
    id: "irradiance",
    unit: "W m-2",
    title: "Irradiance of the calibrated range",
    definition: "Energy over the calibrated range, unweighted",
    source: "CIE S 017:2020 International Lighting Vocabulary (irradiance)",
    remark: "not solar global irradiance, which reaches from 280 to 4000 nm",
    group: Group::Energy,
    limit: Limit { relative: 0.10, absolute: 1.0, reason: ENERGY_LIMIT },
    plausible: Plausible::sun(1.0),
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
    limit: Limit { relative: 0.10, absolute: 5.0, reason: ENERGY_LIMIT },
    plausible: Plausible::sun(7.0),
    recipe: Recipe::Linear { row: &PHOTONS_OF_RANGE, factor: 1.0 },
};

/// Irradiance of the visible.
pub const IRRADIANCE_VISIBLE: Quantity = Quantity {
    id: "irradiance_visible",
    unit: "W m-2",
    title: "Visible irradiance",
    definition: "Energy 380-780 nm, unweighted",
    source: "CIE S 017:2020 International Lighting Vocabulary (visible radiation)",
    remark: "",
    group: Group::Energy,
    limit: Limit { relative: 0.10, absolute: 0.5, reason: ENERGY_LIMIT },
    plausible: Plausible::sun(0.65),
    recipe: Recipe::Linear { row: &ENERGY_380_780, factor: 1.0 },
};

/// Irradiance of the near infrared.
pub const IRRADIANCE_NIR: Quantity = Quantity {
    id: "irradiance_nir",
    unit: "W m-2",
    title: "Near-infrared irradiance of the calibrated range",
    definition: "Energy from 780 nm to the end of the calibrated range, unweighted",
    source: "CIE S 017:2020 International Lighting Vocabulary (infrared radiation)",
    remark: "",
    group: Group::Energy,
    limit: Limit { relative: 0.10, absolute: 1.0, reason: ENERGY_LIMIT },
    plausible: Plausible::sun(0.6),
    recipe: Recipe::Linear { row: &ENERGY_FROM_780, factor: 1.0 },
};

const fn place(
    id: &'static str,
    unit: &'static str,
    title: &'static str,
    definition: &'static str,
    source: &'static str,
    limit: f64,
    recipe: Recipe,
) -> Quantity {
    let limit =
        Limit { relative: 0.0, absolute: limit, reason: "small beside the differences between kinds of light sources" };
    Quantity { id, unit, title, definition, source, remark: "", group: Group::Energy, limit, plausible: None, recipe }
}

static PHOTONS_AND_ENERGY: &[&Row] = &[&PHOTONS_OF_RANGE, &ENERGY_OF_RANGE];

const fn of_energy_and_photons(finish: FinishFn) -> Recipe {
    Recipe::Finish { rows: PHOTONS_AND_ENERGY, bright: 1, finish }
}

/// Mean energy of a photon.
pub const AVERAGE_PHOTON_ENERGY: Quantity = place(
    "average_photon_energy",
    "eV",
    "Average photon energy",
    "Energy over number of photons of the calibrated range",
    "IEC 60904-9:2020 (spectral characteristics); SI Brochure, 9th edition",
    0.02,
    of_energy_and_photons(average_photon_energy),
);

/// Wavelength of the maximum, interpolated between samples.
pub const PEAK_WAVELENGTH: Quantity = place(
    "peak_wavelength",
    "nm",
    "Peak wavelength",
    "Vertex of the parabola through the highest sample of the calibrated range and its two neighbours; none where the maximum is flat within its uncertainty",
    "CIE S 017:2020 International Lighting Vocabulary (peak wavelength)",
    2.0,
    Recipe::Peak { row: &ENERGY_OF_RANGE },
);

/// Mean wavelength, weighted by energy.
pub const CENTROID_WAVELENGTH: Quantity = place(
    "centroid_wavelength",
    "nm",
    "Centroid wavelength",
    "Mean wavelength of the calibrated range, weighted by spectral irradiance",
    "CIE S 017:2020 International Lighting Vocabulary (centroid wavelength)",
    2.0,
    of_energy_and_photons(centroid_wavelength),
);

/// Energy of a photon in electronvolts, from energy over number of photons.
fn average_photon_energy(sums: &[f64], gradient: &mut [f64]) -> Result<f64, NullReason> {
    /// Electronvolts per photon in a joule per micromole of photons.
    const FACTOR: f64 = 1.0 / (1e-6 * AVOGADRO * ELEMENTARY_CHARGE);
    let (photons, energy) = (sums[0], sums[1]);
    if photons > 0.0 && energy > 0.0 {
        gradient[0] = -FACTOR * energy / (photons * photons);
        gradient[1] = FACTOR / photons;
        Ok(FACTOR * energy / photons)
    } else {
        Err(NullReason::TooLittleLight)
    }
}

/// ∫ λE over ∫ E, since the number of photons is proportional to energy times wavelength.
fn centroid_wavelength(sums: &[f64], gradient: &mut [f64]) -> Result<f64, NullReason> {
    let ratio = ratio(sums, gradient)?;
    gradient.iter_mut().for_each(|g| *g /= PHOTONS);
    Ok(ratio / PHOTONS)
}
