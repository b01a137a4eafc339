//! Darks: which to take, which to use, the test for darkness, when to fit the model, and the set in memory.
//!
//! Pure: nothing here takes an exposure, reads a clock or knows the database. [`DarkSet`] answers with what is to be taken and
//! what is to be stored; the model itself is fitted and evaluated in [`crate::reduction`]. Invariant: a rejected dark is never
//! used for correction.

pub mod choice;
pub mod dark_set;
pub mod darkness;
pub mod detector_structure;
pub mod fit;
pub mod frame_with_dark;
pub mod metadata;
pub mod night;
pub mod pause;
pub mod plan;
pub mod predecessors;
pub mod rejection;
pub mod set_times;
pub mod setup;
pub mod structure;

pub use choice::{DarkChoice, choose};
pub use dark_set::{DarkSet, DarksOnRecord, FittedModel};
pub use darkness::{Expected, open_level, test_darkness};
pub use detector_structure::DetectorStructure;
pub use frame_with_dark::FrameWithDark;
pub use metadata::DarkMetadata;
pub use night::DarkSetState;
pub use pause::{DarkPause, Night};
pub use plan::{DarkRequest, ModelState, plan_covered_darks, plan_darks};
pub use rejection::{DarkOutcome, DarkRejection, RejectedDark};
pub use setup::DarkSetup;
