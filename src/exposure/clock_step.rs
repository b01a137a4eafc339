//! Whether the clock was set while a reading ran.

use std::time::Duration;

/// A wall clock that moved by more than this against the monotonic one was set [s].
const STEP_S: f64 = 0.5;

/// By how much the wall clock was set [s], when it shows that `wall_s` have passed [s] and the monotonic clock `monotonic`;
/// `None` where the two agree. `real_for` is how long a span of the wall clock takes on the monotonic one.
pub fn clock_step_s(wall_s: f64, real_for: impl Fn(Duration) -> Duration, monotonic: Duration) -> Option<f64> {
    // A clock that was set back shows less than nothing.
    let real_s = real_for(Duration::from_secs_f64(wall_s.abs())).as_secs_f64() * wall_s.signum();
    let step_s = real_s - monotonic.as_secs_f64();
    (step_s.abs() > STEP_S).then_some(step_s)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn step(wall_s: f64, monotonic_s: f64) -> Option<f64> {
        clock_step_s(wall_s, |span| span, Duration::from_secs_f64(monotonic_s))
    }

    /// Identity: a clock that is disciplined by small amounts is not taken for one that was set.
    #[test]
    fn a_clock_that_is_slewed_was_not_set() {
        assert_eq!((step(20.0, 20.0), step(20.4, 20.0), step(19.6, 20.0)), (None, None, None));
    }

    /// Identity: the step has the sign of the way the clock was set, so that the warm-up keeps its distance from now.
    #[test]
    fn a_clock_set_forward_or_back_shows_by_how_much() {
        assert_eq!(step(120.0, 20.0), Some(100.0));
        assert_eq!(step(10.0, 20.0), Some(-10.0));
        assert_eq!(step(-80.0, 20.0), Some(-100.0), "set back to before the reading began");
    }

    /// Identity: under a compressed clock, real time is what passes; the simulated time that it shows is no step.
    #[test]
    fn compressed_time_is_no_step() {
        let hundredfold = |span: Duration| span / 100;
        assert_eq!(clock_step_s(2000.0, hundredfold, Duration::from_secs(20)), None);
    }
}
