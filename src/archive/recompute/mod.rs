//! Recomputes the readings of a time range from their raw frames, on all cores, and makes the new values active in one step at the end.
//!
//! Workers compute, each with a connection of its own; one thread stores what they computed, in the order of the readings.
//!
//! Invariants:
//! - Until the last step no active value changes, so it may be interrupted at any point. Run again with the same identity (program, registry,
//!   calibration, darks, range) it continues where it stopped.
//! - Memory does not grow with the range.
//! - Every write transaction is short, since the daemon writes meanwhile.

pub mod batch_writer;
pub mod request;
pub mod worker;

use super::error::ArchiveError;
use super::recomputer::Recomputer;
use crate::calibration::Calibration;
use crate::clock::UtcMicros;
use crate::processing::computation_text;
use crate::quantities;
use crate::record::{Event, EventKind};
use crate::store::{Reader, Store, StoreError, Switched};
use batch_writer::BatchWriter;
pub use request::{Request, SkipReason};
use std::collections::{BTreeMap, VecDeque};
use std::ops::Range;
use std::path::Path;
use std::sync::Mutex;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::Duration;
use worker::{Chunk, Computed, RecomputedChunk, Selection};

/// Readings in one chunk of work.
const CHUNK: i64 = 64;
/// Chunks handed out ahead for each worker: enough that none waits for the writer, and few enough to bound memory.
const CHUNKS_AHEAD: usize = 4;

/// What was done.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    /// The computation; it is deleted again where it recomputed nothing.
    pub computation: i64,
    /// What is active now; `None` where nothing could be recomputed, or where it was told to stop.
    pub switched: Option<Switched>,
    /// Readings recomputed in this run.
    pub recomputed: u64,
    /// The last reading that an earlier, interrupted run had recomputed.
    pub resumed_after: Option<i64>,
    /// Readings that keep their values, and why; of those that an interrupted run found, only their number.
    pub skipped: BTreeMap<SkipReason, u64>,
    /// Unfinished computations of other identities that were discarded.
    pub discarded: Vec<i64>,
    /// The longest write transaction.
    pub longest_transaction: Duration,
}

/// Opens a database for recomputing; refused while another process recomputes it.
pub fn open(path: &Path) -> Result<Store, StoreError> {
    let columns: Vec<(&str, &str)> = quantities::registry().iter().map(|q| (q.id, q.unit)).collect();
    Store::open_recomputer(path, &columns)
}

/// Called with the readings seen so far and their total; answers whether to continue.
pub type Progress<'a> = &'a mut dyn FnMut(u64, u64) -> bool;

/// Recomputes readings and makes the new values active.
pub fn recompute(
    store: &Store,
    request: &Request<'_>,
    now: UtcMicros,
    progress: Progress<'_>,
) -> Result<Outcome, ArchiveError> {
    recompute_by(store, request, Recomputer::new, now, progress)
}

/// The same with workers of another kind, for benchmarks.
#[doc(hidden)]
pub fn recompute_by(
    store: &Store,
    request: &Request<'_>,
    recomputer: fn() -> Recomputer,
    now: UtcMicros,
    progress: Progress<'_>,
) -> Result<Outcome, ArchiveError> {
    let begun = store.begin_computation(&identity(request), now)?;
    let mut writer = BatchWriter::new(store, begun.id);
    let mut outcome = Outcome {
        computation: begun.id,
        switched: None,
        recomputed: 0,
        resumed_after: begun.last,
        skipped: BTreeMap::new(),
        discarded: discard_others(&mut writer, begun.id)?,
        longest_transaction: Duration::ZERO,
    };
    let calibrations = request.calibration.map(|c| Ok::<_, StoreError>((c, rows_of(store, c)?))).transpose()?;
    let selection = Selection { calibrations, from: request.from, to: request.to, recomputer };
    let chunks = chunks(store.ids_between(request.from, request.to)?, begun.last);
    let total = chunks.iter().map(|c| (c.end - c.start) as u64).sum();
    let threads = request.threads.max(1);
    let finished = fill(&mut writer, &selection, chunks, threads, &mut outcome, &mut |seen| progress(seen, total))?;
    if finished {
        switch(&mut writer, request, now, &mut outcome)?;
    }
    outcome.longest_transaction = writer.longest_transaction();
    Ok(outcome)
}

/// Discards unfinished computations of other identities.
fn discard_others(writer: &mut BatchWriter<'_>, own: i64) -> Result<Vec<i64>, StoreError> {
    let mut others = writer.store().unfinished_computations()?;
    others.retain(|id| *id != own);
    others.iter().try_for_each(|id| writer.discard(*id))?;
    Ok(others)
}

