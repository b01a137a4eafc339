//! `vigilux show`: the latest readings as text or JSON.
//!
//! Reads the database; [`text`] and [`json`] format what was read and do no I/O but for single rows that they name.

mod budget;
mod computations;
mod json;
#[cfg(test)]
mod tests;
mod text;

use super::source::{Archive, ComputationArg, Source};
use super::{Failure, print};
use crate::clock::{Clock, RealClock, UtcMicros};
use crate::record::Event;
use crate::store::StoredReading;

/// Arguments of `show`.
#[derive(Clone, Debug, clap::Args)]
pub struct ShowArgs {
    #[command(flatten)]
    source: Source,
    #[command(flatten)]
    computation: ComputationArg,
    /// Number of latest readings to show
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=10_000))]
    last: u32,
    /// List the stored computations instead: program version, readings, and for how many readings each is active
    #[arg(long, conflicts_with_all = ["computation", "last"])]
    computations: bool,
    /// Show the uncertainty budget of a quantity instead: each component's type, uncertainty, sensitivity, contribution
    #[arg(long, value_name = "QUANTITY", conflicts_with_all = ["computation", "last", "computations"])]
    budget: Option<String>,
    /// The reading of the budget, by its number [default: the latest]
    #[arg(long, value_name = "N", requires = "budget")]
    id: Option<i64>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Runs `show`.
pub fn run(args: ShowArgs) -> Result<(), Failure> {
    let now = RealClock::new().now();
    let archive = args.computation.select(args.source.open(now)?)?;
    if args.computations {
        return computations::run(&archive.reader, args.json);
    }
    if let Some(quantity) = &args.budget {
        return budget::run(&archive, quantity, args.id, args.json);
    }
    let readings = archive.reader.latest(args.last as usize)?;
    let events = archive.reader.latest_events(1)?;
    let gaps = archive.reader.latest_gaps(1)?;
    let view = View { archive: &archive, readings: &readings, event: events.last(), gap: gaps.last(), now };
    if args.json {
        print(&format!("{:#}\n", view.json()?))?;
    } else {
        print(&view.text()?)?;
    }
    archive.finish()
}

/// What is shown.
struct View<'a> {
    archive: &'a Archive,
    readings: &'a [StoredReading],
    event: Option<&'a Event>,
    gap: Option<&'a Event>,
    now: UtcMicros,
}
