//! vigilux reads a calibrated spectrometer unattended, on a schedule, for months, and stores a time series of light
//! quantities in which every doubt is flagged.
//!
//! Read the modules in this order; each uses only modules before it (`docs/architecture.md` has the exact table).
//!
//! 1. Foundations: [`clock`], [`fault`], [`numeric`], [`system`], [`document`], [`sun`], [`moon`], [`night_sky`], [`spectrum`].
//! 2. What modules pass to each other: [`calibration`], [`record`], [`quantities`], [`config`].
//! 3. The instrument: [`dialect`] says how it is spoken to; [`instrument`] gives an exposure that can be trusted, or a fault.
//! 4. Decisions and computation, all pure: [`reduction`] (counts to irradiance), [`darks`], [`exposure`] (schedule, exposure
//!    control, one reading as a state machine), [`quality`] (flags, verdicts, monitors), [`summary`] (hours and days).
//! 5. The database: [`store`].
//! 6. [`processing`] turns frames into values; [`archive`] works on stored readings; [`acquisition`] is the loop that acts.
//! 7. Interfaces: [`export`], [`cli`]; and [`simulator`], the virtual spectrometer of demo and tests.

pub mod acquisition;
pub mod archive;
pub mod calibration;
pub mod cli;
pub mod clock;
pub mod config;
pub mod darks;
pub mod dialect;
pub mod document;
pub mod export;
pub mod exposure;
pub mod fault;
pub mod fuzzing;
pub mod instrument;
pub mod moon;
pub mod night_sky;
pub mod numeric;
pub mod probe;
pub mod processing;
pub mod quality;
pub mod quantities;
pub mod record;
pub mod reduction;
pub mod simulator;
pub mod spectrum;
pub mod store;
pub mod summary;
pub mod sun;
#[expect(unsafe_code, reason = "system calls without a safe wrapper live here and nowhere else")]
pub mod system;
