//! The course of a quantity over a span of any length, as lowest, mean and highest at a number of points.
//!
//! A long span is put together from hours, as they are stored and else from the readings; a short one from the readings. Which
//! hours are stored changes nothing in what is answered but the time it takes.

use super::daily::{HOUR, day_number};
use crate::clock::UtcMicros;
use crate::record::HourValue;
use crate::store::{Reader, StoreError};
use crate::summary::Tally;
use std::collections::{BTreeMap, BTreeSet};

/// Spans of more hours than this are put together from hours, whatever the number of points: two weeks.
const READINGS_UP_TO: i64 = 336;

/// A curve.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    /// Whether it was put together from whole hours.
    pub of_hours: bool,
    /// Its points, in order and without holes between them.
    pub points: Vec<Point>,
}

/// A stretch of a curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// From this instant on.
    pub from: UtcMicros,
    /// Up to this one.
    pub to: UtcMicros,
    /// What the quantity came to; `None` where it had no value. A mean is that of the values.
    pub value: Option<HourValue>,
}

/// The curve of a quantity of an instrument over `from <= t < to`, at `points` points at most; none where there is nothing.
///
/// From hours, the span is widened to whole ones, and a point is a whole number of them. Readings of a check source are left out.
pub fn curve(
    reader: &Reader,
    instrument: &str,
    quantity: &str,
    (from, to): (UtcMicros, UtcMicros),
    points: u32,
) -> Result<Curve, StoreError> {
    let empty = Curve { of_hours: false, points: Vec::new() };
    let Some((first, last)) = reader.extent()? else { return Ok(empty) };
    let (from, to) = (from.max(first), to.min(last));
    if from >= to || points == 0 {
        return Ok(empty);
    }
    let (begin, end) = (from.0.div_euclid(HOUR), (to.0 + HOUR - 1).div_euclid(HOUR));
    let of_hours = end - begin > READINGS_UP_TO || end - begin >= i64::from(points);
    let (begin, end, step) = if of_hours { (begin, end, HOUR) } else { (from.0, to.0, 1) };
    // Wide: the span in microseconds times the number of points.
    let count = i128::from(points).min(i128::from(end - begin));
    let edge = |k: i128| begin + (k * i128::from(end - begin) / count) as i64;
    let at = |t: i64| UtcMicros(t * step);
    let mut tallies = vec![Tally::default(); count as usize];
    let place = |t: i64| -> usize {
        // The last point that begins at or before t.
        let guess = i128::from(t - begin) * count / i128::from(end - begin);
        (if guess + 1 < count && edge(guess + 1) <= t { guess + 1 } else { guess }) as usize
    };
    if of_hours {
        for (hour, value) in hours(reader, instrument, quantity, begin, end)? {
            if let Some(tally) = tallies.get_mut(place(hour)) {
                tally.join(&value);
            }
        }
    } else {
        for stored in reader.readings_of(&[quantity], from, to)? {
            let reading = stored?.reading;
            if let Some(tally) = tallies.get_mut(place(reading.time_mid.0)).filter(|_| reading.instrument == instrument)
            {
                tally.take(&reading, 0);
            }
        }
    }
    let point = |(k, tally): (usize, Tally)| Point {
        from: at(edge(k as i128)),
        to: at(edge(k as i128 + 1)),
        value: tally.finish(),
    };
    Ok(Curve { of_hours, points: tallies.into_iter().enumerate().map(point).collect() })
}

/// A quantity hour by hour: as stored, and from the readings where an hour is not.
fn hours(
    reader: &Reader,
    instrument: &str,
    quantity: &str,
    begin: i64,
    end: i64,
) -> Result<Vec<(i64, HourValue)>, StoreError> {
    let Some(row) = reader.instrument_named(instrument)? else { return Ok(Vec::new()) };
    let days: BTreeSet<i64> = reader.days_with_hours(row, begin, end)?.into_iter().collect();
    let mut found = reader.hour_values(row, quantity, begin, end)?;
    found.retain(|(hour, _)| days.contains(&day_number(*hour)));
    let mut missing = reader.hours_with_readings(begin, end)?;
    missing.retain(|hour| !days.contains(&day_number(*hour)));
    for run in missing.chunk_by(|a, b| a + 1 == *b) {
        let (Some(first), Some(last)) = (run.first(), run.last()) else { continue };
        let mut tallies: BTreeMap<i64, Tally> = BTreeMap::new();
        for stored in reader.readings_of(&[quantity], UtcMicros(first * HOUR), UtcMicros((last + 1) * HOUR))? {
            let reading = stored?.reading;
            if reading.instrument == instrument {
                tallies.entry(reading.time_mid.0.div_euclid(HOUR)).or_default().take(&reading, 0);
            }
        }
        found.extend(tallies.into_iter().filter_map(|(hour, tally)| Some((hour, tally.finish()?))));
    }
    // In the order of time, so that sums have the same bits whichever were stored.
    found.sort_by_key(|(hour, _)| *hour);
    Ok(found)
}

#[cfg(test)]
mod tests;
