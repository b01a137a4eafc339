//! How long to wait before trying a device that is gone again.
//!
//! Pure: it names spans and waits for nothing.

use std::time::Duration;

/// Spans between attempts: 0.5 s, doubled after each failure, up to 30 s.
///
/// Short enough that a cable put back costs one reading at most, long enough that a cable out for a week costs nothing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Backoff {
    next: Duration,
}

impl Backoff {
    /// The first span.
    pub const FIRST: Duration = Duration::from_millis(500);
    /// The longest span.
    pub const LONGEST: Duration = Duration::from_secs(30);

    /// Starts with the first span.
    pub fn new() -> Self {
        Self { next: Self::FIRST }
    }

    /// How long to wait after this failure.
    pub fn after_failure(&mut self) -> Duration {
        let span = self.next;
        self.next = (span * 2).min(Self::LONGEST);
        span
    }

    /// After a success: the next failure waits for the first span again.
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

    /// Identity: the spans double from half a second to half a minute and begin anew after a success.
    #[test]
    fn spans_double_to_half_a_minute_and_begin_anew() {
        let mut backoff = Backoff::new();
        let spans: Vec<f64> = (0..9).map(|_| backoff.after_failure().as_secs_f64()).collect();
        assert_eq!(spans, [0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 30.0, 30.0, 30.0]);
        backoff.reset();
        assert_eq!(backoff.after_failure(), Backoff::FIRST);
    }
}
