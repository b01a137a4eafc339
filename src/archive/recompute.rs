//! Every reading of a span made again from its raw frames, on all cores, and put in force at the end in one step.
//!
//! Workers make readings, each with a connection of its own; one thread stores them in their order. What must stay true: until
//! the end nothing that is in force changes, so it may be interrupted at any point; begun again with the same identity
//! (program, registry, calibration, darks, span) it goes on where it stopped. Memory does not grow with the span. Every write
//! transaction is short, since the daemon writes meanwhile.

use super::recomputation::{RecomputeError, Recomputer};
use crate::calibration::Calibration;
use crate::clock::UtcMicros;
use crate::processing::computation_text;
use crate::quantities;
use crate::record::{Event, EventKind, Reading};
use crate::store::{FrameRecord, NewValues, Reader, Store, StoreError, StoredReading, Switched};
use std::collections::{BTreeMap, VecDeque};
use std::ops::Range;
use std::path::Path;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Readings a worker makes in one go.
const CHUNK: i64 = 64;
/// Chunks handed out ahead for each worker.
const AHEAD: usize = 4;
/// Readings stored in one transaction at first; then as many as take between these two durations.
const FIRST_BATCH: usize = 128;
const BATCH_TAKES: (Duration, Duration) = (Duration::from_millis(15), Duration::from_millis(40));
/// The most readings in one transaction, for the memory's sake.
const LARGEST_BATCH: usize = 2048;
/// Values dropped in one transaction.
const DROPPED_AT_ONCE: u32 = 2048;

/// What is asked for.
#[derive(Clone, Copy, Debug)]
pub struct Request<'a> {
    /// Readings from this instant on.
    pub from: UtcMicros,
    /// Readings before this instant.
    pub to: UtcMicros,
    /// The calibration, for its instrument within its validity; `None`: the one each reading's values in force were made with.
    pub calibration: Option<&'a Calibration>,
    /// Threads that make readings.
    pub threads: usize,
}

/// Why a reading keeps the values it has.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kept {
    /// Its raw frames are not kept any more.
    NoFrames,
    /// Its frames or a dark they need are damaged.
    Damaged,
    /// What it was made with is not on record, or not understood by this program.
    Unusable,
    /// It was taken by another instrument than the calibration is for.
    OtherInstrument,
    /// It was taken before or after the calibration is valid.
    OutsideValidity,
    /// An earlier run, which was interrupted, found one of these.
    FoundBefore,
}

impl Kept {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::NoFrames => "no raw frames any more",
            Self::Damaged => "raw frames or a dark damaged",
            Self::Unusable => "made with what is not on record or not understood any more",
            Self::OtherInstrument => "taken by another instrument than the calibration is for",
            Self::OutsideValidity => "taken outside the calibration's validity",
            Self::FoundBefore => "found so by an earlier run, which was interrupted",
        }
    }
}

/// What was done.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    /// The computation; it is gone again where it made nothing.
    pub computation: i64,
    /// What is in force now; `None` where nothing could be made again, or where it was told to stop.
    pub switched: Option<Switched>,
    /// Readings made in this run.
    pub made: u64,
    /// The last reading that an earlier, interrupted run had made.
    pub gone_on_after: Option<i64>,
    /// Readings that keep what they have, and why; of those an interrupted run found only how many.
    pub kept: BTreeMap<Kept, u64>,
    /// Unfinished computations of other identities that were dropped.
    pub dropped: Vec<i64>,
    /// The longest write transaction.
    pub longest_transaction: Duration,
}

/// Opens a database for this; refused while another process does it.
pub fn open(path: &Path) -> Result<Store, StoreError> {
    let columns: Vec<(&str, &str)> = quantities::registry().iter().map(|q| (q.id, q.unit)).collect();
    Store::open_recomputer(path, &columns)
}

/// How far it has come: readings seen, and all there are. Answers whether to go on.
pub type Progress<'a> = &'a mut dyn FnMut(u64, u64) -> bool;

/// Makes readings again and puts them in force.
pub fn recompute(
    store: &Store,
    order: &Request<'_>,
    now: UtcMicros,
    progress: Progress<'_>,
) -> Result<Outcome, RecomputeError> {
    recompute_by(store, order, Recomputer::new, now, progress)
}

