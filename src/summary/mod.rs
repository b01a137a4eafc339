//! Hours and days of readings, summed up: the figures a grower, a lighting engineer or a photobiologist asks a day for.
//!
//! Pure: readings in, figures out; no port, no clock, no database, no panic on data. What must stay true: the same readings
//! under the same [`Rules`] give the same bits, whoever asks, since kept figures stand in for those that are made anew; and
//! no figure is low without saying so: where light was not seen, the figure states the share that was.

mod calendar;
mod course;
mod day;
mod figure;
mod hour;
mod lamps;
mod rules;
#[cfg(test)]
mod tests;

pub use calendar::DayBounds;
pub use day::{Day, QUANTITIES, day};
pub use figure::{ComesWith, FIGURES, Figure, FigureInfo};
pub use hour::{Tally, hour};
pub use rules::Rules;
