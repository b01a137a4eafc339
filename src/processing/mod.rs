//! Turns acquired frames into a reading: reduction, quantities, verdicts. Pure.

pub mod pipeline;

pub use pipeline::{Pipeline, ProcessedReading};