/// The same by workers of another make, for measurements.
#[doc(hidden)]
pub fn recompute_by(
    store: &Store,
    order: &Request<'_>,
    worker: fn() -> Recomputer,
    now: UtcMicros,
    progress: Progress<'_>,
) -> Result<Outcome, RecomputeError> {
    let mut clerk =
        BatchWriter { store, computation: 0, batch: Vec::new(), at_once: FIRST_BATCH, longest: Duration::ZERO };
    let begun = store.begin_computation(&identity(order), now)?;
    clerk.computation = begun.id;
    let mut dropped = store.unfinished_computations()?;
    dropped.retain(|id| *id != begun.id);
    for id in &dropped {
        while !clerk.timed(|s| s.drop_computation(*id, DROPPED_AT_ONCE))? {}
    }
    let calibrations = order.calibration.map(|c| Ok::<_, StoreError>((c, rows_of(store, c)?))).transpose()?;
    let choice = Choice { calibrations, from: order.from, to: order.to, worker };
    let ranges = store.ids_between(order.from, order.to)?;
    let chunks = chunks(ranges.clone(), begun.last);
    let total = chunks.iter().map(|c| (c.end - c.start) as u64).sum();
    let mut outcome = Outcome {
        computation: begun.id,
        switched: None,
        made: 0,
        gone_on_after: begun.last,
        kept: BTreeMap::new(),
        dropped,
        longest_transaction: Duration::ZERO,
    };
    let whole =
        fill(&mut clerk, &choice, chunks, order.threads.max(1), &mut outcome, &mut |seen| progress(seen, total))?;
    if whole {
        match store.switch_of(begun.id)? {
            Some(switch) => {
                if let Some(last) = begun.last {
                    let seen = seen_before(store, ranges, last, order)?;
                    let made = switch.switched.readings.saturating_sub(outcome.made);
                    outcome
                        .kept
                        .extend(Some(seen.saturating_sub(made)).filter(|n| *n > 0).map(|n| (Kept::FoundBefore, n)));
                }
                let event = event_of(begun.id, switch.switched, order, now);
                clerk.timed(|s| s.switch_to(&switch, &event))?;
                outcome.switched = Some(switch.switched);
            }
            None => while !clerk.timed(|s| s.drop_computation(begun.id, DROPPED_AT_ONCE))? {},
        }
    }
    outcome.longest_transaction = clerk.longest;
    Ok(outcome)
}

/// How many readings up to a last one an earlier run looked at.
fn seen_before(store: &Store, ranges: Vec<Range<i64>>, last: i64, order: &Request<'_>) -> Result<u64, StoreError> {
    let until = last.saturating_add(1);
    ranges.into_iter().map(|r| store.count_readings(r.start..r.end.min(until), order.from, order.to)).sum()
}

/// What makes a computation the same as another, beside the program's version.
fn identity(order: &Request<'_>) -> String {
    let calibration = order.calibration.map_or("as each reading was made".to_owned(), |c| {
        format!("{} sha256 {}", c.id, crate::store::sha256(&c.text))
    });
    let end = |t: UtcMicros| if [i64::MIN, i64::MAX].contains(&t.0) { "open".to_owned() } else { t.to_string() };
    let (from, to) = (end(order.from), end(order.to));
    format!(
        "{}made again from raw frames\ncalibration: {calibration}\ndarks: those that served\nfrom: {from}\nto: {to}\n",
        computation_text()
    )
}

fn event_of(computation: i64, done: Switched, order: &Request<'_>, now: UtcMicros) -> Event {
    let calibration =
        order.calibration.map_or("the calibrations they had".to_owned(), |c| format!("calibration `{}`", c.id));
    let (n, (from, to)) = (done.readings, done.span);
    let text = format!(
        "computation {computation} in force for {n} readings from {from} to {to}, made again with {calibration}"
    );
    Event { time: now, until: None, instrument: None, kind: EventKind::Recomputed, text }
}

/// The rows of a calibration, by row of the instruments it is for.
fn rows_of(store: &Store, calibration: &Calibration) -> Result<BTreeMap<i64, i64>, StoreError> {
    let matrix = calibration.stray_light.matrix.as_deref();
    let ours = store.instruments()?.into_iter().filter(|i| i.serial == calibration.instrument_serial);
    ours.map(|i| Ok((i.id, store.register_calibration_beside(i.id, &calibration.id, &calibration.text, matrix)?)))
        .collect()
}

/// Ranges of ids in pieces, from after the last reading that is made already.
fn chunks(ranges: Vec<Range<i64>>, after: Option<i64>) -> VecDeque<Range<i64>> {
    let first = after.map_or(i64::MIN, |id| id.saturating_add(1));
    let mut pieces = VecDeque::new();
    for range in ranges {
        let mut from = range.start.max(first);
        while from < range.end {
            let to = range.end.min(from + CHUNK);
            pieces.push_back(from..to);
            from = to;
        }
    }
    pieces
}

