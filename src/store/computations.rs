//! Stores the values of a recomputation and activates them in one short transaction.
//!
//! Nothing is computed here. Invariants:
//! - Until [`Store::activate`] returns, the active values of every reading are unchanged. Afterwards the computation is active
//!   for
//!   the readings that it has values of, and for no other, including readings stored meanwhile or later.
//! - Only values of a computation that was never active are deleted.
//! - A computation is continued only while it is the newest, so the computation with the lowest row among the values of a reading
//!   is the one it was taken with ([`Reader::calibration_when_taken`]).

use super::error::StoreError;
use super::events::put_event;
use super::provenance::{VERSION, sha256};
use super::schema::READING_BITS;
use super::{Provenance, Reader, Store, invalidation};
use crate::clock::UtcMicros;
use crate::record::{Event, Reading};
use rusqlite::{OptionalExtension, Transaction, params};
use std::collections::BTreeMap;

/// Readings per query.
const READINGS_PER_QUERY: i64 = 4096;
/// Maximum number of runs written by an activation; this many take about 50 ms.
const MAX_RUNS: usize = 100_000;

/// A computation that accepts values.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OpenComputation {
    /// Row of `computation`.
    pub id: i64,
    /// The last reading with values of this computation, if an earlier process stored some.
    pub last: Option<i64>,
}

/// Values of a reading, not yet stored.
#[derive(Clone, Debug, PartialEq)]
pub struct NewValues {
    /// The recomputed reading: `id` of the stored reading, `values` in the order of [`Reader::quantities`].
    pub reading: Reading,
    /// Row of `calibration`.
    pub calibration: Option<i64>,
}

/// A computation with a summary of its values.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ComputationRow {
    /// Text, checksum, program version, time of creation.
    pub made: Provenance,
    /// Whether it was activated; the values of an unfinished computation are active for no reading.
    pub finished: bool,
    /// Number of readings with values of this computation.
    pub readings: u64,
    /// Time of the first and the last of these readings.
    pub span: Option<(UtcMicros, UtcMicros)>,
    /// Number of readings for which this computation is active.
    pub active_for: u64,
    /// Names of the calibrations of its values.
    pub calibrations: Vec<String>,
}

/// The readings affected by an activation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ActivationSummary {
    /// Number of readings for which the computation becomes active.
    pub readings: u64,
    /// Time of the first and the last of these readings.
    pub span: (UtcMicros, UtcMicros),
}

/// The changes that activate a computation.
#[derive(Debug)]
pub struct Activation {
    computation: i64,
    plans: BTreeMap<i64, RunPlan>,
    /// The affected readings.
    pub summary: ActivationSummary,
}

/// First reading of a run, and the computation that is active from it on.
type Run = (i64, i64);

/// The future runs of an instrument.
#[derive(Debug)]
struct RunPlan {
    runs: Vec<Run>,
    /// Number of runs that begin no later than the last reading with values of the computation; later runs are not written.
    run_count: usize,
    first: i64,
    last: i64,
    /// Number of readings with values of the computation.
    readings: u64,
    /// The computation active for the reading `last` before the change.
    previous: Option<i64>,
    span: (UtcMicros, UtcMicros),
}

impl Store {
    /// Returns a computation for new values: an unfinished one with the same text if it is the newest, or else a new row.
    pub fn begin_computation(&self, text: &str, when: UtcMicros) -> Result<OpenComputation, StoreError> {
        self.transact("creating a computation", |tx| {
            let sql = "SELECT id FROM computation WHERE id = (SELECT max(id) FROM computation) AND text = ?1 \
                 AND program_version = ?2 AND active IS NULL";
            let known: Option<i64> = tx.query_row(sql, [text, VERSION], |row| row.get(0)).optional()?;
            let id = match known {
                Some(id) => id,
                None => {
                    let sql = "INSERT INTO computation(text, sha256, program_version, created) VALUES (?, ?, ?, ?)";
                    let id = tx.prepare(sql)?.insert(params![text, sha256(text), VERSION, when.0])?;
                    self.sealed().seal(tx, "computation", id)?;
                    id
                }
            };
            let sql = "SELECT max(id) FROM value WHERE id >= ?1 AND id < ?2";
            let last: Option<i64> = tx.query_row(sql, bounds(id), |row| row.get(0))?;
            Ok(OpenComputation { id, last: last.map(|v| v & ((1 << READING_BITS) - 1)) })
        })
    }

