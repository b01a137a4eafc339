//! Series of a quantity: minimum, mean and maximum at a number of points over a time range.
//!
//! A long range is computed from hourly roll-ups, and from readings for hours without one; a short range is computed from
//! readings. The result does not depend on which roll-ups are stored.

use super::daily::{HOUR, day_number};
use crate::clock::UtcMicros;
use crate::record::HourValue;
use crate::store::{Reader, StoreError};
use crate::summary::Tally;
use std::collections::{BTreeMap, BTreeSet};

/// Ranges longer than this [h] (two weeks) are computed from hours for any number of points.
const READINGS_UP_TO_HOURS: i64 = 336;

/// A quantity over time.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// Whether it is computed from hourly roll-ups.
    pub of_hours: bool,
    /// The points, ascending and contiguous.
    pub points: Vec<Point>,
}

/// One point of a series.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Start.
    pub from: UtcMicros,
    /// End (excluded).
    pub to: UtcMicros,
    /// Minimum, mean and maximum of the quantity; `None` without a value.
    pub value: Option<HourValue>,
}

/// The series of a quantity of an instrument over `from <= t < to`, with at most `points` points; empty without data.
///
/// If computed from hours, the range is extended to complete hours, and a point is a number of hours. Readings of a check source
/// are excluded.
pub fn series(
    reader: &Reader,
    instrument: &str,
    quantity: &str,
    (from, to): (UtcMicros, UtcMicros),
    points: u32,
) -> Result<Series, StoreError> {
    let empty = Series { of_hours: false, points: Vec::new() };
    let Some((first, last)) = reader.extent()? else { return Ok(empty) };
    let (from, to) = (from.max(first), to.min(last));
    if from >= to || points == 0 {
        return Ok(empty);
    }
    let (of_hours, grid) = Grid::new(from, to, points);
    let mut tallies = vec![Tally::default(); grid.points as usize];
    if of_hours {
        for (hour, value) in hours(reader, instrument, quantity, (grid.begin, grid.end))? {
            if let Some(tally) = tallies.get_mut(grid.point_of(hour)) {
                tally.join(&value);
            }
        }
    } else {
        for stored in reader.readings_of(&[quantity], from, to)? {
            let reading = stored?.reading;
            let point = grid.point_of(reading.time_mid.0);
            if let Some(tally) = tallies.get_mut(point).filter(|_| reading.instrument == instrument) {
                tally.take(&reading, 0);
            }
        }
    }
    let values = tallies.into_iter().zip(0..);
    let points = values.map(|(t, k)| Point { from: grid.edge(k), to: grid.edge(k + 1), value: t.finish() }).collect();
    Ok(Series { of_hours, points })
}

/// Points of approximately equal length on a grid of hours or microseconds.
#[derive(Clone, Copy, Debug)]
struct Grid {
    begin: i64,
    end: i64,
    /// Length of a step [µs].
    step: i64,
    points: i64,
}

impl Grid {
    /// For a range that is not empty; the first result states whether steps are hours.
    fn new(from: UtcMicros, to: UtcMicros, points: u32) -> (bool, Self) {
        let (begin, end) = (from.0.div_euclid(HOUR), (to.0 + HOUR - 1).div_euclid(HOUR));
        let of_hours = end - begin > READINGS_UP_TO_HOURS || end - begin >= i64::from(points);
        let (begin, end, step) = if of_hours { (begin, end, HOUR) } else { (from.0, to.0, 1) };
        (of_hours, Self { begin, end, step, points: i64::from(points).min(end - begin) })
    }

    /// The step at which a point begins. Computed in 128 bits: a range in microseconds times the number of points overflows 64
    /// bits.
    fn first_step(self, point: i64) -> i64 {
        self.begin + (i128::from(point) * i128::from(self.end - self.begin) / i128::from(self.points)) as i64
    }

    /// The instant at which a point begins.
    fn edge(self, point: i64) -> UtcMicros {
        UtcMicros(self.first_step(point) * self.step)
    }

    /// The last point that begins at or before a step.
    fn point_of(self, step: i64) -> usize {
        let steps = i128::from(self.end - self.begin);
        let guess = (i128::from(step - self.begin) * i128::from(self.points) / steps) as i64;
        let next = guess + 1 < self.points && self.first_step(guess + 1) <= step;
        (if next { guess + 1 } else { guess }) as usize
    }
}

/// The hours of a quantity: from roll-ups, and from readings for hours without one.
fn hours(
    reader: &Reader,
    instrument: &str,
    quantity: &str,
    (begin, end): (i64, i64),
) -> Result<Vec<(i64, HourValue)>, StoreError> {
    let Some(row) = reader.instrument_named(instrument)? else { return Ok(Vec::new()) };
    let days: BTreeSet<i64> = reader.days_with_hours(row, begin, end)?.into_iter().collect();
    let mut found = reader.hour_values(row, quantity, begin, end)?;
    found.retain(|(hour, _)| days.contains(&day_number(*hour)));
    let mut missing = reader.hours_with_readings(begin, end)?;
    missing.retain(|hour| !days.contains(&day_number(*hour)));
    for run in missing.chunk_by(|a, b| a + 1 == *b) {
        let (Some(first), Some(last)) = (run.first(), run.last()) else { continue };
        let range = (UtcMicros(first * HOUR), UtcMicros((last + 1) * HOUR));
        found.extend(hours_of_readings(reader, instrument, quantity, range)?);
    }
    // Sorted by time, so that sums have the same bits for any set of stored roll-ups.
    found.sort_by_key(|(hour, _)| *hour);
    Ok(found)
}

fn hours_of_readings(
    reader: &Reader,
    instrument: &str,
    quantity: &str,
    (from, to): (UtcMicros, UtcMicros),
) -> Result<Vec<(i64, HourValue)>, StoreError> {
    let mut tallies: BTreeMap<i64, Tally> = BTreeMap::new();
    for stored in reader.readings_of(&[quantity], from, to)? {
        let reading = stored?.reading;
        if reading.instrument == instrument {
            tallies.entry(reading.time_mid.0.div_euclid(HOUR)).or_default().take(&reading, 0);
        }
    }
    Ok(tallies.into_iter().filter_map(|(hour, tally)| Some((hour, tally.finish()?))).collect())
}

#[cfg(test)]
mod tests;
