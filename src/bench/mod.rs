//! The virtual spectrometer: a detector, a head, a sky and a laboratory, for everyone without hardware and every test.
//!
//! It is as unkind as the real thing and is met only through the wire: nothing here is shared with the instrument room
//! but the [`Link`](crate::instrument::Link) trait, and no other room but the command line and tests uses it. What must
//! stay true: the same settings, seed and commands at the same times give the same bits, and the truth it reports of an
//! exposure is the light the detector was given.

pub mod air;
pub mod certificate;
pub mod climate;
pub mod comparison;
pub mod detector;
pub mod faults;
pub mod front;
pub mod hashed;
pub mod inprocess;
pub mod light;
pub mod mishaps;
pub mod optic;
pub mod pty;
pub mod scenes;
pub mod settings;
pub mod sky;
pub mod slit;
pub mod stray;
pub mod truth;
pub mod weigh;
pub mod words;
pub mod world;

pub use certificate::certificate;
pub use faults::{FaultKind, FaultRule, PixelFault, Strikes};
pub use front::Front;
pub use inprocess::{Handle, InProcessLink, connect};
pub use mishaps::{Mishap, MishapKind};
pub use settings::Settings;
pub use truth::{TruthLog, TruthRecord};
pub use world::{Bench, BenchError};
