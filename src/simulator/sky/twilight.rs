//! Level and colour of the light while the sun is low or below the horizon.
//!
//! Single scattering of a sun at the horizon hardly depends on wavelength, because short wavelengths are scattered from as much higher
//! layers as they need to arrive; what makes the zenith blue is the Chappuis band of ozone on the long path of the light (Hulburt 1953,
//! J. Opt. Soc. Am. 43:113). The colour is therefore that of the sky at [`BLENDED_TO_DEG`] behind a longer path through ozone.

use super::depths::ozone_air_mass;
use super::transmittance::Path;

/// From this elevation [degrees] on, the light of the sky is that of the model; …
pub const BLENDED_FROM_DEG: f64 = 4.0;
/// … and up to this one its level is that of twilight.
pub const BLENDED_TO_DEG: f64 = 2.0;
/// Below this elevation there is no light: starlight is omitted.
pub const DARK_BELOW_DEG: f64 = -19.0;
/// Increase of the air mass of ozone per degree below the horizon [1/degree], and the depression at which it ends [degrees]. Chosen so
/// that the correlated colour temperature rises from 11 000 K at sunset to 13 500 K at the end of civil twilight, inside the range
/// that is measured there.
const OZONE_MASS_PER_DEG: f64 = 0.67;
const OZONE_MASS_UNTIL_DEG: f64 = 6.0;

/// Lowest elevation [degrees] of each segment and its coefficients of log₁₀(illuminance/lx) by powers of elevation/90°.
///
/// Source: Janiczek & DeYoung 1987, Computer programs for sun and moon illuminance, U.S. Naval Observatory Circular 171. Coefficients
/// from memory, and the same in public translations of its programs; the segments meet within 1 % (tested).
const SEGMENTS: [(f64, [f64; 4]); 6] = [
    (20.0, [3.74, 3.97, -4.07, 1.47]),
    (5.0, [3.05, 13.28, -45.98, 64.33]),
    (-0.8, [2.88, 22.26, -207.64, 1034.30]),
    (-5.0, [2.88, 21.81, -258.11, -858.36]),
    (-12.0, [2.70, 12.17, -431.69, -1899.83]),
    (-18.0, [13.84, 262.72, 1447.42, 2797.93]),
];

/// Illuminance of a horizontal plane by a cloudless sky with the sun at mean distance [lx], −18° to 90°. Below −18° it falls by a
/// factor of 300 to [`DARK_BELOW_DEG`].
pub fn illuminance(elevation_deg: f64) -> f64 {
    let clamped = elevation_deg.clamp(-18.0, 90.0);
    let x = clamped / 90.0;
    let [.., last] = SEGMENTS;
    let (_, c) = SEGMENTS.into_iter().find(|(from, _)| clamped >= *from).unwrap_or(last);
    let below = (clamped - elevation_deg).max(0.0);
    10f64.powf(c[0] + x * (c[1] + x * (c[2] + x * c[3])) - 2.5 * below)
}

/// Share of the level that is twilight's [1], smooth between the two elevations.
pub fn share(elevation_deg: f64) -> f64 {
    let x = ((BLENDED_FROM_DEG - elevation_deg) / (BLENDED_FROM_DEG - BLENDED_TO_DEG)).clamp(0.0, 1.0);
    x * x * (3.0 - 2.0 * x)
}

/// The path of the light of the sky.
pub fn path(elevation_deg: f64) -> Path {
    let below = (-elevation_deg).clamp(0.0, OZONE_MASS_UNTIL_DEG);
    Path {
        ozone_mass: ozone_air_mass(90.0 - elevation_deg.max(0.0)) + OZONE_MASS_PER_DEG * below,
        ..Path::at(elevation_deg.max(BLENDED_TO_DEG))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: neighbouring segments have the same level where they meet, which a wrong digit of a coefficient would change.
    #[test]
    fn the_segments_meet() {
        for (at, _) in &SEGMENTS[..5] {
            let ratio = illuminance(*at) / illuminance(at - 1e-9);
            assert!((ratio - 1.0).abs() < 0.013, "{at}°: {ratio}");
        }
    }
}
