//! Time and memory of exports: values of a year as CSV and as Parquet, a day of spectra as NetCDF.
//!
//! `cargo bench --bench exports [-- DAYS]`, 14 days without, 365 for a year (3 GB, which are generated once under
//! `target/year` in a quarter of an hour). Runs the built program on all the days, and on some of them for its memory;
//! times of fewer days are scaled to a year. An export runs on one core: beside other load, CPU time is what an idle machine
//! would need.

#[path = "../tests/support/closed_loop.rs"]
mod closed_loop;
mod example_station;
mod process_usage;
mod year;

use process_usage::Run;
use std::path::Path;
use std::process::Command;

const YEAR_DAYS: f64 = 365.0;
/// The bounds [s]: a year of values in either form, a day of spectra.
const YEAR_S: f64 = 20.0;
const DAY_S: f64 = 2.0;

fn main() {
    let days: i64 = std::env::args().skip(1).find_map(|a| a.parse().ok()).unwrap_or(14);
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("target/year/{days}-days.db"));
    year::make(&path, days);
    let folder = tempfile::tempdir().expect("a temporary folder");
    let export = |arguments: &[&str], until: i64| {
        let to = year::begin_of(until, days).to_string();
        let output = folder.path().join(format!("{}-{until}", arguments.join("-")));
        let mut command = Command::new(env!("CARGO_BIN_EXE_vigilux"));
        command.args(["export", "--to", &to]).args(arguments);
        let run = process_usage::run(command.arg("--database").arg(&path).arg("--output").arg(&output));
        assert!(String::from_utf8_lossy(&run.out).contains(" written to "), "it says what it wrote");
        // The output is no longer needed.
        let _ = std::fs::remove_file(&output).or_else(|_| std::fs::remove_dir_all(&output));
        run
    };
    println!("{days} days of readings, one a minute");
    let year = YEAR_DAYS / days as f64;
    let quarter = (days / 4).max(1);
    for form in ["csv", "parquet"] {
        let arguments = ["--format", form];
        let (some, all) = (export(&arguments, quarter), export(&arguments, days));
        told(&format!("a year of values to {form}"), &all, year, YEAR_S);
        remembered(quarter, &some, days, &all);
    }
    let arguments = ["--format", "netcdf", "--what", "spectra"];
    told("a day of spectra to netcdf", &export(&arguments, 1), 1.0, DAY_S);
    // The allocator grows during the first days only.
    let (some, more) = (2.min(days), 8.min(days));
    remembered(some, &export(&arguments, some), more, &export(&arguments, more));
}

/// A measured run beside its bound.
fn told(what: &str, run: &Run, times: f64, at_most_s: f64) {
    let took = run.took_s * times;
    let verdict = if took <= at_most_s { "PASS" } else { "over" };
    println!(
        "{what:<28} {took:>6.2} s by the clock, CPU {:>6.2} s (at most {at_most_s} s: {verdict})",
        run.cpu_s * times
    );
}

/// Memory for one range and for a longer one.
fn remembered(days: i64, some: &Run, more_days: i64, more: &Run) {
    let (a, b) = (some.peak_mb, more.peak_mb);
    println!(
        "{:<28} {a:>6.1} MB for {days} days, {b:.1} MB for {more_days} (it must not grow with the span)",
        "  peak memory"
    );
}
