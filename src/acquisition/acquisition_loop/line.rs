//! The line to the instrument: the session, the attempts to reach it, and what the last exposure on it was.

use crate::acquisition::reconnection::Reconnection;
use crate::instrument::Session;

/// The line to one instrument.
pub(super) struct Line {
    pub(super) session: Session,
    pub(super) reconnection: Reconnection,
    /// Checksum of the exposure before, whatever it was for.
    last_crc: Option<u32>,
    retries_reported: u64,
}

impl Line {
    pub(super) fn new(session: Session) -> Self {
        Self { session, reconnection: Reconnection::default(), last_crc: None, retries_reported: 0 }
    }

    /// Notes the checksum of an exposure; answers whether it is the exposure before once more: the same counts, noise and all.
    pub(super) fn is_repeated(&mut self, crc32: u32) -> bool {
        self.last_crc.replace(crc32) == Some(crc32)
    }

    /// Exchanges that were repeated since the session began.
    pub(super) fn retries(&self) -> u64 {
        self.session.counters().retries
    }

    /// The same since this was called last.
    pub(super) fn new_retries(&mut self) -> u64 {
        let retries = self.retries();
        let more = retries.saturating_sub(self.retries_reported);
        self.retries_reported = retries;
        more
    }
}
