//! From what is stored to sheets: walks through the days of an instrument and hands each sheet to a sink.

use super::sheet::{Axis, Column, Data, Place, Sheet, Sink};
use super::spectra::FixedAxis;
use super::{ExportError, What};
use crate::archive::Recomputer;
use crate::clock::UtcMicros;
use crate::config::Config;
use crate::quantities;
use crate::record::{DarkReference, QuantityValue};
use crate::store::{InstrumentRow, Reader, StoredReading};
use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

const DAY: i64 = 86_400_000_000;
/// Numbers a sheet holds at most: what bounds the memory.
const MOST_NUMBERS: usize = 8 << 20;

/// What was written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Written {
    /// Rows.
    pub rows: u64,
    /// Readings whose spectrum could not be made again: no frames are kept, or a row they need is damaged.
    pub lacking: u64,
}

/// Walks through a record.
pub struct Walk<'a> {
    /// The database.
    pub reader: &'a Reader,
    /// The station, where it is known.
    pub config: Option<&'a Config>,
    /// What to export.
    pub what: What,
    /// From this instant on.
    pub from: UtcMicros,
    /// Up to this instant.
    pub to: UtcMicros,
}

impl Walk<'_> {
    /// Hands every sheet of an instrument's name to the sink, day by day; `progress` is told of the days done and of all.
    pub fn run(
        &self,
        instrument: &str,
        sink: &mut dyn Sink,
        progress: &mut dyn FnMut(u64, u64),
    ) -> Result<Written, ExportError> {
        let mut written = Written::default();
        let Some((first, last)) = self.reader.extent()? else { return Ok(written) };
        let (from, to) = (self.from.max(first), self.to.min(last));
        if from >= to {
            return Ok(written);
        }
        let rows: Vec<InstrumentRow> =
            self.reader.instruments()?.into_iter().filter(|i| i.name == instrument).collect();
        let (begin, end) = (from.0.div_euclid(DAY), (to.0 - 1).div_euclid(DAY));
        let mut again = Recomputer::new();
        let mut axes = BTreeMap::new();
        for day in begin..=end {
            let (a, b) = (UtcMicros((day * DAY).max(from.0)), UtcMicros(((day + 1) * DAY).min(to.0)));
            let mut page =
                Page { sheet: None, place: self.place(instrument, a), sink: &mut *sink, written: &mut written };
            match self.what {
                What::Values => self.values(instrument, a, b, &mut page)?,
                What::Spectra => self.spectra(instrument, a, b, &mut again, &mut axes, &mut page)?,
                What::Darks => self.darks(&rows, a, b, &mut page)?,
                What::Frames => self.frames(instrument, a, b, &mut page)?,
            }
            page.end()?;
            progress((day - begin + 1) as u64, (end - begin + 1) as u64);
        }
        Ok(written)
    }

    fn place(&self, instrument: &str, day: UtcMicros) -> Place {
        Place {
            station: self.config.map(|c| c.station.name.clone()).unwrap_or_default(),
            kind: self.config.map(|c| c.station.kind.name()).unwrap_or_default(),
            instrument: instrument.to_owned(),
            date: day.utc_date().to_string(),
        }
    }

    fn readings(
        &self,
        instrument: &str,
        from: UtcMicros,
        to: UtcMicros,
        mut each: impl FnMut(&StoredReading) -> Result<(), ExportError>,
    ) -> Result<(), ExportError> {
        for stored in self.reader.readings(from, to)? {
            let stored = stored?;
            if stored.reading.instrument == instrument {
                each(&stored)?;
            }
        }
        Ok(())
    }

    fn values(&self, instrument: &str, from: UtcMicros, to: UtcMicros, page: &mut Page<'_>) -> Result<(), ExportError> {
        let windows = self.reader.has_windows()?;
        let known = self.reader.quantities();
        self.readings(instrument, from, to, |stored| {
            let sheet = page.sheet_for(&Axis::None, || value_columns(known, windows))?;
            let mut put = Put::new(sheet);
            facts(stored, &mut put);
            let r = &stored.reading;
            put.real(r.sun_elevation).real(r.sun_azimuth).real(r.relative_air_mass).real(r.detector_temperature);
            let light: f64 = r.exposures.iter().map(|e| f64::from(e.exposures) * e.integration_s).sum();
            let exposures: i64 = r.exposures.iter().map(|e| i64::from(e.exposures)).sum();
            put.real(r.exposures.first().map(|e| e.integration_s)).real(r.exposures.last().map(|e| e.integration_s));
            put.whole(Some(exposures)).real(Some(light)).real(Some(r.peak_level)).real(r.signal_to_noise);
            put.real(r.stray_floor).real(r.dark_age);
            let mut reasons: Vec<String> = Vec::new();
            for (k, (id, _)) in known.iter().enumerate() {
                match r.values.get(k) {
                    Some(QuantityValue::Value { value, uncertainty, verdict }) => {
                        put.real(Some(*value)).real(Some(*uncertainty)).verdict(Some(*verdict as u8));
                    }
                    other => {
                        if let Some(QuantityValue::Null(reason)) = other {
                            reasons.push(format!("{id}: {reason}"));
                        }
                        put.real(None).real(None).verdict(None);
                    }
                }
                if windows {
                    let w = r.window.get(k).copied().flatten();
                    put.real(w.map(|w| w.minimum)).real(w.map(|w| w.maximum)).real(w.map(|w| w.deviation));
                }
            }
            put.text(&reasons.join("; "));
            put.done();
            Ok(())
        })
    }

    fn spectra(
        &self,
        instrument: &str,
        from: UtcMicros,
        to: UtcMicros,
        again: &mut Recomputer,
        axes: &mut BTreeMap<(i64, i64), FixedAxis>,
        page: &mut Page<'_>,
    ) -> Result<(), ExportError> {
        let reader = self.reader;
        self.readings(instrument, from, to, |stored| {
            let id = stored.reading.id;
            let (row, Some(calibration)) = (stored.made_with.instrument, stored.made_with.calibration) else {
                page.written.lacking += 1;
                return Ok(());
            };
            let key = (row, calibration);
            let axis = match axes.entry(key) {
                Entry::Occupied(made) => made.into_mut(),
                Entry::Vacant(place) => {
                    let detector = again.instrument(reader, id, row)?;
                    let calibration = again.calibration(reader, id, calibration)?;
                    place.insert(FixedAxis::new(&calibration, &detector.detector))
                }
            };
            let spectrum = match again.process(reader, stored) {
                Ok(processed) => processed.reduced.map(|reduced| axis.resample(&reduced)),
                Err(error) if error.is_of_one_reading() => None,
                Err(error) => return Err(error.into()),
            };
            page.written.lacking += u64::from(spectrum.is_none());
            let spectrum = spectrum.unwrap_or_else(|| axis.unknown());
            let sheet = page.sheet_for(&Axis::Wavelength(axis.wavelength_nm.clone()), spectrum_columns)?;
            let mut put = Put::new(sheet);
            facts(stored, &mut put);
            put.spectrum(&spectrum.irradiance).spectrum(&spectrum.uncertainty);
            put.done();
            Ok(())
        })
    }

    fn darks(
        &self,
        rows: &[InstrumentRow],
        from: UtcMicros,
        to: UtcMicros,
        page: &mut Page<'_>,
    ) -> Result<(), ExportError> {
        for row in rows {
            for dark in self.reader.darks_between(row.id, from, to)? {
                let dark = dark?;
                let sheet = page.sheet_for(&Axis::Pixel(dark.frame.sums.len()), dark_columns)?;
                let mut put = Put::new(sheet);
                let f = &dark.frame;
                put.time(f.start()).time(f.start()).time(f.end()).whole(Some(dark.id)).text(dark.source.name());
                put.real(Some(f.integration_s)).whole(Some(f.exposures() as i64)).real(f.temperature_c).counts(&f.sums);
                put.done();
            }
        }
        Ok(())
    }

    fn frames(&self, instrument: &str, from: UtcMicros, to: UtcMicros, page: &mut Page<'_>) -> Result<(), ExportError> {
        self.readings(instrument, from, to, |stored| {
            for (bracket, record) in self.reader.frames(stored.reading.id)?.iter().enumerate() {
                let f = &record.frame;
                let (dark, model) = match record.dark {
                    DarkReference::Matched { dark, model } => (Some(dark), model),
                    DarkReference::Model(model) => (None, Some(model)),
                    DarkReference::None => (None, None),
                };
                let sheet = page.sheet_for(&Axis::Pixel(f.sums.len()), frame_columns)?;
                let mut put = Put::new(sheet);
                put.time(f.start())
                    .time(f.start())
                    .time(f.end())
                    .whole(Some(stored.reading.id))
                    .whole(Some(bracket as i64));
                put.real(Some(f.integration_s)).whole(Some(f.exposures() as i64)).real(f.temperature_c);
                put.whole(dark).whole(model).counts(&f.sums);
                put.done();
            }
            Ok(())
        })
    }
}

