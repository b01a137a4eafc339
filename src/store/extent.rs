//! How far a database reaches in time, and its darks piece by piece, for whoever walks through all of it.

use super::{Reader, StoreError};
use crate::clock::UtcMicros;
use crate::record::Dark;

impl Reader {
    /// An instant at or before everything on record and one after it; `None` where there is nothing.
    pub fn extent(&self) -> Result<Option<(UtcMicros, UtcMicros)>, StoreError> {
        const HOUR: i64 = 3_600_000_000;
        let sql = "SELECT min(a), max(b) FROM (SELECT min(hour) * ?1 AS a, (max(hour) + 1) * ?1 AS b FROM hour \
                   UNION ALL SELECT min(time), max(time) + 1 FROM dark)";
        let spans = self.rows("finding how far the record reaches", sql, [HOUR], |row| {
            Ok((row.get::<_, Option<i64>>(0)?, row.get::<_, Option<i64>>(1)?))
        })?;
        Ok(spans.first().and_then(|s| Some((UtcMicros(s.0?), UtcMicros(s.1?)))))
    }

    /// The darks of an instrument (its row) with `from <= time < to`, oldest first; a damaged one is an error of its own.
    pub fn darks_between(
        &self,
        instrument: i64,
        from: UtcMicros,
        to: UtcMicros,
    ) -> Result<Vec<Result<Dark, StoreError>>, StoreError> {
        let condition = "instrument = ?1 AND time >= ?2 AND time < ?3 ORDER BY time, id";
        self.darks_where(condition, [instrument, from.0, to.0])
    }
}
