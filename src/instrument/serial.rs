//! A [`Link`] over a serial port.
//!
//! Does not interpret the bytes.
//!
//! Invariants:
//! - The port is opened exclusively. Its descriptor is never duplicated, because dropping a copy would end exclusive use.
//! - A call never blocks past its deadline, and reads check the stop flag after every slice.
//! - The device is closed as soon as it hangs up, so that it gets the same name when plugged in again.

use super::link::Link;
use crate::clock::{Clock, Deadline, STOP_SLICE, Stop};
use crate::dialect::{FlowControl, Parity, SerialSettings};
use crate::fault::Fault;
use crate::system;
use serialport::{ClearBuffer, DataBits, SerialPort, SerialPortBuilder, StopBits, TTYPort};
use std::io::{self, ErrorKind, Read, Write};
use std::os::fd::AsRawFd;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// The line is quiet if no byte arrives for this time, or for [`QUIET_CHARACTERS`] if that is longer.
const QUIET: Duration = Duration::from_millis(100);
const QUIET_CHARACTERS: f64 = 30.0;
/// Time limit of draining: more than the transfer of 4 KB as text at 9600 baud.
const DRAIN_LIMIT: Duration = Duration::from_secs(30);

/// A serial port by its path.
pub struct SerialLink {
    path: PathBuf,
    name: String,
    settings: SerialSettings,
    clock: Arc<dyn Clock>,
    stop: Stop,
    port: Option<TTYPort>,
}

impl SerialLink {
    /// A closed link; [`Link::reopen`] opens it. 8 data bits, no parity, one stop bit, no flow control.
    pub fn new(path: &Path, baud: u32, clock: Arc<dyn Clock>, stop: Stop) -> Self {
        Self::with_settings(path, SerialSettings { baud, ..SerialSettings::default() }, clock, stop)
    }

    /// A closed link with all settings of a port.
    pub fn with_settings(path: &Path, settings: SerialSettings, clock: Arc<dyn Clock>, stop: Stop) -> Self {
        Self { name: path.display().to_string(), path: path.to_owned(), settings, clock, stop, port: None }
    }

    fn absent(&self, why: impl Into<String>) -> Fault {
        Fault::Absent { path: self.name.clone(), why: why.into() }
    }

    /// Closes the device and returns the fault for its absence.
    fn hung_up(&mut self, why: &str) -> Fault {
        self.port = None;
        self.absent(format!("the device hung up ({why})"))
    }

    fn port(&mut self) -> Result<&mut TTYPort, Fault> {
        let name = &self.name;
        self.port.as_mut().ok_or_else(|| Fault::Absent { path: name.clone(), why: "the port is not open".into() })
    }
}

/// Outcome of one read or write of the port.
enum Attempt {
    Moved(usize),
    Nothing,
    Gone(String),
}

/// Classifies the result of a read or write. Zero bytes from a port that was ready mean that the device has hung up.
fn classify(result: io::Result<usize>) -> Attempt {
    match result {
        Ok(0) => Attempt::Gone("end of file".into()),
        Ok(n) => Attempt::Moved(n),
        Err(e) if matches!(e.kind(), ErrorKind::TimedOut | ErrorKind::WouldBlock | ErrorKind::Interrupted) => {
            Attempt::Nothing
        }
        Err(e) => Attempt::Gone(e.to_string()),
    }
}

impl Link for SerialLink {
    fn write(&mut self, bytes: &[u8], deadline: Deadline) -> Result<(), Fault> {
        let (clock, started) = (self.clock.clone(), self.clock.monotonic());
        let mut rest = bytes;
        while !rest.is_empty() {
            let left = clock.left(deadline);
            let port = self.port()?;
            // The stop flag is not checked: the command that ends a running exposure is sent after it is raised.
            set_timeout(port, left.min(STOP_SLICE));
            match classify(port.write(rest)) {
                Attempt::Moved(n) => rest = &rest[n.min(rest.len())..],
                Attempt::Gone(why) => return Err(self.hung_up(&why)),
                Attempt::Nothing if left.is_zero() => {
                    return Err(Fault::NoAnswer {
                        command: String::from_utf8_lossy(bytes).trim_end().to_owned(),
                        waited: clock.monotonic().saturating_sub(started),
                        found: format!("the line took only {} of {} bytes", bytes.len() - rest.len(), bytes.len()),
                    });
                }
                Attempt::Nothing => {}
            }
        }
        Ok(())
    }

