//! What a road is made of, and who wants to know what it does.

use super::backlog::Backlog;
use super::disk_space::Upkeep;
use super::status::Status;
use crate::calibration::CalibrationSet;
use crate::clock::{Clock, Stop};
use crate::config::{InstrumentConfig, Station};
use crate::instrument::{Dialect, Link};
use crate::processing::pipeline::ProcessedReading;
use crate::record::{Event, Frame, Reading};
use crate::store::Store;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Makes the line to an instrument.
pub type LinkMaker = Arc<dyn Fn(&Stop) -> Box<dyn Link> + Send + Sync>;

/// What a road is made of.
#[derive(Clone)]
pub struct LoopContext {
    /// The instrument as configured.
    pub instrument: InstrumentConfig,
    /// The station.
    pub station: Station,
    /// Calibrations of this instrument, validity ranges apart.
    pub calibrations: Arc<CalibrationSet>,
    /// Time.
    pub clock: Arc<dyn Clock>,
    /// The database.
    pub store: Arc<Store>,
    /// Row of the configuration in force.
    pub configuration: i64,
    /// Row of the computation readings are made with.
    pub computation: i64,
    /// The words of the line.
    pub dialect: &'static Dialect,
    /// Makes the line.
    pub link: LinkMaker,
    /// Whether the clock is known to be synchronised; asked once a reading.
    pub clock_synchronised: fn() -> Option<bool>,
    /// What waits for room on the disk; outlives a road that is started again.
    pub backlog: Arc<Mutex<Backlog>>,
    /// Looks after the room on the disk.
    pub upkeep: Arc<Upkeep>,
    /// Where to report.
    pub status: Status,
}

impl LoopContext {
    /// What waits for room. A thread that panicked ends the process; in tests what waits is whole at any time.
    pub fn backlog(&self) -> MutexGuard<'_, Backlog> {
        self.backlog.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Who wants to know what a road does.
pub trait Observer: Send {
    /// A reading is on the disk.
    fn stored(&mut self, id: i64, processed: &ProcessedReading, frames: &[Frame]);
    /// A reading that had to wait for room is on the disk.
    fn stored_late(&mut self, id: i64, reading: &Reading) {
        let _ = (id, reading);
    }
    /// An event is on record.
    fn event(&mut self, event: &Event) {
        let _ = event;
    }
}
