//! Plays a recorded session: whatever the host sends is answered as it was answered when the session was recorded.
//!
//! The file is text, one transfer a line: seconds since the start, `>` (sent by the host) or `<` (received by it), the bytes in
//! hexadecimal; a text after `|` and lines that begin with `#` are for people. Bytes are answered with the delays of the
//! recording. A host that sends other bytes than the recorded ones next is given the answer of the next equal ones, from the
//! beginning again after the end; bytes that were never recorded are not answered.

use super::line::Line;
use super::settings::Settings;
use super::simulated_station::{SimulatedStation, SimulatorError};
use super::wire::Wire;
use crate::clock::UtcMicros;
use std::path::{Path, PathBuf};

/// Why a recording cannot be played.
#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    /// The file cannot be read.
    #[error("{path}: expected a readable recording of a session, but found: {why}")]
    Unreadable {
        /// Its path.
        path: PathBuf,
        /// The error of the operating system.
        why: std::io::Error,
    },
    /// A line that is none of a recording.
    #[error("line {line}: expected seconds, `>` or `<`, and bytes in hexadecimal, but found `{found}`")]
    Line {
        /// Its number, from 1.
        line: usize,
        /// Its text.
        found: String,
    },
    /// Nothing to play.
    #[error("expected at least one line of received bytes (`<`), but found none")]
    Empty,
    /// The simulated station that stands behind the recording cannot be built.
    #[error(transparent)]
    Station(#[from] SimulatorError),
}

/// What the host sent, and what it received then.
#[derive(Clone, Debug, Default, PartialEq)]
struct Exchange {
    sent: Vec<u8>,
    /// Delay after the sent bytes [s], and bytes.
    received: Vec<(f64, Vec<u8>)>,
}

/// The recorded device.
pub struct Replay {
    exchanges: Vec<Exchange>,
    next: usize,
    buffer: Vec<u8>,
    line: Line,
    station: SimulatedStation,
}

impl Replay {
    /// Reads a recording.
    pub fn read(path: &Path, settings: &Settings, now: UtcMicros) -> Result<Self, ReplayError> {
        let text =
            std::fs::read_to_string(path).map_err(|why| ReplayError::Unreadable { path: path.to_path_buf(), why })?;
        Self::parse(&text, settings, now)
    }

    /// Parses the text of a recording.
    pub fn parse(text: &str, settings: &Settings, now: UtcMicros) -> Result<Self, ReplayError> {
        // What came before anything was sent is played at once.
        let mut exchanges = vec![Exchange::default()];
        let (mut sent_at, mut any) = (0.0, false);
        for (i, line) in text.lines().enumerate() {
            let line = line.split('|').next().unwrap_or_default().trim();
            if line.is_empty() || line.starts_with('#') {
                continue;
            }
            let (at, is_sent, bytes) =
                transfer(line).ok_or_else(|| ReplayError::Line { line: i + 1, found: line.to_owned() })?;
            if is_sent {
                sent_at = at;
                exchanges.push(Exchange { sent: bytes, received: Vec::new() });
            } else if let Some(last) = exchanges.last_mut() {
                any = true;
                last.received.push(((at - sent_at).max(0.0), bytes));
            }
        }
        if !any {
            return Err(ReplayError::Empty);
        }
        // The recording has its own pace; the line adds nothing to it.
        let mut line = Line::new(1e-6, now);
        let before = exchanges.remove(0);
        before.received.iter().for_each(|(delay, bytes)| line.send(now.plus_seconds(*delay), bytes));
        Ok(Self { exchanges, next: 0, buffer: Vec::new(), line, station: SimulatedStation::new(settings, now)? })
    }

    /// The exchange that the buffer begins with: the next one, or the first equal one after it.
    fn find(&self) -> Option<usize> {
        let n = self.exchanges.len();
        (0..n).map(|i| (self.next + i) % n).find(|i| self.buffer.starts_with(&self.exchanges[*i].sent))
    }
}

