//! The integration times that light frames and darks are taken at.
//!
//! A geometric grid, twelve steps a decade and anchored at 1 s: the same few times come back, so that their darks can be
//! used again. Where mains-driven lamps contribute, the grid holds whole half-cycles only: lamps ripple at twice the mains
//! frequency, and only whole periods of the ripple average out. Below one half-cycle the plain grid continues, for light
//! that would clip in a half-cycle; [`whole_half_cycles`] recognises such times.

/// Steps of the grid in a decade.
pub const STEPS_A_DECADE: f64 = 12.0;

/// How far, in half-cycles, a time may be off a whole number of them: instruments round to their own step. The ripple
/// left over is below 1 % of the lamp's ripple.
const HALF_CYCLE_TOLERANCE: f64 = 0.005;

/// Whether lamps at `mains_hz` [Hz] average out over `integration_s` [s]; always true where `mains_hz` is 0.
pub fn whole_half_cycles(integration_s: f64, mains_hz: f64) -> bool {
    if mains_hz <= 0.0 {
        return true;
    }
    let cycles = integration_s * 2.0 * mains_hz;
    cycles.round() >= 1.0 && (cycles - cycles.round()).abs() <= HALF_CYCLE_TOLERANCE
}

/// Integration times to choose from [s], rising, none twice, never empty.
#[derive(Clone, Debug, PartialEq)]
pub struct IntegrationGrid {
    times: Vec<f64>,
}

impl IntegrationGrid {
    /// All times within `[min_s, max_s]` [s]. The shortest is `min_s` itself (where it is
    /// longer than a half-cycle, the next whole one); the longest is the last step that fits.
    pub fn new(min_s: f64, max_s: f64, mains_hz: f64) -> Self {
        let min_s = if min_s > 0.0 && min_s.is_finite() { min_s } else { 1e-3 };
        let max_s = if max_s > min_s && max_s.is_finite() { max_s } else { min_s };
        let half = if mains_hz > 0.0 { 0.5 / mains_hz } else { f64::INFINITY };
        let whole = (min_s / half).ceil() * half;
        let mut times = vec![if min_s > half && whole <= max_s { whole } else { min_s }];
        let first = (min_s.log10() * STEPS_A_DECADE).floor() as i32;
        let last = (max_s.log10() * STEPS_A_DECADE).ceil() as i32;
        // One step further than the maximum, since rounding to whole half-cycles may bring it back inside.
        for k in first..=last {
            let plain = 10f64.powf(f64::from(k) / STEPS_A_DECADE);
            // Microseconds, as an instrument would round: the time asked for and the time in force then agree.
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
    /// The longest time not above `t` [s]; the shortest of all where none is (also for NaN).
    pub fn floor(&self, t: f64) -> f64 {
        self.times.iter().rev().copied().find(|g| *g <= t * (1.0 + 1e-9)).unwrap_or(self.times[0])
    }
    /// The longest time strictly below `t` [s]; the shortest of all where none is.
    pub fn below(&self, t: f64) -> f64 {
        self.floor(t * (1.0 - 1e-6))
    }
    /// All of them [s], rising.
    pub fn times(&self) -> &[f64] {
        &self.times
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: neighbours of the plain grid differ by the same factor, and both limits hold.
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

    /// Identity: with mains, every time of a half-cycle or longer is whole half-cycles, and no step is wider than twofold.
    #[test]
    fn with_mains_every_time_from_a_half_cycle_on_is_whole_half_cycles() {
        for mains in [50.0, 60.0] {
            let grid = IntegrationGrid::new(1e-3, 60.0, mains);
            for w in grid.times().windows(2) {
                assert!(w[1] / w[0] < 2.01, "{mains} Hz: {} after {}", w[1], w[0]);
            }
            for t in grid.times() {
                assert_eq!(whole_half_cycles(*t, mains), *t > 0.49 / mains, "{mains} Hz: {t}");
            }
            assert!(grid.times().iter().any(|t| (t - 0.5 / mains).abs() < 1e-6), "the half-cycle itself is there");
        }
        assert!(whole_half_cycles(0.05, 50.0) && whole_half_cycles(0.05, 60.0), "50 ms suits both");
        assert!(!whole_half_cycles(0.003, 50.0) && whole_half_cycles(0.003, 0.0));
    }

    /// Identity: limits that make no sense still give one usable time.
    #[test]
    fn odd_limits_leave_one_time() {
        for (a, b) in [(0.5, 0.1), (f64::NAN, f64::NAN), (0.0, 0.0), (-1.0, f64::INFINITY)] {
            let grid = IntegrationGrid::new(a, b, 50.0);
            assert!(grid.shortest() > 0.0 && grid.longest().is_finite(), "{a} {b}");
        }
    }
}
