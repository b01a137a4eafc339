//! Recomputes the readings of a time range from raw frames, on all cores, and activates the new values in one step at the end.
//!
//! Worker threads compute; one thread stores their results in the order of the readings.
//!
//! Invariants:
//! - Active values change in the last step only, so the recomputation can be interrupted at any time. A run with the same identity
//!   (program, registry, calibration, darks, range, quantities left out) resumes it.
//! - Memory does not grow with the range.
//! - Write transactions are short, because the daemon writes to the same database.

pub mod batch_writer;
pub mod request;
pub mod worker;

use super::error::ArchiveError;
use crate::calibration::Calibration;
use crate::clock::UtcMicros;
use crate::processing::computation_text;
use crate::quantities;
use crate::record::{Event, EventKind};
use crate::store::{ActivationSummary, Reader, Store, StoreError};
use batch_writer::BatchWriter;
pub use request::{Request, SkipReason};
use std::collections::{BTreeMap, VecDeque};
use std::ops::Range;
use std::path::Path;
use std::sync::Mutex;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::Duration;
use worker::{Chunk, Computed, RecomputedChunk, Selection};

/// Readings per chunk.
const CHUNK: i64 = 64;
/// Maximum number of unfinished chunks per worker: enough to keep the workers busy, few enough to limit memory.
const CHUNKS_AHEAD: usize = 4;

/// The result of a recomputation.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    /// The computation (row); deleted if no reading could be recomputed.
    pub computation: i64,
    /// The activated readings; `None` if no reading could be recomputed, or if the run was interrupted.
    pub activated: Option<ActivationSummary>,
    /// Number of readings recomputed in this run.
    pub recomputed: u64,
    /// The last reading recomputed by an earlier, interrupted run.
    pub resumed_after: Option<i64>,
    /// Number of skipped readings by reason; readings skipped by an interrupted run are counted without their reason.
    pub skipped: BTreeMap<SkipReason, u64>,
    /// Deleted unfinished computations of other identities.
    pub discarded: Vec<i64>,
    /// Duration of the longest write transaction.
    pub longest_transaction: Duration,
}

/// Opens a database for recomputation; an error while another process recomputes.
pub fn open(path: &Path) -> Result<Store, StoreError> {
    let columns: Vec<(&str, &str)> = quantities::registry().iter().map(|q| (q.id, q.unit)).collect();
    Store::open_recomputer(path, &columns)
}

/// Called with the number of readings processed so far and the total; returns whether to continue.
pub type Progress<'a> = &'a mut dyn FnMut(u64, u64) -> bool;

/// Recomputes readings and makes the new values active.
pub fn recompute(
    store: &Store,
    request: &Request<'_>,
    now: UtcMicros,
    progress: Progress<'_>,
) -> Result<Outcome, ArchiveError> {
    let open = store.begin_computation(&identity(request), now)?;
    let mut writer = BatchWriter::new(store, open.id);
    let mut outcome = Outcome {
        computation: open.id,
        activated: None,
        recomputed: 0,
        resumed_after: open.last,
        skipped: BTreeMap::new(),
        discarded: discard_others(&mut writer, open.id)?,
        longest_transaction: Duration::ZERO,
    };
    let calibrations = request.calibration.map(|c| Ok::<_, StoreError>((c, rows_of(store, c)?))).transpose()?;
    let selection =
        Selection { calibrations, from: request.from, to: request.to, without_drawn: request.without_drawn };
    let chunks = chunks(store.ids_between(request.from, request.to)?, open.last);
    let total = chunks.iter().map(|c| (c.end - c.start) as u64).sum();
    let threads = request.threads.max(1);
    let finished =
        recompute_chunks(&mut writer, &selection, chunks, threads, &mut outcome, &mut |seen| progress(seen, total))?;
    if finished {
        activate(&mut writer, request, now, &mut outcome)?;
    }
    outcome.longest_transaction = writer.longest_transaction();
    Ok(outcome)
}

