//! What goes into the store and comes out of it, beyond the records every room knows.

use crate::clock::UtcMicros;
use crate::record::{AcquisitionContext, DarkProvenance, DarkReference, Event, Flags, Frame, Reading};

/// The rows a reading was made with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MadeWith {
    /// Row of `instrument`.
    pub instrument: i64,
    /// Row of `calibration`; `None` where none is in force.
    pub calibration: Option<i64>,
    /// Row of `configuration`.
    pub configuration: i64,
    /// Row of `computation`.
    pub computation: i64,
}

/// A frame and the dark that served it: all that reduction received for one bracket.
#[derive(Clone, Debug, PartialEq)]
pub struct FrameRecord {
    /// The counts.
    pub frame: Frame,
    /// The dark.
    pub dark: DarkReference,
    /// How it came to serve; `None` where a program that did not keep it stored the frame.
    pub dark_provenance: Option<DarkProvenance>,
}

/// State that has to outlive a restart: exposure control, a drift tracker, a baseline.
#[derive(Clone, Debug, PartialEq)]
pub struct SavedState {
    /// Row of `instrument`.
    pub instrument: i64,
    /// Its name, unique for the instrument.
    pub name: String,
    /// The state, as JSON.
    pub json: String,
    /// When it was so.
    pub time: UtcMicros,
}

/// A fitted dark model, as the capture room codes it.
#[derive(Clone, Debug, PartialEq)]
pub struct DarkModel {
    /// Its row.
    pub id: i64,
    /// Row of `instrument`.
    pub instrument: i64,
    /// When it was fitted.
    pub fitted_at: UtcMicros,
    /// The model; only its owner knows the form.
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

/// A reading as the database has it, with the values in force.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredReading {
    /// The reading with every span applied; values in the order of [`super::Reader::quantities`].
    pub reading: Reading,
    /// The reading as it was computed, where a span touches it.
    pub before_spans: Option<Box<Reading>>,
    /// What it was made with; the computation and calibration are those of the values in force.
    pub made_with: MadeWith,
    /// Flags as raised when it was taken.
    pub flags_when_taken: Flags,
    /// What the station knew beside the frames; `None` where a program that did not keep it stored the reading.
    pub about: Option<AcquisitionContext>,
}

impl StoredReading {
    /// The reading as it was computed, without what was found out or declared about its time.
    pub fn as_computed(&self) -> &Reading {
        self.before_spans.as_deref().unwrap_or(&self.reading)
    }
}
