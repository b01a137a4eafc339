//! Light weighted for its hazard to the retina.
//!
//! Invariant: an irradiance is not a radiance, so nothing here is compared with an exposure limit and no risk group is stated.

use super::quantity::{Group, Limit, Plausible, Quantity, Recipe};
use super::row::{Band, Curve, Row};
use super::tables;

static BLUE_LIGHT: Row = {
    // Below 380 nm the weight is 0.01, together a thousandth of daylight's sum: included where measured, not required.
    let band = Band { from: 300.0, to: 700.0, needs: Some((380.0, 700.0)) };
    Row::new("blue light", Curve::Formula(blue_light), false, band)
};

/// Blue-light hazard weighting B(λ) [1].
///
/// wavelength_nm: 300 to 700 [nm]; zero outside and for NaN. Source: IEC 62471:2006; ICNIRP 2013, Health Phys. 105(1):74–96: a
/// table to 500 nm, linear between entries, a formula to 600 nm, then a constant.
pub fn blue_light(wavelength_nm: f64) -> f64 {
    match wavelength_nm {
        x if !(300.0..=700.0).contains(&x) => 0.0,
        x if x < 500.0 => tables::blue_light().at(x),
        x if x <= 600.0 => 10f64.powf((450.0 - x) / 50.0),
        _ => 0.001,
    }
}

/// Blue-light hazard irradiance.
pub const BLUE_LIGHT_HAZARD_IRRADIANCE: Quantity = Quantity {
    id: "blue_light_hazard_irradiance",
    unit: "W m-2",
    title: "Blue-light hazard weighted irradiance",
    definition: "Spectral irradiance weighted by B(lambda), 300-700 nm, from the first wavelength measured",
    source: "IEC 62471:2006; ICNIRP 2013, Health Phys. 105(1):74-96",
    remark: "an irradiance, not the radiance that limits are set for",
    group: Group::Retina,
    limit: Limit {
        relative: 0.10,
        absolute: 0.1,
        reason: "a tenth of the value, or a tenth of 1 W m-2, from which on small sources are assessed (IEC 62471)",
    },
    plausible: Plausible::sun(0.14),
    recipe: Recipe::Linear { row: &BLUE_LIGHT, factor: 1.0 },
};

#[cfg(test)]
mod tests {
    use super::*;

    /// Published: B(λ) of IEC 62471:2006, entries and both ends of its formula.
    #[test]
    fn the_blue_light_weights_are_the_standards() {
        for (x, want) in
            [(300.0, 0.01), (380.0, 0.01), (400.0, 0.1), (440.0, 1.0), (465.0, 0.7), (495.0, 0.16), (650.0, 0.001)]
        {
            assert_eq!(blue_light(x), want, "{x} nm");
        }
        for (x, want) in [(500.0, 0.1), (550.0, 0.01), (600.0, 0.001), (499.999_999, 0.1)] {
            assert!((blue_light(x) - want).abs() < 1e-6 * want + 1e-7, "{x} nm: {}", blue_light(x));
        }
        for outside in [299.999, 700.001, f64::NAN, f64::NEG_INFINITY] {
            assert_eq!(blue_light(outside), 0.0);
        }
    }
}