    fn read(&mut self, buffer: &mut [u8], deadline: Deadline) -> Result<usize, Fault> {
        if buffer.is_empty() {
            return Ok(0);
        }
        let clock = self.clock.clone();
        loop {
            if self.stop.requested() {
                return Err(Fault::Stopped);
            }
            let left = clock.left(deadline);
            let port = self.port()?;
            set_timeout(port, left.min(STOP_SLICE));
            match classify(port.read(buffer)) {
                Attempt::Moved(n) => return Ok(n),
                Attempt::Gone(why) => return Err(self.hung_up(&why)),
                Attempt::Nothing if left.is_zero() => return Ok(0),
                Attempt::Nothing => {}
            }
        }
    }

    fn drain(&mut self) -> Result<(), Fault> {
        let quiet = QUIET.max(Duration::from_secs_f64(QUIET_CHARACTERS * 10.0 / f64::from(self.settings.baud.max(1))));
        let started = Instant::now();
        if let Err(e) = self.port()?.clear(ClearBuffer::Input) {
            return Err(self.hung_up(&e.to_string()));
        }
        let mut discarded = [0; 4096];
        let mut discarded_bytes = 0;
        while started.elapsed() < DRAIN_LIMIT {
            match self.read(&mut discarded, Deadline(self.clock.monotonic() + quiet))? {
                0 => return Ok(()),
                n => discarded_bytes += n,
            }
        }
        Err(Fault::Corrupt {
            command: "(none)".into(),
            expected: "a line that becomes quiet".into(),
            found: format!("{discarded_bytes} unsolicited bytes in {:?}", started.elapsed()),
        })
    }

    fn reopen(&mut self) -> Result<(), Fault> {
        self.port = None;
        let builder = builder(&self.name, self.settings);
        // Checked before opening, because opening another kind of file may block or give an unclear error.
        if let Some(why) = path_error(&self.path) {
            return Err(self.absent(why));
        }
        let port = TTYPort::open(&builder).map_err(|e| self.absent(open_error(&self.path, &e)))?;
        system::never_block(port.as_raw_fd()).map_err(|e| self.absent(e.to_string()))?;
        // Opening does not clear the input buffer.
        port.clear(ClearBuffer::Input).map_err(|e| self.absent(format!("it cannot be cleared: {e}")))?;
        self.port = Some(port);
        Ok(())
    }

    fn close(&mut self) {
        self.port = None;
    }

    fn name(&self) -> &str {
        &self.name
    }
}

/// The settings in the terms of the serial port library.
fn builder(name: &str, settings: SerialSettings) -> SerialPortBuilder {
    let parity = match settings.parity {
        Parity::None => serialport::Parity::None,
        Parity::Even => serialport::Parity::Even,
        Parity::Odd => serialport::Parity::Odd,
    };
    let flow_control = match settings.flow_control {
        FlowControl::None => serialport::FlowControl::None,
        FlowControl::Hardware => serialport::FlowControl::Hardware,
        FlowControl::Software => serialport::FlowControl::Software,
    };
    let data_bits = if settings.data_bits == 7 { DataBits::Seven } else { DataBits::Eight };
    let stop_bits = if settings.stop_bits == 2 { StopBits::Two } else { StopBits::One };
    serialport::new(name, settings.baud)
        .parity(parity)
        .flow_control(flow_control)
        .data_bits(data_bits)
        .stop_bits(stop_bits)
        .timeout(STOP_SLICE)
        .exclusive(true)
}

fn set_timeout(port: &mut TTYPort, timeout: Duration) {
    // Cannot fail: the port only stores the number.
    let _ = port.set_timeout(timeout);
}

/// The reason why a path is not a serial port, found without opening it.
fn path_error(path: &Path) -> Option<String> {
    match std::fs::metadata(path) {
        Ok(meta) if meta.file_type().is_char_device() => None,
        Ok(_) => Some("expected a serial device, but found a file of another kind".into()),
        Err(e) if e.kind() == ErrorKind::NotFound => Some(match path.parent() {
            Some(parent) if !parent.as_os_str().is_empty() && !parent.exists() => {
                format!("no such device; the folder {} does not exist either (is it plugged in?)", parent.display())
            }
            _ if path.is_symlink() => "the link points to a device that is not there (is it plugged in?)".into(),
            _ => "no such device (is it plugged in and switched on?)".into(),
        }),
        Err(e) if e.kind() == ErrorKind::PermissionDenied => {
            Some(format!("no permission for a folder of the path: {e}"))
        }
        Err(e) => Some(e.to_string()),
    }
}

/// The message for a port that did not open, with a remedy where one is known.
fn open_error(path: &Path, error: &serialport::Error) -> String {
    match error.kind() {
        serialport::ErrorKind::NoDevice => format!("in use by another program ({error})"),
        serialport::ErrorKind::Io(ErrorKind::PermissionDenied) => {
            // Only a group that may read and write helps, and that of the administrator is none to join.
            let group = std::fs::metadata(path).ok().filter(|m| m.mode() & 0o060 == 0o060 && m.gid() != 0);
            let groups = std::fs::read_to_string("/etc/group").unwrap_or_default();
            permission_error(group.and_then(|m| group_name(&groups, m.gid())).as_deref())
        }
        _ if is_no_terminal(error) => "expected a serial device, but found a device of another kind".into(),
        _ => format!("it does not open: {error}"),
    }
}

