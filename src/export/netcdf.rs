//! NetCDF with the Climate and Forecast conventions 1.11: 64-bit offset, unlimited time, a file a day or one for the range.
//!
//! The library writes each variable whole, so it is handed one sheet at a time: a day, or a part of a day where readings come
//! so fast that a day would not fit into memory. A file of the whole range is such pieces joined ([`super::joined`]); where the
//! axis changes, with another calibration, another file begins. Text columns are left out: they have no form that every reader
//! of this format shares.

use super::joined::Joined;
use super::sheet::{Axis, Column, Data, Place, Sheet, Sink};
use super::whole::{Whole, output};
use super::{ExportError, Header, What};
use crate::record::Flag;
use netcdf3::{DataSet, FileWriter, InvalidDataSet, Version, WriteError};
use std::cell::RefCell;
use std::io::{Cursor, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::rc::Rc;

/// Stands where there is no whole number.
const NO_WHOLE: i32 = i32::MIN;
/// Stands where there is no verdict.
const NO_VERDICT: i32 = -1;
/// Stands where there is no number: as the format's own default says.
const NO_REAL: f64 = netcdf3::NC_FILL_F64;
const NO_FLOAT: f32 = netcdf3::NC_FILL_F32;

/// Standard names of the conventions' table (version 83), for quantities whose definition is the table's, on a plane under the sky.
const STANDARD_NAMES: [(&str, &str); 7] = [
    ("ppfd", "surface_downwelling_photosynthetic_photon_flux_in_air"),
    ("par_irradiance", "surface_downwelling_photosynthetic_radiative_flux_in_air"),
    ("spectral_irradiance", "surface_downwelling_radiative_flux_per_unit_wavelength_in_air"),
    ("uv_index", "ultraviolet_index"),
    ("sun_elevation", "solar_elevation_angle"),
    ("sun_azimuth", "solar_azimuth_angle"),
    ("time", "time"),
];

/// What one file holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Per {
    /// A day, from 00:00 UTC
    Day,
    /// The whole range
    Range,
}

/// Writes the files into a folder; [`NetCdf::finish`] ends the last of them.
pub struct NetCdf {
    folder: PathBuf,
    what: What,
    per: Per,
    header: Header,
    /// When this export began, for `history`.
    made: String,
    /// What the last file is called but for its part, and which part it is.
    last: Option<(String, u32)>,
    /// The file of the range that is being written, and its instrument.
    open: Option<(String, Joined)>,
    /// Files written.
    pub files: u64,
}

impl NetCdf {
    /// Into a folder.
    pub fn new(folder: &Path, what: What, per: Per, header: Header, made: String) -> Self {
        Self { folder: folder.to_owned(), what, per, header, made, last: None, open: None, files: 0 }
    }

    /// The name of the next file for a place.
    fn name(&mut self, place: &Place) -> PathBuf {
        let instrument = super::parquet::escaped(&place.instrument);
        let stem = match self.per {
            Per::Day => format!("{instrument}_{}_{}", self.what.name(), place.date),
            Per::Range => format!("{instrument}_{}", self.what.name()),
        };
        let part = match self.last.take() {
            Some((last, n)) if last == stem => n + 1,
            _ => 1,
        };
        let suffix = if part == 1 { String::new() } else { format!("_{part}") };
        let path = self.folder.join(format!("{stem}{suffix}.nc"));
        self.last = Some((stem, part));
        path
    }

    /// Ends the file of the range that is still open: no further sheet will come.
    pub fn finish(&mut self) -> Result<(), ExportError> {
        if let Some((_, joined)) = self.open.take() {
            joined.keep()?;
            self.files += 1;
        }
        Ok(())
    }

    /// A sheet as the bytes of a file, and the bytes of one record.
    fn coded(&self, place: &Place, sheet: &Sheet) -> Result<(Vec<u8>, usize), ExportError> {
        let form = |why: String| ExportError::Form { path: self.folder.clone(), form: "NetCDF", why };
        let set = self.definition(place, sheet).map_err(|e| form(format!("{e:?}")))?;
        let memory = Memory::default();
        let written = (|| {
            let mut writer = FileWriter::open_seek_write("sheet", Box::new(memory.clone()))?;
            writer.set_def(&set, Version::Offset64Bit, 0)?;
            data(&mut writer, sheet)?;
            writer.close()
        })();
        written.map_err(|e: WriteError| form(format!("{e:?}")))?;
        Ok((memory.0.take().into_inner(), set.record_size().unwrap_or(0)))
    }

