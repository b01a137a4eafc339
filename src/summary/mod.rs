//! Hourly and daily figures of readings, for growers, lighting engineers and photobiologists.
//!
//! Pure: no port, no clock, no database, no panic on data.
//!
//! Invariants:
//! - The same readings under the same [`Rules`] give the same bits, because stored figures replace computed ones.
//! - A figure from incomplete data states its data coverage.

mod calendar;
mod course;
mod day;
mod figure;
mod hour;
mod lamps;
mod rules;
mod sample;
mod sampling;
mod switching;
#[cfg(test)]
mod tests;

pub use calendar::DayBounds;
pub use day::{Day, QUANTITIES, day};
pub use figure::{Attributes, FIGURES, Figure, FigureInfo};
pub use hour::{Tally, hour};
pub use rules::Rules;
