//! The line to the instrument: session, reconnection, and the last exposures.

use crate::acquisition::reconnection::Reconnection;
use crate::exposure::{ClippingDetector, RecentExposures};
use crate::instrument::Session;
use std::time::Duration;

/// The line to one instrument.
pub(super) struct Line {
    pub(super) session: Session,
    pub(super) reconnection: Reconnection,
    /// The last exposures, of light or dark.
    pub(super) recent: RecentExposures,
    pub(super) clipping: ClippingDetector,
    /// Time on the monotonic clock of the last attempt to measure the lag of frames.
    pub(super) lag_tried: Option<Duration>,
    retries_reported: u64,
    /// Whether the log says that the instrument is not connected; its connection is then logged, too.
    pub(super) loss_logged: bool,
}

impl Line {
    pub(super) fn new(session: Session) -> Self {
        Self {
            session,
            reconnection: Reconnection::default(),
            recent: RecentExposures::default(),
            clipping: ClippingDetector::default(),
            lag_tried: None,
            retries_reported: 0,
            loss_logged: true,
        }
    }

    /// Number of repeated exchanges since the start of the session.
    pub(super) fn retries(&self) -> u64 {
        self.session.counters().retries
    }

    /// Number of repeated exchanges since the last call.
    pub(super) fn new_retries(&mut self) -> u64 {
        let retries = self.retries();
        let more = retries.saturating_sub(self.retries_reported);
        self.retries_reported = retries;
        more
    }
}
