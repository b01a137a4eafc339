//! `vigilux verify`: checks that the database is complete and consistent and that its values follow from the raw frames.

use super::source::Source;
use super::{Failure, print, print_json};
use crate::archive::verify::{Check, verify_database};
use crate::clock::{Clock, RealClock};
use crate::store::Reader;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use serde_json::json;
use std::fmt::Write;

/// Arguments of `verify`.
#[derive(Clone, Debug, clap::Args)]
pub struct VerifyArgs {
    #[command(flatten)]
    source: Source,
    /// Number of readings, evenly distributed, to recompute from their frames
    #[arg(long, value_name = "N", default_value_t = 1000, conflicts_with = "all")]
    sample: u64,
    /// Recompute every reading
    #[arg(long)]
    all: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Runs `verify`; any fault of the database is a failure.
pub fn run(args: &VerifyArgs) -> Result<(), Failure> {
    let archive = args.source.open(RealClock::new().now())?;
    let sample = if args.all { u64::MAX } else { args.sample };
    let checks = verify(&archive.reader, sample);
    if args.json {
        let checks: Vec<_> = checks.iter().map(|c| json!({ "ok": c.count() == 0, "check": c })).collect();
        let ok = checks.iter().all(|c| c["ok"] == true);
        print_json(&json!({ "database": archive.reader.path().to_string_lossy(), "ok": ok, "checks": checks }))?;
    } else {
        print(&report(&checks))?;
    }
    result(&checks)
}

/// Verifies a database, with a progress bar on a terminal.
pub fn verify(reader: &Reader, sample: u64) -> Vec<Check> {
    let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr());
    let style = ProgressStyle::with_template("{bar:40} {pos}/{len} readings, {per_sec}, {eta} left");
    bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
    let checks = verify_database(reader, sample, &mut |seen, total| {
        bar.set_length(total);
        bar.set_position(seen);
    });
    bar.finish_and_clear();
    checks
}

/// A failure if any check found a fault.
pub fn result(checks: &[Check]) -> Result<(), Failure> {
    match checks.iter().map(Check::count).sum::<u64>() {
        0 => Ok(()),
        1 => Err(Failure::Failed("the database has 1 fault".into())),
        n => Err(Failure::Failed(format!("the database has {n} faults"))),
    }
}

/// One line per check, with its faults and notes below.
pub fn report(checks: &[Check]) -> String {
    let mut out = String::new();
    for check in checks {
        let result = if check.count() == 0 { "ok".to_owned() } else { format!("{} FAULTS", check.count()) };
        // Writing to a string cannot fail.
        let _ = writeln!(out, "{:<10} {:>9} {}: {result}", check.name, check.checked, check.of);
        for fault in &check.faults {
            let _ = writeln!(out, "    {fault}");
        }
        if check.more_faults > 0 {
            let _ = writeln!(out, "    and {} more", check.more_faults);
        }
        for note in &check.notes {
            let _ = writeln!(out, "    note: {note}");
        }
    }
    out
}
