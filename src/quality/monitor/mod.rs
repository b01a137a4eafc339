//! Drift monitors: wavelength scale, response, obstruction, dark signal, pixels.

pub mod dark;
pub mod limit_state;
pub mod obstruction;
pub mod pixels;
pub mod response;
pub mod wavelength;

pub use dark::DarkDrift;
pub use limit_state::{LimitState, Transition};
