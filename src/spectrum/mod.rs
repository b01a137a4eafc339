//! Spectra, their axes and their integration.
//!
//! Pure: no I/O, no clock, no panic on data.
//!
//! Invariants:
//! - A spectrum is linear between its samples, everywhere in the program.
//! - A spectrum is never extrapolated beyond its samples.

pub mod axis;
pub mod bandwidth;
pub mod bins;
pub mod csv;
pub mod errors;
pub mod g173;
pub mod lanes;
pub mod sampled;
pub mod weights;
pub mod wide;

pub use sampled::Spectrum;