/// Deletes unfinished computations of other identities.
fn discard_others(writer: &mut BatchWriter<'_>, own: i64) -> Result<Vec<i64>, StoreError> {
    let mut others = writer.store().unfinished_computations()?;
    others.retain(|id| *id != own);
    others.iter().try_for_each(|id| writer.discard(*id))?;
    Ok(others)
}

/// Activates a complete computation, or deletes it if no reading could be recomputed.
fn activate(
    writer: &mut BatchWriter<'_>,
    request: &Request<'_>,
    now: UtcMicros,
    outcome: &mut Outcome,
) -> Result<(), StoreError> {
    let Some(activation) = writer.store().plan_activation(outcome.computation)? else {
        return writer.discard(outcome.computation);
    };
    if let Some(last) = outcome.resumed_after {
        let seen = seen_before(writer.store(), last, request)?;
        let recomputed_before = activation.summary.readings.saturating_sub(outcome.recomputed);
        let skipped_before = seen.saturating_sub(recomputed_before);
        if skipped_before > 0 {
            outcome.skipped.insert(SkipReason::FoundBefore, skipped_before);
        }
    }
    let event = event_of(outcome.computation, activation.summary, request, now);
    writer.timed(|store| store.activate(&activation, &event))?;
    outcome.activated = Some(activation.summary);
    Ok(())
}

/// Number of readings up to the last one that an earlier run processed.
fn seen_before(store: &Store, last: i64, request: &Request<'_>) -> Result<u64, StoreError> {
    let until = last.saturating_add(1);
    let ranges = store.ids_between(request.from, request.to)?.into_iter();
    ranges.map(|r| store.count_readings(r.start..r.end.min(until), request.from, request.to)).sum()
}

/// The identity of a recomputation, beside the version of the program.
fn identity(request: &Request<'_>) -> String {
    let calibration = request.calibration.map_or("as each reading was computed".to_owned(), |c| {
        format!("{} sha256 {}", c.id, crate::store::sha256(&c.text))
    });
    let bound = |t: UtcMicros| if [i64::MIN, i64::MAX].contains(&t.0) { "open".to_owned() } else { t.to_string() };
    let (from, to) = (bound(request.from), bound(request.to));
    let without = if request.without_drawn { "without: drawn quantities\n" } else { "" };
    format!(
        "{}recomputed from raw frames\ncalibration: {calibration}\ndarks: those of each reading\nfrom: {from}\nto: {to}\n{without}",
        computation_text()
    )
}

fn event_of(computation: i64, done: ActivationSummary, request: &Request<'_>, now: UtcMicros) -> Event {
    let calibration =
        request.calibration.map_or("the calibrations they had".to_owned(), |c| format!("calibration `{}`", c.id));
    let (n, (from, to)) = (done.readings, done.span);
    let without = if request.without_drawn { ", without colour rendering and peak wavelength" } else { "" };
    let text = format!(
        "computation {computation} active for {n} readings from {from} to {to}, recomputed with {calibration}{without}"
    );
    Event { time: now, until: None, instrument: None, kind: EventKind::Recomputed, text }
}

/// The rows of a calibration, by row of its instrument.
fn rows_of(store: &Store, calibration: &Calibration) -> Result<BTreeMap<i64, i64>, StoreError> {
    let matrix = calibration.stray_light.matrix.as_deref();
    let ours = store.instruments()?.into_iter().filter(|i| i.serial == calibration.instrument_serial);
    ours.map(|i| {
        Ok((i.id, store.register_calibration_for_recomputation(i.id, &calibration.id, &calibration.text, matrix)?))
    })
    .collect()
}

/// Divides ranges of ids into chunks, beginning after the last recomputed reading.
fn chunks(ranges: Vec<Range<i64>>, after: Option<i64>) -> VecDeque<Range<i64>> {
    let first = after.map_or(i64::MIN, |id| id.saturating_add(1));
    let mut chunks = VecDeque::new();
    for range in ranges {
        let mut from = range.start.max(first);
        while from < range.end {
            let to = range.end.min(from + CHUNK);
            chunks.push_back(from..to);
            from = to;
        }
    }
    chunks
}

