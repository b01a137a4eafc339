//! Converts rows to readings: the SELECT statement, and the conversion of its columns.
//!
//! Invariants: the statement and [`reading_of`] have the same columns in the same order; a reading is returned only if the
//! checksums of its rows match. Values that were not queried at all are not verified.

use super::error::StoreError;
use super::row_checksum::{COLUMN, Sealed, compare, crc32_of_row};
use super::rows::{MadeWith, StoredReading};
use super::schema::{ACTIVE_VALUE, READING_BITS};
use crate::clock::UtcMicros;
use crate::record::{
    AcquisitionContext, Bracket, DriftEstimates, Flags, LampLevel, QuantityValue, Reading, Verdict, WindowStatistics,
};
use rusqlite::Row;
use std::sync::Arc;

/// The reason for a null of a quantity that was added to the program after the values were computed.
pub const QUANTITY_ADDED_LATER: &str = "the quantity was added after this computation";

/// The queried quantities and computation, and the SELECT statement for them.
#[derive(Clone, Debug)]
pub(super) struct Columns {
    pub(super) quantities: Vec<(String, String)>,
    /// `None`: the active computation of each reading.
    pub(super) computation: Option<i64>,
    pub(super) select: String,
    pub(super) sealed: Arc<Sealed>,
    checks: Vec<RowCheck>,
}

/// Where the columns of a table with checksums are in the statement.
#[derive(Clone, Debug)]
struct RowCheck {
    table: &'static str,
    key: usize,
    columns: Vec<(String, usize)>,
    crc32: usize,
}

impl Columns {
    pub(super) fn of(quantities: Vec<(String, String)>, computation: Option<i64>, sealed: Arc<Sealed>) -> Self {
        let value = match computation {
            None => ACTIVE_VALUE.to_owned(),
            Some(id) => format!("({id} << {READING_BITS} | r.id)"),
        };
        let mut list: Vec<String> = FIXED.split(", ").map(str::to_owned).collect();
        for (id, _) in &quantities {
            let of_value = ["v.ID", "v.ID_uncertainty", "v.ID_verdict", "v.ID_flags"];
            list.extend(of_value.map(|column| column.replace("ID", id)));
            list.extend(["w.ID_minimum", "w.ID_maximum", "w.ID_deviation"].map(|column| column.replace("ID", id)));
        }
        let mut checks = Vec::new();
        for (table, alias) in [("reading", "r"), ("value", "v"), ("window_value", "w")] {
            if table == "reading" || !quantities.is_empty() {
                checks.extend(sealed.tables().iter().find(|t| t.name == table).map(|t| {
                    let mut at = |column: &str| position(&mut list, format!("{alias}.{column}"));
                    let columns = t.columns.iter().map(|column| (column.clone(), at(column))).collect();
                    RowCheck { table, key: at(t.key), columns, crc32: at(COLUMN) }
                }));
            }
        }
        let select = format!(
            "SELECT {} FROM reading r LEFT JOIN instrument i ON i.id = r.instrument LEFT JOIN value v ON v.id = {value} \
             LEFT JOIN window_value w ON w.reading = r.id",
            list.join(", ")
        );
        Self { quantities, computation, select, sealed, checks }
    }
    /// The reason for nulls of a reading without values of the computation.
    fn absence(&self) -> String {
        match self.computation {
            None => "no values are active".to_owned(),
            Some(id) => format!("no value in computation {id}"),
        }
    }
}

/// The position of a column in a list; a missing one is added at the end.
fn position(list: &mut Vec<String>, column: String) -> usize {
    list.iter().position(|known| *known == column).unwrap_or_else(|| {
        list.push(column);
        list.len() - 1
    })
}

/// The columns of the statement before those of the quantities. Names of columns need no quoting.
const FIXED: &str = "r.id, r.time_start, r.time_mid, r.time_end, r.instrument, i.name, r.configuration, r.sun_elevation, \
     r.sun_azimuth, r.relative_air_mass, r.detector_temperature, r.exposures, r.peak_level, r.flags, v.computation, \
     v.calibration, v.flags, v.signal_to_noise, v.stray_floor, v.dark_age, v.reasons, w.reading, r.acquisition_context, \
     r.unsteady_share, r.wavelength_applied, r.wavelength_age, r.response_age, v.uv_index_stray_share, r.lamp_shapes, \
     v.lamps_ppfd, v.lamps_uncertainty";
const FIRST_QUANTITY: usize = 31;
const PER_QUANTITY: usize = 7;

impl RowCheck {
    /// Compares the row with its checksum; an absent row is intact.
    fn check(&self, row: &Row<'_>) -> rusqlite::Result<Result<(), StoreError>> {
        let Some(id) = row.get::<_, Option<i64>>(self.key)? else { return Ok(Ok(())) };
        let found = crc32_of_row(self.columns.iter().map(|(name, at)| (name.as_str(), *at)), row)?;
        Ok(compare(self.table, id, row.get(self.crc32)?, found))
    }
}

/// Encodes the brackets for the column `reading.exposures`.
pub(super) fn exposures_text(brackets: &[Bracket]) -> String {
    let pairs: Vec<(f64, u32)> = brackets.iter().map(|r| (r.integration_s, r.exposures)).collect();
    // Serialising numbers and arrays cannot fail; a number that is not finite becomes null.
    serde_json::to_string(&pairs).unwrap_or_else(|_| "[]".into())
}

