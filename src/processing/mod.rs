//! Turns acquired frames into a reading: reduction, quantities, verdicts.
//!
//! One pipeline is used for live readings, recomputation and verification. Pure: it takes frames with their darks and the acquisition
//! context, and accesses neither the database nor the instrument. Invariant: the same input gives the same bits.

pub mod pipeline;
mod window;

pub use pipeline::{Pipeline, ProcessedReading, mean_time, without_calibration};

/// The definitions of all quantities. With the version of the program they identify a computation.
pub fn computation_text() -> String {
    crate::quantities::registry().iter().map(|q| format!("{} [{}] {}\n", q.id, q.unit, q.definition)).collect()
}
