//! The database schema, identified by a number.
//!
//! Depends on the errors of the store only. Invariants:
//! - A database with another schema number is refused, older or newer: there are no migrations before the first release.
//! - The schema number does not cover the columns of quantities, which are added when missing (`quantity_columns`).
//! - Tables and schema number are written in one transaction.

use super::error::StoreError;
use crate::clock::UtcMicros;
use rusqlite::Connection;
use std::path::Path;

/// `PRAGMA application_id`: "vglx".
pub(super) const APPLICATION_ID: i64 = 0x7667_6c78;
/// `PRAGMA user_version`: the schema number, to be raised with every change of [`TABLES`].
pub(super) const VERSION: i64 = 14;

/// Number of low bits of an id in `value` that hold the reading; the high bits hold the computation.
pub(super) const READING_BITS: u32 = 40;
/// Maximum number of frames of a reading; an id in `frame` is reading × this + bracket.
pub(super) const FRAMES_PER_READING: i64 = 16;
/// Microseconds per hour.
pub(super) const MICROS_PER_HOUR: i64 = 3_600_000_000;

/// Hours per day of UTC without leap seconds.
pub(super) const HOURS_PER_DAY: i64 = 24;

/// The hour of an instant, in hours since 1970.
pub(super) fn hour_of(t: UtcMicros) -> i64 {
    t.0.div_euclid(MICROS_PER_HOUR)
}

/// The day (since 1970, UTC) of an hour (since 1970).
pub(super) fn day_of_hour(hour: i64) -> i64 {
    hour.div_euclid(HOURS_PER_DAY)
}

/// The day of an instant, in days since 1970, UTC.
pub(super) fn day_of(t: UtcMicros) -> i64 {
    day_of_hour(hour_of(t))
}

/// SQL expression for the id in `value` of the active values of the reading `r.id`.
pub(super) const ACTIVE_VALUE: &str = "(SELECT f.computation << 40 | r.id FROM active_values f \
     WHERE f.instrument = r.instrument AND f.first_reading <= r.id ORDER BY f.first_reading DESC LIMIT 1)";

/// Creates the tables in a new database.
pub(super) fn create(connection: &mut Connection) -> Result<(), StoreError> {
    let store_error = StoreError::sqlite("creating the tables");
    let tx = connection.transaction().map_err(&store_error)?;
    tx.execute_batch(TABLES).map_err(&store_error)?;
    tx.pragma_update(None, "user_version", VERSION).map_err(&store_error)?;
    tx.commit().map_err(&store_error)
}

/// Refuses a database whose schema has another number.
pub(super) fn check(connection: &Connection, path: &Path) -> Result<(), StoreError> {
    let found = version(connection)?;
    if found == VERSION {
        return Ok(());
    }
    Err(StoreError::OtherSchema { path: path.to_owned(), found, expected: VERSION })
}

/// The schema number of a database; 0 without tables.
pub(super) fn version(connection: &Connection) -> Result<i64, StoreError> {
    connection
        .query_row("PRAGMA user_version", [], |row| row.get(0))
        .map_err(StoreError::sqlite("reading the schema number"))
}

