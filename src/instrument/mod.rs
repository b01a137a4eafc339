//! Talking to a spectrometer over a line: link, dialect, session.

pub mod link;

pub use link::Link;
