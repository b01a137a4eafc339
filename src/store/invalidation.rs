//! Deletes the roll-ups of changed readings, within the transaction that changes them.
//!
//! Hours are deleted by whole days (UTC). Daily values are deleted if they were computed from any reading of the changed range.
//! An instrument is identified by the lowest row of its name, because a name can have several rows.

use super::schema::day_of;
use crate::clock::UtcMicros;
use rusqlite::Transaction;

/// The longest range of readings that the values of a day may be computed from: the day with its neighbours [µs].
pub(super) const MAX_DAY_INPUT: i64 = 3 * 86_400_000_000;

const DELETE_HOURS: &str = "DELETE FROM rolled_up_hours WHERE instrument = ?1 AND day BETWEEN ?2 AND ?3";
/// The condition on `starts` is redundant; it allows the use of the index.
const DELETE_DAYS: &str = "DELETE FROM day WHERE instrument = ?1 AND starts BETWEEN ?2 - ?4 AND ?3 + ?4 \
     AND reads_from < ?3 AND reads_to > ?2";

/// The lowest row with the name of an instrument.
pub(super) fn lowest_row(tx: &Transaction<'_>, instrument: i64) -> rusqlite::Result<i64> {
    let sql = "SELECT min(id) FROM instrument WHERE name = (SELECT name FROM instrument WHERE id = ?1)";
    tx.prepare_cached(sql)?.query_row([instrument], |row| row.get(0))
}

/// Deletes the roll-ups of readings with `from <= time_mid < to` of an instrument (any row of it).
pub(super) fn delete_rollups(
    tx: &Transaction<'_>,
    instrument: i64,
    from: UtcMicros,
    to: UtcMicros,
) -> rusqlite::Result<()> {
    let instrument = lowest_row(tx, instrument)?;
    let last = UtcMicros(to.0.saturating_sub(1));
    tx.prepare_cached(DELETE_HOURS)?.execute([instrument, day_of(from), day_of(last)])?;
    let within = |t: UtcMicros| t.0.clamp(i64::MIN + MAX_DAY_INPUT, i64::MAX - MAX_DAY_INPUT);
    tx.prepare_cached(DELETE_DAYS)?.execute([instrument, within(from), within(to), MAX_DAY_INPUT])?;
    Ok(())
}

/// Deletes the roll-ups of readings with `from <= time_mid < to` of the instrument with a name, or of all instruments.
pub(super) fn delete_rollups_of(
    tx: &Transaction<'_>,
    name: Option<&str>,
    from: UtcMicros,
    to: UtcMicros,
) -> rusqlite::Result<()> {
    let sql = "SELECT min(id) FROM instrument WHERE ?1 IS NULL OR name = ?1 GROUP BY name";
    let rows: Vec<i64> =
        tx.prepare_cached(sql)?.query_map([name], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?;
    // A name without a row has no readings.
    rows.into_iter().try_for_each(|row| delete_rollups(tx, row, from, to))
}
