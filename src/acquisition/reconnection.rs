//! Decides when to reconnect an instrument, and which faults to log. Pure.
//!
//! Invariant: no attempt is made earlier than the back-off allows; a port that cannot be opened is not opened at every tick.

use crate::clock::UtcMicros;
use crate::fault::Fault;
use crate::instrument::Backoff;

/// The state of the attempts to connect one instrument.
#[derive(Clone, Debug, Default)]
pub struct Reconnection {
    backoff: Backoff,
    retry_at: Option<UtcMicros>,
    /// The fault that ended or prevented the connection; `None` while connected.
    last_fault: Option<Fault>,
}

impl Reconnection {
    /// Time of the next attempt; `now` if one is due.
    pub fn next_attempt(&self, now: UtcMicros) -> UtcMicros {
        self.retry_at.unwrap_or(now)
    }

    /// Whether an attempt is due.
    pub fn is_due(&self, now: UtcMicros) -> bool {
        self.next_attempt(now) <= now
    }

    /// The fault that ended or prevented the connection; `None` before the first attempt.
    pub fn last_fault(&self) -> Option<&Fault> {
        self.last_fault.as_ref()
    }

    /// Records a failed attempt or a lost connection; returns whether the fault differs from the previous one.
    pub fn failed(&mut self, fault: &Fault, now: UtcMicros) -> bool {
        if self.is_due(now) {
            self.retry_at = Some(now + self.backoff.after_failure());
        }
        let is_new = !self.last_fault.as_ref().is_some_and(|before| fault.repeats(before));
        self.last_fault = Some(fault.clone());
        is_new
    }

    /// Permits an attempt now: the clock was set, so the time of the next attempt is meaningless.
    pub fn clock_set(&mut self) {
        self.retry_at = None;
    }

    /// Records a successful connection.
    pub fn succeeded(&mut self) {
        *self = Self::default();
    }
}

/// Whether the instrument must be reconnected after a fault.
pub fn ends_the_connection(fault: &Fault) -> bool {
    matches!(fault, Fault::Absent { .. } | Fault::Identity { .. } | Fault::NoAnswer { .. })
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: UtcMicros = UtcMicros(1_800_000_000_000_000);

    fn absent(why: &str) -> Fault {
        Fault::Absent { path: "/dev/example".into(), why: why.into() }
    }

    /// The times of the attempts during a number of seconds, all of which fail [s].
    fn attempts(seconds: u32) -> Vec<f64> {
        let (mut reconnection, mut now, mut made) = (Reconnection::default(), NOW, Vec::new());
        while now.seconds_since(NOW) < f64::from(seconds) {
            if reconnection.is_due(now) {
                made.push(now.seconds_since(NOW));
                reconnection.failed(&absent("unplugged"), now);
            }
            now = now.plus_seconds(0.25);
        }
        made
    }

    /// The first attempt is made at once, the second after 0.5 s; each wait is twice the previous one, at most 30 s.
    #[test]
    fn attempts_are_spaced_by_the_back_off() {
        assert_eq!(attempts(95), [0.0, 0.5, 1.5, 3.5, 7.5, 15.5, 31.5, 61.5, 91.5]);
    }

    /// A failure before the next attempt is due does not postpone that attempt.
    #[test]
    fn a_failure_before_the_next_attempt_does_not_postpone_it() {
        let mut reconnection = Reconnection::default();
        reconnection.failed(&absent("unplugged"), NOW);
        let next = reconnection.next_attempt(NOW);
        reconnection.failed(&absent("unplugged"), NOW.plus_seconds(0.2));
        assert_eq!(reconnection.next_attempt(NOW.plus_seconds(0.2)), next);
    }

    /// After a connection, the next loss is reported, and an attempt is due at once.
    #[test]
    fn a_connection_resets_the_back_off_and_the_log() {
        let mut reconnection = Reconnection::default();
        for k in 0..6 {
            reconnection.failed(&absent("unplugged"), NOW.plus_seconds(60.0 * f64::from(k)));
        }
        reconnection.succeeded();
        assert!(reconnection.is_due(NOW) && reconnection.last_fault().is_none());
        assert!(reconnection.failed(&absent("unplugged"), NOW));
        assert_eq!(reconnection.next_attempt(NOW).seconds_since(NOW), 0.5);
    }

    /// A repeated fault is reported once, a different one at once.
    #[test]
    fn a_repeated_fault_is_reported_once() {
        let mut reconnection = Reconnection::default();
        let mut failed = |why: &str| reconnection.failed(&absent(why), NOW);
        assert_eq!(
            [failed("unplugged"), failed("unplugged"), failed("in use"), failed("in use")],
            [true, false, true, false]
        );
        assert_eq!(reconnection.last_fault(), Some(&absent("in use")));
    }

    /// A missing answer, an absent device and another instrument end the connection; a corrupt answer and a refused command do
    /// not.
    #[test]
    fn only_no_answer_absence_and_another_instrument_end_the_connection() {
        let silent =
            Fault::NoAnswer { command: "X".into(), waited: std::time::Duration::ZERO, found: "nothing".into() };
        let corrupt = Fault::Corrupt { command: "X".into(), expected: "1".into(), found: "2".into() };
        let refused = Fault::Refused { command: "X".into(), code: -100, text: "no".into() };
        let other = Fault::Identity { expected: "1".into(), found: "2".into() };
        assert!([silent, other, absent("unplugged")].iter().all(ends_the_connection));
        assert!(![corrupt, refused, Fault::Stopped].iter().any(ends_the_connection));
    }
}
