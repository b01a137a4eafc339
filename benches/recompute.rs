//! What it takes to make a year of readings again: readings a second, CPU time, memory, the longest write transaction.
//!
//! `cargo bench --bench recompute [-- DAYS]`, a year without (4 GB, which are made once under `target/year` and take a
//! quarter of an hour); fewer days are spread over the year. Runs the built program on it twice, the second time over the first one's
//! values. Where something else runs meanwhile, CPU time over the number of cores is what a quiet machine would take.

#[path = "../tests/support/closed_loop.rs"]
mod closed_loop;
mod year;

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// The bounds: seconds for a year on two cores, and resident memory [MB].
const YEAR_S: f64 = 60.0;
const MEMORY_MB: f64 = 200.0;
const YEAR: f64 = 525_600.0;

fn main() {
    let days = std::env::args().skip(1).find_map(|a| a.parse().ok()).unwrap_or(365);
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
    let started = Instant::now();
    let mut child = Command::new(env!("CARGO_BIN_EXE_vigilux"))
        .args(["recompute", "--json", "--database"])
        .arg(path)
        .stdout(Stdio::piped())
        .spawn()
        .expect("the program runs");
    let (mut memory_kb, mut ticks) = (0.0, 0.0);
    while child.try_wait().expect("its state").is_none() {
        let read = |what: &str| std::fs::read_to_string(format!("/proc/{}/{what}", child.id())).unwrap_or_default();
        let status = read("status");
        let peak = status.lines().find_map(|l| l.strip_prefix("VmHWM:")?.trim().strip_suffix(" kB")?.parse().ok());
        memory_kb = peak.unwrap_or(memory_kb);
        let stat = read("stat");
        let after_name = stat.rsplit(')').next().unwrap_or_default();
        let fields: Vec<f64> = after_name.split_whitespace().map(|f| f.parse().unwrap_or(0.0)).collect();
        // User and system time are fields 14 and 15, the name being the second.
        if fields.len() > 12 && fields[11] > 0.0 {
            ticks = fields[11] + fields[12];
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    let took = started.elapsed().as_secs_f64();
    let out = child.wait_with_output().expect("its output");
    assert!(out.status.success(), "the program failed");
    let json: serde_json::Value = serde_json::from_slice(&out.stdout).expect("JSON");
    let readings = json["readings"].as_f64().expect("a number");
    // The kernel counts in hundredths of a second, whatever its own tick.
    let cpu = ticks / 100.0;
    let cores = std::thread::available_parallelism().map_or(1, usize::from) as f64;
    println!("{run} run: {readings} readings in {took:.1} s, {:.0} a second", readings / took);
    println!(
        "  CPU {cpu:.1} s, {:.0} us a reading; a year {:.0} s by the clock, {:.0} s by CPU over {cores} cores (at most {YEAR_S} s on two)",
        1e6 * cpu / readings,
        took / readings * YEAR,
        cpu / cores / readings * YEAR,
    );
    println!("  memory {:.0} MB (at most {MEMORY_MB})", memory_kb / 1024.0);
    println!(
        "  longest transaction {:.0} ms (less than 200)",
        json["longest_transaction_ms"].as_f64().unwrap_or(f64::NAN)
    );
}
