//! Operations on the database without an instrument: recomputation, verification, completeness, series, daily roll-ups.
//!
//! Depends on `store` and `processing`, not on `acquisition`. Invariant: the same version of the program, with the same
//! calibration, recomputes the same bits as were stored.

pub mod budget;
pub mod completeness;
pub mod daily;
pub mod differences;
pub mod error;
pub mod recompute;
pub mod recomputer;
pub mod series;
pub mod stored_inputs;
pub mod stored_schedule;
pub mod verify;

pub use error::ArchiveError;
pub use recomputer::Recomputer;
