//! From an empty folder to a checked configuration: `init`, `check`, `calibration list`, with the configuration named nowhere, by the
//! folder and by the environment.

use crate::site::{PROGRAM, texts};
use std::path::Path;
use std::process::{Command, Output, Stdio};

fn vigilux(folder: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new(PROGRAM);
    command.current_dir(folder).args(arguments).stdin(Stdio::null()).env_remove("VIGILUX_CONFIG");
    command.output().unwrap()
}

const INIT: [&str; 10] = [
    "init",
    "--kind",
    "roof",
    "--name",
    "Test roof",
    "--position",
    "48.1,11.5,520",
    "--time-zone",
    "Europe/Berlin",
    "--link",
];

/// The file that `init` writes passes `check` as soon as there is a calibration; commands find it in their folder or by the variable.
#[test]
fn a_station_is_set_up_without_naming_its_configuration() {
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path();
    let none = vigilux(here, &["check"]);
    let want = "expected --config FILE, the variable VIGILUX_CONFIG or a file vigilux.toml in this folder, but found none (`vigilux \
                init` writes one)\n";
    assert_eq!((none.status.code(), texts(&none).1.as_str()), (Some(2), want));
    let show = vigilux(here, &["show"]);
    assert_eq!(
        (show.status.code(), texts(&show).1.contains("--config FILE, --database FILE, the variable")),
        (Some(2), true)
    );

    let made = vigilux(here, &[&INIT[..], &["line"]].concat());
    assert!(made.status.success(), "{:?}", texts(&made));
    assert!(texts(&made).0.starts_with("vigilux.toml written\n"), "{:?}", texts(&made));
    let before = std::fs::read(here.join("vigilux.toml")).unwrap();
    let again = vigilux(here, &[&INIT[..], &["other"]].concat());
    assert_eq!(
        (again.status.code(), texts(&again).1.as_str()),
        (Some(2), "vigilux.toml: expected no existing file; --force replaces it\n")
    );
    assert_eq!(std::fs::read(here.join("vigilux.toml")).unwrap(), before);

    assert!(vigilux(here, &["simulate", "--certificate", "calibration.toml"]).status.success());
    let checked = vigilux(here, &["check"]);
    let (out, err) = texts(&checked);
    assert!(checked.status.success(), "{out}{err}");
    assert!(out.starts_with("vigilux.toml: valid, with 1 WARNING at the end\n"), "{out}");
    assert!(
        out.ends_with("WARNING: south: the device line is not there: is it plugged in and switched on?\n"),
        "{out}"
    );

    let listed = vigilux(here, &["calibration", "list", "--json"]);
    let json: serde_json::Value = serde_json::from_slice(&listed.stdout).unwrap();
    assert_eq!(
        (&json[0]["instrument"], &json[0]["calibrations"][0]["state"]),
        (&"south".into(), &"active".into()),
        "{json}"
    );
    assert_eq!(json[0]["calibrations"][0]["used_since"], serde_json::Value::Null);

    let elsewhere = tempfile::tempdir().unwrap();
    let mut command = Command::new(PROGRAM);
    let named = command
        .current_dir(elsewhere.path())
        .args(["calibration", "list"])
        .env("VIGILUX_CONFIG", here.join("vigilux.toml"));
    let (out, err) = texts(&named.output().unwrap());
    assert!(out.contains("  active   ") && out.contains("; not used yet\n"), "{out}{err}");
}