/// The sheet that is being filled.
struct Page<'a> {
    sheet: Option<Sheet>,
    place: Place,
    sink: &'a mut dyn Sink,
    written: &'a mut Written,
}

impl Page<'_> {
    /// The sheet to put the next row on: the one at hand, or a new one where the axis is another or it is full.
    fn sheet_for(&mut self, axis: &Axis, columns: impl FnOnce() -> Vec<Column>) -> Result<&mut Sheet, ExportError> {
        let fits = self
            .sheet
            .as_ref()
            .is_some_and(|s| s.axis == *axis && (s.rows + 1) * (s.columns.len() + 2 * axis.len()) <= MOST_NUMBERS);
        if !fits {
            self.flush()?;
        }
        Ok(self.sheet.get_or_insert_with(|| Sheet { columns: columns(), axis: axis.clone(), rows: 0 }))
    }

    fn flush(&mut self) -> Result<(), ExportError> {
        if let Some(sheet) = self.sheet.take() {
            self.written.rows += sheet.rows as u64;
            self.sink.put(&self.place, &sheet)?;
        }
        Ok(())
    }

    fn end(mut self) -> Result<(), ExportError> {
        self.flush()?;
        self.sink.close()
    }
}

/// Puts the cells of one row, column after column.
struct Put<'a> {
    sheet: &'a mut Sheet,
    column: usize,
}

