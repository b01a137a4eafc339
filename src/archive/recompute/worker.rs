//! Recomputes chunks of readings. Each worker has a thread and a connection to the database.

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

/// A chunk of work: its index, and the ids of its readings.
pub type Chunk = (usize, Range<i64>);
/// The readings of a chunk in order: new values, or the reason for skipping.
pub type RecomputedChunk = Vec<Result<NewValues, SkipReason>>;
/// A processed chunk: its index, and its readings.
pub type Computed = (usize, Result<RecomputedChunk, ArchiveError>);

/// The readings to be recomputed, and the calibration.
#[derive(Clone, Debug)]
pub struct Selection<'a> {
    /// A calibration, with its row for each row of its instrument; `None`: the calibration of each reading.
    pub calibrations: Option<(&'a Calibration, BTreeMap<i64, i64>)>,
    /// Start of the range.
    pub from: UtcMicros,
    /// End of the range (excluded).
    pub to: UtcMicros,
    /// Whether drawn quantities are left out.
    pub without_drawn: bool,
}

impl Selection<'_> {
    /// The calibration (row) for the recomputation of a reading.
    fn calibration(&self, stored: &StoredReading) -> Result<Option<i64>, SkipReason> {
        let Some((calibration, rows)) = &self.calibrations else { return Ok(stored.made_with.calibration) };
        let row = rows.get(&stored.made_with.instrument).ok_or(SkipReason::OtherInstrument)?;
        let time = stored.reading.time_mid;
        let valid = calibration.valid_from <= time && time < calibration.valid_until;
        if valid { Ok(Some(*row)) } else { Err(SkipReason::OutsideValidity) }
    }
}

/// Runs a worker until the queue is closed.
pub fn run(queue: &Mutex<Receiver<Chunk>>, results: &Sender<Computed>, reader: &Reader, selection: &Selection<'_>) {
    let mut recomputer = if selection.without_drawn { Recomputer::without_drawn() } else { Recomputer::new() };
    loop {
        let next = queue.lock().unwrap_or_else(PoisonError::into_inner).recv();
        let Ok((index, ids)) = next else { return };
        if results.send((index, chunk(reader, &mut recomputer, selection, ids))).is_err() {
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
    let readings = readings(reader, selection, ids.clone())?;
    let mut frames = reader.frames_of(ids)?.into_iter().peekable();
    let mut computed = Vec::with_capacity(readings.len());
    for stored in readings {
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

/// The readings with these ids, without values. Where a page of the file is damaged, the readings are queried one by one.
fn readings(
    reader: &Reader,
    selection: &Selection<'_>,
    ids: Range<i64>,
) -> Result<Vec<Result<StoredReading, SkipReason>>, StoreError> {
    let query = |ids: Range<i64>| reader.readings_without_values(ids, selection.from, selection.to);
    let intact = |row: Result<StoredReading, StoreError>| row.map_err(|_| SkipReason::Damaged);
    let page = query(ids.clone())?;
    if page.iter().all(|row| row.as_ref().err().is_none_or(|error| error.row().is_some())) {
        return Ok(page.into_iter().map(intact).collect());
    }
    let mut readings = Vec::new();
    for id in ids {
        // The search goes on after the row, and may end on a damaged page.
        readings.extend(query(id..id + 1)?.into_iter().take(1).map(intact));
    }
    Ok(readings)
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
        // A missing frame would change the values silently.
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
