//! A [`Link`] that reports every transfer of another one as a line of text, for recordings of a session.
//!
//! Does not interpret the bytes. A recording is text, one transfer a line: seconds since the start, `>` (sent) or `<` (received),
//! the bytes in hexadecimal, and behind `|` the same bytes as characters.

use super::link::{Link, LinkKind};
use crate::clock::{Clock, Deadline};
use crate::fault::Fault;
use std::fmt::Write as _;
use std::sync::Arc;
use std::time::Duration;

/// Bytes of a received line.
const RECEIVED_A_LINE: usize = 32;

/// Called with every line of a recording, without line feed.
pub type Sink = Box<dyn FnMut(&str) + Send>;

/// The link.
pub struct RecordingLink {
    inner: Box<dyn Link>,
    clock: Arc<dyn Clock>,
    started: Duration,
    sink: Sink,
}

impl RecordingLink {
    /// Reports the transfers of `inner` to `sink`.
    pub fn new(inner: Box<dyn Link>, clock: Arc<dyn Clock>, sink: Sink) -> Self {
        let started = clock.monotonic();
        Self { inner, clock, started, sink }
    }

    fn report(&mut self, direction: char, bytes: &[u8]) {
        let at = (self.clock.monotonic() - self.started).as_secs_f64();
        // What is sent at once stays on one line: a player compares it as a whole.
        let size = if direction == '>' { bytes.len().max(1) } else { RECEIVED_A_LINE };
        for part in bytes.chunks(size) {
            (self.sink)(&transfer(at, direction, part));
        }
    }

    fn remark(&mut self, text: &str) {
        let at = (self.clock.monotonic() - self.started).as_secs_f64();
        (self.sink)(&format!("# {at:.6} {text}"));
    }
}

/// One line of a recording.
fn transfer(at_s: f64, direction: char, bytes: &[u8]) -> String {
    let mut line = format!("{at_s:.6} {direction}");
    for byte in bytes {
        // Writing to a string cannot fail.
        let _ = write!(line, " {byte:02X}");
    }
    line.push_str(" |");
    // The bar ends the bytes; within the text it would read as another end.
    line.extend(bytes.iter().map(|b| if (0x20..0x7f).contains(b) && *b != b'|' { char::from(*b) } else { '.' }));
    line
}

impl Link for RecordingLink {
    fn write(&mut self, bytes: &[u8], deadline: Deadline) -> Result<(), Fault> {
        self.report('>', bytes);
        self.inner.write(bytes, deadline)
    }

    fn read(&mut self, buffer: &mut [u8], deadline: Deadline) -> Result<usize, Fault> {
        let n = self.inner.read(buffer, deadline)?;
        self.report('<', &buffer[..n.min(buffer.len())]);
        Ok(n)
    }

    fn drain(&mut self) -> Result<(), Fault> {
        self.remark("discards what was received and not read");
        self.inner.drain()
    }

    fn reopen(&mut self) -> Result<(), Fault> {
        let name = self.inner.name().to_owned();
        self.remark(&format!("opens {name}"));
        let opened = self.inner.reopen();
        if let Err(fault) = &opened {
            let text = fault.to_string();
            self.remark(&text);
        }
        opened
    }

    fn close(&mut self) {
        self.remark("closes");
        self.inner.close();
    }

    fn name(&self) -> &str {
        self.inner.name()
    }

    fn kind(&self) -> LinkKind {
        self.inner.kind()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_transfer_is_written_in_hexadecimal_and_as_characters() {
        assert_eq!(transfer(1.5, '>', b"A|\n"), "1.500000 > 41 7C 0A |A..");
    }
}
