//! A stored reading made again: from what the store holds to the very call that made it.
//!
//! Facts only go in: frames, the darks that served, acquisition_context, and the texts of configuration and calibration. What
//! comes out with the reading's own calibration is what was stored, bit for bit, as long as the program computes as it did.
//! What the exposures of a window did is not among the facts and cannot come out again.

use crate::calibration::{Calibration, file};
use crate::config::{self, Config};
use crate::darks::FrameWithDark;
use crate::processing::pipeline::{Pipeline, ProcessedReading, mean_time, without_calibration};
use crate::record::{DarkReference, Frame, QuantityValue, Reading, Tracked};
use crate::reduction::{DarkFor, DarkModel};
use crate::store::{FrameRecord, InstrumentRow, NOT_YET_A_QUANTITY, Reader, StoreError, StoredReading};
use std::collections::{BTreeMap, VecDeque};
use std::path::Path;
use std::sync::Arc;

/// Darks kept at hand (8 KB each): neighbouring readings share them.
const DARKS_KEPT: usize = 64;
/// Dark models kept at hand.
const MODELS_KEPT: usize = 8;
/// Sets of axes and weights kept at hand; a station changes its configuration rarely.
const RECKONERS_KEPT: usize = 4;
/// Axes and weights of a set (some 0.3 MB each): those of a day's temperatures.
const AXES_KEPT: usize = 32;

/// Why a reading cannot be made again.
#[derive(Debug, thiserror::Error)]
pub enum RecomputeError {
    /// The database.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Its raw frames are gone.
    #[error("reading {0}: expected its raw frames, but none are kept any more")]
    NoFrames(i64),
    /// A row it was made with is not there.
    #[error("reading {reading}: expected {what} {row}, but there is no such row")]
    Missing {
        /// The reading.
        reading: i64,
        /// Which table.
        what: &'static str,
        /// Which row.
        row: i64,
    },
    /// A row it was made with cannot be understood.
    #[error("{what} {row} on record cannot be used: {why}")]
    Unusable {
        /// Which table.
        what: &'static str,
        /// Which row.
        row: i64,
        /// What is wrong with it.
        why: String,
    },
}

impl RecomputeError {
    /// Whether only this one reading is concerned: its frames are gone or damaged, or a dark it needs is.
    pub fn is_of_one_reading(&self) -> bool {
        match self {
            Self::NoFrames(_) | Self::Missing { .. } | Self::Unusable { .. } => true,
            Self::Store(error) => matches!(error, StoreError::Corrupt { .. }),
        }
    }
}

/// Makes stored readings again; keeps what neighbouring readings share.
#[derive(Debug, Default)]
pub struct Recomputer {
    instruments: BTreeMap<i64, Arc<InstrumentRow>>,
    configurations: BTreeMap<i64, Arc<Config>>,
    calibrations: BTreeMap<i64, Arc<Calibration>>,
    reckoners: BTreeMap<(i64, i64, i64), Pipeline>,
    darks: Recent<Frame>,
    models: Recent<DarkModel>,
    bare_rendering: bool,
}

impl Recomputer {
    /// With nothing at hand yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// With nothing at hand yet, and without colour rendering's uncertainty ([`Pipeline::without_rendering_uncertainty`]).
    #[doc(hidden)]
    pub fn without_rendering_uncertainty() -> Self {
        Self { bare_rendering: true, ..Self::default() }
    }

    /// Makes a reading again with the calibration its values in force were made with.
    pub fn process(&mut self, reader: &Reader, stored: &StoredReading) -> Result<ProcessedReading, RecomputeError> {
        let frames = reader.frames(stored.reading.id)?;
        self.reckon_with(reader, stored, &frames, stored.made_with.calibration)
    }

