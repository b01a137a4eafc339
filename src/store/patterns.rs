//! Patterns by which frames are told: kept for good, each in two tables.
//!
//! A frame coded beside patterns is lost with any of them, and a pattern serves thousands of frames. So it is kept twice, in tables
//! whose rows lie on different pages of the file: whatever spoils a page leaves one, and either serves. `verify` names
//! the one that is damaged. What must stay true: a pattern's row is durable before a frame names it, and no row is ever
//! deleted or changed, not even when the frames that named it were let go.

use super::codec::learning::{Basis, Fresh, Learner, MAX_LIGHTS, Numbers, Pattern, Role};
use super::codec::{CodecError, Coded, MAX_PIXELS};
use super::error::StoreError;
use super::{Reader, Store};
use crate::record::Frame;
use pco::standalone::{simple_compress, simple_decompress_into};
use pco::{ChunkConfig, DeltaSpec, ModeSpec};
use rusqlite::params;

/// The tables that keep the numbers.
const TABLES: [&str; 2] = ["pattern", "pattern_copy"];
/// Patterns remembered: those of some instruments over some weeks, 8 KB each.
const REMEMBERED: usize = 64;

impl Store {
    /// Codes a frame of an instrument (its row) beside what is known of it, and what came of looking at it.
    pub(super) fn code(
        &self,
        instrument: i64,
        frame: &Frame,
        dark: bool,
    ) -> Result<(Coded, Option<Fresh>), StoreError> {
        let mut learners = self.learners.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        let learner = match learners.entry(instrument) {
            std::collections::hash_map::Entry::Occupied(known) => known.into_mut(),
            std::collections::hash_map::Entry::Vacant(new) => new.insert(Learner::new(self.basis(instrument)?)),
        };
        let coded = if dark { learner.dark(frame) } else { learner.frame(frame) };
        coded.map_err(|e| StoreError::Shape { expected: e.expected, found: e.found })
    }

    /// Keeps a pattern, in a transaction of its own, so that frames may name it from now on.
    ///
    /// One that cannot be kept is no loss: frames go on being coded without it, and are no less whole.
    pub(super) fn learn(&self, instrument: i64, fresh: Option<Fresh>) {
        let Some(fresh) = fresh else { return };
        let settings =
            ChunkConfig::default().with_mode_spec(ModeSpec::Classic).with_delta_spec(DeltaSpec::TryConsecutive(1));
        let Ok(numbers) = simple_compress(&fresh.numbers, &settings) else { return };
        let crc32 = crc32fast::hash(&numbers);
        let kept = self.transact("storing a pattern", |tx| {
            let insert = "INSERT INTO pattern(instrument, role, integration, pixels, numbers, crc32) \
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6)";
            let pixels = fresh.numbers.len() as i64;
            let id = tx.prepare_cached(insert)?.insert(params![
                instrument,
                fresh.role.name(),
                fresh.integration_s,
                pixels,
                numbers,
                crc32
            ])?;
            tx.prepare_cached("INSERT INTO pattern_copy(id, pixels, numbers, crc32) VALUES (?1, ?2, ?3, ?4)")?
                .execute(params![id, pixels, numbers, crc32])?;
            Ok(id)
        });
        let mut learners = self.learners.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if let (Ok(id), Some(learner)) = (kept, learners.get_mut(&instrument)) {
            learner.stored(id, fresh);
        }
    }

    /// The patterns an instrument was told by last; damaged ones serve no new frames.
    fn basis(&self, instrument: i64) -> Result<Basis, StoreError> {
        let sql = "SELECT id, role, integration FROM pattern p WHERE instrument = ?1 AND id IN (SELECT id FROM pattern \
             WHERE instrument = ?1 AND role = p.role ORDER BY id DESC LIMIT ?2) ORDER BY id";
        let rows = self.rows("looking for patterns", sql, [instrument, MAX_LIGHTS as i64], |row| {
            Ok((row.get::<_, i64>(0)?, row.get::<_, String>(1)?, row.get::<_, f64>(2)?))
        })?;
        let mut basis = Basis::default();
        for (id, role, integration_s) in rows {
            if let (Some(role), Ok(numbers)) = (Role::from_name(&role), self.pattern(id)) {
                basis.put(Pattern { id, fresh: Fresh { role, integration_s, numbers } });
            }
        }
        Ok(basis)
    }
}

impl Reader {
    /// The numbers of a pattern, from whichever of its two rows is whole.
    pub(super) fn pattern(&self, id: i64) -> Result<Numbers, CodecError> {
        if let Some(known) = self.lock().patterns.get(&id) {
            return Ok(Numbers::clone(known));
        }
        let [first, second] = TABLES.map(|table| || self.pattern_in(table, id));
        let numbers = first().or_else(|_| second()).map_err(|found| CodecError {
            expected: format!("pattern {id} in `pattern` or `pattern_copy`"),
            found: format!("neither is whole: {found}"),
        })?;
        let mut inner = self.lock();
        if inner.patterns.len() >= REMEMBERED {
            inner.patterns.clear();
        }
        inner.patterns.insert(id, Numbers::clone(&numbers));
        Ok(numbers)
    }

    fn pattern_in(&self, table: &str, id: i64) -> Result<Numbers, String> {
        let sql = format!("SELECT pixels, numbers, crc32 FROM {table} WHERE id = ?1");
        let rows = self.rows("reading a pattern", &sql, [id], |row| {
            Ok((row.get::<_, i64>(0)?, row.get::<_, Vec<u8>>(1)?, row.get::<_, u32>(2)?))
        });
        let Some((pixels, coded, want)) = rows.map_err(|e| e.to_string())?.pop() else {
            return Err("no such row".to_owned());
        };
        let got = crc32fast::hash(&coded);
        if want != got {
            return Err(format!("a checksum of {got:08x} instead of {want:08x}"));
        }
        let pixels = usize::try_from(pixels).ok().filter(|p| *p <= MAX_PIXELS).ok_or(format!("{pixels} pixels"))?;
        let mut numbers = vec![0_i32; pixels];
        let progress = simple_decompress_into(&coded, &mut numbers).map_err(|e| e.to_string())?;
        if progress.n_processed != pixels || !progress.finished {
            return Err(format!("other than {pixels} numbers"));
        }
        Ok(numbers.into())
    }

    /// How many patterns there are, and which rows of them are damaged or missing; empty when all is well.
    pub fn pattern_faults(&self) -> Result<(u64, Vec<String>), StoreError> {
        let sql = "SELECT id FROM pattern UNION SELECT id FROM pattern_copy ORDER BY id";
        let ids: Vec<i64> = self.rows("looking for patterns", sql, [], |row| row.get(0))?;
        let mut faults = Vec::new();
        for id in &ids {
            for table in TABLES {
                if let Err(found) = self.pattern_in(table, *id) {
                    faults.push(format!("{table} {id}: expected a whole pattern, but found {found}"));
                }
            }
        }
        Ok((ids.len() as u64, faults))
    }
}
