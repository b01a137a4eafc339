//! Readings and their values.

use super::flag::{Flags, Verdict};
use crate::clock::UtcMicros;

/// The value of one quantity, or the reason why it is null.
#[derive(Clone, Debug, PartialEq)]
pub enum QuantityValue {
    /// A number with standard uncertainty and verdict.
    Value {
        /// The number, in the unit of the quantity.
        value: f64,
        /// Standard uncertainty (k = 1), same unit.
        uncertainty: f64,
        /// The verdict.
        verdict: Verdict,
    },
    /// No value; the reason.
    Null(String),
}

impl QuantityValue {
    /// The number, if not null.
    pub fn value(&self) -> Option<f64> {
        match self {
            Self::Value { value, .. } => Some(*value),
            Self::Null(_) => None,
        }
    }
    /// The verdict, if not null.
    pub fn verdict(&self) -> Option<Verdict> {
        match self {
            Self::Value { verdict, .. } => Some(*verdict),
            Self::Null(_) => None,
        }
    }
    /// Whether the verdict is good.
    pub fn is_good(&self) -> bool {
        self.verdict() == Some(Verdict::Good)
    }
}

/// The exposures of one bracket.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bracket {
    /// Integration time [s].
    pub integration_s: f64,
    /// Number of exposures.
    pub exposures: u32,
}

/// Statistics of a quantity over the exposures of a window. Stored, because they cannot be recomputed from the sum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WindowStatistics {
    /// Minimum over the exposures.
    pub minimum: f64,
    /// Maximum over the exposures.
    pub maximum: f64,
    /// Standard deviation over the exposures (n − 1).
    pub deviation: f64,
}

/// Photon flux density 400–700 nm of lamps.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LampLevel {
    /// [µmol m⁻² s⁻¹].
    pub ppfd: f64,
    /// Its standard uncertainty [µmol m⁻² s⁻¹].
    pub uncertainty: f64,
}

/// One reading.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// Sequence number, never reused; 0 before it is stored.
    pub id: i64,
    /// Start of the first exposure.
    pub time_start: UtcMicros,
    /// Mean time of the exposures: the time of the reading.
    pub time_mid: UtcMicros,
    /// End of the last exposure.
    pub time_end: UtcMicros,
    /// Name of the instrument.
    pub instrument: String,
    /// Sun's apparent elevation at `time_mid` [degrees].
    pub sun_elevation: Option<f64>,
    /// Sun's azimuth at `time_mid`, from north through east [degrees].
    pub sun_azimuth: Option<f64>,
    /// Relative air mass at `time_mid` [1]; `None` below the horizon.
    pub relative_air_mass: Option<f64>,
    /// Mean detector temperature [°C].
    pub detector_temperature: Option<f64>,
    /// The brackets, shortest first.
    pub exposures: Vec<Bracket>,
    /// Peak level of the shortest bracket: highest counts as share of full scale [1].
    pub peak_level: f64,
    /// Signal-to-noise ratio in the visible [1]: median over pixels with signal.
    pub signal_to_noise: Option<f64>,
    /// Subtracted stray-light floor [counts/s].
    pub stray_floor: Option<f64>,
    /// The lamps' part of the PPFD in a glasshouse; `None` where it is not known or there are none.
    pub lamps: Option<LampLevel>,
    /// Age of the oldest dark of the brackets, or of the newest dark in the model [s].
    pub dark_age: Option<f64>,
    /// Flags of the reading: those of the station's key quantities, and those for information.
    pub flags: Flags,
    /// One entry per quantity, in the order of the registry.
    pub values: Vec<QuantityValue>,
    /// The flags of each quantity, in the order of `values`; empty where they are not known.
    pub quantity_flags: Vec<Flags>,
    /// Share of the signal of the UV index that was subtracted as stray light [1]; `None` where the signal is not detected, or the
    /// calibration has no floor band.
    pub uv_index_stray_share: Option<f64>,
    /// One entry per quantity for a window; empty for a single shot.
    pub window: Vec<Option<WindowStatistics>>,
}

impl Reading {
    /// The flags of a quantity, by its position in `values`.
    pub fn flags_of(&self, quantity: usize) -> Flags {
        self.quantity_flags.get(quantity).copied().unwrap_or_default()
    }
}