    /// Makes a reading again from its frames, with the calibration in a row; `None` makes one without numbers.
    pub fn reckon_with(
        &mut self,
        reader: &Reader,
        stored: &StoredReading,
        frames: &[FrameRecord],
        calibration: Option<i64>,
    ) -> Result<ProcessedReading, RecomputeError> {
        let id = stored.reading.id;
        if frames.is_empty() {
            return Err(RecomputeError::NoFrames(id));
        }
        let made_with = stored.made_with;
        let config = self.configuration(reader, id, made_with.configuration)?;
        let name = &stored.reading.instrument;
        let instrument =
            config.instruments.iter().find(|i| i.name == *name).ok_or_else(|| RecomputeError::Unusable {
                what: "configuration",
                row: made_with.configuration,
                why: format!("expected an instrument named `{name}`, but found none"),
            })?;
        let mut about = stored.about;
        if about.tracked != Tracked::default() && calibration != reader.calibration_when_taken(id)? {
            // What saved_states knew was about another calibration.
            about.tracked = Tracked::default();
        }
        let darks: Vec<ServedDark> =
            frames.iter().map(|f| self.dark_that_served(reader, id, f.dark)).collect::<Result<_, _>>()?;
        let frames_with_darks: Vec<FrameWithDark<'_>> = frames
            .iter()
            .zip(&darks)
            .map(|(record, dark)| FrameWithDark {
                frame: &record.frame,
                dark: dark.as_dark_for(),
                dark_time: dark.time(),
                reference: record.dark,
                provenance: record.dark_provenance,
            })
            .collect();
        let sun = config.station.sun_at(mean_time(frames.iter().map(|f| &f.frame)));
        let Some(calibration) = calibration else {
            return Ok(without_calibration(name, &frames_with_darks, sun, &about));
        };
        let key = (made_with.instrument, made_with.configuration, calibration);
        if !self.reckoners.contains_key(&key) {
            let detector = self.instrument(reader, id, made_with.instrument)?.detector.clone();
            let calibration = self.calibration(reader, id, calibration)?;
            let (station, limits) = (config.station.clone(), instrument.limits.clone());
            if self.reckoners.len() >= RECKONERS_KEPT {
                self.reckoners.clear();
            }
            let pipeline = Pipeline::new(name, station, limits, calibration, detector).keeping_axes(AXES_KEPT);
            let bare = self.bare_rendering;
            self.reckoners.insert(key, if bare { pipeline.without_rendering_uncertainty() } else { pipeline });
        }
        match self.reckoners.get_mut(&key) {
            Some(pipeline) => Ok(pipeline.process(&frames_with_darks, &[], sun, &about)),
            // It was put in above.
            None => Err(RecomputeError::Missing { reading: id, what: "calibration", row: calibration }),
        }
    }

    /// An instrument on record.
    pub fn instrument(
        &mut self,
        reader: &Reader,
        reading: i64,
        row: i64,
    ) -> Result<Arc<InstrumentRow>, RecomputeError> {
        if !self.instruments.contains_key(&row) {
            self.instruments = reader.instruments()?.into_iter().map(|i| (i.id, Arc::new(i))).collect();
        }
        self.instruments.get(&row).cloned().ok_or(RecomputeError::Missing { reading, what: "instrument", row })
    }

    /// A configuration on record, as it was meant.
    pub fn configuration(&mut self, reader: &Reader, reading: i64, row: i64) -> Result<Arc<Config>, RecomputeError> {
        if let Some(known) = self.configurations.get(&row) {
            return Ok(Arc::clone(known));
        }
        let what = "configuration";
        let stored = reader.configuration(row)?.ok_or(RecomputeError::Missing { reading, what, row })?;
        let config = config::parse(Path::new("configuration on record"), &stored.text, stored.since)
            .map_err(|diagnostics| RecomputeError::Unusable { what, row, why: diagnostics.to_string() })?;
        Ok(Arc::clone(self.configurations.entry(row).or_insert(Arc::new(config))))
    }

    /// A calibration on record, whole.
    pub fn calibration(&mut self, reader: &Reader, reading: i64, row: i64) -> Result<Arc<Calibration>, RecomputeError> {
        if let Some(known) = self.calibrations.get(&row) {
            return Ok(Arc::clone(known));
        }
        let what = "calibration";
        let stored = reader.calibration(row)?.ok_or(RecomputeError::Missing { reading, what, row })?;
        let calibration = file::parse_record(&stored.text, reader.stray_matrix(row)?)
            .map_err(|diagnostics| RecomputeError::Unusable { what, row, why: diagnostics.to_string() })?;
        Ok(Arc::clone(self.calibrations.entry(row).or_insert(Arc::new(calibration))))
    }

    fn dark_that_served(
        &mut self,
        reader: &Reader,
        reading: i64,
        reference: DarkReference,
    ) -> Result<ServedDark, RecomputeError> {
        let (dark, model) = match reference {
            DarkReference::Matched { dark, model } => (Some(dark), model),
            DarkReference::Model(model) => (None, Some(model)),
            DarkReference::None => (None, None),
        };
        let dark = dark
            .map(|row| {
                self.darks.get_or(row, DARKS_KEPT, || {
                    let dark = reader.dark(row)?.ok_or(RecomputeError::Missing { reading, what: "dark", row })?;
                    Ok(dark.frame)
                })
            })
            .transpose()?;
        let model = model
            .map(|row| {
                self.models.get_or(row, MODELS_KEPT, || {
                    let what = "dark_model";
                    let stored = reader.dark_model(row)?.ok_or(RecomputeError::Missing { reading, what, row })?;
                    DarkModel::decode(&stored.blob).map_err(|why| RecomputeError::Unusable { what, row, why })
                })
            })
            .transpose()?;
        Ok(ServedDark { dark, model })
    }
}

