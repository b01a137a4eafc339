//! Recomputation of a year: readings a second, CPU time, memory, the longest write transaction.
//!
//! `cargo bench --bench recompute [-- DAYS]`, a year without (4 GB, generated once under `target/year` in a quarter
//! of an hour); fewer days are spread over the year. Run twice, each in a process of its own: the built program, which
//! makes everything, and the same without the uncertainty of colour rendering, which the bound on time leaves out. Where
//! something else runs meanwhile, CPU time over the number of cores is what an idle machine would need.

#[path = "../tests/support/closed_loop.rs"]
mod closed_loop;
mod example_station;
mod process_usage;
mod year;

use process_usage::Run;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;
use vigilux::archive::Recomputer;
use vigilux::archive::recompute::{self, Request};
use vigilux::clock::{Clock, RealClock, UtcMicros};

/// The bounds: seconds for a year on two cores, resident memory [MB], a write transaction [ms].
const YEAR_S: f64 = 60.0;
const MEMORY_MB: f64 = 200.0;
const TRANSACTION_MS: f64 = 200.0;
const YEAR: f64 = 525_600.0;
/// Names the database to a process of this program that is to do the work itself.
const WORK: &str = "VIGILUX_BENCH_RECOMPUTE";

fn main() {
    if let Some(path) = std::env::var_os(WORK) {
        return without_rendering_uncertainty(&PathBuf::from(path));
    }
    let days = std::env::args().skip(1).find_map(|a| a.parse().ok()).unwrap_or(365);
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/year");
    let path = folder.join(format!("{days}-days.db"));
    let started = Instant::now();
    year::make(&path, days);
    let bytes = std::fs::metadata(&path).map_or(0, |m| m.len());
    println!("{days} days, {:.0} MB, made in {:.0} s", bytes as f64 / 1e6, started.elapsed().as_secs_f64());
    let mut program = Command::new(env!("CARGO_BIN_EXE_vigilux"));
    program.args(["recompute", "--json", "--database"]).arg(&path);
    measure(program, "everything");
    let mut own = Command::new(std::env::current_exe().expect("this program"));
    own.env(WORK, &path);
    measure(own, "without the uncertainty of colour rendering (whose indices are then null)");
}

/// Makes everything again but the uncertainty of colour rendering.
fn without_rendering_uncertainty(path: &Path) {
    let store = recompute::open(path).expect("the database opens");
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let request = Request { from: UtcMicros(i64::MIN), to: UtcMicros(i64::MAX), calibration: None, threads };
    let (worker, now) = (Recomputer::without_rendering_uncertainty, RealClock::new().now());
    let done = recompute::recompute_by(&store, &request, worker, now, &mut |_, _| true).expect("it runs through");
    let readings = done.activated.map_or(0, |s| s.readings);
    let longest = done.longest_transaction.as_secs_f64() * 1e3;
    println!("{}", serde_json::json!({ "readings": readings, "longest_transaction_ms": longest }));
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
