//! `vigilux calibration import` from the certificate of the virtual spectrometer, stated in the ways of laboratories: each way gives the
//! same response.

use crate::site::{PROGRAM, texts};
use std::fmt::Write;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use vigilux::calibration::{Calibration, file};

fn vigilux(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(PROGRAM).current_dir(folder).args(arguments).stdin(Stdio::null()).output().unwrap()
}

/// Arguments for the facts of a certificate, without those that have a default.
const FACTS: [&str; 16] = [
    "--id",
    "import-2026",
    "--serial",
    "VB-0001",
    "--certificate",
    "made for a test",
    "--valid-from",
    "2026-03-01",
    "--fwhm",
    "2.0",
    "--uncertainty",
    "6",
    "--coverage-factor",
    "2",
    "--coefficients",
    "COEFFICIENTS",
];

struct Laboratory {
    folder: tempfile::TempDir,
    truth: Calibration,
}

impl Laboratory {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        assert!(vigilux(folder.path(), &["simulate", "--certificate", "truth.toml"]).status.success());
        let truth = file::load(&folder.path().join("truth.toml")).unwrap();
        Self { folder, truth }
    }

    /// Writes a table of the response's wavelengths with a value for each.
    fn put(&self, name: &str, value: impl Fn(f64, f64) -> f64) {
        let response = &self.truth.response;
        let mut text = "wavelength;value\n".to_owned();
        for (nm, r) in response.wavelength_nm.iter().zip(&response.counts_per_s_per_w_m2_nm) {
            let _ = writeln!(text, "{nm};{:e}", value(*nm, *r));
        }
        std::fs::write(self.folder.path().join(name), text).unwrap();
    }

    fn import(&self, arguments: &[&str]) -> (Output, Option<Calibration>) {
        let coefficients: Vec<String> = self.truth.wavelength.coefficients.iter().map(f64::to_string).collect();
        let coefficients = coefficients.join(",");
        let facts = FACTS.map(|a| if a == "COEFFICIENTS" { coefficients.as_str() } else { a });
        let all = [&["calibration", "import", "--force", "--output", "made.toml"], arguments, &facts[..]].concat();
        let ran = vigilux(self.folder.path(), &all);
        let made = ran.status.success().then(|| file::load(&self.folder.path().join("made.toml")).unwrap());
        (ran, made)
    }

    fn assert_same_response(&self, made: &Calibration, tolerance: f64) {
        for (nm, r) in made.response.wavelength_nm.iter().zip(&made.response.counts_per_s_per_w_m2_nm) {
            let truth = &self.truth.response;
            let want =
                vigilux::numeric::interpolate(&truth.wavelength_nm, &truth.counts_per_s_per_w_m2_nm, *nm).unwrap();
            assert!((r / want - 1.0).abs() < tolerance, "{nm} nm: got {r}, want {want}");
        }
    }
}

