//! Where a tracker stands against its limit: when it last passed, and since when it is past.
//!
//! Pure. What must stay true: a doubt begins right after the last check that passed and ends at the next one that does.

use crate::clock::UtcMicros;

/// A tracker against its limit; persisted over restarts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct LimitState {
    /// When a check last passed; at first, when the tracker began.
    pub last_within_limit: Option<UtcMicros>,
    /// Since when it is past its limit; `None` while it is within.
    pub exceeded_since: Option<UtcMicros>,
}

/// What a check turned.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Transition {
    /// Past the limit: everything from this instant on is in doubt.
    Exceeded(UtcMicros),
    /// Cleared again: what is from this instant on is in doubt no more.
    Cleared(UtcMicros),
}

impl LimitState {
    /// Begins anew, with a calibration or at another place: what was beyond is so no more.
    pub fn restart(&mut self, now: UtcMicros) -> Option<Transition> {
        self.last_within_limit = Some(now);
        self.exceeded_since.take().map(|_| Transition::Cleared(now))
    }

    /// A check passed.
    pub fn check_passed(&mut self, at: UtcMicros) -> Option<Transition> {
        self.last_within_limit = self.last_within_limit.max(Some(at));
        self.exceeded_since.take().map(|_| Transition::Cleared(at))
    }

    /// A check failed.
    pub fn check_failed(&mut self, at: UtcMicros) -> Option<Transition> {
        if self.exceeded_since.is_some() {
            return None;
        }
        // The reading that passed is in no doubt itself.
        let from = self.last_within_limit.map_or(at, |t| UtcMicros(t.0.saturating_add(1)));
        self.exceeded_since = Some(from);
        Some(Transition::Exceeded(from))
    }

    /// Two that raise one flag: past its limit while either is, since the earlier of their doubts.
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

    /// Time since the last check that passed [s]; 0 before the first.
    pub fn age_s(&self, now: UtcMicros) -> f64 {
        self.last_within_limit.map_or(0.0, |t| now.seconds_since(t).max(0.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: a doubt begins after the last pass, is told once, and ends at the next pass or at a new beginning.
    #[test]
    fn a_doubt_begins_after_the_last_pass_and_ends_at_the_next() {
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

    /// Identity: two together are past their limit from the earlier doubt until the later return.
    #[test]
    fn two_together_are_in_doubt_while_either_is() {
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