/// Each commit writes the first page of the file, and with `psow=0` a page is written together with the other page of its 4 KB.
/// `saved_state`, which each reading changes, comes first so that it is this other page.
const TABLES: &str = "
CREATE TABLE saved_state (
    instrument INTEGER NOT NULL REFERENCES instrument(id),
    name TEXT NOT NULL,
    json TEXT NOT NULL,
    time INTEGER NOT NULL,           -- microseconds since 1970, UTC, like all times
    crc32 INTEGER NOT NULL,          -- of json
    PRIMARY KEY (instrument, name)
) STRICT, WITHOUT ROWID;
CREATE TABLE flag (bit INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;
CREATE TABLE quantity (position INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, unit TEXT NOT NULL) STRICT;

-- Instruments, calibrations, configurations, computations: what the values of readings depend on.
CREATE TABLE instrument (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    serial TEXT NOT NULL,
    identity TEXT NOT NULL,          -- answer to *IDN?
    pixels INTEGER NOT NULL,
    full_scale INTEGER NOT NULL,     -- counts
    shielded TEXT NOT NULL,          -- JSON: [[first, last], ...], inclusive
    integration_min REAL NOT NULL,   -- s
    integration_max REAL NOT NULL,   -- s
    has_shutter INTEGER NOT NULL,
    transfer REAL NOT NULL,          -- s
    first_seen INTEGER NOT NULL,
    row_crc32 INTEGER NOT NULL DEFAULT 0 -- as in every table with this column: of the other columns, see store::row_checksum
) STRICT;
CREATE TABLE stray_matrix (
    id INTEGER PRIMARY KEY,
    sha256 TEXT NOT NULL UNIQUE,     -- of the matrix as little-endian f64, row by row
    side INTEGER NOT NULL,           -- pixels
    complete INTEGER NOT NULL,       -- 1 if all rows are stored
    row_crc32 INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE TABLE stray_matrix_row (
    id INTEGER PRIMARY KEY,          -- matrix << 16 | row
    numbers BLOB NOT NULL            -- pco file of f64
) STRICT;
CREATE TABLE calibration (
    id INTEGER PRIMARY KEY,
    instrument INTEGER NOT NULL REFERENCES instrument(id),
    name TEXT NOT NULL,
    text TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    program_version TEXT NOT NULL,
    active_since INTEGER NOT NULL,
    stray_matrix INTEGER REFERENCES stray_matrix(id),
    row_crc32 INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE TABLE configuration (
    id INTEGER PRIMARY KEY,
    text TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    program_version TEXT NOT NULL,
    active_since INTEGER NOT NULL,
    row_crc32 INTEGER NOT NULL DEFAULT 0
) STRICT;
-- Each start of the daemon, with the configuration that is active from then on.
CREATE TABLE daemon_start (
    id INTEGER PRIMARY KEY,
    time INTEGER NOT NULL,
    configuration INTEGER NOT NULL REFERENCES configuration(id),
    row_crc32 INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE TABLE computation (
    id INTEGER PRIMARY KEY,
    text TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    program_version TEXT NOT NULL,
    created INTEGER NOT NULL,
    active INTEGER UNIQUE,           -- order of activation; NULL for an unfinished computation
    row_crc32 INTEGER NOT NULL DEFAULT 0
) STRICT;

-- Readings: written once, never changed.
CREATE TABLE reading (
    id INTEGER PRIMARY KEY,          -- never reused, because rows are never deleted
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
    peak_level REAL,                 -- 1
    flags INTEGER NOT NULL,          -- raised during the acquisition; bits, see table flag
    acquisition_context INTEGER NOT NULL, -- bits, see record::AcquisitionContext
    unsteady_share REAL,             -- 1
    wavelength_applied REAL,         -- nm: shift of the wavelength scale beyond that of temperature
    wavelength_age REAL,             -- s since the wavelength scale was last within its limit
    response_age REAL,               -- s since the response was last within its limit
    lamp_shapes INTEGER REFERENCES lamp_shapes(id), -- the spectra of lamps used; NULL before any was known
    row_crc32 INTEGER NOT NULL DEFAULT 0
) STRICT;
-- First reading of each run of readings with time_mid in the same hour: finds readings by time without an index on all of them,
-- also after the clock was set back.
CREATE TABLE hour (
    first_reading INTEGER PRIMARY KEY,
    hour INTEGER NOT NULL            -- hours since 1970
) STRICT;
CREATE INDEX hour_by_hour ON hour(hour);

-- Values of a reading in a computation; four columns per quantity are added.
CREATE TABLE value (
    id INTEGER PRIMARY KEY,          -- computation << 40 | reading
    reading INTEGER NOT NULL GENERATED ALWAYS AS (id & 0xffffffffff) VIRTUAL,
    computation INTEGER NOT NULL GENERATED ALWAYS AS (id >> 40) VIRTUAL,
    calibration INTEGER REFERENCES calibration(id),
    flags INTEGER NOT NULL,
    signal_to_noise REAL,            -- 1
    stray_floor REAL,                -- counts/s
    dark_age REAL,                   -- s
    uv_index_stray_share REAL,       -- 1: share of the signal of the UV index that was subtracted as stray light
    lamps_ppfd REAL,                 -- umol m-2 s-1: the lamps' part of ppfd in a glasshouse; NULL if unknown
    lamps_uncertainty REAL,          -- umol m-2 s-1
    reasons TEXT,                    -- JSON: {quantity: reason for its null}
    row_crc32 INTEGER NOT NULL DEFAULT 0
) STRICT;
-- Statistics over the exposures of a window, which cannot be recomputed; three columns per quantity are added.
CREATE TABLE window_value (
    reading INTEGER PRIMARY KEY REFERENCES reading(id),
    row_crc32 INTEGER NOT NULL DEFAULT 0
) STRICT;
-- The computation is active for the readings of the instrument from first_reading up to the next row.
CREATE TABLE active_values (
    instrument INTEGER NOT NULL REFERENCES instrument(id),
    first_reading INTEGER NOT NULL,
    computation INTEGER NOT NULL REFERENCES computation(id),
    PRIMARY KEY (instrument, first_reading)
) STRICT, WITHOUT ROWID;

-- Frames and darks. `detail` is JSON, see store::frame_row; `sums` is a pco file of u32: the counts of every pixel, summed
-- over the exposures; `crc32` is the CRC-32 of the bytes of detail followed by sums.
CREATE TABLE dark (
    id INTEGER PRIMARY KEY,
    instrument INTEGER NOT NULL REFERENCES instrument(id),
    time INTEGER NOT NULL,           -- first exposure
    source TEXT NOT NULL,            -- shutter, night, covered
    detail TEXT NOT NULL,
    sums BLOB NOT NULL,
    crc32 INTEGER NOT NULL,
    row_crc32 INTEGER NOT NULL DEFAULT 0,
    integration_time REAL GENERATED ALWAYS AS (json_extract(detail, '$.integration_s')) VIRTUAL, -- s
    detector_temperature REAL GENERATED ALWAYS AS (json_extract(detail, '$.temperature_c')) VIRTUAL, -- degrees Celsius
    exposures INTEGER GENERATED ALWAYS AS (json_array_length(detail, '$.stamps')) VIRTUAL
) STRICT;
CREATE INDEX dark_by_time ON dark(instrument, time);
CREATE TABLE dark_model (
    id INTEGER PRIMARY KEY,
    instrument INTEGER NOT NULL REFERENCES instrument(id),
    fitted_at INTEGER NOT NULL,
    blob BLOB NOT NULL,              -- a line of JSON, then offsets [counts] and rates [counts/s] as little-endian f32
    crc32 INTEGER NOT NULL,          -- of blob
    row_crc32 INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE TABLE frame (
    id INTEGER PRIMARY KEY,          -- reading * 16 + bracket
    reading INTEGER NOT NULL GENERATED ALWAYS AS (id / 16) VIRTUAL,
    dark INTEGER REFERENCES dark(id),             -- the matched dark used
    dark_model INTEGER REFERENCES dark_model(id), -- the model used, alone or for the offsets of the matched dark
    dark_provenance INTEGER NOT NULL,             -- bits, see record::DarkProvenance
    detail TEXT NOT NULL,
    sums BLOB NOT NULL,
    crc32 INTEGER NOT NULL,
    row_crc32 INTEGER NOT NULL DEFAULT 0,
    integration_time REAL GENERATED ALWAYS AS (json_extract(detail, '$.integration_s')) VIRTUAL, -- s
    detector_temperature REAL GENERATED ALWAYS AS (json_extract(detail, '$.temperature_c')) VIRTUAL, -- degrees Celsius
    exposures INTEGER GENERATED ALWAYS AS (json_array_length(detail, '$.stamps')) VIRTUAL
) STRICT;

-- Gaps, notes, restarts, flagged intervals.
CREATE TABLE event (
    id INTEGER PRIMARY KEY,
    time INTEGER NOT NULL,
    until INTEGER,
    instrument TEXT,                 -- name; NULL for the whole station
    kind TEXT NOT NULL,
    cause TEXT,                      -- a gap's cause, a flagged interval's flag, a note's class
    text TEXT NOT NULL,
    unaffected TEXT,                 -- kind 'flagged_interval': JSON list of the unaffected quantities
    pixel INTEGER,                   -- kind 'flagged_interval': the affected pixel; NULL unless it affects one pixel
    row_crc32 INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE INDEX event_by_time ON event(time);
CREATE INDEX flagged_interval_by_time ON event(time) WHERE kind = 'flagged_interval';

-- Roll-ups. A stored row is valid for the present readings, flagged intervals and active values: a change of these deletes it.
-- The days of an instrument whose rows in hour_value are valid; rows of other days are obsolete.
CREATE TABLE rolled_up_hours (
    instrument INTEGER NOT NULL REFERENCES instrument(id), -- the lowest row of its name
    day INTEGER NOT NULL,            -- days since 1970, UTC
    PRIMARY KEY (instrument, day)
) STRICT, WITHOUT ROWID;
-- A quantity in an hour, ordered so that a year of a quantity is contiguous. Readings of a check source are excluded.
CREATE TABLE hour_value (
    instrument INTEGER NOT NULL,
    quantity INTEGER NOT NULL REFERENCES quantity(position),
    hour INTEGER NOT NULL,           -- hours since 1970
    minimum REAL,                    -- of the values that are not bad, in the unit of the quantity; NULL if all are bad
    mean REAL,
    maximum REAL,
    good INTEGER NOT NULL,           -- number of values by verdict
    suspect INTEGER NOT NULL,
    bad INTEGER NOT NULL,
    row_crc32 INTEGER NOT NULL,
    PRIMARY KEY (instrument, quantity, hour)
) STRICT, WITHOUT ROWID;
-- Settings that the values of days were computed with.
CREATE TABLE day_rules (id INTEGER PRIMARY KEY, text TEXT NOT NULL UNIQUE) STRICT;
CREATE TABLE day (
    id INTEGER PRIMARY KEY,
    instrument INTEGER NOT NULL REFERENCES instrument(id), -- the lowest row of its name
    starts INTEGER NOT NULL,
    reads_from INTEGER NOT NULL,     -- range of the readings used
    reads_to INTEGER NOT NULL,
    rules INTEGER NOT NULL REFERENCES day_rules(id),
    figures TEXT NOT NULL,           -- JSON, see summary::Day
    row_crc32 INTEGER NOT NULL DEFAULT 0,
    UNIQUE (instrument, starts)
) STRICT;
-- The spectra of lamps that are known from a time on.
CREATE TABLE lamp_shapes (
    id INTEGER PRIMARY KEY,
    instrument INTEGER NOT NULL REFERENCES instrument(id),
    learned_at INTEGER NOT NULL,
    blob BLOB NOT NULL,              -- a line of JSON, then rates [counts/s] as little-endian f32, shape by shape
    crc32 INTEGER NOT NULL,          -- of blob
    row_crc32 INTEGER NOT NULL DEFAULT 0
) STRICT;
";
