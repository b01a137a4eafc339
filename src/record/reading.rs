//! A reading as it is stored and shown.

use super::flag::{Flags, Verdict};
use crate::clock::UtcMicros;

/// The value of one quantity, or why there is none.
#[derive(Clone, Debug, PartialEq)]
pub enum QuantityValue {
    /// A number with its standard uncertainty (k = 1), in the quantity's unit, and what to think of it.
    Value {
        /// The number, in the quantity's unit.
        value: f64,
        /// Standard uncertainty (k = 1), same unit.
        uncertainty: f64,
        /// What to think of it.
        verdict: Verdict,
    },
    /// No number, and the reason.
    Null(String),
}

impl QuantityValue {
    /// The number, where there is one.
    pub fn value(&self) -> Option<f64> {
        match self {
            Self::Value { value, .. } => Some(*value),
            Self::Null(_) => None,
        }
    }
    /// The verdict, where there is a number.
    pub fn verdict(&self) -> Option<Verdict> {
        match self {
            Self::Value { verdict, .. } => Some(*verdict),
            Self::Null(_) => None,
        }
    }
    /// Whether there is a number and it is good.
    pub fn is_good(&self) -> bool {
        self.verdict() == Some(Verdict::Good)
    }
}

/// How one bracket of the bracketing was taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bracket {
    /// Integration time in force [s].
    pub integration_s: f64,
    /// Exposures summed.
    pub exposures: u32,
}

/// What the exposures of a window did, for one quantity: kept as values, they cannot be recomputed from the sum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WindowStatistics {
    /// Lowest of the exposures.
    pub minimum: f64,
    /// Highest of the exposures.
    pub maximum: f64,
    /// Standard deviation of the exposures (n − 1).
    pub deviation: f64,
}

/// One reading: when, how, and what came of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// Sequence number, never reused; 0 before it is stored.
    pub id: i64,
    /// First light collected.
    pub time_start: UtcMicros,
    /// Mean time of the light collected: *the* time of the reading.
    pub time_mid: UtcMicros,
    /// Last light collected.
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
    /// How each bracket was taken, shortest first.
    pub exposures: Vec<Bracket>,
    /// Highest peak_level of the shortest bracket: counts over full scale [1].
    pub peak_level: f64,
    /// Signal over noise of the visible signal [1]: median over the lit pixels.
    pub signal_to_noise: Option<f64>,
    /// Stray-light floor that was subtracted [counts/s].
    pub stray_floor: Option<f64>,
    /// Age of the dark that served [s]: the oldest one of the brackets, or of the model's last fit.
    pub dark_age: Option<f64>,
    /// Doubts and facts.
    pub flags: Flags,
    /// One entry a quantity of the registry, in its order.
    pub values: Vec<QuantityValue>,
    /// One entry a quantity for a window, empty for a single shot.
    pub window: Vec<Option<WindowStatistics>>,
}
