//! The part of a reading that the monitors of response and obstruction use.

use crate::clock::UtcMicros;
use crate::quality::clear_sky::{PPFD_PER_WATT, expected_global};
use crate::record::{Flag, Reading, Verdict};
use crate::sun;

/// The light of one reading and the position of the sun.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// Mean time.
    pub time: UtcMicros,
    /// Photon flux density 400–700 nm [µmol m⁻² s⁻¹].
    pub ppfd: f64,
    /// Elevation of the sun [degrees].
    pub elevation_deg: f64,
    /// Azimuth of the sun from north through east [degrees].
    pub azimuth_deg: f64,
}

impl Sample {
    /// From a reading with the photon flux density at index `ppfd` of its values; `None` in warm-up, where the value is bad or null, and at a
    /// station without sunlight.
    pub fn of(reading: &Reading, ppfd: usize) -> Option<Self> {
        let value = reading.values.get(ppfd)?;
        if value.verdict()? == Verdict::Bad || reading.flags.has(Flag::Warming) {
            return None;
        }
        Some(Self {
            time: reading.time_mid,
            ppfd: value.value()?,
            elevation_deg: reading.sun_elevation?,
            azimuth_deg: reading.sun_azimuth?,
        })
    }

    /// Photon flux density under a clear sky at this position of the sun [µmol m⁻² s⁻¹].
    pub fn clear_sky_ppfd(&self) -> f64 {
        expected_global(self.elevation_deg) * PPFD_PER_WATT * sun::inverse_distance_squared(self.time)
    }
}
