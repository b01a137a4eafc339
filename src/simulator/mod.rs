//! The virtual spectrometer: a detector, a head, a sky and a laboratory, for everyone without hardware and every test.
//!
//! It is as unkind as the real thing and is met only through the wire: nothing here is shared with the instrument room
//! but the [`Link`](crate::instrument::Link) trait, and no other room but the command line and tests uses it. What must
//! stay true: the same settings, seed and commands at the same times give the same bits, and the truth it reports of an
//! exposure is the light the detector was given.

pub mod air;
pub mod certificate;
pub mod command_parser;
pub mod comparison;
pub mod detector;
pub mod device;
pub mod disturbances;
pub mod faults;
pub mod hash_noise;
pub mod inprocess;
pub mod integrals;
pub mod light;
pub mod optic;
pub mod pty;
pub mod scenes;
pub mod settings;
pub mod sky;
pub mod slit;
pub mod stray;
pub mod thermal;
pub mod truth;
pub mod world;

pub use certificate::certificate;
pub use device::Device;
pub use disturbances::{Disturbance, DisturbanceKind};
pub use faults::{FaultKind, FaultRule, PixelFault, Strikes};
pub use inprocess::{Handle, InProcessLink, connect};
pub use settings::Settings;
pub use truth::{TruthLog, TruthRecord};
pub use world::{Bench, BenchError};
