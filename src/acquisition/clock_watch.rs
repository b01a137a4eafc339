//! Whether the wall clock was set, and whether the process was suspended.
//!
//! Pure: compares two readings of the wall clock with two of the monotonic one. Invariant: a clock that is slewed by a time service
//! is not taken for one that was set.

use crate::clock::{Clock, UtcMicros};
use crate::exposure::clock_step_s;
use std::time::Duration;

/// A wall clock that moved by more than this against the monotonic one was set [s].
const STEP_S: f64 = 2.0;
/// A sleep that took so much longer than asked for was no sleep of ours alone [s].
const SUSPENDED_S: f64 = 10.0;
/// How often a sleeping loop looks at the clock [s].
const LOOK_EVERY_S: f64 = 5.0;

/// The wall clock was set.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClockStep {
    /// What it would show.
    pub expected: UtcMicros,
    /// What it shows.
    pub shows: UtcMicros,
}

impl ClockStep {
    /// By how much [s]; negative where it was set back.
    pub fn seconds(&self) -> f64 {
        self.shows.seconds_since(self.expected)
    }

    /// For the record.
    pub fn text(&self) -> String {
        let Self { expected, shows } = self;
        let by = self.seconds();
        if by > 0.0 {
            format!("the clock was set forward by {by:.1} s, from {expected} to {shows}")
        } else {
            let back = -by;
            format!(
                "the clock was set back by {back:.1} s, from {expected} to {shows}: the readings of both runs through this \
                 time are stored"
            )
        }
    }
}

/// Both clocks at the last look.
#[derive(Clone, Copy, Debug)]
pub struct ClockWatch {
    wall: UtcMicros,
    monotonic: Duration,
}

impl ClockWatch {
    /// From now on.
    pub fn new(clock: &dyn Clock) -> Self {
        Self { wall: clock.now(), monotonic: clock.monotonic() }
    }

    /// Looks again; answers with the step since the last look.
    pub fn observe(&mut self, clock: &dyn Clock) -> Option<ClockStep> {
        let now = Self::new(clock);
        let before = std::mem::replace(self, now);
        let elapsed = now.monotonic.saturating_sub(before.monotonic);
        let step_s = clock_step_s(now.wall.seconds_since(before.wall), |span| clock.real_for(span), elapsed)?;
        (step_s.abs() > STEP_S).then(|| ClockStep { expected: now.wall.plus_seconds(-step_s), shows: now.wall })
    }
}

/// Until when a loop sleeps that waits for `t`, so that it looks at the clock often enough.
pub fn next_look(clock: &dyn Clock, t: UtcMicros) -> UtcMicros {
    let real_s = clock.real_for(Duration::from_secs(1)).as_secs_f64();
    t.min(clock.now().plus_seconds(LOOK_EVERY_S / real_s.max(1e-9)))
}

/// Whether a sleep of `asked` took `took`, on the monotonic clock, because the process did not run.
pub fn was_suspended(asked: Duration, took: Duration) -> bool {
    took.saturating_sub(asked).as_secs_f64() > SUSPENDED_S
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::{SteppedClock, Stop, Wake};
    use std::sync::atomic::{AtomicI64, Ordering};

    /// A stepped clock that somebody sets.
    struct Settable(SteppedClock, AtomicI64);

    impl Clock for Settable {
        fn now(&self) -> UtcMicros {
            UtcMicros(self.0.now().0 + self.1.load(Ordering::SeqCst))
        }
        fn monotonic(&self) -> Duration {
            self.0.monotonic()
        }
        fn real_for(&self, simulated: Duration) -> Duration {
            simulated
        }
        fn sleep_until(&self, _: UtcMicros, _: &Stop) -> Wake {
            Wake::Reached
        }
        fn pause(&self, span: Duration, stop: &Stop) -> Wake {
            self.0.pause(span, stop)
        }
    }

    /// Steps of more than two seconds are reported once, with their sign; smaller ones and none at all are not.
    #[test]
    fn a_step_is_reported_once() {
        let clock = Settable(SteppedClock::new(UtcMicros(1_782_043_200_000_000)), AtomicI64::new(0));
        let mut watch = ClockWatch::new(&clock);
        for (set_s, expected_s) in
            [(0.0, None), (1.5, None), (-600.0, Some(-600.0)), (0.0, None), (3600.0, Some(3600.0))]
        {
            clock.1.fetch_add((set_s * 1e6) as i64, Ordering::SeqCst);
            let _ = clock.pause(Duration::from_secs(30), &Stop::new());
            let step = watch.observe(&clock);
            assert_eq!(step.map(|s| s.seconds().round()), expected_s, "set by {set_s} s");
        }
    }

    /// The text names both instants, and for a clock that was set back what that means for the record.
    #[test]
    fn a_step_is_described() {
        let noon = UtcMicros(1_782_043_200_000_000);
        let back = ClockStep { expected: noon.plus_seconds(600.0), shows: noon };
        let text = "the clock was set back by 600.0 s, from 2026-06-21T12:10:00Z to 2026-06-21T12:00:00Z: the readings of both \
                    runs through this time are stored";
        assert_eq!(back.text(), text);
        let forward = ClockStep { expected: noon, shows: noon.plus_seconds(60.0) };
        assert_eq!(
            forward.text(),
            "the clock was set forward by 60.0 s, from 2026-06-21T12:00:00Z to 2026-06-21T12:01:00Z"
        );
    }

    /// A busy machine wakes a sleeper late; only a long delay is a suspended process.
    #[test]
    fn a_late_wake_is_no_suspension() {
        let s = Duration::from_secs;
        assert!(!was_suspended(s(5), s(5)) && !was_suspended(s(5), s(14)) && !was_suspended(s(5), s(1)));
        assert!(was_suspended(s(5), s(16)));
    }
}
