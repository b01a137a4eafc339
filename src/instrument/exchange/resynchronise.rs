//! Resynchronisation of the line after a fault.

use super::tag::PROBES;
use super::{Exchange, PROCESSING_S};
use crate::clock::Deadline;
use crate::fault::Fault;
use crate::instrument::answer;
use crate::instrument::malformed::shown;

/// Attempts to read a known answer from the drained line; four of them take longer than an instrument's restart.
const ATTEMPTS: usize = 4;
/// Limit of discarded bytes per attempt [bytes].
const MOST_DISCARDED: usize = 1 << 20;

/// Received bytes that were not the known answer.
#[derive(Debug, Default)]
struct Discarded {
    bytes: usize,
    /// Their last complete line.
    line: Vec<u8>,
}

impl Exchange {
    /// Drains the line, aborts a running exposure and sends a query with a known answer until exactly this answer arrives. The query
    /// is repeated more often than a message has probes, and once more in each attempt, so that its answer is unique.
    pub fn resynchronise(&mut self) -> Result<(), Fault> {
        self.lose_step();
        self.counters.resynchronisations += 1;
        let started = self.clock.monotonic();
        let mut discarded = Discarded::default();
        // The first line end terminates a message that may have been truncated.
        let abort = format!("\n{}\n{}\n", self.dialect.abort, self.dialect.clear_errors);
        let probe = &self.dialect.tag[0];
        let repeated = |word: &str, times: usize| vec![word; times].join(";") + "\n";
        for attempt in 1..=ATTEMPTS {
            let query = repeated(&probe.query, PROBES + attempt);
            let expected_answer = repeated(&probe.answer, PROBES + attempt);
            self.link.write(abort.as_bytes(), self.deadline(self.wire_s(abort.len())))?;
            self.link.drain()?;
            self.received.clear();
            let deadline = self.deadline(self.wire_s(query.len() * 2) + PROCESSING_S);
            self.link.write(query.as_bytes(), deadline)?;
            if self.receives(expected_answer.trim_end(), deadline, &mut discarded)? {
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
        let found =
            format!("{} other bytes within {waited:?}, the last: {}", discarded.bytes, shown(last.trim_ascii()));
        Err(Fault::Corrupt { command, expected: "its answer".into(), found })
    }

    /// Reads lines until the expected answer arrives (true) or the deadline passes (false).
    fn receives(&mut self, expected: &str, deadline: Deadline, discarded: &mut Discarded) -> Result<bool, Fault> {
        let mut piece = [0; 4096];
        loop {
            while let Some(end) = self.received.iter().position(|b| *b == b'\n') {
                if self.received[..end].trim_ascii() == expected.as_bytes() {
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
