//! Any bytes from the line, for every dialect that comes with the program: a fault in bounded time, never a panic, a hang or an
//! exposure that was not made.

use super::Session;
use crate::clock::{Clock, Deadline, SteppedClock, Stop, UtcMicros};
use crate::dialect::{Dialect, SCPI, load};
use crate::fault::Fault;
use crate::instrument::{Link, LinkKind};
use proptest::prelude::*;
use std::path::Path;
use std::sync::Arc;

/// A line that answers every read with the next pieces of a list, whatever was sent.
struct RandomLine {
    clock: Arc<SteppedClock>,
    pieces: Vec<Vec<u8>>,
    next: usize,
    kind: LinkKind,
}

impl Link for RandomLine {
    fn write(&mut self, _: &[u8], _: Deadline) -> Result<(), Fault> {
        Ok(())
    }
    fn read(&mut self, buffer: &mut [u8], deadline: Deadline) -> Result<usize, Fault> {
        let until = self.clock.instant(deadline);
        self.next += 1;
        let piece = &self.pieces[self.next % self.pieces.len()];
        if piece.is_empty() || until <= self.clock.now() {
            self.clock.advance_to(until);
            return Ok(0);
        }
        // Bytes take time, so that a line that never rests reaches every deadline.
        self.clock.advance_to(self.clock.now().plus_seconds(0.001 * piece.len() as f64));
        let n = piece.len().min(buffer.len());
        buffer[..n].copy_from_slice(&piece[..n]);
        Ok(n)
    }
    fn drain(&mut self) -> Result<(), Fault> {
        self.clock.advance_to(self.clock.now().plus_seconds(0.1));
        Ok(())
    }
    fn reopen(&mut self) -> Result<(), Fault> {
        Ok(())
    }
    fn close(&mut self) {}
    fn name(&self) -> &str {
        "random"
    }
    fn kind(&self) -> LinkKind {
        self.kind
    }
}

fn dialects() -> Vec<Arc<Dialect>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/dialects/examples");
    let files = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let mut all = vec![Arc::clone(&SCPI)];
    all.extend(
        files.filter(|path| path.extension().is_some_and(|e| e == "toml")).map(|path| load::load(&path).unwrap()),
    );
    all
}

/// Bytes that answers of some dialect are made of.
fn bytes() -> impl Strategy<Value = Vec<u8>> {
    let likely: Vec<Vec<u8>> = [
        &b"1;1;1;1;"[..],
        b"1;1999.0;1;1;\n",
        b"ID\r\n",
        b"b3> ",
        b"^C\r\n",
        &[0x06],
        &[0xa5, 0x06, 0x00, 0x01],
        &[0xff, 0xff, 0x9a, 0x39],
        &[0xff, 0xff, 0x9a, 0x3a],
        &[17, 4, 12],
        &[0, 1, 0, 0, 0, 9, 17, 4],
    ]
    .iter()
    .map(|bytes| bytes.to_vec())
    .collect();
    prop_oneof![
        Just(Vec::new()),
        proptest::sample::select(likely),
        proptest::collection::vec(any::<u8>(), 0..40),
        "[0-9;,#\r\n A-Z]{0,20}".prop_map(String::into_bytes),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, ..ProptestConfig::default() })]
    #[test]
    fn random_bytes_give_a_fault_in_bounded_time(pieces in proptest::collection::vec(bytes(), 1..30), tcp in any::<bool>()) {
        for dialect in dialects() {
            let clock = Arc::new(SteppedClock::new(UtcMicros(1_800_000_000_000_000)));
            let kind = if tcp { LinkKind::Tcp } else { LinkKind::Serial };
            let line = RandomLine { clock: Arc::clone(&clock), pieces: pieces.clone(), next: 0, kind };
            let started = clock.now();
            let mut session = Session::new(Box::new(line), clock.clone(), Stop::new(), 57_600, &dialect);
            let result = session.connect();
            prop_assert!(result.is_err(), "{}: {:?}", dialect.name, result);
            let took_s = clock.now().seconds_since(started);
            prop_assert!(took_s < 600.0, "{}: {} s", dialect.name, took_s);
        }
    }
}