impl<'a> Put<'a> {
    fn new(sheet: &'a mut Sheet) -> Self {
        Self { sheet, column: 0 }
    }

    fn next(&mut self) -> &mut Data {
        self.column += 1;
        &mut self.sheet.columns[self.column - 1].data
    }

    fn time(&mut self, t: UtcMicros) -> &mut Self {
        if let Data::Time(v) = self.next() {
            v.push(t.0);
        }
        self
    }
    fn whole(&mut self, n: Option<i64>) -> &mut Self {
        if let Data::Whole(v) = self.next() {
            v.push(n);
        }
        self
    }
    fn real(&mut self, x: Option<f64>) -> &mut Self {
        if let Data::Real(v) = self.next() {
            v.push(x.unwrap_or(f64::NAN));
        }
        self
    }
    fn flags(&mut self, bits: u32) -> &mut Self {
        if let Data::Flags(v) = self.next() {
            v.push(bits);
        }
        self
    }
    fn verdict(&mut self, code: Option<u8>) -> &mut Self {
        if let Data::Verdict(v) = self.next() {
            v.push(code);
        }
        self
    }
    fn text(&mut self, text: &str) -> &mut Self {
        if let Data::Text(v) = self.next() {
            v.push(text.to_owned());
        }
        self
    }
    fn spectrum(&mut self, values: &[f32]) -> &mut Self {
        if let Data::Spectrum(v) = self.next() {
            v.extend_from_slice(values);
        }
        self
    }
    fn counts(&mut self, counts: &[u32]) -> &mut Self {
        if let Data::Counts(v) = self.next() {
            v.extend_from_slice(counts);
        }
        self
    }
    /// The row is whole: every column has got its cell.
    fn done(self) {
        debug_assert_eq!(self.column, self.sheet.columns.len());
        self.sheet.rows += 1;
    }
}

fn facts(stored: &StoredReading, put: &mut Put<'_>) {
    let r = &stored.reading;
    put.time(r.time_mid).time(r.time_start).time(r.time_end).whole(Some(r.id));
    put.whole(stored.made_with.calibration).whole(Some(stored.made_with.configuration));
    put.whole(Some(stored.made_with.computation)).flags(r.flags.0);
}

fn time_columns() -> Vec<Column> {
    let time = |name, title| Column::new(name, "", title, Data::Time(vec![]));
    vec![
        time("time", "mean time of the light collected"),
        time("time_start", "first light collected"),
        time("time_end", "last light collected"),
    ]
}

