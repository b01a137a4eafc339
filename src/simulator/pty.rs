//! The bench on a pseudo-terminal: moves bytes between the device and whoever opened the other end.
//!
//! One thread, no knowledge of the bytes. Pacing and due times are the device's, in simulated time; this loop only waits
//! for them. The terminal's own end stays open here, so that hosts may come and go. What must stay true: the symlink,
//! where one is asked for, always names the terminal in use and is gone when the loop is.

use super::device::Device;
use crate::clock::{Clock, Stop};
use serialport::{SerialPort, TTYPort};
use std::io::{ErrorKind, Read, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Longest wait before the stop flag and the device are looked at again.
const SLICE: Duration = Duration::from_millis(50);
/// Bytes that nobody takes within this are lost, as on a line without flow control.
const WRITE_PATIENCE: Duration = Duration::from_millis(100);
/// Bytes are handed over in portions of this much line time.
const PORTION: Duration = Duration::from_millis(2);
/// Bytes handed over at once at most.
const MOST: usize = 1 << 14;

/// Why the bench cannot be served.
#[derive(Debug, thiserror::Error)]
pub enum PtyError {
    /// No terminal to be had.
    #[error("expected a free pseudo-terminal, but found: {0}")]
    Terminal(#[from] serialport::Error),
    /// The line failed.
    #[error("pseudo-terminal {path}: {why}")]
    Line {
        /// Its path.
        path: String,
        /// What the system said.
        why: std::io::Error,
    },
    /// The symlink cannot be placed.
    #[error("{path}: expected to place a symlink here, but found: {why} (is the folder there and writable?)")]
    Symlink {
        /// Where it should be.
        path: PathBuf,
        /// What the system said.
        why: std::io::Error,
    },
}

/// A stable name for the terminal, removed when dropped.
struct StableName {
    path: PathBuf,
    target: String,
}

impl StableName {
    /// Places or moves the symlink in one step.
    fn place(path: &Path, target: &str) -> Result<Self, PtyError> {
        let failed = |why| PtyError::Symlink { path: path.to_path_buf(), why };
        // A file of somebody else's is not replaced.
        if std::fs::symlink_metadata(path).is_ok_and(|m| !m.file_type().is_symlink()) {
            return Err(failed(std::io::Error::new(ErrorKind::AlreadyExists, "a file that is no symlink")));
        }
        let mut beside = path.as_os_str().to_owned();
        beside.push(format!(".{}", std::process::id()));
        let beside = PathBuf::from(beside);
        let _ = std::fs::remove_file(&beside);
        std::os::unix::fs::symlink(target, &beside).map_err(failed)?;
        std::fs::rename(&beside, path).map_err(failed)?;
        Ok(Self { path: path.to_path_buf(), target: target.to_owned() })
    }
}

impl Drop for StableName {
    fn drop(&mut self) {
        // Another bench may have taken the name over.
        if std::fs::read_link(&self.path).is_ok_and(|t| t == Path::new(&self.target)) {
            let _ = std::fs::remove_file(&self.path);
        }
    }
}

/// Serves the device on a pseudo-terminal until `stop` is raised.
///
/// `announce` is called with the terminal's path when it is ready, and again when a hang-up ended in another one.
pub fn serve(
    device: &mut Device,
    clock: &dyn Clock,
    link: Option<&Path>,
    stop: &Stop,
    mut announce: impl FnMut(&str),
) -> Result<(), PtyError> {
    let mut before = String::new();
    while !stop.requested() {
        let (mut ours, theirs) = TTYPort::pair()?;
        let path = theirs.name().unwrap_or_default();
        let _name = link.map(|link| StableName::place(link, &path)).transpose()?;
        if path != before {
            announce(&path);
            before.clone_from(&path);
        }
        let hang_ups = device.hang_ups();
        while !stop.requested() && device.hang_ups() == hang_ups {
            turn(device, clock, &mut ours).map_err(|why| PtyError::Line { path: path.clone(), why })?;
        }
        // Both ends close here: the host sees its line hang up.
        drop((ours, theirs));
        if device.hang_ups() != hang_ups {
            clock.sleep_until(device.gone_until(), stop);
        }
    }
    Ok(())
}

/// One turn: what is due goes out, then whatever comes in is taken.
fn turn(device: &mut Device, clock: &dyn Clock, port: &mut TTYPort) -> std::io::Result<()> {
    let portion = device.bytes_in(clock, PORTION);
    let mut out = Vec::new();
    device.give(clock.now(), (portion, MOST), &mut out);
    if !out.is_empty() {
        port.set_timeout(WRITE_PATIENCE)?;
        match port.write_all(&out) {
            Err(why) if why.kind() == ErrorKind::TimedOut => {}
            other => other?,
        }
    }
    let wait = match device.next_due(portion.min(MOST)) {
        // Less than a simulated microsecond is not waited for; a little real time is, so that the loop never spins.
        Some(due) => {
            let left = Duration::from_micros((due.0 - clock.now().0).max(0) as u64);
            clock.real_for(left).clamp(Duration::from_micros(200), SLICE)
        }
        None => SLICE,
    };
    port.set_timeout(wait)?;
    let mut bytes = [0; 1024];
    match port.read(&mut bytes) {
        Ok(n) => device.take(&bytes[..n], clock.now()),
        Err(why) if matches!(why.kind(), ErrorKind::TimedOut | ErrorKind::Interrupted) => {}
        Err(why) => return Err(why),
    }
    Ok(())
}

#[cfg(test)]
#[path = "pty_tests.rs"]
mod tests;
