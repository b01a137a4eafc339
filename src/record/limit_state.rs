//! The state of a monitor with respect to its limit. Pure.
//!
//! Invariant: a flagged interval begins right after the last check within the limit and ends at the next one.

use crate::clock::UtcMicros;

/// Time of the last check within the limit, and start of the present excess. Persists over restarts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct LimitState {
    /// Time of the last check within the limit; initially the start of the monitor.
    pub last_within_limit: Option<UtcMicros>,
    /// Start of the present excess; `None` while within the limit.
    pub exceeded_since: Option<UtcMicros>,
}

/// A change of the state by a check.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Transition {
    /// The limit is exceeded; readings from this instant on are affected.
    Exceeded(UtcMicros),
    /// The monitor is within its limit; readings from this instant on are unaffected.
    Cleared(UtcMicros),
}

impl LimitState {
    /// Resets the state, after a change of calibration or place.
    pub fn restart(&mut self, now: UtcMicros) -> Option<Transition> {
        self.last_within_limit = Some(now);
        self.exceeded_since.take().map(|_| Transition::Cleared(now))
    }

    /// Records a check within the limit.
    pub fn check_passed(&mut self, at: UtcMicros) -> Option<Transition> {
        self.last_within_limit = self.last_within_limit.max(Some(at));
        self.exceeded_since.take().map(|_| Transition::Cleared(at))
    }

    /// Records a check beyond the limit.
    pub fn check_failed(&mut self, at: UtcMicros) -> Option<Transition> {
        if self.exceeded_since.is_some() {
            return None;
        }
        // The last reading within the limit is unaffected.
        let from = self.last_within_limit.map_or(at, |t| UtcMicros(t.0.saturating_add(1)));
        self.exceeded_since = Some(from);
        Some(Transition::Exceeded(from))
    }

    /// The state of two monitors with a common flag: exceeded while either is, since the earlier start.
    pub fn combined_with(self, other: Self) -> Self {
        let exceeded_since = [self.exceeded_since, other.exceeded_since].into_iter().flatten().min();
        let last_within_limit = match (self.exceeded_since, other.exceeded_since) {
            (Some(_), None) => self.last_within_limit,
            (None, Some(_)) => other.last_within_limit,
            (Some(_), Some(_)) => self.last_within_limit.min(other.last_within_limit),
            (None, None) => self.last_within_limit.max(other.last_within_limit),
        };
        Self { last_within_limit, exceeded_since }
    }

    /// Time since the last check within the limit [s]; 0 before the first.
    pub fn age_s(&self, now: UtcMicros) -> f64 {
        self.last_within_limit.map_or(0.0, |t| now.seconds_since(t).max(0.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An excess begins after the last check within the limit, is reported once, and ends at the next such check or at a restart.
    #[test]
    fn an_excess_begins_after_the_last_check_within_the_limit_and_ends_at_the_next() {
        let t = UtcMicros;
        let mut s = LimitState::default();
        assert_eq!(
            (s.restart(t(0)), s.check_passed(t(5)), s.check_failed(t(9))),
            (None, None, Some(Transition::Exceeded(t(6))))
        );
        assert_eq!((s.check_failed(t(10)), s.age_s(t(2_000_005))), (None, 2.0));
        assert_eq!((s.check_passed(t(20)), s.check_passed(t(21))), (Some(Transition::Cleared(t(20))), None));
        assert_eq!(
            (s.check_failed(t(30)), s.restart(t(40))),
            (Some(Transition::Exceeded(t(22))), Some(Transition::Cleared(t(40))))
        );
    }

    /// Combined monitors exceed their limit from the earlier start to the later end.
    #[test]
    fn combined_monitors_exceed_their_limit_while_either_does() {
        let at = |last, since: Option<i64>| LimitState {
            last_within_limit: Some(UtcMicros(last)),
            exceeded_since: since.map(UtcMicros),
        };
        assert_eq!(at(5, None).combined_with(at(9, None)), at(9, None));
        assert_eq!(at(5, Some(6)).combined_with(at(9, None)), at(5, Some(6)));
        assert_eq!(at(5, None).combined_with(at(3, Some(4))), at(3, Some(4)));
        assert_eq!(at(5, Some(6)).combined_with(at(3, Some(4))), at(3, Some(4)));
    }
}
