//! All quantities of one reading of 2048 pixels, and the same set in Python with numpy and colour-science as one would write
//! it by hand, in one run: medians and ratios.
//!
//! With uncertainty the program takes the noise of every pixel and every correlated component of the default calibration; Python
//! computes no uncertainty. Needs the interpreter that tests/all makes, or `VIGILUX_PYTHON`; without one, only the program's
//! own times are printed.

#![expect(clippy::print_stdout, reason = "it reports to whoever ran it")]

use serde_json::json;
use std::hint::black_box;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};
use vigilux::quantities::{Matrix, Quantity, Recipe, SourceRule, evaluate, registry, values};
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
    let build = |wanted: &dyn Fn(&Quantity) -> bool| {
        Matrix::build_of(&scale.wavelength_nm, scale.valid_nm, SourceRule::Sun, wanted)
    };
    let all = build(&|_| true);
    let plain = build(&|q| !q.recipe.is_rendering());
    let formulas = build(&|q| matches!(q.recipe, Recipe::Linear { .. } | Recipe::Finish { .. }));
    let count = |m: &Matrix| (0..registry().len()).filter(|q| m.missing(*q).is_none()).count();
    let light = reduced.irradiance.as_slice();
    let valued = |m: &Matrix| median(|| drop(black_box(values(m, black_box(light)))));
    let evaluated = |m: &Matrix| {
        median(|| drop(black_box(evaluate(m, light, black_box(reduced.variance.as_slice()), &reduced.errors))))
    };
    let rows = [
        ("values, without colour rendering", &plain, valued(&plain), None),
        ("values, with colour rendering", &all, valued(&all), Some(120.0)),
        ("with uncertainty, but colour rendering and peak", &formulas, evaluated(&formulas), Some(60.0)),
        ("with uncertainty, without colour rendering", &plain, evaluated(&plain), None),
        ("with uncertainty, with colour rendering", &all, evaluated(&all), Some(5000.0)),
    ];
    println!("2048 pixels, {} correlated components; median [µs] of one spectrum", reduced.errors.modes.len());
    for (what, matrix, took, bound) in &rows {
        let us = took * 1e6;
        let verdict = bound.map_or(String::new(), |bound| {
            format!("   at most {bound}: {}", if us <= bound { "PASS" } else { "over" })
        });
        println!("  {:2} quantities, {what:48} {us:9.1}{verdict}", count(matrix));
    }

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
    println!("times as long as the program's values            {:9.0}   at least 100", whole / rows[1].2);
    println!("times as long as its values with uncertainty     {:9.0}", whole / rows[4].2);
}
