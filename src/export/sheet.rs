//! A sheet: columns of equal length with names, units and meanings, of one instrument and at most a day.
//!
//! Plain data, column by column, so that a sheet of a day is small. An absent number is NaN, which the store never holds.

use std::sync::Arc;

/// What a column holds.
#[derive(Clone, Debug, PartialEq)]
pub enum Data {
    /// Instants [µs since 1970, UTC].
    Time(Vec<i64>),
    /// Whole numbers; `None` where there is none.
    Whole(Vec<Option<i64>>),
    /// Numbers; NaN where there is none.
    Real(Vec<f64>),
    /// Sets of flags.
    Flags(Vec<u32>),
    /// Codes of verdicts; `None` where there is no value.
    Verdict(Vec<Option<u8>>),
    /// Text.
    Text(Vec<String>),
    /// A spectrum a row, one value a wavelength of the axis, rows one after the other; NaN where there is none.
    Spectrum(Vec<f32>),
    /// Counts a row, one a pixel, rows one after the other.
    Counts(Vec<u32>),
}

/// A column.
#[derive(Clone, Debug, PartialEq)]
pub struct Column {
    /// Its name: identifier of a quantity or of a fact.
    pub name: String,
    /// Unit in ASCII, CF style; empty for none.
    pub unit: String,
    /// What it is, in words.
    pub title: String,
    /// The data.
    pub data: Data,
}

impl Column {
    /// An empty one.
    pub fn new(name: &str, unit: &str, title: &str, data: Data) -> Self {
        Self { name: name.to_owned(), unit: unit.to_owned(), title: title.to_owned(), data }
    }
}

/// What the entries of a spectrum or of counts stand for.
#[derive(Clone, Debug, PartialEq)]
pub enum Axis {
    /// There are no such columns.
    None,
    /// Wavelengths [nm].
    Wavelength(Arc<Vec<f64>>),
    /// So many pixels, from 0.
    Pixel(usize),
}

impl Axis {
    /// Entries in each row.
    pub fn len(&self) -> usize {
        match self {
            Self::None => 0,
            Self::Wavelength(w) => w.len(),
            Self::Pixel(n) => *n,
        }
    }
    /// Whether rows have no such entries.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// A sheet.
#[derive(Clone, Debug, PartialEq)]
pub struct Sheet {
    /// The columns; the first is the time of the row.
    pub columns: Vec<Column>,
    /// What spectra and counts stand over.
    pub axis: Axis,
    /// Number of rows.
    pub rows: usize,
}

/// Where a sheet belongs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// The station's name; empty where it is not known.
    pub station: String,
    /// `roof`, `glasshouse`, `lamp`; empty where it is not known.
    pub kind: &'static str,
    /// The instrument's name.
    pub instrument: String,
    /// The day in UTC, as 2026-06-21.
    pub date: String,
}

/// Takes sheets. Sheets of one place come one after the other; [`Sink::close`] follows the last of them.
pub trait Sink {
    /// Takes a sheet.
    fn put(&mut self, place: &Place, sheet: &Sheet) -> Result<(), super::ExportError>;
    /// No further sheet of this place will come.
    fn close(&mut self) -> Result<(), super::ExportError>;
}
