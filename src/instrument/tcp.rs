//! A [`Link`] over TCP, to a serial server or an instrument with a network port.
//!
//! Does not interpret the bytes. Invariants: as of a serial port. A call never blocks past its deadline (opening: within five seconds a
//! resolved address), reads check the stop flag after every slice, and a connection that ends is absence.

use super::link::{Link, LinkKind};
use crate::clock::{Clock, Deadline, STOP_SLICE, Stop};
use crate::fault::Fault;
use std::io::{ErrorKind, Read, Write};
use std::net::{TcpStream, ToSocketAddrs};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// What the address of a TCP link begins with.
pub const SCHEME: &str = "tcp://";
/// Time for a connection [s].
const CONNECT: Duration = Duration::from_secs(5);
/// The line is quiet if no byte arrives for this time; a network delays bytes more than a cable.
const QUIET: Duration = Duration::from_millis(200);
/// Time limit of draining.
const DRAIN_LIMIT: Duration = Duration::from_secs(30);
/// Shortest timeout of the system: zero would mean to wait without end.
const LEAST: Duration = Duration::from_millis(1);

/// A TCP connection by its address, `tcp://host:port`.
pub struct TcpLink {
    name: String,
    clock: Arc<dyn Clock>,
    stop: Stop,
    stream: Option<TcpStream>,
}

impl TcpLink {
    /// A closed link; [`Link::reopen`] opens it.
    pub fn new(name: &str, clock: Arc<dyn Clock>, stop: Stop) -> Self {
        Self { name: name.to_owned(), clock, stop, stream: None }
    }

    fn absent(&self, why: impl Into<String>) -> Fault {
        Fault::Absent { path: self.name.clone(), why: why.into() }
    }

    fn hung_up(&mut self, why: &str) -> Fault {
        self.stream = None;
        self.absent(format!("the connection ended ({why})"))
    }

    fn stream(&mut self) -> Result<&mut TcpStream, Fault> {
        let name = &self.name;
        let closed = || Fault::Absent { path: name.clone(), why: "the connection is not open".into() };
        self.stream.as_mut().ok_or_else(closed)
    }

    fn connect(&self) -> Result<TcpStream, String> {
        let address = self.name.strip_prefix(SCHEME).unwrap_or(&self.name);
        let addresses = address.to_socket_addrs().map_err(|e| format!("expected tcp://host:port, but found: {e}"))?;
        let mut last = "the name has no address".to_owned();
        for address in addresses {
            match TcpStream::connect_timeout(&address, CONNECT) {
                Ok(stream) => return Ok(stream),
                Err(e) if e.kind() == ErrorKind::ConnectionRefused => {
                    last =
                        format!("{address} refuses the connection (is the server switched on, and is the port right?)");
                }
                Err(e) => last = format!("{address}: {e}"),
            }
        }
        Err(last)
    }
}

fn waits(e: &std::io::Error) -> bool {
    matches!(e.kind(), ErrorKind::TimedOut | ErrorKind::WouldBlock | ErrorKind::Interrupted)
}

