//! Stores and reads frames, darks and dark models.

use super::damage::rows_or_damage;
use super::error::StoreError;
use super::frame_row::{FrameRow, FrameRowError};
use super::row_checksum::{Sealed, compare, crc32_of_row};
use super::rows::{DarkModel, FrameRecord};
use super::schema::FRAMES_PER_READING;
use super::{Reader, Store};
use crate::clock::UtcMicros;
use crate::record::{Dark, DarkProvenance, DarkReference, DarkSource, Frame};
use rusqlite::{Params, Row, Transaction, params};
use std::ops::Range;

const INSERT_FRAME: &str = "INSERT INTO frame(id, dark, dark_model, dark_provenance, detail, sums, crc32) \
     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)";
const INSERT_DARK: &str =
    "INSERT INTO dark(instrument, time, source, detail, sums, crc32) VALUES (?1, ?2, ?3, ?4, ?5, ?6)";

/// The columns of `frame` in the order of the table, each with its index in the query of frames.
const FRAME_COLUMNS: [(&str, usize); 7] =
    [("id", 0), ("dark", 4), ("dark_model", 5), ("dark_provenance", 6), ("detail", 1), ("sums", 2), ("crc32", 3)];

/// The id of a reading, and one of its frames or the error of decoding it.
pub type FrameOf = (i64, Result<FrameRecord, StoreError>);

impl From<FrameRowError> for StoreError {
    fn from(e: FrameRowError) -> Self {
        Self::Shape { expected: e.expected, found: e.found }
    }
}

/// Stores the frames of a reading; `rows` are the encoded frames, in the same order.
pub(super) fn put_frames(
    tx: &Transaction<'_>,
    sealed: &Sealed,
    reading: i64,
    frames: &[FrameRecord],
    rows: &[FrameRow],
) -> rusqlite::Result<()> {
    let mut insert = tx.prepare_cached(INSERT_FRAME)?;
    for (bracket, (frame, row)) in frames.iter().zip(rows).enumerate() {
        let (dark, model) = match frame.dark {
            DarkReference::Matched { dark, model } => (Some(dark), model),
            DarkReference::Model(model) => (None, Some(model)),
            DarkReference::None => (None, None),
        };
        let id = reading * FRAMES_PER_READING + bracket as i64;
        let provenance = frame.dark_provenance.bits();
        insert.execute(params![id, dark, model, provenance, row.detail, row.sums, row.crc32])?;
        sealed.seal(tx, "frame", id)?;
    }
    Ok(())
}

impl Store {
    /// Stores an accepted dark; returns its row.
    pub fn add_dark(&self, instrument: i64, dark: &Dark) -> Result<i64, StoreError> {
        let row = FrameRow::encode(&dark.frame)?;
        let (time, source) = (dark.frame.start().0, dark.source.name());
        self.transact("storing a dark", |tx| {
            let row = params![instrument, time, source, row.detail, row.sums, row.crc32];
            let id = tx.prepare_cached(INSERT_DARK)?.insert(row)?;
            self.sealed().seal(tx, "dark", id).map(|()| id)
        })
    }

    /// Stores a fitted dark model; returns its row.
    pub fn add_dark_model(&self, instrument: i64, fitted_at: UtcMicros, blob: &[u8]) -> Result<i64, StoreError> {
        self.transact("storing a dark model", |tx| {
            let id = tx
                .prepare_cached("INSERT INTO dark_model(instrument, fitted_at, blob, crc32) VALUES (?1, ?2, ?3, ?4)")?
                .insert(params![instrument, fitted_at.0, blob, crc32fast::hash(blob)])?;
            self.sealed().seal(tx, "dark_model", id).map(|()| id)
        })
    }
}

impl Reader {
    /// The frames of a reading with the darks that were used, shortest bracket first.
    pub fn frames(&self, reading: i64) -> Result<Vec<FrameRecord>, StoreError> {
        let of_one = |(_, frame): FrameOf| frame;
        self.frames_of(reading..reading.saturating_add(1))?.into_iter().map(of_one).collect()
    }

    /// The frames of the readings with these ids, in order, each with the id of its reading; a damaged frame is an error in its
    /// place.
    pub fn frames_of(&self, ids: Range<i64>) -> Result<Vec<FrameOf>, StoreError> {
        let sql = "SELECT id, detail, sums, crc32, dark, dark_model, dark_provenance, row_crc32 FROM frame \
             WHERE id >= ?1 AND id < ?2 ORDER BY id";
        let ids = [ids.start, ids.end].map(|id| id.saturating_mul(FRAMES_PER_READING));
        let rows = rows_or_damage(&self.lock(), "reading frames", "frame", (sql, ids), |row| {
            let dark = match (row.get(4)?, row.get(5)?) {
                (Some(dark), model) => DarkReference::Matched { dark, model },
                (None, Some(model)) => DarkReference::Model(model),
                (None, None) => DarkReference::None,
            };
            let found = (row.get(0)?, frame_row(row)?, dark, DarkProvenance::from_bits(row.get(6)?));
            // Damaged counts are named as such below.
            let blob_is_damaged = found.1.crc32 != found.1.checksum();
            let crc32 = crc32_of_row(FRAME_COLUMNS.into_iter(), row)?;
            Ok(match compare("frame", found.0, row.get(7)?, crc32) {
                Err(damaged) if !blob_is_damaged => Err(damaged),
                _ => Ok(found),
            })
        })?;
        let reading = |id: i64| id.div_euclid(FRAMES_PER_READING);
        let frame = |row: Result<(i64, FrameRow, _, _), StoreError>| match row {
            Ok((id, row, dark, dark_provenance)) => {
                let record = decode("frame", id, &row).map(|frame| FrameRecord { frame, dark, dark_provenance });
                (reading(id), record)
            }
            Err(error) => (error.row().map_or(0, reading), Err(error)),
        };
        Ok(rows.into_iter().map(frame).collect())
    }