/// One line: seconds, direction, bytes.
fn transfer(line: &str) -> Option<(f64, bool, Vec<u8>)> {
    let mut words = line.split_whitespace();
    let at: f64 = words.next()?.parse().ok().filter(|at: &f64| at.is_finite())?;
    let is_sent = match words.next()? {
        ">" => true,
        "<" => false,
        _ => return None,
    };
    let byte = |word: &str| if word.len() == 2 { u8::from_str_radix(word, 16).ok() } else { None };
    let bytes: Vec<u8> = words.map(byte).collect::<Option<_>>()?;
    (!bytes.is_empty()).then_some((at, is_sent, bytes))
}

impl Wire for Replay {
    fn receive(&mut self, bytes: &[u8], now: UtcMicros) {
        self.buffer.extend_from_slice(bytes);
        while !self.buffer.is_empty() {
            if let Some(found) = self.find() {
                let exchange = &self.exchanges[found];
                self.buffer.drain(..exchange.sent.len());
                exchange.received.iter().for_each(|(delay, bytes)| self.line.send(now.plus_seconds(*delay), bytes));
                self.next = (found + 1) % self.exchanges.len();
            } else if self.exchanges.iter().any(|e| e.sent.starts_with(&self.buffer)) {
                return;
            } else {
                self.buffer.remove(0);
            }
        }
    }
    fn transmit(&mut self, now: UtcMicros, amount: (usize, usize), out: &mut Vec<u8>) {
        self.line.transmit(now, amount, out);
    }
    fn next_due(&self, want: usize) -> Option<UtcMicros> {
        self.line.next_due(want)
    }
    fn byte_s(&self) -> f64 {
        self.line.byte_s()
    }
    fn hang_ups(&self) -> u64 {
        0
    }
    fn hung_up_until(&self) -> UtcMicros {
        self.station.switched_on()
    }
    fn disconnected(&mut self) {
        self.buffer.clear();
    }
    fn station(&self) -> &SimulatedStation {
        &self.station
    }
    fn station_mut(&mut self) -> &mut SimulatedStation {
        &mut self.station
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const START: UtcMicros = UtcMicros(1_782_036_000_000_000);
    const TEXT: &str =
        "# a comment\n0.0 > 41 0A |A.\n0.5 < 31 0A |1.\n1.0 > 42 0A\n1.2 < 32\n1.4 < 33 0A\n2.0 > 41 0A\n2.1 < 39 0A\n";

    fn play(sends: &[&[u8]]) -> Vec<(f64, Vec<u8>)> {
        let mut device = Replay::parse(TEXT, &Settings::default(), START).unwrap();
        let mut answers = Vec::new();
        for (i, bytes) in sends.iter().enumerate() {
            let sent = START.plus_seconds(10.0 * i as f64);
            device.receive(bytes, sent);
            while let Some(due) = device.next_due(usize::MAX) {
                let mut out = Vec::new();
                device.transmit(due, (1, usize::MAX), &mut out);
                answers.push((due.seconds_since(sent), out));
            }
        }
        answers
    }

    #[test]
    fn equal_questions_are_answered_in_the_recorded_order_and_with_the_recorded_delay() {
        let answers = play(&[b"A\n", b"B\n", b"A\n", b"A\n"]);
        let bytes: Vec<&[u8]> = answers.iter().map(|a| &a.1[..]).collect();
        assert_eq!(bytes, [&b"1\n"[..], b"2", b"3\n", b"9\n", b"1\n"]);
        assert!((answers[0].0 - 0.5).abs() < 1e-5 && (answers[2].0 - 0.4).abs() < 1e-5, "{answers:?}");
    }

    #[test]
    fn a_question_that_was_never_recorded_is_not_answered_and_the_next_one_is() {
        let answers = play(&[b"XYZ\nB\n"]);
        assert_eq!(answers.len(), 2);
        assert_eq!(play(&[b"A", b"\n"]).len(), 1);
    }

    #[test]
    fn a_line_that_is_no_transfer_is_refused_with_its_number() {
        let parse = |text: &str| Replay::parse(text, &Settings::default(), START).err().unwrap().to_string();
        assert_eq!(
            parse("0.0 > 41\n0.1 < 4G\n"),
            "line 2: expected seconds, `>` or `<`, and bytes in hexadecimal, but found `0.1 < 4G`"
        );
        assert!(parse("0.0 > 41\n").contains("at least one line of received bytes"));
    }
}
