//! The line to the instrument: session, reconnection, and checksum of the last exposure.

use crate::acquisition::reconnection::Reconnection;
use crate::instrument::Session;

/// The line to one instrument.
pub(super) struct Line {
    pub(super) session: Session,
    pub(super) reconnection: Reconnection,
    /// Checksum of the previous exposure, of light or dark.
    last_crc: Option<u32>,
    retries_reported: u64,
    /// Whether the log says that the instrument is not connected; its connection is then logged, too.
    pub(super) loss_logged: bool,
}

impl Line {
    pub(super) fn new(session: Session) -> Self {
        Self { session, reconnection: Reconnection::default(), last_crc: None, retries_reported: 0, loss_logged: true }
    }

    /// Records the checksum of an exposure; returns whether it repeats the previous exposure: the same counts, including the
    /// noise.
    pub(super) fn is_repeated(&mut self, crc32: u32) -> bool {
        self.last_crc.replace(crc32) == Some(crc32)
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
