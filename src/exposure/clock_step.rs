//! Detects that the wall clock was set while a reading ran, by comparison with the monotonic clock. Pure.

use std::time::Duration;

/// Difference between wall clock and monotonic clock above which the wall clock was set [s].
const STEP_S: f64 = 0.5;

/// By how much the wall clock was set [s], positive for forward; `None` where both clocks agree.
///
/// wall_s: time elapsed on the wall clock [s]; monotonic: on the monotonic clock; real_for: converts a duration on the wall
/// clock to the monotonic one, which differ under compressed time.
pub fn clock_step_s(wall_s: f64, real_for: impl Fn(Duration) -> Duration, monotonic: Duration) -> Option<f64> {
    // A clock that was set back can show a negative duration.
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

    #[test]
    fn a_clock_that_is_slewed_by_less_than_half_a_second_was_not_set() {
        assert_eq!((step(20.0, 20.0), step(20.4, 20.0), step(19.6, 20.0)), (None, None, None));
    }

    /// Identity: the step is positive for a clock set forward and negative for one set back.
    #[test]
    fn the_step_of_a_clock_set_forward_or_back_has_its_sign() {
        assert_eq!(step(120.0, 20.0), Some(100.0));
        assert_eq!(step(10.0, 20.0), Some(-10.0));
        assert_eq!(step(-80.0, 20.0), Some(-100.0), "set back to before the reading began");
    }

    /// Identity: under a compressed clock the simulated time is converted before the comparison.
    #[test]
    fn compressed_time_is_no_step() {
        let hundredfold = |span: Duration| span / 100;
        assert_eq!(clock_step_s(2000.0, hundredfold, Duration::from_secs(20)), None);
    }
}
