//! The station: one thin loop an instrument, what it keeps, and how it is supervised.
//!
//! Other rooms decide; this one acts in their order. What must stay true: every tick ends in a stored reading or a gap with
//! its cause, and the status snapshot is the only state anyone else looks at.

pub mod acquisition_loop;
pub mod assemble;
pub mod backlog;
pub mod context;
pub mod dark_records;
pub mod disk_space;
pub mod gaps;
pub mod monitor_actions;
pub mod status;
pub mod supervision;

pub use acquisition_loop::AcquisitionLoop;
pub use context::{LinkMaker, LoopContext, Observer};
pub use status::{Snapshot, Status};

/// What ends a road or the whole station.
#[derive(Debug, thiserror::Error)]
pub enum StationError {
    /// The database.
    #[error(transparent)]
    Store(#[from] crate::store::StoreError),
    /// A thread could not be started.
    #[error("expected to start a thread for an instrument, but the system refused: {0}")]
    Thread(std::io::Error),
    /// The runtime for signals could not be started.
    #[error("expected to listen for signals, but the system refused: {0}")]
    Runtime(std::io::Error),
}
