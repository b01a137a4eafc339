//! The simulator on a pseudo-terminal: moves bytes between the device and the host at the other end.
//!
//! One thread, without knowledge of the bytes. The device determines pacing and due times, in simulated time; this loop waits for
//! them. It keeps the terminal's own end open, so that hosts may open and close the other end.
//!
//! Invariant: the symlink, if requested, always points to the terminal in use, and is removed at the end.

use super::wire::{Port, Wire, turn};
use crate::clock::{Clock, Stop};
use serialport::{SerialPort, TTYPort};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Why the simulator cannot be served.
#[derive(Debug, thiserror::Error)]
pub enum PtyError {
    /// No pseudo-terminal is available.
    #[error("expected a free pseudo-terminal, but found: {0}")]
    Terminal(#[from] serialport::Error),
    /// The line failed.
    #[error("pseudo-terminal {path}: {why}")]
    Line {
        /// Its path.
        path: String,
        /// The error of the operating system.
        why: std::io::Error,
    },
    /// The symlink cannot be created.
    #[error("{path}: expected to create a symlink here, but found: {why} (is the folder there and writable?)")]
    Symlink {
        /// Its path.
        path: PathBuf,
        /// The error of the operating system.
        why: std::io::Error,
    },
}

/// A symlink to the terminal, removed when dropped.
struct Symlink {
    path: PathBuf,
    target: String,
}

impl Symlink {
    /// Creates or replaces the symlink atomically.
    fn create(path: &Path, target: &str) -> Result<Self, PtyError> {
        let failed = |why| PtyError::Symlink { path: path.to_path_buf(), why };
        // Other files are not replaced.
        if std::fs::symlink_metadata(path).is_ok_and(|m| !m.file_type().is_symlink()) {
            return Err(failed(std::io::Error::new(ErrorKind::AlreadyExists, "a file that is no symlink")));
        }
        let mut temporary = path.as_os_str().to_owned();
        temporary.push(format!(".{}", std::process::id()));
        let temporary = PathBuf::from(temporary);
        let _ = std::fs::remove_file(&temporary);
        std::os::unix::fs::symlink(target, &temporary).map_err(failed)?;
        std::fs::rename(&temporary, path).map_err(failed)?;
        Ok(Self { path: path.to_path_buf(), target: target.to_owned() })
    }
}

impl Drop for Symlink {
    fn drop(&mut self) {
        // Another simulator may have replaced it.
        if std::fs::read_link(&self.path).is_ok_and(|t| t == Path::new(&self.target)) {
            let _ = std::fs::remove_file(&self.path);
        }
    }
}

/// Serves the device on a pseudo-terminal until `stop` is raised.
///
/// `announce` is called with the terminal's path when it is ready, and again after a hang-up if the path has changed.
pub fn serve(
    device: &mut dyn Wire,
    clock: &dyn Clock,
    link: Option<&Path>,
    stop: &Stop,
    mut announce: impl FnMut(&str),
) -> Result<(), PtyError> {
    let mut before = String::new();
    while !stop.requested() {
        let (mut ours, theirs) = TTYPort::pair()?;
        let path = theirs.name().unwrap_or_default();
        let _name = link.map(|link| Symlink::create(link, &path)).transpose()?;
        if path != before {
            announce(&path);
            before.clone_from(&path);
        }
        let hang_ups = device.hang_ups();
        while !stop.requested() && device.hang_ups() == hang_ups {
            turn(device, clock, &mut ours).map_err(|why| PtyError::Line { path: path.clone(), why })?;
        }
        // Closing both ends hangs up the host's line.
        drop((ours, theirs));
        if device.hang_ups() != hang_ups {
            clock.sleep_until(device.hung_up_until(), stop);
        }
    }
    Ok(())
}

impl Port for TTYPort {
    fn wait_at_most(&mut self, wait: Duration) -> std::io::Result<()> {
        self.set_timeout(wait).map_err(Into::into)
    }
}

#[cfg(test)]
#[path = "pty_tests.rs"]
mod tests;
