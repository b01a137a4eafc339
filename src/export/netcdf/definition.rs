//! Dimensions, variables and attributes of a file, by the conventions.

use super::super::classic::{Attributes, Definition, Kind, Value, Variable};
use super::super::sheet::{Axis, Column, Data, Place, Sheet};
use super::{NetCdf, Per};
use crate::record::Flag;

/// Fill value of integers.
pub(super) const NO_INTEGER: i32 = i32::MIN;
/// Fill value of verdicts.
pub(super) const NO_VERDICT: i32 = -1;
/// Fill value of real numbers: the default of the format (`NC_FILL_DOUBLE` and `NC_FILL_FLOAT` of the netCDF library).
pub(super) const NO_REAL: f64 = 9.969_209_968_386_869e36;
pub(super) const NO_FLOAT: f32 = 9.969_21e36;

/// Standard names of the conventions' table (version 83), for quantities with the table's definition, on a plane under the sky.
const STANDARD_NAMES: [(&str, &str); 6] = [
    ("ppfd", "surface_downwelling_photosynthetic_photon_flux_in_air"),
    ("par_irradiance", "surface_downwelling_photosynthetic_radiative_flux_in_air"),
    ("spectral_irradiance", "surface_downwelling_radiative_flux_per_unit_wavelength_in_air"),
    ("uv_index", "ultraviolet_index"),
    ("sun_elevation", "solar_elevation_angle"),
    ("sun_azimuth", "solar_azimuth_angle"),
];

/// Columns that bound the time of a row.
pub(super) const BOUNDS: [&str; 2] = ["time_start", "time_end"];
/// Where the station stands: name, standard name, unit, description.
const POSITION: [[&str; 4]; 3] = [
    ["latitude", "latitude", "degrees_north", "latitude of the station"],
    ["longitude", "longitude", "degrees_east", "longitude of the station"],
    ["altitude", "altitude", "m", "altitude of the station above mean sea level"],
];
/// Index of the dimension of the rows.
const ROWS: usize = 0;

impl NetCdf {
    pub(super) fn definition(&self, place: &Place, sheet: &Sheet) -> Definition {
        let time = sheet.time_column().map(|c| c.name.as_str());
        let mut d = Definition {
            dimensions: vec![(time.unwrap_or("row").to_owned(), 0)],
            attributes: self.attributes(place),
            variables: Vec::new(),
        };
        let mut axis = None;
        if let Some(mut variable) = axis_variable(&sheet.axis) {
            axis = Some(d.dimensions.len());
            variable.dimensions = axis.into_iter().collect();
            // At most 65 536 pixels.
            d.dimensions.push((variable.name.clone(), sheet.axis.len() as u32));
            d.variables.push(variable);
        }
        if place.position.is_some() {
            d.variables.extend(POSITION.iter().map(position_variable));
        }
        if time.is_some() {
            let name = "time_bounds".to_owned();
            let dimensions = vec![ROWS, d.dimensions.len()];
            d.dimensions.push(("bounds".to_owned(), 2));
            d.variables.push(Variable { name, kind: Kind::Double, dimensions, attributes: Vec::new() });
        }
        let coordinates = place.position.map(|_| POSITION.map(|p| p[0]).join(" "));
        for column in &sheet.columns {
            let mut variable = variable(column, place.kind, time == Some(column.name.as_str()));
            if matches!(column.data, Data::Spectrum(_) | Data::Counts(_)) {
                variable.dimensions.extend(axis);
            }
            if let Some(length) = self.text_lengths.get(&column.name).filter(|_| variable.kind == Kind::Char) {
                variable.dimensions.push(d.dimensions.len());
                d.dimensions.push((format!("{}_length", column.name), *length));
            }
            if let Some(names) = coordinates.as_ref().filter(|_| time != Some(column.name.as_str())) {
                variable.attributes.push(("coordinates".to_owned(), Value::Text(names.clone())));
            }
            d.variables.push(variable);
        }
        d
    }

    fn attributes(&self, place: &Place) -> Attributes {
        let lines = |lines: Vec<String>| lines.join("\n");
        let provenance = self.header.provenance.iter().map(|(key, text)| format!("{key}: {text}")).collect();
        let cautions = self.header.cautions.iter().map(|(group, text)| format!("{group}: {text}")).collect();
        [
            ("Conventions", "CF-1.11".to_owned()),
            ("title", self.title(place)),
            ("institution", place.station.clone()),
            ("source", format!("vigilux {}, calibrated spectrometer", env!("CARGO_PKG_VERSION"))),
            ("history", format!("{} vigilux {} export", self.created, env!("CARGO_PKG_VERSION"))),
            ("comment", "flagged values are included: see the verdict of each quantity".to_owned()),
            ("instrument", place.instrument.clone().unwrap_or_default()),
            ("station_kind", place.kind.to_owned()),
            ("provenance", lines(provenance)),
            ("caution", lines(cautions)),
        ]
        .into_iter()
        .filter(|(_, text)| !text.is_empty())
        .map(|(key, text)| (key.to_owned(), Value::Text(text)))
        .collect()
    }

