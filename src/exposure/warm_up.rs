//! Warm-up: how long after power-on readings carry a doubt.
//!
//! Knows only what it is told: when a connection came up, when the instrument was last heard, when the clock was set.
//! What must stay true: doubt is the default. A connection after an absence long enough to hide a power cut begins the
//! warm-up anew, and a short hiccup of the line, or a restart of the daemon, does not.

use crate::clock::UtcMicros;
use serde::{Deserialize, Serialize};

/// Silence longer than this may hide a power cut [s]: at connection, the warm-up begins anew.
pub const ABSENCE_S: f64 = 60.0;

/// The warm-up of one instrument; kept over restarts of the daemon.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct WarmUp {
    began: Option<UtcMicros>,
    heard: Option<UtcMicros>,
}

impl WarmUp {
    /// A connection came up at `now`. `restarted` says that the instrument is known to have lost its settings.
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

    /// The clock was set by `seconds` [s]: what happened keeps its distance from now.
    pub fn clock_set(&mut self, seconds: f64) {
        self.began = self.began.map(|t| t.plus_seconds(seconds));
        self.heard = self.heard.map(|t| t.plus_seconds(seconds));
    }

    /// When warming ends, for a warm-up of `length_s` [s]; `None` before the first connection.
    pub fn until(&self, length_s: f64) -> Option<UtcMicros> {
        self.began.map(|b| b.plus_seconds(length_s))
    }

    /// Whether light collected at `t` falls into the warm-up; also before the first connection, when nothing is known.
    pub fn warming(&self, t: UtcMicros, length_s: f64) -> bool {
        length_s > 0.0 && self.until(length_s).is_none_or(|end| t < end)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const T: UtcMicros = UtcMicros(1_800_000_000_000_000);

    /// Identity: warming lasts from the connection for exactly its length, end exclusive.
    #[test]
    fn readings_are_warming_from_the_connection_on_for_the_set_time() {
        let mut w = WarmUp::default();
        assert!(w.warming(T, 1200.0), "nothing is known yet");
        assert!(!w.warming(T, 0.0), "no warm-up is wanted");
        w.connected(T, false);
        assert!(w.warming(T.plus_seconds(1199.9), 1200.0));
        assert!(!w.warming(T.plus_seconds(1200.0), 1200.0));
    }

    /// Identity: a hiccup or a restarted daemon keeps the warm-up; an absence or a known reset begins it anew.
    #[test]
    fn only_an_absence_or_a_reset_begins_it_anew() {
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

    /// Identity: setting the clock by years neither ends nor prolongs a warm-up.
    #[test]
    fn a_clock_that_is_set_does_not_end_it() {
        let mut w = WarmUp::default();
        w.connected(UtcMicros(0), false);
        w.clock_set(1.8e9);
        assert!(w.warming(UtcMicros::from_seconds(1.8e9 + 600.0), 1200.0));
        assert!(!w.warming(UtcMicros::from_seconds(1.8e9 + 1300.0), 1200.0));
    }
}
