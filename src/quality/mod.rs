//! What to think of a number: flags, verdicts, physical limits, faulty pixels, a covered optic, drift of dark, scale and
//! response.
//!
//! Pure. A flag touches a quantity only through the wavelengths it uses and the size of the effect; nothing flagged is
//! dropped, nothing is corrected here.

pub mod clear_sky;
pub mod flag_scope;
pub mod limits;
pub mod monitor;
pub mod pixel_anomaly;
pub mod verdict;

pub use crate::record::DarkProvenance;
pub use verdict::{Assessment, Judged, judge};
