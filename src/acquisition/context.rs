//! The context of an acquisition loop, and the observer of its results.

use super::backlog::Backlog;
use super::disk_space::DiskSpace;
use super::progress::{Progress, ProgressLink};
use super::registration::Registration;
use super::status::Status;
use super::updates::Updates;
use crate::calibration::CalibrationSet;
use crate::clock::{Clock, Stop, UtcMicros};
use crate::config::{InstrumentConfig, Station};
use crate::instrument::{Link, Session};
use crate::processing::ProcessedReading;
use crate::record::{Event, Frame, Reading};
use crate::store::Store;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Creates the line to an instrument.
pub type LinkMaker = Arc<dyn Fn(&Stop) -> Box<dyn Link> + Send + Sync>;

/// The context of the loop of one instrument.
#[derive(Clone)]
pub struct LoopContext {
    /// The instrument as configured.
    pub instrument: InstrumentConfig,
    /// The station.
    pub station: Station,
    /// Calibrations of this instrument, with separate ranges of validity.
    pub calibrations: Arc<CalibrationSet>,
    /// The clock, which notes its waits in `progress`.
    pub clock: Arc<dyn Clock>,
    /// Time at which the daemon was assembled: the loop is responsible for all later ticks.
    pub assembled: UtcMicros,
    /// Whether the clock is synchronised, if known; called once per reading.
    pub clock_synchronised: fn() -> Option<bool>,
    /// Creates the line.
    pub link: LinkMaker,
    /// The database.
    pub storage: Storage,
    /// The status snapshot.
    pub status: Status,
    /// Whether the loop makes progress.
    pub progress: Progress,
    /// The newest schedule and limits, after a reload of the configuration.
    pub updates: Updates,
}

impl LoopContext {
    /// A session without a connection.
    pub fn session(&self, stop: &Stop) -> Session {
        let (link, clock) = (ProgressLink::new((self.link)(stop), &self.progress), Arc::clone(&self.clock));
        Session::new(Box::new(link), clock, stop.clone(), self.instrument.baud, &self.instrument.dialect)
    }

    /// This context with the newest schedule and limits.
    pub fn updated(&self) -> Self {
        let mut context = self.clone();
        if let Some(update) = self.updates.newest() {
            context.instrument.schedule = update.schedule.clone();
            context.instrument.limits = update.limits.clone();
            context.storage.configuration = Some(update.configuration);
        }
        context
    }
}

/// The database, with the backlog and the check of disk space.
#[derive(Clone)]
pub struct Storage {
    /// The database.
    pub store: Arc<Store>,
    /// The rows that readings refer to.
    pub registration: Arc<Registration>,
    /// Row of the reloaded configuration that is active; `None`: the one with which the daemon started.
    pub configuration: Option<i64>,
    /// Items queued while the database cannot be written; persists over a restart of the loop.
    pub backlog: Arc<Mutex<Backlog>>,
    /// Checks the free space.
    pub disk_space: Arc<DiskSpace>,
}

impl Storage {
    /// The backlog. A panic ends the process; in tests, a panic cannot leave the backlog inconsistent.
    pub fn backlog(&self) -> MutexGuard<'_, Backlog> {
        self.backlog.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Receives the results of a loop.
pub trait Observer: Send {
    /// A reading was stored.
    fn stored(&mut self, id: i64, processed: &ProcessedReading, frames: &[Frame]);
    /// A queued reading was stored.
    fn stored_late(&mut self, id: i64, reading: &Reading) {
        let _ = (id, reading);
    }
    /// An event was stored or queued.
    fn event(&mut self, event: &Event) {
        let _ = event;
    }
}
