//! Roll-ups of hours and days: stored by the daemon when they are over, computed on request if not stored.
//!
//! Depends on the store for readings and rows, and on [`crate::summary`] for the computation. Invariant: a stored and a computed
//! roll-up are equal, because the same pure functions compute both from the same readings. Readings are read and their roll-up is
//! stored within one transaction ([`Store::roll_up`]), so that they cannot change in between.

use crate::clock::UtcMicros;
use crate::record::{QuantityValue, Reading};
use crate::store::{DayRow, Hour, QUANTITY_ADDED_LATER, Reader, RollUp, Store, StoreError, StoredReading};
use crate::summary::{self, Day, DayBounds, Rules};
use std::collections::{BTreeSet, VecDeque};

pub(super) const HOUR: i64 = 3_600_000_000;

/// The day (UTC, since 1970) of an hour.
pub(super) fn day_number(hour: i64) -> i64 {
    hour.div_euclid(24)
}

/// The roll-ups of the hours of a day (UTC, since 1970) of an instrument.
fn hours_of(transaction: &RollUp<'_>, instrument: &str, day: i64, quantities: usize) -> Result<Vec<Hour>, StoreError> {
    let mut hours = Vec::new();
    for hour in day * 24..(day + 1) * 24 {
        let stored = transaction.readings(UtcMicros(hour * HOUR), UtcMicros((hour + 1) * HOUR))?;
        let readings = stored.iter().map(|s| &s.reading).filter(|r| r.instrument == instrument);
        hours.push((hour, summary::hour(readings, quantities)));
    }
    Ok(hours)
}

/// Computes a day of an instrument from its readings.
pub fn day_of(reader: &Reader, rules: &Rules, instrument: &str, bounds: &DayBounds) -> Result<Day, StoreError> {
    let (from, to) = rules.reads(bounds);
    let readings = reader.readings_of(&summary::QUANTITIES, from, to)?.collect::<Result<_, _>>()?;
    Ok(compute_day(reader, rules, instrument, bounds, readings))
}

/// Computes a day from readings with the quantities of days that the database has; readings of other instruments are ignored.
fn compute_day(
    reader: &Reader,
    rules: &Rules,
    instrument: &str,
    bounds: &DayBounds,
    readings: Vec<StoredReading>,
) -> Day {
    // A quantity without a column in this database is null.
    let known = summary::QUANTITIES.map(|id| reader.position(id).is_some());
    let null = || QuantityValue::Null(QUANTITY_ADDED_LATER.into());
    let with_all = |reading: Reading| {
        let mut values = reading.values.into_iter();
        let values = known.iter().map(|known| known.then(|| values.next()).flatten().unwrap_or_else(null)).collect();
        Reading { values, quantity_flags: Vec::new(), ..reading }
    };
    let readings = readings.into_iter().map(|s| s.reading).filter(|r| r.instrument == instrument).map(with_all);
    summary::day(rules, bounds, readings.collect())
}

/// The days with readings of an instrument that overlap `from <= t < to`, ascending; days that are not stored are computed.
pub fn days(
    reader: &Reader,
    rules: &Rules,
    instrument: &str,
    from: UtcMicros,
    to: UtcMicros,
) -> Result<Vec<Day>, StoreError> {
    let (Some(row), Some((first, last))) = (reader.instrument_named(instrument)?, reader.extent()?) else {
        return Ok(Vec::new());
    };
    let (from, to) = (from.max(first), to.min(last));
    if from >= to {
        return Ok(Vec::new());
    }
    let bounds = days_with_readings(reader, rules, from, to)?;
    let Some((first, last)) = bounds.first().zip(bounds.last()) else { return Ok(Vec::new()) };
    let mut stored = reader.stored_days(row, first.starts, last.ends, &rules.text())?.into_iter().peekable();
    let mut days = Vec::with_capacity(bounds.len());
    for bounds in bounds {
        while stored.peek().is_some_and(|k| k.starts < bounds.starts) {
            stored.next();
        }
        let day = match stored.next_if(|k| k.starts == bounds.starts) {
            // A damaged one is computed anew.
            Some(row) => match reader.intact([parse_row(&row)])?.pop() {
                Some(day) => day,
                None => day_of(reader, rules, instrument, &bounds)?,
            },
            None => day_of(reader, rules, instrument, &bounds)?,
        };
        // Excludes days with readings of other instruments only, and days outside the range that share an hour with it.
        if day.readings + day.references > 0 && day.ends > from && day.starts < to {
            days.push(day);
        }
    }
    Ok(days)
}

fn parse_row(row: &DayRow) -> Result<Day, StoreError> {
    serde_json::from_str(&row.figures).map_err(|why| StoreError::Corrupt {
        table: "day",
        id: row.starts.0,
        expected: "values of a day".into(),
        found: why.to_string(),
    })
}

