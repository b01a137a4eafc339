//! The interface between a simulated device and the adapter that moves its bytes: [`Wire`], and one turn of such an adapter.
//!
//! A device does no input or output and reads no clock; an adapter (pseudo-terminal, TCP, in-process link) knows no bytes. All
//! times of a device are simulated.

use super::simulated_station::SimulatedStation;
use crate::clock::{Clock, UtcMicros};
use std::io::{ErrorKind, Read, Write};
use std::time::Duration;

/// Longest wait between checks of the stop flag and the device.
const SLICE: Duration = Duration::from_millis(50);
/// Line time of the bytes written at once.
const CHUNK: Duration = Duration::from_millis(2);
/// Most bytes written at once.
const CHUNK_MAX_BYTES: usize = 1 << 14;
/// Bytes that the host does not read within this time are lost, as on a line without flow control.
pub const WRITE_PATIENCE: Duration = Duration::from_millis(100);

/// A simulated device on a line.
pub trait Wire: Send {
    /// Receives bytes that arrive at `now`.
    fn receive(&mut self, bytes: &[u8], now: UtcMicros);
    /// Advances to `now` and appends to `out` the bytes that have left by then: at most `most`, and at least `least` at a time
    /// unless fewer are left of a message.
    fn transmit(&mut self, now: UtcMicros, amount: (usize, usize), out: &mut Vec<u8>);
    /// Time of the next event: `want` more bytes have left (or the rest of a message), or something else ends.
    fn next_due(&self, want: usize) -> Option<UtcMicros>;
    /// Time of one byte on the line [s].
    fn byte_s(&self) -> f64;
    /// Number of hang-ups so far, so that an adapter detects one that has already ended.
    fn hang_ups(&self) -> u64;
    /// End of the latest hang-up; in the past where there is none.
    fn hung_up_until(&self) -> UtcMicros;
    /// The host of a connection has gone: a message half received is forgotten.
    fn disconnected(&mut self) {}
    /// The station.
    fn station(&self) -> &SimulatedStation;
    /// The station, to be changed while the device runs.
    fn station_mut(&mut self) -> &mut SimulatedStation;

    /// Whether the line is hung up at `now`.
    fn hung_up(&self, now: UtcMicros) -> bool {
        now < self.hung_up_until()
    }

    /// Number of bytes that the line transmits in a real duration, at least one.
    fn bytes_in(&self, clock: &dyn Clock, duration: Duration) -> usize {
        let real = clock.real_for(Duration::from_secs_f64(self.byte_s())).as_secs_f64();
        if real > 0.0 { ((duration.as_secs_f64() / real) as usize).max(1) } else { usize::MAX }
    }
}

impl Wire for Box<dyn Wire> {
    fn receive(&mut self, bytes: &[u8], now: UtcMicros) {
        (**self).receive(bytes, now);
    }
    fn transmit(&mut self, now: UtcMicros, amount: (usize, usize), out: &mut Vec<u8>) {
        (**self).transmit(now, amount, out);
    }
    fn next_due(&self, want: usize) -> Option<UtcMicros> {
        (**self).next_due(want)
    }
    fn byte_s(&self) -> f64 {
        (**self).byte_s()
    }
    fn hang_ups(&self) -> u64 {
        (**self).hang_ups()
    }
    fn hung_up_until(&self) -> UtcMicros {
        (**self).hung_up_until()
    }
    fn disconnected(&mut self) {
        (**self).disconnected();
    }
    fn station(&self) -> &SimulatedStation {
        (**self).station()
    }
    fn station_mut(&mut self) -> &mut SimulatedStation {
        (**self).station_mut()
    }
}

/// The host's end of a line, as an adapter sees it.
pub trait Port: Read + Write {
    /// Longest wait of the next reads and writes.
    fn wait_at_most(&mut self, wait: Duration) -> std::io::Result<()>;
}

/// What the host sent in one turn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Turn {
    /// Bytes, or none within the wait.
    Going,
    /// The end of the connection.
    Ended,
}

/// Writes the bytes that are due, then waits for received bytes or the next due time.
pub fn turn(device: &mut dyn Wire, clock: &dyn Clock, port: &mut dyn Port) -> std::io::Result<Turn> {
    let chunk = device.bytes_in(clock, CHUNK);
    let mut out = Vec::new();
    device.transmit(clock.now(), (chunk, CHUNK_MAX_BYTES), &mut out);
    if !out.is_empty() {
        port.wait_at_most(WRITE_PATIENCE)?;
        match port.write_all(&out) {
            Err(why) if matches!(why.kind(), ErrorKind::TimedOut | ErrorKind::WouldBlock) => {}
            other => other?,
        }
    }
    let wait = match device.next_due(chunk.min(CHUNK_MAX_BYTES)) {
        // A short real wait even if the event is due, so that the loop never spins.
        Some(due) => {
            let left = Duration::from_micros((due.0 - clock.now().0).max(0) as u64);
            clock.real_for(left).clamp(Duration::from_micros(200), SLICE)
        }
        None => SLICE,
    };
    port.wait_at_most(wait)?;
    let mut bytes = [0; 1024];
    match port.read(&mut bytes) {
        Ok(0) => return Ok(Turn::Ended),
        Ok(n) => device.receive(&bytes[..n], clock.now()),
        Err(why) if matches!(why.kind(), ErrorKind::TimedOut | ErrorKind::Interrupted | ErrorKind::WouldBlock) => {}
        Err(why) => return Err(why),
    }
    Ok(Turn::Going)
}
