//! What a loop works with, and who is told what it does.

use super::backlog::Backlog;
use super::disk_space::DiskSpace;
use super::status::Status;
use crate::calibration::CalibrationSet;
use crate::clock::{Clock, Stop, UtcMicros};
use crate::config::{InstrumentConfig, Station};
use crate::instrument::{Dialect, Link, Session};
use crate::processing::ProcessedReading;
use crate::record::{Event, Frame, Reading};
use crate::store::Store;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Makes the line to an instrument.
pub type LinkMaker = Arc<dyn Fn(&Stop) -> Box<dyn Link> + Send + Sync>;

/// What the loop of one instrument works with.
#[derive(Clone)]
pub struct LoopContext {
    /// The instrument as configured.
    pub instrument: InstrumentConfig,
    /// The station.
    pub station: Station,
    /// Calibrations of this instrument, with separate ranges of validity.
    pub calibrations: Arc<CalibrationSet>,
    /// Time.
    pub clock: Arc<dyn Clock>,
    /// When the daemon was assembled: every later tick is the loop's.
    pub assembled: UtcMicros,
    /// Whether the clock is known to be synchronised; called once a reading.
    pub clock_synchronised: fn() -> Option<bool>,
    /// The command set of the instrument.
    pub dialect: &'static Dialect,
    /// Makes the line.
    pub link: LinkMaker,
    /// Where readings go.
    pub storage: Storage,
    /// Where to report.
    pub status: Status,
}

impl LoopContext {
    /// A session that is not connected yet.
    pub fn session(&self, stop: &Stop) -> Session {
        let (link, clock) = ((self.link)(stop), Arc::clone(&self.clock));
        Session::new(link, clock, stop.clone(), self.instrument.baud, self.dialect)
    }
}

/// The database with what belongs to it.
#[derive(Clone)]
pub struct Storage {
    /// The database.
    pub store: Arc<Store>,
    /// Row of the active configuration.
    pub configuration: i64,
    /// Row of the computation that readings are made with.
    pub computation: i64,
    /// What the database cannot take now; survives a restart of the loop.
    pub backlog: Arc<Mutex<Backlog>>,
    /// Watches the free space.
    pub disk_space: Arc<DiskSpace>,
}

impl Storage {
    /// What the database cannot take now. A thread that panicked ends the process; in tests the backlog is whole at any time.
    pub fn backlog(&self) -> MutexGuard<'_, Backlog> {
        self.backlog.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Is told what a loop does.
pub trait Observer: Send {
    /// A reading is on the disk.
    fn stored(&mut self, id: i64, processed: &ProcessedReading, frames: &[Frame]);
    /// A reading that was queued is on the disk.
    fn stored_late(&mut self, id: i64, reading: &Reading) {
        let _ = (id, reading);
    }
    /// An event happened.
    fn event(&mut self, event: &Event) {
        let _ = event;
    }
}
