//! The configuration file: as written, then as meant.

pub mod meant;

pub use meant::*;
