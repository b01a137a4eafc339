//! Where a tracker stands against its limit: when it last passed, and since when it is past.
//!
//! Pure. What must stay true: a doubt begins right after the last check that passed and ends at the next one that does.

use crate::clock::UtcMicros;

/// A tracker against its limit; persisted over restarts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct Standing {
    /// When a check last passed; at first, when the tracker began.
    pub last_passed: Option<UtcMicros>,
    /// Since when it is past its limit; `None` while it is within.
    pub beyond_since: Option<UtcMicros>,
}

/// What a check turned.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Turn {
    /// Past the limit: everything from this instant on is in doubt.
    Beyond(UtcMicros),
    /// Within again: what is from this instant on is in doubt no more.
    Within(UtcMicros),
}

impl Standing {
    /// Begins anew, with a calibration or at another place: what was beyond is so no more.
    pub fn begin(&mut self, now: UtcMicros) -> Option<Turn> {
        self.last_passed = Some(now);
        self.beyond_since.take().map(|_| Turn::Within(now))
    }

    /// A check passed.
    pub fn pass(&mut self, at: UtcMicros) -> Option<Turn> {
        self.last_passed = self.last_passed.max(Some(at));
        self.beyond_since.take().map(|_| Turn::Within(at))
    }

    /// A check failed.
    pub fn fail(&mut self, at: UtcMicros) -> Option<Turn> {
        if self.beyond_since.is_some() {
            return None;
        }
        // The reading that passed is in no doubt itself.
        let from = self.last_passed.map_or(at, |t| UtcMicros(t.0.saturating_add(1)));
        self.beyond_since = Some(from);
        Some(Turn::Beyond(from))
    }

    /// Two that raise one flag: past its limit while either is, since the earlier of their doubts.
    pub fn with(self, other: Self) -> Self {
        let beyond_since = [self.beyond_since, other.beyond_since].into_iter().flatten().min();
        let last_passed = match (self.beyond_since, other.beyond_since) {
            (Some(_), None) => self.last_passed,
            (None, Some(_)) => other.last_passed,
            (Some(_), Some(_)) => self.last_passed.min(other.last_passed),
            (None, None) => self.last_passed.max(other.last_passed),
        };
        Self { last_passed, beyond_since }
    }

    /// Time since the last check that passed [s]; 0 before the first.
    pub fn age_s(&self, now: UtcMicros) -> f64 {
        self.last_passed.map_or(0.0, |t| now.seconds_since(t).max(0.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: a doubt begins after the last pass, is told once, and ends at the next pass or at a new beginning.
    #[test]
    fn a_doubt_begins_after_the_last_pass_and_ends_at_the_next() {
        let t = UtcMicros;
        let mut s = Standing::default();
        assert_eq!((s.begin(t(0)), s.pass(t(5)), s.fail(t(9))), (None, None, Some(Turn::Beyond(t(6)))));
        assert_eq!((s.fail(t(10)), s.age_s(t(2_000_005))), (None, 2.0));
        assert_eq!((s.pass(t(20)), s.pass(t(21))), (Some(Turn::Within(t(20))), None));
        assert_eq!((s.fail(t(30)), s.begin(t(40))), (Some(Turn::Beyond(t(22))), Some(Turn::Within(t(40)))));
    }

    /// Identity: two together are past their limit from the earlier doubt until the later return.
    #[test]
    fn two_together_are_in_doubt_while_either_is() {
        let at = |last, since: Option<i64>| Standing {
            last_passed: Some(UtcMicros(last)),
            beyond_since: since.map(UtcMicros),
        };
        assert_eq!(at(5, None).with(at(9, None)), at(9, None));
        assert_eq!(at(5, Some(6)).with(at(9, None)), at(5, Some(6)));
        assert_eq!(at(5, None).with(at(3, Some(4))), at(3, Some(4)));
        assert_eq!(at(5, Some(6)).with(at(3, Some(4))), at(3, Some(4)));
    }
}
