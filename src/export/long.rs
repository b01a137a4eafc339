//! Spectra and counts as CSV: one row per wavelength or pixel, for spreadsheets and scripts.

use super::ExportError;
use super::atomic_file::output;
use super::sheet::{Axis, Data, Place, Sheet, Sink};
use crate::clock::UtcMicros;
use crate::record::Flags;
use std::fmt::Write as _;
use std::io::Write;
use std::path::PathBuf;

/// Writes rows to one stream, with a header before the first.
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

    fn header(&mut self, sheet: &Sheet) -> std::io::Result<()> {
        let mut lists = Vec::new();
        let mut names = vec!["instrument".to_owned()];
        for c in &sheet.columns {
            let list = matches!(c.data, Data::Spectrum(_) | Data::Counts(_));
            if list { lists.push(c.name.clone()) } else { names.push(c.name.clone()) }
        }
        names.push(if matches!(sheet.axis, Axis::Wavelength(_)) { "wavelength_nm" } else { "pixel" }.to_owned());
        names.extend(lists);
        writeln!(self.out, "{}", names.join(","))
    }

    fn row(&mut self, place: &Place, sheet: &Sheet, row: usize) -> std::io::Result<()> {
        let mut cells = quoted(&place.instrument);
        for column in &sheet.columns {
            let cell = match &column.data {
                Data::Time(v) => UtcMicros(v[row]).to_string(),
                Data::Integer(v) => v[row].map_or(String::new(), |n| n.to_string()),
                Data::Real(v) => number(v[row]),
                Data::Flags(v) => Flags(v[row]).names().join(" "),
                Data::Text(v) => quoted(&v[row]),
                Data::Verdict(v) => v[row].map_or(String::new(), |c| c.to_string()),
                Data::Spectrum(_) | Data::Counts(_) => continue,
            };
            cells.push(',');
            cells.push_str(&cell);
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

impl<W: Write> Sink for Long<W> {
    fn put(&mut self, place: &Place, sheet: &Sheet) -> Result<(), ExportError> {
        let mut write = || {
            if !self.has_header {
                self.header(sheet)?;
                self.has_header = true;
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
