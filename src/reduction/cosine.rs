//! Correction of the optic's cosine response, from the position of the sun and the share of its beam ([`super::beam_share`]).
//!
//! The response to a mixture is linear in the share: beam·b(λ) + diffuse·(1 − b(λ)). The share is estimated, not measured; its error
//! is common to all wavelengths, and its size differs between them.

use super::beam_share::{self, BeamShare};
use crate::calibration::Cosine;
use crate::numeric::interpolate_clamped;

/// The response of the optic to the light of a reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CosineCorrection {
    /// Share of the beam.
    pub share: BeamShare,
    /// Response to the beam relative to the ideal response [1].
    pub beam: f64,
    /// Response to the light of the sky relative to the ideal response [1].
    pub diffuse: f64,
}

/// The correction for direct and diffuse daylight.
///
/// elevation_deg: the sun's apparent elevation [degrees]; with the sun below the horizon all light is diffuse.
pub fn under_the_sky(cosine: &Cosine, elevation_deg: f64, share: BeamShare) -> CosineCorrection {
    let beam = interpolate_clamped(&cosine.zenith_deg, &cosine.ratio, 90.0 - elevation_deg);
    CosineCorrection { share, beam, diffuse: cosine.diffuse_ratio }
}

impl CosineCorrection {
    /// Response relative to the ideal response at a wavelength [nm]; irradiance is divided by it.
    pub fn factor(&self, nm: f64) -> f64 {
        self.diffuse + self.share.at(nm).0 * (self.beam - self.diffuse)
    }

    /// Relative error of the corrected irradiance at a wavelength [nm] when the share is one standard uncertainty too large [1], signed.
    pub fn relative_error(&self, nm: f64) -> f64 {
        self.share.at(nm).1 * (self.diffuse - self.beam) / self.factor(nm)
    }

    /// Divides each number by the factor at its wavelength; wavelengths rise.
    pub fn divide(&self, wavelength_nm: &[f64], numbers: &mut [f64]) {
        let factors = self.share.share.map(|b| self.diffuse + b * (self.beam - self.diffuse));
        let mut node = 0;
        for (nm, number) in wavelength_nm.iter().zip(numbers) {
            let way;
            (node, way) = beam_share::place(*nm, node);
            *number /= beam_share::between(&factors, node, way);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn optic(zenith_deg: &[f64], ratio: &[f64], diffuse_ratio: f64) -> Cosine {
        Cosine {
            zenith_deg: zenith_deg.to_vec(),
            ratio: ratio.to_vec(),
            ratio_uncertainty: vec![0.0; ratio.len()],
            azimuth_deviation: vec![0.0; ratio.len()],
            diffuse_ratio,
            diffuse_uncertainty: 0.0,
        }
    }

    /// An ideal optic has the factor 1 for every sky.
    #[test]
    fn an_ideal_optic_is_not_corrected() {
        let ideal = optic(&[0.0, 90.0], &[1.0, 1.0], 1.0);
        for elevation in [-5.0, 0.5, 10.0, 60.0] {
            for ppfd in [0.0, 100.0, 2000.0, f64::NAN] {
                let c = under_the_sky(&ideal, elevation, beam_share::estimate(elevation, 1.0, ppfd));
                assert!((c.factor(550.0) - 1.0).abs() < 1e-12 && c.relative_error(550.0) == 0.0);
            }
        }
    }

    /// Identity: the correction of a row of wavelengths is that of each of them, and the stated error is that of a share which is
    /// one standard uncertainty off.
    #[test]
    fn the_correction_follows_the_share_at_every_wavelength() {
        let optic = optic(&[0.0, 60.0, 90.0], &[1.0, 0.97, 0.5], 0.96);
        let c = under_the_sky(&optic, 8.0, beam_share::estimate(8.0, 1.0, 180.0));
        let nm: Vec<f64> = (0..900).map(|i| 270.0 + f64::from(i)).collect();
        let mut numbers = vec![2.0; nm.len()];
        c.divide(&nm, &mut numbers);
        for (nm, number) in nm.iter().zip(&numbers) {
            assert!((number * c.factor(*nm) / 2.0 - 1.0).abs() < 1e-12, "{nm} nm");
            let (share, u) = c.share.at(*nm);
            let off = c.diffuse + (share + u) * (c.beam - c.diffuse);
            // To first order in the error.
            assert!((c.factor(*nm) / off - 1.0 - c.relative_error(*nm)).abs() < 0.02, "{nm} nm");
        }
        assert!(c.factor(400.0) > c.factor(700.0), "the red light has more beam, to which this optic responds less");
    }
}
