//! The virtual spectrometer: detector, entrance optic, sky, lamps, disturbances and calibration laboratory, for use without hardware
//! and for tests.
//!
//! It is reached through the wire only: it shares no code with the instrument module but the
//! [`Link`](crate::instrument::Link) trait, and none with the program's own corrections. Used by the command line and tests.
//!
//! Invariants:
//! - The same settings, seed and commands at the same times give the same bits.
//! - The truth reported of an exposure is the light that the detector received.

pub mod air;
pub mod calibration_errors;
pub mod certificate;
pub mod command_parser;
pub mod comparison;
pub mod detector;
pub mod device;
pub mod devices;
pub mod disturbances;
pub mod faults;
pub mod hash_noise;
pub mod inprocess;
pub mod integrals;
pub mod light;
pub mod line;
pub mod moon;
pub mod optic;
pub mod pty;
pub mod replay;
pub mod scenes;
pub mod settings;
pub mod simulated_station;
pub mod sky;
pub mod slit;
pub mod stray;
pub mod tcp;
pub mod thermal;
pub mod truth;
pub mod wire;
mod wrong_counts;

pub use certificate::certificate;
pub use device::Device;
pub use devices::DeviceKind;
pub use disturbances::{Disturbance, DisturbanceKind};
pub use faults::{AppliesTo, FaultKind, FaultRule, PixelFault};
pub use inprocess::{Handle, InProcessLink, connect, connect_device};
pub use settings::{Settings, SettingsError};
pub use simulated_station::{SimulatedStation, SimulatorError};
pub use truth::{TruthLog, TruthRecord};
pub use wire::Wire;
