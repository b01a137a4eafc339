//! Number of wake-ups for an answer that arrives in pieces, and number of bytes that accumulate unread.

use super::Session;
use super::fake_instrument::FakeLink;
use crate::clock::{Clock, Deadline, SteppedClock, Stop, UtcMicros};
use crate::fault::Fault;
use crate::instrument::{Link, SCPI};
use crate::record::Shutter;
use std::sync::{Arc, Mutex};

/// A port that delivers 23 bytes at a time.
struct Port {
    inner: FakeLink,
    clock: Arc<SteppedClock>,
    /// Arrived bytes that have not been read.
    unread: Vec<u8>,
    /// Number of unread bytes at each read.
    unread_at_reads: Arc<Mutex<Vec<usize>>>,
}

const PIECE_BYTES: usize = 23;

impl Link for Port {
    fn write(&mut self, bytes: &[u8], deadline: Deadline) -> Result<(), Fault> {
        self.inner.write(bytes, deadline)
    }
    fn read(&mut self, buffer: &mut [u8], deadline: Deadline) -> Result<usize, Fault> {
        let mut piece = [0; PIECE_BYTES];
        let mut until = if self.unread.is_empty() { deadline } else { Deadline(self.clock.monotonic()) };
        loop {
            match self.inner.read(&mut piece, until)? {
                0 => break,
                n => self.unread.extend(&piece[..n]),
            }
            until = Deadline(self.clock.monotonic());
        }
        self.unread_at_reads.lock().unwrap().extend((!self.unread.is_empty()).then_some(self.unread.len()));
        let n = self.unread.len().min(buffer.len());
        buffer[..n].copy_from_slice(&self.unread[..n]);
        self.unread.drain(..n);
        Ok(n)
    }
    fn drain(&mut self) -> Result<(), Fault> {
        self.inner.drain()
    }
    fn reopen(&mut self) -> Result<(), Fault> {
        self.inner.reopen()
    }
    fn close(&mut self) {
        self.inner.close();
    }
    fn name(&self) -> &str {
        self.inner.name()
    }
}

/// While 16 KB arrive in 713 pieces, at most the capacity of a terminal (4096 bytes) accumulates unread, the single wait avoids
/// the wake-ups for that part, and no byte is lost or late.
#[test]
fn a_long_block_is_waited_for_once_and_never_overflows_the_port() {
    for baud in [115_200, 460_800] {
        let every_s = 10.0 * PIECE_BYTES as f64 / f64::from(baud);
        let clock = Arc::new(SteppedClock::new(UtcMicros(1_800_000_000_000_000)));
        let stop = Stop::new();
        let link = FakeLink::new(clock.clone(), stop.clone());
        link.0.lock().unwrap().pixels = 8192;
        let unread_at_reads = Arc::new(Mutex::new(Vec::new()));
        let port = Port {
            inner: link.clone(),
            clock: clock.clone(),
            unread: Vec::new(),
            unread_at_reads: unread_at_reads.clone(),
        };
        let mut session = Session::new(Box::new(port), clock.clone(), stop, baud, &SCPI);
        session.connect().unwrap();
        for _ in 0..2 {
            link.alter(":READ?", move |b| b.chunks(PIECE_BYTES).map(|piece| (every_s, piece.to_vec())).collect());
            unread_at_reads.lock().unwrap().clear();
            let since = clock.now();
            let e = session.expose(0.1, Shutter::Open).unwrap();
            link.assert_happened(&e, since);
            assert_eq!(e.rereads, 0);
            let unread_at_reads = unread_at_reads.lock().unwrap();
            assert!(unread_at_reads.iter().all(|n| *n <= 4096), "{baud} baud: {unread_at_reads:?}");
            assert!(unread_at_reads.len() < 600, "{} reads at {baud} baud", unread_at_reads.len());
            // Integration, 16 447 bytes of block and fields, and the confirmation.
            let line_s = 0.1 + (16_447_f64 / PIECE_BYTES as f64).ceil() * every_s;
            let took_s = clock.now().seconds_since(since);
            assert!(took_s < line_s + 0.05, "{took_s} s instead of {line_s} s");
        }
    }
}
