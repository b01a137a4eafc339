//! What to think of a number: flags, verdicts, physical limits, faulty pixels, a covered optic, drift of dark, scale and
//! response.
//!
//! Pure. A flag touches a quantity only through the wavelengths it uses and the size of the effect; nothing flagged is
//! dropped, nothing is corrected here.

pub mod clear_sky;
pub mod covered;
pub mod dark_pixels;
pub mod drift;
pub mod limits;
pub mod pixels;
pub mod reach;
pub mod response;
pub mod spared;
pub mod standing;
pub mod verdict;
pub mod wavelength;

pub use crate::record::DarkUse;
pub use drift::DarkDrift;
pub use standing::{Standing, Turn};
pub use verdict::{Assessment, Judged, judge};
