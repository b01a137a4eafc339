//! The tables, and how an older database is brought forward.
//!
//! Migrations are only ever added at the end of [`MIGRATIONS`]; one that was released is never edited. A column of the
//! registry's quantities is no migration: it is added by [`add_quantities`] whenever it is missing.

use super::error::StoreError;
use crate::record::Flag;
use rusqlite::{Connection, Transaction, params};
use std::path::Path;

/// `PRAGMA application_id`: "vglx".
pub(super) const APPLICATION_ID: i64 = 0x7667_6c78;

/// Bits of a `value` row's id that hold the reading; the rest hold the computation.
pub(super) const READING_BITS: u32 = 40;
/// Frames a reading may have; a `frame` row's id is reading × this + bracket.
pub(super) const FRAMES_PER_READING: i64 = 16;

/// One script for each schema version, the first one making version 1.
pub(super) const MIGRATIONS: &[&str] = &[VERSION_1, VERSION_2, VERSION_3, VERSION_4, VERSION_5, VERSION_6];

/// Where a disk may spoil the neighbours of what it writes, a page is written together with the other one of its 4 KB, and every
/// reading writes the first page of the file. So what every reading changes comes first, and not the names of flags.
const VERSION_1: &str = "
CREATE TABLE saved_state (
    instrument INTEGER NOT NULL REFERENCES instrument(id),
    name TEXT NOT NULL,
    json TEXT NOT NULL,
    time INTEGER NOT NULL,
    PRIMARY KEY (instrument, name)
) STRICT, WITHOUT ROWID;
CREATE TABLE flag (bit INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;
CREATE TABLE quantity (position INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, unit TEXT NOT NULL) STRICT;

CREATE TABLE instrument (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    serial TEXT NOT NULL,
    identity TEXT NOT NULL,          -- the whole answer to *IDN?
    pixels INTEGER NOT NULL,
    full_scale INTEGER NOT NULL,     -- counts
    shielded TEXT NOT NULL,            -- JSON: [[first, last], ...], inclusive
    integration_min REAL NOT NULL,   -- s
    integration_max REAL NOT NULL,   -- s
    has_shutter INTEGER NOT NULL,
    transfer REAL NOT NULL,          -- s
    first_seen INTEGER NOT NULL      -- microseconds UTC, like every time here
) STRICT;
CREATE TABLE calibration (
    id INTEGER PRIMARY KEY,
    instrument INTEGER NOT NULL REFERENCES instrument(id),
    name TEXT NOT NULL,
    text TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    program_version TEXT NOT NULL,
    active_since INTEGER NOT NULL
) STRICT;
CREATE TABLE configuration (
    id INTEGER PRIMARY KEY,
    text TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    program_version TEXT NOT NULL,
    active_since INTEGER NOT NULL
) STRICT;
CREATE TABLE computation (
    id INTEGER PRIMARY KEY,
    text TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    program_version TEXT NOT NULL,
    created INTEGER NOT NULL,
    active INTEGER UNIQUE          -- the highest one a reading has values of counts; NULL while it is being filled
) STRICT;

-- Facts: written once, never changed.
CREATE TABLE reading (
    id INTEGER PRIMARY KEY,          -- never reused, since the newest row is never deleted
    time_start INTEGER NOT NULL,
    time_mid INTEGER NOT NULL,
    time_end INTEGER NOT NULL,
    instrument INTEGER NOT NULL REFERENCES instrument(id),
    configuration INTEGER NOT NULL REFERENCES configuration(id),
    sun_elevation REAL,              -- degrees
    sun_azimuth REAL,                -- degrees from north through east
    relative_air_mass REAL,          -- 1
    detector_temperature REAL,       -- degrees Celsius
    exposures TEXT NOT NULL,         -- JSON: [[integration time in s, number of exposures], ...]
    peak_level REAL,                       -- 1
    flags INTEGER NOT NULL           -- as raised when it was taken
) STRICT;
-- Where a run of readings begins whose time_mid lies in one hour: finds times without an index on every reading,
-- also when the clock was set back.
CREATE TABLE hour (
    first_reading INTEGER PRIMARY KEY,
    hour INTEGER NOT NULL            -- hours since 1970
) STRICT;

-- What a computation made of a reading.
CREATE TABLE value (
    id INTEGER PRIMARY KEY,          -- computation << 40 | reading
    reading INTEGER NOT NULL GENERATED ALWAYS AS (id & 0xffffffffff) VIRTUAL,
    computation INTEGER NOT NULL GENERATED ALWAYS AS (id >> 40) VIRTUAL,
    calibration INTEGER REFERENCES calibration(id),
    flags INTEGER NOT NULL,
    signal_to_noise REAL,            -- 1
    stray_floor REAL,                -- counts/s
    dark_age REAL,                   -- s
    reasons TEXT                     -- JSON: {quantity: why it is null}
) STRICT;
-- What the exposures of a window did; cannot be computed again.
CREATE TABLE window_value (reading INTEGER PRIMARY KEY REFERENCES reading(id)) STRICT;

CREATE TABLE dark (
    id INTEGER PRIMARY KEY,
    instrument INTEGER NOT NULL REFERENCES instrument(id),
    time INTEGER NOT NULL,           -- first exposure
    source TEXT NOT NULL,            -- shutter, night, covered
    integration REAL NOT NULL,       -- s
    temperature REAL,                -- degrees Celsius
    exposures INTEGER NOT NULL,
    detail BLOB NOT NULL,
    sums BLOB NOT NULL,
    crc32 INTEGER NOT NULL
) STRICT;
CREATE INDEX dark_by_time ON dark(instrument, time);
CREATE TABLE dark_model (
    id INTEGER PRIMARY KEY,
    instrument INTEGER NOT NULL REFERENCES instrument(id),
    fitted_at INTEGER NOT NULL,
    blob BLOB NOT NULL,
    crc32 INTEGER NOT NULL
) STRICT;
-- What reduction receives: sums as pco wrote them (u32), crc32 of the sums as little-endian bytes.
CREATE TABLE frame (
    id INTEGER PRIMARY KEY,          -- reading * 16 + bracket
    reading INTEGER NOT NULL GENERATED ALWAYS AS (id / 16) VIRTUAL,
    dark INTEGER REFERENCES dark(id),             -- the matched dark that served
    dark_model INTEGER REFERENCES dark_model(id), -- the model that served, or that knew the matched dark's offsets
    integration REAL NOT NULL,       -- s
    temperature REAL,                -- degrees Celsius
    exposures INTEGER NOT NULL,
    detail BLOB NOT NULL,
    sums BLOB NOT NULL,
    crc32 INTEGER NOT NULL
) STRICT;

CREATE TABLE event (
    id INTEGER PRIMARY KEY,
    time INTEGER NOT NULL,
    until INTEGER,
    instrument TEXT,
    kind TEXT NOT NULL,
    cause TEXT,
    text TEXT NOT NULL
) STRICT;
CREATE INDEX event_by_time ON event(time);
";

/// What makes a reading's values again, exactly; recomputations beside the daemon; roll-ups and days.
const VERSION_2: &str = "
-- AcquisitionContext: what the station knew beside the frames. NULL where version 1 stored the reading.
ALTER TABLE reading ADD COLUMN acquisition_context INTEGER; -- bits, see record::AcquisitionContext
ALTER TABLE reading ADD COLUMN unsteady_share REAL;   -- 1
ALTER TABLE frame ADD COLUMN dark_provenance INTEGER;        -- bits, see record::DarkProvenance

-- A stray-light matrix, kept whole: row by row, so that no transaction is long.
CREATE TABLE stray_matrix (
    id INTEGER PRIMARY KEY,
    sha256 TEXT NOT NULL UNIQUE,     -- of the numbers as little-endian bytes
    side INTEGER NOT NULL,           -- pixels
    complete INTEGER NOT NULL        -- 1 once every row is there
) STRICT;
CREATE TABLE stray_matrix_row (
    id INTEGER PRIMARY KEY,          -- matrix << 16 | row
    numbers BLOB NOT NULL            -- as pco wrote them (f64)
) STRICT;
ALTER TABLE calibration ADD COLUMN stray_matrix INTEGER REFERENCES stray_matrix(id);

-- Runs: from this reading of an instrument on, up to the next run, the values in force are those of this computation.
CREATE TABLE active_values (
    instrument INTEGER NOT NULL REFERENCES instrument(id),
    first_reading INTEGER NOT NULL,
    computation INTEGER NOT NULL REFERENCES computation(id),
    PRIMARY KEY (instrument, first_reading)
) STRICT, WITHOUT ROWID;
INSERT INTO active_values(instrument, first_reading, computation)
    SELECT instrument, id, computation FROM (
        SELECT instrument, id, computation,
            lag(computation) OVER (PARTITION BY instrument ORDER BY id) AS before
        FROM (SELECT r.instrument, r.id, (SELECT c.id FROM computation c WHERE c.active IS NOT NULL
                  AND EXISTS (SELECT 1 FROM value x WHERE x.id = (c.id << 40 | r.id))
                  ORDER BY c.active DESC LIMIT 1) AS computation
              FROM reading r)
        WHERE computation IS NOT NULL)
    WHERE before IS NOT computation;
";

/// Spans, and what saved_states know of a reading.
const VERSION_3: &str = "
ALTER TABLE event ADD COLUMN unaffected TEXT;            -- kind 'span': JSON list of quantities that are not touched
CREATE INDEX span_by_time ON event(time) WHERE kind = 'span';
ALTER TABLE reading ADD COLUMN wavelength_applied REAL; -- nm: shift of the scale beyond what temperature tells
ALTER TABLE reading ADD COLUMN wavelength_age REAL;  -- s since the scale was last found right
ALTER TABLE reading ADD COLUMN response_age REAL;    -- s since the response was last found right
";

/// Roll-ups: what readings were made into so that long spans are fast to ask. A row that is there holds for the readings,
/// spans and values in force as they are; whatever changes those deletes it (see `rollups`).
const VERSION_4: &str = "
CREATE INDEX hour_by_hour ON hour(hour);     -- finds the readings of an hour however long the record is

CREATE TABLE rollup_epoch (one INTEGER PRIMARY KEY CHECK (one = 1), epoch INTEGER NOT NULL) STRICT;
INSERT INTO rollup_epoch VALUES (1, 0);      -- counts the changes that may touch a roll-up somebody is working out

-- An hour of an instrument whose rows in hour_value hold; without a row here those are left over and mean nothing.
CREATE TABLE hour_rollup (
    instrument INTEGER NOT NULL REFERENCES instrument(id), -- the lowest row of its name
    hour INTEGER NOT NULL,           -- hours since 1970
    PRIMARY KEY (instrument, hour)
) STRICT, WITHOUT ROWID;
-- One quantity in one hour; a year of one quantity lies together. Readings of a check source are not in it.
CREATE TABLE hour_value (
    instrument INTEGER NOT NULL,
    quantity INTEGER NOT NULL REFERENCES quantity(position),
    hour INTEGER NOT NULL,
    minimum REAL,                    -- of the values that are not bad, in the quantity's unit; NULL where all are
    mean REAL,
    maximum REAL,
    good INTEGER NOT NULL,           -- values by verdict
    suspect INTEGER NOT NULL,
    bad INTEGER NOT NULL,
    PRIMARY KEY (instrument, quantity, hour)
) STRICT, WITHOUT ROWID;

-- The settings figures of days were made with.
CREATE TABLE day_rules (id INTEGER PRIMARY KEY, text TEXT NOT NULL UNIQUE) STRICT;
CREATE TABLE day (
    id INTEGER PRIMARY KEY,
    instrument INTEGER NOT NULL REFERENCES instrument(id), -- the lowest row of its name
    starts INTEGER NOT NULL,
    reads_from INTEGER NOT NULL,     -- readings of this stretch were looked at
    reads_to INTEGER NOT NULL,
    rules INTEGER NOT NULL REFERENCES day_rules(id),
    figures TEXT NOT NULL,           -- JSON, see summary::Day
    UNIQUE (instrument, starts)
) STRICT;
";

/// Patterns by which frames are told, each kept twice (see `patterns`).
const VERSION_5: &str = "
CREATE TABLE pattern (
    id INTEGER PRIMARY KEY,          -- named by frames and darks of form 2, see codec; never deleted
    instrument INTEGER NOT NULL REFERENCES instrument(id),
    role TEXT NOT NULL,              -- dark, light, clipped
    integration REAL NOT NULL,       -- s
    pixels INTEGER NOT NULL,
    numbers BLOB NOT NULL,           -- 1/16 count of one exposure, as pco wrote them (i32)
    crc32 INTEGER NOT NULL           -- of these bytes
) STRICT;
CREATE TABLE pattern_copy (
    id INTEGER PRIMARY KEY,          -- that of the pattern
    pixels INTEGER NOT NULL,
    numbers BLOB NOT NULL,
    crc32 INTEGER NOT NULL
) STRICT;
";

/// Flagged intervals that are about a single pixel.
const VERSION_6: &str = "ALTER TABLE event ADD COLUMN pixel INTEGER; -- NULL where it is about no single pixel";

/// Which id of `value` holds the values in force of the reading `r.id`, as SQL: one step into the runs.
pub(super) const VALUE_IN_FORCE: &str = "(SELECT f.computation << 40 | r.id FROM active_values f \
     WHERE f.instrument = r.instrument AND f.first_reading <= r.id ORDER BY f.first_reading DESC LIMIT 1)";

/// Brings a database to the newest schema, one transaction a version.
pub(super) fn migrate(connection: &mut Connection, migrations: &[&str], path: &Path) -> Result<(), StoreError> {
    let oops = StoreError::sqlite("bringing the schema forward");
    let known = migrations.len() as i64;
    let found = version(connection)?;
    if found > known {
        return Err(StoreError::NewerSchema { path: path.to_owned(), found, known });
    }
    for (step, script) in migrations.iter().enumerate().skip(found.max(0) as usize) {
        let tx = connection.transaction().map_err(&oops)?;
        tx.execute_batch(script).map_err(&oops)?;
        tx.pragma_update(None, "user_version", step as i64 + 1).map_err(&oops)?;
        tx.commit().map_err(&oops)?;
    }
    Ok(())
}

/// The schema version of a database.
pub(super) fn version(connection: &Connection) -> Result<i64, StoreError> {
    connection
        .query_row("PRAGMA user_version", [], |row| row.get(0))
        .map_err(StoreError::sqlite("reading the schema version"))
}

/// Whether an identifier may be a column: what the registry has, and nothing that would need quoting.
fn is_identifier(id: &str) -> bool {
    id.starts_with(|c: char| c.is_ascii_lowercase())
        && id.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_')
}

/// Adds columns for quantities the database does not know yet, names its flags, and makes the view anew.
pub(super) fn add_quantities(connection: &mut Connection, quantities: &[(&str, &str)]) -> Result<(), StoreError> {
    let oops = StoreError::sqlite("adding columns for quantities");
    let tx = connection.transaction().map_err(&oops)?;
    for flag in Flag::ALL {
        tx.execute("INSERT OR IGNORE INTO flag(bit, name) VALUES (?1, ?2)", params![*flag as u8, flag.name()])
            .map_err(&oops)?;
    }
    let known = quantities_of(&tx)?;
    let (mut values, mut windows) = (Vec::new(), Vec::new());
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
                    expected: format!("quantity `{id}` in `{stored}`, as the database has it"),
                    found: format!("`{unit}`"),
                });
            }
            None => {
                tx.execute("INSERT INTO quantity(id, unit) VALUES (?1, ?2)", [id, unit]).map_err(&oops)?;
                for (suffix, kind) in [("", "REAL"), ("_uncertainty", "REAL"), ("_verdict", "INTEGER")] {
                    values.push(format!("\"{id}{suffix}\" {kind}"));
                }
                windows.extend(["minimum", "maximum", "deviation"].map(|s| format!("\"{id}_{s}\" REAL")));
            }
        }
    }
    add_columns(&tx, "value", &values).map_err(&oops)?;
    add_columns(&tx, "window_value", &windows).map_err(&oops)?;
    make_view(&tx).map_err(&oops)?;
    tx.commit().map_err(&oops)
}

