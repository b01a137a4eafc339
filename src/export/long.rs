//! Sheets as CSV: one row per reading or, with spectra and counts, one row per wavelength or pixel.

use super::ExportError;
use super::atomic_file::output;
use super::sheet::{Axis, Column, Data, Place, Sheet, Sink};
use crate::clock::UtcMicros;
use crate::record::{Flags, Verdict};
use std::fmt::Write as _;
use std::io::Write;
use std::path::PathBuf;

/// Name of the column of the instrument, which other formats have in the name of the file or folder.
const INSTRUMENT: &str = "instrument";

/// Writes rows to one stream, with units and a header before the first.
pub struct Long<W> {
    out: W,
    /// Name of the stream in messages.
    path: PathBuf,
    has_header: bool,
}

impl<W: Write> Long<W> {
    /// Writes to a stream; `path` is its name in messages.
    pub fn new(out: W, path: PathBuf) -> Self {
        Self { out, path, has_header: false }
    }

    /// Writes the header of an export without rows.
    pub fn finish(mut self, columns: &[Column]) -> Result<(), ExportError> {
        let has_axis = columns.iter().any(|c| is_list(&c.data));
        let done = if self.has_header { Ok(()) } else { self.header(columns, has_axis.then_some("pixel")) };
        done.map_err(output(&self.path))
    }

    fn header(&mut self, columns: &[Column], axis: Option<&str>) -> std::io::Result<()> {
        self.has_header = true;
        for c in columns.iter().filter(|c| !c.unit.is_empty()) {
            writeln!(self.out, "# unit of {}: {}", c.name, c.unit)?;
        }
        let mut names: Vec<&str> = Vec::new();
        let at = place_of_instrument(columns);
        for (k, c) in columns.iter().enumerate() {
            names.extend((at == Some(k)).then_some(INSTRUMENT));
            names.extend((!is_list(&c.data)).then_some(c.name.as_str()));
        }
        names.extend(axis);
        names.extend(columns.iter().filter(|c| is_list(&c.data)).map(|c| c.name.as_str()));
        writeln!(self.out, "{}", names.join(","))
    }

    fn row(&mut self, place: &Place, sheet: &Sheet, row: usize) -> std::io::Result<()> {
        let mut cells = String::new();
        let at = place_of_instrument(&sheet.columns);
        for (k, column) in sheet.columns.iter().enumerate() {
            if at == Some(k) {
                put_cell(&mut cells, &quoted(place.instrument.as_deref().unwrap_or("")));
            }
            if !is_list(&column.data) {
                put_cell(&mut cells, &cell(&column.data, row));
            }
        }
        // A cell is followed by a comma.
        cells.pop();
        if sheet.axis.is_empty() {
            return writeln!(self.out, "{cells}");
        }
        let width = sheet.axis.len();
        let mut text = String::new();
        for k in 0..width {
            text.clear();
            // Writing to a String cannot fail.
            let _ = match &sheet.axis {
                Axis::Wavelength(w) => write!(text, "{cells},{:.4}", w[k]),
                _ => write!(text, "{cells},{k}"),
            };
            for column in &sheet.columns {
                let _ = match &column.data {
                    Data::Spectrum(v) if v[row * width + k].is_finite() => write!(text, ",{:e}", v[row * width + k]),
                    Data::Spectrum(_) => write!(text, ","),
                    Data::Counts(v) => write!(text, ",{}", v[row * width + k]),
                    _ => Ok(()),
                };
            }
            writeln!(self.out, "{text}")?;
        }
        Ok(())
    }
}

/// The column before which the instrument stands: after the times, or at the start; `None` where a column names it.
fn place_of_instrument(columns: &[Column]) -> Option<usize> {
    if columns.iter().any(|c| c.name == INSTRUMENT) {
        return None;
    }
    Some(columns.iter().position(|c| c.name == "time_end").map_or(0, |k| k + 1))
}

fn is_list(data: &Data) -> bool {
    matches!(data, Data::Spectrum(_) | Data::Counts(_))
}

fn put_cell(cells: &mut String, cell: &str) {
    cells.push_str(cell);
    cells.push(',');
}

fn cell(data: &Data, row: usize) -> String {
    match data {
        Data::Time(v) => v[row].map_or(String::new(), |t| UtcMicros(t).to_string()),
        Data::Integer(v) => v[row].map_or(String::new(), |n| n.to_string()),
        Data::Real(v) => number(v[row]),
        Data::Flags(v) => Flags(v[row]).names().join(" "),
        Data::Text(v) => quoted(&v[row]),
        Data::Verdict(v) => {
            let verdict = v[row].and_then(|code| Verdict::from_code(i64::from(code)));
            verdict.map_or(String::new(), |verdict| verdict.name().to_owned())
        }
        Data::Spectrum(_) | Data::Counts(_) => String::new(),
    }
}

impl<W: Write> Sink for Long<W> {
    fn put(&mut self, place: &Place, sheet: &Sheet) -> Result<(), ExportError> {
        let mut write = || {
            if !self.has_header {
                let axis = match &sheet.axis {
                    Axis::None => None,
                    Axis::Wavelength(_) => Some("wavelength_nm"),
                    Axis::Pixel(_) => Some("pixel"),
                };
                self.header(&sheet.columns, axis)?;
            }
            (0..sheet.rows).try_for_each(|row| self.row(place, sheet, row))
        };
        let done = write();
        done.map_err(output(&self.path))
    }

    fn close(&mut self) -> Result<(), ExportError> {
        Ok(())
    }
}

/// The shortest text that reads back as the same number; empty for NaN.
pub fn number(x: f64) -> String {
    let mut text = String::new();
    put_number(&mut text, x);
    text
}

/// Appends [`number`] to a text.
pub fn put_number(text: &mut String, x: f64) {
    // Writing to a String cannot fail.
    let _ = match x {
        x if x.is_finite() && x != 0.0 && !(1e-5..1e15).contains(&x.abs()) => write!(text, "{x:e}"),
        x if x.is_finite() => write!(text, "{x}"),
        _ => Ok(()),
    };
}

/// Text as a cell, quoted as RFC 4180 requires.
pub fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) {
        return format!("\"{}\"", text.replace('"', "\"\""));
    }
    text.to_owned()
}
