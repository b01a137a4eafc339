//! NetCDF with the Climate and Forecast conventions 1.11: 64-bit offset, unlimited time, one file per day or for the range.
//!
//! A new file begins where the axis changes, with another calibration, and where a text is longer than any before. Times are
//! microseconds since 1970 as in the database, exact in double precision; texts are arrays of characters. A file is written row by row,
//! so memory does not depend on its length.

mod definition;

use super::atomic_file::{AtomicFile, escaped, output};
use super::classic::Writer;
use super::sheet::{Axis, Data, Place, Sheet, Sink};
use super::{ExportError, Header, What};
use definition::{BOUNDS, NO_FLOAT, NO_INTEGER, NO_REAL, NO_VERDICT};
use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};

/// Length of a text column at least [bytes].
const SHORTEST_TEXT: u32 = 64;

/// The range of one file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Per {
    /// A day, from 00:00 UTC
    Day,
    /// The complete range
    Range,
}

/// Writes the files into a folder; [`NetCdf::finish`] ends the last of them.
pub struct NetCdf {
    folder: PathBuf,
    what: What,
    per: Per,
    header: Header,
    /// Start of the export, for the attribute `history`.
    created: String,
    /// Stem of the last file name, and number of the part.
    last: Option<(String, u32)>,
    open: Option<Open>,
    /// Length of each text column; grows with the texts.
    text_lengths: BTreeMap<String, u32>,
    /// Files written.
    pub files: u64,
}

/// The open file.
struct Open {
    file: AtomicFile,
    path: PathBuf,
    stem: String,
    axis: Axis,
    writer: Writer,
}

impl NetCdf {
    /// Writes into a folder.
    pub fn new(folder: &Path, what: What, per: Per, header: Header, created: String) -> Self {
        Self {
            folder: folder.to_owned(),
            what,
            per,
            header,
            created,
            last: None,
            open: None,
            text_lengths: BTreeMap::new(),
            files: 0,
        }
    }

    /// The stem of a file name for a place, without the number of the part.
    fn stem(&self, place: &Place) -> String {
        let instrument = place.instrument.as_ref().map_or(String::new(), |name| format!("{}_", escaped(name)));
        match (self.per, &place.date) {
            (Per::Day, Some(date)) => format!("{instrument}{}_{date}", self.what.name()),
            _ => format!("{instrument}{}", self.what.name()),
        }
    }

    /// Opens the file for a sheet: the open one if the sheet fits, or a new one.
    fn file_for(&mut self, place: &Place, sheet: &Sheet) -> Result<(), ExportError> {
        for column in &sheet.columns {
            if let Data::Text(texts) = &column.data {
                let longest = texts.iter().map(|text| text.len() as u32).max().unwrap_or(0);
                let length = self.text_lengths.entry(column.name.clone()).or_insert(SHORTEST_TEXT);
                *length = (*length).max(longest.next_power_of_two());
            }
        }
        let (definition, stem) = (self.definition(place, sheet), self.stem(place));
        let fits = |open: &Open| {
            let writer = &open.writer;
            open.stem == stem
                && open.axis == sheet.axis
                && *writer.definition() == definition
                && writer.has_room_for(sheet.rows)
        };
        if !self.open.as_ref().is_some_and(fits) {
            self.finish()?;
        }
        let open = match self.open.take() {
            Some(open) => open,
            None => {
                let part = match self.last.take() {
                    Some((last, n)) if last == stem => n + 1,
                    _ => 1,
                };
                let suffix = if part == 1 { String::new() } else { format!("_{part}") };
                let path = self.folder.join(format!("{stem}{suffix}.nc"));
                self.last = Some((stem.clone(), part));
                let file = AtomicFile::with_folder(&path)?;
                let mut writer = Writer::create(file.temporary_path(), definition).map_err(output(&path))?;
                write_axis(&mut writer, &sheet.axis).map_err(output(&path))?;
                let position = place.position.map(|p| [p.latitude_deg, p.longitude_deg, p.altitude_m]);
                writer.doubles(position.into_iter().flatten()).map_err(output(&path))?;
                Open { file, path, stem, axis: sheet.axis.clone(), writer }
            }
        };
        self.open = Some(open);
        Ok(())
    }

