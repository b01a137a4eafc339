//! Stores and reads roll-ups of hours and days.
//!
//! Nothing is computed here. Invariant: a stored roll-up equals the roll-up of the present readings. Therefore readings are read
//! within the immediate transaction that stores their roll-up ([`Store::roll_up`]), and every transaction that adds a reading,
//! changes a flagged interval or activates other values deletes the affected roll-ups (`invalidation`). A missing roll-up is
//! computed from the readings.

use super::connection::transact;
use super::damage::rows_or_damage;
use super::error::StoreError;
use super::invalidation::{MAX_DAY_INPUT, lowest_row};
use super::row_checksum::{COLUMN, compare, crc32_of_row, crc32_of_values};
use super::rows::StoredReading;
use super::schema::{HOURS_PER_DAY, day_of_hour};
use super::{Reader, Store};
use crate::clock::UtcMicros;
use crate::record::HourValue;
use rusqlite::types::ValueRef;
use rusqlite::{Row, Transaction, params};

/// The stored values of a day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DayRow {
    /// First instant of the day.
    pub starts: UtcMicros,
    /// Start of the range of readings used.
    pub reads_from: UtcMicros,
    /// End of this range (excluded).
    pub reads_to: UtcMicros,
    /// The settings used, as text.
    pub rules: String,
    /// The values as JSON, opaque to this module.
    pub figures: String,
}

/// An hour (since 1970) and its values, in the order of [`Reader::quantities`]; `None` without a value of the quantity.
pub type Hour = (i64, Vec<Option<HourValue>>);

/// A transaction that reads readings and stores their roll-up.
#[derive(Debug)]
pub struct RollUp<'a> {
    tx: &'a Transaction<'a>,
    store: &'a Store,
}

impl Store {
    /// Runs `work` within one immediate transaction, so that readings cannot change before their roll-up is stored.
    pub fn roll_up<T>(&self, work: impl FnOnce(&RollUp<'_>) -> Result<T, StoreError>) -> Result<T, StoreError> {
        self.recover_from_disk_failure()?;
        let done = transact(&mut self.lock(), "rolling up readings", |tx| work(&RollUp { tx, store: self }));
        done.inspect_err(|error| self.disk_failure.note(error))
    }
}

impl RollUp<'_> {
    /// The readings with `from <= time_mid < to`, in order of storage.
    pub fn readings(&self, from: UtcMicros, to: UtcMicros) -> Result<Vec<StoredReading>, StoreError> {
        self.store.source(self.tx).between(&self.store.columns, from, to)
    }

    /// As [`RollUp::readings`], with the values of these quantities only, in this order; quantities unknown to the database are
    /// omitted.
    pub fn readings_of(&self, ids: &[&str], from: UtcMicros, to: UtcMicros) -> Result<Vec<StoredReading>, StoreError> {
        self.store.source(self.tx).between(&self.store.columns_of(ids), from, to)
    }

    /// Stores the hours of a day (days since 1970, UTC) of an instrument (any row of its name); replaces stored hours of the day.
    pub fn put_hours(&self, instrument: i64, day: i64, hours: &[Hour]) -> Result<(), StoreError> {
        self.try_put_hours(instrument, day, hours).map_err(StoreError::sqlite("storing hours"))
    }

    fn try_put_hours(&self, instrument: i64, day: i64, hours: &[Hour]) -> rusqlite::Result<()> {
        let tx = self.tx;
        let instrument = lowest_row(tx, instrument)?;
        let mut position = tx.prepare_cached("SELECT position FROM quantity WHERE id = ?1")?;
        let mut clear = tx.prepare_cached(
            "DELETE FROM hour_value WHERE instrument = ?1 AND quantity = ?2 AND hour BETWEEN ?3 AND ?4",
        )?;
        let mut put = tx.prepare_cached(
            "INSERT INTO hour_value(instrument, quantity, hour, minimum, mean, maximum, good, suspect, bad, row_crc32) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
        )?;
        let (first, last) = (day * HOURS_PER_DAY, (day + 1) * HOURS_PER_DAY - 1);
        // By quantity, which is the order of the rows in the file.
        for (k, (id, _)) in self.store.quantities().iter().enumerate() {
            let quantity: i64 = position.query_row([id], |row| row.get(0))?;
            clear.execute([instrument, quantity, first, last])?;
            for (hour, values) in hours {
                let Some(Some(value)) = values.get(k) else { continue };
                let [minimum, mean, maximum] = value.range.map_or([None; 3], |r| r.map(Some));
                let [good, suspect, bad] = value.verdicts;
                // A zero has no sign in the database.
                let [minimum, mean, maximum] = [minimum, mean, maximum].map(|x: Option<f64>| x.map(|x| x + 0.0));
                let crc32 =
                    crc32_of_hour([instrument, quantity, *hour], [minimum, mean, maximum], [good, suspect, bad]);
                put.execute(params![instrument, quantity, hour, minimum, mean, maximum, good, suspect, bad, crc32])?;
            }
        }
        let sql = "INSERT OR REPLACE INTO rolled_up_hours(instrument, day) VALUES (?1, ?2)";
        tx.prepare_cached(sql)?.execute([instrument, day]).map(drop)
    }

