//! What goes into the store and comes out of it, beyond the records every module knows.

use crate::clock::UtcMicros;
use crate::record::{AcquisitionContext, DarkProvenance, DarkReference, Event, Flags, Frame, Reading};

/// The rows a reading was made with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MadeWith {
    /// Row of `instrument`.
    pub instrument: i64,
    /// Row of `calibration`; `None` where none is active.
    pub calibration: Option<i64>,
    /// Row of `configuration`.
    pub configuration: i64,
    /// Row of `computation`.
    pub computation: i64,
}

/// A frame and the dark that was used for it: all that reduction received for one bracket.
#[derive(Clone, Debug, PartialEq)]
pub struct FrameRecord {
    /// The counts.
    pub frame: Frame,
    /// The dark.
    pub dark: DarkReference,
    /// How it was chosen.
    pub dark_provenance: DarkProvenance,
}

/// State that has to outlive a restart: exposure control, a drift monitor, a baseline.
#[derive(Clone, Debug, PartialEq)]
pub struct SavedState {
    /// Row of `instrument`.
    pub instrument: i64,
    /// Its name, unique for the instrument.
    pub name: String,
    /// The state, as JSON.
    pub json: String,
    /// The time it applies to.
    pub time: UtcMicros,
}

/// A fitted dark model.
#[derive(Clone, Debug, PartialEq)]
pub struct DarkModel {
    /// Its row.
    pub id: i64,
    /// Row of `instrument`.
    pub instrument: i64,
    /// When it was fitted.
    pub fitted_at: UtcMicros,
    /// The model, see [`crate::reduction::DarkModel::encode`].
    pub blob: Vec<u8>,
}

/// One reading to be stored, with everything that belongs into the same transaction.
#[derive(Clone, Copy, Debug)]
pub struct NewReading<'a> {
    /// The reading; its `id` is ignored, its `values` and `window` follow the order of [`super::Reader::quantities`].
    pub reading: &'a Reading,
    /// What it was made with.
    pub made_with: MadeWith,
    /// What the station knew beside the frames.
    pub about: AcquisitionContext,
    /// What reduction received, shortest bracket first; at most 16.
    pub frames: &'a [FrameRecord],
    /// What happened on the way.
    pub events: &'a [Event],
    /// State as it is after the reading.
    pub saved_states: &'a [SavedState],
}

/// A reading as the database has it, with the active values.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredReading {
    /// The reading with every flagged interval applied; values in the order of [`super::Reader::quantities`].
    pub reading: Reading,
    /// The reading as it was computed, where a flagged interval affects it.
    pub before_intervals: Option<Box<Reading>>,
    /// What it was made with; the computation and calibration are those of the active values.
    pub made_with: MadeWith,
    /// Flags as raised when it was taken.
    pub flags_when_taken: Flags,
    /// What the station knew beside the frames.
    pub about: AcquisitionContext,
}

impl StoredReading {
    /// The reading as it was computed, without what was found out or declared about its time.
    pub fn as_computed(&self) -> &Reading {
        self.before_intervals.as_deref().unwrap_or(&self.reading)
    }
}
