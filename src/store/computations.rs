//! Computations beside the active one: begun, filled at leisure, and activated in one short transaction.
//!
//! Nothing is computed here. Invariants: until [`Store::switch_to`] has returned, every reading has the values it
//! had; afterwards those readings that the computation has values of have these, all others keep theirs, and so do
//! readings that are stored meanwhile or later. No values are ever deleted but those of a computation that was never
//! active.
//!
//! A computation is continued only while it is the newest: so a reading's lowest computation is the one it was taken with
//! ([`Reader::calibration_when_taken`]).

use super::error::StoreError;
use super::events::put_event;
use super::provenance::{VERSION, sha256};
use super::schema::READING_BITS;
use super::{Provenance, Reader, Store, invalidation};
use crate::clock::UtcMicros;
use crate::record::{Event, Reading};
use rusqlite::{OptionalExtension, Transaction, params};
use std::collections::BTreeMap;

/// Readings looked at in one read.
const LOOKED_AT_ONCE: i64 = 4096;
/// The most runs that a switch may write: as many take some 50 ms.
const MOST_RUNS: usize = 100_000;

/// A computation that can be filled.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Begun {
    /// Its row.
    pub id: i64,
    /// The last reading it has values of, where it was begun before.
    pub last: Option<i64>,
}

/// Values of a reading, not yet stored.
#[derive(Clone, Debug, PartialEq)]
pub struct NewValues {
    /// What was made; its `id` says of which reading, its `values` follow the order of [`Reader::quantities`].
    pub reading: Reading,
    /// Row of `calibration`.
    pub calibration: Option<i64>,
}

/// A computation with what it has made.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ComputationRow {
    /// Text, hash, version, when it was made.
    pub made: Provenance,
    /// Whether it is filled; the values of one that is not are active nowhere.
    pub finished: bool,
    /// Readings it has values of.
    pub readings: u64,
    /// The time of the first and the last of them.
    pub span: Option<(UtcMicros, UtcMicros)>,
    /// Readings for which its values are active.
    pub active_for: u64,
    /// The names of the calibrations its values were made with.
    pub calibrations: Vec<String>,
}

/// What a switch did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Switched {
    /// Readings whose values are those of the computation now.
    pub readings: u64,
    /// The time of the first and the last of them.
    pub span: (UtcMicros, UtcMicros),
}

/// What it takes to activate a computation.
#[derive(Debug)]
pub struct Switch {
    computation: i64,
    to_be: BTreeMap<i64, ToBe>,
    /// What will have been done.
    pub switched: Switched,
}

/// From this reading of an instrument on, values of this computation.
type Run = (i64, i64);

/// The runs of an instrument as they will be.
#[derive(Debug)]
struct ToBe {
    runs: Vec<Run>,
    /// Runs that reach beyond the last reading the computation has values of do not count; this many do.
    whole: usize,
    first: i64,
    last: i64,
    /// Readings the computation has values of.
    made: u64,
    /// What is active at the last one until then.
    before: Option<i64>,
    span: (UtcMicros, UtcMicros),
}

impl Store {
    /// The computation of a text that is to be filled: the one that was begun with it and is still the newest, or a new one.
    pub fn begin_computation(&self, text: &str, when: UtcMicros) -> Result<Begun, StoreError> {
        self.transact("beginning a computation", |tx| {
            let sql = "SELECT id FROM computation WHERE id = (SELECT max(id) FROM computation) AND text = ?1 \
                 AND program_version = ?2 AND active IS NULL";
            let known: Option<i64> = tx.query_row(sql, [text, VERSION], |row| row.get(0)).optional()?;
            let id = match known {
                Some(id) => id,
                None => tx
                    .prepare("INSERT INTO computation(text, sha256, program_version, created) VALUES (?, ?, ?, ?)")?
                    .insert(params![text, sha256(text), VERSION, when.0])?,
            };
            let sql = "SELECT max(id) FROM value WHERE id >= ?1 AND id < ?2";
            let last: Option<i64> = tx.query_row(sql, bounds(id), |row| row.get(0))?;
            Ok(Begun { id, last: last.map(|v| v & ((1 << READING_BITS) - 1)) })
        })
    }