    fn title(&self, place: &Place) -> String {
        let title = format!("{} of {}", self.what.name(), place.instrument.as_ref().unwrap_or(&place.station));
        match (self.per, &place.date) {
            (Per::Day, Some(date)) => format!("{title} on {date}"),
            _ => title,
        }
    }
}

fn texts(pairs: &[(&str, &str)]) -> Attributes {
    pairs.iter().map(|(key, text)| ((*key).to_owned(), Value::Text((*text).to_owned()))).collect()
}

fn axis_variable(axis: &Axis) -> Option<Variable> {
    let (name, kind, attributes) = match axis {
        Axis::None => return None,
        Axis::Wavelength(_) => {
            let name = "radiation_wavelength";
            let pairs = [("standard_name", name), ("units", "nm"), ("long_name", "wavelength in air")];
            (name, Kind::Double, texts(&pairs))
        }
        Axis::Pixel(_) => {
            let pairs = [("units", "1"), ("long_name", "pixel, from 0, in detector order")];
            ("pixel", Kind::Int, texts(&pairs))
        }
    };
    Some(Variable { name: name.into(), kind, dimensions: Vec::new(), attributes })
}

/// A coordinate of the station: a scalar.
fn position_variable([name, standard, unit, title]: &[&str; 4]) -> Variable {
    let mut attributes = texts(&[("standard_name", standard), ("units", unit), ("long_name", title)]);
    if *name == "altitude" {
        attributes.extend(texts(&[("positive", "up")]));
    }
    Variable { name: (*name).to_owned(), kind: Kind::Double, dimensions: Vec::new(), attributes }
}

/// A column as a variable over the rows. `is_coordinate`: it is the time of the rows.
fn variable(column: &Column, station_kind: &str, is_coordinate: bool) -> Variable {
    let fill = |value| vec![("_FillValue".to_owned(), value)];
    let (kind, mut attributes) = match &column.data {
        Data::Text(_) => (Kind::Char, texts(&[("_Encoding", "utf-8")])),
        Data::Time(_) => {
            let pairs = [("units", "microseconds since 1970-01-01T00:00:00Z"), ("calendar", "standard")];
            let of_coordinate = match is_coordinate {
                true => texts(&[("axis", "T"), ("bounds", "time_bounds")]),
                false => fill(Value::Double(NO_REAL)),
            };
            let meaning = texts(&[("units_metadata", "leap_seconds: utc"), ("standard_name", "time")]);
            (Kind::Double, [texts(&pairs), of_coordinate, meaning].concat())
        }
        Data::Integer(_) => (Kind::Int, fill(Value::Int(vec![NO_INTEGER]))),
        Data::Real(_) => (Kind::Double, fill(Value::Double(NO_REAL))),
        Data::Flags(_) => {
            let masks = Flag::ALL.iter().map(|f| 1 << *f as u8).collect();
            let names: Vec<&str> = Flag::ALL.iter().map(|f| f.name()).collect();
            let meanings = texts(&[("flag_meanings", &names.join(" "))]);
            (Kind::Int, [vec![("flag_masks".to_owned(), Value::Int(masks))], meanings].concat())
        }
        Data::Verdict(_) => {
            let values = vec![("flag_values".to_owned(), Value::Int(vec![0, 1, 2]))];
            let meanings = texts(&[("flag_meanings", "good suspect bad")]);
            (Kind::Int, [fill(Value::Int(vec![NO_VERDICT])), values, meanings].concat())
        }
        Data::Spectrum(_) => (Kind::Float, fill(Value::Float(NO_FLOAT))),
        // Sums may exceed 32-bit integers; as doubles they are exact.
        Data::Counts(_) => (Kind::Double, Vec::new()),
    };
    attributes.extend(texts(&[("long_name", &column.title)]));
    if !column.unit.is_empty() && !matches!(column.data, Data::Flags(_) | Data::Verdict(_)) {
        attributes.extend(texts(&[("units", &column.unit)]));
    }
    if column.unit.starts_with("degree_C") {
        attributes.extend(texts(&[("units_metadata", "temperature: on_scale")]));
    }
    let standard = STANDARD_NAMES.iter().find(|(id, _)| *id == column.name).map(|s| s.1);
    if let Some(standard) = standard.filter(|s| station_kind == "roof" || !s.starts_with("surface_")) {
        attributes.extend(texts(&[("standard_name", standard)]));
    }
    Variable { name: column.name.clone(), kind, dimensions: vec![ROWS], attributes }
}
