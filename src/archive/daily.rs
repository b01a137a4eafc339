//! Hours and days of readings: stored by the daemon as time passes, computed for whoever asks where they are not stored.
//!
//! Depends on the store for readings and rows, on [`crate::summary`] for the figures. Invariant: stored or computed, a figure is
//! the same, since the same pure functions make it from the same readings. An hour or a day is read, summed up and
//! stored within one transaction ([`Store::roll_up`]), so that no change comes between.

use crate::clock::UtcMicros;
use crate::record::{QuantityValue, Reading};
use crate::store::{DayRow, Hour, NOT_YET_A_QUANTITY, Reader, RollUp, Store, StoreError, StoredReading};
use crate::summary::{self, Day, DayBounds, Rules};
use std::collections::{BTreeSet, VecDeque};

pub(super) const HOUR: i64 = 3_600_000_000;

/// The day (UTC, since 1970) of an hour.
pub(super) fn day_number(hour: i64) -> i64 {
    hour.div_euclid(24)
}

/// The hours of a day (UTC, since 1970) in which an instrument has readings.
fn hours_of(transaction: &RollUp<'_>, instrument: &str, day: i64, quantities: usize) -> Result<Vec<Hour>, StoreError> {
    let mut hours = Vec::new();
    for hour in day * 24..(day + 1) * 24 {
        let stored = transaction.readings(UtcMicros(hour * HOUR), UtcMicros((hour + 1) * HOUR))?;
        let readings = stored.iter().map(|s| &s.reading).filter(|r| r.instrument == instrument);
        hours.push((hour, summary::hour(readings, quantities)));
    }
    Ok(hours)
}

/// A day of an instrument, by the readings.
pub fn day_of(reader: &Reader, rules: &Rules, instrument: &str, bounds: &DayBounds) -> Result<Day, StoreError> {
    let (from, to) = rules.reads(bounds);
    let readings = reader.readings_of(&summary::QUANTITIES, from, to)?.collect::<Result<_, _>>()?;
    Ok(summed_up(reader, rules, instrument, bounds, readings))
}

/// A day of an instrument from readings of those quantities of days that the database knows; another instrument's may be among them.
fn summed_up(
    reader: &Reader,
    rules: &Rules,
    instrument: &str,
    bounds: &DayBounds,
    readings: Vec<StoredReading>,
) -> Day {
    // A quantity this database has no column for is null, and so are its figures.
    let known = summary::QUANTITIES.map(|id| reader.position(id).is_some());
    let null = || QuantityValue::Null(NOT_YET_A_QUANTITY.into());
    let with_all = |reading: Reading| {
        let mut values = reading.values.into_iter();
        let values = known.iter().map(|known| known.then(|| values.next()).flatten().unwrap_or_else(null)).collect();
        Reading { values, ..reading }
    };
    let readings = readings.into_iter().map(|s| s.reading).filter(|r| r.instrument == instrument).map(with_all);
    summary::day(rules, bounds, readings.collect())
}

/// The days of an instrument with readings that touch `from <= t < to`, in their order: as stored, and the others from the readings.
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
            Some(row) => parsed(&row)?,
            None => day_of(reader, rules, instrument, &bounds)?,
        };
        // Days of another instrument's readings, and the edges of a day's hours.
        if day.readings + day.references > 0 && day.ends > from && day.starts < to {
            days.push(day);
        }
    }
    Ok(days)
}

fn parsed(row: &DayRow) -> Result<Day, StoreError> {
    serde_json::from_str(&row.figures).map_err(|why| StoreError::Corrupt {
        table: "day",
        id: row.starts.0,
        expected: "figures of a day".into(),
        found: why.to_string(),
    })
}