/// The dark that served a frame.
struct ServedDark {
    dark: Option<Arc<Frame>>,
    model: Option<Arc<DarkModel>>,
}

impl ServedDark {
    fn as_dark_for(&self) -> Option<DarkFor<'_>> {
        match (&self.dark, &self.model) {
            (Some(dark), model) => Some(DarkFor::Matched { dark, model: model.as_deref() }),
            (None, Some(model)) => Some(DarkFor::Model(model)),
            (None, None) => None,
        }
    }
    fn time(&self) -> Option<crate::clock::UtcMicros> {
        self.dark.as_ref().map(|d| d.start()).or(self.model.as_ref().map(|m| m.newest))
    }
}

/// The entries asked for last, by row.
#[derive(Debug)]
struct Recent<T>(VecDeque<(i64, Arc<T>)>);

impl<T> Default for Recent<T> {
    fn default() -> Self {
        Self(VecDeque::new())
    }
}

impl<T> Recent<T> {
    fn get_or(
        &mut self,
        row: i64,
        kept: usize,
        load: impl FnOnce() -> Result<T, RecomputeError>,
    ) -> Result<Arc<T>, RecomputeError> {
        if let Some((_, known)) = self.0.iter().find(|(r, _)| *r == row) {
            return Ok(Arc::clone(known));
        }
        let entry = Arc::new(load()?);
        self.0.truncate(kept - 1);
        self.0.push_front((row, Arc::clone(&entry)));
        Ok(entry)
    }
}

/// Where a reading that was made again differs from the stored one, in words; empty where every bit is the same.
///
/// quantities: the order of the stored values, as the reader has it; stored: as it was computed; again: in the order of the registry. Window statistics
/// are left out, and quantities that were not known when the reading was computed.
pub fn differences(quantities: &[(String, String)], stored: &Reading, again: &Reading) -> Vec<String> {
    let mut found = Differences(Vec::new());
    found.number("sun_elevation", stored.sun_elevation, again.sun_elevation);
    found.number("sun_azimuth", stored.sun_azimuth, again.sun_azimuth);
    found.number("relative_air_mass", stored.relative_air_mass, again.relative_air_mass);
    found.number("detector_temperature", stored.detector_temperature, again.detector_temperature);
    found.number("peak_level", Some(stored.peak_level), Some(again.peak_level));
    found.number("signal_to_noise", stored.signal_to_noise, again.signal_to_noise);
    found.number("stray_floor", stored.stray_floor, again.stray_floor);
    found.number("dark_age", stored.dark_age, again.dark_age);
    found.words("flags", &stored.flags, &again.flags);
    found.words("time_mid", &stored.time_mid, &again.time_mid);
    found.words("time_start", &stored.time_start, &again.time_start);
    found.words("time_end", &stored.time_end, &again.time_end);
    found.words("exposures", &stored.exposures, &again.exposures);
    for ((id, _), was) in quantities.iter().zip(&stored.values) {
        let Some(is) = crate::quantities::index_of(id).and_then(|q| again.values.get(q)) else { continue };
        match (was, is) {
            (
                QuantityValue::Value { value, uncertainty, verdict },
                QuantityValue::Value { value: v, uncertainty: u, verdict: w },
            ) => {
                found.number(id, Some(*value), Some(*v));
                found.number(&format!("{id}_uncertainty"), Some(*uncertainty), Some(*u));
                found.words(&format!("{id}_verdict"), verdict, w);
            }
            (QuantityValue::Null(why), _) if why == NOT_YET_A_QUANTITY => {}
            _ => found.words(id, was, is),
        }
    }
    found.0
}

struct Differences(Vec<String>);

impl Differences {
    /// The store keeps no sign of zero and nothing that is not finite.
    fn number(&mut self, what: &str, was: Option<f64>, is: Option<f64>) {
        let bits = |x: Option<f64>| x.filter(|x| x.is_finite()).map(|x| (x + 0.0).to_bits());
        if bits(was) != bits(is) {
            self.0.push(format!("{what}: stored {was:?}, made again {is:?}"));
        }
    }
    fn words<T: PartialEq + std::fmt::Debug>(&mut self, what: &str, was: &T, is: &T) {
        if was != is {
            self.0.push(format!("{what}: stored {was:?}, made again {is:?}"));
        }
    }
}