    /// Stores values of an unfinished computation.
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

    /// Deletes at most `at_most` values of a computation that was never active, and its row after the last of them.
    /// Returns whether nothing remains to be deleted. An active computation is not changed.
    pub fn drop_computation(&self, id: i64, at_most: u32) -> Result<bool, StoreError> {
        self.transact("deleting an unfinished computation", |tx| {
            let sql = "SELECT active IS NULL FROM computation WHERE id = ?1";
            if tx.query_row(sql, [id], |row| row.get(0)).optional()? != Some(true) {
                return Ok(true);
            }
            let [from, to] = bounds(id);
            let deleted = tx
                .prepare_cached(
                    "DELETE FROM value WHERE id IN (SELECT id FROM value WHERE id >= ?1 AND id < ?2 LIMIT ?3)",
                )?
                .execute(params![from, to, at_most])?;
            if deleted < at_most as usize {
                tx.execute("DELETE FROM computation WHERE id = ?1", [id])?;
                return Ok(true);
            }
            Ok(false)
        })
    }

    /// Plans the activation of a computation for all readings with values of it; `None` if there are none.
    ///
    /// The plan stays valid until [`Store::activate`]: no reading is added before the last one with values of the computation,
    /// and the lock of [`Store::open_recomputer`] excludes another process that activates.
    pub fn plan_activation(&self, computation: i64) -> Result<Option<Activation>, StoreError> {
        let plans = self.plan_runs(computation)?;
        let spans = || plans.values().map(|plan| plan.span);
        let (Some(begin), Some(end)) = (spans().map(|s| s.0).min(), spans().map(|s| s.1).max()) else {
            return Ok(None);
        };
        let runs: usize = plans.values().map(|plan| plan.run_count).sum();
        if runs > MAX_RUNS {
            let expected = format!("readings that were recomputed in at most {MAX_RUNS} runs");
            return Err(StoreError::Shape { expected, found: format!("{runs}, too many for a short transaction") });
        }
        let summary =
            ActivationSummary { readings: plans.values().map(|plan| plan.readings).sum(), span: (begin, end) };
        Ok(Some(Activation { computation, plans, summary }))
    }

    /// Activates a computation and stores an event, in one transaction.
    pub fn activate(&self, activation: &Activation, event: &Event) -> Result<(), StoreError> {
        self.transact("activating a computation", |tx| {
            activation.plans.iter().try_for_each(|(instrument, plan)| put_runs(tx, *instrument, plan))?;
            tx.execute(
                "UPDATE computation SET active = (SELECT coalesce(max(active), 0) + 1 FROM computation) WHERE id = ?1",
                [activation.computation],
            )?;
            self.sealed().seal(tx, "computation", activation.computation)?;
            put_event(tx, self.sealed(), event).map(drop)
        })
    }

