//! A queue in memory for readings, gaps and events while the disk is full or reports errors, the database file is missing, or
//! another process locks the database.
//!
//! Invariants:
//! - Items are written in order of time, and no item is written before an earlier queued one.
//! - Memory is limited: the oldest items beyond the limit are discarded and become a gap `storage_full` with their time range.
//! - A queued reading is not acknowledged as stored.
//!
//! The queue persists over a restart of the loop, but not beyond the end of the process.

mod queued_reading;
#[cfg(test)]
mod tests;

use super::gaps::GapSpan;
use super::registration::RegisteredRows;
use super::tick::GapReason;
use crate::clock::UtcMicros;
use crate::fault::GapCause;
use crate::record::{Event, EventKind, Reading};
use crate::store::{NewReading, Store, StoreError};
use queued_reading::QueuedReading;
use std::collections::VecDeque;

/// Memory of the queue [bytes]: about 600 readings with two frames of 2048 pixels, ten hours at one per minute.
pub const LIMIT: usize = 4 << 20;
/// Items written per tick, so that the next tick is not delayed.
const ITEMS_PER_TICK: usize = 64;

/// The queue, oldest first.
#[derive(Debug)]
pub struct Backlog {
    instrument: String,
    limit: usize,
    queue: VecDeque<QueuedItem>,
    bytes: usize,
    since: Option<(UtcMicros, WriteBlocker)>,
    discarded: Option<Discarded>,
    /// Readings written from the queue since queueing began.
    written: u64,
}

/// Why the database cannot be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum WriteBlocker {
    DiskFull,
    DiskFailed,
    Locked,
    FileMissing,
}

impl WriteBlocker {
    fn of(error: &StoreError) -> Self {
        match error {
            StoreError::Busy { .. } => Self::Locked,
            StoreError::DiskFailed { .. } => Self::DiskFailed,
            StoreError::FileMissing { .. } | StoreError::FileReplaced { .. } => Self::FileMissing,
            _ => Self::DiskFull,
        }
    }
    fn text(self) -> &'static str {
        match self {
            Self::DiskFull => "disk full",
            Self::DiskFailed => "the disk reported an error",
            Self::Locked => "database locked by another process",
            Self::FileMissing => "database file missing",
        }
    }
    fn end_text(self) -> &'static str {
        match self {
            Self::DiskFull => "space is available again",
            Self::DiskFailed => "the disk works again",
            Self::Locked => "the lock was released",
            Self::FileMissing => "the file is in place again",
        }
    }
}

#[derive(Debug)]
enum QueuedItem {
    Reading(Box<QueuedReading>),
    Gap(GapSpan),
    Event(Event),
}

#[derive(Clone, Copy, Debug)]
struct Discarded {
    from: UtcMicros,
    until: UtcMicros,
    readings: u64,
    events: u64,
}

/// The result of committing a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Committed {
    /// Stored, with its id.
    Stored(i64),
    /// Queued; the number of older readings discarded for it.
    Queued(u64),
}

impl Backlog {
    /// For an instrument, with `limit` bytes of memory.
    pub fn new(instrument: &str, limit: usize) -> Self {
        Self {
            instrument: instrument.to_owned(),
            limit,
            queue: VecDeque::new(),
            bytes: 0,
            since: None,
            discarded: None,
            written: 0,
        }
    }

    /// Whether nothing is queued.
    pub fn is_empty(&self) -> bool {
        self.queue.is_empty() && self.discarded.is_none()
    }

    /// Number of queued readings.
    pub fn readings(&self) -> u64 {
        self.queue.iter().filter(|item| matches!(item, QueuedItem::Reading(_))).count() as u64
    }

    /// Stores a reading, or queues it if the database cannot be written or earlier items are queued.
    pub fn commit(&mut self, store: &Store, new: &NewReading<'_>) -> Result<Committed, StoreError> {
        if self.is_empty() {
            match store.commit_reading(new) {
                Ok(id) => return Ok(Committed::Stored(id)),
                Err(error) if error.is_transient() => self.begin(&error, new.reading.time_end),
                Err(error) => return Err(error),
            }
        }
        self.queue(new)
    }

    /// Queues a reading.
    pub fn queue(&mut self, new: &NewReading<'_>) -> Result<Committed, StoreError> {
        let queued = QueuedReading::of(new)?;
        Ok(Committed::Queued(self.push(QueuedItem::Reading(Box::new(queued)))))
    }

    /// Completes the rows of readings that were queued before configuration and computation were registered.
    pub fn complete(&mut self, rows: RegisteredRows) {
        for item in &mut self.queue {
            if let QueuedItem::Reading(queued) = item {
                queued.complete(rows);
            }
        }
    }

