//! `vigilux probe` against the built simulator, and its recording played by the simulator.

use crate::site::{PROGRAM, Process, texts};
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Output, Stdio};

/// A small, quick instrument whose longest exposure is a fifth of a second.
const SIMULATOR: &str = "baud = 460800\n[device]\naperture_max_s = 0.2\n[detector]\npixels = 128\nshielded = [[0, 3]]\n\
                         wavelength_coefficients = [300.0, 6.0]\n[warm_up]\nminutes = 0.0\n";

/// Starts a simulated instrument at `line` in a folder.
fn simulate(folder: &Path, arguments: &[&str]) -> Process {
    let mut child = Command::new(PROGRAM)
        .current_dir(folder)
        .args(["simulate", "--link", "line"])
        .args(arguments)
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut first = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut first).unwrap();
    assert!(Path::new(first.trim()).exists(), "expected a pseudo-terminal, but found `{first}`");
    Process::of(child)
}

fn probe(folder: &Path, arguments: &[&str]) -> Output {
    let line = ["probe", "--link", "line", "--baud", "460800"];
    Command::new(PROGRAM).current_dir(folder).args(line).args(arguments).stdin(Stdio::null()).output().unwrap()
}

/// The lines of a printout that the instrument determines: times of transfers are the machine's.
fn figures(text: &str) -> Vec<&str> {
    let kept = |l: &&str| !l.starts_with("beyond integration") && !l.starts_with('/');
    text.lines().skip_while(|l| !l.starts_with("identity")).filter(kept).collect()
}

#[test]
fn an_instrument_is_measured_and_its_recorded_session_is_played() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("light.csv"), "wavelength_nm,irradiance_w_m2_nm\n250,0.5\n1200,0.5\n").unwrap();
    std::fs::write(folder.path().join("simulator.toml"), SIMULATOR).unwrap();
    let instrument = simulate(folder.path(), &["--config", "simulator.toml", "--spectrum", "light.csv"]);
    let output = probe(folder.path(), &["--record", "session.txt"]);
    drop(instrument);
    let (recorded, log) = texts(&output);
    assert!(output.status.success(), "{log}");
    for part in [
        "serial number VB-0001",
        "128 pixels, 4 of them shielded",
        "electrons per count",
        "[[instrument]]",
        "rate of light stay unseen",
    ] {
        assert!(recorded.contains(part), "`{part}` is missing in:\n{recorded}");
    }
    let gain = recorded.lines().find_map(|l| l.strip_prefix("# electrons_per_count = ")).unwrap();
    let gain: f64 = gain.split_whitespace().next().unwrap().parse().unwrap();
    assert!((2.7..3.3).contains(&gain), "{gain} electrons per count, three were simulated");

    let _player = simulate(folder.path(), &["--replay", "session.txt"]);
    let output = probe(folder.path(), &[]);
    let (played, log) = texts(&output);
    assert!(output.status.success(), "{log}");
    assert_eq!(figures(&played), figures(&recorded));
}

#[test]
fn a_line_without_an_instrument_is_said_with_what_to_try() {
    let folder = tempfile::tempdir().unwrap();
    let output = probe(folder.path(), &[]);
    let (_, log) = texts(&output);
    assert_eq!(output.status.code(), Some(1));
    assert!(log.contains("line") && log.contains("--trace"), "{log}");
}