    /// Stores values of a computation that is being filled.
    pub fn add_values(&self, computation: i64, values: &[NewValues]) -> Result<(), StoreError> {
        let n = self.quantities().len();
        if let Some(wrong) = values.iter().find(|v| v.reading.values.len() != n) {
            let found = wrong.reading.values.len().to_string();
            return Err(StoreError::Shape { expected: format!("values of {n} quantities"), found });
        }
        self.transact("storing recomputed values", |tx| {
            values.iter().try_for_each(|v| self.put_values(tx, v.reading.id, computation, v.calibration, &v.reading))
        })
    }

    /// Deletes at most `at_most` values of a computation that was never active, and the computation once it has none.
    /// Answers whether it is gone.
    pub fn drop_computation(&self, id: i64, at_most: u32) -> Result<bool, StoreError> {
        self.transact("dropping a computation that was not finished", |tx| {
            let sql = "SELECT active IS NULL FROM computation WHERE id = ?1";
            // One that is active somewhere is not touched.
            if tx.query_row(sql, [id], |row| row.get(0)).optional()? != Some(true) {
                return Ok(true);
            }
            let [from, to] = bounds(id);
            let gone = tx
                .prepare_cached(
                    "DELETE FROM value WHERE id IN (SELECT id FROM value WHERE id >= ?1 AND id < ?2 LIMIT ?3)",
                )?
                .execute(params![from, to, at_most])?;
            if gone < at_most as usize {
                tx.execute("DELETE FROM computation WHERE id = ?1", [id])?;
                return Ok(true);
            }
            Ok(false)
        })
    }

    /// What it takes to activate the values of a computation for every reading it has values of; `None` where it has none.
    ///
    /// What is found here cannot change until [`Store::switch_to`]: readings up to the last one it has values of are all there,
    /// and the process that fills a computation holds the lock against another ([`Store::open_recomputer`]).
    pub fn switch_of(&self, computation: i64) -> Result<Option<Switch>, StoreError> {
        let to_be = self.runs_to_be(computation)?;
        let spans = || to_be.values().map(|t| t.span);
        let (Some(begin), Some(end)) = (spans().map(|s| s.0).min(), spans().map(|s| s.1).max()) else {
            return Ok(None);
        };
        let runs: usize = to_be.values().map(|t| t.whole).sum();
        if runs > MOST_RUNS {
            let expected = format!("readings that were recomputed in at most {MOST_RUNS} runs");
            return Err(StoreError::Shape { expected, found: format!("{runs}, too many for a short transaction") });
        }
        let switched = Switched { readings: to_be.values().map(|t| t.made).sum(), span: (begin, end) };
        Ok(Some(Switch { computation, to_be, switched }))
    }

    /// Activates values, in one transaction with an event.
    pub fn switch_to(&self, switch: &Switch, event: &Event) -> Result<(), StoreError> {
        self.transact("activating a computation", |tx| {
            switch.to_be.iter().try_for_each(|(instrument, to_be)| put_runs(tx, *instrument, to_be))?;
            tx.execute(
                "UPDATE computation SET active = (SELECT coalesce(max(active), 0) + 1 FROM computation) WHERE id = ?1",
                [switch.computation],
            )?;
            put_event(tx, event).map(drop)
        })
    }

