//! Hours and days that were summed up: kept, read, and dropped with whatever they were made from.
//!
//! Nothing is worked out here. What must stay true: a row that is there equals what the readings as they are now would
//! give. So every transaction that adds a reading, adds or ends a span, or puts other values in force drops what it touches
//! (`invalidation`), and a roll-up that was being worked out meanwhile is not kept ([`Epoch`]). A row that is
//! not there is no loss: whoever asks works it out from the readings.
//!
//! An instrument is told by the lowest row of its name, since a name may have several rows.

use super::error::StoreError;
use super::invalidation::LONGEST_READ;
use super::schema::MICROS_PER_HOUR;
use super::{Reader, Store};
use crate::clock::UtcMicros;
use crate::record::HourValue;
use rusqlite::{Row, Transaction, params};

/// The lowest row of the name of the instrument `?1`.
const LOWEST_ROW: &str = "(SELECT min(id) FROM instrument WHERE name = (SELECT name FROM instrument WHERE id = ?1))";

/// Tells whether anything changed between reading and keeping: changes that were counted, and the newest reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Epoch {
    count: i64,
    newest: i64,
}

impl Epoch {
    /// Whether nothing was counted between the two; readings do not count.
    pub fn is_as_old_as(self, other: Self) -> bool {
        self.count == other.count
    }
}

/// An hour that was worked out.
#[derive(Clone, Debug, PartialEq)]
pub struct NewHour {
    /// Hours since 1970.
    pub hour: i64,
    /// One entry a quantity in the order of [`Reader::quantities`], `None` where it has no value.
    pub values: Vec<Option<HourValue>>,
    /// The epoch before its readings were read.
    pub epoch: Epoch,
}

/// The figures of a day as they are kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DayRow {
    /// Its first instant.
    pub starts: UtcMicros,
    /// From where on readings were looked at.
    pub reads_from: UtcMicros,
    /// Up to where.
    pub reads_to: UtcMicros,
    /// The settings it was made with.
    pub rules: String,
    /// The figures, as JSON; only their owner knows the form.
    pub figures: String,
}

impl Store {
    /// Keeps hours of an instrument (any row of it), those of a day in one go: each writes a page a quantity, and neighbouring
    /// hours share them. Answers how many were kept: not those that something touched since their epoch.
    pub fn keep_hours(&self, instrument: i64, hours: &[NewHour]) -> Result<usize, StoreError> {
        self.transact("keeping hours", |tx| {
            let mut place = tx.prepare_cached("SELECT position FROM quantity WHERE id = ?1")?;
            let mut put = tx.prepare_cached(&format!(
                "INSERT OR REPLACE INTO hour_value(instrument, quantity, hour, minimum, mean, maximum, good, suspect, bad) \
                 VALUES ({LOWEST_ROW}, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)"
            ))?;
            let mut clear = tx.prepare_cached(&format!(
                "DELETE FROM hour_value WHERE instrument = {LOWEST_ROW} AND quantity = ?2 AND hour = ?3"
            ))?;
            let places: Vec<i64> =
                self.quantities().iter().map(|(id, _)| place.query_row([id], |row| row.get(0))).collect::<Result<_, _>>()?;
            let mut kept = 0;
            for NewHour { hour, values, epoch } in hours {
                let begin = hour.saturating_mul(MICROS_PER_HOUR);
                if !unchanged(tx, *epoch, begin, begin.saturating_add(MICROS_PER_HOUR))? {
                    continue;
                }
                for (quantity, value) in places.iter().zip(values) {
                    let Some(value) = value else {
                        clear.execute([instrument, *quantity, *hour])?;
                        continue;
                    };
                    let [minimum, mean, maximum] = value.range.map_or([None; 3], |r| r.map(Some));
                    let [good, suspect, bad] = value.verdicts;
                    put.execute(params![instrument, quantity, hour, minimum, mean, maximum, good, suspect, bad])?;
                }
                let sql = format!("INSERT OR REPLACE INTO hour_rollup(instrument, hour) VALUES ({LOWEST_ROW}, ?2)");
                tx.prepare_cached(&sql)?.execute([instrument, *hour])?;
                kept += 1;
            }
            Ok(kept)
        })
    }

    /// Keeps the figures of a day of an instrument (any row of it), in place of those made with other settings. Answers
    /// whether they were kept: not where something changed since `epoch`.
    pub fn keep_day(&self, instrument: i64, day: &DayRow, epoch: Epoch) -> Result<bool, StoreError> {
        if !(day.reads_from <= day.starts && day.reads_to.0.saturating_sub(day.reads_from.0) <= LONGEST_READ) {
            let expected = "a day that looks at no more than three days of readings".into();
            let found = format!("one that looks from {} to {}", day.reads_from, day.reads_to);
            return Err(StoreError::Shape { expected, found });
        }
        self.transact("keeping a day", |tx| {
            if !unchanged(tx, epoch, day.reads_from.0, day.reads_to.0)? {
                return Ok(false);
            }
            tx.prepare_cached("INSERT OR IGNORE INTO day_rules(text) VALUES (?1)")?.execute([&day.rules])?;
            let sql = format!(
                "INSERT OR REPLACE INTO day(instrument, starts, reads_from, reads_to, rules, figures) \
                 VALUES ({LOWEST_ROW}, ?2, ?3, ?4, (SELECT id FROM day_rules WHERE text = ?5), ?6)"
            );
            let (starts, from, to) = (day.starts.0, day.reads_from.0, day.reads_to.0);
            tx.prepare_cached(&sql)?.execute(params![instrument, starts, from, to, day.rules, day.figures])?;
            Ok(true)
        })
    }
}

