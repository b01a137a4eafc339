//! A standard IEEE 488.2 client that was not written here reads the virtual spectrometer over its pseudo-terminal.

use crate::python::interpreter;
use crate::virtual_spectrometer::VirtualSpectrometer;
use std::path::Path;
use std::process::Command;

/// Independent: PyVISA 1.16.2 with PyVISA-py 0.8.1 (`visa_client.py` beside this file) and zlib's CRC-32.
#[test]
fn a_standard_client_reads_the_virtual_spectrometer() {
    let instrument = VirtualSpectrometer::start();
    let python = interpreter();
    let client = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/end_to_end/visa_client.py");
    let output = Command::new(&python).arg(&client).arg(instrument.path()).output().unwrap_or_else(|e| {
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
