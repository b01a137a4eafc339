//! All quantities of one reading of 2048 pixels, and the same set in Python with numpy and colour-science as one would write
//! it by hand, in one run: medians and ratios.
//!
//! With uncertainty the program takes the noise of every pixel and every mode of the default bench's calibration; Python
//! computes no uncertainty. Needs the interpreter that tests/all makes, or `VIGILUX_PYTHON`; without one, only the program's
//! own times are printed.

#![expect(clippy::print_stdout, reason = "it reports to whoever ran it")]

use serde_json::json;
use std::hint::black_box;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};
use vigilux::quantities::{self, Matrix, Quantity, Recipe, SourceRule, values, values_of_many};
use vigilux::reduction::reduce;

mod example_reading;
mod timing;
use example_reading::Noon;
use timing::median;

/// What benches/versus_python.py answers for a spectrum; `None` without an interpreter.
fn versus_python(axis: &[f64], light: &[f64]) -> Option<serde_json::Value> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let python = std::env::var_os("VIGILUX_PYTHON").map_or(root.join("target/python/bin/python"), Into::into);
    let mut child = Command::new(python)
        .args(["-W", "ignore", "benches/versus_python.py"])
        .current_dir(root)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .ok()?;
    let spectrum = json!({ "wavelength_nm": axis, "irradiance": light }).to_string();
    child.stdin.take()?.write_all(spectrum.as_bytes()).ok()?;
    serde_json::from_slice(&child.wait_with_output().ok()?.stdout).ok()
}

fn main() {
    let noon = Noon::new();
    let scale = noon.scale();
    let reduced = reduce(&noon.brackets(), &noon.setting(&scale));
    let all = Matrix::build(&scale.wavelength_nm, scale.valid_nm, SourceRule::Sun);
    let bare = |q: &Quantity| !matches!(q.recipe, Recipe::Rendering { .. });
    let plain = Matrix::build_of(&scale.wavelength_nm, scale.valid_nm, SourceRule::Sun, bare);
    let light = reduced.irradiance.as_slice();

    let mut work = quantities::Workspace::default();
    let mut evaluated = |matrix: &Matrix| {
        median(|| {
            let variance = black_box(reduced.variance.as_slice());
            black_box(quantities::evaluate_with(&mut work, matrix, light, variance, &reduced.errors));
        })
    };
    let rows = [
        ("values, without colour rendering", median(|| drop(black_box(values(&plain, black_box(light))))), ""),
        ("values, with colour rendering", median(|| drop(black_box(values(&all, black_box(light))))), "120"),
        ("with uncertainty, without colour rendering", evaluated(&plain), "60"),
        ("with uncertainty, with colour rendering", evaluated(&all), "250"),
    ];
    let eight = [light; 8];
    let batch = median(|| drop(black_box(values_of_many(&all, black_box(&eight))))) / 8.0;
    println!(
        "{} quantities, 2048 pixels, {} modes; median [µs] of one spectrum",
        quantities::registry().len(),
        reduced.errors.modes.len()
    );
    for (what, took, aim) in &rows {
        println!(
            "  {what:46} {:9.1}{}",
            took * 1e6,
            if aim.is_empty() { String::new() } else { format!("   at most {aim}") }
        );
    }
    println!("  {:46} {:9.1}", "values, with colour rendering, eight at once", batch * 1e6);

    let Some(python) = versus_python(&scale.wavelength_nm, light) else {
        println!("no Python with colour-science: run tests/all once, or set VIGILUX_PYTHON");
        return;
    };
    let part = |name: &str| python[name].as_f64().unwrap_or(f64::NAN);
    println!("by hand in Python, no uncertainty; median [µs]");
    for (what, name) in [
        ("linear quantities, ratios, peak (numpy)", "linear"),
        ("colour temperature (colour-science)", "temperature"),
        ("dominant wavelength, purity (colour-science)", "hue"),
        ("CIE 13.3 and TM-30 (colour-science)", "rendering"),
    ] {
        println!("  {what:46} {:9.1}", part(name) * 1e6);
    }
    let whole = part("linear") + part("temperature") + part("hue") + part("rendering");
    println!("  {:46} {:9.1}", "all of it", whole * 1e6);
    println!("times as long as the program's values            {:9.0}   at least 100", whole / rows[1].1);
    println!("times as long as its values with uncertainty     {:9.0}", whole / rows[3].1);
}
