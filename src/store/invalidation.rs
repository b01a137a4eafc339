//! Drops roll-ups of readings that changed, within the transaction that changes them.

use super::schema::hour_of;
use crate::clock::UtcMicros;
use rusqlite::Transaction;

/// The longest stretch of readings a day may look at: the day and what is before and after it [µs].
pub(super) const LONGEST_READ: i64 = 3 * 86_400_000_000;

/// The lowest row of the name of the instrument `?1`: a macro, since only literals can be put together beforehand.
macro_rules! lowest_row {
    () => {
        "(SELECT min(id) FROM instrument WHERE name = (SELECT name FROM instrument WHERE id = ?1))"
    };
}
/// Asked with every reading that is stored, so that its text is not made each time; and so is the next.
const DELETE_HOURS: &str =
    concat!("DELETE FROM hour_rollup WHERE instrument = ", lowest_row!(), " AND hour BETWEEN ?2 AND ?3");
/// By its beginning alone the search finds a day in the index.
const DELETE_DAYS: &str = concat!(
    "DELETE FROM day WHERE instrument = ",
    lowest_row!(),
    " AND starts >= ?2 AND starts < ?4 + ?5 AND reads_to > ?3 AND reads_from < ?4"
);

/// Drops what was summed up of the readings with `from <= time_mid < to`, of an instrument (any row of it) or of all.
///
/// Belongs into every transaction that changes what such readings say: spans, and values put in force.
pub(super) fn drop_rollups(
    tx: &Transaction<'_>,
    instrument: Option<i64>,
    from: UtcMicros,
    to: UtcMicros,
) -> rusqlite::Result<()> {
    tx.prepare_cached("UPDATE rollup_epoch SET epoch = epoch + 1")?.execute([])?;
    let rows = match instrument {
        Some(id) => vec![id],
        None => {
            let mut every = tx.prepare_cached("SELECT min(id) FROM instrument GROUP BY name")?;
            every.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?
        }
    };
    rows.into_iter().try_for_each(|id| delete(tx, id, from, to))
}

/// The same for the instrument of a name, or for all.
pub(super) fn drop_rollups_of(
    tx: &Transaction<'_>,
    name: Option<&str>,
    from: UtcMicros,
    to: UtcMicros,
) -> rusqlite::Result<()> {
    let Some(name) = name else { return drop_rollups(tx, None, from, to) };
    let row: Option<i64> =
        tx.prepare_cached("SELECT min(id) FROM instrument WHERE name = ?1")?.query_row([name], |row| row.get(0))?;
    // A name without a row has no reading yet.
    row.map_or(Ok(()), |id| drop_rollups(tx, Some(id), from, to))
}

/// Drops what a new reading of an instrument falls into. It is not counted: [`super::rollups::Epoch`] sees it by its row, and
/// no page is written for it.
pub(super) fn drop_around(tx: &Transaction<'_>, instrument: i64, t: UtcMicros) -> rusqlite::Result<()> {
    delete(tx, instrument, t, UtcMicros(t.0.saturating_add(1)))
}

fn delete(tx: &Transaction<'_>, instrument: i64, from: UtcMicros, to: UtcMicros) -> rusqlite::Result<()> {
    let last = hour_of(UtcMicros(to.0.saturating_sub(1)));
    tx.prepare_cached(DELETE_HOURS)?.execute([instrument, hour_of(from), last])?;
    let earliest = from.0.saturating_sub(LONGEST_READ);
    let to = to.0.min(i64::MAX - LONGEST_READ);
    tx.prepare_cached(DELETE_DAYS)?.execute([instrument, earliest, from.0, to, LONGEST_READ])?;
    Ok(())
}
