//! The spectrum of lamps as the detector sees it.

use crate::clock::UtcMicros;

/// Light of lamps alone.
///
/// Kept as count rates rather than irradiance, so that another calibration can be applied to it as to any reading.
#[derive(Clone, Debug, PartialEq)]
pub struct LampShape {
    /// When it was seen.
    pub seen: UtcMicros,
    /// Rate of every pixel, dark and stray-light floor subtracted [counts/s].
    pub rate: Vec<f32>,
}
