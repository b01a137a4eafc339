//! Stores and reads stray-light matrices, so that a stored calibration is usable without its files.
//!
//! A matrix of 2048 pixels has 32 MB: it is stored row by row, some rows per transaction, each row a `pco` file of f64.
//! Invariant: a calibration refers only to a complete matrix. If storing was interrupted, the next attempt completes it.

use super::error::StoreError;
use super::provenance::hexadecimal;
use super::{Reader, Store};
use pco::ChunkConfig;
use pco::standalone::{simple_compress, simple_decompress};
use rusqlite::{OptionalExtension, params};

/// Number of bits of an id in `stray_matrix_row` that hold the index of the row.
const ROW_BITS: u32 = 16;
/// Rows per transaction: about 2 MB.
const ROWS_AT_ONCE: usize = 128;
/// Maximum size of a matrix [pixels].
const MAX_SIDE: usize = 1 << ROW_BITS;

impl Store {
    /// Returns the row of the matrix of a calibration; stores the matrix if it is missing.
    pub(super) fn store_matrix(
        &self,
        instrument: i64,
        name: &str,
        text: &str,
        matrix: Option<&[f64]>,
    ) -> Result<Option<i64>, StoreError> {
        let Some(matrix) = matrix else { return Ok(None) };
        let sql = "SELECT stray_matrix FROM calibration WHERE instrument = ?1 AND name = ?2 AND text = ?3 \
             AND stray_matrix IS NOT NULL";
        // The text contains the checksum of the matrix file, so equal texts have equal matrices.
        let known =
            self.rows("looking for a stray-light matrix", sql, params![instrument, name, text], |r| r.get(0))?;
        match known.first() {
            Some(row) => Ok(Some(*row)),
            None => self.put_matrix(matrix).map(Some),
        }
    }

    fn put_matrix(&self, matrix: &[f64]) -> Result<i64, StoreError> {
        let side = matrix.len().isqrt();
        if side == 0 || side * side != matrix.len() || side > MAX_SIDE {
            let expected = format!("a square stray-light matrix of at most {MAX_SIDE} rows");
            return Err(StoreError::Shape { expected, found: format!("{} numbers", matrix.len()) });
        }
        let hash = hash_of(matrix);
        let doing = "storing a stray-light matrix";
        let (id, complete) = self.transact(doing, |tx| {
            let find = "SELECT id, complete FROM stray_matrix WHERE sha256 = ?1";
            let known = tx.query_row(find, [&hash], |r| Ok((r.get(0)?, r.get(1)?))).optional()?;
            if let Some(known) = known {
                return Ok(known);
            }
            let insert = "INSERT INTO stray_matrix(sha256, side, complete) VALUES (?1, ?2, 0)";
            let id = tx.prepare(insert)?.insert(params![hash, side as i64])?;
            self.sealed().seal(tx, "stray_matrix", id)?;
            Ok((id, false))
        })?;
        if complete {
            return Ok(id);
        }
        for (block, rows) in matrix.chunks(side * ROWS_AT_ONCE).enumerate() {
            let encoded: Vec<Vec<u8>> = rows.chunks(side).map(encoded).collect::<Result<_, _>>()?;
            self.transact(doing, |tx| {
                let mut statement =
                    tx.prepare_cached("INSERT OR REPLACE INTO stray_matrix_row(id, numbers) VALUES (?1, ?2)")?;
                for (k, numbers) in encoded.iter().enumerate() {
                    statement.execute(params![id << ROW_BITS | (block * ROWS_AT_ONCE + k) as i64, numbers])?;
                }
                Ok(())
            })?;
        }
        self.transact(doing, |tx| {
            tx.execute("UPDATE stray_matrix SET complete = 1 WHERE id = ?1", [id])?;
            self.sealed().seal(tx, "stray_matrix", id)
        })?;
        Ok(id)
    }
}

impl Reader {
    /// Checks the stored stray-light matrices.
    pub(super) fn check_matrices(&self, each: &mut dyn FnMut(Result<(), StoreError>)) -> Result<(), StoreError> {
        let sql = "SELECT min(id) FROM calibration WHERE stray_matrix IS NOT NULL GROUP BY stray_matrix";
        let calibrations: Vec<i64> = self.rows("checking stray-light matrices", sql, [], |row| row.get(0))?;
        calibrations.into_iter().for_each(|id| each(self.stray_matrix(id).map(drop)));
        Ok(())
    }

    /// The stray-light matrix of a calibration (row of `calibration`), row-major; `None` if it has none.
    pub fn stray_matrix(&self, calibration: i64) -> Result<Option<Vec<f64>>, StoreError> {
        let doing = "reading a stray-light matrix";
        let sql = "SELECT m.id, m.side, m.sha256 FROM stray_matrix m JOIN calibration c ON c.stray_matrix = m.id \
             WHERE c.id = ?1 AND m.complete";
        let head = self.rows(doing, sql, [calibration], |r| {
            Ok((r.get::<_, i64>(0)?, r.get::<_, u32>(1)? as usize, r.get::<_, String>(2)?))
        })?;
        let Some((id, side, want)) = head.into_iter().next() else { return Ok(None) };
        let corrupt =
            |expected: String, found: String| StoreError::Corrupt { table: "stray_matrix", id, expected, found };
        if side == 0 || side > MAX_SIDE {
            return Err(corrupt(format!("1 to {MAX_SIDE} rows"), side.to_string()));
        }
        let sql = "SELECT numbers FROM stray_matrix_row WHERE id >= ?1 AND id < ?2 ORDER BY id";
        let rows =
            self.rows(doing, sql, [id << ROW_BITS, (id << ROW_BITS) + side as i64], |r| r.get::<_, Vec<u8>>(0))?;
        let mut matrix: Vec<f64> = Vec::with_capacity(side * rows.len());
        for row in rows {
            let numbers =
                simple_decompress::<f64>(&row).map_err(|e| corrupt("a pco file of f64".into(), e.to_string()))?;
            matrix.extend(numbers);
        }
        if matrix.len() != side * side {
            return Err(corrupt(format!("{} numbers", side * side), matrix.len().to_string()));
        }
        let got = hash_of(&matrix);
        if got != want {
            return Err(corrupt(format!("numbers with SHA-256 {want}"), got));
        }
        Ok(Some(matrix))
    }
}

fn encoded(row: &[f64]) -> Result<Vec<u8>, StoreError> {
    simple_compress(row, &ChunkConfig::default())
        .map_err(|e| StoreError::Shape { expected: "numbers that can be encoded".into(), found: e.to_string() })
}

fn hash_of(matrix: &[f64]) -> String {
    let mut hash = hmac_sha256::Hash::new();
    for x in matrix {
        hash.update(x.to_le_bytes());
    }
    hexadecimal(&hash.finalize())
}