    /// Ends the open file after the last sheet.
    pub fn finish(&mut self) -> Result<(), ExportError> {
        if let Some(open) = self.open.take() {
            open.writer.finish().map_err(output(&open.path))?;
            open.file.commit()?;
            self.files += 1;
        }
        Ok(())
    }
}

impl Sink for NetCdf {
    fn put(&mut self, place: &Place, sheet: &Sheet) -> Result<(), ExportError> {
        self.file_for(place, sheet)?;
        let (Some(open), lengths) = (self.open.as_mut(), &self.text_lengths) else { return Ok(()) };
        let written = (0..sheet.rows).try_for_each(|row| write_row(&mut open.writer, sheet, lengths, row));
        written.map_err(output(&open.path))
    }

    fn close(&mut self) -> Result<(), ExportError> {
        Ok(())
    }
}

fn write_axis(writer: &mut Writer, axis: &Axis) -> io::Result<()> {
    match axis {
        Axis::None => Ok(()),
        Axis::Wavelength(w) => writer.doubles(w.iter().copied()),
        Axis::Pixel(n) => writer.ints(0..*n as i32),
    }
}

/// Writes a row as a record, with its parts in the order of the definition.
fn write_row(writer: &mut Writer, sheet: &Sheet, lengths: &BTreeMap<String, u32>, row: usize) -> io::Result<()> {
    let instant = |t: Option<i64>| t.map_or(NO_REAL, |us| us as f64);
    if sheet.time_column().is_some() {
        for bound in BOUNDS {
            if let Some(Data::Time(v)) = sheet.columns.iter().find(|c| c.name == bound).map(|c| &c.data) {
                writer.doubles([instant(v[row])])?;
            }
        }
    }
    let width = sheet.axis.len();
    let cells = row * width..(row + 1) * width;
    for column in &sheet.columns {
        match &column.data {
            Data::Text(v) => writer.text(&v[row], lengths.get(&column.name).map_or(0, |n| *n as usize))?,
            Data::Time(v) => writer.doubles([instant(v[row])])?,
            Data::Integer(v) => writer.ints([v[row].and_then(|n| i32::try_from(n).ok()).unwrap_or(NO_INTEGER)])?,
            Data::Real(v) => writer.doubles([if v[row].is_finite() { v[row] } else { NO_REAL }])?,
            Data::Flags(v) => writer.ints([v[row] as i32])?,
            Data::Verdict(v) => writer.ints([v[row].map_or(NO_VERDICT, i32::from)])?,
            Data::Spectrum(v) => {
                writer.floats(v[cells.clone()].iter().map(|x| if x.is_finite() { *x } else { NO_FLOAT }))?;
            }
            Data::Counts(v) => writer.doubles(v[cells.clone()].iter().map(|n| f64::from(*n)))?,
        }
    }
    writer.end_record();
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::super::sheet::{Column, Position};
    use super::*;
    use std::sync::Arc;

    fn place(date: &str) -> Place {
        let position = Some(Position { latitude_deg: 47.5, longitude_deg: 9.25, altitude_m: 420.0 });
        let (instrument, date) = (Some("south".into()), Some(date.into()));
        Place { station: "roof".into(), kind: "roof", position, instrument, date }
    }

    /// Rows `from..to` with every kind of column.
    fn sheet(from: i64, to: i64, wavelengths: &[f64]) -> Sheet {
        let ids = from..to;
        let time = |add: i64| Data::Time(ids.clone().map(|k| Some(k * 60_000_000 + add)).collect());
        let spectrum = ids.clone().flat_map(|k| wavelengths.iter().map(move |w| *w as f32 + k as f32)).collect();
        let data = [
            ("time_start", time(0)),
            ("time_mid", time(1)),
            ("time_end", time(2)),
            ("calibration", Data::Text(ids.clone().map(|k| format!("lab-{k}")).collect())),
            ("id", Data::Integer(ids.clone().map(Some).collect())),
            ("ppfd", Data::Real(ids.clone().map(|k| if k == 3 { f64::NAN } else { k as f64 }).collect())),
            ("flags", Data::Flags(ids.clone().map(|k| k as u32).collect())),
            ("ppfd_verdict", Data::Verdict(ids.clone().map(|k| (k != 3).then_some(1)).collect())),
            ("spectral_irradiance", Data::Spectrum(spectrum)),
        ];
        let columns = data.into_iter().map(|(name, data)| Column::new(name, "", name, data)).collect();
        Sheet { columns, axis: Axis::Wavelength(Arc::new(wavelengths.to_vec())), rows: (to - from) as usize }
    }

    fn header() -> Header {
        Header {
            provenance: vec![],
            cautions: vec![("ultraviolet", "protect eyes".into()), ("retina", "do not look".into())],
        }
    }

    fn written(folder: &Path, per: Per, sheets: &[(&str, Sheet)]) -> u64 {
        let mut sink = NetCdf::new(folder, What::Spectra, per, header(), "now".into());
        for (date, sheet) in sheets {
            sink.put(&place(date), sheet).unwrap();
            sink.close().unwrap();
        }
        sink.finish().unwrap();
        sink.files
    }

    /// A file of three days has the same bytes as a file of the same rows in one sheet.
    #[test]
    fn a_file_written_day_by_day_equals_one_written_in_one_sheet() {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        let w = [300.0, 301.0, 302.0];
        let days = [("2026-06-21", sheet(0, 2, &w)), ("2026-06-22", sheet(2, 5, &w)), ("2026-06-23", sheet(5, 6, &w))];
        assert_eq!(written(&path("joined"), Per::Range, &days), 1);
        assert_eq!(written(&path("once"), Per::Range, &[("2026-06-21", sheet(0, 6, &w))]), 1);
        assert_eq!(written(&path("days"), Per::Day, &days), 3);
        let read = |name: &str| std::fs::read(path(name)).unwrap();
        assert_eq!(read("joined/south_spectra.nc"), read("once/south_spectra.nc"));
        assert!(path("days/south_spectra_2026-06-22.nc").exists());
        let mut reader = netcdf3::FileReader::open(path("joined/south_spectra.nc")).unwrap();
        assert_eq!(reader.read_var_i32("id").unwrap(), [0, 1, 2, 3, 4, 5]);
        let caution = reader.data_set().get_global_attr_as_string("caution").unwrap();
        assert_eq!(caution, "ultraviolet: protect eyes\nretina: do not look");
        assert_eq!(reader.read_var_f64("ppfd").unwrap(), [0.0, 1.0, 2.0, NO_REAL, 4.0, 5.0]);
        assert_eq!(reader.read_var_f64("time_mid").unwrap()[..2], [1.0, 60_000_001.0]);
        assert_eq!(reader.read_var_f64("altitude").unwrap(), [420.0]);
        let names = reader.read_var_u8("calibration").unwrap();
        assert_eq!((names.len(), &names[64..70]), (6 * 64, &b"lab-1\0"[..]));
    }

    /// A new file begins where the wavelengths change, and no row is lost.
    #[test]
    fn a_changed_axis_begins_a_new_file() {
        let folder = tempfile::tempdir().unwrap();
        let (a, b) = ([300.0, 301.0], [300.0, 302.0]);
        let days = [("2026-06-21", sheet(0, 2, &a)), ("2026-06-21", sheet(2, 3, &b)), ("2026-06-22", sheet(3, 6, &b))];
        assert_eq!(written(folder.path(), Per::Range, &days), 2);
        for (name, ids) in [("south_spectra.nc", &[0, 1][..]), ("south_spectra_2.nc", &[2, 3, 4, 5])] {
            let mut reader = netcdf3::FileReader::open(folder.path().join(name)).unwrap();
            assert_eq!(reader.read_var_i32("id").unwrap(), ids);
        }
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 2);
    }
}
