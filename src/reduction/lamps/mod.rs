//! Separation of the light of lamps from that of sun and sky, by their spectra.
//!
//! The optic responds to lamps in another way than to a low sun, so each part is corrected by its own response. The shapes of the
//! lamps are learned from readings at night or across switching; daylight is the reference sun times a smooth, non-negative
//! curve, which leaves room for any sky, atmosphere and glazing. Pure.
//!
//! Invariants: no light is counted twice or lost, whatever the fit says: what is not the lamps' is the sun's; a lamp without any
//! structure in its spectrum cannot be told from daylight, and the stated uncertainty says so.

mod daylight;
mod glazing;
mod learning;
mod light;
mod response;
mod separation;
mod shape;

pub use daylight::Daylight;
pub use glazing::Glazing;
pub use learning::{Learner, Observation};
pub use light::{Knowledge, LAMPS_ALONE_BELOW_DEG, LampContext, LampLight};
pub use response::{LampResponse, lamp_response};
pub use separation::{Light, STRUCTURE, Separation, separate};
pub use shape::{LampShape, decode, encode};
