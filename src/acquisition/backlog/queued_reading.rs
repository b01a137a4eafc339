//! A queued reading with all data of its transaction. Frames are encoded as in the database, which takes a quarter of the memory.

use super::super::registration::RegisteredRows;
use crate::record::{
    AcquisitionContext, DarkProvenance, DarkReference, Event, QuantityValue, Reading, WindowStatistics,
};
use crate::store::frame_row::FrameRow;
use crate::store::{FrameRecord, MadeWith, NewReading, SavedState, Store, StoreError};

/// A queued reading.
#[derive(Debug)]
pub(super) struct QueuedReading {
    reading: Reading,
    made_with: MadeWith,
    about: AcquisitionContext,
    frames: Vec<QueuedFrame>,
    events: Vec<Event>,
    saved_states: Vec<SavedState>,
}

#[derive(Debug)]
struct QueuedFrame {
    row: FrameRow,
    dark: DarkReference,
    dark_provenance: DarkProvenance,
}

impl QueuedReading {
    pub fn of(new: &NewReading<'_>) -> Result<Self, StoreError> {
        let frames = new
            .frames
            .iter()
            .map(|record| {
                let row = FrameRow::encode(&record.frame)?;
                Ok(QueuedFrame { row, dark: record.dark, dark_provenance: record.dark_provenance })
            })
            .collect::<Result<_, StoreError>>()?;
        Ok(Self {
            reading: new.reading.clone(),
            made_with: new.made_with,
            about: new.about,
            frames,
            events: new.events.to_vec(),
            saved_states: new.saved_states.to_vec(),
        })
    }

    pub fn reading(&self) -> &Reading {
        &self.reading
    }

    /// Completes the rows that it refers to.
    pub fn complete(&mut self, rows: RegisteredRows) {
        self.made_with = rows.complete(self.made_with);
    }

    /// Stores the reading; returns its id.
    pub fn commit(&self, store: &Store) -> Result<i64, StoreError> {
        let frames: Vec<FrameRecord> = self
            .frames
            .iter()
            .map(|f| Ok(FrameRecord { frame: f.row.decode()?, dark: f.dark, dark_provenance: f.dark_provenance }))
            .collect::<Result<_, StoreError>>()?;
        store.commit_reading(&NewReading {
            reading: &self.reading,
            made_with: self.made_with,
            about: self.about,
            frames: &frames,
            events: &self.events,
            saved_states: &self.saved_states,
        })
    }

    /// Approximate size in memory [bytes].
    pub fn bytes(&self) -> usize {
        let frames: usize = self.frames.iter().map(|f| f.row.len()).sum();
        let states: usize = self.saved_states.iter().map(|s| s.json.len() + s.name.len()).sum();
        let values = self.reading.values.len() * size_of::<QuantityValue>()
            + self.reading.window.len() * size_of::<Option<WindowStatistics>>();
        size_of::<Self>() + frames + states + values
    }
}