    fn definition(&self, place: &Place, sheet: &Sheet) -> Result<DataSet, InvalidDataSet> {
        let mut set = DataSet::new();
        set.set_unlimited_dim("time", sheet.rows)?;
        set.add_fixed_dim("bounds", 2)?;
        for (key, text) in [
            ("Conventions", "CF-1.11".to_owned()),
            ("title", self.title(place)),
            ("institution", place.station.clone()),
            ("source", format!("vigilux {}, calibrated spectrometer", env!("CARGO_PKG_VERSION"))),
            ("history", format!("{} vigilux {} export", self.made, env!("CARGO_PKG_VERSION"))),
            ("comment", "flagged values are kept: look at the verdict beside each quantity".to_owned()),
            ("instrument", place.instrument.clone()),
            ("station_kind", place.kind.to_owned()),
        ] {
            if !text.is_empty() {
                set.add_global_attr_string(key, &text)?;
            }
        }
        let provenance: Vec<String> = self.header.provenance.iter().map(|(k, v)| format!("{k}: {v}")).collect();
        set.add_global_attr_string("provenance", provenance.join("\n"))?;
        let cautions: Vec<String> =
            self.header.cautions.iter().map(|(group, text)| format!("{group}: {text}")).collect();
        if !cautions.is_empty() {
            set.add_global_attr_string("caution", cautions.join("\n"))?;
        }
        let over = match &sheet.axis {
            Axis::None => None,
            Axis::Wavelength(w) => {
                let name = "radiation_wavelength";
                set.add_fixed_dim(name, w.len())?;
                set.add_var_f64(name, &[name])?;
                text(&mut set, name, &[("standard_name", name), ("units", "nm"), ("long_name", "wavelength in air")])?;
                Some(name)
            }
            Axis::Pixel(n) => {
                let name = "pixel";
                set.add_fixed_dim(name, *n)?;
                set.add_var_i32(name, &[name])?;
                text(&mut set, name, &[("units", "1"), ("long_name", "pixel, from 0, in detector order")])?;
                Some(name)
            }
        };
        set.add_var_f64("time_bounds", &["time", "bounds"])?;
        for column in &sheet.columns {
            self.column(&mut set, column, over, place.kind)?;
        }
        Ok(set)
    }

    fn title(&self, place: &Place) -> String {
        let title = format!("{} of {}", self.what.name(), place.instrument);
        match self.per {
            Per::Day => format!("{title} on {}", place.date),
            Per::Range => title,
        }
    }

    fn column(&self, set: &mut DataSet, column: &Column, over: Option<&str>, kind: &str) -> Result<(), InvalidDataSet> {
        let name = column.name.as_str();
        let dims: Vec<&str> = std::iter::once("time").chain(over).collect();
        match &column.data {
            Data::Text(_) => return Ok(()),
            // The beginning and end of the light are the bounds of the time.
            Data::Time(_) if name != "time" => return Ok(()),
            Data::Time(_) => {
                set.add_var_f64(name, &["time"])?;
                let units = "seconds since 1970-01-01T00:00:00Z";
                let rest = [("units", units), ("calendar", "standard"), ("axis", "T"), ("bounds", "time_bounds")];
                text(set, name, &rest)?;
                text(set, name, &[("units_metadata", "leap_seconds: utc")])?;
            }
            Data::Whole(_) => {
                set.add_var_i32(name, &["time"])?;
                set.add_var_attr_i32(name, "_FillValue", vec![NO_WHOLE])?;
            }
            Data::Real(_) => {
                set.add_var_f64(name, &["time"])?;
                set.add_var_attr_f64(name, "_FillValue", vec![NO_REAL])?;
            }
            Data::Flags(_) => {
                set.add_var_i32(name, &["time"])?;
                let names: Vec<&str> = Flag::ALL.iter().map(|f| f.name()).collect();
                set.add_var_attr_i32(name, "flag_masks", Flag::ALL.iter().map(|f| 1 << *f as u8).collect())?;
                text(set, name, &[("flag_meanings", &names.join(" "))])?;
            }
            Data::Verdict(_) => {
                set.add_var_i32(name, &["time"])?;
                set.add_var_attr_i32(name, "_FillValue", vec![NO_VERDICT])?;
                set.add_var_attr_i32(name, "flag_values", vec![0, 1, 2])?;
                text(set, name, &[("flag_meanings", "good suspect bad")])?;
            }
            Data::Spectrum(_) => {
                set.add_var_f32(name, &dims)?;
                set.add_var_attr_f32(name, "_FillValue", vec![NO_FLOAT])?;
            }
            // Sums may exceed what the format's whole numbers hold; every one of them is exact as a double.
            Data::Counts(_) => {
                set.add_var_f64(name, &dims)?;
            }
        }
        text(set, name, &[("long_name", &column.title)])?;
        if !column.unit.is_empty() && !matches!(column.data, Data::Flags(_) | Data::Verdict(_)) {
            text(set, name, &[("units", &column.unit)])?;
        }
        if column.unit.starts_with("degree_C") {
            text(set, name, &[("units_metadata", "temperature: on_scale")])?;
        }
        let standard = STANDARD_NAMES.iter().find(|(id, _)| *id == name).map(|s| s.1);
        if let Some(standard) = standard.filter(|s| kind == "roof" || !s.starts_with("surface_")) {
            text(set, name, &[("standard_name", standard)])?;
        }
        Ok(())
    }
}

