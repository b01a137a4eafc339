//! The cosine response of the optic: how much of the light it lost, given where the sun stands.
//!
//! The share of the beam is not measured; it is estimated from how bright the reading is for the sun's height, and what
//! that leaves open is an uncertainty common to all wavelengths.

use crate::calibration::Cosine;
use crate::numeric::interpolate_clamped;

/// Photons in 400–700 nm for each joule of global irradiance [µmol/J]; common practice (2.0–2.1 in the literature).
const PPFD_PER_GLOBAL: f64 = 2.05;
/// Solar constant [W m⁻²]: the sun's nominal luminosity of IAU 2015 over a sphere of one astronomical unit (astropy 8.0.2,
/// `constants.L_sun` and `constants.au`: 1361.2).
const SOLAR_CONSTANT: f64 = 1361.0;

/// What the optic did to the light.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CosineFactor {
    /// Response over ideal response [1]; irradiance is divided by it.
    pub factor: f64,
    /// Its standard uncertainty [1].
    pub uncertainty: f64,
    /// Factor for ultraviolet below 400 nm, where more of the light is diffuse [1].
    pub ultraviolet: f64,
    /// The largest relative error that not knowing the beam's share can leave [1].
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

/// The factor for sun and sky.
///
/// elevation_deg: the sun's apparent elevation [degrees]. ppfd: photon flux density 400–700 nm before this correction
/// [µmol m⁻² s⁻¹], to judge clearness by. Below the horizon all light is diffuse.
pub fn under_the_sky(cosine: &Cosine, elevation_deg: f64, ppfd: f64) -> CosineFactor {
    let diffuse = cosine.diffuse_ratio;
    if !(elevation_deg > 0.0) {
        return CosineFactor { factor: diffuse, uncertainty: 0.0, ultraviolet: diffuse, beam_effect: 0.0 };
    }
    let beam = interpolate_clamped(&cosine.zenith_deg, &cosine.ratio, 90.0 - elevation_deg);
    // Even a sun on the horizon leaves some height; the clearness of the last degrees means little anyway.
    let height = elevation_deg.to_radians().sin().max(0.02);
    let clearness = ppfd / PPFD_PER_GLOBAL / (SOLAR_CONSTANT * height);
    let share = diffuse_share(clearness);
    // Below this clearness no disc of the sun is seen and the sky is all there is.
    let overcast = clearness < 0.25;
    let spread = if overcast { 0.0 } else { (beam - diffuse).abs() };
    CosineFactor {
        factor: share * diffuse + (1.0 - share) * beam,
        // The estimate of the share is good to about 0.2 (scatter of the published relation).
        uncertainty: 0.2 * spread,
        ultraviolet: 0.5 * (1.0 + share) * diffuse + 0.5 * (1.0 - share) * beam,
        beam_effect: spread / beam.min(diffuse).max(0.05),
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

    /// Identity: the ends of the relation and its continuity at the seams.
    #[test]
    fn an_overcast_sky_is_all_diffuse_and_the_relation_has_no_jump() {
        assert!((diffuse_share(0.0) - 1.0).abs() < 1e-12);
        for seam in [0.22, 0.80] {
            assert!((diffuse_share(seam - 1e-9) - diffuse_share(seam + 1e-9)).abs() < 0.02, "jump at {seam}");
        }
        assert_eq!(diffuse_share(f64::NAN), 1.0);
    }

    /// Identity: an ideal optic is never corrected, whatever the sky.
    #[test]
    fn an_ideal_optic_is_left_alone() {
        let ideal = Cosine { zenith_deg: vec![0.0, 90.0], ratio: vec![1.0, 1.0], diffuse_ratio: 1.0 };
        for elevation in [-5.0, 0.5, 10.0, 60.0] {
            for ppfd in [0.0, 100.0, 2000.0, f64::NAN] {
                let c = under_the_sky(&ideal, elevation, ppfd);
                assert!((c.factor - 1.0).abs() < 1e-12 && c.uncertainty == 0.0 && c.beam_effect == 0.0);
            }
        }
    }
}
