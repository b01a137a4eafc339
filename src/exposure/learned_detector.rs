//! What was learned of a detector that its answers do not state; saved over restarts. Plain data.

use super::clipping::Clipping;
use crate::config::ExposureConfig;
use crate::record::Detector;
use serde::{Deserialize, Serialize};

/// What was learned of one detector.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct LearnedDetector {
    /// Counts at which its converter clips, below the full scale that it declares; `None`: at full scale.
    pub clips_at: Option<u32>,
    /// By how many frames it is behind its settings; `None` while not learned.
    pub lag: Option<FrameLag>,
}

/// By how many frames an instrument is behind its settings.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FrameLag {
    /// Frames after a change of its settings that were exposed with earlier ones.
    pub frames: u32,
    /// Answer to `*IDN?` of the instrument: another firmware may have another lag.
    pub identity: String,
}

impl LearnedDetector {
    /// The lag of an instrument with this answer to `*IDN?`; `None` while not learned.
    pub fn lag_of(&self, identity: &str) -> Option<u32> {
        self.lag.as_ref().filter(|lag| lag.identity == identity).map(|lag| lag.frames)
    }

    /// Frames to discard after a change of settings: as many as configured, or the larger lag of this detector.
    pub fn discard_frames(&self, configured: u32) -> u32 {
        configured.max(self.lag.as_ref().map_or(0, |lag| lag.frames))
    }

    /// The detector with its exposures as readings are planned from: full scale where it clips, and enough frames discarded.
    pub fn applied(&self, detector: &Detector, exposure: &ExposureConfig) -> (Detector, ExposureConfig) {
        let mut detector = detector.clone();
        detector.full_scale = self.clips_at.map_or(detector.full_scale, |clips| clips.min(detector.full_scale));
        let discard_frames = self.discard_frames(exposure.discard_frames);
        (detector, ExposureConfig { discard_frames, ..exposure.clone() })
    }

    /// Follows what an exposure showed; returns whether anything has changed.
    pub fn learn(&mut self, clipping: Clipping) -> bool {
        let clips_at = match clipping {
            Clipping::At(counts) => Some(counts),
            Clipping::NotBelow(_) => None,
        };
        std::mem::replace(&mut self.clips_at, clips_at) != clips_at
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_larger_of_the_configured_and_the_learned_number_of_frames_is_discarded() {
        let lag = |frames| LearnedDetector {
            lag: Some(FrameLag { frames, identity: "A,B,1,1.0".into() }),
            ..LearnedDetector::default()
        };
        assert_eq!(LearnedDetector::default().discard_frames(1), 1);
        assert_eq!((lag(2).discard_frames(1), lag(0).discard_frames(1)), (2, 1));
        assert_eq!((lag(2).lag_of("A,B,1,1.0"), lag(2).lag_of("A,B,1,1.1")), (Some(2), None));
    }
}
