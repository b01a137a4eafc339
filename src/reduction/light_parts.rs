//! The parts of the light of a reading, and the response of the optic to each: sun and sky, and lamps.
//!
//! The share of the sun's beam is estimated from the light of the sun alone, under the glazing. Lamps are corrected by their own
//! response: E = rate·k/c_sun + L·(1/c_lamp − 1/c_sun), where L is their irradiance before the correction. Depends on the floor and the
//! temperature coefficient having been applied. Pure.
//!
//! Invariant: light of which it is not known whether it is that of lamps widens the uncertainty of the share of the beam.

use super::beam_share::{self, BeamShare};
use super::cosine::{CosineCorrection, under_the_sky};
use super::lamps::lamp_response;
use super::lamps::{Glazing, Knowledge, LAMPS_ALONE_BELOW_DEG, LampContext, LampLight, LampResponse, Light};
use super::merge::Merged;
use super::reduced::ReductionContext;
use super::scale::Scale;
use super::sums::strided;

/// Wavelength at which the responses to sun and lamps are compared for the lamps' share of PPFD [nm].
const MIDDLE_NM: f64 = 550.0;

/// The parts of the light.
#[derive(Debug)]
pub struct LightParts {
    /// Correction by which all light is divided at first; `None` if not applied.
    pub cosine: Option<CosineCorrection>,
    /// Share of the beam in the light of the sun.
    pub beam_share: Option<BeamShare>,
    /// Light of lamps.
    pub lamps: Option<LampLight>,
    /// Response to the lamps; `None` without lamps or a known response.
    pub lamp_response: Option<LampResponse>,
}

/// The light of the lamps after its correction.
#[derive(Debug)]
pub struct CorrectedLamps {
    /// Rate that the correction of the lamps adds to every pixel [counts/s], to be multiplied as the sun's.
    pub added_rate: Vec<f64>,
    /// Light of the lamps in every pixel [W m⁻² nm⁻¹].
    pub irradiance: Vec<f64>,
    /// Effect of one standard uncertainty of the separation on the light of every pixel [W m⁻² nm⁻¹].
    pub separation: Vec<f64>,
    /// Relative effect of one standard uncertainty of the response to lamps on their light [1].
    pub relative_incidence: f64,
}

/// Divides the light of a reading; `inverse` is irradiance per rate before the cosine correction.
pub fn of(merged: &Merged, inverse: &[f64], context: &ReductionContext<'_>) -> LightParts {
    let cosine = context.calibration.cosine.as_ref();
    let all_ppfd = || rough_ppfd(&merged.rate, inverse, context.scale);
    let Some(known) = context.lamps else {
        let share = context.sun_elevation_deg.map(|elevation| {
            context.beam_share.unwrap_or_else(|| {
                let response = cosine.map_or(1.0, |c| c.diffuse_ratio);
                beam_share::estimate(elevation, context.pressure, all_ppfd() / response)
            })
        });
        let correction = sky_correction(context, share);
        return LightParts { cosine: correction, beam_share: share, lamps: None, lamp_response: None };
    };
    let lamp_response = cosine.map(|c| lamp_response(c, known.incidence_deg));
    let by_day = context.sun_elevation_deg.filter(|h| *h >= LAMPS_ALONE_BELOW_DEG);
    let Some(elevation) = by_day else {
        let response = lamp_response.map(|r| r.value);
        let one = |r| CosineCorrection { share: BeamShare::NONE, beam: r, diffuse: r };
        let beam_share = context.sun_elevation_deg.map(|_| BeamShare::NONE);
        let lamps = Some(LampLight::alone(&merged.rate, all_ppfd()));
        return LightParts { cosine: response.map(one), beam_share, lamps, lamp_response };
    };
    let mut lamps = match known.part {
        Some(part) => Some(part.clone()),
        None => separated(merged, inverse, context, &known),
    };
    let sun_ppfd = lamps.as_ref().map_or_else(|| (all_ppfd(), 0.0), LampLight::sun_ppfd);
    let unknown = lamps.as_ref().is_some_and(|l| l.knowledge == Knowledge::UnknownLamps);
    let share = context.beam_share.unwrap_or_else(|| under_glass(context, known.glazing, elevation, sun_ppfd, unknown));
    let correction = sky_correction(context, Some(share));
    if let Some(lamps) = lamps.as_mut().filter(|l| l.knowledge == Knowledge::Separated) {
        let sun = correction.map_or(1.0, |c| c.factor(MIDDLE_NM));
        lamps.share = lamps.corrected_share(sun, lamp_response);
    }
    LightParts { cosine: correction, beam_share: Some(share), lamps, lamp_response }
}

