//! Turns acquired frames into a reading: reduction, quantities, verdicts.
//!
//! One pipeline for live readings, recomputation and verification. Pure: it takes frames with their darks and what was known when
//! they were taken, and knows neither the store nor the instrument. Invariant: the same input gives the same bits.

pub mod pipeline;

pub use pipeline::{Pipeline, ProcessedReading, mean_time, without_calibration};

/// What identifies the way values are computed, beside the program's version: the definitions of all quantities.
pub fn computation_text() -> String {
    crate::quantities::registry().iter().map(|q| format!("{} [{}] {}\n", q.id, q.unit, q.definition)).collect()
}
