//! Bringing both ends of a line back in step after a fault.

use super::tag::PROBES;
use super::{Exchange, THINKING_S};
use crate::clock::Deadline;
use crate::fault::Fault;
use crate::instrument::answer;
use crate::instrument::malformed::shown;

/// Attempts at reading a known answer from a drained line; four of them outlast an instrument's restart.
const ATTEMPTS: usize = 4;
/// Discarded bytes after which an attempt ends [bytes].
const MOST_DISCARDED: usize = 1 << 20;

/// Bytes that were read and were not the known answer.
#[derive(Debug, Default)]
struct Discarded {
    bytes: usize,
    /// The last whole line of them.
    line: Vec<u8>,
}

impl Exchange {
    /// Drains the line, ends whatever runs, and asks a query with a known answer until exactly that answer comes. It is asked
    /// more often than a message has probes, and more often in each attempt, so that no other answer looks like it.
    pub fn resynchronise(&mut self) -> Result<(), Fault> {
        self.lose_step();
        self.counters.resynchronisations += 1;
        let started = self.clock.monotonic();
        let mut discarded = Discarded::default();
        // The first line end closes a message that may have been cut on its way out.
        let calm = format!("\n{}\n{}\n", self.dialect.abort, self.dialect.clear_errors);
        let probe = &self.dialect.tag[0];
        let repeated = |word: &str, times: usize| vec![word; times].join(";") + "\n";
        for attempt in 1..=ATTEMPTS {
            let asked = repeated(&probe.query, PROBES + attempt);
            let right = repeated(&probe.answer, PROBES + attempt);
            self.link.write(calm.as_bytes(), self.deadline(self.wire_s(calm.len())))?;
            self.link.drain()?;
            self.received.clear();
            let deadline = self.deadline(self.wire_s(asked.len() * 2) + THINKING_S);
            self.link.write(asked.as_bytes(), deadline)?;
            if self.receives(right.trim_end(), deadline, &mut discarded)? {
                self.received.clear();
                self.in_step = true;
                return Ok(());
            }
        }
        let command = repeated(&probe.query, PROBES + ATTEMPTS).trim_end().to_owned();
        let waited = self.clock.monotonic().saturating_sub(started);
        if discarded.bytes == 0 {
            return Err(Fault::NoAnswer { command, waited, found: "nothing came".into() });
        }
        let last = if discarded.line.is_empty() { &self.received } else { &discarded.line };
        let found = format!(
            "{} bytes within {waited:?}, none of them that, the last: {}",
            discarded.bytes,
            shown(last.trim_ascii())
        );
        Err(Fault::Corrupt { command, expected: "its answer".into(), found })
    }

    /// Reads lines until the right one comes (true) or the deadline passes (false).
    fn receives(&mut self, right: &str, deadline: Deadline, discarded: &mut Discarded) -> Result<bool, Fault> {
        let mut piece = [0; 4096];
        loop {
            while let Some(end) = self.received.iter().position(|b| *b == b'\n') {
                if self.received[..end].trim_ascii() == right.as_bytes() {
                    return Ok(true);
                }
                discarded.line = self.received.drain(..=end).collect();
            }
            if self.received.len() > answer::MAX_TEXT {
                self.received.clear();
            }
            if self.stop.requested() {
                return Err(Fault::Stopped);
            }
            let n = self.link.read(&mut piece, deadline)?;
            discarded.bytes += n;
            if n == 0 || discarded.bytes > MOST_DISCARDED {
                return Ok(false);
            }
            self.received.extend_from_slice(&piece[..n]);
        }
    }
}