fn text(set: &mut DataSet, name: &str, attributes: &[(&str, &str)]) -> Result<(), InvalidDataSet> {
    attributes.iter().try_for_each(|(key, value)| set.add_var_attr_string(name, key, value))
}

/// Writes the data of a defined file.
fn data(writer: &mut FileWriter<'_>, sheet: &Sheet) -> Result<(), WriteError> {
    let seconds = |us: &i64| *us as f64 / 1e6;
    match &sheet.axis {
        Axis::None => {}
        Axis::Wavelength(w) => writer.write_var_f64("radiation_wavelength", w)?,
        Axis::Pixel(n) => writer.write_var_i32("pixel", &(0..*n as i32).collect::<Vec<_>>())?,
    }
    let times = |name: &str| match sheet.columns.iter().find(|c| c.name == name).map(|c| &c.data) {
        Some(Data::Time(v)) => &v[..],
        _ => &[],
    };
    let bounds = times("time_start").iter().zip(times("time_end"));
    writer.write_var_f64("time_bounds", &bounds.flat_map(|(a, b)| [seconds(a), seconds(b)]).collect::<Vec<_>>())?;
    for column in &sheet.columns {
        let name = column.name.as_str();
        match &column.data {
            Data::Text(_) => {}
            Data::Time(v) if name == "time" => {
                writer.write_var_f64(name, &v.iter().map(seconds).collect::<Vec<_>>())?;
            }
            Data::Time(_) => {}
            Data::Whole(v) => {
                let whole = |n: &Option<i64>| n.and_then(|n| i32::try_from(n).ok()).unwrap_or(NO_WHOLE);
                writer.write_var_i32(name, &v.iter().map(whole).collect::<Vec<_>>())?;
            }
            Data::Real(v) => {
                let real = |x: &f64| if x.is_finite() { *x } else { NO_REAL };
                writer.write_var_f64(name, &v.iter().map(real).collect::<Vec<_>>())?;
            }
            Data::Flags(v) => writer.write_var_i32(name, &v.iter().map(|f| *f as i32).collect::<Vec<_>>())?,
            Data::Verdict(v) => {
                let code = |c: &Option<u8>| c.map_or(NO_VERDICT, i32::from);
                writer.write_var_i32(name, &v.iter().map(code).collect::<Vec<_>>())?;
            }
            Data::Spectrum(v) => {
                let float = |x: &f32| if x.is_finite() { *x } else { NO_FLOAT };
                writer.write_var_f32(name, &v.iter().map(float).collect::<Vec<_>>())?;
            }
            Data::Counts(v) => {
                writer.write_var_f64(name, &v.iter().map(|n| f64::from(*n)).collect::<Vec<_>>())?;
            }
        }
    }
    Ok(())
}

/// Memory to write a file into, shared with the library that keeps its own end of it.
#[derive(Clone, Debug, Default)]
struct Memory(Rc<RefCell<Cursor<Vec<u8>>>>);

impl Write for Memory {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.borrow_mut().write(bytes)
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

impl Seek for Memory {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        self.0.borrow_mut().seek(to)
    }
}

impl Sink for NetCdf {
    fn put(&mut self, place: &Place, sheet: &Sheet) -> Result<(), ExportError> {
        let (bytes, record_size) = self.coded(place, sheet)?;
        if self.per == Per::Day {
            let path = self.name(place);
            let whole = Whole::with_folder(&path)?;
            std::fs::write(whole.part(), bytes).map_err(output(&path))?;
            whole.keep()?;
            self.files += 1;
            return Ok(());
        }
        match &mut self.open {
            Some((instrument, joined))
                if *instrument == place.instrument && joined.fits(&bytes, sheet.rows, record_size) =>
            {
                joined.append(&bytes, sheet.rows)
            }
            _ => {
                self.finish()?;
                let path = self.name(place);
                let joined = Joined::begin(&path, &bytes, sheet.rows, record_size)?;
                self.open = Some((place.instrument.clone(), joined));
                Ok(())
            }
        }
    }

    fn close(&mut self) -> Result<(), ExportError> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Arc;

    fn place(date: &str) -> Place {
        Place { station: "roof".into(), kind: "roof", instrument: "south".into(), date: date.into() }
    }

    /// Rows `from..to` of a record with every kind of column.
    fn sheet(from: i64, to: i64, wavelengths: &[f64]) -> Sheet {
        let ids = from..to;
        let time = |add: i64| Data::Time(ids.clone().map(|k| k * 60_000_000 + add).collect());
        let spectrum = ids.clone().flat_map(|k| wavelengths.iter().map(move |w| *w as f32 + k as f32)).collect();
        let data = [
            ("time", time(1)),
            ("time_start", time(0)),
            ("time_end", time(2)),
            ("id", Data::Whole(ids.clone().map(Some).collect())),
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

    /// Identity: a file of three days is, byte for byte, the one of the same rows in one piece.
    #[test]
    fn a_file_of_the_range_is_the_file_written_in_one_piece() {
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
    }

    /// Identity: where the wavelengths change, another file begins, and nothing is lost.
    #[test]
    fn another_axis_begins_another_file() {
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
