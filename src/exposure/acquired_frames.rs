//! The frames of one reading, as the acquisition hands them to processing. Pure.

use super::control::ExposureState;
use crate::record::{Exposure, Frame};

/// One exposure of a window, for the statistics of the window.
#[derive(Clone, Debug, PartialEq)]
pub struct Single {
    /// The index of its frame in [`AcquiredFrames::frames`].
    pub frame: usize,
    /// The exposure.
    pub exposure: Exposure,
}

/// The frames of a reading.
#[derive(Clone, Debug, PartialEq)]
pub struct AcquiredFrames {
    /// One frame per bracket, shortest first, of usable exposures only; empty where a fault came before any.
    pub frames: Vec<Frame>,
    /// The exposures of a window in the order of time; empty for a single shot.
    pub singles: Vec<Single>,
    /// State of exposure control for the next reading.
    pub state: ExposureState,
    /// Peak level of the short bracket: highest counts of a watched pixel over full scale [1].
    pub peak_level: f64,
    /// Whether the short bracket is unclipped and as well exposed as limits and budget allow.
    pub converged: bool,
}

impl AcquiredFrames {
    /// Of a reading without any exposure.
    pub fn none(state: ExposureState) -> Self {
        Self { frames: Vec::new(), singles: Vec::new(), state, peak_level: 0.0, converged: false }
    }

    /// The exposures of a window, bracket by bracket, as frames of one; empty for a single shot.
    pub fn single_frames(&self) -> Vec<Vec<Frame>> {
        if self.singles.is_empty() {
            return Vec::new();
        }
        let mut by_bracket = vec![Vec::new(); self.frames.len()];
        for single in &self.singles {
            if let (Some(bracket), Some(frame)) = (by_bracket.get_mut(single.frame), self.frames.get(single.frame)) {
                // A pixel that clipped in one exposure is excluded in all exposures of its bracket.
                bracket.extend(
                    Frame::of(std::slice::from_ref(&single.exposure), |_| false)
                        .map(|f| Frame { clipped: frame.clipped.clone(), ..f }),
                );
            }
        }
        by_bracket
    }
}