/// Adds columns to a table. One without rows is made anew with all of them: each `ALTER` has the whole schema read again, which
/// for a new database's several hundred columns is as much work as a hundred readings.
fn add_columns(tx: &Transaction<'_>, table: &str, columns: &[String]) -> rusqlite::Result<()> {
    if columns.is_empty() {
        return Ok(());
    }
    let rows: bool = tx.query_row(&format!("SELECT EXISTS (SELECT 1 FROM {table})"), [], |row| row.get(0))?;
    let attached = "SELECT EXISTS (SELECT 1 FROM sqlite_schema WHERE tbl_name = ?1 AND type <> 'table')";
    let attached: bool = tx.query_row(attached, [table], |row| row.get(0))?;
    let sql: String =
        tx.query_row("SELECT sql FROM sqlite_schema WHERE type = 'table' AND name = ?1", [table], |row| row.get(0))?;
    // The last bracket closes the list of columns; a comment before it ends with its line.
    let whole = sql.rfind(')').map(|end| format!("{}, {}{}", &sql[..end], columns.join(", "), &sql[end..]));
    match whole.filter(|_| !rows && !attached) {
        Some(whole) => tx.execute_batch(&format!("DROP TABLE {table}; {whole};")),
        None => columns.iter().try_for_each(|c| tx.execute_batch(&format!("ALTER TABLE {table} ADD COLUMN {c}"))),
    }
}

