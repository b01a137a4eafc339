//! What planning, choice and fit need to know about a dark: everything but its counts.

use crate::clock::UtcMicros;
use crate::config::DarksConfig;
use crate::record::{Dark, DarkSource, Frame};
use crate::sun::{self, Place, Sun};

/// The sun below this leaves nothing of its light in the sky (end of astronomical twilight) [degrees].
const DARKNESS_DEG: f64 = -18.0;
/// In a night that does not get so dark, its darkest part: the sun within this of its lowest [degrees].
const DARKEST_DEG: f64 = 1.5;
/// Integration times that differ by less than this share are neighbours at most: the instrument may have rounded one [1].
const NEIGHBOUR_SHARE: f64 = 0.15;

/// A dark on record.
#[derive(Clone, Debug, PartialEq)]
pub struct DarkMetadata {
    /// Its row in the store.
    pub id: i64,
    /// How darkness was had.
    pub source: DarkSource,
    /// Integration time in force [s].
    pub integration_s: f64,
    /// Mean detector temperature [°C]; `None` without a sensor.
    pub temperature_c: Option<f64>,
    /// When it was taken.
    pub time: UtcMicros,
    /// Taken by night while the sun still lit the sky.
    pub twilight: bool,
    /// Taken in warm-up: used for light of the same minutes, never for the model.
    pub warming: bool,
}

impl DarkMetadata {
    /// Of a dark taken at a place.
    pub fn of(dark: &Dark, place: Place, warming: bool) -> Self {
        let time = dark.frame.start();
        let twilight =
            || sun::position(place, time).is_some_and(|sun| sun.elevation_deg >= darkest_below_deg(Some((place, sun))));
        Self {
            id: dark.id,
            source: dark.source,
            integration_s: dark.frame.integration_s,
            temperature_c: dark.frame.temperature_c,
            time,
            twilight: dark.source == DarkSource::Night && twilight(),
            warming,
        }
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

    /// Whether its temperature is near enough for a matched dark. Where neither temperature is known there is no sensor, and
    /// age alone decides; where one of them is, the other cannot be vouched for.
    pub fn is_near(&self, config: &DarksConfig, temperature_c: Option<f64>) -> bool {
        match (self.temperature_c, temperature_c) {
            (Some(a), Some(b)) => (a - b).abs() <= config.max_temperature_difference_k,
            (None, None) => true,
            _ => false,
        }
    }
}

/// Sun's elevation below which a night is as dark as it gets [degrees], by the sun at some time of that night.
///
/// Twilight sends light into the darks that no test of a single frame can find, and the zeros of all nights would be off by it.
pub fn darkest_below_deg(sun: Option<(Place, Sun)>) -> f64 {
    sun.map_or(DARKNESS_DEG, |(place, sun)| darkest_by_lowest_deg(sun::lowest_of(place, sun)))
}

/// The same by the lowest elevation of the sun in that night [degrees].
pub fn darkest_by_lowest_deg(lowest_deg: f64) -> f64 {
    DARKNESS_DEG.max(lowest_deg + DARKEST_DEG)
}
