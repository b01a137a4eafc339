//! The virtual spectrometer as a process of its own, on a pseudo-terminal, for the tests of this folder.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

/// A running `vigilux simulate` that ends with the test.
pub struct VirtualSpectrometer {
    process: Child,
    folder: tempfile::TempDir,
}

impl VirtualSpectrometer {
    /// Starts one and waits until its terminal is there.
    pub fn start() -> Self {
        Self::with("")
    }

    /// Starts one with the settings of a simulator file.
    pub fn with(settings: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let config = folder.path().join("simulator.toml");
        std::fs::write(&config, settings).unwrap();
        let mut process = Command::new(env!("CARGO_BIN_EXE_vigilux"))
            .arg("simulate")
            .arg("--config")
            .arg(&config)
            .arg("--link")
            .arg(folder.path().join("spectrometer"))
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut first = String::new();
        BufReader::new(process.stdout.take().unwrap()).read_line(&mut first).unwrap();
        assert!(Path::new(first.trim()).exists(), "expected the path of a pseudo-terminal, but found `{first}`");
        Self { process, folder }
    }

    /// The stable path of its terminal.
    pub fn path(&self) -> PathBuf {
        self.folder.path().join("spectrometer")
    }
}

impl Drop for VirtualSpectrometer {
    fn drop(&mut self) {
        // Both fail only where it has ended by itself.
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}
