//! A standard IEEE 488.2 client that was not written here reads the virtual spectrometer over its pseudo-terminal.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

/// A process that is ended when the test is over, however it ends.
struct Ended(Child);

impl Drop for Ended {
    fn drop(&mut self) {
        // Both fail only where it has ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn python() -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    std::env::var_os("VIGILUX_PYTHON").map_or_else(|| root.join("target/python/bin/python"), PathBuf::from)
}

/// Independent: PyVISA 1.16.2 with PyVISA-py 0.8.1 (`visa_client.py` beside this file) and zlib's CRC-32.
#[test]
fn a_standard_client_reads_the_virtual_spectrometer() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("spectrometer");
    let mut bench = Ended(
        Command::new(env!("CARGO_BIN_EXE_vigilux"))
            .arg("bench")
            .arg("--link")
            .arg(&link)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap(),
    );
    let mut first = String::new();
    BufReader::new(bench.0.stdout.take().unwrap()).read_line(&mut first).unwrap();
    assert!(Path::new(first.trim()).exists(), "expected the path of a pseudo-terminal, but found `{first}`");

    let python = python();
    let client = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/end_to_end/visa_client.py");
    let output = Command::new(&python).arg(&client).arg(&link).output().unwrap_or_else(|e| {
        panic!("{}: {e}; set VIGILUX_PYTHON to a Python with PyVISA and PyVISA-py, as tests/all does", python.display())
    });
    let (out, err) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "the client failed\nstdout: {out}\nstderr: {err}");
    let seen: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!(seen["identity"].as_str().map(|id| id.split(',').count()), Some(4), "{seen}");
    assert_eq!(seen["pixels"], 2048, "{seen}");
    assert_eq!(seen["aperture_s"], 0.02, "{seen}");
    assert_eq!(seen["payload_bytes"], 4096, "{seen}");
    assert_eq!(seen["own_crc"], seen["instrument_crc"], "{seen}");
    assert_eq!((&seen["counts"], &seen["same_block"]), (&2048.into(), &true.into()), "{seen}");
    assert_eq!(seen["error"], "0,\"No error\"", "{seen}");
}
