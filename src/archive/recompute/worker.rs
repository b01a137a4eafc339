//! Computes chunks of readings; one worker a thread, with a connection of its own.

use super::super::error::ArchiveError;
use super::super::recomputer::Recomputer;
use super::request::SkipReason;
use crate::calibration::Calibration;
use crate::clock::UtcMicros;
use crate::record::Reading;
use crate::store::{FrameRecord, NewValues, Reader, StoreError, StoredReading};
use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::mpsc::{Receiver, Sender};
use std::sync::{Mutex, PoisonError};

/// A chunk of work: its place in the order, and the ids of its readings.
pub type Chunk = (usize, Range<i64>);
/// The readings of a chunk, in their order: values, or why they keep those they have.
pub type RecomputedChunk = Vec<Result<NewValues, SkipReason>>;
/// A chunk that was computed: its place in the order, and its readings.
pub type Computed = (usize, Result<RecomputedChunk, ArchiveError>);

/// Which readings, with which calibration.
#[derive(Clone, Debug)]
pub struct Selection<'a> {
    /// Another calibration, with its rows by row of the instrument; `None`: that of each reading.
    pub calibrations: Option<(&'a Calibration, BTreeMap<i64, i64>)>,
    /// Readings from this instant on.
    pub from: UtcMicros,
    /// Readings before this instant.
    pub to: UtcMicros,
    /// Makes the recomputer of a worker.
    pub recomputer: fn() -> Recomputer,
}

impl Selection<'_> {
    /// The row of the calibration that a reading is recomputed with.
    fn calibration(&self, stored: &StoredReading) -> Result<Option<i64>, SkipReason> {
        let Some((calibration, rows)) = &self.calibrations else { return Ok(stored.made_with.calibration) };
        let row = rows.get(&stored.made_with.instrument).ok_or(SkipReason::OtherInstrument)?;
        let time = stored.reading.time_mid;
        let valid = calibration.valid_from <= time && time < calibration.valid_until;
        if valid { Ok(Some(*row)) } else { Err(SkipReason::OutsideValidity) }
    }
}

/// One worker: computes chunks until the queue is closed.
pub fn run(queue: &Mutex<Receiver<Chunk>>, results: &Sender<Computed>, reader: &Reader, selection: &Selection<'_>) {
    let mut recomputer = (selection.recomputer)();
    loop {
        let next = queue.lock().unwrap_or_else(PoisonError::into_inner).recv();
        let Ok((place, ids)) = next else { return };
        if results.send((place, chunk(reader, &mut recomputer, selection, ids))).is_err() {
            return;
        }
    }
}

/// Recomputes the readings of a chunk.
fn chunk(
    reader: &Reader,
    recomputer: &mut Recomputer,
    selection: &Selection<'_>,
    ids: Range<i64>,
) -> Result<RecomputedChunk, ArchiveError> {
    let facts = facts(reader, selection, ids.clone())?;
    let mut frames = reader.frames_of(ids)?.into_iter().peekable();
    let mut computed = Vec::with_capacity(facts.len());
    for stored in facts {
        let stored = match stored {
            Ok(stored) => stored,
            Err(reason) => {
                computed.push(Err(reason));
                continue;
            }
        };
        let id = stored.reading.id;
        while frames.next_if(|f| f.0 < id).is_some() {}
        let mut own: Vec<Result<FrameRecord, StoreError>> = Vec::new();
        while let Some((_, frame)) = frames.next_if(|f| f.0 == id) {
            own.push(frame);
        }
        let own: Result<Vec<FrameRecord>, StoreError> = own.into_iter().collect();
        computed.push(match selection.calibration(&stored) {
            Err(reason) => Err(reason),
            Ok(calibration) => one(reader, recomputer, &stored, own, calibration)?,
        });
    }
    Ok(computed)
}

/// The facts of the readings with these ids. A damaged row spoils the whole page, so they are then read one by one.
fn facts(
    reader: &Reader,
    selection: &Selection<'_>,
    ids: Range<i64>,
) -> Result<Vec<Result<StoredReading, SkipReason>>, StoreError> {
    match reader.facts(ids.clone(), selection.from, selection.to) {
        Err(StoreError::Corrupt { .. }) => {}
        page => return Ok(page?.into_iter().map(Ok).collect()),
    }
    let mut facts = Vec::new();
    for id in ids {
        match reader.facts(id..id + 1, selection.from, selection.to) {
            Err(StoreError::Corrupt { .. }) => facts.push(Err(SkipReason::Damaged)),
            row => facts.extend(row?.into_iter().map(Ok)),
        }
    }
    Ok(facts)
}

/// Recomputes one reading.
fn one(
    reader: &Reader,
    recomputer: &mut Recomputer,
    stored: &StoredReading,
    frames: Result<Vec<FrameRecord>, StoreError>,
    calibration: Option<i64>,
) -> Result<Result<NewValues, SkipReason>, ArchiveError> {
    let recomputed = frames.map_err(ArchiveError::Store).and_then(|frames| {
        // As many frames as there were brackets: fewer would give other values without notice.
        if !frames.is_empty() && frames.len() != stored.reading.exposures.len() {
            return Ok(None);
        }
        recomputer.recompute_with(reader, stored, &frames, calibration).map(Some)
    });
    match recomputed {
        Ok(None) => Ok(Err(SkipReason::Damaged)),
        Ok(Some(processed)) => {
            let reading = Reading { id: stored.reading.id, ..processed.reading };
            Ok(Ok(NewValues { reading, calibration }))
        }
        Err(ArchiveError::NoFrames(_)) => Ok(Err(SkipReason::NoFrames)),
        Err(ArchiveError::Store(StoreError::Corrupt { .. })) => Ok(Err(SkipReason::Damaged)),
        Err(ArchiveError::Missing { .. } | ArchiveError::Unusable { .. }) => Ok(Err(SkipReason::Unusable)),
        Err(other) => Err(other),
    }
}