/// Converts a row.
pub(super) fn reading_of(columns: &Columns, row: &Row<'_>) -> rusqlite::Result<Result<StoredReading, StoreError>> {
    let id = row.get(0)?;
    let corrupt = |table, expected: &str, found: String| {
        Ok(Err(StoreError::Corrupt { table, id, expected: expected.into(), found }))
    };
    for check in &columns.checks {
        if let Err(damaged) = check.check(row)? {
            return Ok(Err(damaged));
        }
    }
    let exposures: String = row.get(11)?;
    let Ok(pairs) = serde_json::from_str::<Vec<(Option<f64>, u32)>>(&exposures) else {
        return corrupt("reading", "pairs of integration time and count", exposures);
    };
    let bracket = |(t, n): (Option<f64>, u32)| Bracket { integration_s: t.unwrap_or(f64::NAN), exposures: n };
    let values = match values_of(columns, row)? {
        Ok(values) => values,
        Err((expected, found)) => return corrupt("value", expected, found),
    };
    let lamps = row.get::<_, Option<f64>>(29)?.zip(row.get::<_, Option<f64>>(30)?);
    let flags_when_taken = Flags(row.get(13)?);
    let peak_level = row.get::<_, Option<f64>>(12)?.unwrap_or(f64::NAN);
    let reading = Reading {
        id,
        time_start: UtcMicros(row.get(1)?),
        time_mid: UtcMicros(row.get(2)?),
        time_end: UtcMicros(row.get(3)?),
        instrument: row.get(5)?,
        sun_elevation: row.get(7)?,
        sun_azimuth: row.get(8)?,
        relative_air_mass: row.get(9)?,
        detector_temperature: row.get(10)?,
        exposures: pairs.into_iter().map(bracket).collect(),
        peak_level,
        signal_to_noise: row.get(17)?,
        stray_floor: row.get(18)?,
        lamps: lamps.map(|(ppfd, uncertainty)| LampLevel { ppfd, uncertainty }),
        dark_age: row.get(19)?,
        flags: row.get::<_, Option<u32>>(16)?.map_or(flags_when_taken, Flags),
        values,
        quantity_flags: flags_of(columns, row)?,
        uv_index_stray_share: row.get(27)?,
        window: window_of(columns, row)?,
    };
    let made_with = MadeWith {
        instrument: row.get(4)?,
        calibration: row.get(15)?,
        configuration: row.get(6)?,
        computation: row.get::<_, Option<i64>>(14)?.unwrap_or(0),
    };
    let number = |at| row.get::<_, Option<f64>>(at).map(|x| x.unwrap_or(0.0));
    let drift = DriftEstimates { shift_nm: number(24)?, wavelength_age_s: number(25)?, response_age_s: number(26)? };
    let about = AcquisitionContext {
        drift,
        lamp_shapes: row.get(28)?,
        ..AcquisitionContext::from_bits(row.get(22)?, number(23)?, peak_level)
    };
    Ok(Ok(StoredReading { reading, before_intervals: None, made_with, flags_when_taken, about }))
}

/// The values, or (expected, found) for a damaged row.
type Values = Result<Vec<QuantityValue>, (&'static str, String)>;

fn values_of(columns: &Columns, row: &Row<'_>) -> rusqlite::Result<Values> {
    let reasons: Option<String> = row.get(20)?;
    let reasons: serde_json::Map<String, serde_json::Value> = match &reasons {
        None => serde_json::Map::new(),
        Some(text) => match serde_json::from_str(text) {
            Ok(map) => map,
            Err(_) => return Ok(Err(("reasons by quantity", text.clone()))),
        },
    };
    let computed = row.get::<_, Option<i64>>(14)?.is_some();
    let mut values = Vec::with_capacity(columns.quantities.len());
    for (k, (name, _)) in columns.quantities.iter().enumerate() {
        let at = FIRST_QUANTITY + PER_QUANTITY * k;
        let verdict = row.get::<_, Option<i64>>(at + 2)?;
        values.push(match (row.get(at)?, row.get(at + 1)?, verdict.map(Verdict::from_code)) {
            (Some(value), Some(uncertainty), Some(Some(verdict))) => {
                QuantityValue::Value { value, uncertainty, verdict }
            }
            (None, None, None) => QuantityValue::Null(match reasons.get(name).and_then(|r| r.as_str()) {
                Some(reason) => reason.to_owned(),
                None if computed => QUANTITY_ADDED_LATER.to_owned(),
                None => columns.absence(),
            }),
            (value, uncertainty, _) => {
                let text = |number: Option<f64>| number.map_or("none".to_owned(), |x| x.to_string());
                let verdict = verdict.map_or("none".to_owned(), |code| code.to_string());
                let found = format!("{name} {}, uncertainty {}, verdict {verdict}", text(value), text(uncertainty));
                return Ok(Err(("a value with uncertainty and verdict, or none", found)));
            }
        });
    }
    Ok(Ok(values))
}

/// The flags of each quantity; none where the quantity was added later.
fn flags_of(columns: &Columns, row: &Row<'_>) -> rusqlite::Result<Vec<Flags>> {
    let flags = |k| row.get::<_, Option<u32>>(FIRST_QUANTITY + PER_QUANTITY * k + 3).map(|f| Flags(f.unwrap_or(0)));
    (0..columns.quantities.len()).map(flags).collect()
}

/// Window statistics, one entry per quantity; empty for a single shot.
fn window_of(columns: &Columns, row: &Row<'_>) -> rusqlite::Result<Vec<Option<WindowStatistics>>> {
    if row.get::<_, Option<i64>>(21)?.is_none() {
        return Ok(Vec::new());
    }
    let statistics = |k| {
        let at = FIRST_QUANTITY + PER_QUANTITY * k;
        Ok(match (row.get(at + 4)?, row.get(at + 5)?, row.get(at + 6)?) {
            (Some(minimum), Some(maximum), Some(deviation)) => Some(WindowStatistics { minimum, maximum, deviation }),
            _ => None,
        })
    };
    (0..columns.quantities.len()).map(statistics).collect()
}
