//! Recomputation of a year: readings a second, CPU time, memory, the longest write transaction.
//!
//! `cargo bench --bench recompute [-- DAYS]`, a year without (4 GB, generated once under `target/year` in a quarter
//! of an hour); fewer days are spread over the year. The built program runs twice: with all quantities, and `--without
//! drawn`, for which the bound on time holds. Where something else runs meanwhile, CPU time over the number of cores
//! is what an idle machine would need.

#[path = "../tests/support/closed_loop.rs"]
mod closed_loop;
mod example_station;
mod process_usage;
mod year;

use process_usage::Run;
use std::path::Path;
use std::process::Command;
use std::time::Instant;

/// The bounds: seconds for a year on two cores, resident memory [MB], a write transaction [ms].
const YEAR_S: f64 = 90.0;
const MEMORY_MB: f64 = 200.0;
const TRANSACTION_MS: f64 = 200.0;
const YEAR: f64 = 525_600.0;

fn main() {
    let days = std::env::args().skip(1).find_map(|a| a.parse().ok()).unwrap_or(365);
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/year");
    let path = folder.join(format!("{days}-days.db"));
    let started = Instant::now();
    year::make(&path, days);
    let bytes = std::fs::metadata(&path).map_or(0, |m| m.len());
    println!("{days} days, {:.0} MB, made in {:.0} s", bytes as f64 / 1e6, started.elapsed().as_secs_f64());
    for (without, what) in [(None, "everything"), (Some("drawn"), "without drawn quantities")] {
        let mut program = Command::new(env!("CARGO_BIN_EXE_vigilux"));
        program.args(["recompute", "--json", "--database"]).arg(&path);
        program.args(without.into_iter().flat_map(|what| ["--without", what]));
        measure(program, what);
    }
}

fn measure(mut program: Command, what: &str) {
    let Run { took_s: took, cpu_s: cpu, peak_mb, out } = process_usage::run(&mut program);
    let json: serde_json::Value = serde_json::from_slice(&out).expect("JSON");
    let readings = json["readings"].as_f64().expect("a number");
    let cores = std::thread::available_parallelism().map_or(1, usize::from) as f64;
    println!("{what}: {readings} readings in {took:.1} s, {:.0} a second", readings / took);
    println!(
        "  CPU {cpu:.1} s, {:.0} us a reading; a year {:.0} s by the clock, {:.0} s by CPU over {cores} cores (at most {YEAR_S} s on two)",
        1e6 * cpu / readings,
        took / readings * YEAR,
        cpu / cores / readings * YEAR,
    );
    println!("  memory {peak_mb:.0} MB (at most {MEMORY_MB})");
    let longest = json["longest_transaction_ms"].as_f64().unwrap_or(f64::NAN);
    println!("  longest transaction {longest:.0} ms (less than {TRANSACTION_MS})");
}
