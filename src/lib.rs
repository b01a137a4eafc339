//! vigilux reads a calibrated spectrometer unattended, on a schedule, for months, and stores a time series of light
//! quantities in which every doubt is flagged.
//!
//! A reading travels one straight road: schedule → capture → reduction → quantities → quality → store. Each module
//! is a room with its own reason to change and uses only the rooms listed above it.

pub mod clock;
pub mod document;
pub mod fault;
pub mod summary;
pub mod sun;
#[expect(unsafe_code, reason = "system calls without a safe wrapper live here and nowhere else")]
pub mod system;
pub mod zone;

pub mod bench;
pub mod calibration;
pub mod capture;
pub mod cli;
pub mod config;
pub mod export;
pub mod instrument;
pub mod quality;
pub mod quantities;
pub mod record;
pub mod reduction;
pub mod spectrum;
pub mod station;
pub mod store;
