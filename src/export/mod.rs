//! Export of stored data to CSV, NetCDF and Parquet.
//!
//! Reads a database and writes files; does not access instruments. [`rows`] converts stored data to sheets of at most a day of
//! one instrument, [`listings`] those of a station; [`netcdf`] and [`parquet`] write them, and [`long`] writes them as text.
//!
//! Invariants:
//! - Memory does not grow with the exported range.
//! - Files are atomic: a file appears complete or not at all.
//! - All formats contain the same numbers, in columns of the same names and types.

pub mod atomic_file;
mod classic;
mod columns;
mod listings;
pub mod long;
pub mod netcdf;
pub mod parquet;
mod row_writer;
pub mod rows;
pub mod sheet;
pub mod spectra;

pub use columns::columns;

use crate::archive::ArchiveError;
use crate::store::StoreError;
use std::path::PathBuf;

/// The reason why an export failed.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// A file or folder could not be written.
    #[error("{path}: {why}")]
    Output {
        /// The file or folder.
        path: PathBuf,
        /// The error of the operating system.
        why: std::io::Error,
    },
    /// The library for the format returned an error.
    #[error("{path}: {format} could not be written: {why}")]
    Format {
        /// The file.
        path: PathBuf,
        /// The format.
        format: &'static str,
        /// The error of the library.
        why: String,
    },
    /// The database could not be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A spectrum could not be recomputed, for a reason that affects more than one reading.
    #[error(transparent)]
    Archive(#[from] ArchiveError),
}

/// The exported data.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum What {
    /// One row per reading: every quantity with uncertainty and verdict
    Values,
    /// Spectral irradiance with its standard uncertainty, recomputed from the raw frames
    Spectra,
    /// What the reduction took from each reading: floor, share of direct light, cosine factor, light in the darks
    Reduction,
    /// Accepted darks, as counts
    Darks,
    /// Raw frames, as counts, with the ranges of clipped pixels
    Frames,
    /// Calibrations, as text
    Calibrations,
    /// Dark models: offset and rate of each pixel
    #[value(name = "dark_models")]
    DarkModels,
    /// Properties of the detectors
    Detector,
    /// Gaps, notes, flagged intervals and other events
    Events,
}

impl What {
    /// Name in file names.
    pub fn name(self) -> &'static str {
        match self {
            Self::Values => "values",
            Self::Spectra => "spectra",
            Self::Reduction => "reduction",
            Self::Darks => "darks",
            Self::Frames => "frames",
            Self::Calibrations => "calibrations",
            Self::DarkModels => "dark_models",
            Self::Detector => "detector",
            Self::Events => "events",
        }
    }

    /// Whether it is a list of the station instead of a series of an instrument.
    pub fn is_list(self) -> bool {
        matches!(self, Self::Calibrations | Self::DarkModels | Self::Detector | Self::Events)
    }
}

/// Metadata of every file.
#[derive(Clone, Debug, Default)]
pub struct Header {
    /// Origin of the numbers, as (key, text).
    pub provenance: Vec<(String, String)>,
    /// Safety notices, as (group of quantities, text).
    pub cautions: Vec<(&'static str, String)>,
}

impl Header {
    /// All metadata as (key, text).
    pub fn lines(&self) -> impl Iterator<Item = (String, &str)> {
        let cautions = self.cautions.iter().map(|(group, text)| (format!("caution on {group}"), text.as_str()));
        self.provenance.iter().map(|(key, text)| (key.clone(), text.as_str())).chain(cautions)
    }
}

/// A value as JSON on one line.
fn json(value: &impl serde::Serialize) -> String {
    // Numbers, text and lists always become JSON.
    serde_json::to_string(value).unwrap_or_default()
}
