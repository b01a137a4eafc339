//! What the monitors have reported already. It is saved over restarts, so that nothing is reported twice.

use crate::clock::UtcMicros;
use std::collections::BTreeMap;

/// What is reported.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct ReportedState {
    /// Row of the newest event up to which notes were observed.
    pub notes_to: i64,
    /// A tilt of the head is reported and still exceeds its limit.
    pub tilt: bool,
    /// Time of the last reported cleaning step.
    pub cleaning_step: Option<UtcMicros>,
    /// Start of the last drift of the dark whose earlier readings are flagged.
    pub dark_marked: Option<UtcMicros>,
    /// Reported pixels, with the photon flux density at which each was assessed last [µmol m⁻² s⁻¹].
    pub pixels: BTreeMap<usize, f64>,
}
