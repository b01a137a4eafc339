//! Recomputes one stored reading with the pipeline that computed it.
//!
//! Its inputs are the stored frames, their darks, the acquisition context, the spectra of lamps that were known, configuration and
//! calibration. Window statistics are not recomputed, because single exposures of a window are not stored.

use super::error::ArchiveError;
use super::stored_inputs::{StoredDark, StoredInputs};
use crate::calibration::Calibration;
use crate::darks::FrameWithDark;
use crate::processing::pipeline::{Pipeline, ProcessedReading, mean_time, without_calibration};
use crate::quantities::{self, NullReason, Outcome};
use crate::record::{AcquisitionContext, DriftEstimates, QuantityValue};
use crate::reduction::Reduced;
use crate::store::{FrameRecord, Reader, StoredReading};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Pipelines in memory; a station rarely changes its configuration or calibration.
const CACHED_PIPELINES: usize = 4;
/// Axes with weights in memory per pipeline (about 0.3 MB each): those of the temperatures of a day.
const CACHED_AXES: usize = 32;

/// Rows of instrument, configuration and calibration, and whether drawn quantities are left out.
type PipelineKey = (i64, i64, i64, bool);

/// Recomputes stored readings. Caches pipelines and inputs shared by neighbouring readings.
#[derive(Debug, Default)]
pub struct Recomputer {
    inputs: StoredInputs,
    pipelines: BTreeMap<PipelineKey, Pipeline>,
    without_drawn: bool,
}

impl Recomputer {
    /// With empty caches.
    pub fn new() -> Self {
        Self::default()
    }

    /// With nothing in memory yet; [`Self::recompute_with`] leaves out drawn quantities ([`Pipeline::without_drawn`]).
    pub fn without_drawn() -> Self {
        Self { without_drawn: true, ..Self::default() }
    }

    /// The stored inputs.
    pub fn inputs(&mut self) -> &mut StoredInputs {
        &mut self.inputs
    }

    /// Recomputes a reading as its active values were computed: with their calibration, and without what was not requested of them.
    pub fn recompute(&mut self, reader: &Reader, stored: &StoredReading) -> Result<ProcessedReading, ArchiveError> {
        let frames = reader.frames(stored.reading.id)?;
        self.process(reader, stored, &frames, stored.made_with.calibration, is_partial(stored))
    }

    /// Recomputes a reading as [`Self::recompute`] does and evaluates its spectrum with all components of the uncertainty; `None` where
    /// it has no spectrum.
    pub fn evaluate(&mut self, reader: &Reader, stored: &StoredReading) -> Result<Option<Evaluated>, ArchiveError> {
        let processed = self.recompute(reader, stored)?;
        let (Some(reduced), Some(row)) = (processed.reduced, stored.made_with.calibration) else { return Ok(None) };
        let shift_nm = context(reader, stored, Some(row))?.drift.shift_nm;
        let pipeline = self.pipeline(reader, stored, row, is_partial(stored))?;
        let (_, matrix) = pipeline.axis(processed.reading.detector_temperature, shift_nm);
        let outcomes = quantities::evaluate(&matrix, &reduced.irradiance, &reduced.variance, &reduced.errors);
        Ok(Some(Evaluated { calibration: Arc::clone(pipeline.calibration()), reduced, outcomes }))
    }

    /// The spectrum of a reading with its active calibration; `None` without one. Quantities that take long are not evaluated.
    pub fn spectrum(&mut self, reader: &Reader, stored: &StoredReading) -> Result<Option<Reduced>, ArchiveError> {
        let frames = reader.frames(stored.reading.id)?;
        Ok(self.process(reader, stored, &frames, stored.made_with.calibration, true)?.reduced)
    }

    /// Recomputes a reading from its frames with a calibration (row); without one, all values are null.
    pub fn recompute_with(
        &mut self,
        reader: &Reader,
        stored: &StoredReading,
        frames: &[FrameRecord],
        calibration: Option<i64>,
    ) -> Result<ProcessedReading, ArchiveError> {
        self.process(reader, stored, frames, calibration, self.without_drawn)
    }