/// Whether nothing touched `from <= t < to` since an epoch.
fn unchanged(tx: &Transaction<'_>, epoch: Epoch, from: i64, to: i64) -> rusqlite::Result<bool> {
    tx.prepare_cached(
        "SELECT epoch = ?1 AND NOT EXISTS (SELECT 1 FROM reading WHERE id > ?2 AND time_mid >= ?3 AND time_mid < ?4) \
         FROM rollup_epoch",
    )?
    .query_row([epoch.count, epoch.newest, from, to], |row| row.get(0))
}

impl Reader {
    /// What has to be asked for before the readings of a roll-up that is to be kept.
    pub fn epoch(&self) -> Result<Epoch, StoreError> {
        let sql = "SELECT epoch, (SELECT coalesce(max(id), 0) FROM reading) FROM rollup_epoch";
        let epoch = |row: &Row<'_>| Ok(Epoch { count: row.get(0)?, newest: row.get(1)? });
        let found = self.rows("reading the epoch", sql, [], epoch)?;
        found.first().copied().ok_or_else(|| {
            let (expected, found) = ("one row".into(), "none".into());
            StoreError::Corrupt { table: "rollup_epoch", id: 1, expected, found }
        })
    }

    /// The hours from `from` to before `to` (hours since 1970) in which any instrument has readings, in their order.
    pub fn hours_with_readings(&self, from: i64, to: i64) -> Result<Vec<i64>, StoreError> {
        let sql = "SELECT DISTINCT hour FROM hour WHERE hour >= ?1 AND hour < ?2 ORDER BY hour";
        self.rows("looking for hours", sql, [from, to], |row| row.get(0))
    }

    /// The hours from `from` to before `to` that are kept for an instrument (its lowest row), in their order. None for a named
    /// computation: what is kept is made from values in force.
    pub fn hours_kept(&self, instrument: i64, from: i64, to: i64) -> Result<Vec<i64>, StoreError> {
        if self.columns.computation.is_some() {
            return Ok(Vec::new());
        }
        let sql = "SELECT hour FROM hour_rollup WHERE instrument = ?1 AND hour >= ?2 AND hour < ?3 ORDER BY hour";
        self.rows("looking for hours", sql, [instrument, from, to], |row| row.get(0))
    }

    /// A quantity in the hours from `from` to before `to` of an instrument (its lowest row), in their order. Only those in
    /// [`Reader::hours_kept`] mean anything; one of these that is missing here has no value of the quantity.
    pub fn hour_values(
        &self,
        instrument: i64,
        quantity: &str,
        from: i64,
        to: i64,
    ) -> Result<Vec<(i64, HourValue)>, StoreError> {
        let sql = "SELECT hour, minimum, mean, maximum, good, suspect, bad FROM hour_value WHERE instrument = ?1 \
             AND quantity = (SELECT position FROM quantity WHERE id = ?2) AND hour >= ?3 AND hour < ?4 ORDER BY hour";
        self.rows("reading hours", sql, params![instrument, quantity, from, to], |row| {
            let range = match (row.get(1)?, row.get(2)?, row.get(3)?) {
                (Some(minimum), Some(mean), Some(maximum)) => Some([minimum, mean, maximum]),
                _ => None,
            };
            Ok((row.get(0)?, HourValue { range, verdicts: [row.get(4)?, row.get(5)?, row.get(6)?] }))
        })
    }

    /// The kept days of an instrument (its lowest row) that start in `from <= t < to` and were made with these settings. None
    /// for a named computation.
    pub fn days_kept(
        &self,
        instrument: i64,
        from: UtcMicros,
        to: UtcMicros,
        rules: &str,
    ) -> Result<Vec<DayRow>, StoreError> {
        if self.columns.computation.is_some() {
            return Ok(Vec::new());
        }
        let sql = "SELECT starts, reads_from, reads_to, figures FROM day WHERE instrument = ?1 AND starts >= ?2 \
             AND starts < ?3 AND rules = (SELECT id FROM day_rules WHERE text = ?4) ORDER BY starts";
        self.rows("reading days", sql, params![instrument, from.0, to.0, rules], |row| {
            let [starts, reads_from, reads_to] = [row.get(0)?, row.get(1)?, row.get(2)?].map(UtcMicros);
            Ok(DayRow { starts, reads_from, reads_to, rules: rules.to_owned(), figures: row.get(3)? })
        })
    }

    /// The beginnings of these days, without their figures.
    pub fn days_known(
        &self,
        instrument: i64,
        from: UtcMicros,
        to: UtcMicros,
        rules: &str,
    ) -> Result<Vec<UtcMicros>, StoreError> {
        let sql = "SELECT starts FROM day WHERE instrument = ?1 AND starts >= ?2 AND starts < ?3 \
             AND rules = (SELECT id FROM day_rules WHERE text = ?4) ORDER BY starts";
        self.rows("looking for days", sql, params![instrument, from.0, to.0, rules], |row| Ok(UtcMicros(row.get(0)?)))
    }
}
