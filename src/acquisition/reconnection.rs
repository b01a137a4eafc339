//! When an instrument that is away is tried again, and which of its faults are worth a line in the log.
//!
//! Pure. Invariant: no attempt comes earlier than the back-off allows, whoever asks for it: a port that cannot be opened is
//! not opened at every tick.

use crate::clock::UtcMicros;
use crate::fault::Fault;
use crate::instrument::Backoff;

/// Attempts to reach one instrument.
#[derive(Clone, Debug, Default)]
pub struct Reconnection {
    backoff: Backoff,
    retry_at: Option<UtcMicros>,
    /// Why the connection was lost or could not be made; `None` while there is one.
    last_fault: Option<Fault>,
}

impl Reconnection {
    /// When the next attempt may be made, seen at `now`.
    pub fn next_attempt(&self, now: UtcMicros) -> UtcMicros {
        self.retry_at.unwrap_or(now)
    }

    /// Whether an attempt may be made now.
    pub fn is_due(&self, now: UtcMicros) -> bool {
        self.next_attempt(now) <= now
    }

    /// Why there is no connection; `None` before the first attempt.
    pub fn last_fault(&self) -> Option<&Fault> {
        self.last_fault.as_ref()
    }

    /// An attempt failed, or the connection was lost; answers whether the fault is another one than before.
    pub fn failed(&mut self, fault: &Fault, now: UtcMicros) -> bool {
        if self.is_due(now) {
            self.retry_at = Some(now + self.backoff.after_failure());
        }
        let is_new = !self.last_fault.as_ref().is_some_and(|before| fault.repeats(before));
        self.last_fault = Some(fault.clone());
        is_new
    }

    /// There is a connection.
    pub fn succeeded(&mut self) {
        *self = Self::default();
    }
}

/// Whether the instrument has to be connected anew after this fault.
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

    /// Fails at every attempt that is allowed during some seconds; the times of the attempts [s].
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

    /// The first attempt comes at once, then after 0.5 s, each wait twice the one before, at most half a minute.
    #[test]
    fn attempts_are_spaced_by_the_back_off() {
        assert_eq!(attempts(95), [0.0, 0.5, 1.5, 3.5, 7.5, 15.5, 31.5, 61.5, 91.5]);
    }

    /// A tick that asks before the next attempt is due does not push that attempt further away.
    #[test]
    fn a_failure_before_the_next_attempt_does_not_postpone_it() {
        let mut reconnection = Reconnection::default();
        reconnection.failed(&absent("unplugged"), NOW);
        let next = reconnection.next_attempt(NOW);
        reconnection.failed(&absent("unplugged"), NOW.plus_seconds(0.2));
        assert_eq!(reconnection.next_attempt(NOW.plus_seconds(0.2)), next);
    }

    /// After a connection the next loss is retried at once, and is reported.
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

    /// A fault that repeats is reported once, another one at once.
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

    /// Noise on the line and a refused command leave the connection as it is; silence and another instrument end it.
    #[test]
    fn only_silence_absence_and_another_instrument_end_the_connection() {
        let silent =
            Fault::NoAnswer { command: "X".into(), waited: std::time::Duration::ZERO, found: "nothing".into() };
        let corrupt = Fault::Corrupt { command: "X".into(), expected: "1".into(), found: "2".into() };
        let refused = Fault::Refused { command: "X".into(), code: -100, text: "no".into() };
        let other = Fault::Identity { expected: "1".into(), found: "2".into() };
        assert!([silent, other, absent("unplugged")].iter().all(ends_the_connection));
        assert!(![corrupt, refused, Fault::Stopped].iter().any(ends_the_connection));
    }
}
