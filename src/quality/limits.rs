//! What is physically possible.

use crate::config::StationKind;

/// Where the light comes from and how strong it can be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ceiling {
    /// What lights the station.
    pub kind: StationKind,
    /// The sun's apparent elevation [degrees], where the sun is (part of) the source.
    pub sun_elevation_deg: Option<f64>,
    /// (Mean Earth–Sun distance / distance)² [1].
    pub inverse_distance_squared: f64,
    /// Highest plausible photon flux density of lamps [µmol m⁻² s⁻¹].
    pub lamp_rating_ppfd: Option<f64>,
}

/// Solar constant [W m⁻²] (1360.8 ± 0.5, Kopp & Lean 2011, from memory).
const SOLAR_CONSTANT: f64 = 1361.0;

/// How a quantity scales with global irradiance [unit / (W m⁻²)], generously: common practice, from memory.
/// 2.1 µmol/J, 120 lm/W, half the energy in 400–700 nm, 7 % ultraviolet A, 0.5 % ultraviolet B, and a UV index of 0.02.
const PER_GLOBAL: [(&str, f64); 8] = [
    ("ppfd", 2.1),
    ("eppfd", 2.6),
    ("par_irradiance", 0.5),
    ("illuminance", 120.0),
    ("irradiance", 1.0),
    ("uva", 0.07),
    ("uvb", 0.005),
    ("uv_index", 0.02),
];

/// Whether a physical limit is known for a quantity.
pub fn has_limit(quantity: &str) -> bool {
    PER_GLOBAL.iter().any(|(id, _)| *id == quantity)
}

/// Lowest and highest possible value of a quantity; `None` where no limit is known for it.
///
/// Sun: the physically possible limits for global irradiance, −4 to 1.5·Sₐ·µ₀^1.2 + 100 W m⁻² (Long & Dutton 2002,
/// BSRN recommended QC tests V2.0), scaled to the quantity. Lamps add their rating. A lamp without a rating has no ceiling.
pub fn physically_possible(ceiling: &Ceiling, quantity: &str) -> Option<(f64, f64)> {
    let scale = PER_GLOBAL.iter().find(|(id, _)| *id == quantity).map(|(_, s)| *s)?;
    let lamp = match (ceiling.kind, ceiling.lamp_rating_ppfd) {
        (StationKind::Roof, _) => 0.0,
        // Only where the rating is in the quantity's own unit does it bound anything.
        (_, Some(rating)) if quantity == "ppfd" => rating,
        _ => return None,
    };
    let sun = if ceiling.kind.sunlit() {
        let height = ceiling.sun_elevation_deg?.to_radians().sin().max(0.0);
        1.5 * SOLAR_CONSTANT * ceiling.inverse_distance_squared * height.powf(1.2) + 100.0
    } else {
        0.0
    };
    Some((-4.0 * scale, sun * scale + lamp))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published: BSRN physically possible limits for global irradiance at Sₐ = 1361 W m⁻² (Long & Dutton 2002).
    #[test]
    fn the_limits_of_global_irradiance_are_the_published_ones() {
        for (zenith, want) in [(0.0, 2141.500), (30.0, 1817.854), (60.0, 988.614), (80.0, 349.778), (95.0, 100.0)] {
            let c = Ceiling {
                kind: StationKind::Roof,
                sun_elevation_deg: Some(90.0 - zenith),
                inverse_distance_squared: 1.0,
                lamp_rating_ppfd: None,
            };
            let (lo, hi) = physically_possible(&c, "irradiance").unwrap();
            assert!((hi - want).abs() < 1e-3, "zenith {zenith}: want {want}, got {hi}");
            assert_eq!(lo, -4.0);
            let (_, ppfd) = physically_possible(&c, "ppfd").unwrap();
            assert!((ppfd - 2.1 * want).abs() < 1e-2);
        }
    }

    /// Identity: a lamp is bounded by its rating only, in the unit it is rated in.
    #[test]
    fn a_lamp_is_bounded_by_its_rating_only() {
        let mut c = Ceiling {
            kind: StationKind::Lamp,
            sun_elevation_deg: None,
            inverse_distance_squared: 1.0,
            lamp_rating_ppfd: None,
        };
        assert_eq!(physically_possible(&c, "ppfd"), None);
        c.lamp_rating_ppfd = Some(900.0);
        assert_eq!(physically_possible(&c, "ppfd").map(|l| l.1), Some(900.0));
        assert_eq!(physically_possible(&c, "illuminance"), None);
    }
}
