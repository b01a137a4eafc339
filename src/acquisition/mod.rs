//! Acquisition: one loop per instrument, the commit of its readings, and its supervision.
//!
//! Performs the decisions of pure modules (when to read, how to expose, which darks to take, verdicts). Invariants:
//!
//! - every due tick ends in a stored reading, a queued reading, or a gap with its cause;
//! - a reading acknowledged as stored is durable;
//! - other modules observe the loop through the status snapshot only.

pub mod absence;
pub mod acquisition_loop;
pub mod assemble;
pub mod backlog;
pub mod clock_watch;
pub mod context;
pub mod dark_records;
pub mod disk_space;
pub mod fault_log;
pub mod gaps;
pub mod lamp_records;
pub mod monitor_actions;
pub mod progress;
pub mod reconnection;
pub mod recorder;
pub mod registration;
pub mod reload;
pub mod saved_control;
pub mod service_manager;
pub mod status;
pub mod status_socket;
pub mod supervision;
#[cfg(test)]
mod test_store;
pub mod tick;
pub mod updates;

pub use acquisition_loop::AcquisitionLoop;
pub use context::{LinkMaker, LoopContext, Observer};
pub use status::{Snapshot, Status};
pub use tick::{GapReason, TickOutcome};

/// Errors that end the loop of an instrument, or the daemon.
#[derive(Debug, thiserror::Error)]
pub enum AcquisitionError {
    /// An error of the database.
    #[error(transparent)]
    Store(#[from] crate::store::StoreError),
    /// A thread could not be started.
    #[error("expected to start a thread for an instrument, but the system refused: {0}")]
    Thread(std::io::Error),
    /// The runtime for signals could not be started.
    #[error("expected to listen for signals, but the system refused: {0}")]
    Runtime(std::io::Error),
}