/// Identity: the response in its own unit, as energy for a count, and from a lamp's counts; what was assumed is marked and listed.
#[test]
fn each_way_to_state_a_response_gives_the_same() {
    let laboratory = Laboratory::new();
    laboratory.put("response.csv", |_, r| r / 100.0);
    let (ran, made) = laboratory.import(&["--table", "response.csv", "--unit", "counts/s per uW cm-2 nm-1"]);
    let (out, err) = texts(&ran);
    let made = made.unwrap_or_else(|| panic!("{out}{err}"));
    laboratory.assert_same_response(&made, 1e-9);
    // 6 % at k = 2.
    assert!(made.response.relative_uncertainty.iter().all(|u| (u - 0.03).abs() < 1e-12));
    assert_eq!((made.end(), made.instrument_serial.as_str()), (None, "VB-0001"));
    for line in ["ASSUMED --wavelengths air: most", "ASSUMED --electrons-per-count 3: ", "ASSUMED a linear detector"] {
        assert!(out.contains(line), "no `{line}` in\n{out}");
    }
    let text = std::fs::read_to_string(laboratory.folder.path().join("made.toml")).unwrap();
    assert!(text.contains("electrons_per_count = 3.0  # ASSUMED (--electrons-per-count): "), "{text}");

    // C = A·(dλ/dpixel)/R, with the dispersion of the certificate's own scale by differences.
    let scale = laboratory.truth.wavelength.clone();
    let dispersion = |nm: f64| {
        let pixel = (0..20_480).map(|i| f64::from(i) / 10.0).find(|p| scale.at(*p) >= nm).unwrap();
        (scale.at(pixel + 0.5) - scale.at(pixel - 0.5)) / 1.0
    };
    laboratory.put("energy.csv", |nm, r| if nm < scale.at(0.0) { 1.0 } else { 7.07e-6 * dispersion(nm) / r * 1e6 });
    let (ran, made) = laboratory.import(&[
        "--table",
        "energy.csv",
        "--unit",
        "uJ/count",
        "--collecting-area",
        "7.07 mm2",
        "--wavelengths",
        "air",
    ]);
    laboratory.assert_same_response(&made.unwrap_or_else(|| panic!("{:?}", texts(&ran))), 1e-3);
    let (ran, _) = laboratory.import(&["--table", "energy.csv", "--unit", "uJ/count"]);
    assert_eq!(ran.status.code(), Some(2));
    assert!(texts(&ran).1.contains("--collecting-area: expected collecting area of the optic"), "{:?}", texts(&ran));
    let (ran, _) = laboratory.import(&["--table", "energy.csv", "--unit", "uJ/m"]);
    assert!(texts(&ran).1.starts_with("--unit: expected a unit of response"), "{:?}", texts(&ran));

    // A lamp with the same irradiance everywhere, in mW m-2 nm-1, and its counts at 20 ms above a dark of 100.
    std::fs::write(laboratory.folder.path().join("lamp.txt"), "250 50\n1100 50\n").unwrap();
    let mut counts = "pixel,counts,dark\n".to_owned();
    let truth = &laboratory.truth.response;
    for pixel in (0..2000).step_by(10) {
        let nm = scale.at(f64::from(pixel));
        if let Some(r) = vigilux::numeric::interpolate(&truth.wavelength_nm, &truth.counts_per_s_per_w_m2_nm, nm) {
            // The interpolation of the lamp is that of a radiator: between equal ends it is not constant.
            let at = |x: f64| (0.05 * x.powi(5)).ln();
            let share = (1.0 / nm - 1.0 / 250.0) / (1.0 / 1100.0 - 1.0 / 250.0);
            let lamp = (at(250.0) + (at(1100.0) - at(250.0)) * share).exp() / nm.powi(5);
            let _ = writeln!(counts, "{pixel},{},100", 100.0 + r * lamp * 0.02);
        }
    }
    std::fs::write(laboratory.folder.path().join("counts.csv"), counts).unwrap();
    let lamp = ["--lamp", "lamp.txt", "--counts", "counts.csv", "--unit", "mW m-2 nm-1", "--integration", "20 ms"];
    let (ran, made) = laboratory.import(&lamp);
    laboratory.assert_same_response(&made.unwrap_or_else(|| panic!("{:?}", texts(&ran))), 1e-6);
}

/// Published: a scale and a table in vacuum are converted, by 0.0875 nm at 300 nm.
#[test]
fn wavelengths_in_vacuum_are_converted() {
    let laboratory = Laboratory::new();
    laboratory.put("response.csv", |_, r| r);
    let (ran, made) =
        laboratory.import(&["--table", "response.csv", "--unit", "counts/s per W m-2 nm-1", "--wavelengths", "vacuum"]);
    let made = made.unwrap_or_else(|| panic!("{:?}", texts(&ran)));
    let at_300 =
        |c: &Calibration| c.response.wavelength_nm.iter().copied().find(|nm| (nm - 300.0).abs() < 0.2).unwrap();
    let shift = at_300(&laboratory.truth) - at_300(&made);
    assert!((shift - 0.0875).abs() < 0.0005, "{shift} nm");
    let of_scale = laboratory.truth.wavelength.at(60.0) - made.wavelength.at(60.0);
    assert!((0.07..0.11).contains(&of_scale), "{of_scale} nm");
}

/// Everything that is missing is named at once, and nothing is written.
#[test]
fn what_is_missing_is_named_at_once() {
    let laboratory = Laboratory::new();
    laboratory.put("response.csv", |_, r| r);
    let ran = vigilux(laboratory.folder.path(), &["calibration", "import", "--table", "response.csv"]);
    assert_eq!(ran.status.code(), Some(2));
    let (_, err) = texts(&ran);
    for argument in
        ["--unit", "--id", "--serial", "--certificate", "--valid-from", "--coefficients", "--fwhm", "--coverage-factor"]
    {
        assert!(err.lines().any(|l| l.starts_with(argument)), "no {argument} in\n{err}");
    }
    assert!(!laboratory.folder.path().join("calibration.toml").exists());
}