fn sky_correction(context: &ReductionContext<'_>, share: Option<BeamShare>) -> Option<CosineCorrection> {
    let (cosine, elevation) = (context.calibration.cosine.as_ref()?, context.sun_elevation_deg?);
    Some(under_the_sky(cosine, elevation, share?))
}

fn separated(
    merged: &Merged,
    inverse: &[f64],
    context: &ReductionContext<'_>,
    known: &LampContext<'_>,
) -> Option<LampLight> {
    let irradiance: Vec<f64> = merged.rate.iter().zip(inverse).map(|(r, k)| r * k).collect();
    let variance: Vec<f64> = merged.variance.iter().zip(inverse).map(|(v, k)| v * k * k).collect();
    let light = Light { irradiance: &irradiance, variance: &variance, inverse, saturated: &merged.saturated };
    LampLight::of(&light, context.scale, known.daylight?, known.shapes)
}

/// Share of the beam in the light of sun and sky under glazing. Where unknown lamps are on, an unknown part of that light is theirs: then
/// half of the share is taken, with the other half as a further uncertainty.
fn under_glass(
    context: &ReductionContext<'_>,
    glazing: Glazing,
    elevation_deg: f64,
    ppfd: (f64, f64),
    unknown_lamps: bool,
) -> BeamShare {
    let response = context.calibration.cosine.as_ref().map_or(1.0, |c| c.diffuse_ratio);
    let outside = |ppfd| beam_share::estimate(elevation_deg, context.pressure, ppfd / response);
    let share = glazing.share(ppfd, outside);
    if !unknown_lamps {
        return share;
    }
    let half = share.share.map(|b| 0.5 * b);
    BeamShare { share: half, uncertainty: std::array::from_fn(|i| share.uncertainty[i].hypot(half[i])) }
}

impl LampLight {
    /// Share of the lamps in the PPFD after the correction of both parts, with its standard uncertainty [1].
    fn corrected_share(&self, sun_response: f64, lamp_response: Option<LampResponse>) -> Option<(f64, f64)> {
        let response = lamp_response.unwrap_or(LampResponse { value: 1.0, uncertainty: 0.0 });
        let (lamps, sun) = (self.ppfd / response.value, self.sun_ppfd().0 / sun_response);
        let all = lamps + sun;
        if !(all > 0.0) {
            return None;
        }
        let share = (lamps / all).clamp(0.0, 1.0);
        let of_response = share * (1.0 - share) * response.uncertainty / response.value;
        Some((share, (self.ppfd_uncertainty / response.value / all).hypot(of_response)))
    }

    /// The light of the lamps after its correction; `inverse` is irradiance per rate with the correction of the sun's light.
    pub fn corrected(
        &self,
        response: LampResponse,
        sun: Option<CosineCorrection>,
        inverse: &[f64],
        scale: &Scale,
    ) -> CorrectedLamps {
        // How much more the lamps' light is than with the correction of the sun's light.
        let ratios: Vec<f64> =
            scale.wavelength_nm.iter().map(|nm| sun.map_or(1.0, |c| c.factor(*nm)) / response.value).collect();
        let pixels = || ratios.iter().zip(inverse);
        CorrectedLamps {
            added_rate: self.rate.iter().zip(&ratios).map(|(l, ratio)| l * (ratio - 1.0)).collect(),
            irradiance: self.rate.iter().zip(pixels()).map(|(l, (ratio, k))| l * ratio * k).collect(),
            separation: self
                .rate_uncertainty
                .iter()
                .zip(pixels())
                .map(|(u, (ratio, k))| u * (ratio - 1.0) * k)
                .collect(),
            relative_incidence: -response.uncertainty / response.value,
        }
    }
}

/// PPFD within a few per cent, used only to estimate the share of direct light [µmol m⁻² s⁻¹].
fn rough_ppfd(rate: &[f64], inverse: &[f64], scale: &Scale) -> f64 {
    let (at, weights) = &scale.photons;
    let n = weights.len();
    let (rate, inverse) = (&rate[at.clone()][..n], &inverse[at.clone()][..n]);
    let [sum] = strided(n, |i| [rate[i] * inverse[i] * weights[i]]);
    sum
}
