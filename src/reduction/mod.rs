//! Reduction: converts counts to spectral irradiance, by one function for live readings, recomputation and tests.
//!
//! Order of the steps: offset, linearity, dark, merge of the brackets as count rates, stray light, response with its
//! temperature coefficient, separation of lamps, cosine. The bandwidth is corrected in the weights of the quantities. Pure: no I/O, no
//! clock, no panic on data.
//!
//! Invariant: the same input gives the same bits.

pub mod beam_share;
mod binned;
mod blooming;
mod columns;
pub mod cosine;
pub mod counts;
pub mod dark_light;
pub mod dark_model;
pub mod inputs;
pub mod lamps;
mod light_parts;
pub mod linearity;
pub mod merge;
mod modes;
pub mod reduce;
mod reduced;
mod ripple;
pub mod scale;
pub mod sky_light;
mod stray;
mod sums;
mod two_stream;

pub use counts::{BracketInput, DarkFor};
pub use dark_model::{DarkModel, FittingDark, NoModel};
pub use reduce::reduce;
pub use reduced::{Aged, Reduced, ReductionContext, mode_names};
pub use scale::Scale;
