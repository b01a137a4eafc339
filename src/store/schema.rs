//! The tables: one schema, identified by a number that changes with it.
//!
//! Depends on nothing of the store but its errors. Invariants:
//! - A database with another number is refused, older or newer: there are no migrations before the first release.
//! - The columns of quantities are not counted: they are added whenever one is missing (`quantity_columns`).
//! - The tables are created in one transaction with their number.

use super::error::StoreError;
use crate::clock::UtcMicros;
use rusqlite::Connection;
use std::path::Path;

/// `PRAGMA application_id`: "vglx".
pub(super) const APPLICATION_ID: i64 = 0x7667_6c78;
/// `PRAGMA user_version`: the number of [`TABLES`], to be raised with every change of them.
pub(super) const VERSION: i64 = 9;

/// Bits of a `value` row's id that hold the reading; the rest hold the computation.
pub(super) const READING_BITS: u32 = 40;
/// Frames a reading may have; a `frame` row's id is reading × this + bracket.
pub(super) const FRAMES_PER_READING: i64 = 16;
/// An hour [µs].
pub(super) const MICROS_PER_HOUR: i64 = 3_600_000_000;

/// Hours of a day of UTC, which counts no leap seconds.
pub(super) const HOURS_PER_DAY: i64 = 24;

/// The hour of an instant since 1970.
pub(super) fn hour_of(t: UtcMicros) -> i64 {
    t.0.div_euclid(MICROS_PER_HOUR)
}

/// The day of an hour since 1970, UTC.
pub(super) fn day_of_hour(hour: i64) -> i64 {
    hour.div_euclid(HOURS_PER_DAY)
}

/// The day of an instant since 1970, UTC.
pub(super) fn day_of(t: UtcMicros) -> i64 {
    day_of_hour(hour_of(t))
}

/// The id of the row of `value` that holds the active values of the reading `r.id`, as SQL.
pub(super) const ACTIVE_VALUE: &str = "(SELECT f.computation << 40 | r.id FROM active_values f \
     WHERE f.instrument = r.instrument AND f.first_reading <= r.id ORDER BY f.first_reading DESC LIMIT 1)";

/// Creates the tables in a new database.
pub(super) fn create(connection: &mut Connection) -> Result<(), StoreError> {
    let oops = StoreError::sqlite("creating the tables");
    let tx = connection.transaction().map_err(&oops)?;
    tx.execute_batch(TABLES).map_err(&oops)?;
    tx.pragma_update(None, "user_version", VERSION).map_err(&oops)?;
    tx.commit().map_err(&oops)
}

/// Refuses a database whose schema has another number.
pub(super) fn check(connection: &Connection, path: &Path) -> Result<(), StoreError> {
    let found = version(connection)?;
    if found == VERSION {
        return Ok(());
    }
    Err(StoreError::OtherSchema { path: path.to_owned(), found, expected: VERSION })
}

/// The number of a database's schema; 0 where it has no tables yet.
pub(super) fn version(connection: &Connection) -> Result<i64, StoreError> {
    connection
        .query_row("PRAGMA user_version", [], |row| row.get(0))
        .map_err(StoreError::sqlite("reading the number of the schema"))
}