/// Recomputes and stores all chunks; returns whether it was completed.
fn recompute_chunks(
    writer: &mut BatchWriter<'_>,
    selection: &Selection<'_>,
    chunks: VecDeque<Range<i64>>,
    threads: usize,
    outcome: &mut Outcome,
    progress: &mut dyn FnMut(u64) -> bool,
) -> Result<bool, ArchiveError> {
    let (work, queue) = channel::<Chunk>();
    let queue = Mutex::new(queue);
    let (results, computed) = channel::<Computed>();
    let path = writer.store().path();
    let readers: Vec<Reader> = (0..threads).map(|_| Reader::open(path)).collect::<Result<_, _>>()?;
    std::thread::scope(|scope| {
        for reader in readers {
            let (queue, results) = (&queue, results.clone());
            scope.spawn(move || worker::run(queue, &results, &reader, selection));
        }
        drop(results);
        // Dropped on return, which ends the workers.
        let work = work;
        let limit = CHUNKS_AHEAD * threads;
        let mut in_order = InOrder::new(chunks, limit, (&work, &computed));
        let mut proceed = progress(0);
        while proceed {
            let Some((readings, seen)) = in_order.next()? else {
                writer.flush()?;
                return Ok(in_order.is_finished());
            };
            store_chunk(writer, readings, outcome)?;
            proceed = progress(seen);
        }
        writer.flush()?;
        Ok(false)
    })
}

fn store_chunk(
    writer: &mut BatchWriter<'_>,
    readings: RecomputedChunk,
    outcome: &mut Outcome,
) -> Result<(), StoreError> {
    for reading in readings {
        match reading {
            Ok(values) => {
                outcome.recomputed += 1;
                writer.put(values)?;
            }
            Err(reason) => *outcome.skipped.entry(reason).or_insert(0) += 1,
        }
    }
    Ok(())
}

/// Distributes chunks to workers and returns their results in order.
struct InOrder<'a> {
    chunks: VecDeque<Range<i64>>,
    /// Maximum number of distributed chunks that are not returned: a fast worker waits for the slowest.
    limit: usize,
    work: &'a Sender<Chunk>,
    computed: &'a Receiver<Computed>,
    distributed: usize,
    returned: usize,
    /// Results that arrived before their turn.
    early: BTreeMap<usize, RecomputedChunk>,
    sizes: VecDeque<u64>,
    seen: u64,
}

impl<'a> InOrder<'a> {
    fn new(
        chunks: VecDeque<Range<i64>>,
        limit: usize,
        (work, computed): (&'a Sender<Chunk>, &'a Receiver<Computed>),
    ) -> Self {
        let (early, sizes) = (BTreeMap::new(), VecDeque::new());
        Self { chunks, limit, work, computed, distributed: 0, returned: 0, early, sizes, seen: 0 }
    }

    /// Whether all chunks were returned.
    fn is_finished(&self) -> bool {
        self.chunks.is_empty() && self.returned == self.distributed
    }

    /// The next chunk in order, and the number of readings processed with it; `None` after the last, or if all workers have
    /// ended.
    fn next(&mut self) -> Result<Option<(RecomputedChunk, u64)>, ArchiveError> {
        self.distribute();
        while !self.early.contains_key(&self.returned) {
            if self.is_finished() {
                return Ok(None);
            }
            // Before the queue is closed, workers end only by a panic.
            let Ok((index, readings)) = self.computed.recv() else { return Ok(None) };
            self.early.insert(index, readings?);
        }
        let Some(readings) = self.early.remove(&self.returned) else { return Ok(None) };
        self.returned += 1;
        self.seen += self.sizes.pop_front().unwrap_or(0);
        Ok(Some((readings, self.seen)))
    }

    fn distribute(&mut self) {
        while self.distributed < self.returned + self.limit {
            let Some(chunk) = self.chunks.pop_front() else { return };
            self.sizes.push_back((chunk.end - chunk.start) as u64);
            // Fails if all workers have ended; `next` then returns `None`.
            let _ = self.work.send((self.distributed, chunk));
            self.distributed += 1;
        }
    }
}
