//! Learns the spectra of lamps from readings, and loads and stores them.
//!
//! Depends on the pure rules of [`crate::reduction::lamps`]. Invariant: a spectrum is stored before a reading is processed with it.

use super::dark_records::unless_damaged;
use crate::clock::UtcMicros;
use crate::processing::{Pipeline, ProcessedReading};
use crate::record::{AcquisitionContext, Flag};
use crate::reduction::lamps::{LampShape, Learner, Observation, decode, encode};
use crate::store::{Store, StoreError};
use std::sync::Arc;

/// The spectra of lamps of one instrument.
#[derive(Debug, Default)]
pub struct LampRecords {
    /// Their row; `None` before any is known.
    row: Option<i64>,
    shapes: Arc<Vec<LampShape>>,
    learner: Learner,
}

impl LampRecords {
    /// Loads the spectra that were stored last. Damaged ones are set aside ([`Reader::take_damage`](crate::store::Reader::take_damage)) and learned anew.
    pub fn load(store: &Store, instrument: i64) -> Result<Self, StoreError> {
        let stored = unless_damaged(store, store.latest_lamp_shapes(instrument))?;
        let Some(stored) = stored else { return Ok(Self::default()) };
        match decode(&stored.blob) {
            Ok(shapes) => Ok(Self { row: Some(stored.id), shapes: Arc::new(shapes), learner: Learner::default() }),
            Err(why) => {
                store.set_aside("lamp_shapes", stored.id, &why);
                Ok(Self::default())
            }
        }
    }

    /// The row of the spectra, which a reading refers to.
    pub fn row(&self) -> Option<i64> {
        self.row
    }

    /// The spectra.
    pub fn shapes(&self) -> &Arc<Vec<LampShape>> {
        &self.shapes
    }

    /// Learns from a reading, and stores what is new. If the database cannot be written, it is learned from a later reading.
    pub fn observe(
        &mut self,
        store: &Store,
        instrument: i64,
        processed: &ProcessedReading,
        context: &AcquisitionContext,
        pipeline: &mut Pipeline,
    ) -> Result<(), StoreError> {
        let (reading, Some(reduced)) = (&processed.reading, &processed.reduced) else { return Ok(()) };
        let Some(daylight) = pipeline.daylight() else { return Ok(()) };
        let unfit = [Flag::CheckSource, Flag::Warming, Flag::ShutterFault, Flag::RepeatedFrame];
        if unfit.into_iter().any(|flag| reading.flags.has(flag)) || context.interrupted {
            return Ok(());
        }
        let observation = Observation {
            time: reading.time_mid,
            sun_elevation_deg: reading.sun_elevation,
            rate: &reduced.rate,
            saturated: &reduced.saturated,
            signal_to_noise: reduced.signal_to_noise.unwrap_or(0.0),
        };
        let Some(shapes) = self.learner.observe(&observation, &reduced.scale, daylight, &self.shapes) else {
            return Ok(());
        };
        match self.store(store, instrument, shapes, reading.time_mid) {
            Err(error) if error.is_transient() => tracing::error!("{error}: a spectrum of lamps could not be stored"),
            other => other?,
        }
        pipeline.set_lamp_shapes(Arc::clone(&self.shapes));
        Ok(())
    }

    fn store(
        &mut self,
        store: &Store,
        instrument: i64,
        shapes: Vec<LampShape>,
        time: UtcMicros,
    ) -> Result<(), StoreError> {
        let row = store.add_lamp_shapes(instrument, time, &encode(&shapes))?;
        tracing::info!("learned the spectrum of lamps; {} known", shapes.len());
        (self.row, self.shapes) = (Some(row), Arc::new(shapes));
        Ok(())
    }
}
