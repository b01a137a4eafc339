//! The station: one thin loop an instrument, what it keeps, and how it is supervised.
//!
//! Other rooms decide; this one acts in their order. What must stay true: every tick ends in a stored reading or a gap with
//! its cause, and the status snapshot is the only state anyone else looks at.

pub mod account;
pub mod again;
pub mod assemble;
pub mod audit;
pub mod backlog;
pub mod curve;
pub mod darkroom;
pub mod gaps;
pub mod parts;
pub mod reckon;
pub mod recompute;
pub mod road;
pub mod status;
pub mod summed;
pub mod supervise;
pub mod upkeep;
pub mod watch;

pub use again::{Again, AgainError};
pub use parts::{LinkMaker, Observer, RoadParts};
pub use reckon::{Reckoned, Reckoner};
pub use road::Road;
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