/// Each reading writes the first page of the file, and where a disk may damage the neighbours of what it writes (`psow=0`), a page is
/// written together with the other one of its 4 KB. So the table that each reading changes comes first.
const TABLES: &str = "
CREATE TABLE saved_state (
    instrument INTEGER NOT NULL REFERENCES instrument(id),
    name TEXT NOT NULL,
    json TEXT NOT NULL,
    time INTEGER NOT NULL,           -- microseconds since 1970, UTC, like every time here
    PRIMARY KEY (instrument, name)
) STRICT, WITHOUT ROWID;
CREATE TABLE flag (bit INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;
CREATE TABLE quantity (position INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, unit TEXT NOT NULL) STRICT;

-- What readings were made with.
CREATE TABLE instrument (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    serial TEXT NOT NULL,
    identity TEXT NOT NULL,          -- the whole answer to *IDN?
    pixels INTEGER NOT NULL,
    full_scale INTEGER NOT NULL,     -- counts
    shielded TEXT NOT NULL,          -- JSON: [[first, last], ...], inclusive
    integration_min REAL NOT NULL,   -- s
    integration_max REAL NOT NULL,   -- s
    has_shutter INTEGER NOT NULL,
    transfer REAL NOT NULL,          -- s
    first_seen INTEGER NOT NULL
) STRICT;
CREATE TABLE stray_matrix (
    id INTEGER PRIMARY KEY,
    sha256 TEXT NOT NULL UNIQUE,     -- of the numbers as little-endian f64, row by row
    side INTEGER NOT NULL,           -- pixels
    complete INTEGER NOT NULL        -- 1 once every row is there
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
    stray_matrix INTEGER REFERENCES stray_matrix(id)
) STRICT;
CREATE TABLE configuration (
    id INTEGER PRIMARY KEY,
    text TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    program_version TEXT NOT NULL,
    active_since INTEGER NOT NULL
) STRICT;
-- Each start of the daemon, with the configuration that is active from then on.
CREATE TABLE daemon_start (
    id INTEGER PRIMARY KEY,
    time INTEGER NOT NULL,
    configuration INTEGER NOT NULL REFERENCES configuration(id)
) STRICT;
CREATE TABLE computation (
    id INTEGER PRIMARY KEY,
    text TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    program_version TEXT NOT NULL,
    created INTEGER NOT NULL,
    active INTEGER UNIQUE            -- counts the computations that became active; NULL while it is being filled
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
    peak_level REAL,                 -- 1
    flags INTEGER NOT NULL,          -- as raised when it was taken
    acquisition_context INTEGER NOT NULL, -- bits, see record::AcquisitionContext
    unsteady_share REAL,             -- 1
    wavelength_applied REAL,         -- nm: shift of the wavelength scale beyond that of temperature
    wavelength_age REAL,             -- s since the wavelength scale was last within its limit
    response_age REAL                -- s since the response was last within its limit
) STRICT;
-- Where a run of readings begins whose time_mid lies in one hour: finds times without an index on every reading,
-- also when the clock was set back.
CREATE TABLE hour (
    first_reading INTEGER PRIMARY KEY,
    hour INTEGER NOT NULL            -- hours since 1970
) STRICT;
CREATE INDEX hour_by_hour ON hour(hour);

-- What a computation made of a reading; three columns a quantity are added.
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
-- Statistics of the exposures of a window, which cannot be recomputed; three columns a quantity are added.
CREATE TABLE window_value (reading INTEGER PRIMARY KEY REFERENCES reading(id)) STRICT;
-- From this reading of an instrument on, up to the next row, the values of this computation are active.
CREATE TABLE active_values (
    instrument INTEGER NOT NULL REFERENCES instrument(id),
    first_reading INTEGER NOT NULL,
    computation INTEGER NOT NULL REFERENCES computation(id),
    PRIMARY KEY (instrument, first_reading)
) STRICT, WITHOUT ROWID;

-- Frames and darks. `detail` is JSON, see store::frame_row; `sums` is a pco file of u32: the counts of every pixel, summed
-- over the exposures; `crc32` is that of the bytes of detail and then sums.
CREATE TABLE dark (
    id INTEGER PRIMARY KEY,
    instrument INTEGER NOT NULL REFERENCES instrument(id),
    time INTEGER NOT NULL,           -- first exposure
    source TEXT NOT NULL,            -- shutter, night, covered
    detail TEXT NOT NULL,
    sums BLOB NOT NULL,
    crc32 INTEGER NOT NULL,
    integration REAL GENERATED ALWAYS AS (json_extract(detail, '$.integration_s')) VIRTUAL, -- s
    temperature REAL GENERATED ALWAYS AS (json_extract(detail, '$.temperature_c')) VIRTUAL, -- degrees Celsius
    exposures INTEGER GENERATED ALWAYS AS (json_array_length(detail, '$.stamps')) VIRTUAL
) STRICT;
CREATE INDEX dark_by_time ON dark(instrument, time);
CREATE TABLE dark_model (
    id INTEGER PRIMARY KEY,
    instrument INTEGER NOT NULL REFERENCES instrument(id),
    fitted_at INTEGER NOT NULL,
    blob BLOB NOT NULL,              -- a line of JSON, then offsets [counts] and rates [counts/s] as little-endian f32
    crc32 INTEGER NOT NULL           -- of blob
) STRICT;
CREATE TABLE frame (
    id INTEGER PRIMARY KEY,          -- reading * 16 + bracket
    reading INTEGER NOT NULL GENERATED ALWAYS AS (id / 16) VIRTUAL,
    dark INTEGER REFERENCES dark(id),             -- the matched dark that was used
    dark_model INTEGER REFERENCES dark_model(id), -- the model that was used, alone or for the offsets of the matched dark
    dark_provenance INTEGER NOT NULL,             -- bits, see record::DarkProvenance
    detail TEXT NOT NULL,
    sums BLOB NOT NULL,
    crc32 INTEGER NOT NULL,
    integration REAL GENERATED ALWAYS AS (json_extract(detail, '$.integration_s')) VIRTUAL, -- s
    temperature REAL GENERATED ALWAYS AS (json_extract(detail, '$.temperature_c')) VIRTUAL, -- degrees Celsius
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
    unaffected TEXT,                 -- kind 'flagged_interval': JSON list of the quantities it does not affect
    pixel INTEGER                    -- kind 'flagged_interval': the pixel it is about; NULL where it is not about one
) STRICT;
CREATE INDEX event_by_time ON event(time);
CREATE INDEX flagged_interval_by_time ON event(time) WHERE kind = 'flagged_interval';

-- Roll-ups. A row that is there holds for the readings, flagged intervals and active values as they are: whatever changes
-- those deletes it.
-- A day of an instrument whose rows in hour_value hold; without a row here those are left over and mean nothing.
CREATE TABLE rolled_up_hours (
    instrument INTEGER NOT NULL REFERENCES instrument(id), -- the lowest row of its name
    day INTEGER NOT NULL,            -- days since 1970, UTC
    PRIMARY KEY (instrument, day)
) STRICT, WITHOUT ROWID;
-- One quantity in one hour; a year of one quantity lies together. Readings of a check source are not in it.
CREATE TABLE hour_value (
    instrument INTEGER NOT NULL,
    quantity INTEGER NOT NULL REFERENCES quantity(position),
    hour INTEGER NOT NULL,           -- hours since 1970
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
    reads_from INTEGER NOT NULL,     -- the readings of this stretch were read
    reads_to INTEGER NOT NULL,
    rules INTEGER NOT NULL REFERENCES day_rules(id),
    figures TEXT NOT NULL,           -- JSON, see summary::Day
    UNIQUE (instrument, starts)
) STRICT;
";
