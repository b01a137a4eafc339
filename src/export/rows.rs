//! Converts stored readings, darks and frames to sheets, day by day for one instrument, and passes each sheet to a sink.

use super::columns::columns;
use super::row_writer::RowWriter;
use super::sheet::{Axis, Column, Place, Position, Sheet, Sink};
use super::spectra::FixedAxis;
use super::{ExportError, What, json};
use crate::archive::Recomputer;
use crate::clock::UtcMicros;
use crate::config::Config;
use crate::record::{DarkReference, Frame, QuantityValue, Reading};
use crate::reduction::Reduced;
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
        let mut cache = Cache::new(self)?;
        for day in begin..=end {
            let (a, b) = (UtcMicros((day * DAY).max(from.0)), UtcMicros(((day + 1) * DAY).min(to.0)));
            let mut current = CurrentSheet {
                sheet: None,
                place: self.place(instrument, Some(a)),
                sink: &mut *sink,
                written: &mut written,
            };
            match self.what {
                What::Values => self.values(instrument, a, b, &cache, &mut current)?,
                What::Spectra => self.spectra(instrument, a, b, &mut cache, &mut current)?,
                What::Reduction => self.reduction(instrument, a, b, &mut cache, &mut current)?,
                What::Darks => self.darks(&rows, a, b, &mut current)?,
                What::Frames => self.frames(instrument, a, b, &mut current)?,
                What::Calibrations | What::DarkModels | What::Detector | What::Events => {}
            }
            current.end()?;
            progress((day - begin + 1) as u64, (end - begin + 1) as u64);
        }
        Ok(written)
    }

    pub(super) fn place(&self, instrument: &str, day: Option<UtcMicros>) -> Place {
        let position = self.config.map(|c| c.station.place).map(|p| Position {
            latitude_deg: p.latitude_deg,
            longitude_deg: p.longitude_deg,
            altitude_m: p.altitude_m,
        });
        Place {
            station: self.config.map(|c| c.station.name.clone()).unwrap_or_default(),
            kind: self.config.map(|c| c.station.kind.name()).unwrap_or_default(),
            position,
            instrument: Some(instrument.to_owned()),
            date: day.map(|day| day.utc_date().to_string()),
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
        cache: &Cache,
        current: &mut CurrentSheet<'_>,
    ) -> Result<(), ExportError> {
        let known = self.reader.quantities();
        self.readings(instrument, from, to, |stored| {
            let sheet = current.sheet_for(&Axis::None, || columns(self.what, known, cache.windows))?;
            let mut put = RowWriter::new(sheet);
            put_reading(stored, cache, &mut put);
            let r = &stored.reading;
            put.real(r.sun_elevation).real(r.sun_azimuth).real(r.relative_air_mass).real(r.detector_temperature);
            put_exposures(r, &mut put);
            put.real(Some(r.peak_level)).real(r.signal_to_noise).real(r.stray_floor).real(r.dark_age);
            put.real(r.uv_index_stray_share).real(r.lamps.map(|l| l.ppfd)).real(r.lamps.map(|l| l.uncertainty));
            put.flags(r.flags).text(&reasons(known, r));
            for k in 0..known.len() {
                match r.values.get(k) {
                    Some(QuantityValue::Value { value, uncertainty, verdict }) => {
                        put.real(Some(*value)).real(Some(*uncertainty)).verdict(Some(*verdict as u8));
                    }
                    _ => {
                        put.real(None).real(None).verdict(None);
                    }
                }
                put.flags(r.flags_of(k));
                if cache.windows {
                    let w = r.window.get(k).copied().flatten();
                    put.real(w.map(|w| w.minimum)).real(w.map(|w| w.maximum)).real(w.map(|w| w.deviation));
                }
            }
            put.end_row();
            Ok(())
        })
    }

    fn spectra(
        &self,
        instrument: &str,
        from: UtcMicros,
        to: UtcMicros,
        cache: &mut Cache,
        current: &mut CurrentSheet<'_>,
    ) -> Result<(), ExportError> {
        let reader = self.reader;
        self.readings(instrument, from, to, |stored| {
            let id = stored.reading.id;
            let (row, Some(calibration)) = (stored.made_with.instrument, stored.made_with.calibration) else {
                current.written.missing += 1;
                return Ok(());
            };
            let axis = match cache.axes.entry((row, calibration)) {
                Entry::Occupied(known) => known.into_mut(),
                Entry::Vacant(place) => {
                    let inputs = cache.recomputer.inputs();
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
            let spectrum = recomputed(reader, &mut cache.recomputer, stored)?.map(|reduced| axis.resample(&reduced));
            current.written.missing += u64::from(spectrum.is_none());
            let spectrum = spectrum.unwrap_or_else(|| axis.unknown());
            let axis = Axis::Wavelength(axis.wavelength_nm.clone());
            let sheet = current.sheet_for(&axis, || columns(self.what, &[], false))?;
            let mut put = RowWriter::new(sheet);
            put_reading(stored, cache, &mut put);
            put.flags(stored.reading.flags).list(spectrum.irradiance).list(spectrum.uncertainty);
            put.end_row();
            Ok(())
        })
    }

    fn reduction(
        &self,
        instrument: &str,
        from: UtcMicros,
        to: UtcMicros,
        cache: &mut Cache,
        current: &mut CurrentSheet<'_>,
    ) -> Result<(), ExportError> {
        self.readings(instrument, from, to, |stored| {
            let Some(reduced) = recomputed(self.reader, &mut cache.recomputer, stored)? else {
                current.written.missing += 1;
                return Ok(());
            };
            let nm = &reduced.scale.wavelength_nm;
            let sheet = current.sheet_for(&Axis::Pixel(nm.len()), || columns(self.what, &[], false))?;
            let mut put = RowWriter::new(sheet);
            put_reading(stored, cache, &mut put);
            let cosine = reduced.cosine;
            put.real(Some(reduced.scale.shift_nm())).real(reduced.floor_rate);
            put.real(cosine.map(|c| c.beam)).real(cosine.map(|c| c.diffuse)).real(reduced.lamp_response);
            let share = cosine.map(|c| c.share).or(reduced.beam_share);
            put.list(nm.iter().map(|nm| share.map_or(f32::NAN, |share| share.at(*nm).0 as f32)));
            put.list(nm.iter().map(|nm| cosine.map_or(1.0, |c| c.factor(*nm)) as f32));
            let lamps = |i: usize| reduced.lamps.as_ref().map_or(0.0, |lamps| lamps.rate[i] as f32);
            put.list((0..nm.len()).map(lamps));
            let light = |i: usize| reduced.dark_light.as_ref().map_or(0.0, |light| light[i] as f32);
            put.list((0..nm.len()).map(light));
            put.list(reduced.irradiance.iter().map(|e| *e as f32));
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
                let axis = Axis::Pixel(dark.frame.sums.len());
                let sheet = current.sheet_for(&axis, || columns(self.what, &[], false))?;
                let mut put = RowWriter::new(sheet);
                put.integer(dark.id).text(dark.source.name());
                put_frame(&dark.frame, &mut put);
                put.counts(&dark.frame.sums);
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
                let sheet = current.sheet_for(&Axis::Pixel(f.sums.len()), || columns(self.what, &[], false))?;
                let mut put = RowWriter::new(sheet);
                put.integer(stored.reading.id).integer(bracket as i64);
                put_frame(f, &mut put);
                put.real(Some(f64::from(f.light_variation))).optional_integer(dark).optional_integer(model);
                put.counts(&f.sums);
                put.end_row();
            }
            Ok(())
        })
    }
}

/// What the rows of an export share.
struct Cache {
    recomputer: Recomputer,
    axes: BTreeMap<(i64, i64), FixedAxis>,
    /// Names of the calibrations, by row.
    calibrations: BTreeMap<i64, String>,
    /// Whether any reading has statistics of a window.
    windows: bool,
}

impl Cache {
    fn new(range: &ExportRange<'_>) -> Result<Self, ExportError> {
        let calibrations = range.reader.calibrations()?.into_iter().map(|c| (c.id, c.name)).collect();
        let windows = range.reader.has_windows()?;
        Ok(Self { recomputer: Recomputer::new(), axes: BTreeMap::new(), calibrations, windows })
    }
}

/// The reduced frames of a reading; `None` where the reading cannot be recomputed.
fn recomputed(
    reader: &Reader,
    recomputer: &mut Recomputer,
    stored: &StoredReading,
) -> Result<Option<Reduced>, ExportError> {
    match recomputer.spectrum(reader, stored) {
        Ok(reduced) => Ok(reduced),
        Err(error) if error.is_of_one_reading() => Ok(None),
        Err(error) => Err(error.into()),
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
            .is_some_and(|s| s.axis == *axis && (s.rows + 1) * (s.columns.len() + 4 * axis.len()) <= MAX_VALUES);
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

fn put_reading(stored: &StoredReading, cache: &Cache, put: &mut RowWriter<'_>) {
    let (r, m) = (&stored.reading, stored.made_with);
    put.integer(r.id).time(r.time_start).time(r.time_mid).time(r.time_end);
    let name = m.calibration.and_then(|row| cache.calibrations.get(&row));
    put.text(name.map_or("", String::as_str)).integer(m.configuration).integer(m.computation);
}

fn put_exposures(r: &Reading, put: &mut RowWriter<'_>) {
    let pairs: Vec<(f64, u32)> = r.exposures.iter().map(|e| (e.integration_s, e.exposures)).collect();
    let light: f64 = r.exposures.iter().map(|e| f64::from(e.exposures) * e.integration_s).sum();
    put.text(&json(&pairs));
    put.real(r.exposures.first().map(|e| e.integration_s)).real(r.exposures.last().map(|e| e.integration_s));
    put.integer(r.exposures.iter().map(|e| i64::from(e.exposures)).sum()).real(Some(light));
}

/// The reasons for absent values as a JSON object, or nothing without any.
fn reasons(known: &[(String, String)], r: &Reading) -> String {
    let reason = |((id, _), value): (&(String, String), &QuantityValue)| match value {
        QuantityValue::Null(reason) => Some((id.clone(), serde_json::Value::from(reason.as_str()))),
        QuantityValue::Value { .. } => None,
    };
    let reasons: serde_json::Map<String, serde_json::Value> = known.iter().zip(&r.values).filter_map(reason).collect();
    if reasons.is_empty() { String::new() } else { json(&reasons) }
}

fn put_frame(f: &Frame, put: &mut RowWriter<'_>) {
    put.time(f.start()).time(f.end()).real(Some(f.integration_s)).integer(f.exposures() as i64);
    put.real(f.temperature_c).text(&json(&f.clipped.0));
}
