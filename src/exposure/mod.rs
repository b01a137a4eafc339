//! Schedule, exposure control, one reading as a state machine, warm-up.
//!
//! Pure: every part takes events (an exposure arrived, the time is now …) and returns the next action. Nothing here opens a
//! port, reads a clock or accesses the database. Invariants:
//!
//! - a clipped pixel in use is always recorded as clipped;
//! - apart from its first exposure, no reading plans beyond its time budget.

pub mod acquired_frames;
pub mod clipping;
pub mod clock_step;
pub mod control;
#[cfg(test)]
mod exposure_tests;
mod exposures;
pub mod frame_statistics;
pub mod learned_detector;
pub mod reading_plan;
pub mod recent_exposures;
pub mod schedule;
pub mod setup;
pub mod warm_up;
#[cfg(test)]
mod wire_tests;

pub use acquired_frames::{AcquiredFrames, Single};
pub use clipping::{Clipping, ClippingDetector};
pub use clock_step::clock_step_s;
pub use control::ExposureState;
pub use learned_detector::{FrameLag, LearnedDetector};
pub use reading_plan::{Action, ReadingPlan};
pub use recent_exposures::RecentExposures;
pub use schedule::{Gate, Schedule};
pub use setup::ExposureSetup;
pub use warm_up::WarmUp;