fn fact_columns() -> Vec<Column> {
    let row = |name, title| Column::new(name, "", title, Data::Whole(vec![]));
    let mut columns = time_columns();
    columns.extend([
        row("id", "sequence number of the reading"),
        row("calibration", "row of the calibration"),
        row("configuration", "row of the configuration"),
        row("computation", "row of the computation"),
        Column::new("flags", "1", "doubts and facts about the reading", Data::Flags(vec![])),
    ]);
    columns
}

fn value_columns(known: &[(String, String)], windows: bool) -> Vec<Column> {
    let real = |name: &str, unit: &str, title: &str| Column::new(name, unit, title, Data::Real(vec![]));
    let mut columns = fact_columns();
    columns.extend([
        real("sun_elevation", "degree", "apparent elevation of the sun"),
        real("sun_azimuth", "degree", "azimuth of the sun from north through east"),
        real("relative_air_mass", "1", "relative air mass"),
        real("detector_temperature", "degree_Celsius", "detector temperature"),
        real("integration_time_short", "s", "integration time of the shortest bracket"),
        real("integration_time_long", "s", "integration time of the longest bracket"),
        Column::new("exposures", "1", "number of exposures", Data::Whole(vec![])),
        real("light_time", "s", "light collected in all"),
        real("peak_level", "1", "highest peak_level of the shortest bracket"),
        real("signal_to_noise", "1", "median of signal over noise"),
        real("stray_floor", "s-1", "stray-light floor that was subtracted, in counts"),
        real("dark_age", "s", "age of the dark that served"),
    ]);
    for (id, unit) in known {
        let title = quantities::registry().iter().find(|q| q.id == id).map_or(id.as_str(), |q| q.title);
        columns.push(real(id, unit, title));
        columns.push(real(&format!("{id}_uncertainty"), unit, &format!("standard uncertainty (k = 1) of {id}")));
        columns.push(Column::new(&format!("{id}_verdict"), "1", &format!("verdict on {id}"), Data::Verdict(vec![])));
        if windows {
            columns.push(real(&format!("{id}_minimum"), unit, &format!("lowest {id} in the window")));
            columns.push(real(&format!("{id}_maximum"), unit, &format!("highest {id} in the window")));
            columns.push(real(&format!("{id}_deviation"), unit, &format!("standard deviation of {id} in the window")));
        }
    }
    columns.push(Column::new("reasons", "", "why values are absent", Data::Text(vec![])));
    columns
}

fn spectrum_columns() -> Vec<Column> {
    let spectrum = |name, title| Column::new(name, "W m-2 nm-1", title, Data::Spectrum(vec![]));
    let mut columns = fact_columns();
    columns.push(spectrum("spectral_irradiance", "spectral irradiance"));
    columns
        .push(spectrum("spectral_irradiance_uncertainty", "standard uncertainty (k = 1) of the spectral irradiance"));
    columns
}

fn taking_columns() -> [Column; 3] {
    [
        Column::new("integration_time", "s", "integration time of each exposure", Data::Real(vec![])),
        Column::new("exposures", "1", "number of exposures summed", Data::Whole(vec![])),
        Column::new("detector_temperature", "degree_Celsius", "detector temperature", Data::Real(vec![])),
    ]
}

fn counts_column() -> Column {
    Column::new("counts", "1", "sum of the counts of the exposures", Data::Counts(vec![]))
}

fn dark_columns() -> Vec<Column> {
    let mut columns = time_columns();
    columns.push(Column::new("id", "", "row of the dark", Data::Whole(vec![])));
    columns.push(Column::new("source", "", "how darkness was had", Data::Text(vec![])));
    columns.extend(taking_columns());
    columns.push(counts_column());
    columns
}

fn frame_columns() -> Vec<Column> {
    let row = |name, title| Column::new(name, "", title, Data::Whole(vec![]));
    let mut columns = time_columns();
    columns.push(row("id", "sequence number of the reading"));
    columns.push(row("bracket", "bracket of the bracketing, from the shortest"));
    columns.extend(taking_columns());
    columns.push(row("dark", "row of the matched dark"));
    columns.push(row("dark_model", "row of the dark model"));
    columns.push(counts_column());
    columns
}
