//! Works on the store without an instrument: recompute, verify, completeness, series, daily roll-ups.

pub mod completeness;
pub mod daily;
pub mod recomputation;
pub mod recompute;
pub mod series;
pub mod verify;

pub use recomputation::{RecomputeError, Recomputer};
