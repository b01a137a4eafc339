//! Adds the columns of quantities, and creates the view `readings`.
//!
//! A quantity has four columns in `value` and three in `window_value`, added when a program with this quantity first opens the
//! database. Invariants: the unit of a quantity never changes; its name needs no quoting.

use super::error::StoreError;
use super::schema::ACTIVE_VALUE;
use crate::record::Flag;
use rusqlite::{Connection, OptionalExtension, Transaction, params};

/// Whether an identifier is a valid name of a column without quoting.
fn is_identifier(id: &str) -> bool {
    id.starts_with(|c: char| c.is_ascii_lowercase())
        && id.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_')
}

/// Adds missing columns of quantities and missing names of flags, and recreates the view.
pub(super) fn add(connection: &mut Connection, quantities: &[(&str, &str)]) -> Result<(), StoreError> {
    let store_error = StoreError::sqlite("adding columns for quantities");
    let tx = connection.transaction().map_err(&store_error)?;
    // Written only where something is missing: a complete database can be opened while the disk is full.
    for flag in Flag::ALL {
        let sql = "INSERT INTO flag(bit, name) SELECT ?1, ?2 WHERE NOT EXISTS (SELECT 1 FROM flag WHERE bit = ?1)";
        tx.execute(sql, params![*flag as u8, flag.name()]).map_err(&store_error)?;
    }
    let known = known(&tx)?;
    for (id, unit) in quantities {
        if !is_identifier(id) {
            return Err(StoreError::Shape {
                expected: "quantity identifiers of lower-case letters, digits and underscores".into(),
                found: format!("`{id}`"),
            });
        }
        match known.iter().find(|(k, _)| k == id) {
            Some((_, stored)) if stored == unit => {}
            Some((_, stored)) => {
                return Err(StoreError::Shape {
                    expected: format!("quantity `{id}` in `{stored}`, its unit in the database"),
                    found: format!("`{unit}`"),
                });
            }
            None => add_one(&tx, id, unit).map_err(&store_error)?,
        }
    }
    create_view(&tx).map_err(&store_error)?;
    tx.commit().map_err(&store_error)
}

fn add_one(tx: &Transaction<'_>, id: &str, unit: &str) -> rusqlite::Result<()> {
    tx.execute("INSERT INTO quantity(id, unit) VALUES (?1, ?2)", [id, unit])?;
    let columns = [
        ("value", "", "REAL"),
        ("value", "_uncertainty", "REAL"),
        ("value", "_verdict", "INTEGER"), // 0 good, 1 suspect, 2 bad
        ("value", "_flags", "INTEGER"),   // bits, see table flag
        ("window_value", "_minimum", "REAL"),
        ("window_value", "_maximum", "REAL"),
        ("window_value", "_deviation", "REAL"),
    ];
    for (table, suffix, kind) in columns {
        tx.execute_batch(&format!("ALTER TABLE {table} ADD COLUMN \"{id}{suffix}\" {kind}"))?;
    }
    Ok(())
}

/// The quantities with columns, as (identifier, unit), in the order of their addition.
pub(super) fn known(connection: &Connection) -> Result<Vec<(String, String)>, StoreError> {
    let read = || -> rusqlite::Result<Vec<(String, String)>> {
        let mut statement = connection.prepare("SELECT id, unit FROM quantity ORDER BY position")?;
        statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect()
    };
    read().map_err(StoreError::sqlite("reading the list of quantities"))
}

/// Creates the view for users and scripts: one row per reading with its active values and their verdicts as text, as stored;
/// `interval_flags` lists the flags of the flagged intervals that cover the reading.
fn create_view(tx: &Transaction<'_>) -> rusqlite::Result<()> {
    let mut statement = tx.prepare("SELECT id FROM quantity ORDER BY position")?;
    let ids: Vec<String> = statement.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?;
    let mut columns = String::new();
    for id in ids {
        columns += &format!(
            ", v.\"{id}\", v.\"{id}_uncertainty\", CASE v.\"{id}_verdict\" WHEN 0 THEN 'good' WHEN 1 THEN 'suspect' \
             WHEN 2 THEN 'bad' END AS \"{id}_verdict\", v.\"{id}_flags\", w.\"{id}_minimum\", w.\"{id}_maximum\", w.\"{id}_deviation\""
        );
    }
    let view = format!(
        "CREATE VIEW readings AS SELECT r.id AS id, r.time_start, r.time_mid, r.time_end, i.name AS instrument,
             k.name AS calibration, r.configuration, v.computation, r.sun_elevation, r.sun_azimuth,
             r.relative_air_mass, r.detector_temperature, r.exposures,
             json_extract(r.exposures, '$[0][0]') AS integration_time_short,
             json_extract(r.exposures, '$[#-1][0]') AS integration_time_long,
             (SELECT sum(json_extract(value, '$[1]')) FROM json_each(r.exposures)) AS exposure_count,
             (SELECT sum(json_extract(value, '$[0]') * json_extract(value, '$[1]')) FROM json_each(r.exposures)) AS light_time,
             r.peak_level, v.signal_to_noise, v.stray_floor,
             v.dark_age, v.uv_index_stray_share, v.lamps_ppfd, v.lamps_uncertainty, coalesce(v.flags, r.flags) AS flags,
             (SELECT group_concat(DISTINCT e.cause) FROM event e WHERE e.kind = 'flagged_interval'
                 AND e.time <= r.time_mid AND (e.until IS NULL OR e.until > r.time_mid)
                 AND (e.instrument IS NULL OR e.instrument = i.name)) AS interval_flags,
             v.reasons{columns}
         FROM reading r JOIN instrument i ON i.id = r.instrument
             LEFT JOIN value v ON v.id = {ACTIVE_VALUE}
             LEFT JOIN calibration k ON k.id = v.calibration
             LEFT JOIN window_value w ON w.reading = r.id"
    );
    let known =
        tx.query_row("SELECT sql FROM sqlite_schema WHERE name = 'readings'", [], |row| row.get(0)).optional()?;
    if known.as_ref() == Some(&view) {
        return Ok(());
    }
    tx.execute_batch(&format!("DROP VIEW IF EXISTS readings; {view}"))
}
