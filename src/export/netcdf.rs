//! NetCDF with the Climate and Forecast conventions 1.11: one file for each sheet, 64-bit offset, unlimited time.
//!
//! The library writes each variable whole, so a file holds one sheet: a day, or a part of a day where readings come so fast
//! that a day would not fit into memory. Text columns are left out: they have no form that every reader of this format shares.

use super::sheet::{Axis, Column, Data, Place, Sheet, Sink};
use super::whole::{Whole, output};
use super::{ExportError, Provenance, What};
use crate::record::Flag;
use netcdf3::{DataSet, FileWriter, InvalidDataSet, Version, WriteError};
use std::io::BufWriter;
use std::path::{Path, PathBuf};

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

/// Writes a file for each sheet into a folder.
pub struct NetCdf {
    folder: PathBuf,
    what: What,
    provenance: Provenance,
    /// When this export began, for `history`.
    made: String,
    /// The place of the last sheet and how many it has had.
    last: Option<(Place, u32)>,
    /// Files written.
    pub files: u64,
}

impl NetCdf {
    /// Into a folder.
    pub fn new(folder: &Path, what: What, provenance: Provenance, made: String) -> Self {
        Self { folder: folder.to_owned(), what, provenance, made, last: None, files: 0 }
    }

    /// The name of the next file of a place.
    fn name(&mut self, place: &Place) -> PathBuf {
        let part = match self.last.take() {
            Some((last, n)) if last == *place => n + 1,
            _ => 1,
        };
        self.last = Some((place.clone(), part));
        let part = if part == 1 { String::new() } else { format!("_{part}") };
        let instrument = super::parquet::escaped(&place.instrument);
        self.folder.join(format!("{instrument}_{}_{}{part}.nc", self.what.name(), place.date))
    }

    fn definition(&self, place: &Place, sheet: &Sheet) -> Result<DataSet, InvalidDataSet> {
        let mut set = DataSet::new();
        set.set_unlimited_dim("time", sheet.rows)?;
        set.add_fixed_dim("bounds", 2)?;
        for (key, text) in [
            ("Conventions", "CF-1.11".to_owned()),
            ("title", format!("{} of {} on {}", self.what.name(), place.instrument, place.date)),
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
        let provenance: Vec<String> = self.provenance.iter().map(|(k, v)| format!("{k}: {v}")).collect();
        set.add_global_attr_string("provenance", provenance.join("\n"))?;
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

impl Sink for NetCdf {
    fn put(&mut self, place: &Place, sheet: &Sheet) -> Result<(), ExportError> {
        let path = self.name(place);
        let form = |why: String| ExportError::Form { path: path.clone(), form: "NetCDF", why };
        let set = self.definition(place, sheet).map_err(|e| form(format!("{e:?}")))?;
        let whole = Whole::with_folder(&path)?;
        let file = std::fs::File::create(whole.part()).map_err(output(&path))?;
        let out = Box::new(BufWriter::with_capacity(1 << 16, file));
        let written = (|| {
            let mut writer = FileWriter::open_seek_write(&path.to_string_lossy(), out)?;
            writer.set_def(&set, Version::Offset64Bit, 0)?;
            data(&mut writer, sheet)?;
            writer.close()
        })();
        written.map_err(|e: WriteError| form(format!("{e:?}")))?;
        whole.keep()?;
        self.files += 1;
        Ok(())
    }

    fn close(&mut self) -> Result<(), ExportError> {
        Ok(())
    }
}
