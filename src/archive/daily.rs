//! Hours and days summed up from what is stored: kept by the daemon as time passes, worked out for whoever asks where they
//! are not kept.
//!
//! What must stay true: kept or worked out, a figure is the same, since the same pure functions ([`crate::summary`]) make it
//! from the same readings.

use crate::clock::UtcMicros;
use crate::record::HourValue;
use crate::store::{DayRow, Epoch, NewHour, Reader, Store, StoreError};
use crate::summary::{self, Day, DayBounds, Rules};
use std::collections::{BTreeSet, VecDeque};

pub(super) const HOUR: i64 = 3_600_000_000;
/// So far back the daemon looks every hour for what is not kept [h]; all the way once a day and after every change.
const LOOK_BACK: i64 = 72;

/// An hour (since 1970) of an instrument, by the readings: one entry a quantity.
pub fn hour_of(reader: &Reader, instrument: &str, hour: i64) -> Result<Vec<Option<HourValue>>, StoreError> {
    let mut readings = Vec::new();
    for stored in reader.readings(UtcMicros(hour * HOUR), UtcMicros((hour + 1) * HOUR))? {
        readings.push(stored?.reading);
    }
    Ok(summary::hour(readings.iter().filter(|r| r.instrument == instrument), reader.quantities().len()))
}

/// A day of an instrument, by the readings.
pub fn day_of(reader: &Reader, rules: &Rules, instrument: &str, bounds: &DayBounds) -> Result<Day, StoreError> {
    let (from, to) = rules.reads(bounds);
    let stored = reader.readings_of(&summary::QUANTITIES, from, to)?;
    // A quantity this database has no column for is null, and so are its figures.
    let places: Vec<Option<usize>> =
        summary::QUANTITIES.iter().map(|id| stored.quantities().iter().position(|q| q.0 == *id)).collect();
    let mut readings = Vec::new();
    for stored in stored {
        let mut reading = stored?.reading;
        if reading.instrument != instrument {
            continue;
        }
        if places.iter().any(Option::is_none) {
            let null = || crate::record::QuantityValue::Null(crate::store::NOT_YET_A_QUANTITY.into());
            reading.values =
                places.iter().map(|k| k.and_then(|k| reading.values.get(k).cloned()).unwrap_or_else(null)).collect();
        }
        readings.push(reading);
    }
    Ok(summary::day(rules, bounds, readings))
}

/// The days of an instrument with readings that touch `from <= t < to`, in their order: as kept, and the others by the readings.
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
    let mut kept = reader.days_kept(row, first.starts, last.ends, &rules.text())?.into_iter().peekable();
    let mut days = Vec::with_capacity(bounds.len());
    for bounds in bounds {
        while kept.peek().is_some_and(|k| k.starts < bounds.starts) {
            kept.next();
        }
        let day = match kept.next_if(|k| k.starts == bounds.starts) {
            Some(row) => understood(&row)?,
            None => day_of(reader, rules, instrument, &bounds)?,
        };
        // Days of another instrument's readings, and the edges of a day's hours.
        if day.readings + day.references > 0 && day.ends > from && day.starts < to {
            days.push(day);
        }
    }
    Ok(days)
}

fn understood(row: &DayRow) -> Result<Day, StoreError> {
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

/// The day (UTC) of an hour, since 1970.
fn day_number(hour: i64) -> i64 {
    hour.div_euclid(24)
}

/// Keeps hours and days of one instrument as they pass, a piece at a time, so that no tick waits for it.
#[derive(Debug)]
pub struct Keeper {
    instrument: String,
    rules: Rules,
    rules_text: String,
    hours: VecDeque<i64>,
    /// Hours of one day that are worked out and wait for the others of it.
    ready: Vec<NewHour>,
    days: VecDeque<DayBounds>,
    /// The hour in which it last looked for what is not kept, and what had changed by then.
    looked: Option<(i64, Epoch)>,
}

impl Keeper {
    /// For an instrument, under the station's rules.
    pub fn new(instrument: &str, rules: Rules) -> Self {
        let (hours, ready, days) = (VecDeque::new(), Vec::new(), VecDeque::new());
        Self { instrument: instrument.to_owned(), rules_text: rules.text(), rules, hours, ready, days, looked: None }
    }

    /// Works out one hour or one day that has passed and is not kept; answers whether there was one. The hours of a day (UTC) are
    /// kept together once it has passed: one at a time they would write about two kilobytes a reading.
    pub fn keep_one(&mut self, store: &Store, now: UtcMicros) -> Result<bool, StoreError> {
        let hour = now.0.div_euclid(HOUR);
        if self.looked.is_none_or(|(looked, _)| looked != hour) {
            self.look(store, now)?;
        }
        if self.hours.is_empty() && self.days.is_empty() {
            return Ok(false);
        }
        let Some(row) = store.instrument_named(&self.instrument)? else { return Ok(false) };
        let epoch = store.epoch()?;
        if let Some(hour) = self.hours.pop_front() {
            let values = hour_of(store, &self.instrument, hour)?;
            self.ready.push(NewHour { hour, values, epoch });
            if self.hours.front().is_none_or(|next| day_number(*next) != day_number(hour)) {
                store.keep_hours(row, &std::mem::take(&mut self.ready))?;
            }
        } else if let Some(bounds) = self.days.pop_front() {
            let day = day_of(store, &self.rules, &self.instrument, &bounds)?;
            let (reads_from, reads_to) = self.rules.reads(&bounds);
            // Numbers, texts and lists can always be written.
            let figures = serde_json::to_string(&day).unwrap_or_default();
            let rules = self.rules_text.clone();
            store.keep_day(row, &DayRow { starts: bounds.starts, reads_from, reads_to, rules, figures }, epoch)?;
        }
        Ok(true)
    }

    /// Looks for hours and days that have passed and are not kept, the newest first: they are asked for most.
    fn look(&mut self, store: &Store, now: UtcMicros) -> Result<(), StoreError> {
        let hour = now.0.div_euclid(HOUR);
        let epoch = store.epoch()?;
        let recent = self
            .looked
            .is_some_and(|(looked, before)| day_number(looked) == day_number(hour) && before.is_as_old_as(epoch));
        self.looked = Some((hour, epoch));
        if recent && !(self.hours.is_empty() && self.days.is_empty()) {
            return Ok(());
        }
        self.hours.clear();
        self.ready.clear();
        self.days.clear();
        let Some(row) = store.instrument_named(&self.instrument)? else { return Ok(()) };
        let from = if recent { hour - LOOK_BACK } else { 0 };
        let passed = 24 * day_number(hour);
        let kept: BTreeSet<i64> = store.hours_kept(row, from, passed)?.into_iter().collect();
        let hours = store.hours_with_readings(from, passed)?;
        self.hours.extend(hours.into_iter().rev().filter(|h| !kept.contains(h)));
        let days = days_with_readings(store, &self.rules, UtcMicros(from * HOUR), now)?;
        let Some((first, last)) = days.first().zip(days.last()) else { return Ok(()) };
        let kept: BTreeSet<UtcMicros> =
            store.days_known(row, first.starts, last.ends, &self.rules_text)?.into_iter().collect();
        let passed = |d: &DayBounds| self.rules.reads(d).1 <= now && !kept.contains(&d.starts);
        self.days.extend(days.into_iter().rev().filter(passed));
        Ok(())
    }
}

/// Keeps everything that has passed and is not kept, of an instrument; `progress` is told of every piece. For whoever put other
/// values in force.
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
