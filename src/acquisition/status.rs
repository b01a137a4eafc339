//! The status snapshot of the loop of an instrument, for log, command line and metrics.
//!
//! Written by the loop. Invariant: locked for microseconds only, so that a slow reader cannot delay a measurement.

use crate::clock::UtcMicros;
use crate::fault::GapCause;
use crate::record::Reading;
use std::collections::BTreeMap;
use std::fmt;
use std::sync::{Arc, Mutex, MutexGuard};

/// The state of one loop.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Snapshot {
    /// Name of the instrument.
    pub instrument: String,
    /// Serial number of the connected instrument; `None` while disconnected.
    pub serial: Option<String>,
    /// Current activity.
    pub activity: &'static str,
    /// Start of the last tick.
    pub heartbeat: Option<UtcMicros>,
    /// Time of the next tick.
    pub next: Option<UtcMicros>,
    /// Identifier and time of the last reading.
    pub last: Option<(i64, UtcMicros)>,
    /// Integration time of the short bracket [s] and its peak level [1].
    pub exposure: Option<(f64, f64)>,
    /// Counts at which the converter was found to clip, below the declared full scale.
    pub clips_at: Option<u32>,
    /// Frames that are discarded after a change of settings.
    pub discard_frames: u32,
    /// Time and text of the last fault.
    pub last_fault: Option<(UtcMicros, String)>,
    /// Counts since the start.
    pub counts: Counts,
    /// The database.
    pub storage: StorageState,
    /// Acknowledgements dropped since the start, because standard output was not read.
    pub unread_acknowledgements: u64,
}

/// Counts since the start.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Counts {
    /// Readings stored.
    pub stored: u64,
    /// Readings with at least one good value.
    pub good: u64,
    /// Gaps, by cause.
    pub gaps: BTreeMap<&'static str, u64>,
    /// Flags raised.
    pub flags: BTreeMap<&'static str, u64>,
    /// Darks accepted.
    pub darks_accepted: u64,
    /// Darks rejected.
    pub darks_rejected: u64,
    /// Repeated exchanges.
    pub retries: u64,
}

/// State of the storage.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct StorageState {
    /// Readings queued in memory.
    pub queued: u64,
    /// Readings discarded since the start, because the database could not be written and the memory limit was reached.
    pub discarded: u64,
    /// Free space in the file system of the database [bytes], and whether it is below the floor.
    pub free: Option<(u64, bool)>,
}

impl fmt::Display for Snapshot {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let counts = &self.counts;
        write!(f, "{}: {}", self.instrument, self.activity)?;
        match &self.serial {
            Some(serial) => write!(f, ", serial {serial}")?,
            None => write!(f, ", no instrument")?,
        }
        write!(f, ", {} stored ({} with a good value)", counts.stored, counts.good)?;
        if let Some((id, time)) = self.last {
            write!(f, ", last {id} of {time}")?;
        }
        if let Some((t, peak_level)) = self.exposure {
            write!(f, ", exposure {:.1} ms at {:.0} % of full scale", t * 1e3, peak_level * 100.0)?;
        }
        if let Some(counts) = self.clips_at {
            write!(f, ", the converter clips at {counts} counts")?;
        }
        if self.discard_frames > 0 {
            write!(f, ", frames discarded after a change of settings: {}", self.discard_frames)?;
        }
        write!(f, ", darks {} accepted {} rejected", counts.darks_accepted, counts.darks_rejected)?;
        write!(f, ", {} exchanges repeated", counts.retries)?;
        for (cause, n) in &counts.gaps {
            write!(f, ", {n} gaps {cause}")?;
        }
        let storage = &self.storage;
        if let Some((free, below)) = storage.free {
            let word = if below { ", below the floor" } else { "" };
            write!(f, ", {} MB free{word}", free / 1_000_000)?;
        }
        if storage.queued + storage.discarded > 0 {
            let (queued, discarded) = (storage.queued, storage.discarded);
            write!(f, ", the database cannot be written: {queued} readings queued in memory, {discarded} discarded")?;
        }
        if self.unread_acknowledgements > 0 {
            write!(f, ", {} acknowledgements dropped", self.unread_acknowledgements)?;
        }
        if let Some((time, text)) = &self.last_fault {
            write!(f, ", last fault {time}: {text}")?;
        }
        if let Some(time) = self.heartbeat {
            write!(f, ", heartbeat {time}")?;
        }
        if let Some(time) = self.next {
            write!(f, ", next {time}")?;
        }
        Ok(())
    }
}