impl Link for TcpLink {
    fn write(&mut self, bytes: &[u8], deadline: Deadline) -> Result<(), Fault> {
        let (clock, started) = (self.clock.clone(), self.clock.monotonic());
        let mut rest = bytes;
        while !rest.is_empty() {
            let left = clock.left(deadline);
            let stream = self.stream()?;
            // The stop flag is not checked: the command that ends a running exposure is sent after it is raised.
            let result =
                stream.set_write_timeout(Some(left.clamp(LEAST, STOP_SLICE))).and_then(|()| stream.write(rest));
            match result {
                Ok(0) => return Err(self.hung_up("nothing could be sent")),
                Ok(n) => rest = &rest[n.min(rest.len())..],
                Err(e) if waits(&e) && left.is_zero() => {
                    return Err(Fault::NoAnswer {
                        command: String::from_utf8_lossy(bytes).trim_end().to_owned(),
                        waited: clock.monotonic().saturating_sub(started),
                        found: format!("the line took only {} of {} bytes", bytes.len() - rest.len(), bytes.len()),
                    });
                }
                Err(e) if waits(&e) => {}
                Err(e) => return Err(self.hung_up(&e.to_string())),
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
            let stream = self.stream()?;
            let result = match left.is_zero() {
                // What has arrived, without waiting.
                true => stream.set_nonblocking(true).and_then(|()| {
                    let result = stream.read(buffer);
                    stream.set_nonblocking(false).and(result)
                }),
                false => {
                    stream.set_read_timeout(Some(left.clamp(LEAST, STOP_SLICE))).and_then(|()| stream.read(buffer))
                }
            };
            match result {
                Ok(0) => return Err(self.hung_up("end of the stream")),
                Ok(n) => return Ok(n),
                Err(e) if waits(&e) && left.is_zero() => return Ok(0),
                Err(e) if waits(&e) => {}
                Err(e) => return Err(self.hung_up(&e.to_string())),
            }
        }
    }

    fn drain(&mut self) -> Result<(), Fault> {
        let started = Instant::now();
        let mut discarded = [0; 4096];
        let mut discarded_bytes = 0;
        while started.elapsed() < DRAIN_LIMIT {
            match self.read(&mut discarded, Deadline(self.clock.monotonic() + QUIET))? {
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
        self.stream = None;
        let stream = self.connect().map_err(|why| self.absent(why))?;
        // Commands are short and each waits for its answer.
        stream.set_nodelay(true).map_err(|e| self.absent(e.to_string()))?;
        self.stream = Some(stream);
        Ok(())
    }

    fn close(&mut self) {
        self.stream = None;
    }

    fn name(&self) -> &str {
        &self.name
    }

    fn kind(&self) -> LinkKind {
        LinkKind::Tcp
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::RealClock;
    use std::net::TcpListener;

    fn pair() -> (TcpListener, TcpLink, Stop) {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let name = format!("tcp://{}", listener.local_addr().unwrap());
        let stop = Stop::new();
        let link = TcpLink::new(&name, Arc::new(RealClock::new()), stop.clone());
        (listener, link, stop)
    }

    fn within(link: &TcpLink, ms: u64) -> Deadline {
        link.clock.deadline(Duration::ZERO, Duration::from_millis(ms))
    }

    #[test]
    fn bytes_travel_both_ways_and_stale_ones_are_drained() {
        let (listener, mut link, _) = pair();
        link.reopen().unwrap();
        let (mut far, _) = listener.accept().unwrap();
        let soon = within(&link, 2000);
        link.write(b"ID\r", soon).unwrap();
        let mut request = [0; 3];
        far.read_exact(&mut request).unwrap();
        assert_eq!(&request, b"ID\r");
        far.write_all(b"stale").unwrap();
        link.drain().unwrap();
        far.write_all(b"fresh").unwrap();
        let mut buffer = [0; 16];
        assert_eq!(link.read(&mut buffer, soon), Ok(5));
        assert_eq!((&buffer[..5], link.kind()), (&b"fresh"[..], LinkKind::Tcp));
    }

    #[test]
    fn a_read_of_a_silent_line_ends_at_its_deadline() {
        let (listener, mut link, _) = pair();
        link.reopen().unwrap();
        let _far = listener.accept().unwrap();
        for ms in [0_u64, 120, 600] {
            let (deadline, started) = (within(&link, ms), Instant::now());
            assert_eq!(link.read(&mut [0; 8], deadline), Ok(0));
            let took = started.elapsed().as_millis() as u64;
            assert!(took + 1 >= ms && took < ms + 500, "expected {ms} ms, took {took} ms");
        }
    }

    #[test]
    fn a_connection_that_ends_is_absence_until_it_is_reopened() {
        let (listener, mut link, stop) = pair();
        let closed = within(&link, 100);
        assert!(matches!(link.read(&mut [0; 8], closed), Err(Fault::Absent { .. })));
        link.reopen().unwrap();
        drop(listener.accept().unwrap());
        let soon = within(&link, 2000);
        let fault = link.read(&mut [0; 8], soon).unwrap_err();
        assert!(matches!(&fault, Fault::Absent { why, .. } if why.contains("ended")), "{fault}");
        link.reopen().unwrap();
        let _far = listener.accept().unwrap();
        stop.request();
        assert_eq!(link.read(&mut [0; 8], soon), Err(Fault::Stopped));
    }

    #[test]
    fn a_wrong_address_is_reported_with_its_reason() {
        let (listener, mut link, _) = pair();
        drop(listener);
        let text = link.reopen().unwrap_err().to_string();
        assert!(text.contains("refuses the connection") && text.starts_with("tcp://127.0.0.1:"), "{text}");
        let mut link = TcpLink::new("tcp://127.0.0.1", Arc::new(RealClock::new()), Stop::new());
        assert!(link.reopen().unwrap_err().to_string().contains("expected tcp://host:port"));
    }
}