    /// One dark.
    pub fn dark(&self, id: i64) -> Result<Option<Dark>, StoreError> {
        self.darks_where("id = ?1", [id])?.pop().transpose()
    }

    /// The darks of an instrument (row of `instrument`) since an instant, oldest first; a damaged dark is an error in its place,
    /// so that the others can be used.
    pub fn darks(&self, instrument: i64, since: UtcMicros) -> Result<Vec<Result<Dark, StoreError>>, StoreError> {
        self.darks_between(instrument, since, UtcMicros(i64::MAX))
    }

    /// The darks of an instrument (row of `instrument`) with `from <= time < to`, oldest first; a damaged dark is an error in its
    /// place.
    pub fn darks_between(
        &self,
        instrument: i64,
        from: UtcMicros,
        to: UtcMicros,
    ) -> Result<Vec<Result<Dark, StoreError>>, StoreError> {
        let condition = "instrument = ?1 AND time >= ?2 AND time < ?3 ORDER BY time, id";
        self.darks_where(condition, [instrument, from.0, to.0])
    }

    /// The newest `n` darks of an instrument (its row) that were taken with the head covered, oldest first.
    pub fn covered_darks(&self, instrument: i64, n: usize) -> Result<Vec<Result<Dark, StoreError>>, StoreError> {
        let n = i64::try_from(n).unwrap_or(i64::MAX);
        let condition = "instrument = ?1 AND source = 'covered' ORDER BY time DESC, id DESC LIMIT ?2";
        let mut darks = self.darks_where(condition, [instrument, n])?;
        darks.reverse();
        Ok(darks)
    }

    fn darks_where(&self, condition: &str, params: impl Params) -> Result<Vec<Result<Dark, StoreError>>, StoreError> {
        let sql = format!("SELECT id, detail, sums, crc32, source FROM dark WHERE {condition}");
        let rows = rows_or_damage(&self.lock(), "reading darks", "dark", (&sql, params), |row| {
            Ok(Ok((row.get::<_, i64>(0)?, frame_row(row)?, row.get::<_, String>(4)?)))
        })?;
        let dark = |row: Result<(i64, FrameRow, String), StoreError>| {
            let (id, row, source) = row?;
            let Some(source) = DarkSource::from_name(&source) else {
                let expected = "shutter, night or covered".into();
                return Err(StoreError::Corrupt { table: "dark", id, expected, found: source });
            };
            Ok(Dark { id, source, frame: decode("dark", id, &row)? })
        };
        Ok(rows.into_iter().map(dark).collect())
    }

    /// One dark model.
    pub fn dark_model(&self, id: i64) -> Result<Option<DarkModel>, StoreError> {
        self.dark_model_where("id = ?1", id)
    }

    /// The dark model of an instrument (row of `instrument`) that was stored last.
    pub fn latest_dark_model(&self, instrument: i64) -> Result<Option<DarkModel>, StoreError> {
        self.dark_model_where("instrument = ?1 ORDER BY id DESC LIMIT 1", instrument)
    }

    fn dark_model_where(&self, condition: &str, key: i64) -> Result<Option<DarkModel>, StoreError> {
        let sql = format!("SELECT id, instrument, fitted_at, blob, crc32 FROM dark_model WHERE {condition}");
        let mut rows = rows_or_damage(&self.lock(), "reading a dark model", "dark_model", (&sql, [key]), |row| {
            let model = DarkModel {
                id: row.get(0)?,
                instrument: row.get(1)?,
                fitted_at: UtcMicros(row.get(2)?),
                blob: row.get(3)?,
            };
            Ok(Ok((model, row.get::<_, u32>(4)?)))
        })?;
        let Some((model, want)) = rows.pop().transpose()? else { return Ok(None) };
        let got = crc32fast::hash(&model.blob);
        if want != got {
            let (expected, found) = (format!("a blob with checksum {want:08x}"), format!("{got:08x}"));
            return Err(StoreError::Corrupt { table: "dark_model", id: model.id, expected, found });
        }
        Ok(Some(model))
    }
}

/// Converts the columns 1 to 3: detail, sums, crc32. Text damaged so that it is not UTF-8 fails the checksum like other damage.
fn frame_row(row: &Row<'_>) -> rusqlite::Result<FrameRow> {
    let detail = String::from_utf8_lossy(row.get_ref(1)?.as_bytes()?).into_owned();
    Ok(FrameRow { detail, sums: row.get(2)?, crc32: row.get(3)? })
}

fn decode(table: &'static str, id: i64, row: &FrameRow) -> Result<Frame, StoreError> {
    row.decode().map_err(|e| StoreError::Corrupt { table, id, expected: e.expected, found: e.found })
}
