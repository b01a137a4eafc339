//! Stores readings, gaps and events in order of time, and queues them while the database cannot be written.
//!
//! Invariants: nothing is written before earlier queued items; a continued gap is one event; a full disk or a locked database is
//! not an error of the recorder.

use super::backlog::Committed;
use super::context::{Observer, Storage};
use super::fault_log::FaultLog;
use super::gaps::{GapSpan, GapWrite, Gaps};
use super::status::Status;
use super::tick::GapReason;
use crate::clock::UtcMicros;
use crate::fault::GapCause;
use crate::record::Event;
use crate::store::{NewReading, StoreError};

/// The recorder of one instrument.
pub struct Recorder {
    instrument: String,
    storage: Storage,
    gaps: Gaps,
    status: Status,
    faults: FaultLog,
}

impl Recorder {
    /// For an instrument.
    pub fn new(instrument: &str, storage: Storage, status: Status) -> Self {
        Self { instrument: instrument.to_owned(), storage, gaps: Gaps::default(), status, faults: FaultLog::default() }
    }

    /// Commits a reading with its frames, events and states, or queues it. Its rows of configuration and computation are those
    /// registered.
    pub fn reading(&mut self, new: &NewReading<'_>) -> Result<Committed, StoreError> {
        let (store, mut backlog) = (&self.storage.store, self.storage.backlog());
        let committed = match self.storage.registration.rows(store) {
            Ok(rows) => backlog.commit(store, &NewReading { made_with: rows.complete(new.made_with), ..*new })?,
            Err(error) if error.is_transient() => {
                backlog.begin(&error, new.reading.time_end);
                backlog.queue(new)?
            }
            Err(error) => return Err(error),
        };
        drop(backlog);
        self.gaps.close();
        match committed {
            Committed::Stored(id) => self.status.stored(id, new.reading),
            Committed::Queued(discarded) => self.status.discarded(discarded),
        }
        Ok(committed)
    }

    /// Records a tick without a reading.
    pub fn gap(&mut self, tick: UtcMicros, reason: &GapReason, observer: &mut dyn Observer) -> Result<(), StoreError> {
        self.status.gap(reason.cause);
        if is_logged_as_a_fault(reason.cause) {
            self.fault(reason.cause.name(), &reason.why, false, tick);
        }
        let mut backlog = self.storage.backlog();
        if !backlog.is_empty() {
            self.status.discarded(backlog.gap(tick, reason));
            return Ok(());
        }
        let store = &self.storage.store;
        let (row, span) = match self.gaps.write_for(tick, reason) {
            GapWrite::Begin(span) => (store.add_event(&span.event(&self.instrument)), span),
            GapWrite::Extend(row, span) => {
                (store.extend_event(row, tick, &span.event(&self.instrument).text).map(|()| row), span)
            }
        };
        match row {
            Ok(row) => {
                observer.event(&span.event(&self.instrument));
                self.gaps.written(row, span);
            }
            Err(error) if error.is_transient() => {
                self.gaps.close();
                backlog.begin(&error, tick);
                self.status.discarded(backlog.gap(tick, reason));
            }
            Err(error) => return Err(error),
        }
        Ok(())
    }

    /// Records ticks without a reading that are known at once, as a gap of their own.
    pub fn gap_span(&mut self, span: &GapSpan, observer: &mut dyn Observer) -> Result<(), StoreError> {
        self.status.gaps(span.cause(), span.missed);
        if is_logged_as_a_fault(span.cause()) {
            let occurred = (span.missed, false);
            let line = self.faults.occurred_times(span.cause().name(), &span.reason.why, occurred, span.until);
            line.inspect(|l| l.log(&self.instrument));
        }
        self.gaps.close();
        self.event(span.event(&self.instrument), observer)
    }

    /// Records an event.
    pub fn event(&mut self, event: Event, observer: &mut dyn Observer) -> Result<(), StoreError> {
        observer.event(&event);
        let mut backlog = self.storage.backlog();
        if backlog.is_empty() {
            match self.storage.store.add_event(&event) {
                Ok(_) => return Ok(()),
                Err(error) if error.is_transient() => backlog.begin(&error, event.time),
                Err(error) => return Err(error),
            }
        }
        self.status.discarded(backlog.event(event));
        Ok(())
    }

    /// Writes queued items until the database cannot be written.
    pub fn write_queued(&mut self, observer: &mut dyn Observer) -> Result<(), StoreError> {
        let (store, mut backlog) = (&self.storage.store, self.storage.backlog());
        if backlog.is_empty() {
            return Ok(());
        }
        let written = match self.storage.registration.rows(store) {
            Ok(rows) => {
                backlog.complete(rows);
                backlog.write(store, |id, reading| {
                    self.status.stored(id, reading);
                    observer.stored_late(id, reading);
                })
            }
            Err(error) if error.is_transient() => Ok(()),
            Err(error) => Err(error),
        };
        self.status.update(|s| s.storage.queued = backlog.readings());
        written
    }

    /// Logs a fault, unless it repeats an earlier one; returns whether it was logged. new_text: its text differs from before in more
    /// than numbers.
    pub fn fault(&mut self, kind: &'static str, text: &str, new_text: bool, now: UtcMicros) -> bool {
        let line = self.faults.occurred(kind, text, new_text, now);
        line.inspect(|l| l.log(&self.instrument)).is_some()
    }

    /// Logs the summaries of repeated faults, and the ends of faults, that are due.
    pub fn summarise_faults(&mut self, now: UtcMicros) {
        self.faults.due(now).iter().for_each(|line| line.log(&self.instrument));
    }

    /// Whether anything is queued.
    pub fn has_queued(&self) -> bool {
        !self.storage.backlog().is_empty()
    }

    /// Number of queued readings.
    pub fn queued_readings(&self) -> u64 {
        self.storage.backlog().readings()
    }
}

/// A clock that was set and a stop have lines of their own.
fn is_logged_as_a_fault(cause: GapCause) -> bool {
    !matches!(cause, GapCause::ClockStepped | GapCause::Stopped)
}

#[cfg(test)]
mod tests;
