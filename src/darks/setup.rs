//! What the darks of one connected instrument depend on, apart from the frames.

use crate::calibration::Calibration;
use crate::record::{IntegrationGrid, PixelRanges};
use std::sync::Arc;

/// Facts of the detector and of the plan for its readings. They change only with the calibration, and with what is learned of
/// the detector.
#[derive(Clone, Debug)]
pub struct DarkSetup {
    /// Whether the instrument has a shutter.
    pub has_shutter: bool,
    /// Light-shielded pixels.
    pub shielded: PixelRanges,
    /// The lowest count that is clipped.
    pub clipped_from: u32,
    /// Standard deviation of the read noise of one exposure [counts].
    pub read_noise_counts: f64,
    /// Integration times that light frames are taken at; darks stay within them …
    pub grid: IntegrationGrid,
    /// … and within what a reading has time for [s].
    pub longest_s: f64,
    /// What an exposure costs beside its integration time [s].
    pub overhead_s: f64,
    /// Frames to discard before the first exposure of a dark, after the change of integration time or shutter.
    pub discard_frames: u32,
    /// The active calibration, whose noise and linearity the model is fitted with; without one there is no model.
    pub calibration: Option<Arc<Calibration>>,
}
