//! What the rooms hand to each other: frames, flags, verdicts, readings, events.
//!
//! Plain data, no decisions and no I/O. Names that outsiders see (flags, causes, verdicts, dark sources) are fixed here, once.

pub mod circumstances;
pub mod dark;
pub mod detector;
pub mod event;
pub mod flag;
pub mod frame;
pub mod reading;
pub mod rollup;
pub mod span;

pub use circumstances::{Circumstances, Tracked};
pub use dark::{Dark, DarkSource, DarkUse};
pub use detector::Detector;
pub use event::{Event, EventKind, NoteClass};
pub use flag::{Effect, Flag, Flags, Verdict};
pub use frame::{Exposure, Frame, PixelRanges, Shutter, Stamp};
pub use reading::{QuantityValue, Reading, Rung, WindowStatistics};
pub use rollup::HourValue;
pub use span::Span;
