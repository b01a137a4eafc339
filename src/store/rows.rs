//! Types of the store's interface that are not in `record`.

use crate::clock::UtcMicros;
use crate::record::{AcquisitionContext, DarkProvenance, DarkReference, Event, Flags, Frame, Reading};

/// The rows that the values of a reading depend on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MadeWith {
    /// Row of `instrument`.
    pub instrument: i64,
    /// Row of `calibration`; `None` without an active calibration.
    pub calibration: Option<i64>,
    /// Row of `configuration`.
    pub configuration: i64,
    /// Row of `computation`.
    pub computation: i64,
}

/// The input of the reduction for one bracket: a frame and the dark used for it.
#[derive(Clone, Debug, PartialEq)]
pub struct FrameRecord {
    /// The counts.
    pub frame: Frame,
    /// The dark.
    pub dark: DarkReference,
    /// Provenance of the dark.
    pub dark_provenance: DarkProvenance,
}

/// State that persists over restarts: of exposure control, of a drift monitor, of a baseline.
#[derive(Clone, Debug, PartialEq)]
pub struct SavedState {
    /// Row of `instrument`.
    pub instrument: i64,
    /// Name, unique for the instrument.
    pub name: String,
    /// The state, as JSON.
    pub json: String,
    /// The time it applies to.
    pub time: UtcMicros,
}

/// A fitted dark model.
#[derive(Clone, Debug, PartialEq)]
pub struct DarkModel {
    /// Row of `dark_model`.
    pub id: i64,
    /// Row of `instrument`.
    pub instrument: i64,
    /// Time of the fit.
    pub fitted_at: UtcMicros,
    /// The encoded model, see [`crate::reduction::DarkModel::encode`].
    pub blob: Vec<u8>,
}

/// The spectra of lamps that are known from a time on.
#[derive(Clone, Debug, PartialEq)]
pub struct LampShapesRow {
    /// Row of `lamp_shapes`.
    pub id: i64,
    /// The encoded shapes, see [`crate::reduction::lamps::encode`].
    pub blob: Vec<u8>,
}

/// A reading to be stored, with all data of the same transaction.
#[derive(Clone, Copy, Debug)]
pub struct NewReading<'a> {
    /// The reading; `id` is ignored, `values` and `window` are in the order of [`super::Reader::quantities`].
    pub reading: &'a Reading,
    /// The rows that its values depend on.
    pub made_with: MadeWith,
    /// Conditions of the acquisition.
    pub about: AcquisitionContext,
    /// The frames, shortest bracket first; at most 16.
    pub frames: &'a [FrameRecord],
    /// Events during the reading.
    pub events: &'a [Event],
    /// State after the reading.
    pub saved_states: &'a [SavedState],
}

/// A stored reading with its active values.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredReading {
    /// The reading with all flagged intervals applied; values in the order of [`super::Reader::quantities`].
    pub reading: Reading,
    /// The reading without flagged intervals, if one affects it.
    pub before_intervals: Option<Box<Reading>>,
    /// The rows that its values depend on; computation and calibration are those of the active values.
    pub made_with: MadeWith,
    /// Flags raised during the acquisition.
    pub flags_when_taken: Flags,
    /// Conditions of the acquisition.
    pub about: AcquisitionContext,
}

impl StoredReading {
    /// The reading as computed, without flagged intervals.
    pub fn as_computed(&self) -> &Reading {
        self.before_intervals.as_deref().unwrap_or(&self.reading)
    }
}
