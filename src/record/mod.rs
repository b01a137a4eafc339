//! Data types shared between modules: frames, flags, verdicts, readings, events, flagged intervals.
//!
//! Plain data without I/O. Defines the names of flags, causes, verdicts and dark sources in output and databases.

pub mod acquisition_context;
pub mod dark;
pub mod detector;
pub mod event;
pub mod flag;
mod flag_glossary;
pub mod flagged_interval;
pub mod frame;
pub mod integration_grid;
pub mod limit_state;
pub mod mains_ripple;
pub mod pixel_ranges;
pub mod reading;
pub mod rollup;
pub mod spikes;

pub use acquisition_context::{AcquisitionContext, DriftEstimates};
pub use dark::{Dark, DarkProvenance, DarkReference, DarkSource};
pub use detector::Detector;
pub use event::{Event, EventKind, NoteClass};
pub use flag::{Effect, Flag, Flags, Verdict};
pub use flag_glossary::GlossaryEntry;
pub use flagged_interval::FlaggedInterval;
pub use frame::{Exposure, Frame, Shutter, Stamp};
pub use integration_grid::{IntegrationGrid, whole_half_cycles};
pub use limit_state::{LimitState, Transition};
pub use pixel_ranges::{PixelRanges, dilate};
pub use reading::{Bracket, LampLevel, QuantityValue, Reading, WindowStatistics};
pub use rollup::HourValue;
