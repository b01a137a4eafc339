//! What is physically possible.

use crate::config::StationKind;
use crate::quantities::{Quantity, registry};
use std::sync::LazyLock;

/// Where the light comes from and how strong it can be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlausibilityLimit {
    /// What lights the station.
    pub kind: StationKind,
    /// The sun's apparent elevation [degrees], where the sun is (part of) the source.
    pub sun_elevation_deg: Option<f64>,
    /// (Mean Earth–Sun distance / distance)² [1].
    pub inverse_distance_squared: f64,
    /// Highest plausible photon flux density of lamps [µmol m⁻² s⁻¹].
    pub lamp_rating_ppfd: Option<f64>,
}

/// Solar constant [W m⁻²]: the sun's nominal luminosity of IAU 2015 over a sphere of one astronomical unit (astropy 8.0.2,
/// `constants.L_sun` and `constants.au`: 1361.2).
const SOLAR_CONSTANT: f64 = 1361.0;

/// How a quantity scales with global irradiance [unit / (W m⁻²)], generously: by 5 % and more above its share in the global
/// spectrum of ASTM G173-03, for what is blue or infrared by more than a fifth, and for ultraviolet, which grows faster than the
/// rest with the sun's height, several times: below the factors here stay all ultraviolet sums of musica 0.17.2 (the TUV model, sun
/// overhead, 200 DU of ozone: UV index 21.1, UV-B 3.01, UV-A 67.8, vitamin D 1.05, actinic 0.165 W/m²) over a clear sky's global
/// 1096 W/m² (pvlib 0.16.1, `ineichen`, turbidity 2). Every sum of light that the sun sends has one; ratios and colours have none.
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

/// The most that lamps can add for each µmol m⁻² s⁻¹ of their rating [unit / (µmol m⁻² s⁻¹)], for what lies within 400–700 nm like the
/// rating: no part is more than the whole, no photon there has more energy than one of 400 nm (0.2991 J/µmol), and none more
/// light than one of 553 nm (147.5 lm s/µmol; the eye sees hardly anything outside).
const PER_RATING: [(&str, f64); 6] = [
    ("ppfd", 1.0),
    ("pfd_blue", 1.0),
    ("pfd_green", 1.0),
    ("pfd_red", 1.0),
    ("par_irradiance", 0.3),
    ("illuminance", 150.0),
];

/// What a quantity scales with.
struct Scales {
    per_global: Option<f64>,
    per_rating: Option<f64>,
}

/// Those of every quantity, in the order of the registry: each reading asks for all of them.
static SCALES: LazyLock<Vec<Scales>> = LazyLock::new(|| {
    let of = |table: &[(&str, f64)], q: &Quantity| table.iter().find(|(id, _)| *id == q.id).map(|(_, scale)| *scale);
    registry().iter().map(|q| Scales { per_global: of(&PER_GLOBAL, q), per_rating: of(&PER_RATING, q) }).collect()
});

/// Whether a physical limit is known for a quantity.
pub fn has_limit(quantity: &str) -> bool {
    PER_GLOBAL.iter().any(|(id, _)| *id == quantity)
}

/// Lowest and highest possible value of a quantity, by its place in the registry; `None` where no limit is known for it.
///
/// Sun: the physically possible limits for global irradiance, −4 to 1.5·Sₐ·µ₀^1.2 + 100 W m⁻² (Long & Dutton 2002,
/// BSRN recommended QC tests V2.0), scaled to the quantity. Lamps add their rating. A lamp without a rating has no plausibility_limit.
pub fn physically_possible(plausibility_limit: &PlausibilityLimit, quantity: usize) -> Option<(f64, f64)> {
    let scales = SCALES.get(quantity)?;
    let scale = scales.per_global?;
    let lamp = match plausibility_limit.kind {
        StationKind::Roof => 0.0,
        // A rating bounds what lies in its own band only: lamps may send any amount of infrared beside it.
        _ => plausibility_limit.lamp_rating_ppfd? * scales.per_rating?,
    };
    let sun = if plausibility_limit.kind.sunlit() {
        let height = plausibility_limit.sun_elevation_deg?.to_radians().sin().max(0.0);
        1.5 * SOLAR_CONSTANT * plausibility_limit.inverse_distance_squared * height.powf(1.2) + 100.0
    } else {
        0.0
    };
    Some((-4.0 * scale, sun * scale + lamp))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantities::{Group, Matrix, Recipe, SourceRule, index_of, values};
    use crate::spectrum::g173::g173;

    fn possible(plausibility_limit: &PlausibilityLimit, id: &str) -> Option<(f64, f64)> {
        physically_possible(plausibility_limit, index_of(id).expect("a quantity"))
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

    /// Identity: a lamp is bounded by its rating only, in the unit it is rated in.
    #[test]
    fn a_lamp_is_bounded_by_its_rating_only() {
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

    /// Identity: no light of 400 to 700 nm alone is beyond what its photon flux density allows.
    #[test]
    fn no_single_line_is_beyond_what_a_rating_allows() {
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

    /// Independent: ASTM G173-03's global spectrum, 1000.4 W m⁻² from 280 to 4000 nm, lies below every plausibility_limit, and below none by
    /// so much that nothing could be found by it.
    #[test]
    fn every_sum_of_light_has_a_ceiling_above_the_suns() {
        const GLOBAL: f64 = 1000.4;
        let sun = g173();
        let inside = sun.wavelength_nm.iter().filter(|nm| **nm <= 1050.0).count();
        let axis = &sun.wavelength_nm[..inside];
        let matrix = Matrix::build(axis, (axis[0], axis[inside - 1]), SourceRule::Sun);
        for (q, value) in registry().iter().zip(values(&matrix, &sun.global_tilt[..inside])) {
            let scale = PER_GLOBAL.iter().find(|(id, _)| *id == q.id).map(|(_, scale)| scale * GLOBAL);
            let (scale, value) = match (&q.recipe, scale, value) {
                (Recipe::Linear { .. }, Some(scale), Ok(value)) => (scale, value),
                (Recipe::Linear { .. }, None, _) if !q.serves(SourceRule::Sun) => continue,
                (Recipe::Linear { .. }, scale, value) => panic!("{}: {value:?}, plausibility_limit {scale:?}", q.id),
                (_, None, _) => continue,
                (_, Some(_), _) => panic!("{} is no sum of light", q.id),
            };
            let ultraviolet = q.group == Group::Ultraviolet;
            let most = if ultraviolet { 12.0 } else { 3.0 };
            assert!(scale > 1.05 * value && scale < most * value, "{}: {value}, plausibility_limit {scale}", q.id);
        }
    }
}
