//! Plausibility limits: the lowest and the highest physically possible value of a quantity. Pure.

use crate::config::StationKind;
use crate::quantities::{Quantity, registry};
use std::sync::LazyLock;

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

/// Highest ratio of a quantity to global irradiance [unit / (W m⁻²)]; for every linear quantity under the sun, and for no ratio or
/// colour.
///
/// Above the ratio in the global spectrum of ASTM G173-03 by 5 % or more; by more than a fifth for blue and infrared quantities; and
/// several times for ultraviolet ones, which increase faster with the elevation of the sun: the values here exceed all ultraviolet
/// integrals of musica 0.17.2 (the TUV model, sun overhead, 200 DU of ozone: UV index 21.1, UV-B 3.01, UV-A 67.8, vitamin D 1.05,
/// actinic 0.165 W/m²) over the global irradiance of a clear sky, 1096 W/m² (pvlib 0.16.1, `ineichen`, turbidity 2).
const PER_GLOBAL: [(&str, f64); 26] = [
    ("ppfd", 2.1),
    ("eppfd", 2.6),
    ("par_irradiance", 0.5),
    ("pfd_blue", 0.75),
    ("pfd_green", 0.85),
    ("pfd_red", 0.95),
    ("pfd_far_red", 0.9),
    ("ypfd", 2.1),
    ("illuminance", 120.0),
    ("scotopic_illuminance", 350.0),
    ("edi_s_cone", 150.0),
    ("edi_m_cone", 140.0),
    ("edi_l_cone", 140.0),
    ("edi_rhodopic", 145.0),
    ("edi_melanopic", 145.0),
    ("irradiance", 1.0),
    ("irradiance_visible", 0.65),
    ("irradiance_nir", 0.6),
    ("photon_flux_density", 7.0),
    ("blue_light_hazard_irradiance", 0.14),
    ("uva", 0.07),
    ("uvb", 0.005),
    ("erythemal_irradiance", 0.0005),
    ("uv_index", 0.02),
    ("vitamin_d_irradiance", 0.001),
    ("actinic_uv_irradiance", 0.0002),
];

/// Highest ratio of a quantity to the rating of the lamps [unit / (µmol m⁻² s⁻¹)], for quantities within 400–700 nm, the range of the
/// rating: a part is at most the whole, a photon in that range has at most the energy of 400 nm (0.2991 J/µmol), and at most the
/// luminous energy of 553 nm (147.5 lm s/µmol; the eye is hardly sensitive outside the range).
const PER_RATING: [(&str, f64); 6] = [
    ("ppfd", 1.0),
    ("pfd_blue", 1.0),
    ("pfd_green", 1.0),
    ("pfd_red", 1.0),
    ("par_irradiance", 0.3),
    ("illuminance", 150.0),
];

/// The ratios of one quantity.
struct Ratios {
    per_global: Option<f64>,
    per_rating: Option<f64>,
}

/// The ratios of all quantities in the order of the registry. Every reading needs all of them.
static RATIOS: LazyLock<Vec<Ratios>> = LazyLock::new(|| {
    let ratios = |q: &Quantity| Ratios { per_global: ratio(&PER_GLOBAL, q), per_rating: ratio(&PER_RATING, q) };
    registry().iter().map(ratios).collect()
});

fn ratio(table: &[(&str, f64)], quantity: &Quantity) -> Option<f64> {
    table.iter().find(|(id, _)| *id == quantity.id).map(|(_, ratio)| *ratio)
}

/// Whether a quantity has a plausibility limit.
pub fn has_limit(quantity: &str) -> bool {
    PER_GLOBAL.iter().any(|(id, _)| *id == quantity)
}

/// Lowest and highest possible value of a quantity, by its index in the registry; `None` where it has no limit.
///
/// Sun: the physically possible limits of global irradiance, −4 to 1.5·Sₐ·µ₀^1.2 + 100 W m⁻² (Long & Dutton 2002,
/// BSRN recommended QC tests V2.0), times the ratio of the quantity to global irradiance. Lamps: their rating times the ratio to it;
/// without a rating there is no limit.
pub fn physically_possible(source: &PlausibilityLimit, quantity: usize) -> Option<(f64, f64)> {
    let ratios = RATIOS.get(quantity)?;
    let per_global = ratios.per_global?;
    let lamp = match source.kind {
        StationKind::Roof => 0.0,
        // A rating limits quantities within its own range only: it says nothing of the infrared of the lamps.
        _ => source.lamp_rating_ppfd? * ratios.per_rating?,
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
    use crate::quantities::{Group, Matrix, Recipe, SourceRule, index_of, values};
    use crate::spectrum::g173::g173;

    fn possible(source: &PlausibilityLimit, id: &str) -> Option<(f64, f64)> {
        physically_possible(source, index_of(id).expect("a quantity"))
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
            for (id, most) in PER_RATING {
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
            let limit = ratio(&PER_GLOBAL, q).map(|ratio| ratio * GLOBAL);
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
