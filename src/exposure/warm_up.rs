//! Warm-up: the time after power-on during which readings are flagged.
//!
//! Pure: its inputs are the instants at which a connection was made, at which the instrument last answered, and by how much
//! the clock was set. Invariants:
//!
//! - where nothing is known, readings are flagged;
//! - a connection after a silence long enough to hide a power cut restarts the warm-up; a short interruption of the line, or
//!   a restart of the daemon, does not.

use crate::clock::UtcMicros;
use serde::{Deserialize, Serialize};

/// A longer silence may hide a power cut [s]: the next connection restarts the warm-up.
pub const ABSENCE_S: f64 = 60.0;

/// The warm-up of one instrument; saved over restarts of the daemon.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct WarmUp {
    /// Start of the warm-up.
    began: Option<UtcMicros>,
    /// Last answer of the instrument.
    heard: Option<UtcMicros>,
}

impl WarmUp {
    /// A connection was made at `now`. restarted: the instrument is known to have lost its settings.
    pub fn connected(&mut self, now: UtcMicros, restarted: bool) {
        let absent = !self.heard.is_some_and(|h| (0.0..=ABSENCE_S).contains(&now.seconds_since(h)));
        if restarted || absent || self.began.is_none() {
            self.began = Some(now);
        }
        self.heard = Some(now);
    }

    /// The instrument answered at `now`.
    pub fn heard(&mut self, now: UtcMicros) {
        self.heard = Some(now);
    }

    /// The clock was set by `seconds` [s]; earlier instants are shifted with it.
    pub fn clock_set(&mut self, seconds: f64) {
        self.began = self.began.map(|t| t.plus_seconds(seconds));
        self.heard = self.heard.map(|t| t.plus_seconds(seconds));
    }

    /// End of a warm-up of `length_s` [s]; `None` before the first connection.
    pub fn until(&self, length_s: f64) -> Option<UtcMicros> {
        self.began.map(|b| b.plus_seconds(length_s))
    }

    /// Whether light collected at `t` falls into a warm-up of `length_s` [s]; true before the first connection.
    pub fn warming(&self, t: UtcMicros, length_s: f64) -> bool {
        length_s > 0.0 && self.until(length_s).is_none_or(|end| t < end)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const T: UtcMicros = UtcMicros(1_800_000_000_000_000);

    /// Identity: the warm-up lasts exactly its length, end exclusive.
    #[test]
    fn readings_are_warming_for_the_configured_time_after_the_connection() {
        let mut w = WarmUp::default();
        assert!(w.warming(T, 1200.0), "before the first connection");
        assert!(!w.warming(T, 0.0), "without a warm-up");
        w.connected(T, false);
        assert!(w.warming(T.plus_seconds(1199.9), 1200.0));
        assert!(!w.warming(T.plus_seconds(1200.0), 1200.0));
    }

    /// A short interruption of the line or a restart of the daemon does not.
    #[test]
    fn only_a_long_silence_or_a_reset_restarts_the_warm_up() {
        let mut w = WarmUp::default();
        w.connected(T, false);
        w.heard(T.plus_seconds(5000.0));
        let text = serde_json::to_string(&w).unwrap();
        let mut w: WarmUp = serde_json::from_str(&text).unwrap();
        w.connected(T.plus_seconds(5030.0), false);
        assert!(!w.warming(T.plus_seconds(5031.0), 1200.0));
        w.connected(T.plus_seconds(5040.0), true);
        assert!(w.warming(T.plus_seconds(5041.0), 1200.0));
        w.heard(T.plus_seconds(9000.0));
        w.connected(T.plus_seconds(9100.0), false);
        assert_eq!(w.until(1200.0), Some(T.plus_seconds(10_300.0)));
    }

    #[test]
    fn setting_the_clock_by_years_neither_ends_nor_prolongs_a_warm_up() {
        let mut w = WarmUp::default();
        w.connected(UtcMicros(0), false);
        w.clock_set(1.8e9);
        assert!(w.warming(UtcMicros::from_seconds(1.8e9 + 600.0), 1200.0));
        assert!(!w.warming(UtcMicros::from_seconds(1.8e9 + 1300.0), 1200.0));
    }
}