    /// The runs as they are to be, by instrument; those without a value of the computation are left out.
    fn runs_to_be(&self, computation: i64) -> Result<BTreeMap<i64, ToBe>, StoreError> {
        let doing = "looking for recomputed readings";
        let mask = (1_i64 << READING_BITS) - 1;
        let sql = "SELECT min(id) & ?3, max(id) & ?3 FROM value WHERE id >= ?1 AND id < ?2";
        let [low, high] = bounds(computation);
        let ends = self.rows(doing, sql, [low, high, mask], |row| Ok((row.get(0)?, row.get(1)?)))?;
        let Some((Some(first), Some(last))) = ends.first().copied() else { return Ok(BTreeMap::new()) };
        let sql = "SELECT instrument, first_reading, computation FROM active_values ORDER BY instrument, first_reading";
        let mut as_is: BTreeMap<i64, Vec<Run>> = BTreeMap::new();
        for (instrument, first, computation) in
            self.rows(doing, sql, [], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?
        {
            as_is.entry(instrument).or_default().push((first, computation));
        }
        let mut to_be: BTreeMap<i64, ToBe> = BTreeMap::new();
        let mut from: i64 = first;
        while from <= last {
            let sql = "SELECT r.id, r.instrument, r.time_mid, v.id IS NOT NULL FROM reading r \
                 LEFT JOIN value v ON v.id = (?3 | r.id) WHERE r.id >= ?1 AND r.id <= ?2 ORDER BY r.id";
            let to = last.min(from.saturating_add(LOOKED_AT_ONCE - 1));
            let page = self.rows(doing, sql, [from, to, low], |row| {
                Ok((row.get::<_, i64>(0)?, row.get(1)?, UtcMicros(row.get(2)?), row.get(3)?))
            })?;
            for (id, instrument, time, made) in page {
                let as_is = as_is.get(&instrument).map_or(&[][..], Vec::as_slice);
                look(&mut to_be, as_is, computation, (id, instrument, time, made));
            }
            from = to + 1;
        }
        Ok(to_be)
    }
}

/// Follows one reading: id, instrument, time, whether the computation has values of it.
fn look(
    to_be: &mut BTreeMap<i64, ToBe>,
    as_is: &[Run],
    computation: i64,
    (id, instrument, time, made): (i64, i64, UtcMicros, bool),
) {
    if !made && !to_be.contains_key(&instrument) {
        return;
    }
    let at = as_is.partition_point(|run| run.0 <= id);
    let before = at.checked_sub(1).map(|k| as_is[k].1);
    let entry = to_be.entry(instrument).or_insert_with(|| ToBe {
        runs: Vec::new(),
        whole: 0,
        first: id,
        last: id,
        made: 0,
        before,
        span: (time, time),
    });
    // A reading without any values keeps having none, whatever the run says.
    let wanted = if made { Some(computation) } else { before };
    if let Some(wanted) = wanted.filter(|w| entry.runs.last().is_none_or(|run| run.1 != *w)) {
        entry.runs.push((id, wanted));
    }
    if made {
        (entry.whole, entry.last, entry.before) = (entry.runs.len(), id, before);
        entry.made += 1;
        entry.span = (entry.span.0.min(time), entry.span.1.max(time));
    }
}

fn put_runs(tx: &Transaction<'_>, instrument: i64, to_be: &ToBe) -> rusqlite::Result<()> {
    tx.execute(
        "DELETE FROM active_values WHERE instrument = ?1 AND first_reading BETWEEN ?2 AND ?3",
        [instrument, to_be.first, to_be.last],
    )?;
    let mut insert =
        tx.prepare("INSERT OR IGNORE INTO active_values(instrument, first_reading, computation) VALUES (?1, ?2, ?3)")?;
    for (first, computation) in &to_be.runs[..to_be.whole] {
        insert.execute([instrument, *first, *computation])?;
    }
    // Readings after the last one keep what they have, also those that are stored meanwhile; a run that begins there stays.
    if let Some(before) = to_be.before {
        insert.execute([instrument, to_be.last + 1, before])?;
    }
    let (from, to) = to_be.span;
    invalidation::delete_rollups(tx, instrument, from, UtcMicros(to.0.saturating_add(1)))
}

/// The ids of a computation's values: from the first up to before the second.
fn bounds(computation: i64) -> [i64; 2] {
    [computation << READING_BITS, (computation + 1) << READING_BITS]
}

impl Reader {
    /// Computations that were begun and never activated, by row.
    pub fn unfinished_computations(&self) -> Result<Vec<i64>, StoreError> {
        let sql = "SELECT id FROM computation WHERE active IS NULL ORDER BY id";
        self.rows("looking for computations", sql, [], |row| row.get(0))
    }