    /// Queues a tick without a reading, merged with a preceding gap of the same cause; returns the number of discarded readings.
    pub fn gap(&mut self, tick: UtcMicros, reason: &GapReason) -> u64 {
        match self.queue.back_mut() {
            Some(QueuedItem::Gap(span)) if span.cause() == reason.cause => {
                span.extend(tick);
                0
            }
            _ => self.push(QueuedItem::Gap(GapSpan::of(tick, reason))),
        }
    }

    /// Queues an event; returns the number of discarded readings.
    pub fn event(&mut self, event: Event) -> u64 {
        self.push(QueuedItem::Event(event))
    }

    /// Reports once that the database cannot be written.
    pub fn begin(&mut self, error: &StoreError, now: UtcMicros) {
        if self.since.is_none() {
            self.since = Some((now, WriteBlocker::of(error)));
            self.written = 0;
            tracing::error!(
                instrument = self.instrument,
                "{error}; measuring continues, and readings are queued in memory ({} MB)",
                self.limit >> 20
            );
        }
    }

    /// Writes queued items until the database cannot be written; calls `stored` for each stored reading.
    pub fn write(&mut self, store: &Store, mut stored: impl FnMut(i64, &Reading)) -> Result<(), StoreError> {
        if self.is_empty() {
            return Ok(());
        }
        match self.write_some(store, &mut stored) {
            Err(error) if error.is_transient() => Ok(()),
            other => other,
        }
    }

    fn write_some(&mut self, store: &Store, stored: &mut dyn FnMut(i64, &Reading)) -> Result<(), StoreError> {
        // Discarded items are older than all queued ones.
        if let Some(discarded) = self.discarded {
            store.add_event(&self.discarded_event(discarded))?;
            self.discarded = None;
        }
        for _ in 0..ITEMS_PER_TICK {
            let Some(first) = self.queue.front() else { break };
            match first {
                QueuedItem::Reading(queued) => {
                    let id = queued.commit(store)?;
                    stored(id, queued.reading());
                    self.written += 1;
                }
                QueuedItem::Gap(span) => drop(store.add_event(&span.event(&self.instrument))?),
                QueuedItem::Event(event) => drop(store.add_event(event)?),
            }
            self.pop();
        }
        if self.queue.is_empty()
            && let Some((since, blocker)) = self.since
        {
            let text = format!("{} since {since}: {} readings were queued in memory", blocker.text(), self.written);
            let instrument = Some(self.instrument.clone());
            let event = Event { time: since, until: None, instrument, kind: EventKind::Storage, text };
            store.add_event(&event)?;
            tracing::warn!(instrument = self.instrument, "{}; {}, and they are stored", event.text, blocker.end_text());
            self.since = None;
        }
        Ok(())
    }

    fn discarded_event(&self, discarded: Discarded) -> Event {
        let readings = if discarded.readings == 1 { "reading" } else { "readings" };
        let blocker = self.since.map_or(WriteBlocker::DiskFull, |(_, blocker)| blocker).text();
        let events = if discarded.events == 0 { String::new() } else { format!(" and {} events", discarded.events) };
        let n = discarded.readings;
        Event {
            time: discarded.from,
            until: Some(discarded.until),
            instrument: Some(self.instrument.clone()),
            kind: EventKind::Gap(GapCause::StorageFull),
            text: format!("{n} {readings}{events} discarded: {blocker}, and memory limit reached"),
        }
    }

    /// Queues an item, and discards the oldest items beyond the limit; returns the number of discarded readings.
    fn push(&mut self, item: QueuedItem) -> u64 {
        self.bytes += item.bytes();
        self.queue.push_back(item);
        let mut readings = 0;
        while self.bytes > self.limit && self.queue.len() > 1 {
            let Some(first) = self.pop() else { break };
            let (from, until) = first.span();
            let discarded = self.discarded.get_or_insert(Discarded { from, until, readings: 0, events: 0 });
            discarded.until = discarded.until.max(until);
            match &first {
                QueuedItem::Reading(_) => {
                    readings += 1;
                    discarded.readings += 1;
                }
                QueuedItem::Gap(span) => discarded.readings += span.missed,
                QueuedItem::Event(_) => discarded.events += 1,
            }
        }
        readings
    }

    fn pop(&mut self) -> Option<QueuedItem> {
        let first = self.queue.pop_front()?;
        self.bytes = self.bytes.saturating_sub(first.bytes());
        Some(first)
    }
}

impl QueuedItem {
    /// The time range of the item.
    fn span(&self) -> (UtcMicros, UtcMicros) {
        match self {
            Self::Reading(queued) => (queued.reading().time_start, queued.reading().time_end),
            Self::Gap(span) => (span.from, span.until),
            Self::Event(event) => (event.time, event.time),
        }
    }

    /// Approximate size in memory [bytes].
    fn bytes(&self) -> usize {
        match self {
            Self::Reading(queued) => queued.bytes(),
            Self::Gap(span) => size_of::<Self>() + span.reason.why.len(),
            Self::Event(event) => size_of::<Self>() + event.text.len(),
        }
    }
}