impl Snapshot {
    /// One sentence for the service manager.
    pub fn summary(&self) -> String {
        let mut parts = Vec::new();
        if self.serial.is_none() {
            let why = self.last_fault.as_ref().map(|(_, text)| format!(" ({text})")).unwrap_or_default();
            parts.push(format!("no instrument{why}"));
        }
        parts.push(format!("{} readings stored", self.counts.stored));
        parts.extend(self.last.map(|(_, time)| format!("the last of {time}")));
        let storage = &self.storage;
        if storage.queued + storage.discarded > 0 {
            parts.push(format!("{} queued in memory, {} discarded", storage.queued, storage.discarded));
        }
        if self.unread_acknowledgements > 0 {
            parts.push(format!("{} acknowledgements dropped", self.unread_acknowledgements));
        }
        format!("{}: {}", self.instrument, parts.join(", "))
    }
}

/// A snapshot shared between the loop and its readers.
#[derive(Clone, Debug, Default)]
pub struct Status(Arc<Mutex<Snapshot>>);

impl Status {
    /// For an instrument.
    pub fn new(instrument: &str) -> Self {
        let snapshot = Snapshot { instrument: instrument.to_owned(), activity: "starting", ..Snapshot::default() };
        Self(Arc::new(Mutex::new(snapshot)))
    }

    // The lock is poisoned after a panic, which ends the process; in tests, the snapshot is still usable.
    fn lock(&self) -> MutexGuard<'_, Snapshot> {
        self.0.lock().unwrap_or_else(|poisoned| poisoned.into_inner())
    }

    /// A copy of the snapshot.
    pub fn snapshot(&self) -> Snapshot {
        self.lock().clone()
    }

    /// Changes the snapshot.
    pub fn update(&self, change: impl FnOnce(&mut Snapshot)) {
        change(&mut self.lock());
    }

    /// Counts a stored reading.
    pub fn stored(&self, id: i64, reading: &Reading) {
        self.update(|s| {
            s.counts.stored += 1;
            s.counts.good += u64::from(reading.values.iter().any(|v| v.is_good()));
            s.last = Some((id, reading.time_mid));
            s.exposure = reading.exposures.first().map(|r| (r.integration_s, reading.peak_level));
            for flag in reading.flags.names() {
                *s.counts.flags.entry(flag).or_insert(0) += 1;
            }
        });
    }

    /// Counts a gap.
    pub fn gap(&self, cause: GapCause) {
        self.gaps(cause, 1);
    }

    /// Counts discarded readings.
    pub fn discarded(&self, readings: u64) {
        if readings > 0 {
            self.update(|s| s.storage.discarded += readings);
            self.gaps(GapCause::StorageFull, readings);
        }
    }

    pub(super) fn gaps(&self, cause: GapCause, n: u64) {
        self.update(|s| *s.counts.gaps.entry(cause.name()).or_insert(0) += n);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Discarded readings are counted once, as gaps with their cause.
    #[test]
    fn discarded_readings_are_counted_as_gaps() {
        let status = Status::new("south");
        status.discarded(0);
        status.discarded(3);
        status.gap(GapCause::StorageFull);
        let snapshot = status.snapshot();
        assert_eq!(snapshot.storage.discarded, 3);
        assert_eq!(snapshot.counts.gaps.into_iter().collect::<Vec<_>>(), [("storage_full", 4)]);
    }

    /// A snapshot is one line, without conditions that do not apply.
    #[test]
    fn a_snapshot_reads_as_one_line() {
        let status = Status::new("south");
        assert_eq!(
            status.snapshot().to_string(),
            "south: starting, no instrument, 0 stored (0 with a good value), darks 0 accepted 0 rejected, 0 exchanges repeated"
        );
        status.gap(GapCause::NoAnswer);
        status.update(|s| {
            s.serial = Some("EX-0001".into());
            s.storage = StorageState { queued: 2, discarded: 0, free: Some((90_000_000, true)) };
        });
        let text = status.snapshot().to_string();
        assert!(text.contains("serial EX-0001") && text.contains("1 gaps no_answer"), "{text}");
        assert!(text.contains("90 MB free, below the floor"), "{text}");
        assert!(!text.contains("clips") && !text.contains("discarded after"), "{text}");
        status.update(|s| (s.clips_at, s.discard_frames) = (Some(6000), 1));
        let found = status.snapshot().to_string();
        assert!(
            found.contains(", the converter clips at 6000 counts, frames discarded after a change of settings: 1,")
        );
        assert!(text.ends_with("2 readings queued in memory, 0 discarded"), "{text}");
    }
}
