//! vigilux reads a calibrated spectrometer unattended, on a schedule, for months, and stores a time series of light
//! quantities in which every doubt is flagged.
//!
//! A reading passes through the modules in one direction: schedule, exposure, reduction, quantities, quality, store.

pub mod clock;
pub mod document;
pub mod fault;
pub mod numeric;
pub mod summary;
pub mod sun;
#[expect(unsafe_code, reason = "system calls without a safe wrapper live here and nowhere else")]
pub mod system;
pub mod zone;

pub mod acquisition;
pub mod archive;
pub mod calibration;
pub mod cli;
pub mod config;
pub mod darks;
pub mod export;
pub mod exposure;
pub mod instrument;
pub mod processing;
pub mod quality;
pub mod quantities;
pub mod record;
pub mod reduction;
pub mod simulator;
pub mod spectrum;
pub mod store;