/// Makes a complete computation active, or deletes it where it recomputed nothing.
fn switch(
    writer: &mut BatchWriter<'_>,
    request: &Request<'_>,
    now: UtcMicros,
    outcome: &mut Outcome,
) -> Result<(), StoreError> {
    let Some(switch) = writer.store().switch_of(outcome.computation)? else {
        return writer.discard(outcome.computation);
    };
    if let Some(last) = outcome.resumed_after {
        let seen = seen_before(writer.store(), last, request)?;
        let recomputed_before = switch.switched.readings.saturating_sub(outcome.recomputed);
        let skipped_before = seen.saturating_sub(recomputed_before);
        if skipped_before > 0 {
            outcome.skipped.insert(SkipReason::FoundBefore, skipped_before);
        }
    }
    let event = event_of(outcome.computation, switch.switched, request, now);
    writer.timed(|store| store.switch_to(&switch, &event))?;
    outcome.switched = Some(switch.switched);
    Ok(())
}

/// Number of readings up to a last one that an earlier run saw.
fn seen_before(store: &Store, last: i64, request: &Request<'_>) -> Result<u64, StoreError> {
    let until = last.saturating_add(1);
    let ranges = store.ids_between(request.from, request.to)?.into_iter();
    ranges.map(|r| store.count_readings(r.start..r.end.min(until), request.from, request.to)).sum()
}

/// What makes a computation the same as another, beside the version of the program.
fn identity(request: &Request<'_>) -> String {
    let calibration = request.calibration.map_or("as each reading was computed".to_owned(), |c| {
        format!("{} sha256 {}", c.id, crate::store::sha256(&c.text))
    });
    let end = |t: UtcMicros| if [i64::MIN, i64::MAX].contains(&t.0) { "open".to_owned() } else { t.to_string() };
    let (from, to) = (end(request.from), end(request.to));
    format!(
        "{}recomputed from raw frames\ncalibration: {calibration}\ndarks: those of each reading\nfrom: {from}\nto: {to}\n",
        computation_text()
    )
}

fn event_of(computation: i64, done: Switched, request: &Request<'_>, now: UtcMicros) -> Event {
    let calibration =
        request.calibration.map_or("the calibrations they had".to_owned(), |c| format!("calibration `{}`", c.id));
    let (n, (from, to)) = (done.readings, done.span);
    let text =
        format!("computation {computation} active for {n} readings from {from} to {to}, recomputed with {calibration}");
    Event { time: now, until: None, instrument: None, kind: EventKind::Recomputed, text }
}

/// The rows of a calibration, by row of the instruments it is for.
fn rows_of(store: &Store, calibration: &Calibration) -> Result<BTreeMap<i64, i64>, StoreError> {
    let matrix = calibration.stray_light.matrix.as_deref();
    let ours = store.instruments()?.into_iter().filter(|i| i.serial == calibration.instrument_serial);
    ours.map(|i| Ok((i.id, store.register_calibration_beside(i.id, &calibration.id, &calibration.text, matrix)?)))
        .collect()
}

/// Ranges of ids in chunks, from after the last reading that is recomputed already.
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

/// Computes and stores all chunks; answers whether it came to the end.
fn fill(
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
        // Dropped on every way out, which ends the workers.
        let work = work;
        let most = CHUNKS_AHEAD * threads;
        let mut in_order = InOrder::new(chunks, most, (&work, &computed));
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

/// Hands out chunks and brings what workers computed back into order.
struct InOrder<'a> {
    chunks: VecDeque<Range<i64>>,
    /// Chunks that are handed out and not returned, at most: a fast worker waits for the slowest.
    most: usize,
    work: &'a Sender<Chunk>,
    computed: &'a Receiver<Computed>,
    handed_out: usize,
    returned: usize,
    /// Chunks that came back before their turn.
    early: BTreeMap<usize, RecomputedChunk>,
    sizes: VecDeque<u64>,
    seen: u64,
}

impl<'a> InOrder<'a> {
    fn new(
        chunks: VecDeque<Range<i64>>,
        most: usize,
        (work, computed): (&'a Sender<Chunk>, &'a Receiver<Computed>),
    ) -> Self {
        let (early, sizes) = (BTreeMap::new(), VecDeque::new());
        Self { chunks, most, work, computed, handed_out: 0, returned: 0, early, sizes, seen: 0 }
    }

    /// Whether every chunk came back.
    fn is_finished(&self) -> bool {
        self.chunks.is_empty() && self.returned == self.handed_out
    }

    /// The next chunk in order, and the readings seen with it; `None` after the last, or where the workers ended.
    fn next(&mut self) -> Result<Option<(RecomputedChunk, u64)>, ArchiveError> {
        self.hand_out();
        while !self.early.contains_key(&self.returned) {
            if self.is_finished() {
                return Ok(None);
            }
            // Workers end by a panic alone before the queue is closed.
            let Ok((place, readings)) = self.computed.recv() else { return Ok(None) };
            self.early.insert(place, readings?);
        }
        let Some(readings) = self.early.remove(&self.returned) else { return Ok(None) };
        self.returned += 1;
        self.seen += self.sizes.pop_front().unwrap_or(0);
        Ok(Some((readings, self.seen)))
    }

    fn hand_out(&mut self) {
        while self.handed_out < self.returned + self.most {
            let Some(chunk) = self.chunks.pop_front() else { return };
            self.sizes.push_back((chunk.end - chunk.start) as u64);
            // It fails once every worker has ended, and then nothing comes back either.
            let _ = self.work.send((self.handed_out, chunk));
            self.handed_out += 1;
        }
    }
}
