//! How often an answer that arrives in pieces wakes its reader, and how much of it waits unread.

use super::Session;
use super::fake_instrument::FakeLink;
use crate::clock::{Clock, Deadline, SteppedClock, Stop, UtcMicros};
use crate::fault::Fault;
use crate::instrument::{Link, SCPI};
use crate::record::Shutter;
use std::sync::{Arc, Mutex};

/// A port that hands over 23 bytes at a time.
struct Port {
    inner: FakeLink,
    clock: Arc<SteppedClock>,
    /// What has come and was not taken yet.
    held: Vec<u8>,
    /// How much each read found waiting.
    waited: Arc<Mutex<Vec<usize>>>,
}

const HANDED_OVER: usize = 23;

impl Link for Port {
    fn write(&mut self, bytes: &[u8], deadline: Deadline) -> Result<(), Fault> {
        self.inner.write(bytes, deadline)
    }
    fn read(&mut self, buffer: &mut [u8], deadline: Deadline) -> Result<usize, Fault> {
        let mut piece = [0; HANDED_OVER];
        let mut until = if self.held.is_empty() { deadline } else { Deadline(self.clock.monotonic()) };
        loop {
            match self.inner.read(&mut piece, until)? {
                0 => break,
                n => self.held.extend(&piece[..n]),
            }
            until = Deadline(self.clock.monotonic());
        }
        self.waited.lock().unwrap().extend((!self.held.is_empty()).then_some(self.held.len()));
        let n = self.held.len().min(buffer.len());
        buffer[..n].copy_from_slice(&self.held[..n]);
        self.held.drain(..n);
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

/// Identity: while one of 16 KB is handed over in 713 pieces, never more of it waits than a terminal holds (4096 bytes), one
/// wait spares the wake-ups of that much, and nothing is missed or late.
#[test]
fn a_long_block_is_waited_for_once_and_never_overflows_the_port() {
    for baud in [115_200, 460_800] {
        let every_s = 10.0 * HANDED_OVER as f64 / f64::from(baud);
        let clock = Arc::new(SteppedClock::new(UtcMicros(1_800_000_000_000_000)));
        let stop = Stop::new();
        let link = FakeLink::new(clock.clone(), stop.clone());
        link.0.lock().unwrap().pixels = 8192;
        let waited = Arc::new(Mutex::new(Vec::new()));
        let port = Port { inner: link.clone(), clock: clock.clone(), held: Vec::new(), waited: waited.clone() };
        let mut session = Session::new(Box::new(port), clock.clone(), stop, baud, &SCPI);
        session.connect().unwrap();
        for _ in 0..2 {
            link.spoil(":READ?", move |b| b.chunks(HANDED_OVER).map(|piece| (every_s, piece.to_vec())).collect());
            waited.lock().unwrap().clear();
            let since = clock.now();
            let e = session.expose(0.1, Shutter::Open).unwrap();
            link.must_have_happened(&e, since);
            assert_eq!(e.rereads, 0);
            let waited = waited.lock().unwrap();
            assert!(waited.iter().all(|n| *n <= 4096), "{baud} baud: {waited:?}");
            assert!(waited.len() < 600, "{} reads at {baud} baud", waited.len());
            // Light, 16 447 bytes of block and fields, and what confirms it.
            let line_s = 0.1 + (16_447_f64 / HANDED_OVER as f64).ceil() * every_s;
            let took_s = clock.now().seconds_since(since);
            assert!(took_s < line_s + 0.05, "{took_s} s instead of {line_s} s");
        }
    }
}
