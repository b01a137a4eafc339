//! One snapshot of how an instrument's road is doing, for logs, pages and metrics alike.
//!
//! Written by the road, read by anyone; held for microseconds only, so a slow reader never delays a measurement.

use crate::clock::UtcMicros;
use crate::fault::GapCause;
use std::collections::BTreeMap;
use std::fmt;
use std::sync::{Arc, Mutex, MutexGuard};

/// The state of one instrument's road.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Snapshot {
    /// Name of the instrument.
    pub instrument: String,
    /// Serial number that answers; `None` while none does.
    pub serial: Option<String>,
    /// When the road last came round.
    pub heartbeat: Option<UtcMicros>,
    /// What it is doing.
    pub doing: &'static str,
    /// Readings stored since the start.
    pub stored: u64,
    /// Readings since the start with at least one good value.
    pub good: u64,
    /// Gaps since the start, by cause.
    pub gaps: BTreeMap<&'static str, u64>,
    /// Flags raised since the start.
    pub flags: BTreeMap<&'static str, u64>,
    /// Identifier and time of the last reading.
    pub last: Option<(i64, UtcMicros)>,
    /// Integration time of the short bracket [s] and its peak_level [1].
    pub exposure: Option<(f64, f64)>,
    /// Darks accepted and refused since the start.
    pub darks: (u64, u64),
    /// Exchanges that had to be repeated since the start.
    pub retries: u64,
    /// The last fault, in words, and when.
    pub last_fault: Option<(UtcMicros, String)>,
    /// Readings that wait in memory for room on the disk.
    pub waiting: u64,
    /// Readings let go since the start, for want of room on the disk and in memory.
    pub dropped: u64,
    /// Free space where the database lies [bytes], and whether it is below the floor.
    pub room: Option<(u64, bool)>,
    /// When the next reading is due.
    pub next: Option<UtcMicros>,
}

impl fmt::Display for Snapshot {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.instrument, self.doing)?;
        match &self.serial {
            Some(serial) => write!(f, ", serial {serial}")?,
            None => write!(f, ", no instrument")?,
        }
        write!(f, ", {} stored ({} with a good value)", self.stored, self.good)?;
        if let Some((id, time)) = self.last {
            write!(f, ", last {id} of {time}")?;
        }
        if let Some((t, peak_level)) = self.exposure {
            write!(f, ", exposure {:.1} ms at {:.0} % of full scale", t * 1e3, peak_level * 100.0)?;
        }
        write!(f, ", darks {} accepted {} refused, {} exchanges repeated", self.darks.0, self.darks.1, self.retries)?;
        for (cause, n) in &self.gaps {
            write!(f, ", {n} gaps {cause}")?;
        }
        if let Some((free, below)) = self.room {
            let word = if below { ", below the floor" } else { "" };
            write!(f, ", {} MB free{word}", free / 1_000_000)?;
        }
        if self.waiting + self.dropped > 0 {
            write!(f, ", nothing can be written: {} readings wait in memory, {} let go", self.waiting, self.dropped)?;
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

/// A snapshot shared between the road and its readers.
#[derive(Clone, Debug, Default)]
pub struct Status(Arc<Mutex<Snapshot>>);

impl Status {
    /// For an instrument.
    pub fn new(instrument: &str) -> Self {
        Self(Arc::new(Mutex::new(Snapshot {
            instrument: instrument.to_owned(),
            doing: "starting",
            ..Snapshot::default()
        })))
    }

    // A poisoned lock would mean that a panic happened while it was held; the process ends on panics, and where a test
    // unwinds, the numbers inside are still plain numbers.
    fn lock(&self) -> MutexGuard<'_, Snapshot> {
        self.0.lock().unwrap_or_else(|poisoned| poisoned.into_inner())
    }

    /// A copy.
    pub fn snapshot(&self) -> Snapshot {
        self.lock().clone()
    }

    /// Changes it.
    pub fn update(&self, change: impl FnOnce(&mut Snapshot)) {
        change(&mut self.lock());
    }

    /// Counts a gap.
    pub fn gap(&self, cause: GapCause) {
        self.update(|s| *s.gaps.entry(cause.name()).or_insert(0) += 1);
    }
}
