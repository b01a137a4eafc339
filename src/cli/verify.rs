//! `vigilux verify`: is everything there, does it hold together, do the values follow from the facts?

use super::source::Source;
use super::{Failure, print, print_json};
use crate::archive::verify::{Check, audit};
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
    /// How many readings, spread evenly, are computed again from their frames
    #[arg(long, value_name = "N", default_value_t = 1000, conflicts_with = "all")]
    sample: u64,
    /// Compute every reading again
    #[arg(long)]
    all: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Runs `verify`; something wrong is a failure.
pub fn run(args: &VerifyArgs) -> Result<(), Failure> {
    let archive = args.source.open(RealClock::new().now())?;
    let sample = if args.all { u64::MAX } else { args.sample };
    let checks = look_over(&archive.reader, sample);
    if args.json {
        let checks: Vec<_> = checks.iter().map(|c| json!({ "ok": c.count() == 0, "check": c })).collect();
        let ok = checks.iter().all(|c| c["ok"] == true);
        print_json(&json!({ "database": archive.reader.path().to_string_lossy(), "ok": ok, "checks": checks }))?;
    } else {
        print(&report(&checks))?;
    }
    verdict(&checks)
}

/// Looks a database over, with a bar on a terminal.
pub fn look_over(reader: &Reader, sample: u64) -> Vec<Check> {
    let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr());
    let style = ProgressStyle::with_template("{bar:40} {pos}/{len} readings, {per_sec}, {eta} left");
    bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
    let checks = audit(reader, sample, &mut |seen, total| {
        bar.set_length(total);
        bar.set_position(seen);
    });
    bar.finish_and_clear();
    checks
}

/// A failure where anything is wrong.
pub fn verdict(checks: &[Check]) -> Result<(), Failure> {
    match checks.iter().map(Check::count).sum::<u64>() {
        0 => Ok(()),
        1 => Err(Failure::Failed("1 thing is wrong with the database".into())),
        n => Err(Failure::Failed(format!("{n} things are wrong with the database"))),
    }
}

/// One line a check, faults and notes below it.
pub fn report(checks: &[Check]) -> String {
    let mut out = String::new();
    for check in checks {
        let result = if check.count() == 0 { "ok".to_owned() } else { format!("{} WRONG", check.count()) };
        // Writing to a string cannot fail.
        let _ = writeln!(out, "{:<10} {:>9} {}: {result}", check.name, check.looked_at, check.of);
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
