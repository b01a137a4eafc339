//! What the monitors have reported already, saved over restarts so that nothing is reported twice.

use crate::clock::UtcMicros;
use std::collections::BTreeMap;

/// What has been reported.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct ReportedState {
    /// Row of the newest event up to which notes were observed.
    pub notes_to: i64,
    /// A tilt of the head is reported and not yet over.
    pub tilt: bool,
    /// Time of the last cleaning step that is reported.
    pub cleaning_step: Option<UtcMicros>,
    /// Beginning of the last drift of the dark whose earlier readings are flagged.
    pub dark_marked: Option<UtcMicros>,
    /// Pixels that are reported, and the photon flux density in whose light each was judged last [µmol m⁻² s⁻¹].
    pub pixels: BTreeMap<usize, f64>,
}
