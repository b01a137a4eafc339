//! Capture: when to read, how to expose, which darks to take and which to use.
//!
//! Pure: every part takes events (an exposure arrived, the time is now …) and answers with what to do next. Nothing here
//! opens a port, reads a clock or knows the database; a thin loop elsewhere performs the actions. What must stay true:
//! a clipped pixel in use is always on record as clipped, and no reading plans beyond its budget.

pub mod dark_choice;
pub mod darks;
pub mod exposure;
mod gather;
pub mod grid;
pub mod judge;
pub mod look;
pub mod plan;
pub mod schedule;
pub mod setup;
#[cfg(test)]
mod trial;
#[cfg(test)]
mod trial_wire;
pub mod warm_up;

pub use dark_choice::{DarkChoice, DarkWanted, choose};
pub use darks::{DarkContext, DarkNote, DarkOrder, covered_orders, darkest_below_deg, orders};
pub use exposure::ExposureState;
pub use judge::{DarkNoise, Refusal, judge, looks_dark};
pub use plan::{Action, ReadingPlan, Single, Taken};
pub use schedule::{Gate, Schedule};
pub use setup::CaptureSetup;
pub use warm_up::WarmUp;
