//! Runs the pinned Python reference libraries and returns their JSON output.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The interpreter that has the reference libraries: `VIGILUX_PYTHON`, else the one `tests/all` makes under target/.
pub fn interpreter() -> PathBuf {
    let made = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/python/bin/python");
    let python = std::env::var_os("VIGILUX_PYTHON").map_or(made, PathBuf::from);
    assert!(
        python.exists(),
        "expected a Python interpreter with the reference libraries at {}, but there is none: run tests/all once, or set \
         VIGILUX_PYTHON",
        python.display()
    );
    python
}

/// Runs a script of the repository and reads its standard output as JSON.
pub fn json_of(script: &str) -> serde_json::Value {
    json_with(script, &[])
}

/// The same with arguments for the script.
pub fn json_with(script: &str, arguments: &[&OsStr]) -> serde_json::Value {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join(script);
    let mut command = Command::new(interpreter());
    command.arg("-W").arg("ignore").arg(&script).args(arguments);
    let output = command.output().unwrap_or_else(|e| panic!("{command:?} could not be run: {e}"));
    let stderr = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{command:?} ended with {}\n{stderr}", output.status);
    serde_json::from_slice(&output.stdout).unwrap_or_else(|e| {
        panic!("{command:?} printed no JSON: {e}\n{}\n{stderr}", String::from_utf8_lossy(&output.stdout))
    })
}
