//! Spectra and their axes, and the one rule by which they are integrated.
//!
//! Pure: no I/O, no clock, no panic on data. What must stay true: a spectrum is linear between its samples, everywhere in
//! the program, and nothing is ever made up outside them.

pub mod axis;
pub mod bins;
pub mod csv;
pub mod errors;
pub mod g173;
pub mod lanes;
pub mod sampled;
pub mod weights;
pub mod wide;

pub use sampled::Spectrum;
