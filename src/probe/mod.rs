//! Measures an instrument on the bench: what `vigilux probe` finds out before a station is configured.
//!
//! [`measure`] takes the exposures; the estimates are pure functions of counts ([`noise`], [`dark`], [`linearity`], [`levels`]),
//! tested against drawn detectors whose truth is known. [`ports`] lists serial ports, [`report`] prints. Nothing is stored.
//!
//! Invariants:
//! - Every estimate has a standard uncertainty, or a sentence that says why it is missing.
//! - A figure that rests on steady light is accompanied by the change of the light that was seen.

pub mod dark;
#[cfg(test)]
mod drawn;
pub mod estimate;
pub mod findings;
pub mod levels;
pub mod light;
pub mod linearity;
pub mod measure;
pub mod noise;
pub mod ports;
pub mod report;
pub mod section;
