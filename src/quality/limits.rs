//! Plausibility limits: the lowest and the highest physically possible value of a quantity. Pure.

use crate::config::StationKind;
use crate::quantities::{Plausible, Quantity};

/// What the plausibility limits of a reading depend on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlausibilityLimit {
    /// The light source of the station.
    pub kind: StationKind,
    /// Apparent elevation of the sun [degrees], where the sun is a source.
    pub sun_elevation_deg: Option<f64>,
    /// (Mean Earth–Sun distance / distance)² [1].
    pub inverse_distance_squared: f64,
    /// Highest plausible photon flux density of lamps [µmol m⁻² s⁻¹].
    pub lamp_rating_ppfd: Option<f64>,
}

/// Solar constant [W m⁻²]: the sun's nominal luminosity of IAU 2015 over a sphere of one astronomical unit (astropy 8.0.2,
/// `constants.L_sun` and `constants.au`: 1361.2).
const SOLAR_CONSTANT: f64 = 1361.0;

/// Lowest and highest possible value of a quantity; `None` where it has no limit.
///
/// Sun: the physically possible limits of global irradiance, −4 to 1.5·Sₐ·µ₀^1.2 + 100 W m⁻² (Long & Dutton 2002,
/// BSRN recommended QC tests V2.0), times the ratio of the quantity to global irradiance. Lamps: their rating times the ratio to it;
/// without a rating there is no limit.
pub fn physically_possible(source: &PlausibilityLimit, quantity: &Quantity) -> Option<(f64, f64)> {
    let Plausible { per_global, per_rating } = quantity.plausible?;
    let lamp = match source.kind {
        StationKind::Roof => 0.0,
        // A rating limits quantities within its own range only: it says nothing of the infrared of the lamps.
        _ => source.lamp_rating_ppfd? * per_rating?,
    };
    let sun = if source.kind.sunlit() {
        let sine = source.sun_elevation_deg?.to_radians().sin().max(0.0);
        1.5 * SOLAR_CONSTANT * source.inverse_distance_squared * sine.powf(1.2) + 100.0
    } else {
        0.0
    };
    Some((-4.0 * per_global, sun * per_global + lamp))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantities::{Group, Matrix, Recipe, SourceRule, index_of, registry, values};
    use crate::spectrum::g173::g173;

    fn possible(source: &PlausibilityLimit, id: &str) -> Option<(f64, f64)> {
        physically_possible(source, &registry()[index_of(id).expect("a quantity")])
    }

    /// Published: BSRN physically possible limits for global irradiance at Sₐ = 1361 W m⁻² (Long & Dutton 2002).
    #[test]
    fn the_limits_of_global_irradiance_are_the_published_ones() {
        for (zenith, want) in [(0.0, 2141.500), (30.0, 1817.854), (60.0, 988.614), (80.0, 349.778), (95.0, 100.0)] {
            let c = PlausibilityLimit {
                kind: StationKind::Roof,
                sun_elevation_deg: Some(90.0 - zenith),
                inverse_distance_squared: 1.0,
                lamp_rating_ppfd: None,
            };
            let (lo, hi) = possible(&c, "irradiance").unwrap();
            assert!((hi - want).abs() < 1e-3, "zenith {zenith}: want {want}, got {hi}");
            assert_eq!(lo, -4.0);
            let (_, ppfd) = possible(&c, "ppfd").unwrap();
            assert!((ppfd - 2.1 * want).abs() < 1e-2);
        }
    }

    /// Identity: the limit of PPFD is the rating itself.
    #[test]
    fn quantities_under_a_lamp_are_limited_by_its_rating_only() {
        let mut c = PlausibilityLimit {
            kind: StationKind::Lamp,
            sun_elevation_deg: None,
            inverse_distance_squared: 1.0,
            lamp_rating_ppfd: None,
        };
        assert_eq!(possible(&c, "ppfd"), None);
        c.lamp_rating_ppfd = Some(900.0);
        assert_eq!(possible(&c, "ppfd").map(|l| l.1), Some(900.0));
        assert_eq!(possible(&c, "pfd_blue").map(|l| l.1), Some(900.0));
        assert_eq!(possible(&c, "pfd_far_red"), None);
        assert_eq!(possible(&c, "uva"), None);
    }

    /// Identity: for lines of 1 nm, every quantity is at most its ratio times the photon flux density.
    #[test]
    fn no_monochromatic_light_exceeds_the_limits_of_its_rating() {
        let axis: Vec<f64> = (3800..=7800).map(|i| f64::from(i) / 10.0).collect();
        let matrix = Matrix::build(&axis, (380.0, 780.0), SourceRule::Lamp);
        for line in (210..3200).step_by(10) {
            let mut light = vec![0.0; axis.len()];
            light[line] = 100.0;
            let value = values(&matrix, &light);
            let value = |id: &str| value[index_of(id).unwrap()].clone().unwrap();
            for (id, most) in registry().iter().filter_map(|q| Some((q.id, q.plausible?.per_rating?))) {
                assert!(value(id) <= most * value("ppfd") * (1.0 + 1e-12), "{id} of {} nm", axis[line]);
            }
        }
    }

    /// Independent: the ratios exceed those of the global spectrum of ASTM G173-03, 1000.4 W m⁻² from 280 to 4000 nm, by a factor of at
    /// most 3, or 12 in the ultraviolet.
    #[test]
    fn every_linear_quantity_under_the_sun_has_a_limit_above_the_reference_spectrum() {
        const GLOBAL: f64 = 1000.4;
        let sun = g173();
        let inside = sun.wavelength_nm.iter().filter(|nm| **nm <= 1050.0).count();
        let axis = &sun.wavelength_nm[..inside];
        let matrix = Matrix::build(axis, (axis[0], axis[inside - 1]), SourceRule::Sun);
        for (q, value) in registry().iter().zip(values(&matrix, &sun.global_tilt[..inside])) {
            let limit = q.plausible.map(|p| p.per_global * GLOBAL);
            let (limit, value) = match (&q.recipe, limit, value) {
                (Recipe::Linear { .. }, Some(limit), Ok(value)) => (limit, value),
                (Recipe::Linear { .. }, None, _) if !q.serves(SourceRule::Sun) => continue,
                (Recipe::Linear { .. }, limit, value) => panic!("{}: {value:?}, limit {limit:?}", q.id),
                (_, None, _) => continue,
                (_, Some(_), _) => panic!("{} is not linear and has a limit", q.id),
            };
            let ultraviolet = q.group == Group::Ultraviolet;
            let most = if ultraviolet { 12.0 } else { 3.0 };
            assert!(limit > 1.05 * value && limit < most * value, "{}: {value}, limit {limit}", q.id);
        }
    }
}