    /// Stores the values of a day of an instrument (any row of its name); replaces those of the same day.
    pub fn put_day(&self, instrument: i64, day: &DayRow) -> Result<(), StoreError> {
        if !(day.reads_from <= day.starts && day.reads_to.0.saturating_sub(day.reads_from.0) <= MAX_DAY_INPUT) {
            let expected = "a day computed from at most three days of readings".into();
            let found = format!("one computed from {} to {}", day.reads_from, day.reads_to);
            return Err(StoreError::Shape { expected, found });
        }
        self.try_put_day(instrument, day).map_err(StoreError::sqlite("storing a day"))
    }

    fn try_put_day(&self, instrument: i64, day: &DayRow) -> rusqlite::Result<()> {
        let tx = self.tx;
        tx.prepare_cached("INSERT OR IGNORE INTO day_rules(text) VALUES (?1)")?.execute([&day.rules])?;
        let sql = "INSERT OR REPLACE INTO day(instrument, starts, reads_from, reads_to, rules, figures) \
             VALUES (?1, ?2, ?3, ?4, (SELECT id FROM day_rules WHERE text = ?5), ?6)";
        let (starts, from, to) = (day.starts.0, day.reads_from.0, day.reads_to.0);
        let row = params![lowest_row(tx, instrument)?, starts, from, to, day.rules, day.figures];
        tx.prepare_cached(sql)?.execute(row)?;
        self.store.sealed().seal(tx, "day", tx.last_insert_rowid())
    }
}

/// The columns of `hour_value` that its checksum covers, in the order of the table.
const HOUR_COLUMNS: [&str; 9] =
    ["instrument", "quantity", "hour", "minimum", "mean", "maximum", "good", "suspect", "bad"];

/// The checksum of a row of `hour_value`: its key, minimum, mean and maximum, and the numbers of values by verdict.
fn crc32_of_hour(key: [i64; 3], range: [Option<f64>; 3], verdicts: [u32; 3]) -> u32 {
    let key = key.map(ValueRef::Integer);
    let range = range.map(|x| x.map_or(ValueRef::Null, ValueRef::Real));
    let verdicts = verdicts.map(|n| ValueRef::Integer(i64::from(n)));
    crc32_of_values(HOUR_COLUMNS.into_iter().zip(key.into_iter().chain(range).chain(verdicts)))
}

/// An hour of a quantity, from a row with [`HOUR_COLUMNS`] and the checksum.
fn hour_of_row(row: &Row<'_>) -> rusqlite::Result<Result<(i64, HourValue), StoreError>> {
    let hour = row.get(2)?;
    let found = crc32_of_row(HOUR_COLUMNS.into_iter().zip(0..), row)?;
    if let Err(damaged) = compare("hour_value", hour, row.get(9)?, found) {
        return Ok(Err(damaged));
    }
    let range = match (row.get(3)?, row.get(4)?, row.get(5)?) {
        (Some(minimum), Some(mean), Some(maximum)) => Some([minimum, mean, maximum]),
        _ => None,
    };
    Ok(Ok((hour, HourValue { range, verdicts: [row.get(6)?, row.get(7)?, row.get(8)?] })))
}

impl Reader {
    /// The hours with `from <= hour < to` (hours since 1970) in which any instrument has readings, ascending.
    pub fn hours_with_readings(&self, from: i64, to: i64) -> Result<Vec<i64>, StoreError> {
        let sql = "SELECT DISTINCT hour FROM hour WHERE hour >= ?1 AND hour < ?2 ORDER BY hour";
        self.rows("looking for hours", sql, [from, to], |row| row.get(0))
    }

