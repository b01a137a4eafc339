//! Spectra and their axes, and the one rule by which they are integrated.

pub mod sampled;

pub use sampled::Spectrum;