    /// The future runs by instrument; instruments without values of the computation are omitted.
    fn plan_runs(&self, computation: i64) -> Result<BTreeMap<i64, RunPlan>, StoreError> {
        let doing = "looking for recomputed readings";
        let mask = (1_i64 << READING_BITS) - 1;
        let sql = "SELECT min(id) & ?3, max(id) & ?3 FROM value WHERE id >= ?1 AND id < ?2";
        let [low, high] = bounds(computation);
        let ends = self.rows(doing, sql, [low, high, mask], |row| Ok((row.get(0)?, row.get(1)?)))?;
        let Some((Some(first), Some(last))) = ends.first().copied() else { return Ok(BTreeMap::new()) };
        let sql = "SELECT instrument, first_reading, computation FROM active_values ORDER BY instrument, first_reading";
        let mut current: BTreeMap<i64, Vec<Run>> = BTreeMap::new();
        for (instrument, first, computation) in
            self.rows(doing, sql, [], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?
        {
            current.entry(instrument).or_default().push((first, computation));
        }
        let mut plans: BTreeMap<i64, RunPlan> = BTreeMap::new();
        let mut from: i64 = first;
        while from <= last {
            let sql = "SELECT r.id, r.instrument, r.time_mid, v.id IS NOT NULL FROM reading r \
                 LEFT JOIN value v ON v.id = (?3 | r.id) WHERE r.id >= ?1 AND r.id <= ?2 ORDER BY r.id";
            let to = last.min(from.saturating_add(READINGS_PER_QUERY - 1));
            let page = self.rows(doing, sql, [from, to, low], |row| {
                Ok((row.get::<_, i64>(0)?, row.get(1)?, UtcMicros(row.get(2)?), row.get(3)?))
            })?;
            for (id, instrument, time, made) in page {
                let current = current.get(&instrument).map_or(&[][..], Vec::as_slice);
                plan_reading(&mut plans, current, computation, (id, instrument, time, made));
            }
            from = to + 1;
        }
        Ok(plans)
    }
}

/// Extends the plan by one reading: id, instrument, time, whether it has values of the computation.
fn plan_reading(
    plans: &mut BTreeMap<i64, RunPlan>,
    current: &[Run],
    computation: i64,
    (id, instrument, time, made): (i64, i64, UtcMicros, bool),
) {
    if !made && !plans.contains_key(&instrument) {
        return;
    }
    let at = current.partition_point(|run| run.0 <= id);
    let previous = at.checked_sub(1).map(|k| current[k].1);
    let plan = plans.entry(instrument).or_insert_with(|| RunPlan {
        runs: Vec::new(),
        run_count: 0,
        first: id,
        last: id,
        readings: 0,
        previous,
        span: (time, time),
    });
    // A reading without any values has none, whichever computation is active.
    let wanted = if made { Some(computation) } else { previous };
    if let Some(wanted) = wanted.filter(|w| plan.runs.last().is_none_or(|run| run.1 != *w)) {
        plan.runs.push((id, wanted));
    }
    if made {
        (plan.run_count, plan.last, plan.previous) = (plan.runs.len(), id, previous);
        plan.readings += 1;
        plan.span = (plan.span.0.min(time), plan.span.1.max(time));
    }
}

fn put_runs(tx: &Transaction<'_>, instrument: i64, plan: &RunPlan) -> rusqlite::Result<()> {
    tx.execute(
        "DELETE FROM active_values WHERE instrument = ?1 AND first_reading BETWEEN ?2 AND ?3",
        [instrument, plan.first, plan.last],
    )?;
    let mut insert =
        tx.prepare("INSERT OR IGNORE INTO active_values(instrument, first_reading, computation) VALUES (?1, ?2, ?3)")?;
    for (first, computation) in &plan.runs[..plan.run_count] {
        insert.execute([instrument, *first, *computation])?;
    }
    // The active computation of later readings is unchanged, also of readings stored meanwhile; an existing run is retained.
    if let Some(previous) = plan.previous {
        insert.execute([instrument, plan.last + 1, previous])?;
    }
    let (from, to) = plan.span;
    invalidation::delete_rollups(tx, instrument, from, UtcMicros(to.0.saturating_add(1)))
}

/// The range of ids in `value` of a computation: first id, and first id after it.
fn bounds(computation: i64) -> [i64; 2] {
    [computation << READING_BITS, (computation + 1) << READING_BITS]
}

impl Reader {
    /// The unfinished computations, by row.
    pub fn unfinished_computations(&self) -> Result<Vec<i64>, StoreError> {
        let sql = "SELECT id FROM computation WHERE active IS NULL ORDER BY id";
        self.rows("looking for computations", sql, [], |row| row.get(0))
    }

    /// All computations with a summary of their values. Counts rows, which takes seconds for millions of them.
    pub fn computation_summaries(&self) -> Result<Vec<ComputationRow>, StoreError> {
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

    /// The calibration (row of `calibration`) with which a reading was first computed; recomputations do not change it.
    pub fn calibration_when_taken(&self, reading: i64) -> Result<Option<i64>, StoreError> {
        let sql = "SELECT v.calibration FROM computation c JOIN value v ON v.id = (c.id << ?2 | ?1) \
             ORDER BY c.id LIMIT 1";
        let found =
            self.rows("looking for a calibration", sql, [reading, i64::from(READING_BITS)], |row| row.get(0))?;
        Ok(found.first().copied().flatten())
    }
}