    /// The days (since 1970, UTC) whose hours are stored for an instrument (lowest row of its name) and that overlap the hours
    /// `from <= hour < to`, ascending. Empty if a computation is selected: roll-ups are made from active values.
    pub fn days_with_hours(&self, instrument: i64, from: i64, to: i64) -> Result<Vec<i64>, StoreError> {
        if self.columns.computation.is_some() {
            return Ok(Vec::new());
        }
        let sql = "SELECT day FROM rolled_up_hours WHERE instrument = ?1 AND day BETWEEN ?2 AND ?3 ORDER BY day";
        let days = [instrument, day_of_hour(from), day_of_hour(to.saturating_sub(1))];
        self.rows("looking for hours", sql, days, |row| row.get(0))
    }

    /// The values of a quantity in the hours `from <= hour < to` of an instrument (lowest row of its name), ascending. Valid only
    /// for the days of [`Reader::days_with_hours`]; in these, a missing hour has no value of the quantity.
    pub fn hour_values(
        &self,
        instrument: i64,
        quantity: &str,
        from: i64,
        to: i64,
    ) -> Result<Vec<(i64, HourValue)>, StoreError> {
        let sql = format!(
            "SELECT {}, {COLUMN} FROM hour_value WHERE instrument = ?1 \
             AND quantity = (SELECT position FROM quantity WHERE id = ?2) AND hour >= ?3 AND hour < ?4 ORDER BY hour",
            HOUR_COLUMNS.join(", ")
        );
        let query = (sql.as_str(), params![instrument, quantity, from, to]);
        let hours = rows_or_damage(&self.lock(), "reading hours", "hour_value", query, hour_of_row)?;
        self.damage.intact(hours)
    }

    /// Checks the checksum of every hour.
    pub(super) fn check_hours(&self, each: &mut dyn FnMut(Result<(), StoreError>)) -> Result<(), StoreError> {
        let days =
            self.rows("checking hours", "SELECT instrument, quantity FROM hour_value GROUP BY 1, 2", [], |row| {
                Ok([row.get::<_, i64>(0)?, row.get(1)?])
            })?;
        let sql = format!(
            "SELECT {}, {COLUMN} FROM hour_value WHERE instrument = ?1 AND quantity = ?2",
            HOUR_COLUMNS.join(", ")
        );
        for key in days {
            let hours = rows_or_damage(&self.lock(), "checking hours", "hour_value", (&sql, key), hour_of_row)?;
            hours.into_iter().for_each(|hour| each(hour.map(drop)));
        }
        Ok(())
    }

    /// The stored days of an instrument (lowest row of its name) that start in `from <= t < to` and used these settings. Empty if
    /// a computation is selected.
    pub fn stored_days(
        &self,
        instrument: i64,
        from: UtcMicros,
        to: UtcMicros,
        rules: &str,
    ) -> Result<Vec<DayRow>, StoreError> {
        if self.columns.computation.is_some() {
            return Ok(Vec::new());
        }
        let sql = "SELECT id, instrument, starts, reads_from, reads_to, rules, figures, row_crc32 FROM day \
             WHERE instrument = ?1 AND starts >= ?2 AND starts < ?3 AND rules = (SELECT id FROM day_rules WHERE text = ?4) \
             ORDER BY starts";
        let query = (sql, params![instrument, from.0, to.0, rules]);
        let days = rows_or_damage(&self.lock(), "reading days", "day", query, |row| {
            let names = ["id", "instrument", "starts", "reads_from", "reads_to", "rules", "figures"];
            let intact = compare("day", row.get(0)?, row.get(7)?, crc32_of_row(names.into_iter().zip(0..), row)?);
            let [starts, reads_from, reads_to] = [row.get(2)?, row.get(3)?, row.get(4)?].map(UtcMicros);
            let figures = row.get(6)?;
            Ok(intact.map(|()| DayRow { starts, reads_from, reads_to, rules: rules.to_owned(), figures }))
        })?;
        self.damage.intact(days)
    }

    /// The first instants of all stored days of an instrument that used these settings.
    pub fn starts_of_stored_days(&self, instrument: i64, rules: &str) -> Result<Vec<UtcMicros>, StoreError> {
        let sql = "SELECT starts FROM day WHERE instrument = ?1 AND rules = (SELECT id FROM day_rules WHERE text = ?2) \
             ORDER BY starts";
        self.rows("looking for days", sql, params![instrument, rules], |row| Ok(UtcMicros(row.get(0)?)))
    }
}
