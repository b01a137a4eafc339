//! The sending side of a simulated serial line: queues bytes and releases them no faster than the line rate allows.
//!
//! Does not know what the bytes mean. Invariant: bytes leave in the order in which they were queued.

use crate::clock::UtcMicros;
use std::collections::VecDeque;

/// Bytes being transmitted.
#[derive(Debug)]
struct Outgoing {
    starts: UtcMicros,
    bytes: Vec<u8>,
    sent: usize,
}

/// The sending side of a line.
#[derive(Debug)]
pub struct Line {
    byte_s: f64,
    free_at: UtcMicros,
    outgoing: VecDeque<Outgoing>,
}

impl Line {
    /// An idle line whose bytes take `byte_s` [s] each.
    pub fn new(byte_s: f64, now: UtcMicros) -> Self {
        Self { byte_s, free_at: now, outgoing: VecDeque::new() }
    }

    /// Time of one byte [s].
    pub fn byte_s(&self) -> f64 {
        self.byte_s
    }

    /// When everything queued so far has left.
    pub fn free_at(&self) -> UtcMicros {
        self.free_at
    }

    /// Queues bytes that start to leave at `at`, or when the line is free.
    pub fn send(&mut self, at: UtcMicros, bytes: &[u8]) {
        if bytes.is_empty() {
            return;
        }
        let starts = at.max(self.free_at);
        self.free_at = starts.plus_seconds(bytes.len() as f64 * self.byte_s);
        self.outgoing.push_back(Outgoing { starts, bytes: bytes.to_vec(), sent: 0 });
    }

    /// Discards what has not left; the line is free at `at`, or earlier if it was.
    pub fn clear(&mut self, at: UtcMicros) {
        self.outgoing.clear();
        self.free_at = self.free_at.min(at);
    }

    /// Discards the oldest queued messages until at most `most` bytes are left.
    pub fn keep_at_most(&mut self, most: usize) {
        let mut queued: usize = self.outgoing.iter().map(|o| o.bytes.len() - o.sent).sum();
        while queued > most {
            let Some(first) = self.outgoing.pop_front() else { return };
            queued -= first.bytes.len() - first.sent;
        }
    }

    /// Appends to `out` the bytes that have left by `now`: at most `most`, and at least `least` at a time unless fewer are left of
    /// a message.
    pub fn transmit(&mut self, now: UtcMicros, (least, most): (usize, usize), out: &mut Vec<u8>) {
        let mut room = most;
        while let Some(first) = self.outgoing.front_mut() {
            let elapsed = now.seconds_since(first.starts);
            let left = ((elapsed / self.byte_s) + 1e-6).floor().max(0.0) as usize;
            let until = left.min(first.bytes.len()).min(first.sent.saturating_add(room));
            if until == first.bytes.len() || until >= first.sent.saturating_add(least.min(room)) {
                out.extend_from_slice(&first.bytes[first.sent..until]);
                room -= until - first.sent;
                first.sent = until;
            }
            if first.sent < first.bytes.len() {
                break;
            }
            self.outgoing.pop_front();
        }
    }

    /// When `want` more bytes have left, or the rest of a message.
    pub fn next_due(&self, want: usize) -> Option<UtcMicros> {
        self.outgoing.front().map(|first| {
            let until = first.sent.saturating_add(want.max(1)).min(first.bytes.len());
            UtcMicros(first.starts.0 + (until as f64 * self.byte_s * 1e6).ceil() as i64)
        })
    }
}
