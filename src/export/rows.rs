//! Converts stored data to sheets, day by day for one instrument, and passes each sheet to a sink.

use super::columns::{RowWriter, dark_columns, frame_columns, spectrum_columns, value_columns};
use super::sheet::{Axis, Column, Place, Sheet, Sink};
use super::spectra::FixedAxis;
use super::{ExportError, What};
use crate::archive::Recomputer;
use crate::clock::UtcMicros;
use crate::config::Config;
use crate::record::{DarkReference, QuantityValue};
use crate::store::{InstrumentRow, Reader, StoredReading};
use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

const DAY: i64 = 86_400_000_000;
/// Maximum number of values in a sheet, which limits the memory.
const MAX_VALUES: usize = 8 << 20;

/// Counts of an export.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Written {
    /// Rows written.
    pub rows: u64,
    /// Readings whose spectrum could not be recomputed: the frames were purged, or a required row is damaged.
    pub missing: u64,
}

/// The range of an export.
pub struct ExportRange<'a> {
    /// The database.
    pub reader: &'a Reader,
    /// The configuration, if known.
    pub config: Option<&'a Config>,
    /// What to export.
    pub what: What,
    /// Start of the range.
    pub from: UtcMicros,
    /// End of the range (excluded).
    pub to: UtcMicros,
}

