//! Lists of a station that are not series of readings: calibrations, dark models, instruments, events.
//!
//! One sheet for each list; each row names its instrument.

use super::columns::columns;
use super::row_writer::RowWriter;
use super::rows::ExportRange;
use super::sheet::{Axis, Place, Sheet, Sink};
use super::{ExportError, What};
use crate::reduction::DarkModel;
use crate::store::{InstrumentRow, StoreError};

impl ExportRange<'_> {
    /// Passes a list to the sink; `instrument` selects rows of one instrument. Returns the number of rows.
    pub fn list(&self, instrument: Option<&str>, sink: &mut dyn Sink) -> Result<u64, ExportError> {
        let place = Place { instrument: None, date: None, ..self.place("", None) };
        let is_selected = |name: &str| instrument.is_none_or(|wanted| wanted == name);
        let instruments: Vec<InstrumentRow> =
            self.reader.instruments()?.into_iter().filter(|i| is_selected(&i.name)).collect();
        let mut rows = 0;
        let mut sheets: Vec<Sheet> = Vec::new();
        match self.what {
            What::Calibrations => sheets.push(self.calibrations(&instruments)?),
            What::DarkModels => sheets.extend(self.dark_models(&instruments)?),
            What::Detector => sheets.push(self.detectors(&instruments)),
            _ => sheets.push(self.events(is_selected)?),
        }
        for sheet in sheets.iter().filter(|sheet| sheet.rows > 0) {
            rows += sheet.rows as u64;
            sink.put(&place, sheet)?;
        }
        sink.close()?;
        Ok(rows)
    }

    fn empty_sheet(&self, axis: Axis) -> Sheet {
        Sheet { columns: columns(self.what, &[], false), axis, rows: 0 }
    }

    fn calibrations(&self, instruments: &[InstrumentRow]) -> Result<Sheet, StoreError> {
        let mut sheet = self.empty_sheet(Axis::None);
        for c in self.reader.calibration_rows()? {
            let Some(instrument) = instruments.iter().find(|i| i.id == c.instrument) else { continue };
            let mut put = RowWriter::new(&mut sheet);
            put.integer(c.made.id).text(&instrument.name).text(&c.made.name).time(c.made.since);
            put.text(&c.made.program_version).text(&c.made.sha256).optional_integer(c.stray_matrix).text(&c.made.text);
            put.end_row();
        }
        Ok(sheet)
    }

    /// One sheet for each number of pixels.
    fn dark_models(&self, instruments: &[InstrumentRow]) -> Result<Vec<Sheet>, ExportError> {
        let mut sheets: Vec<Sheet> = Vec::new();
        for instrument in instruments {
            // Readings use models that were fitted before.
            for id in self.reader.dark_models_before(instrument.id, self.to)? {
                let Some(stored) = self.reader.dark_model(id)? else { continue };
                let model = DarkModel::decode(&stored.blob).map_err(|found| StoreError::Corrupt {
                    table: "dark_model",
                    id,
                    expected: "a dark model".into(),
                    found,
                })?;
                let axis = Axis::Pixel(model.offset.len());
                if sheets.last().is_none_or(|sheet| sheet.axis != axis) {
                    sheets.push(self.empty_sheet(axis));
                }
                let Some(sheet) = sheets.last_mut() else { continue };
                let [offset, both, rate] = model.covariance;
                let mut put = RowWriter::new(sheet);
                put.integer(id).text(&instrument.name).time(stored.fitted_at).time(model.newest);
                put.integer(model.darks as i64).real(Some(model.reference_c)).real(Some(model.offset_per_k));
                put.real(model.rate_exponent_per_k).real(Some(model.exponent_uncertainty));
                let ((coldest, hottest), (shortest, longest)) = (model.temperature_range_c, model.integration_range_s);
                put.real(Some(coldest)).real(Some(hottest)).real(Some(shortest)).real(Some(longest));
                put.real(Some(offset)).real(Some(both)).real(Some(rate)).real(Some(model.light_lx));
                put.list(model.offset.iter().copied()).list(model.rate.iter().copied());
                put.end_row();
            }
        }
        Ok(sheets)
    }

    fn detectors(&self, instruments: &[InstrumentRow]) -> Sheet {
        let mut sheet = self.empty_sheet(Axis::None);
        for row in instruments {
            let d = &row.detector;
            let mut put = RowWriter::new(&mut sheet);
            put.integer(row.id).text(&row.name).text(&row.serial).text(&row.identity).integer(d.pixels as i64);
            put.integer(i64::from(d.full_scale)).text(&super::json(&d.shielded.0));
            put.real(Some(d.integration_min_s)).real(Some(d.integration_max_s)).integer(i64::from(d.has_shutter));
            put.real(Some(d.transfer_s)).time(row.first_seen);
            put.end_row();
        }
        sheet
    }

    /// The events that overlap the range: those of the selected instruments, and those of the whole station.
    fn events(&self, is_selected: impl Fn(&str) -> bool) -> Result<Sheet, StoreError> {
        let mut sheet = self.empty_sheet(Axis::None);
        for row in self.reader.event_rows(self.from, self.to)? {
            let e = &row.event;
            if !e.instrument.as_deref().is_none_or(&is_selected) {
                continue;
            }
            let mut put = RowWriter::new(&mut sheet);
            put.integer(row.id).time(e.time).optional_time(e.until).text(e.instrument.as_deref().unwrap_or(""));
            put.text(e.kind.name()).text(e.kind.cause_name().unwrap_or("")).text(&e.text);
            put.text(row.unaffected.as_deref().unwrap_or("")).optional_integer(row.pixel);
            put.end_row();
        }
        Ok(sheet)
    }
}
