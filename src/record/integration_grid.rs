//! The grid of integration times of light frames and darks.
//!
//! A geometric grid with twelve steps per decade, anchored at 1 s: few distinct times are used, so that darks can be reused. With
//! lamps on the mains, the grid contains multiples of the half-cycle only: lamps ripple at twice the mains frequency, and only
//! complete periods of the ripple average out. Below one half-cycle the plain grid continues, for light that clips within a
//! half-cycle; [`whole_half_cycles`] distinguishes these times.

/// Steps of the grid per decade.
pub const STEPS_PER_DECADE: f64 = 12.0;

/// Allowed deviation from a multiple of the half-cycle [half-cycles], because instruments round integration times. The residual
/// ripple is below 1 % of the ripple of the lamp.
const HALF_CYCLE_TOLERANCE: f64 = 0.005;

/// Whether the ripple of lamps at `mains_hz` [Hz] averages out over `integration_s` [s]; true if `mains_hz` is 0.
pub fn whole_half_cycles(integration_s: f64, mains_hz: f64) -> bool {
    if mains_hz <= 0.0 {
        return true;
    }
    let cycles = integration_s * 2.0 * mains_hz;
    cycles.round() >= 1.0 && (cycles - cycles.round()).abs() <= HALF_CYCLE_TOLERANCE
}

/// The available integration times [s], strictly ascending, never empty.
#[derive(Clone, Debug, PartialEq)]
pub struct IntegrationGrid {
    times: Vec<f64>,
}

impl IntegrationGrid {
    /// The grid within `[min_s, max_s]` [s]. The shortest time is `min_s`, rounded up to a multiple of the half-cycle if longer
    /// than one; the longest is the last step not above `max_s`.
    pub fn new(min_s: f64, max_s: f64, mains_hz: f64) -> Self {
        let min_s = if min_s > 0.0 && min_s.is_finite() { min_s } else { 1e-3 };
        let max_s = if max_s > min_s && max_s.is_finite() { max_s } else { min_s };
        let half = if mains_hz > 0.0 { 0.5 / mains_hz } else { f64::INFINITY };
        let whole = (min_s / half).ceil() * half;
        let mut times = vec![if min_s > half && whole <= max_s { whole } else { min_s }];
        let first = (min_s.log10() * STEPS_PER_DECADE).floor() as i32;
        let last = (max_s.log10() * STEPS_PER_DECADE).ceil() as i32;
        // One step beyond the maximum, because rounding to half-cycles may bring it below the maximum.
        for k in first..=last {
            let plain = 10f64.powf(f64::from(k) / STEPS_PER_DECADE);
            // Rounded to microseconds, as instruments do, so that the requested and the reported time agree.
            let t = if plain > 0.75 * half { (plain / half).round().max(1.0) * half } else { plain };
            let t = (t * 1e6).round() * 1e-6;
            let clear_of_half = t > 0.95 * half || t < 0.8 * half;
            if t <= max_s * (1.0 + 1e-9) && t > times[times.len() - 1] * 1.02 && clear_of_half {
                times.push(t);
            }
        }
        Self { times }
    }

    /// The shortest time [s].
    pub fn shortest(&self) -> f64 {
        self.times[0]
    }
    /// The longest time [s].
    pub fn longest(&self) -> f64 {
        self.times[self.times.len() - 1]
    }
    /// The longest time not above `t` [s]; the shortest of the grid if there is none (also for NaN).
    pub fn floor(&self, t: f64) -> f64 {
        self.times.iter().rev().copied().find(|g| *g <= t * (1.0 + 1e-9)).unwrap_or(self.times[0])
    }
    /// The longest time below `t` [s]; the shortest of the grid if there is none.
    pub fn below(&self, t: f64) -> f64 {
        self.floor(t * (1.0 - 1e-6))
    }
    /// All times [s], ascending.
    pub fn times(&self) -> &[f64] {
        &self.times
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: neighbours of the plain grid differ by the same factor, within both limits.
    #[test]
    fn the_plain_grid_is_geometric_and_within_its_limits() {
        let grid = IntegrationGrid::new(1e-3, 60.0, 0.0);
        assert_eq!(grid.shortest(), 1e-3);
        assert!(grid.longest() <= 60.0 && grid.longest() > 48.0);
        for w in grid.times().windows(2) {
            let ratio = w[1] / w[0];
            assert!((ratio - 10f64.powf(1.0 / 12.0)).abs() < 2e-3, "{} after {}", w[1], w[0]);
        }
        assert_eq!(grid.floor(1.0), 1.0);
        assert!(grid.below(1.0) < 0.83);
        assert_eq!(grid.floor(f64::NAN), 1e-3);
    }

    /// Identity: with mains, every time of at least a half-cycle is a multiple of it, and no step exceeds a factor of two.
    #[test]
    fn with_mains_every_time_from_a_half_cycle_on_is_a_multiple_of_it() {
        for mains in [50.0, 60.0] {
            let grid = IntegrationGrid::new(1e-3, 60.0, mains);
            for w in grid.times().windows(2) {
                assert!(w[1] / w[0] < 2.01, "{mains} Hz: {} after {}", w[1], w[0]);
            }
            for t in grid.times() {
                assert_eq!(whole_half_cycles(*t, mains), *t > 0.49 / mains, "{mains} Hz: {t}");
            }
            assert!(grid.times().iter().any(|t| (t - 0.5 / mains).abs() < 1e-6), "the grid contains the half-cycle");
        }
        assert!(whole_half_cycles(0.05, 50.0) && whole_half_cycles(0.05, 60.0), "50 ms suits both");
        assert!(!whole_half_cycles(0.003, 50.0) && whole_half_cycles(0.003, 0.0));
    }

    /// Invalid limits give a grid with a usable time.
    #[test]
    fn invalid_limits_give_a_usable_time() {
        for (a, b) in [(0.5, 0.1), (f64::NAN, f64::NAN), (0.0, 0.0), (-1.0, f64::INFINITY)] {
            let grid = IntegrationGrid::new(a, b, 50.0);
            assert!(grid.shortest() > 0.0 && grid.longest().is_finite(), "{a} {b}");
        }
    }
}