/// The quantities a database has columns for, as (identifier, unit), in the order they were added.
pub(super) fn quantities_of(connection: &Connection) -> Result<Vec<(String, String)>, StoreError> {
    let read = || -> rusqlite::Result<Vec<(String, String)>> {
        let mut statement = connection.prepare("SELECT id, unit FROM quantity ORDER BY position")?;
        statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect()
    };
    read().map_err(StoreError::sqlite("reading the list of quantities"))
}

/// The view for people and scripts: one row a reading, the values in force, verdicts in words as they were stored, and in
/// `doubts` the flags of every span that covers the reading.
fn make_view(tx: &Transaction<'_>) -> rusqlite::Result<()> {
    let mut statement = tx.prepare("SELECT id FROM quantity ORDER BY position")?;
    let ids: Vec<String> = statement.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?;
    let mut columns = String::new();
    for id in ids {
        columns += &format!(
            ", v.\"{id}\", v.\"{id}_uncertainty\", CASE v.\"{id}_verdict\" WHEN 0 THEN 'good' WHEN 1 THEN 'suspect' \
             WHEN 2 THEN 'bad' END AS \"{id}_verdict\", w.\"{id}_minimum\", w.\"{id}_maximum\", w.\"{id}_deviation\""
        );
    }
    tx.execute_batch(&format!(
        "DROP VIEW IF EXISTS readings;
         CREATE VIEW readings AS SELECT r.id AS id, r.time_start, r.time_mid, r.time_end, i.name AS instrument,
             k.name AS calibration, r.configuration, v.computation, r.sun_elevation, r.sun_azimuth,
             r.relative_air_mass, r.detector_temperature, r.exposures, r.peak_level, v.signal_to_noise, v.stray_floor,
             v.dark_age, coalesce(v.flags, r.flags) AS flags,
             (SELECT group_concat(DISTINCT e.cause) FROM event e WHERE e.kind = 'span' AND e.time <= r.time_mid
                 AND (e.until IS NULL OR e.until > r.time_mid) AND (e.instrument IS NULL OR e.instrument = i.name))
                 AS doubts,
             v.reasons{columns}
         FROM reading r JOIN instrument i ON i.id = r.instrument
             LEFT JOIN value v ON v.id = {VALUE_IN_FORCE}
             LEFT JOIN calibration k ON k.id = v.calibration
             LEFT JOIN window_value w ON w.reading = r.id;"
    ))
}