/// The days that contain or adjoin hours with readings of any instrument.
fn days_with_readings(
    reader: &Reader,
    rules: &Rules,
    from: UtcMicros,
    to: UtcMicros,
) -> Result<Vec<DayBounds>, StoreError> {
    // The first and the last day are complete days.
    let (first, last) = (rules.day_of(from).starts, rules.day_of(UtcMicros(to.0.saturating_sub(1))).ends);
    let hours =
        reader.hours_with_readings(first.0.div_euclid(HOUR), last.0.saturating_add(HOUR - 1).div_euclid(HOUR))?;
    let mut days: Vec<DayBounds> = Vec::new();
    for hour in hours {
        for t in [hour * HOUR, (hour + 1) * HOUR - 1].map(UtcMicros) {
            if days.last().is_none_or(|d| t >= d.ends) {
                days.push(rules.day_of(t));
            }
        }
    }
    Ok(days)
}

/// Stores the roll-ups of one instrument when their time has passed, one per call, so that ticks are not delayed.
#[derive(Debug)]
pub struct RollUpWriter {
    instrument: String,
    rules: Rules,
    rules_text: String,
    pending: VecDeque<PendingRollUp>,
    /// The hour of the last search for missing roll-ups.
    searched: Option<i64>,
}

/// A roll-up to be stored in one transaction.
#[derive(Clone, Copy, Debug)]
enum PendingRollUp {
    /// The hours of a day (UTC, since 1970), which share pages of the database: one page per quantity.
    Hours(i64),
    /// A day of the station.
    Day(DayBounds),
}

impl RollUpWriter {
    /// For an instrument, with the rules of its station.
    pub fn new(instrument: &str, rules: Rules) -> Self {
        let rules_text = rules.text();
        Self { instrument: instrument.to_owned(), rules, rules_text, pending: VecDeque::new(), searched: None }
    }

    /// Stores one missing roll-up whose time has passed; returns whether there was one.
    pub fn store_next(&mut self, store: &Store, now: UtcMicros) -> Result<bool, StoreError> {
        let Some(row) = store.instrument_named(&self.instrument)? else { return Ok(false) };
        let hour = now.0.div_euclid(HOUR);
        if self.searched != Some(hour) {
            self.pending = self.missing(store, row, now)?;
            self.searched = Some(hour);
        }
        let Some(next) = self.pending.pop_front() else { return Ok(false) };
        store.roll_up(|transaction| match &next {
            PendingRollUp::Hours(day) => {
                let hours = hours_of(transaction, &self.instrument, *day, store.quantities().len())?;
                transaction.put_hours(row, *day, &hours)
            }
            PendingRollUp::Day(bounds) => {
                let (from, to) = self.rules.reads(bounds);
                let readings = transaction.readings_of(&summary::QUANTITIES, from, to)?;
                let day = compute_day(store, &self.rules, &self.instrument, bounds, readings);
                // Serialising numbers, texts and lists cannot fail.
                let figures = serde_json::to_string(&day).unwrap_or_default();
                let rules = self.rules_text.clone();
                let row_of_day = DayRow { starts: bounds.starts, reads_from: from, reads_to: to, rules, figures };
                transaction.put_day(row, &row_of_day)
            }
        })?;
        Ok(true)
    }

    /// The missing roll-ups whose time has passed, newest first, because recent days are queried most.
    fn missing(&self, store: &Store, row: i64, now: UtcMicros) -> Result<VecDeque<PendingRollUp>, StoreError> {
        let today = day_number(now.0.div_euclid(HOUR));
        let stored: BTreeSet<i64> = store.days_with_hours(row, 0, 24 * today)?.into_iter().collect();
        let hours = store.hours_with_readings(0, 24 * today)?;
        let mut days: Vec<i64> = hours.into_iter().map(day_number).filter(|day| !stored.contains(day)).collect();
        days.dedup();
        let stored: BTreeSet<UtcMicros> = store.starts_of_stored_days(row, &self.rules_text)?.into_iter().collect();
        let passed = |d: &DayBounds| self.rules.reads(d).1 <= now && !stored.contains(&d.starts);
        let bounds = days_with_readings(store, &self.rules, UtcMicros(0), now)?;
        let days = days.into_iter().rev().map(PendingRollUp::Hours);
        Ok(days.chain(bounds.into_iter().rev().filter(passed).map(PendingRollUp::Day)).collect())
    }
}

/// Stores all missing roll-ups of an instrument whose time has passed; `progress` is called after each. Used after other values
/// were activated.
pub fn store_all(
    store: &Store,
    rules: &Rules,
    instrument: &str,
    now: UtcMicros,
    mut progress: impl FnMut(),
) -> Result<(), StoreError> {
    let mut writer = RollUpWriter::new(instrument, rules.clone());
    while writer.store_next(store, now)? {
        progress();
    }
    Ok(())
}

#[cfg(test)]
pub(super) mod tests;
