//! Wall time, processor time and memory of a run of the built program.

use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// Resources of a run.
pub struct Run {
    /// Wall time [s].
    pub took_s: f64,
    /// Processor time, of the program and of the system for it [s].
    pub cpu_s: f64,
    /// Resident memory at its peak [MB].
    pub peak_mb: f64,
    /// Standard output.
    pub out: Vec<u8>,
}

/// Runs the program to its end; one that fails ends the benchmark.
pub fn run(command: &mut Command) -> Run {
    let started = Instant::now();
    let mut child = command.stdout(Stdio::piped()).spawn().expect("the program runs");
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
    let took_s = started.elapsed().as_secs_f64();
    let out = child.wait_with_output().expect("its output");
    assert!(out.status.success(), "the program failed");
    // The kernel counts in hundredths of a second, whatever its own tick.
    Run { took_s, cpu_s: ticks / 100.0, peak_mb: memory_kb / 1024.0, out: out.stdout }
}
