//! `vigilux recompute`: recomputes readings from their raw frames and makes the new values active in one step at the end.

use super::source::{Source, instant};
use super::{Failure, print, print_json};
use crate::archive::ArchiveError;
use crate::archive::recompute::{self, Outcome, Request};
use crate::calibration::file;
use crate::clock::{Clock, RealClock, UtcMicros};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use serde_json::{Value, json};
use std::fmt::Write;
use std::path::PathBuf;

/// Arguments of `recompute`.
#[derive(Clone, Debug, clap::Args)]
pub struct RecomputeArgs {
    #[command(flatten)]
    source: Source,
    /// Readings from this instant on: RFC 3339, or a date in UTC
    #[arg(long, value_name = "TIME", value_parser = instant)]
    from: Option<UtcMicros>,
    /// Readings before this instant: RFC 3339, or a date in UTC
    #[arg(long, value_name = "TIME", value_parser = instant)]
    to: Option<UtcMicros>,
    /// Another calibration, for the readings of its instrument within its validity [default: the calibration of each reading]
    #[arg(long, value_name = "FILE")]
    calibration: Option<PathBuf>,
    /// Quantities to leave out: their values become null with the reason "not requested". Drawing an uncertainty takes longer than all other quantities together
    #[arg(long, value_name = "WHAT", value_enum)]
    without: Option<Omitted>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Quantities that a recomputation can leave out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Omitted {
    /// Those whose uncertainty is drawn: cri_ra, cri_r9, fidelity_rf, gamut_rg, peak_wavelength
    Drawn,
}

impl From<ArchiveError> for Failure {
    fn from(error: ArchiveError) -> Self {
        Self::Failed(error.to_string())
    }
}

/// Runs `recompute`. The values stay active until the end, and the daemon may continue to measure; after an interruption, the same
/// command continues where it stopped.
pub fn run(args: &RecomputeArgs) -> Result<(), Failure> {
    let (from, to) = (args.from.unwrap_or(UtcMicros(i64::MIN)), args.to.unwrap_or(UtcMicros(i64::MAX)));
    if from >= to {
        return Err(Failure::Usage(format!("--to: expected an instant after --from {from}, but found {to}")));
    }
    let now = RealClock::new().now();
    let calibration = args.calibration.as_deref().map(file::load).transpose()?;
    let store = recompute::open(&args.source.database(now)?)?;
    if let Some(c) = &calibration {
        let mut known: Vec<String> = store.instruments()?.into_iter().map(|i| i.serial).collect();
        known.sort();
        known.dedup();
        if !known.contains(&c.instrument_serial) {
            let known =
                if known.is_empty() { "a stored instrument (there are none)".to_owned() } else { known.join(", ") };
            let found = &c.instrument_serial;
            return Err(Failure::Usage(format!("--calibration: expected one for {known}, but found one for {found}")));
        }
    }
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let without_drawn = args.without == Some(Omitted::Drawn);
    let request = Request { from, to, calibration: calibration.as_ref(), without_drawn, threads };
    let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr());
    let style = ProgressStyle::with_template("{bar:40} {pos}/{len} readings, {per_sec}, {eta} left");
    bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
    let result = recompute::recompute(&store, &request, now, &mut |seen, total| {
        bar.set_length(total);
        bar.set_position(seen);
        true
    });
    bar.finish_and_clear();
    let outcome = result?;
    let name = calibration.map(|c| c.id);
    if args.json {
        return print_json(&as_json(&outcome, name.as_deref()));
    }
    print(&text(&outcome, name.as_deref()))
}

fn text(o: &Outcome, calibration: Option<&str>) -> String {
    let mut out = String::new();
    // Writing to a string cannot fail.
    let _ = match &o.activated {
        Some(s) => {
            let with =
                calibration.map_or("the calibrations of the readings".to_owned(), |c| format!("calibration `{c}`"));
            let (n, (from, to)) = (s.readings, s.span);
            writeln!(out, "computation {}: active for {n} readings from {from} to {to}, with {with}", o.computation)
        }
        None => writeln!(out, "no reading could be recomputed; all keep their values"),
    };
    if o.resumed_after.is_some() {
        let before = o.activated.map_or(0, |s| s.readings.saturating_sub(o.recomputed));
        let _ = writeln!(out, "{before} of them were computed by an earlier run that was interrupted");
    }
    for (why, n) in &o.skipped {
        let _ = writeln!(out, "{n} keep their values: {}", why.text());
    }
    for id in &o.discarded {
        let _ = writeln!(out, "computation {id}, which was not finished, is discarded");
    }
    out
}

fn as_json(o: &Outcome, calibration: Option<&str>) -> Value {
    let kept: serde_json::Map<String, Value> =
        o.skipped.iter().map(|(why, n)| (why.text().to_owned(), json!(n))).collect();
    json!({
        "computation": o.activated.map(|_| o.computation), "readings": o.activated.map_or(0, |s| s.readings),
        "from": o.activated.map(|s| s.span.0.to_string()), "to": o.activated.map(|s| s.span.1.to_string()),
        "calibration": calibration, "computed_now": o.recomputed, "kept": kept, "discarded": o.discarded,
        "longest_transaction_ms": o.longest_transaction.as_secs_f64() * 1e3,
    })
}
