//! Correction of the optic's cosine response, from the position of the sun and the clearness of the sky.
//!
//! The share of direct light is not measured. It is estimated from the brightness of the reading for the sun's elevation; the
//! uncertainty of this estimate is common to all wavelengths.

use crate::calibration::Cosine;
use crate::numeric::interpolate_clamped;

/// Photons in 400–700 nm per joule of global irradiance [µmol/J]; the usual value (2.0–2.1 in the literature).
const PPFD_PER_GLOBAL: f64 = 2.05;
/// Solar constant [W m⁻²]: the sun's nominal luminosity of IAU 2015 over a sphere of one astronomical unit (astropy 8.0.2,
/// `constants.L_sun` and `constants.au`: 1361.2).
const SOLAR_CONSTANT: f64 = 1361.0;

/// The response of the optic to the light of a reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CosineFactor {
    /// Response relative to the ideal response [1]; irradiance is divided by it.
    pub factor: f64,
    /// Its standard uncertainty [1].
    pub uncertainty: f64,
    /// Factor below 400 nm, where a larger share of the light is diffuse [1].
    pub ultraviolet: f64,
    /// Largest relative error due to the unknown share of direct light [1].
    pub beam_effect: f64,
}

/// Diffuse share of global irradiance for a clearness index [1].
///
/// clearness: global horizontal over extraterrestrial horizontal irradiance [1], clamped to 0–1.
/// Source: Erbs, Klein & Duffie 1982, Solar Energy 28:293, equation 1, with the coefficients of pvlib 0.16.1, `erbs`.
pub fn diffuse_share(clearness: f64) -> f64 {
    let k = if clearness.is_finite() { clearness.clamp(0.0, 1.0) } else { 0.0 };
    if k <= 0.22 {
        1.0 - 0.09 * k
    } else if k <= 0.80 {
        0.9511 - 0.1604 * k + 4.388 * k.powi(2) - 16.638 * k.powi(3) + 12.336 * k.powi(4)
    } else {
        0.165
    }
}

/// The factor for direct and diffuse daylight.
///
/// elevation_deg: the sun's apparent elevation [degrees]. ppfd: photon flux density 400–700 nm before this correction
/// [µmol m⁻² s⁻¹], for the clearness. With the sun below the horizon all light is diffuse.
pub fn under_the_sky(cosine: &Cosine, elevation_deg: f64, ppfd: f64) -> CosineFactor {
    let diffuse = cosine.diffuse_ratio;
    if !(elevation_deg > 0.0) {
        return CosineFactor { factor: diffuse, uncertainty: 0.0, ultraviolet: diffuse, beam_effect: 0.0 };
    }
    let beam = interpolate_clamped(&cosine.zenith_deg, &cosine.ratio, 90.0 - elevation_deg);
    // A lower bound near the horizon, where the clearness index has little meaning.
    let height = elevation_deg.to_radians().sin().max(0.02);
    let clearness = ppfd / PPFD_PER_GLOBAL / (SOLAR_CONSTANT * height);
    let share = diffuse_share(clearness);
    // Below this clearness the solar disc is hidden and all light is diffuse.
    let overcast = clearness < 0.25;
    let beam_difference = if overcast { 0.0 } else { (beam - diffuse).abs() };
    CosineFactor {
        factor: share * diffuse + (1.0 - share) * beam,
        // Standard uncertainty of the estimated share: about 0.2 (scatter of the published relation).
        uncertainty: 0.2 * beam_difference,
        ultraviolet: 0.5 * (1.0 + share) * diffuse + 0.5 * (1.0 - share) * beam,
        beam_effect: beam_difference / beam.min(diffuse).max(0.05),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Independent: pvlib 0.16.1 `erbs`, diffuse over global irradiance.
    #[test]
    fn the_diffuse_share_is_that_of_erbs() {
        for (clearness, want) in [
            (0.1, 0.991),
            (0.2, 0.982),
            (0.3, 0.948_595_6),
            (0.5, 0.659_15),
            (0.7, 0.243_979_6),
            (0.79, 0.164_633_910_16),
            (0.9, 0.165),
        ] {
            let got = diffuse_share(clearness);
            assert!((got - want).abs() < 1e-9, "clearness {clearness}: want {want}, got {got}");
        }
    }

    /// Identity: the limits of the relation and its continuity between the pieces.
    #[test]
    fn an_overcast_sky_is_all_diffuse_and_the_relation_has_no_jump() {
        assert!((diffuse_share(0.0) - 1.0).abs() < 1e-12);
        for seam in [0.22, 0.80] {
            assert!((diffuse_share(seam - 1e-9) - diffuse_share(seam + 1e-9)).abs() < 0.02, "jump at {seam}");
        }
        assert_eq!(diffuse_share(f64::NAN), 1.0);
    }

    /// An ideal optic has the factor 1 for every sky.
    #[test]
    fn an_ideal_optic_is_not_corrected() {
        let ideal = Cosine { zenith_deg: vec![0.0, 90.0], ratio: vec![1.0, 1.0], diffuse_ratio: 1.0 };
        for elevation in [-5.0, 0.5, 10.0, 60.0] {
            for ppfd in [0.0, 100.0, 2000.0, f64::NAN] {
                let c = under_the_sky(&ideal, elevation, ppfd);
                assert!((c.factor - 1.0).abs() < 1e-12 && c.uncertainty == 0.0 && c.beam_effect == 0.0);
            }
        }
    }
}
