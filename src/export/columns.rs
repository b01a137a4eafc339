//! The columns of each kind of sheet, and the writer of one row.

use super::sheet::{Column, Data, Sheet};
use crate::clock::UtcMicros;
use crate::quantities;

/// Writes the cells of one row, column by column.
pub(super) struct RowWriter<'a> {
    sheet: &'a mut Sheet,
    column: usize,
}

impl<'a> RowWriter<'a> {
    pub(super) fn new(sheet: &'a mut Sheet) -> Self {
        Self { sheet, column: 0 }
    }

    fn next(&mut self) -> &mut Data {
        self.column += 1;
        &mut self.sheet.columns[self.column - 1].data
    }

    pub(super) fn time(&mut self, t: UtcMicros) -> &mut Self {
        if let Data::Time(v) = self.next() {
            v.push(t.0);
        }
        self
    }
    pub(super) fn integer(&mut self, n: Option<i64>) -> &mut Self {
        if let Data::Integer(v) = self.next() {
            v.push(n);
        }
        self
    }
    pub(super) fn real(&mut self, x: Option<f64>) -> &mut Self {
        if let Data::Real(v) = self.next() {
            v.push(x.unwrap_or(f64::NAN));
        }
        self
    }
    pub(super) fn flags(&mut self, bits: u32) -> &mut Self {
        if let Data::Flags(v) = self.next() {
            v.push(bits);
        }
        self
    }
    pub(super) fn verdict(&mut self, code: Option<u8>) -> &mut Self {
        if let Data::Verdict(v) = self.next() {
            v.push(code);
        }
        self
    }
    pub(super) fn text(&mut self, text: &str) -> &mut Self {
        if let Data::Text(v) = self.next() {
            v.push(text.to_owned());
        }
        self
    }
    pub(super) fn spectrum(&mut self, values: &[f32]) -> &mut Self {
        if let Data::Spectrum(v) = self.next() {
            v.extend_from_slice(values);
        }
        self
    }
    pub(super) fn counts(&mut self, counts: &[u32]) -> &mut Self {
        if let Data::Counts(v) = self.next() {
            v.extend_from_slice(counts);
        }
        self
    }
    /// Ends the row; every column must have its cell.
    pub(super) fn end_row(self) {
        debug_assert_eq!(self.column, self.sheet.columns.len());
        self.sheet.rows += 1;
    }
}

fn time_columns() -> Vec<Column> {
    let time = |name, title| Column::new(name, "", title, Data::Time(vec![]));
    vec![
        time("time", "mean time of the exposures"),
        time("time_start", "start of the first exposure"),
        time("time_end", "end of the last exposure"),
    ]
}

fn reading_columns() -> Vec<Column> {
    let row = |name, title| Column::new(name, "", title, Data::Integer(vec![]));
    let mut columns = time_columns();
    columns.extend([
        row("id", "sequence number of the reading"),
        row("calibration", "row of the calibration"),
        row("configuration", "row of the configuration"),
        row("computation", "row of the computation"),
        Column::new("flags", "1", "flags of the reading", Data::Flags(vec![])),
    ]);
    columns
}

pub(super) fn value_columns(known: &[(String, String)], windows: bool) -> Vec<Column> {
    let real = |name: &str, unit: &str, title: &str| Column::new(name, unit, title, Data::Real(vec![]));
    let mut columns = reading_columns();
    columns.extend([
        real("sun_elevation", "degree", "apparent elevation of the sun"),
        real("sun_azimuth", "degree", "azimuth of the sun from north through east"),
        real("relative_air_mass", "1", "relative air mass"),
        real("detector_temperature", "degree_Celsius", "detector temperature"),
        real("integration_time_short", "s", "integration time of the shortest bracket"),
        real("integration_time_long", "s", "integration time of the longest bracket"),
        Column::new("exposures", "1", "number of exposures", Data::Integer(vec![])),
        real("light_time", "s", "total integration time of all exposures"),
        real("peak_level", "1", "peak level of the shortest bracket, share of full scale"),
        real("signal_to_noise", "1", "median signal-to-noise ratio"),
        real("stray_floor", "s-1", "subtracted stray-light floor, in counts"),
        real("dark_age", "s", "age of the dark used"),
    ]);
    for (id, unit) in known {
        let title = quantities::registry().iter().find(|q| q.id == id).map_or(id.as_str(), |q| q.title);
        columns.push(real(id, unit, title));
        columns.push(real(&format!("{id}_uncertainty"), unit, &format!("standard uncertainty (k = 1) of {id}")));
        columns.push(Column::new(&format!("{id}_verdict"), "1", &format!("verdict of {id}"), Data::Verdict(vec![])));
        if windows {
            columns.push(real(&format!("{id}_minimum"), unit, &format!("minimum of {id} in the window")));
            columns.push(real(&format!("{id}_maximum"), unit, &format!("maximum of {id} in the window")));
            columns.push(real(&format!("{id}_deviation"), unit, &format!("standard deviation of {id} in the window")));
        }
    }
    columns.push(Column::new("reasons", "", "reasons for absent values", Data::Text(vec![])));
    columns
}

pub(super) fn spectrum_columns() -> Vec<Column> {
    let spectrum = |name, title| Column::new(name, "W m-2 nm-1", title, Data::Spectrum(vec![]));
    let mut columns = reading_columns();
    columns.push(spectrum("spectral_irradiance", "spectral irradiance"));
    columns
        .push(spectrum("spectral_irradiance_uncertainty", "standard uncertainty (k = 1) of the spectral irradiance"));
    columns
}

fn acquisition_columns() -> [Column; 3] {
    [
        Column::new("integration_time", "s", "integration time of each exposure", Data::Real(vec![])),
        Column::new("exposures", "1", "number of exposures summed", Data::Integer(vec![])),
        Column::new("detector_temperature", "degree_Celsius", "detector temperature", Data::Real(vec![])),
    ]
}

fn counts_column() -> Column {
    Column::new("counts", "1", "sum of the counts of the exposures", Data::Counts(vec![]))
}

pub(super) fn dark_columns() -> Vec<Column> {
    let mut columns = time_columns();
    columns.push(Column::new("id", "", "row of the dark", Data::Integer(vec![])));
    columns.push(Column::new("source", "", "source of darkness", Data::Text(vec![])));
    columns.extend(acquisition_columns());
    columns.push(counts_column());
    columns
}

pub(super) fn frame_columns() -> Vec<Column> {
    let row = |name, title| Column::new(name, "", title, Data::Integer(vec![]));
    let mut columns = time_columns();
    columns.push(row("id", "sequence number of the reading"));
    columns.push(row("bracket", "number of the bracket, from the shortest"));
    columns.extend(acquisition_columns());
    columns.push(row("dark", "row of the matched dark"));
    columns.push(row("dark_model", "row of the dark model"));
    columns.push(counts_column());
    columns
}