/// Which readings, with which calibration.
struct Choice<'a> {
    calibrations: Option<(&'a Calibration, BTreeMap<i64, i64>)>,
    from: UtcMicros,
    to: UtcMicros,
    worker: fn() -> Recomputer,
}

impl Choice<'_> {
    /// The row of the calibration a reading is made again with.
    fn calibration(&self, stored: &StoredReading) -> Result<Option<i64>, Kept> {
        let Some((calibration, rows)) = &self.calibrations else { return Ok(stored.made_with.calibration) };
        let row = rows.get(&stored.made_with.instrument).ok_or(Kept::OtherInstrument)?;
        let time = stored.reading.time_mid;
        let valid = calibration.valid_from <= time && time < calibration.valid_until;
        if valid { Ok(Some(*row)) } else { Err(Kept::OutsideValidity) }
    }
}

/// What became of a chunk: its place in the order, and its readings.
type Made = (usize, Result<Vec<Result<NewValues, Kept>>, RecomputeError>);

/// Makes and stores all chunks; answers whether it came to the end.
fn fill(
    clerk: &mut BatchWriter<'_>,
    choice: &Choice<'_>,
    chunks: VecDeque<Range<i64>>,
    threads: usize,
    outcome: &mut Outcome,
    progress: &mut dyn FnMut(u64) -> bool,
) -> Result<bool, RecomputeError> {
    let (work, queue) = channel::<(usize, Range<i64>)>();
    let queue = Mutex::new(queue);
    let (results, made) = channel::<Made>();
    let readers: Vec<Reader> = (0..threads).map(|_| Reader::open(clerk.store.path())).collect::<Result<_, _>>()?;
    std::thread::scope(|scope| {
        for reader in readers {
            let (queue, results) = (&queue, results.clone());
            scope.spawn(move || labour(queue, &results, &reader, choice));
        }
        drop(results);
        // Leaving by any way drops `work`, which ends the workers.
        let work = work;
        collect(clerk, chunks, threads, (&work, &made), outcome, progress)
    })
}

/// One worker: makes chunks until there are no more.
fn labour(queue: &Mutex<Receiver<(usize, Range<i64>)>>, results: &Sender<Made>, reader: &Reader, choice: &Choice<'_>) {
    let mut again = (choice.worker)();
    loop {
        let next = queue.lock().unwrap_or_else(PoisonError::into_inner).recv();
        let Ok((place, ids)) = next else { return };
        if results.send((place, make(reader, &mut again, choice, ids))).is_err() {
            return;
        }
    }
}

/// Makes the readings of a chunk.
fn make(
    reader: &Reader,
    again: &mut Recomputer,
    choice: &Choice<'_>,
    ids: Range<i64>,
) -> Result<Vec<Result<NewValues, Kept>>, RecomputeError> {
    let stored = match reader.facts(ids.clone(), choice.from, choice.to) {
        // One row that is damaged spoils the page: row by row the others still come.
        Err(StoreError::Corrupt { .. }) => ids
            .clone()
            .flat_map(|id| match reader.facts(id..id + 1, choice.from, choice.to) {
                Ok(rows) => rows.into_iter().map(Ok).collect(),
                Err(why) => vec![Err(why)],
            })
            .collect(),
        other => other?.into_iter().map(Ok).collect::<Vec<_>>(),
    };
    let mut frames = reader.frames_of(ids)?.into_iter().peekable();
    let mut made = Vec::with_capacity(stored.len());
    for stored in stored {
        let stored = match stored {
            Ok(stored) => stored,
            Err(StoreError::Corrupt { .. }) => {
                made.push(Err(Kept::Damaged));
                continue;
            }
            Err(other) => return Err(other.into()),
        };
        let id = stored.reading.id;
        while frames.next_if(|f| f.0 < id).is_some() {}
        let mut ours: Vec<Result<FrameRecord, StoreError>> = Vec::new();
        while let Some((_, frame)) = frames.next_if(|f| f.0 == id) {
            ours.push(frame);
        }
        let ours: Result<Vec<FrameRecord>, StoreError> = ours.into_iter().collect();
        made.push(match choice.calibration(&stored) {
            Err(kept) => Err(kept),
            Ok(calibration) => one(reader, again, &stored, ours, calibration)?,
        });
    }
    Ok(made)
}

