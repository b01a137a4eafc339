//! Exports are read back by other programs.

use crate::python::interpreter;
use crate::site::{Site, texts};
use std::path::Path;
use std::process::Command;

/// Independent: xarray, the CF compliance checker, DuckDB, Polars and pandas (`read_back.py`) find the same numbers, units,
/// times, texts, flags and columns in every form, and no error; and a reduction in numpy (`reference_reducer.py`) goes from exported counts
/// to the stored values.
#[test]
fn every_form_holds_the_same_numbers() {
    let site = Site::new(240.0, "warm_up_min = 3", "cron = \"0 * * * * *\"");
    let bench = site.bench(&[]);
    let daemon = site.run();
    while site.reading(&daemon).0 < 8 {}
    drop((daemon, bench));
    let export = |arguments: &[&str]| {
        let ran = site.output(&[&["export", "--config", "station.toml"][..], arguments].concat());
        let (out, err) = texts(&ran);
        assert_eq!((ran.status.code(), err.as_str()), (Some(0), ""), "{arguments:?}: {out}");
        out
    };
    const SERIES: [&str; 5] = ["values", "spectra", "reduction", "darks", "frames"];
    for what in SERIES.into_iter().chain(["calibrations", "dark_models", "detector", "events"]) {
        export(&["--what", what, "--output", &format!("{what}.csv")]);
        export(&["--format", "netcdf", "--what", what, "--output", "nc"]);
        export(&["--format", "parquet", "--what", what, "--output", "pq"]);
    }
    for what in SERIES {
        let out = export(&["--format", "netcdf", "--per", "range", "--what", what, "--output", "range"]);
        assert!(out.ends_with("in 1 file written to range\n"), "{out}");
    }
    assert!(site.path("pq/station=Test roof/instrument=south/date=2026-06-21/values.parquet").exists());

    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/end_to_end/read_back.py");
    let ran = Command::new(interpreter()).args(["-W", "ignore"]).arg(&script).arg(site.path("")).output().unwrap();
    let (out, err) = texts(&ran);
    assert!(ran.status.success(), "{out}{err}");
    let seen: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert!(seen["readings"].as_u64() >= Some(8) && seen["checked"].as_u64() >= Some(13), "{seen}");
    println!("{seen}");

    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/end_to_end/reference_reducer.py");
    let ran = Command::new(interpreter()).arg(&script).arg(site.path("pq")).output().unwrap();
    let (out, err) = texts(&ran);
    assert!(ran.status.success(), "{out}{err}");
    let reduced: serde_json::Value = serde_json::from_str(&out).unwrap();
    println!("{reduced}");
    assert_eq!(reduced["compared"], seen["readings"]);
    for quantity in ["ppfd", "illuminance", "uv_index", "cct"] {
        assert!(reduced[quantity].as_f64().is_some_and(|worst| worst < 1e-6), "{quantity}: {reduced}");
    }
}

/// Impossible combinations of options are wrong usage; the message lists the valid names.
#[test]
fn an_export_that_cannot_be_meant_is_refused() {
    let site = Site::new(240.0, "", "cron = \"0 * * * * *\"");
    let bench = site.bench(&[]);
    let daemon = site.run();
    site.reading(&daemon);
    drop((daemon, bench));
    for (arguments, want) in [
        (&["--format", "netcdf"][..], "--output: expected the output folder, but found none\n"),
        (&["--per", "range"], "--per: expected --format netcdf together with `range`, but found another format\n"),
        (&["--instrument", "north"], "--instrument: expected one of south, but found `north`\n"),
        (&["--output", "station.db", "--force"], "station.db: expected another path than that of the database\n"),
        (
            &["--output", "station.db-shm", "--force"],
            "station.db-shm: expected another path than that of a companion of the database (`-shm`)\n",
        ),
        (
            &["--output", "station.toml", "--force"],
            "station.toml: expected another path than that of the configuration\n",
        ),
        (
            &["--output", "certificate.toml", "--force"],
            "certificate.toml: expected another path than that of a calibration of the configuration\n",
        ),
        (&["--output", "log"], "log: expected no existing file; --force replaces it\n"),
        (&["--output", "/dev/null"], "/dev/null: expected a regular file or a new one, but found a device\n"),
        (&["--format", "parquet", "--output", "log"], "log: expected a folder, but found a regular file\n"),
    ] {
        let ran = site.output(&[&["export", "--config", "station.toml"][..], arguments].concat());
        let (out, err) = texts(&ran);
        assert_eq!((ran.status.code(), out.as_str(), err.as_str()), (Some(2), "", want));
    }
    let again = site.output(&["simulate", "--certificate", "certificate.toml"]);
    assert_eq!(
        (again.status.code(), texts(&again).1.as_str()),
        (Some(2), "certificate.toml: expected no existing file; --force replaces it\n")
    );
    let printed = site.output(&["simulate", "--certificate", "-"]);
    assert!(
        printed.status.success()
            && texts(&printed).0 == std::fs::read_to_string(site.path("certificate.toml")).unwrap()
    );
}

/// A range without readings is a failure in every form, and leaves no file.
#[test]
fn an_empty_export_is_a_failure() {
    let site = Site::new(240.0, "", "cron = \"0 * * * * *\"");
    let bench = site.bench(&[]);
    let daemon = site.run();
    site.reading(&daemon);
    drop((daemon, bench));
    for (arguments, want) in [
        (&["--output", "empty.csv"][..], "no readings in this range\n"),
        (&["--output", "-"], "no readings in this range\n"),
        (&["--what", "frames", "--output", "empty.csv"], "no frames in this range\n"),
        (&["--format", "netcdf", "--output", "empty"], "no readings in this range\n"),
        (&["--format", "parquet", "--output", "empty"], "no readings in this range\n"),
    ] {
        let ran = site.output(&[&["export", "--config", "station.toml", "--to", "2020-01-01"][..], arguments].concat());
        assert_eq!((ran.status.code(), texts(&ran).1.as_str()), (Some(1), want), "{arguments:?}");
        assert!(!site.path("empty.csv").exists(), "{arguments:?}");
    }
}
