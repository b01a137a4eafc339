//! What a monitor set asks its caller to write.

use crate::clock::UtcMicros;
use crate::record::{Event, FlaggedInterval};

/// A change of the flagged intervals in the database, with the event that reports it.
#[derive(Clone, Debug, PartialEq)]
pub enum MonitorAction {
    /// Store a flagged interval: an open one, or one that has ended already.
    Open {
        /// The interval; its `id` is 0.
        interval: FlaggedInterval,
        /// The event that reports it.
        report: Event,
    },
    /// Let an open interval affect more.
    Widen {
        /// Row of the interval.
        id: i64,
        /// It begins at this instant, where that is earlier than now.
        from: UtcMicros,
        /// Quantities that it still leaves unaffected.
        unaffected: Vec<String>,
    },
    /// End an open interval.
    End {
        /// Row of the interval.
        id: i64,
        /// The first instant after it.
        until: UtcMicros,
        /// The event that reports it.
        report: Event,
    },
}

impl MonitorAction {
    /// The event that reports it; a widened interval is not reported again.
    pub fn report(&self) -> Option<&Event> {
        match self {
            Self::Open { report, .. } | Self::End { report, .. } => Some(report),
            Self::Widen { .. } => None,
        }
    }
}

/// The state of a monitor, to be saved.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NamedState {
    /// Its name.
    pub name: &'static str,
    /// The state as JSON.
    pub json: String,
}

/// What has to be stored in the transaction of the reading that was observed, so that no interruption separates them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ReadingRecord {
    /// States of monitors.
    pub states: Vec<NamedState>,
    /// Events that no flagged interval goes with.
    pub events: Vec<Event>,
}
