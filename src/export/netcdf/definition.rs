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
const STANDARD_NAMES: [(&str, &str); 7] = [
    ("ppfd", "surface_downwelling_photosynthetic_photon_flux_in_air"),
    ("par_irradiance", "surface_downwelling_photosynthetic_radiative_flux_in_air"),
    ("spectral_irradiance", "surface_downwelling_radiative_flux_per_unit_wavelength_in_air"),
    ("uv_index", "ultraviolet_index"),
    ("sun_elevation", "solar_elevation_angle"),
    ("sun_azimuth", "solar_azimuth_angle"),
    ("time", "time"),
];

/// Indices of the dimensions. The third, if present, is the axis.
const TIME: usize = 0;
const BOUNDS: usize = 1;
const AXIS: usize = 2;

impl NetCdf {
    pub(super) fn definition(&self, place: &Place, sheet: &Sheet) -> Definition {
        let mut dimensions = vec![("time".to_owned(), 0), ("bounds".to_owned(), 2)];
        let mut variables = Vec::new();
        if let Some(variable) = axis_variable(&sheet.axis) {
            // At most 65 536 pixels.
            dimensions.push((variable.name.clone(), sheet.axis.len() as u32));
            variables.push(variable);
        }
        variables.push(Variable {
            name: "time_bounds".into(),
            kind: Kind::Double,
            dimensions: vec![TIME, BOUNDS],
            attributes: Vec::new(),
        });
        variables.extend(sheet.columns.iter().filter_map(|column| variable(column, place.kind)));
        Definition { dimensions, attributes: self.attributes(place), variables }
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
            ("instrument", place.instrument.clone()),
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
        let title = format!("{} of {}", self.what.name(), place.instrument);
        match self.per {
            Per::Day => format!("{title} on {}", place.date),
            Per::Range => title,
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
    Some(Variable { name: name.into(), kind, dimensions: vec![AXIS], attributes })
}

/// A column as a variable; `None` for text, and for start and end of the exposures, which are the bounds of the time.
fn variable(column: &Column, station_kind: &str) -> Option<Variable> {
    let fill = |value| vec![("_FillValue".to_owned(), value)];
    let (kind, mut attributes) = match &column.data {
        Data::Text(_) => return None,
        Data::Time(_) if column.name != "time" => return None,
        Data::Time(_) => {
            let units = "seconds since 1970-01-01T00:00:00Z";
            let pairs = [("units", units), ("calendar", "standard"), ("axis", "T"), ("bounds", "time_bounds")];
            (Kind::Double, [texts(&pairs), texts(&[("units_metadata", "leap_seconds: utc")])].concat())
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
    let over_axis = matches!(column.data, Data::Spectrum(_) | Data::Counts(_));
    let dimensions = if over_axis { vec![TIME, AXIS] } else { vec![TIME] };
    Some(Variable { name: column.name.clone(), kind, dimensions, attributes })
}
