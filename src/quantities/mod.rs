//! What a spectrum is worth: every quantity with its unit, definition, source, range and uncertainty.
//!
//! A *row* is a weighting folded onto the wavelength axis; a *quantity* is a row times a factor, or a *finish*: a formula
//! over the sums of some rows; where the spectrum is highest is a kind of its own. To add one, write it as a constant in the
//! file of its group and list it in [`registry()`]; everything else (values, uncertainty, reasons, columns) follows.
//!
//! Pure: no I/O, no clock, no panic on data. What must stay true: a quantity is either a number with an uncertainty over
//! the whole range it is defined on, or absent with a reason; it is never silently partial, and noise below zero stays.

pub mod alpha_opic;
mod caution;
pub mod colour;
pub mod constants;
pub mod energy;
pub mod evaluate;
pub mod hue;
mod kernel;
pub mod locus;
pub mod matrix;
mod peak;
pub mod photometry;
pub mod plants;
pub mod reason;
pub mod registry;
pub mod rendering;
pub mod retina;
pub mod row;
pub mod tables;
pub mod ultraviolet;

pub use caution::cautions;
pub use evaluate::{Mode, Outcome, Workspace, effects, effects_with, evaluate, evaluate_with, values, values_of_many};
pub use matrix::Matrix;
pub use reason::NullReason;
pub use registry::{Group, Limit, Quantity, Recipe, index_of, registry};
pub use row::SourceRule;
