//! A sheet: columns of equal length with name, unit and title, for one instrument and at most a day, or one list of a station.
//!
//! Plain data, stored by column to save memory. An absent number is NaN, which the database never contains.

use std::sync::Arc;

/// The data of a column.
#[derive(Clone, Debug, PartialEq)]
pub enum Data {
    /// Instants [µs since 1970, UTC]; `None` if absent.
    Time(Vec<Option<i64>>),
    /// Integers; `None` if absent.
    Integer(Vec<Option<i64>>),
    /// Real numbers; NaN if absent.
    Real(Vec<f64>),
    /// Sets of flags.
    Flags(Vec<u32>),
    /// Codes of verdicts; `None` if the value is absent.
    Verdict(Vec<Option<u8>>),
    /// Text; empty if absent.
    Text(Vec<String>),
    /// One spectrum per row, one value per entry of the axis, row after row; NaN if absent.
    Spectrum(Vec<f32>),
    /// Counts, one per pixel, row after row.
    Counts(Vec<u32>),
}

/// A column.
#[derive(Clone, Debug, PartialEq)]
pub struct Column {
    /// Name: identifier of a quantity or other datum.
    pub name: String,
    /// Unit in ASCII, CF style; empty for none.
    pub unit: String,
    /// Description.
    pub title: String,
    /// The data.
    pub data: Data,
}

impl Column {
    /// A column.
    pub fn new(name: &str, unit: &str, title: &str, data: Data) -> Self {
        Self { name: name.to_owned(), unit: unit.to_owned(), title: title.to_owned(), data }
    }
}

/// The axis of spectra or counts.
#[derive(Clone, Debug, PartialEq)]
pub enum Axis {
    /// No such columns.
    None,
    /// Wavelengths [nm].
    Wavelength(Arc<Vec<f64>>),
    /// Number of pixels, from 0.
    Pixel(usize),
}

impl Axis {
    /// Entries per row.
    pub fn len(&self) -> usize {
        match self {
            Self::None => 0,
            Self::Wavelength(w) => w.len(),
            Self::Pixel(n) => *n,
        }
    }
    /// Whether there is no axis.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// A sheet.
#[derive(Clone, Debug, PartialEq)]
pub struct Sheet {
    /// The columns.
    pub columns: Vec<Column>,
    /// Axis of spectra and counts.
    pub axis: Axis,
    /// Number of rows.
    pub rows: usize,
}

impl Sheet {
    /// The column that orders the rows of measurements in time; `None` for lists.
    pub fn time_column(&self) -> Option<&Column> {
        ["time_mid", "time_start"].into_iter().find_map(|name| self.columns.iter().find(|c| c.name == name))
    }
}

/// Where a station stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Position {
    /// Latitude, north positive [degrees].
    pub latitude_deg: f64,
    /// Longitude, east positive [degrees].
    pub longitude_deg: f64,
    /// Altitude above mean sea level [m].
    pub altitude_m: f64,
}

/// Station, instrument and day of a sheet.
#[derive(Clone, Debug, PartialEq)]
pub struct Place {
    /// The station's name; empty if unknown.
    pub station: String,
    /// `roof`, `glasshouse`, `lamp`; empty if unknown.
    pub kind: &'static str,
    /// Where it stands, if known.
    pub position: Option<Position>,
    /// The instrument's name; `None` for lists of the station, which name it in a column.
    pub instrument: Option<String>,
    /// The day in UTC, as 2026-06-21; `None` for lists.
    pub date: Option<String>,
}

/// A receiver of sheets. The sheets of one place are passed in sequence, followed by [`Sink::close`].
pub trait Sink {
    /// Receives a sheet.
    fn put(&mut self, place: &Place, sheet: &Sheet) -> Result<(), super::ExportError>;
    /// Ends the sheets of a place.
    fn close(&mut self) -> Result<(), super::ExportError>;
}
