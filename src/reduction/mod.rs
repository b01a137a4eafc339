//! From counts to irradiance: one function, the same for a live reading, a recomputed one and a test.
//!
//! Order, for every frame: offset, linearity, dark, merge of the bracketing as count rates, stray light, response with
//! temperature, cosine. No I/O, no clock, no panic on data; the same input gives the same bits.

mod blooming;
mod columns;
pub mod cosine;
pub mod counts;
pub mod dark_model;
pub mod linearity;
pub mod merge;
mod modes;
pub mod reduce;
mod reduced;
pub mod scale;
mod stray;
mod sums;

pub use counts::{BracketInput, DarkFor};
pub use dark_model::{DarkModel, FittingDark, NoModel};
pub use reduce::reduce;
pub use reduced::{Aged, Reduced, Setting, mode_names};
pub use scale::Scale;
