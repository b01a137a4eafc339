//! Works on the database without an instrument: recompute, verify, completeness, series, daily roll-ups.
//!
//! Depends on `store` and `processing`, never on `acquisition`. Invariant: what is recomputed with the calibration of a reading has the
//! same bits as what was stored, as long as the program is the same.

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