/// Whether a device has no line settings. The C library names the error after the typewriters that once had them.
fn is_no_terminal(error: &serialport::Error) -> bool {
    let text = error.to_string().to_lowercase();
    text.contains("typewriter") || text.contains("inappropriate ioctl")
}

fn permission_error(group: Option<&str>) -> String {
    match group {
        Some(group) => format!(
            "no permission to open it; it belongs to the group `{group}`: add the user that runs this program with \
             `sudo usermod -aG {group} USER` and log in again"
        ),
        None => "no permission to open it, and no group to join has one: a udev rule gives the device a group that may read and \
                 write"
            .into(),
    }
}

/// The name of a group in the text of a group file (`name:password:gid:members`).
fn group_name(groups: &str, gid: u32) -> Option<String> {
    groups.lines().find_map(|line| {
        let mut parts = line.split(':');
        let name = parts.next()?;
        (parts.nth(1)?.parse() == Ok(gid)).then(|| name.to_owned())
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::RealClock;

    /// A pseudo-terminal: the test's end, the library's end (held open to keep the line up), and a link to it.
    fn pair() -> (TTYPort, TTYPort, SerialLink, Stop) {
        let (far, near) = TTYPort::pair().unwrap();
        let path = near.name().unwrap();
        let stop = Stop::new();
        let link = SerialLink::new(Path::new(&path), 115_200, Arc::new(RealClock::new()), stop.clone());
        (far, near, link, stop)
    }

    fn within(link: &SerialLink, ms: u64) -> Deadline {
        link.clock.deadline(Duration::ZERO, Duration::from_millis(ms))
    }

    /// Bytes that were queued before opening or draining are discarded.
    #[test]
    fn stale_bytes_are_gone_after_opening_and_after_draining() {
        let (mut far, _near, mut link, _) = pair();
        far.write_all(b"stale\n").unwrap();
        link.reopen().unwrap();
        let mut buffer = [0; 64];
        let soon = within(&link, 50);
        assert_eq!(link.read(&mut buffer, soon), Ok(0));
        far.write_all(b"late\n").unwrap();
        link.drain().unwrap();
        far.write_all(b"fresh\n").unwrap();
        let soon = within(&link, 2000);
        assert_eq!(link.read(&mut buffer, soon), Ok(6));
        assert_eq!(&buffer[..6], b"fresh\n");
    }

    /// A read of a silent line ends at the deadline, not before and not much later, also beyond one slice.
    #[test]
    fn a_read_of_a_silent_line_ends_at_its_deadline() {
        let (_far, _near, mut link, _) = pair();
        link.reopen().unwrap();
        for ms in [0_u64, 120, 600] {
            let (deadline, started) = (within(&link, ms), Instant::now());
            assert_eq!(link.read(&mut [0; 8], deadline), Ok(0));
            let took = started.elapsed().as_millis() as u64;
            assert!(took + 1 >= ms && took < ms + 500, "expected {ms} ms, took {took} ms");
        }
    }

    /// A stop ends a read within a slice.
    #[test]
    fn a_stop_ends_a_read_within_a_slice() {
        let (_far, _near, mut link, stop) = pair();
        link.reopen().unwrap();
        let deadline = within(&link, 60_000);
        let started = Instant::now();
        let raiser = std::thread::spawn(move || {
            std::thread::sleep(Duration::from_millis(50));
            stop.request();
        });
        assert_eq!(link.read(&mut [0; 8], deadline), Err(Fault::Stopped));
        assert!(started.elapsed() < Duration::from_millis(900), "{:?}", started.elapsed());
        raiser.join().unwrap();
    }

    /// After a hang-up the device is reported as absent, at once and afterwards, and the descriptor is closed.
    #[test]
    fn a_hang_up_is_absence_and_closes_the_port() {
        let (far, near, mut link, _) = pair();
        link.reopen().unwrap();
        drop(far);
        let deadline = within(&link, 10_000);
        let started = Instant::now();
        let first = link.read(&mut [0; 8], deadline).unwrap_err();
        assert!(matches!(&first, Fault::Absent { why, .. } if why.contains("hung up")), "{first:?}");
        assert!(link.port.is_none(), "the descriptor is still open");
        assert!(matches!(link.write(b"x", deadline), Err(Fault::Absent { .. })));
        assert!(matches!(link.drain(), Err(Fault::Absent { .. })));
        assert!(started.elapsed() < Duration::from_secs(2));
        drop(near);
        let again = link.reopen().unwrap_err().to_string();
        assert!(again.contains("no such device"), "{again}");
    }

    /// Writing and draining after a hang-up report the device as absent.
    #[test]
    fn a_write_after_a_hang_up_is_absence() {
        let (far, _near, mut link, _) = pair();
        link.reopen().unwrap();
        drop(far);
        let deadline = within(&link, 1000);
        assert!(matches!(link.write(b"*IDN?\n", deadline), Err(Fault::Absent { .. })));
        assert!(link.port.is_none());
    }

    /// A write to a line that is not read ends at its deadline and reports the number of bytes sent.
    #[test]
    fn a_write_to_a_stuck_line_ends_at_its_deadline() {
        let (_far, _near, mut link, _) = pair();
        link.reopen().unwrap();
        let (deadline, started) = (within(&link, 300), Instant::now());
        let fault = link.write(&vec![b'x'; 100_000], deadline).unwrap_err();
        assert!(matches!(&fault, Fault::NoAnswer { found, .. } if found.contains("of 100000 bytes")), "{fault}");
        assert!(started.elapsed() < Duration::from_secs(2));
    }

    /// A second program is refused with the reason; the first continues to work.
    #[test]
    fn a_port_in_use_is_refused_with_its_reason() {
        let (mut far, _near, mut link, _) = pair();
        link.reopen().unwrap();
        let mut second = SerialLink::new(&link.path.clone(), 115_200, Arc::new(RealClock::new()), Stop::new());
        let text = second.reopen().unwrap_err().to_string();
        assert!(text.contains("in use by another program"), "{text}");
        far.write_all(b"still mine").unwrap();
        let soon = within(&link, 2000);
        assert_eq!(link.read(&mut [0; 64], soon), Ok(10));
        link.close();
        second.reopen().unwrap();
    }

    /// A block larger than the terminal's buffer arrives complete, in pieces.
    #[test]
    fn a_block_larger_than_the_queue_arrives_whole() {
        let (mut far, _near, mut link, _) = pair();
        link.reopen().unwrap();
        let sent: Vec<u8> = (0..9000_u32).map(|i| (i * 31 % 251) as u8).collect();
        let copy = sent.clone();
        let sender = std::thread::spawn(move || {
            far.set_timeout(Duration::from_secs(5)).unwrap();
            far.write_all(&copy).unwrap();
            far
        });
        let (mut got, mut buffer) = (Vec::new(), [0; 4096]);
        let deadline = within(&link, 5000);
        while got.len() < sent.len() {
            let n = link.read(&mut buffer, deadline).unwrap();
            assert!(n > 0, "only {} bytes came", got.len());
            got.extend_from_slice(&buffer[..n]);
        }
        assert!(got == sent, "the bytes differ");
        sender.join().unwrap();
    }

    /// Each kind of invalid path has its own message.
    #[test]
    fn an_invalid_path_is_reported_with_its_reason() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("file");
        std::fs::write(&file, "").unwrap();
        let dangling = folder.path().join("dangling");
        std::os::unix::fs::symlink(folder.path().join("gone"), &dangling).unwrap();
        for (path, word) in [
            (folder.path().join("ttyX"), "no such device (is it plugged in"),
            (folder.path().join("none/ttyX"), "none does not exist either"),
            (file, "file of another kind"),
            (folder.path().to_owned(), "file of another kind"),
            (dangling, "points to a device that is not there"),
            (PathBuf::from("/dev/null"), "expected a serial device, but found a device of another kind"),
        ] {
            let mut link = SerialLink::new(&path, 9600, Arc::new(RealClock::new()), Stop::new());
            let text = link.reopen().unwrap_err().to_string();
            assert!(text.contains(word) && text.starts_with(&path.display().to_string()), "{text}");
        }
    }

    /// The message names the group of the device and the command to join it.
    #[test]
    fn a_permission_error_names_the_group_and_the_remedy() {
        let groups = "root:x:0:\ndialout:x:20:anna,ben\nbroken\nplugdev:x:46:\n";
        assert_eq!(group_name(groups, 20).as_deref(), Some("dialout"));
        assert_eq!(group_name(groups, 21), None);
        assert!(permission_error(Some("dialout")).contains("usermod -aG dialout"));
        let error = serialport::Error::new(serialport::ErrorKind::Io(ErrorKind::PermissionDenied), "denied");
        // A device of the group `root`, and a file that its group may not write.
        let file = tempfile::NamedTempFile::new().unwrap();
        for path in [Path::new("/dev/null"), file.path()] {
            let text = open_error(path, &error);
            assert!(text.starts_with("no permission to open it, and no group to join has one"), "{text}");
        }
    }
}
