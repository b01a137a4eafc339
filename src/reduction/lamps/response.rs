//! The response of the optic to the light of lamps.
//!
//! Lamps over a crop are many and far apart, so their light comes from a wide part of the upper half-space; where a single lamp or a
//! narrow row is in view, its angle of incidence is configured. Pure.

use crate::calibration::Cosine;
use crate::numeric::interpolate_clamped;

/// Incidences from which top lights shine [degrees]: luminaires are shielded above about 60 degrees from the vertical.
const TOP_LIGHT_DEG: (f64, f64) = (0.0, 60.0);
/// A stated incidence is taken as the middle of a range of this half-width [degrees].
const STATED_DEG: f64 = 10.0;
/// Step of the search for the extremes of the response within a range [degrees].
const STEP_DEG: f64 = 5.0;

/// Response to lamps relative to the ideal cosine response [1].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LampResponse {
    /// The response.
    pub value: f64,
    /// Its standard uncertainty.
    pub uncertainty: f64,
}

/// The response to lamps.
///
/// incidence_deg: angle between their light and the vertical [degrees]; `None`: that of the calibration for diffuse light. The
/// uncertainty is that of a uniform distribution as wide as the farthest response in the range of incidences is off, and that of the
/// response itself.
pub fn lamp_response(cosine: &Cosine, incidence_deg: Option<f64>) -> LampResponse {
    let at = |deg: f64| interpolate_clamped(&cosine.zenith_deg, &cosine.ratio, deg);
    let uncertain = |list: &[f64], deg: f64| interpolate_clamped(&cosine.zenith_deg, list, deg);
    let (value, of_response, (from, to)) = match incidence_deg {
        Some(deg) => {
            let table = uncertain(&cosine.ratio_uncertainty, deg).hypot(uncertain(&cosine.azimuth_deviation, deg));
            (at(deg), table * at(deg), ((deg - STATED_DEG).max(0.0), (deg + STATED_DEG).min(90.0)))
        }
        None => (cosine.diffuse_ratio, cosine.diffuse_uncertainty * cosine.diffuse_ratio, TOP_LIGHT_DEG),
    };
    let steps = ((to - from) / STEP_DEG).ceil() as u32;
    let off = |k: u32| (at((from + f64::from(k) * STEP_DEG).min(to)) - value).abs();
    let farthest = (0..=steps).map(off).fold(0.0, f64::max);
    LampResponse { value, uncertainty: (farthest / 3f64.sqrt()).hypot(of_response) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn optic(zenith_deg: &[f64], ratio: &[f64], diffuse_ratio: f64) -> Cosine {
        let (zenith_deg, ratio) = (zenith_deg.to_vec(), ratio.to_vec());
        let none = vec![0.0; ratio.len()];
        Cosine {
            zenith_deg,
            ratio,
            ratio_uncertainty: none.clone(),
            azimuth_deviation: none,
            diffuse_ratio,
            diffuse_uncertainty: 0.0,
        }
    }

    /// Identity: an optic without cosine error has the response 1, known exactly, wherever the lamps are.
    #[test]
    fn an_ideal_optic_responds_to_all_lamps_alike() {
        let ideal = optic(&[0.0, 90.0], &[1.0, 1.0], 1.0);
        for incidence in [None, Some(0.0), Some(40.0), Some(85.0)] {
            assert_eq!(lamp_response(&ideal, incidence), LampResponse { value: 1.0, uncertainty: 0.0 });
        }
    }

    /// Identity: the table at the stated angle, and the response to diffuse light without one; the farthest of the possible responses
    /// over the square root of three.
    #[test]
    fn the_response_is_that_of_the_stated_incidence_or_of_diffuse_light() {
        let mut optic = optic(&[0.0, 60.0, 90.0], &[1.0, 0.97, 0.5], 0.96);
        let diffuse = lamp_response(&optic, None);
        assert_eq!(diffuse.value, 0.96);
        assert!((diffuse.uncertainty - 0.04 / 3f64.sqrt()).abs() < 1e-12);
        let stated = lamp_response(&optic, Some(60.0));
        assert_eq!(stated.value, 0.97);
        assert!((stated.uncertainty - (0.47 / 3.0) / 3f64.sqrt()).abs() < 1e-12, "{stated:?}");
        (optic.ratio_uncertainty, optic.azimuth_deviation) = (vec![0.03; 3], vec![0.04; 3]);
        let more = lamp_response(&optic, Some(60.0)).uncertainty;
        assert!((more - stated.uncertainty.hypot(0.05 * 0.97)).abs() < 1e-12, "{more}");
    }
}