/// The days that any instrument may have readings in, by the hours in which there are some.
fn days_with_readings(
    reader: &Reader,
    rules: &Rules,
    from: UtcMicros,
    to: UtcMicros,
) -> Result<Vec<DayBounds>, StoreError> {
    // The days at either end are whole ones.
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

/// Stores hours and days of one instrument once they have passed, a piece at a time, so that no tick waits long.
#[derive(Debug)]
pub struct Keeper {
    instrument: String,
    rules: Rules,
    rules_text: String,
    pieces: VecDeque<Piece>,
    /// The hour in which it last looked for what is missing.
    looked: Option<i64>,
}

/// What is stored in one transaction.
#[derive(Clone, Copy, Debug)]
enum Piece {
    /// The hours of a day (UTC, since 1970): each writes a page a quantity, and the hours of a day share them.
    Hours(i64),
    /// The figures of a day of the station.
    Day(DayBounds),
}

impl Keeper {
    /// For an instrument, under the station's rules.
    pub fn new(instrument: &str, rules: Rules) -> Self {
        let rules_text = rules.text();
        Self { instrument: instrument.to_owned(), rules, rules_text, pieces: VecDeque::new(), looked: None }
    }

    /// Stores one piece that has passed and is missing; answers whether there was one.
    pub fn keep_one(&mut self, store: &Store, now: UtcMicros) -> Result<bool, StoreError> {
        let Some(row) = store.instrument_named(&self.instrument)? else { return Ok(false) };
        let hour = now.0.div_euclid(HOUR);
        if self.looked != Some(hour) {
            self.pieces = self.missing(store, row, now)?;
            self.looked = Some(hour);
        }
        let Some(piece) = self.pieces.pop_front() else { return Ok(false) };
        store.roll_up(|transaction| match &piece {
            Piece::Hours(day) => {
                let hours = hours_of(transaction, &self.instrument, *day, store.quantities().len())?;
                transaction.put_hours(row, *day, &hours)
            }
            Piece::Day(bounds) => {
                let (from, to) = self.rules.reads(bounds);
                let readings = transaction.readings_of(&summary::QUANTITIES, from, to)?;
                let day = summed_up(store, &self.rules, &self.instrument, bounds, readings);
                // Numbers, texts and lists can always be written.
                let figures = serde_json::to_string(&day).unwrap_or_default();
                let rules = self.rules_text.clone();
                let row_of_day = DayRow { starts: bounds.starts, reads_from: from, reads_to: to, rules, figures };
                transaction.put_day(row, &row_of_day)
            }
        })?;
        Ok(true)
    }

    /// What has passed and is missing, the newest first: it is asked for most.
    fn missing(&self, store: &Store, row: i64, now: UtcMicros) -> Result<VecDeque<Piece>, StoreError> {
        let today = day_number(now.0.div_euclid(HOUR));
        let stored: BTreeSet<i64> = store.days_with_hours(row, 0, 24 * today)?.into_iter().collect();
        let hours = store.hours_with_readings(0, 24 * today)?;
        let mut days: Vec<i64> = hours.into_iter().map(day_number).filter(|day| !stored.contains(day)).collect();
        days.dedup();
        let stored: BTreeSet<UtcMicros> = store.beginnings_of_stored_days(row, &self.rules_text)?.into_iter().collect();
        let passed = |d: &DayBounds| self.rules.reads(d).1 <= now && !stored.contains(&d.starts);
        let bounds = days_with_readings(store, &self.rules, UtcMicros(0), now)?;
        let days = days.into_iter().rev().map(Piece::Hours);
        Ok(days.chain(bounds.into_iter().rev().filter(passed).map(Piece::Day)).collect())
    }
}

/// Stores everything that has passed and is missing, of an instrument; `progress` is called after every piece. For whoever
/// activated other values.
pub fn keep_all(
    store: &Store,
    rules: &Rules,
    instrument: &str,
    now: UtcMicros,
    mut progress: impl FnMut(),
) -> Result<(), StoreError> {
    let mut keeper = Keeper::new(instrument, rules.clone());
    while keeper.keep_one(store, now)? {
        progress();
    }
    Ok(())
}

#[cfg(test)]
pub(super) mod tests;
