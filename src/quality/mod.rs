//! Flags and verdicts, plausibility limits, faulty pixels, and the monitors of an instrument.
//!
//! Pure. Invariants: a flag is raised on a quantity only by the wavelengths that the quantity uses and the size of the effect; no
//! flagged value is discarded, and none is corrected here.

pub mod clear_sky;
mod key_quantities;
pub mod limits;
pub mod monitor;
pub mod pixel_anomaly;
pub mod verdict;

pub use key_quantities::key_quantities;
pub use verdict::{BracketConditions, Judged, ReadingConditions, judge};
