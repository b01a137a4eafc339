//! The stored inputs of a recomputation beside the frames: instruments, configurations, calibrations, darks and dark models.
//!
//! Caches the rows that neighbouring readings share. Stored rows never change, so cached rows stay valid.

use super::error::ArchiveError;
use crate::calibration::{Calibration, file};
use crate::clock::UtcMicros;
use crate::config::{self, Config};
use crate::darks::metadata::light_in_dark_lx;
use crate::record::{Dark, DarkReference};
use crate::reduction::lamps::{self, LampShape};
use crate::reduction::{DarkFor, DarkModel};
use crate::store::{InstrumentRow, Reader};
use crate::sun::Place;
use std::collections::{BTreeMap, VecDeque};
use std::path::Path;
use std::sync::Arc;

/// Darks in memory (8 KB each); neighbouring readings share them.
const CACHED_DARKS: usize = 64;
/// Dark models in memory (16 KB each).
const CACHED_MODELS: usize = 8;
/// Rows with spectra of lamps in memory (8 KB a lamp).
const CACHED_LAMP_SHAPES: usize = 4;

/// A cache of stored rows.
#[derive(Debug, Default)]
pub struct StoredInputs {
    instruments: BTreeMap<i64, Arc<InstrumentRow>>,
    configurations: BTreeMap<i64, Arc<Config>>,
    calibrations: BTreeMap<i64, Arc<Calibration>>,
    darks: Recent<Dark>,
    models: Recent<DarkModel>,
    lamp_shapes: Recent<Vec<LampShape>>,
}

impl StoredInputs {
    /// The instrument in a row; `reading` is named in the error.
    pub fn instrument(&mut self, reader: &Reader, reading: i64, row: i64) -> Result<Arc<InstrumentRow>, ArchiveError> {
        if !self.instruments.contains_key(&row) {
            self.instruments = reader.instruments()?.into_iter().map(|i| (i.id, Arc::new(i))).collect();
        }
        self.instruments.get(&row).cloned().ok_or(ArchiveError::Missing { reading, what: "instrument", row })
    }

    /// The configuration in a row, parsed and checked.
    pub fn configuration(&mut self, reader: &Reader, reading: i64, row: i64) -> Result<Arc<Config>, ArchiveError> {
        if let Some(known) = self.configurations.get(&row) {
            return Ok(Arc::clone(known));
        }
        let what = "configuration";
        let stored = reader.configuration(row)?.ok_or(ArchiveError::Missing { reading, what, row })?;
        let config = config::parse(Path::new("stored configuration"), &stored.text, stored.since)
            .map_err(|diagnostics| ArchiveError::Unusable { what, row, why: diagnostics.to_string() })?;
        Ok(Arc::clone(self.configurations.entry(row).or_insert(Arc::new(config))))
    }

    /// The calibration in a row, with its stray-light matrix.
    pub fn calibration(&mut self, reader: &Reader, reading: i64, row: i64) -> Result<Arc<Calibration>, ArchiveError> {
        if let Some(known) = self.calibrations.get(&row) {
            return Ok(Arc::clone(known));
        }
        let what = "calibration";
        let stored = reader.calibration(row)?.ok_or(ArchiveError::Missing { reading, what, row })?;
        let calibration = file::parse_stored(&stored.text, reader.stray_matrix(row)?)
            .map_err(|diagnostics| ArchiveError::Unusable { what, row, why: diagnostics.to_string() })?;
        Ok(Arc::clone(self.calibrations.entry(row).or_insert(Arc::new(calibration))))
    }

    /// The spectra of lamps in a row; none without one.
    pub fn lamp_shapes(
        &mut self,
        reader: &Reader,
        reading: i64,
        row: Option<i64>,
    ) -> Result<Arc<Vec<LampShape>>, ArchiveError> {
        let Some(row) = row else { return Ok(Arc::default()) };
        let what = "lamp_shapes";
        self.lamp_shapes.get_or(row, CACHED_LAMP_SHAPES, || {
            let stored = reader.lamp_shapes(row)?.ok_or(ArchiveError::Missing { reading, what, row })?;
            lamps::decode(&stored.blob).map_err(|why| ArchiveError::Unusable { what, row, why })
        })
    }

    /// The dark that a frame was reduced with.
    pub fn dark(
        &mut self,
        reader: &Reader,
        reading: i64,
        reference: DarkReference,
    ) -> Result<StoredDark, ArchiveError> {
        let (dark, model) = match reference {
            DarkReference::Matched { dark, model } => (Some(dark), model),
            DarkReference::Model(model) => (None, Some(model)),
            DarkReference::None => (None, None),
        };
        let dark =
            dark.map(|row| self.darks.get_or(row, CACHED_DARKS, || load_dark(reader, reading, row))).transpose()?;
        let model =
            model.map(|row| self.models.get_or(row, CACHED_MODELS, || load_model(reader, reading, row))).transpose()?;
        Ok(StoredDark { dark, model })
    }
}

fn load_dark(reader: &Reader, reading: i64, row: i64) -> Result<Dark, ArchiveError> {
    reader.dark(row)?.ok_or(ArchiveError::Missing { reading, what: "dark", row })
}

fn load_model(reader: &Reader, reading: i64, row: i64) -> Result<DarkModel, ArchiveError> {
    let what = "dark_model";
    let stored = reader.dark_model(row)?.ok_or(ArchiveError::Missing { reading, what, row })?;
    DarkModel::decode(&stored.blob).map_err(|why| ArchiveError::Unusable { what, row, why })
}

/// The dark that a frame was reduced with.
#[derive(Clone, Debug)]
pub struct StoredDark {
    dark: Option<Arc<Dark>>,
    model: Option<Arc<DarkModel>>,
}

impl StoredDark {
    /// The dark as an input of the reduction.
    pub fn as_dark_for(&self) -> Option<DarkFor<'_>> {
        match (&self.dark, &self.model) {
            (Some(dark), model) => Some(DarkFor::Matched { dark: &dark.frame, model: model.as_deref() }),
            (None, Some(model)) => Some(DarkFor::Model(model)),
            (None, None) => None,
        }
    }

    /// The most light that may have been in it [lx], at a place under a night sky of so many lux.
    pub fn light_lx(&self, place: Place, night_sky_lx: f64) -> f64 {
        match (&self.dark, &self.model) {
            (Some(dark), _) => light_in_dark_lx(dark, place, night_sky_lx),
            (None, Some(model)) => model.light_lx,
            (None, None) => 0.0,
        }
    }

    /// The time of the dark, or of the newest dark of the model.
    pub fn time(&self) -> Option<UtcMicros> {
        self.dark.as_ref().map(|d| d.frame.start()).or(self.model.as_ref().map(|m| m.newest))
    }
}

/// The rows loaded last.
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
        at_most: usize,
        load: impl FnOnce() -> Result<T, ArchiveError>,
    ) -> Result<Arc<T>, ArchiveError> {
        if let Some((_, known)) = self.0.iter().find(|(r, _)| *r == row) {
            return Ok(Arc::clone(known));
        }
        let entry = Arc::new(load()?);
        self.0.truncate(at_most - 1);
        self.0.push_front((row, Arc::clone(&entry)));
        Ok(entry)
    }
}
