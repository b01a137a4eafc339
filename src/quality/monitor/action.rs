//! The actions of a monitor set, which its caller writes to the database.

use crate::clock::UtcMicros;
use crate::record::{Event, FlaggedInterval};

/// A change of the flagged intervals in the database, with the event that reports it.
#[derive(Clone, Debug, PartialEq)]
pub enum MonitorAction {
    /// Store a flagged interval, open or already ended.
    Open {
        /// The interval; its `id` is 0.
        interval: FlaggedInterval,
        /// The event that reports it.
        report: Event,
    },
    /// Extend an open interval to an earlier start or more quantities.
    Widen {
        /// Row of the interval.
        id: i64,
        /// Its new start, where that is earlier than the present one.
        from: UtcMicros,
        /// Quantities that remain unaffected.
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
    /// The event that reports the action; a widened interval is not reported again.
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

/// What is stored in the same transaction as the observed reading, so that no interruption separates them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ReadingRecord {
    /// States of monitors.
    pub states: Vec<NamedState>,
    /// Events that belong to no action.
    pub events: Vec<Event>,
}
