//! Drift monitors of one instrument: wavelength scale, response, obstruction, dark signal, single pixels.
//!
//! [`MonitorSet`] receives observations (readings, darks, notes, calibrations) and plans actions on the flagged intervals of its instrument.
//! It does not access the database: the caller loads the saved states and executes the actions.
//!
//! Invariants:
//! - After any interruption, the next reading restores the invariant: exactly the monitors that exceed their limit have an open flagged
//!   interval.
//! - No monitor reacts to a single deviating observation.
//! - No stored reading is changed; a flagged interval is applied to readings when they are queried.

pub mod action;
pub mod below_zero;
pub mod dark;
pub mod dark_marking;
pub mod intervals;
pub mod obstruction;
mod pixel_comparison;
pub mod pixel_scope;
pub mod pixels;
pub mod reported;
pub mod response;
pub mod sample;
pub mod set;
pub mod unaffected;
pub mod wavelength;

pub use action::{MonitorAction, NamedState, ReadingRecord};
pub use dark::DarkDrift;
pub use set::{DarkObservation, MonitorInputs, MonitorSet, SavedMonitors};

/// Names under which the states of the monitors are saved; each is the name of the flag that the monitor raises.
pub const WAVELENGTH_STATE: &str = "wavelength_drift";
/// See [`WAVELENGTH_STATE`].
pub const RESPONSE_STATE: &str = "response_drift";
/// See [`WAVELENGTH_STATE`].
pub const OBSTRUCTION_STATE: &str = "obstructed";
/// See [`WAVELENGTH_STATE`].
pub const DARK_STATE: &str = "dark_drift";
/// See [`WAVELENGTH_STATE`].
pub const PIXEL_STATE: &str = "pixel_fault";
/// See [`WAVELENGTH_STATE`].
pub const BELOW_ZERO_STATE: &str = "dark_suspect";
/// Name under which [`reported::ReportedState`] is saved.
pub const REPORTED_STATE: &str = "reported";

#[cfg(test)]
pub(crate) fn test_limits() -> crate::config::LimitsConfig {
    crate::config::LimitsConfig {
        low_sun_deg: 15.0,
        uncertainty: vec![],
        lamp_rating_ppfd: None,
        dark_offset_counts: 20.0,
        dark_rate_relative: 0.5,
        wavelength_drift_nm: 0.1,
        wavelength_apply: false,
        wavelength_growth_nm_per_year: 0.05,
        response_drift_relative: 0.07,
        response_growth_per_year: 0.02,
    }
}
