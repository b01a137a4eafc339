//! Delays between attempts to reconnect to an absent device.
//!
//! Pure: computes delays and does not wait.

use std::time::Duration;

/// Delays between attempts: 0.5 s, doubled after each failure, up to 30 s.
///
/// At most one reading is lost after a cable is plugged in again, and attempts during a long absence cost little.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Backoff {
    next: Duration,
}

impl Backoff {
    /// The first delay.
    pub const FIRST: Duration = Duration::from_millis(500);
    /// The longest delay.
    pub const LONGEST: Duration = Duration::from_secs(30);

    /// Starts with the first delay.
    pub fn new() -> Self {
        Self { next: Self::FIRST }
    }

    /// The delay after a failure.
    pub fn after_failure(&mut self) -> Duration {
        let span = self.next;
        self.next = (span * 2).min(Self::LONGEST);
        span
    }

    /// Resets after a success: the next delay is the first one.
    pub fn reset(&mut self) {
        self.next = Self::FIRST;
    }
}

impl Default for Backoff {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The delays double from half a second to half a minute and start again after a success.
    #[test]
    fn delays_double_to_half_a_minute_and_restart_after_success() {
        let mut backoff = Backoff::new();
        let spans: Vec<f64> = (0..9).map(|_| backoff.after_failure().as_secs_f64()).collect();
        assert_eq!(spans, [0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 30.0, 30.0, 30.0]);
        backoff.reset();
        assert_eq!(backoff.after_failure(), Backoff::FIRST);
    }
}