    fn process(
        &mut self,
        reader: &Reader,
        stored: &StoredReading,
        frames: &[FrameRecord],
        calibration: Option<i64>,
        without_drawn: bool,
    ) -> Result<ProcessedReading, ArchiveError> {
        let id = stored.reading.id;
        if frames.is_empty() {
            return Err(ArchiveError::NoFrames(id));
        }
        let config = self.inputs.configuration(reader, id, stored.made_with.configuration)?;
        let name = &stored.reading.instrument;
        // An instrument that is not in the configuration has no values, whatever was in its darks.
        let night_sky_lx = config.instruments.iter().find(|i| i.name == *name).map_or(0.0, |i| i.darks.night_sky_lx);
        let place = config.station.place;
        let about = context(reader, stored, calibration)?;
        let darks: Vec<StoredDark> =
            frames.iter().map(|f| self.inputs.dark(reader, id, f.dark)).collect::<Result<_, _>>()?;
        let frames_with_darks: Vec<FrameWithDark<'_>> = frames
            .iter()
            .zip(&darks)
            .map(|(record, dark)| FrameWithDark {
                frame: &record.frame,
                dark: dark.as_dark_for(),
                dark_light_lx: dark.light_lx(place, night_sky_lx),
                dark_time: dark.time(),
                reference: record.dark,
                provenance: record.dark_provenance,
            })
            .collect();
        let sun = config.station.sun_at(mean_time(frames.iter().map(|f| &f.frame)));
        match calibration {
            Some(row) => {
                let shapes = self.inputs.lamp_shapes(reader, id, stored.about.lamp_shapes)?;
                let pipeline = self.pipeline(reader, stored, row, without_drawn)?;
                pipeline.set_lamp_shapes(shapes);
                Ok(pipeline.process(&frames_with_darks, &[], sun, &about))
            }
            None => Ok(without_calibration(&stored.reading.instrument, &frames_with_darks, sun, &about)),
        }
    }

    fn pipeline(
        &mut self,
        reader: &Reader,
        stored: &StoredReading,
        calibration: i64,
        without_drawn: bool,
    ) -> Result<&mut Pipeline, ArchiveError> {
        let made_with = stored.made_with;
        let key = (made_with.instrument, made_with.configuration, calibration, without_drawn);
        if !self.pipelines.contains_key(&key) {
            let pipeline = self.new_pipeline(reader, stored, calibration)?;
            let pipeline = if without_drawn { pipeline.without_drawn() } else { pipeline };
            if self.pipelines.len() >= CACHED_PIPELINES {
                self.pipelines.clear();
            }
            self.pipelines.insert(key, pipeline);
        }
        let missing = ArchiveError::Missing { reading: stored.reading.id, what: "calibration", row: calibration };
        self.pipelines.get_mut(&key).ok_or(missing)
    }

    fn new_pipeline(
        &mut self,
        reader: &Reader,
        stored: &StoredReading,
        calibration: i64,
    ) -> Result<Pipeline, ArchiveError> {
        let (id, made_with, name) = (stored.reading.id, stored.made_with, &stored.reading.instrument);
        let config = self.inputs.configuration(reader, id, made_with.configuration)?;
        let instrument = config.instruments.iter().find(|i| i.name == *name).ok_or_else(|| ArchiveError::Unusable {
            what: "configuration",
            row: made_with.configuration,
            why: format!("expected an instrument named `{name}`, but found none"),
        })?;
        let detector = self.inputs.instrument(reader, id, made_with.instrument)?.detector.clone();
        let calibration = self.inputs.calibration(reader, id, calibration)?;
        let (station, limits) = (config.station.clone(), instrument.limits.clone());
        Ok(Pipeline::new(name, station, limits, calibration, detector).keeping_axes(CACHED_AXES))
    }
}

/// The spectrum of a reading, evaluated.
#[derive(Debug)]
pub struct Evaluated {
    /// The calibration that was applied.
    pub calibration: Arc<Calibration>,
    /// The spectrum with the components of its uncertainty.
    pub reduced: Reduced,
    /// Every quantity, in the order of the registry.
    pub outcomes: Vec<Outcome>,
}

/// Whether the active values of a reading were computed without drawn quantities.
fn is_partial(stored: &StoredReading) -> bool {
    let not_requested = NullReason::NotRequested.to_string();
    let values = &stored.as_computed().values;
    values.iter().any(|value| matches!(value, QuantityValue::Null(reason) if *reason == not_requested))
}

/// The acquisition context of a reading. Drift estimates refer to the calibration at the time of the reading and are reset for
/// another one.
fn context(
    reader: &Reader,
    stored: &StoredReading,
    calibration: Option<i64>,
) -> Result<AcquisitionContext, ArchiveError> {
    let mut about = stored.about;
    if about.drift != DriftEstimates::default() && calibration != reader.calibration_when_taken(stored.reading.id)? {
        about.drift = DriftEstimates::default();
    }
    Ok(about)
}
