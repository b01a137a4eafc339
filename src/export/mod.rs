//! A record in the forms of other programs: what goes out, sheet by sheet, and how a file comes to be whole.
//!
//! Reads a database and writes files; knows nothing of instruments. [`rows`] turns what is stored into sheets of at most a
//! day of one instrument, [`netcdf`] and [`parquet`] write them, [`long`] writes the longest of them as text. What must
//! stay true: memory does not grow with the span; a file appears whole or not at all; every form holds the same numbers.

mod classic;
mod columns;
pub mod long;
pub mod netcdf;
pub mod parquet;
pub mod rows;
pub mod sheet;
pub mod spectra;
pub mod whole;

use crate::archive::ArchiveError;
use crate::store::StoreError;
use std::path::PathBuf;

/// Why an export ended.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// A file or folder could not be written.
    #[error("{path}: {why}")]
    Output {
        /// Which one.
        path: PathBuf,
        /// What the system said.
        why: std::io::Error,
    },
    /// The library that writes the form refused.
    #[error("{path}: {form} could not be written: {why}")]
    Form {
        /// Which file.
        path: PathBuf,
        /// Which form.
        form: &'static str,
        /// What it said.
        why: String,
    },
    /// The database.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A spectrum could not be made again, for a reason that concerns more than one reading.
    #[error(transparent)]
    Recomputer(#[from] ArchiveError),
}

/// What is exported.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum What {
    /// One row a reading: every quantity with uncertainty and verdict
    Values,
    /// Spectral irradiance with its standard uncertainty, made again from the raw frames
    Spectra,
    /// Accepted darks, as counts
    Darks,
    /// Raw frames, as counts
    Frames,
}

impl What {
    /// Its name in file names.
    pub fn name(self) -> &'static str {
        match self {
            Self::Values => "values",
            Self::Spectra => "spectra",
            Self::Darks => "darks",
            Self::Frames => "frames",
        }
    }
}

/// What stands at the head of every file.
#[derive(Clone, Debug, Default)]
pub struct Header {
    /// Origin of the numbers, as (key, text).
    pub provenance: Vec<(String, String)>,
    /// Safety notices, as (group of quantities, text).
    pub cautions: Vec<(&'static str, String)>,
}

impl Header {
    /// All of it as (key, text), for formats whose headers are key and text.
    pub fn lines(&self) -> impl Iterator<Item = (String, &str)> {
        let cautions = self.cautions.iter().map(|(group, text)| (format!("caution on {group}"), text.as_str()));
        self.provenance.iter().map(|(key, text)| (key.clone(), text.as_str())).chain(cautions)
    }
}
