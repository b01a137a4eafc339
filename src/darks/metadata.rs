//! What planning, choice and fit need to know about a dark: everything but its counts.

use crate::clock::UtcMicros;
use crate::config::DarksConfig;
use crate::night_sky::NightSky;
use crate::record::{Dark, DarkSource, Frame};
use crate::sun::Place;

/// The sun below this leaves nothing of its light in the sky (end of astronomical twilight) [degrees].
const DARKNESS_DEG: f64 = -18.0;
/// In a night that does not get so dark, its darkest part: the sun within this of its lowest [degrees].
const DARKEST_DEG: f64 = 1.5;
/// A sky is plainly brighter than another from this factor on …
const BRIGHTER_FACTOR: f64 = 2.0;
/// … and this much more [lx], a third of the twilight that is left at −18°.
const BRIGHTER_LX: f64 = 2e-4;
/// Integration times that differ by less than this share are neighbours at most: the instrument may have rounded one [1].
const NEIGHBOUR_SHARE: f64 = 0.15;

/// A dark on record.
#[derive(Clone, Debug, PartialEq)]
pub struct DarkMetadata {
    /// Its row in the store.
    pub id: i64,
    /// How the head was dark.
    pub source: DarkSource,
    /// Integration time [s].
    pub integration_s: f64,
    /// Mean detector temperature [°C]; `None` without a sensor.
    pub temperature_c: Option<f64>,
    /// When it was taken.
    pub time: UtcMicros,
    /// The most light of moon and twilight that may have been in it [lx]; 0 behind a shutter or cover.
    pub sky_lx: f64,
    /// Taken in warm-up: used for light of the same minutes, never for the model.
    pub warming: bool,
}

impl DarkMetadata {
    /// Of a dark taken at a place.
    pub fn of(dark: &Dark, place: Place, warming: bool) -> Self {
        Self {
            id: dark.id,
            source: dark.source,
            integration_s: dark.frame.integration_s,
            temperature_c: dark.frame.temperature_c,
            time: dark.frame.start(),
            sky_lx: sky_in_dark_lx(dark, place),
            warming,
        }
    }

    /// The most light that may have been in it [lx], under a night sky of so many lux.
    pub fn light_lx(&self, night_sky_lx: f64) -> f64 {
        if self.source == DarkSource::Night { self.sky_lx + night_sky_lx } else { 0.0 }
    }

    /// Whether it was taken under a sky that is plainly brighter than this one [lx].
    pub fn is_brighter_than(&self, sky_lx: f64) -> bool {
        self.sky_lx > BRIGHTER_FACTOR * sky_lx + BRIGHTER_LX
    }

    /// Distance in time [s]; a dark taken after the frame is as good as one taken before.
    pub fn age_s(&self, at: UtcMicros) -> f64 {
        at.seconds_since(self.time).abs()
    }

    /// Whether its integration time is this setting of the instrument.
    pub fn is_of(&self, integration_s: f64) -> bool {
        Frame::same_integration(self.integration_s, integration_s)
    }

    /// Whether its integration time is a neighbour of this one at most.
    pub fn is_about(&self, integration_s: f64) -> bool {
        (self.integration_s / integration_s - 1.0).abs() < NEIGHBOUR_SHARE
    }

    /// Distance in temperature [K]; `None` where one of the two is not known.
    pub fn kelvin_from(&self, temperature_c: Option<f64>) -> Option<f64> {
        self.temperature_c.zip(temperature_c).map(|(a, b)| (a - b).abs())
    }

    /// Whether its temperature is near enough for a matched dark. If neither temperature is known there is no sensor, and only
    /// the age counts; if only one is known, the dark is not used.
    pub fn is_near(&self, config: &DarksConfig, temperature_c: Option<f64>) -> bool {
        match (self.temperature_c, temperature_c) {
            (Some(a), Some(b)) => (a - b).abs() <= config.max_temperature_difference_k,
            (None, None) => true,
            _ => false,
        }
    }
}

/// The most light that may have been in a dark [lx], under a night sky of so many lux.
pub fn light_in_dark_lx(dark: &Dark, place: Place, night_sky_lx: f64) -> f64 {
    if dark.source == DarkSource::Night { sky_in_dark_lx(dark, place) + night_sky_lx } else { 0.0 }
}

/// The same of moon and twilight alone. An unknown sun, outside the years of its algorithm, counts as one that has set.
fn sky_in_dark_lx(dark: &Dark, place: Place) -> f64 {
    match dark.source {
        DarkSource::Night => NightSky::at(place, dark.frame.start()).map_or(0.0, |sky| sky.total_lx()),
        DarkSource::Shutter | DarkSource::Covered => 0.0,
    }
}

/// Sun's elevation below which a night is as dark as it gets [degrees], by the lowest elevation of the sun in that night [degrees].
///
/// Twilight sends light into the darks that no test of a single frame can find, and the zeros of all nights would be off by it.
pub fn darkest_by_lowest_deg(lowest_deg: f64) -> f64 {
    DARKNESS_DEG.max(lowest_deg + DARKEST_DEG)
}