    /// Every computation with what it has made. Counts rows: some seconds where there are millions.
    pub fn computations_in_full(&self) -> Result<Vec<ComputationRow>, StoreError> {
        let doing = "reading computations";
        let sql = "SELECT id, active IS NOT NULL FROM computation ORDER BY id";
        let mut found = Vec::new();
        for (id, finished) in self.rows(doing, sql, [], |row| Ok((row.get::<_, i64>(0)?, row.get(1)?)))? {
            let Some(made) = self.computation(id)? else { continue };
            let sql = "SELECT (SELECT time_mid FROM reading WHERE id = (SELECT min(id) FROM value WHERE id >= ?1 AND id < ?2) & ?3), \
                 (SELECT time_mid FROM reading WHERE id = (SELECT max(id) FROM value WHERE id >= ?1 AND id < ?2) & ?3)";
            let [low, high] = bounds(id);
            let ends = self.rows(doing, sql, [low, high, (1 << READING_BITS) - 1], |row| {
                Ok((row.get::<_, Option<i64>>(0)?, row.get::<_, Option<i64>>(1)?))
            })?;
            let span = ends.first().and_then(|e| Some((UtcMicros(e.0?), UtcMicros(e.1?))));
            let sql = "SELECT k.name FROM calibration k WHERE EXISTS (SELECT 1 FROM value WHERE id >= ?1 AND id < ?2 \
                 AND calibration = k.id) ORDER BY k.id";
            let calibrations = self.rows(doing, sql, [low, high], |row| row.get(0))?;
            let active_for = self.active_for(id)?;
            found.push(ComputationRow {
                made,
                finished,
                readings: self.values_of(id)?,
                span,
                active_for,
                calibrations,
            });
        }
        Ok(found)
    }

    fn values_of(&self, computation: i64) -> Result<u64, StoreError> {
        let sql = "SELECT count(*) FROM value WHERE id >= ?1 AND id < ?2";
        let found = self.rows("counting values", sql, bounds(computation), |row| row.get::<_, i64>(0))?;
        Ok(found.first().map_or(0, |n| *n as u64))
    }

    fn active_for(&self, computation: i64) -> Result<u64, StoreError> {
        let sql = "SELECT coalesce(sum((SELECT count(*) FROM reading r WHERE r.instrument = f.instrument \
             AND r.id >= f.first_reading AND r.id < coalesce((SELECT min(n.first_reading) FROM active_values n \
             WHERE n.instrument = f.instrument AND n.first_reading > f.first_reading), ?2))), 0) \
             FROM active_values f WHERE f.computation = ?1";
        let found = self.rows("counting readings", sql, [computation, i64::MAX], |row| row.get::<_, i64>(0))?;
        Ok(found.first().map_or(0, |n| *n as u64))
    }

    /// The calibration (its row) a reading was taken with, whatever its active values were made with since.
    pub fn calibration_when_taken(&self, reading: i64) -> Result<Option<i64>, StoreError> {
        let sql = "SELECT v.calibration FROM computation c JOIN value v ON v.id = (c.id << ?2 | ?1) \
             ORDER BY c.id LIMIT 1";
        let found =
            self.rows("looking for a calibration", sql, [reading, i64::from(READING_BITS)], |row| row.get(0))?;
        Ok(found.first().copied().flatten())
    }
}