impl ExportRange<'_> {
    /// Passes all sheets of an instrument to the sink, day by day; `progress` receives the number of finished days and of all
    /// days.
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
        let mut recomputer = Recomputer::new();
        let mut axes = BTreeMap::new();
        for day in begin..=end {
            let (a, b) = (UtcMicros((day * DAY).max(from.0)), UtcMicros(((day + 1) * DAY).min(to.0)));
            let mut current =
                CurrentSheet { sheet: None, place: self.place(instrument, a), sink: &mut *sink, written: &mut written };
            match self.what {
                What::Values => self.values(instrument, a, b, &mut current)?,
                What::Spectra => self.spectra(instrument, a, b, &mut recomputer, &mut axes, &mut current)?,
                What::Darks => self.darks(&rows, a, b, &mut current)?,
                What::Frames => self.frames(instrument, a, b, &mut current)?,
            }
            current.end()?;
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

    fn values(
        &self,
        instrument: &str,
        from: UtcMicros,
        to: UtcMicros,
        current: &mut CurrentSheet<'_>,
    ) -> Result<(), ExportError> {
        let windows = self.reader.has_windows()?;
        let known = self.reader.quantities();
        self.readings(instrument, from, to, |stored| {
            let sheet = current.sheet_for(&Axis::None, || value_columns(known, windows))?;
            let mut put = RowWriter::new(sheet);
            put_reading(stored, &mut put);
            let r = &stored.reading;
            put.real(r.sun_elevation).real(r.sun_azimuth).real(r.relative_air_mass).real(r.detector_temperature);
            let light: f64 = r.exposures.iter().map(|e| f64::from(e.exposures) * e.integration_s).sum();
            let exposures: i64 = r.exposures.iter().map(|e| i64::from(e.exposures)).sum();
            put.real(r.exposures.first().map(|e| e.integration_s)).real(r.exposures.last().map(|e| e.integration_s));
            put.integer(Some(exposures)).real(Some(light)).real(Some(r.peak_level)).real(r.signal_to_noise);
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
            put.end_row();
            Ok(())
        })
    }

    fn spectra(
        &self,
        instrument: &str,
        from: UtcMicros,
        to: UtcMicros,
        recomputer: &mut Recomputer,
        axes: &mut BTreeMap<(i64, i64), FixedAxis>,
        current: &mut CurrentSheet<'_>,
    ) -> Result<(), ExportError> {
        let reader = self.reader;
        self.readings(instrument, from, to, |stored| {
            let id = stored.reading.id;
            let (row, Some(calibration)) = (stored.made_with.instrument, stored.made_with.calibration) else {
                current.written.missing += 1;
                return Ok(());
            };
            let key = (row, calibration);
            let axis = match axes.entry(key) {
                Entry::Occupied(known) => known.into_mut(),
                Entry::Vacant(place) => {
                    let inputs = recomputer.inputs();
                    let detector = inputs.instrument(reader, id, row);
                    match detector.and_then(|d| Ok((d, inputs.calibration(reader, id, calibration)?))) {
                        Ok((d, calibration)) => place.insert(FixedAxis::new(&calibration, &d.detector)),
                        Err(error) if error.is_of_one_reading() => {
                            current.written.missing += 1;
                            return Ok(());
                        }
                        Err(error) => return Err(error.into()),
                    }
                }
            };
            let spectrum = match recomputer.recompute(reader, stored) {
                Ok(processed) => processed.reduced.map(|reduced| axis.resample(&reduced)),
                Err(error) if error.is_of_one_reading() => None,
                Err(error) => return Err(error.into()),
            };
            current.written.missing += u64::from(spectrum.is_none());
            let spectrum = spectrum.unwrap_or_else(|| axis.unknown());
            let sheet = current.sheet_for(&Axis::Wavelength(axis.wavelength_nm.clone()), spectrum_columns)?;
            let mut put = RowWriter::new(sheet);
            put_reading(stored, &mut put);
            put.spectrum(&spectrum.irradiance).spectrum(&spectrum.uncertainty);
            put.end_row();
            Ok(())
        })
    }

    fn darks(
        &self,
        rows: &[InstrumentRow],
        from: UtcMicros,
        to: UtcMicros,
        current: &mut CurrentSheet<'_>,
    ) -> Result<(), ExportError> {
        for row in rows {
            for dark in self.reader.intact(self.reader.darks_between(row.id, from, to)?)? {
                let sheet = current.sheet_for(&Axis::Pixel(dark.frame.sums.len()), dark_columns)?;
                let mut put = RowWriter::new(sheet);
                let f = &dark.frame;
                put.time(f.start()).time(f.start()).time(f.end()).integer(Some(dark.id)).text(dark.source.name());
                put.real(Some(f.integration_s))
                    .integer(Some(f.exposures() as i64))
                    .real(f.temperature_c)
                    .counts(&f.sums);
                put.end_row();
            }
        }
        Ok(())
    }

    fn frames(
        &self,
        instrument: &str,
        from: UtcMicros,
        to: UtcMicros,
        current: &mut CurrentSheet<'_>,
    ) -> Result<(), ExportError> {
        self.readings(instrument, from, to, |stored| {
            let id = stored.reading.id;
            for (bracket, (_, record)) in self.reader.frames_of(id..id.saturating_add(1))?.into_iter().enumerate() {
                let Some(record) = self.reader.intact([record])?.pop() else { continue };
                let f = &record.frame;
                let (dark, model) = match record.dark {
                    DarkReference::Matched { dark, model } => (Some(dark), model),
                    DarkReference::Model(model) => (None, Some(model)),
                    DarkReference::None => (None, None),
                };
                let sheet = current.sheet_for(&Axis::Pixel(f.sums.len()), frame_columns)?;
                let mut put = RowWriter::new(sheet);
                put.time(f.start())
                    .time(f.start())
                    .time(f.end())
                    .integer(Some(stored.reading.id))
                    .integer(Some(bracket as i64));
                put.real(Some(f.integration_s)).integer(Some(f.exposures() as i64)).real(f.temperature_c);
                put.integer(dark).integer(model).counts(&f.sums);
                put.end_row();
            }
            Ok(())
        })
    }
}

/// The current sheet and its destination.
struct CurrentSheet<'a> {
    sheet: Option<Sheet>,
    place: Place,
    sink: &'a mut dyn Sink,
    written: &'a mut Written,
}

impl CurrentSheet<'_> {
    /// The sheet for the next row: the current one, or a new one if the axis differs or the sheet is full.
    fn sheet_for(&mut self, axis: &Axis, columns: impl FnOnce() -> Vec<Column>) -> Result<&mut Sheet, ExportError> {
        let fits = self
            .sheet
            .as_ref()
            .is_some_and(|s| s.axis == *axis && (s.rows + 1) * (s.columns.len() + 2 * axis.len()) <= MAX_VALUES);
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

fn put_reading(stored: &StoredReading, put: &mut RowWriter<'_>) {
    let r = &stored.reading;
    put.time(r.time_mid).time(r.time_start).time(r.time_end).integer(Some(r.id));
    put.integer(stored.made_with.calibration).integer(Some(stored.made_with.configuration));
    put.integer(Some(stored.made_with.computation)).flags(r.flags.0);
}
