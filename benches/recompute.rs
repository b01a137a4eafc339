//! What it takes to make a year of readings again: readings a second, CPU time, memory, the longest write transaction.
//!
//! `cargo bench --bench recompute [-- DAYS]`, 14 days without, 365 for a year (3 GB, which are made once under
//! `target/year` and take a quarter of an hour). Runs the built program on it twice, the second time over the first one's
//! values. Where something else runs meanwhile, CPU time over the number of cores is what a quiet machine would take.

#[path = "../tests/support/closed_loop.rs"]
mod closed_loop;
mod watched;
mod year;

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;
use watched::Run;

/// The bounds: seconds for a year on two cores, and resident memory [MB].
const YEAR_S: f64 = 60.0;
const MEMORY_MB: f64 = 200.0;
const YEAR: f64 = 525_600.0;

fn main() {
    let days = std::env::args().skip(1).find_map(|a| a.parse().ok()).unwrap_or(14);
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/year");
    let path = folder.join(format!("{days}-days.db"));
    let started = Instant::now();
    year::make(&path, days);
    let bytes = std::fs::metadata(&path).map_or(0, |m| m.len());
    println!("{days} days, {:.0} MB, made in {:.0} s", bytes as f64 / 1e6, started.elapsed().as_secs_f64());
    for run in ["first", "second"] {
        measure(&path, run);
    }
}

fn measure(path: &PathBuf, run: &str) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_vigilux"));
    let Run { took_s: took, cpu_s: cpu, peak_mb, out } =
        watched::run(command.args(["recompute", "--json", "--database"]).arg(path));
    let json: serde_json::Value = serde_json::from_slice(&out).expect("JSON");
    let readings = json["readings"].as_f64().expect("a number");
    let cores = std::thread::available_parallelism().map_or(1, usize::from) as f64;
    println!("{run} run: {readings} readings in {took:.1} s, {:.0} a second", readings / took);
    println!(
        "  CPU {cpu:.1} s, {:.0} us a reading; a year {:.0} s by the clock, {:.0} s by CPU over {cores} cores (at most {YEAR_S} s on two)",
        1e6 * cpu / readings,
        took / readings * YEAR,
        cpu / cores / readings * YEAR,
    );
    println!("  memory {:.0} MB (at most {MEMORY_MB})", peak_mb);
    println!(
        "  longest transaction {:.0} ms (less than 200)",
        json["longest_transaction_ms"].as_f64().unwrap_or(f64::NAN)
    );
}
