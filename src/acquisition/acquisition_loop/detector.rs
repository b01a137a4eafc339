//! Learns what the detector does not answer: by how many frames it is behind its settings, and where its converter clips.
//!
//! The session measures, and [`crate::exposure`] decides; this stores, reports and plans anew. Invariant: what was learned is told in an
//! event once, and in the status as long as it holds.

use super::AcquisitionLoop;
use super::connection::Connected;
use crate::acquisition::AcquisitionError;
use crate::acquisition::context::Observer;
use crate::exposure::{Clipping, FrameLag};
use crate::fault::Fault;
use crate::record::{Event, EventKind};

/// Interval between attempts to measure the lag while neither light nor dark signal shows it [s].
const LAG_EVERY_S: f64 = 3600.0;

impl AcquisitionLoop {
    /// Measures the lag of the connected instrument unless it is known; returns the fault that prevented it.
    pub(super) fn learn_lag(&mut self, observer: &mut dyn Observer) -> Result<Option<Fault>, AcquisitionError> {
        let Some(mut connected) = self.connected.take() else { return Ok(None) };
        let learned = self.learn_lag_of(&mut connected, observer);
        self.connected = Some(connected);
        learned
    }

    /// The same for an instrument that a reading has taken out of the loop.
    pub(super) fn learn_lag_of(
        &mut self,
        connected: &mut Connected,
        observer: &mut dyn Observer,
    ) -> Result<Option<Fault>, AcquisitionError> {
        let now = self.context.clock.monotonic();
        let due = self.line.lag_tried.is_none_or(|t| {
            let elapsed = now.saturating_sub(t);
            elapsed >= self.context.clock.real_for(std::time::Duration::from_secs_f64(LAG_EVERY_S))
        });
        if self.control.detector.lag_of(&connected.identity).is_none() && due {
            match self.line.session.measure_lag() {
                Ok(frames) => {
                    self.line.lag_tried = Some(now);
                    if let Some(frames) = frames {
                        self.apply_lag(connected, frames, observer)?;
                    }
                }
                Err(fault) => return Ok(Some(fault)),
            }
        }
        self.show_detector(connected);
        Ok(None)
    }

    fn apply_lag(
        &mut self,
        connected: &mut Connected,
        frames: u32,
        observer: &mut dyn Observer,
    ) -> Result<(), AcquisitionError> {
        self.control.detector.lag = Some(FrameLag { frames, identity: connected.identity.clone() });
        connected.configure(&self.context, &self.control.detector);
        let configured = self.context.instrument.exposure.discard_frames;
        if frames <= configured {
            return Ok(());
        }
        self.report_detector(
            format!(
                "the detector answers with frames that were requested {frames} exposures before; discard_frames = {configured} of the \
                 configuration is too small, and {frames} are discarded after each change of settings"
            ),
            observer,
        )
    }

    /// Follows what an exposure showed of the level at which the converter clips.
    pub(super) fn learn_clipping(
        &mut self,
        connected: &mut Connected,
        found: Clipping,
        observer: &mut dyn Observer,
    ) -> Result<(), AcquisitionError> {
        if !self.control.detector.learn(found) {
            return Ok(());
        }
        connected.configure(&self.context, &self.control.detector);
        self.show_detector(connected);
        let declared = connected.detector.full_scale;
        let text = match found {
            Clipping::At(counts) => format!(
                "the converter clips at {counts} counts, below its declared full scale of {declared}: exposures aim below that level, and \
                 pixels that reach it are flagged saturated"
            ),
            Clipping::NotBelow(counts) => format!(
                "counts up to {counts} were read: the level at which the converter was found to clip no longer holds, and its declared \
                 full scale of {declared} is used"
            ),
        };
        self.report_detector(text, observer)
    }

    fn report_detector(&mut self, text: String, observer: &mut dyn Observer) -> Result<(), AcquisitionError> {
        tracing::warn!(instrument = self.name(), "{text}");
        let (time, instrument) = (self.context.clock.now(), Some(self.name().to_owned()));
        Ok(self.recorder.event(Event { time, until: None, instrument, kind: EventKind::Detector, text }, observer)?)
    }

    fn show_detector(&self, connected: &Connected) {
        let clips_at = self.control.detector.clips_at;
        let discard_frames = connected.setup.exposure.discard_frames;
        self.context.status.update(|s| (s.clips_at, s.discard_frames) = (clips_at, discard_frames));
    }
}