/// Makes one reading.
fn one(
    reader: &Reader,
    again: &mut Recomputer,
    stored: &StoredReading,
    frames: Result<Vec<FrameRecord>, StoreError>,
    calibration: Option<i64>,
) -> Result<Result<NewValues, Kept>, RecomputeError> {
    let done = frames.map_err(RecomputeError::Store).and_then(|frames| {
        // As many frames as there were brackets: fewer would give other values without a word.
        if !frames.is_empty() && frames.len() != stored.reading.exposures.len() {
            return Ok(None);
        }
        again.reckon_with(reader, stored, &frames, calibration).map(Some)
    });
    match done {
        Ok(None) => Ok(Err(Kept::Damaged)),
        Ok(Some(processed)) => {
            let reading = Reading { id: stored.reading.id, ..processed.reading };
            Ok(Ok(NewValues { reading, calibration }))
        }
        Err(RecomputeError::NoFrames(_)) => Ok(Err(Kept::NoFrames)),
        Err(RecomputeError::Store(StoreError::Corrupt { .. })) => Ok(Err(Kept::Damaged)),
        Err(RecomputeError::Missing { .. } | RecomputeError::Unusable { .. }) => Ok(Err(Kept::Unusable)),
        Err(other) => Err(other),
    }
}

/// Hands out chunks and stores what comes back, in their order.
fn collect(
    clerk: &mut BatchWriter<'_>,
    mut chunks: VecDeque<Range<i64>>,
    threads: usize,
    (work, made): (&Sender<(usize, Range<i64>)>, &Receiver<Made>),
    outcome: &mut Outcome,
    progress: &mut dyn FnMut(u64) -> bool,
) -> Result<bool, RecomputeError> {
    let (mut handed_out, mut stored, mut seen) = (0, 0, 0);
    let mut early: BTreeMap<usize, Vec<Result<NewValues, Kept>>> = BTreeMap::new();
    let mut sizes = VecDeque::new();
    let mut go_on = progress(seen);
    while go_on {
        // No more than so many chunks are ever under way: whoever is fast waits for the slowest.
        while handed_out < stored + AHEAD * threads {
            let Some(chunk) = chunks.pop_front() else { break };
            sizes.push_back((chunk.end - chunk.start) as u64);
            // It fails once every worker has ended, and then nothing comes back either.
            let _ = work.send((handed_out, chunk));
            handed_out += 1;
        }
        if stored == handed_out {
            clerk.store_batch()?;
            return Ok(true);
        }
        // Workers hold the other end until they end, and they end by a panic alone.
        let Ok((place, readings)) = made.recv() else { return Ok(false) };
        early.insert(place, readings?);
        while let Some(readings) = early.remove(&stored) {
            stored += 1;
            seen += sizes.pop_front().unwrap_or(0);
            for reading in readings {
                match reading {
                    Ok(values) => {
                        outcome.made += 1;
                        clerk.put(values)?;
                    }
                    Err(kept) => *outcome.kept.entry(kept).or_insert(0) += 1,
                }
            }
            go_on &= progress(seen);
        }
    }
    clerk.store_batch()?;
    Ok(false)
}

/// Stores values, some readings a transaction.
struct BatchWriter<'a> {
    store: &'a Store,
    computation: i64,
    batch: Vec<NewValues>,
    at_once: usize,
    longest: Duration,
}

impl BatchWriter<'_> {
    fn put(&mut self, values: NewValues) -> Result<(), StoreError> {
        self.batch.push(values);
        if self.batch.len() < self.at_once { Ok(()) } else { self.store_batch() }
    }

    fn store_batch(&mut self) -> Result<(), StoreError> {
        if self.batch.is_empty() {
            return Ok(());
        }
        let batch = std::mem::take(&mut self.batch);
        let started = Instant::now();
        let computation = self.computation;
        self.timed(|store| store.add_values(computation, &batch))?;
        let took = started.elapsed();
        if took > BATCH_TAKES.1 {
            self.at_once = (self.at_once / 2).max(1);
        } else if took < BATCH_TAKES.0 && batch.len() >= self.at_once {
            self.at_once = (self.at_once * 2).min(LARGEST_BATCH);
        }
        Ok(())
    }

    fn timed<T>(&mut self, work: impl FnOnce(&Store) -> Result<T, StoreError>) -> Result<T, StoreError> {
        let started = Instant::now();
        let done = work(self.store);
        self.longest = self.longest.max(started.elapsed());
        done
    }
}
