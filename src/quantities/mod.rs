//! The light quantities of a spectrum: each with its unit, definition, source, range and uncertainty.
//!
//! A *row* is a weighting function as weights on the samples of a wavelength axis. A *quantity* is the sum of a row times a factor, or a
//! formula over the sums of some rows; the wavelength of the maximum and the indices of colour rendering have recipes of their own. To add
//! a quantity, write it as a constant in the file of its group and list it in [`registry()`]; everything else (values, uncertainty, null
//! reasons, columns, plausibility limit, flag scope) follows from the constant.
//!
//! Pure: no I/O, no clock, no panic on data. Invariants: a quantity is either a number with an uncertainty over the whole range
//! it is defined on, or null with a reason; it never covers a part of its range, and noise below zero is kept.

pub mod constants;
mod quantity;
mod reason;
mod row;

pub mod alpha_opic;
mod colour;
mod colour_rendering;
mod energy;
mod hue;
mod photometry;
mod plant_ultraviolet;
mod plants;
mod retina;
mod ultraviolet;

mod caution;
mod flag_scope;
mod registry;

pub mod locus;
mod peak;
pub mod rendering;
mod sums;
pub mod tables;

mod evaluate;
mod matrix;

pub use caution::cautions;
pub use evaluate::{Outcome, effects, evaluate, values};
pub use flag_scope::FlagScope;
pub use matrix::Matrix;
pub use quantity::{Group, Limit, Plausible, Quantity, Recipe};
pub use reason::NullReason;
pub use registry::{index_of, registry};
pub use row::SourceRule;
